"""What is wrong with a fit of compaction, by rules fixed beforehand, in words."""

from __future__ import annotations

import numpy as np

from corephys.ground import fitting, thresholds
from corephys.numerics import exponential as numerics
from corephys.numerics.exponential import Checks
from corephys.products.compaction_data import Data, solve
from corephys.products.compaction_models import Model

__all__ = ["BLOCKS", "block_checks", "judge"]

BLOCKS = thresholds.count("compaction_blocks")

# Limits of the rules. They are this library's choice and stand in the notes of compaction.fit.
_LEAST_SKILL = thresholds.value("compaction_least_skill")
_MOST_BETWEEN = thresholds.value("compaction_most_between")
_MOST_RATE = thresholds.value("compaction_most_rate")
_MOST_CORRELATION = thresholds.value("compaction_most_correlation")
_LONGEST = thresholds.value("compaction_longest")
_FAR = thresholds.value("compaction_far")


def block_checks(
    model: Model, data: Data, values: dict[str, float], forced: dict[str, float]
) -> Checks | None:
    """Predict each block of depth from the others.

    Parameters
    ----------
    model : Model
        What is fitted, unweighted and without bounds, to the other blocks.
    data : Data
        All points.
    values, forced : dict of str to float
        The fit, and those of its parameters that are not free.

    Returns
    -------
    Checks or None
        None with fewer than twelve points.
    """
    x, y = data.abscissa(model), data.porosity
    fitted = tuple(values[name] for name in model.names)
    if model.name == "exponential" and not forced:
        return numerics.block_checks(x, y, BLOCKS, fitted)
    return numerics.block_checks(
        x, y, BLOCKS, fitted, curve=model.curve, rate=model.rate, along=data.depth,
        solver=lambda u, v: solve(model, u, v, start=values, fixed=forced, bounded=False),
    )  # fmt: skip


def judge(
    model: Model, found: fitting.Fit, checks: Checks | None, data: Data,
    forced: dict[str, float], free: fitting.Fit | None,
) -> tuple[str, ...]:  # fmt: skip
    """Name what is wrong.

    Parameters
    ----------
    model, found, checks, data, forced
        As in the fit.
    free : Fit or None
        The same with nothing forced.

    Returns
    -------
    tuple of str
        Empty where no rule is broken.
    """
    x = data.abscissa(model)
    troubles = [
        *_bounds(model, found, x, data.porosity),
        *_forced(model, forced, found, free),
        *_shape(model, found, x),
        *_together(model, found),
    ]
    if checks is None:
        return (*troubles, f"{found.points} points are too few to check the fit by blocks of depth")
    return (*troubles, *_blocks(model, checks))


def _bounds(model: Model, found: fitting.Fit, x: np.ndarray, y: np.ndarray) -> list[str]:
    troubles = []
    for name in found.at_bound:
        words = next(p.words for p in model.parameters if p.name == name)
        loose = solve(model, x, y, start=found.values, bounded=False)
        if model.name == "exponential":
            loose = np.array([numerics.solve(x, y)[0], np.nan])
        would = float(loose[model.names.index(name)])
        if name == "surface_porosity" and would > 1:
            troubles.append(
                f"bound reached: without the bound the surface porosity would be {would:.2f}, "
                "which is no porosity"
            )
        elif name == "residual_porosity" and found.values[name] < 0.5:
            troubles.append(
                "bound reached: the residual porosity is zero at best, the offset is not told "
                "from none"
            )
        else:
            troubles.append(f"bound reached: {words} is {found.values[name]:g}")
    return troubles


def _forced(
    model: Model, forced: dict[str, float], found: fitting.Fit, free: fitting.Fit | None
) -> list[str]:
    troubles = []
    for name, value in forced.items():
        parameter = next(p for p in model.parameters if p.name == name)
        text = f"forced {parameter.words.removesuffix(' of the fit')} of {value:g}"
        if free is None:
            troubles.append(text)
            continue
        own, u = free.values[name], free.errors[name]
        far = abs(value - own) / u if u > 0 else float("nan")
        text += f": free, it is {own:.4g} ± {u:.2g}"
        if far == far:
            text += f", {far:.1f} standard errors away"
        least = float(free.residual @ free.residual)
        if least > 0:
            more = 100.0 * (float(found.residual @ found.residual) / least - 1.0)
            text += f"; forcing it adds {more:.0f} % to the squared residuals"
        troubles.append(f"{text}. What else is fitted and its errors hold only if it is right")
    return troubles


def _shape(model: Model, found: fitting.Fit, x: np.ndarray) -> list[str]:
    """Curves that rise, run straight, or carry an offset that is none."""
    values = [found.values[name] for name in model.names]
    troubles = []
    if not model.rate(values) > 0:
        first = (
            "the e-folding depth is negative: "
            if model.names[-1] == "decay_length" and values[-1] < 0 else ""
        )  # fmt: skip
        troubles.append(f"{first}porosity rises with {_along(model)}")
    span, longest = float(np.ptp(x)), values[-1]
    if model.names[-1] in ("decay_length", "decay_stress") and longest > _LONGEST * span > 0:
        e_folding = "depth" if model.abscissa == "depth" else "stress"
        troubles.append(
            f"a straight line in effect: the e-folding {e_folding} is {longest / span:.1f} times "
            f"the range of {_along(model)} that is sampled"
        )
    if "residual_porosity" in found.values and "residual_porosity" not in found.at_bound:
        left, u = found.values["residual_porosity"], found.errors["residual_porosity"]
        if not left > _FAR * u:
            size = f"{left:.2f} ± {u:.2f}" if u == u else f"{left:.2f}, its error not known"
            troubles.append(
                f"offset not told from zero: the residual porosity is {size}; the exponential "
                "says as much with one parameter less"
            )
    return troubles


def _along(model: Model) -> str:
    return "depth" if model.abscissa == "depth" else "effective stress"


def _together(model: Model, found: fitting.Fit) -> list[str]:
    """Parameters that the data fix only in combination."""
    u = np.sqrt(np.diag(found.covariance))
    with np.errstate(invalid="ignore", divide="ignore"):
        r = found.covariance / np.outer(u, u)
    troubles = []
    for i, one in enumerate(model.parameters):
        for j in range(i + 1, len(model.parameters)):
            if abs(r[i, j]) > _MOST_CORRELATION:
                troubles.append(
                    f"told only together: {one.words} and {model.parameters[j].words} have a "
                    f"correlation of {r[i, j]:.3f}"
                )
    return troubles


def _blocks(model: Model, checks: Checks) -> list[str]:
    troubles = []
    if not checks.skill >= _LEAST_SKILL:
        troubles.append(
            "predicts little: on depths it has not seen it leaves "
            f"{100 * (1 - checks.skill):.0f} % of the squared error of a constant"
        )
    if checks.between > _MOST_BETWEEN:
        troubles.append(
            f"trend in the residuals: {100 * checks.between:.0f} % of their variance lies between "
            f"{checks.blocks} blocks of depth"
        )
    if not checks.rate <= _MOST_RATE:
        size = f"of {100 * checks.rate:.0f} %" if checks.rate <= 1 else "larger than itself"
        troubles.append(
            "rate not known: leaving out one block of depth after the other gives "
            f"{model.rate_words} an uncertainty {size}"
        )
    return troubles
