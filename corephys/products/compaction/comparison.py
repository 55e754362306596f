"""Comparison of models of compaction on the same porosities, with what it cannot decide."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import thresholds, vocabulary
from corephys.ground.cards import Card
from corephys.ground.choices import plain_words
from corephys.ground.fits import FitResult, draw_curve, draw_points
from corephys.numerics import exponential as numerics
from corephys.products.compaction.data import Choices, gather
from corephys.products.compaction.fits import fit_data, natural_scatter
from corephys.products.compaction.models import MODELS, of_name
from corephys.products.compaction.results import CompactionFit, label_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = ["Comparison", "compare_models"]

_T = thresholds.DEFAULTS
_AICC = thresholds.value("aicc_difference")
_SKILL = thresholds.value("compaction_least_skill")
_SURE = thresholds.value("one_sided_errors")
_FAR = thresholds.value("compaction_far")


@dataclass(frozen=True)
class Comparison(FitResult):
    """Fits of several models to the same porosities.

    Parameters
    ----------
    dataset : Dataset
        Along ``model``, in the order of AICc: the criterion, its difference and weight,
        cross-validation error and skill, chi-square, parameters with random errors, verdicts.
    fits : dict of str to CompactionFit
        By model, in the same order.
    verdict : tuple of str
        Conclusions of the comparison and their limits, in words.
    """

    dataset: xr.Dataset
    fits: dict[str, CompactionFit]
    verdict: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Numbers of the comparison, one row for each model.

        Returns
        -------
        DataFrame
            By model, in the order of AICc: the fitted curve, the criteria and the verdict.
        """
        rows = []
        for i, (name, fit) in enumerate(self.fits.items()):
            row: dict[str, Any] = {"model": name, "curve": fit.dataset.attrs["curve"]}
            row |= {key: float(self.dataset[key][i]) for key in _COLUMNS}
            rows.append(row | {"verdict": fit.dataset.attrs["verdict"]})
        return pd.DataFrame(rows).set_index("model")

    _TITLE = "Models of compaction, in the order of AICc"

    def _draw(self, ax: Axes) -> None:
        """Porosity against depth with the curve of every model."""
        data = next(iter(self.fits.values())).data
        draw_points(ax, data.porosity, data.depth, u_x=data.sigma, label="porosity")
        order = np.argsort(data.depth, kind="stable")
        for i, (name, one) in enumerate(self.fits.items()):
            # A model of stress is drawn at the depths of the stresses.
            curve = one.model.curve(data.abscissa(one.model), *one.values)
            draw_curve(ax, curve[order], data.depth[order], label=plain_words(name), colour=f"C{i}")
        label_axes(ax, True)

    def card(self) -> Card:
        """Criteria of each model, and the conclusions.

        Returns
        -------
        Card
            Summary, displayed as text or HTML.
        """
        rows = [
            (name, f"AICc difference {row.aicc_difference:.1f}, skill {row.skill:.2f}")
            for name, row in self.table().iterrows()
        ]
        return Card(self._TITLE, tuple((str(n), w) for n, w in rows), self.verdict)

    def __repr__(self) -> str:
        head = (
            f"{'model':26s}{'AICc diff.':>11s}{'weight':>8s}{'CV error':>10s}{'skill':>7s}  rules"
        )
        lines = [head]
        for i, (name, fit) in enumerate(self.fits.items()):
            numbers = [float(self.dataset[key][i]) for key in _SHORT]
            broken = f"{len(fit.verdict)} broken" if fit.verdict else "kept"
            lines.append(
                f"{plain_words(name):26s}{numbers[0]:11.1f}{numbers[1]:8.3f}{numbers[2]:10.4f}{numbers[3]:7.2f}"
                f"  {broken}"
            )
        return "\n".join([*lines, *(f"- {words}" for words in self.verdict)])


_COLUMNS = {
    "parameters": "number of parameters",
    "chi_square": "weighted sum of squared residuals",
    "reduced_chi_square": "chi-square over the degrees of freedom",
    "aicc": "corrected information criterion",
    "aicc_difference": "corrected information criterion less the lowest one",
    "aicc_weight": "share of the evidence by the criterion, if one of these models is right",
    "cross_validation_error": "root mean squared error of porosity on blocks of depth not seen",
    "skill": "skill over a constant on blocks of depth not seen",
}
_SHORT = ("aicc_difference", "aicc_weight", "cross_validation_error", "skill")


def compare_models(
    porosity: Measurement,
    depth: Dimensional | None = None,
    *,
    stress: Measurement | None = None,
    models: Sequence[str] | None = None,
    absolute_sigma: bool | None = None,
    excess_scatter: bool = True,
    bed_thickness: Scalar = _T["bed_thickness"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> Comparison:
    """Compare fits of several models to the same porosities.

    Parameters
    ----------
    porosity, depth, stress, absolute_sigma, excess_scatter, bed_thickness, allow
        Arguments of ``compaction.fit``.
    models : sequence of str, optional
        Names of at least two models; where not given, all models of depth, and with ``stress``
        those of stress too.

    Returns
    -------
    Comparison
        Fits in the order of AICc, with conclusions in words.

    Raises
    ------
    ValueError
        As for ``compaction.fit``, and for fewer than two models.

    Notes
    -----
    Only porosities at which every model is defined are used. With absolute uncertainties and
    excess scatter, all models take the scatter of the model that needs least of it, so that their
    criteria are those of one likelihood. AICc: Hurvich and Tsai (1989), Biometrika 76, 297;
    weights exp(-difference / 2), normalised: Burnham and Anderson (2002), Model Selection and
    Multimodel Inference (from memory). The criterion takes samples as independent: where
    neighbouring residuals have the correlation r, its differences are too large by a factor of
    about (1 + r) / (1 - r). The cross-validation leaves out blocks of depth of equal count (Roberts
    and others 2017, Ecography 40, 913), unweighted, and tests the prediction of depths left out.
    """
    if models is None:
        models = [n for n, m in MODELS.items() if m.abscissa == "depth" or stress is not None]
    chosen = tuple(of_name(name) for name in dict.fromkeys(models))
    if len(chosen) < 2:
        raise ValueError(
            f"models names {len(chosen)}; a comparison needs at least two, one goes to "
            "compaction.fit"
        )
    data, _ = gather(porosity, depth, stress, chosen, absolute_sigma, bed_thickness, allow)
    absolute = data.sigma is not None
    choices = Choices(absolute, excess_scatter)
    if absolute and excess_scatter:
        scatter = min(natural_scatter(model, data, choices) for model in chosen)
        choices = Choices(absolute, excess_scatter, scatter=scatter)
    fits = {model.name: fit_data(model, data, choices) for model in chosen}
    fits = dict(sorted(fits.items(), key=lambda pair: pair[1].found.aicc))
    table = _table(fits)
    verdict = tuple(_words(fits, table))
    return Comparison(_dataset(fits, table, verdict), fits, verdict)


def _table(fits: dict[str, CompactionFit]) -> dict[str, np.ndarray]:
    """Numbers of the comparison by name, one for each model."""
    aicc = np.array([fit.found.aicc for fit in fits.values()])
    difference = aicc - aicc.min()
    weight = np.exp(-0.5 * difference)
    checks = [fit.checks for fit in fits.values()]
    return {
        "parameters": np.array([float(len(fit.values)) for fit in fits.values()]),
        "chi_square": np.array([fit.found.chi_square for fit in fits.values()]),
        "reduced_chi_square": np.array([fit.found.reduced_chi_square for fit in fits.values()]),
        "aicc": aicc,
        "aicc_difference": difference,
        "aicc_weight": weight / weight.sum(),
        "cross_validation_error": np.array([c.error if c else np.nan for c in checks]),
        "skill": np.array([c.skill if c else np.nan for c in checks]),
    }


def _words(fits: dict[str, CompactionFit], table: dict[str, np.ndarray]) -> list[str]:
    """Conclusions of the comparison and their limits."""
    names = [plain_words(name) for name in fits]
    first, ahead = names[0], float(table["aicc_difference"][1])
    best = next(iter(fits.values()))
    close = [n for n, d in zip(names[1:], table["aicc_difference"][1:], strict=True) if d < _AICC]
    if close:
        words = [
            f"AICc does not tell {first} from {' and '.join(close)} (difference below {_AICC:g})"
        ]
    else:
        words = [f"AICc puts {first} first, {names[1]} {ahead:.1f} behind"]
    together = _together(best)
    if together:
        words.append(together)
    words += _cross(fits, table)
    skill = table["skill"]
    if np.isfinite(skill).any() and not np.nanmax(skill) >= _SKILL:
        words.append(
            "no model predicts depths it has not seen: the order says which is least bad, not "
            "which is right"
        )
    if best.verdict:
        words.append(f"{first} breaks rules itself: {', and '.join(best.verdict)}")
    return words


def _together(fit: CompactionFit) -> str:
    """Warning that correlated neighbours make differences of AICc too large."""
    sigma = 1.0 if fit.data.sigma is None else fit.data.sigma
    r = numerics.lag_correlation((fit.found.residual / sigma)[np.argsort(fit.data.depth)])
    if r <= _SURE / np.sqrt(fit.found.points):
        return ""
    return (
        f"neighbours in depth scatter together (correlation {r:.2f}): differences of AICc are too "
        f"large by a factor of about {(1 + r) / (1 - r):.1f}"
    )


def _cross(fits: dict[str, CompactionFit], table: dict[str, np.ndarray]) -> list[str]:
    """Order by cross-validation, and whether it agrees with AICc."""
    names, error = [plain_words(name) for name in fits], table["cross_validation_error"]
    by_name = dict(zip(names, fits.values(), strict=True))
    if not np.isfinite(error).all():
        return ["too few points to check the models by blocks of depth"]
    order = np.argsort(error, kind="stable")
    best, next_best = (names[int(i)] for i in order[:2])
    ahead, u, sure = _apart(by_name[best], by_name[next_best])
    words = [
        f"cross-validation puts {best} first (error {error[order[0]]:.4f}), {next_best} next "
        f"({error[order[1]]:.4f}). Their squared errors differ by {ahead:.1e} ± {u:.1e} over the "
        f"blocks, which {'tells' if sure else 'does not tell'} them apart"
    ]
    if best == names[0]:
        return [*words, f"AICc and cross-validation agree on {best}"]
    gap, u, sure = _apart(by_name[best], by_name[names[0]])
    return [
        *words,
        f"AICc and cross-validation disagree: {names[0]} describes these points best, {best} "
        f"predicts unseen depths best. On those they differ by {gap:.1e} ± {u:.1e}, "
        + ("more than the blocks scatter" if sure else "no more than the blocks scatter"),
    ]


def _apart(one: CompactionFit, other: CompactionFit) -> tuple[float, float, bool]:
    """Difference of squared errors over the blocks, its error, and if it exceeds two errors."""
    assert one.checks is not None and other.checks is not None
    gap = other.checks.errors - one.checks.errors
    u = float(gap.std(ddof=1) / np.sqrt(gap.size))
    mean = float(gap.mean())
    return mean, u, bool(abs(mean) > _FAR * u)


def _dataset(
    fits: dict[str, CompactionFit], table: dict[str, np.ndarray], verdict: tuple[str, ...]
) -> xr.Dataset:
    """Dataset of a comparison, along ``model``."""
    names = np.array(list(fits), dtype=object)
    out: dict[str, Any] = {}
    for key, words in _COLUMNS.items():
        out[key] = ("model", table[key], {"units": "1", "long_name": words})
    for name in dict.fromkeys(n for fit in fits.values() for n in fit.model.names):
        entry = vocabulary.term(name)
        values = [fit.found.values.get(name, np.nan) for fit in fits.values()]
        errors = [fit.found.errors.get(name, np.nan) for fit in fits.values()]
        out[name] = ("model", values, {"units": entry.unit, "long_name": entry.long_name})
        words = f"random standard uncertainty of {entry.long_name}"
        out[f"{name}_u_random"] = ("model", errors, {"units": entry.unit, "long_name": words})
    for key, attribute, words in (
        ("equation", "curve", "fitted curve"),
        ("verdict", "verdict", "what is wrong with the fit"),
    ):
        text = np.array([fit.dataset.attrs[attribute] for fit in fits.values()], dtype=object)
        out[key] = ("model", text, {"long_name": words})
    first = next(iter(fits.values()))
    cross = table["cross_validation_error"]
    attributes = {
        "points_used": first.data.porosity.size,
        "points_left_out": first.data.left_out,
        "excess_scatter": first.dataset.attrs["excess_scatter"],
        "first_by_aicc": str(names[0]),
        "first_by_cross_validation": (
            str(names[int(np.argmin(cross))]) if np.isfinite(cross).all() else "not known"
        ),
        "verdict": "; ".join(verdict),
        "constants": first.dataset.attrs["constants"],
    }
    coords = {"model": ("model", names, {"long_name": "model of compaction"})}
    return xr.Dataset(out, coords, attributes)
