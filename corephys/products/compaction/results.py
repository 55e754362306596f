"""Result of a fit of compaction: parameters, the curve with its band, and the rules of the
verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import fits, fitting, flags, series, thresholds, units
from corephys.ground.cards import Card, with_both_parts
from corephys.ground.choices import plain_words
from corephys.numerics import exponential as numerics
from corephys.numerics.exponential import Checks
from corephys.products.compaction.data import Choices, Data, Spread, solve, solve_rows
from corephys.products.compaction.models import MODELS, Model
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional

__all__ = ["CompactionFit"]

# --------------------------------------------------------------------------------------------------
# Verdict on a fit of compaction, by rules fixed beforehand.


BLOCKS = thresholds.count("compaction_blocks")

# Limits of the rules: this library's choice, listed in the notes of compaction.fit.
_LEAST_SKILL = thresholds.value("compaction_least_skill")
_MOST_BETWEEN = thresholds.value("compaction_most_between")
_MOST_RATE = thresholds.value("compaction_most_rate")
_MOST_CORRELATION = thresholds.value("compaction_most_correlation")
_LONGEST = thresholds.value("compaction_longest")
_FAR = thresholds.value("compaction_far")
_REPEATS = thresholds.value("compaction_repeats")
_HARDLY_ANY_SUPPORT = thresholds.value("aicc_far")


def block_checks(
    model: Model, data: Data, values: dict[str, float], forced: dict[str, float]
) -> Checks | None:
    """Checks on blocks of depth, each predicted from the others; None below twelve points.

    The model is fitted to the other blocks without weights and bounds: bounds would hide that a
    part of the data leads to an impossible porosity.
    """
    x, y = data.abscissa(model), data.porosity
    fitted = tuple(values[name] for name in model.names)
    return numerics.block_checks(
        x,
        y,
        BLOCKS,
        fitted,
        curve=model.curve,
        rate=model.rate,
        along=data.depth,
        solver=lambda u, v, weights: solve_rows(
            model, u, v, weights, start=values, fixed=forced, bounded=False
        ),
    )


def judge(
    model: Model,
    found: fitting.Fit,
    checks: Checks | None,
    data: Data,
    forced: dict[str, float],
    free: fitting.Fit | None,
) -> tuple[str, ...]:
    """Texts of the rules that a fit breaks; ``free`` is the same fit with nothing forced."""
    x = data.abscissa(model)
    troubles = [
        *_bounds(model, found, x, data.porosity),
        *_forced(model, forced, found, free),
        *_shape(model, found, x),
        *_together(model, found),
    ]
    repeats = data.repeats()
    if repeats > _REPEATS * x.size:
        troubles.append(f"{repeats_in_words(repeats, x.size)}; pasted copies count twice in a fit")
    if checks is None:
        return (*troubles, f"{found.points} points are too few to check the fit by blocks of depth")
    return (*troubles, *_blocks(model, checks))


def repeats_in_words(repeats: int, points: int) -> str:
    """Number of points that repeat another point exactly, in words."""
    verb = "repeats" if repeats == 1 else "repeat"
    return f"{repeats} of {points} points {verb} another point exactly"


def _bounds(model: Model, found: fitting.Fit, x: np.ndarray, y: np.ndarray) -> list[str]:
    """Parameters that ended on a bound."""
    troubles = []
    for name in found.at_bound:
        words = next(p.words for p in model.parameters if p.name == name)
        loose = solve_rows(model, x, y, np.ones((1, x.size)), start=found.values, bounded=False)
        would = float(loose[0, model.names.index(name)])
        if name == "surface_porosity" and would > 1:
            troubles.append(
                f"bound reached: without the bound the surface porosity would be {would:.2f}, "
                "which is not possible"
            )
        elif name == "residual_porosity" and found.values[name] < 0.5:
            troubles.append(
                "bound reached: the best residual porosity is zero; the offset cannot be "
                "distinguished from zero"
            )
        else:
            troubles.append(f"bound reached: {words} is {found.values[name]:g}")
    return troubles


def _forced(
    model: Model, forced: dict[str, float], found: fitting.Fit, free: fitting.Fit | None
) -> list[str]:
    """Forced parameters, and how far they are from their free values."""
    troubles = []
    for name, value in forced.items():
        parameter = next(p for p in model.parameters if p.name == name)
        text = f"forced {parameter.words.removesuffix(' of the fit')} of {value:g}"
        if free is None:
            troubles.append(text)
            continue
        own, u = free.values[name], free.errors[name]
        far = abs(value - own) / u if u > 0 else float("nan")
        text += f": fitted, it is {own:.4g} ± {u:.2g}"
        if far == far:
            text += f", {far:.1f} standard errors away"
        least = float(free.residual @ free.residual)
        if least > 0:
            more = 100.0 * (float(found.residual @ found.residual) / least - 1.0)
            text += f"; forcing it adds {more:.0f} % to the squared residuals"
        troubles.append(f"{text}. The other parameters and all errors hold only if it is right")
    return troubles


def _shape(model: Model, found: fitting.Fit, x: np.ndarray) -> list[str]:
    """Curves that rise, that are nearly straight, or whose offset may be zero."""
    values = [found.values[name] for name in model.names]
    troubles = []
    if not model.rate(values) > 0:
        first = (
            "the e-folding depth is negative: "
            if model.names[-1] == "decay_length" and values[-1] < 0
            else ""
        )
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
                f"offset not distinguishable from zero: the residual porosity is {size}; the "
                "exponential describes the data as well with one parameter less"
            )
    return troubles


def _along(model: Model) -> str:
    """Name of the abscissa in a sentence."""
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
                    f"determined only together: {one.words} and {model.parameters[j].words} have "
                    f"a correlation of {r[i, j]:.3f}"
                )
    return troubles


def _blocks(model: Model, checks: Checks) -> list[str]:
    """Rules on the prediction of blocks of depth."""
    troubles = []
    if not checks.skill >= _LEAST_SKILL:
        troubles.append(
            "predicts little: on blocks of depth that were left out it leaves "
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


# --------------------------------------------------------------------------------------------------
# Result of a fit of compaction: parameters, the curve with its band, and a summary.


_FEW = "few_independent_readings"


@dataclass(frozen=True)
class CompactionFit(fits.FitResult):
    """A fit of porosity against depth or effective stress.

    Parameters
    ----------
    dataset : Dataset
        The parameters of the model (``surface_porosity`` [1] and ``decay_length`` [m] of the
        exponential) with uncertainties, effects and flags, their random ``covariance``, the ends
        ``_lower`` and ``_upper`` of the random 68 % interval of a decay length or stress,
        ``effective_number`` [1] of the readings, ``correlation_length`` [m] of their residuals,
        ``growth_factor`` [1] of each random uncertainty, and the numbers behind the verdict as
        attributes.
    verdict : tuple of str
        Rules that the fit breaks, in words; empty where it breaks none.
    model : Model
        Model that was fitted.
    data : Data
        Data that it was fitted to.
    found : Fit
        Finished fit on plain floats, in the units of the parameters.
    forced : dict of str to float
        Values of parameters that were not fitted.
    choices : Choices
        Options of the fit.
    checks : Checks or None
        Checks on blocks of depth.
    spread : Spread or None
        Independence of the readings.
    """

    dataset: xr.Dataset
    verdict: tuple[str, ...]
    model: Model
    data: Data = field(repr=False)
    found: fitting.Fit = field(repr=False)
    forced: dict[str, float] = field(default_factory=dict)
    choices: Choices = field(default_factory=lambda: Choices(False), repr=False)
    checks: Checks | None = field(default=None, repr=False)
    spread: Spread | None = field(default=None, repr=False)

    _TITLE = "Porosity of compaction, fitted"

    @property
    def values(self) -> tuple[float, ...]:
        """Parameters in the order of the model, in their units."""
        return tuple(float(self.dataset[name]) for name in self.model.names)

    def predict(
        self, depth: Dimensional | None = None, *, stress: Dimensional | None = None
    ) -> xr.Dataset:
        """Curve with its band of one standard uncertainty.

        Parameters
        ----------
        depth : Quantity or DataArray, (curve)
            Depth below seafloor [m].
        stress : Quantity or DataArray, (curve), optional
            Vertical effective stress [kPa] at these depths, for the models of stress.

        Returns
        -------
        Dataset
            ``porosity``, ``lower`` and ``upper`` [1] along ``curve`` with the coordinates given.
            The band is that of the curve, not of single samples.

        Raises
        ------
        ValueError
            When the abscissa of the model is not given.

        Notes
        -----
        Linear propagation of covariance and effects (JCGM 100:2008, 5.2). A forced parameter adds
        no width: the band then holds only if the forced value is right.
        """
        given = {}
        for name, unit, value in (
            ("depth", "m", depth),
            ("vertical_effective_stress", "kPa", stress),
        ):
            if value is not None:
                given[name] = np.atleast_1d(np.asarray(units.as_floats(value, unit, name), float))
        if self.model.abscissa not in given:
            word = "stress=" if self.model.abscissa != "depth" else "depth"
            raise ValueError(
                f"the model {self.model.name!r} gives porosity against "
                f"{self.model.abscissa.replace('_', ' ')}: give {word}"
            )
        x = given[self.model.abscissa]
        curve, u = self._band(x)
        return _table(curve, u, given)

    def better_model(self) -> tuple[str, float] | None:
        """Another model of the same abscissa that describes the points far better.

        Returns
        -------
        tuple of str and float, or None
            Name of the model and how much lower its AICc is; None if no model is lower by more than
            10, or if parameters were forced or points weighed down.

        Notes
        -----
        AICc (Hurvich and Tsai 1989, Biometrika 76, 297) with the scale of the errors as a
        parameter, for every model with the weights of this fit. The difference is divided by
        (1 + r) / (1 - r), where r is the correlation of neighbouring residuals of this fit, since
        the criterion takes the points as independent. A difference above 10 leaves hardly any
        support (Burnham and Anderson 2002, from memory). ``compare_models`` shows all models.
        """
        if self.forced or self.choices.robust != "none":
            return None
        x, y, sigma = self.data.abscissa(self.model), self.data.porosity, self.data.sigma
        weight = np.ones(y.size)
        if sigma is not None:
            scatter = float(np.nan_to_num(self.dataset.attrs["excess_scatter"]))
            weight = 1.0 / np.sqrt(sigma**2 + self.data.near * scatter**2)
        criteria = {}
        for name, model in MODELS.items():
            if model.abscissa != self.model.abscissa or (model.positive and not (x > 0.0).all()):
                continue
            if y.size < len(model.parameters) + 3:  # AICc needs one more than scale and parameters
                continue
            start = dict(zip(model.names, model.start(x, y), strict=True))
            p = solve(model, x, y, weight, start=start, differences=model.kinked)
            if np.isfinite(p).all():
                square = float(np.sum((weight * (y - model.curve(x, *p))) ** 2))
                criteria[name] = fitting.criterion(square, y.size, len(p), absolute=False)
        best = min(criteria, key=lambda name: criteria[name], default=self.model.name)
        if self.model.name not in criteria or best == self.model.name:
            return None
        order = np.argsort(self.data.depth, kind="stable")
        r = max(0.0, numerics.lag_correlation((weight * self.found.residual)[order]))
        ahead = (criteria[self.model.name] - criteria[best]) * (1.0 - r) / (1.0 + r)
        return (best, ahead) if ahead > _HARDLY_ANY_SUPPORT else None

    def _draw(self, ax: Axes) -> None:
        """Porosity and the curve with its band, depth or stress downwards."""
        x, excluded = self.data.abscissa(self.model), self.data.excluded
        deep = self.model.abscissa == "depth"
        out = excluded[0 if deep else 1]
        points = (np.append(self.data.porosity, excluded[2]), np.append(x, out))
        u = np.full(points[0].shape, np.nan)
        u[: x.size] = np.nan if self.data.sigma is None else self.data.sigma
        fits.draw_points(ax, *points, u_x=u, left_out=np.arange(u.size) >= x.size, label="porosity")
        along = np.linspace(x.min(), x.max(), 200)
        curve, width = self._band(along)
        ax.plot(curve, along, color="tab:blue", label=f"fit, {self.model.name}")
        if np.isfinite(width).any():
            ax.fill_betweenx(
                along, curve - width, curve + width, color="tab:blue", alpha=0.25, linewidth=0
            )
        label_axes(ax, deep)

    def _band(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Curve and its standard uncertainty."""
        curve = self.model.curve(x, *self.values)
        jacobian = self.model.jacobian(x, *self.values)
        covariance = self.dataset["covariance"].values.copy()
        held = [i for i, name in enumerate(self.model.names) if name in self.forced]
        covariance[held, :] = covariance[:, held] = 0.0
        if "source" in self.dataset.sizes:
            effects = np.column_stack(
                [self.dataset[f"{name}_effects"].values for name in self.model.names]
            )
            covariance = covariance + effects.T @ effects
        return curve, np.sqrt(np.einsum("ni,ij,nj->n", jacobian, covariance, jacobian))

    def card(self) -> Card:
        """Summary card: parameters with uncertainties, and the rules that are broken.

        Returns
        -------
        Card
            Card for a terminal or a notebook.
        """
        warnings = self._warnings()
        first, *rest = self._lines(warnings)
        shown = [words.strip() for words in rest if not words.startswith("  beware: ")]
        rows = [tuple(words.split(": ", 1)) if ": " in words else ("", words) for words in shown]
        following = ("fit.predict(depth) gives the curve with its band",)
        return Card(first, tuple(rows), warnings, following)

    def _warnings(self) -> tuple[str, ...]:
        """The verdict, a model that is far better, and repeated points that it does not name."""
        repeats = int(self.dataset.attrs["points_repeated"])
        words = repeats_in_words(repeats, self.dataset.attrs["points_used"])
        stated = not repeats or any(words in trouble for trouble in self.verdict)
        better = self.better_model()
        further = () if stated else (words,)
        if better is not None:
            name, ahead = better
            further += (
                f"the model {plain_words(name)} describes these points far better (AICc lower by "
                f"{ahead:.0f}); compare_models shows all models, and model={name!r} fits it",
            )
        return (*self.verdict, *further)

    def __repr__(self) -> str:
        return "\n".join(self._lines(self._warnings()))

    def _lines(self, warnings: tuple[str, ...]) -> list[str]:
        """Lines of the fit, with its warnings."""
        d = self.dataset
        lines = [d.attrs["curve"]]
        for parameter in self.model.parameters:
            name, unit = parameter.name, parameter.unit
            if name in self.forced:
                lines.append(f"  {parameter.words}: forced, no uncertainty")
                continue
            parts = [float(d[f"{name}_u_{kind}"]) for kind in ("random", "systematic")]
            lines.append(f"  {parameter.words}: {with_both_parts(float(d[name]), *parts, unit)}")
        a = d.attrs
        lines.append(f"  {a['points_used']} points used, {a['points_left_out']} left out")
        if np.isfinite(a["excess_scatter"]):
            lines.append(f"  natural scatter of the sediment: {a['excess_scatter']:.4f}")
        if a["robust"] != "none":
            lines.append(f"  {a['points_weighed_down']} points weighed down ({a['robust']})")
        lines += self._independence()
        if not warnings:
            lines.append("  no rule is broken")
        return [*lines, *(f"  beware: {trouble}" for trouble in warnings)]

    def _independence(self) -> list[str]:
        """Effective number of readings and their correlation length, where estimated."""
        if self.spread is None:
            return []
        words = []
        if np.isfinite(self.spread.length):
            words.append(
                f"  effective number of readings: {self.spread.effective_number:.3g}; "
                f"residuals are correlated over {self.spread.length:.3g} m"
            )
        if self.spread.few:
            words.append("  beware: few independent readings; the errors are unreliable")
        return words


def label_axes(ax: Axes, deep: bool) -> None:
    """Labels of porosity against depth or stress, which rises downwards."""
    ax.set_xlabel("porosity")
    ax.set_ylabel("depth [m]" if deep else "vertical effective stress [kPa]")
    if not ax.yaxis_inverted():
        ax.invert_yaxis()


def _table(curve: np.ndarray, u: np.ndarray, given: dict[str, np.ndarray]) -> xr.Dataset:
    """Dataset of a curve with its band."""
    words = {
        "depth": ("m", "depth below seafloor, as laid out"),
        "vertical_effective_stress": ("kPa", "vertical effective stress"),
    }
    return xr.Dataset(
        {
            "porosity": ("curve", curve, {"units": "1", "long_name": "porosity of the fit"}),
            "lower": ("curve", curve - u, {"units": "1", "long_name": "lower edge, k = 1"}),
            "upper": ("curve", curve + u, {"units": "1", "long_name": "upper edge, k = 1"}),
        },
        coords={
            name: ("curve", x, {"units": words[name][0], "long_name": words[name][1]})
            for name, x in given.items()
        },
    )


def dataset_of(
    model: Model,
    found: fitting.Fit,
    effects: dict[str, np.ndarray],
    verdict: tuple[str, ...],
    checks: Checks | None,
    data: Data,
    spread: Spread,
    **attributes: Any,
) -> xr.Dataset:
    """Dataset of a fit, see :class:`CompactionFit`; ``effects`` shift the parameters by source."""
    reason = (flags.bit("poor_fit") if verdict else 0) | (flags.bit(_FEW) if spread.few else 0)
    quantities = {
        name: Measured(
            xr.DataArray(found.values[name]),
            found.errors[name],
            {source: float(shift[i]) for source, shift in effects.items()},
            reason,
        )
        for i, name in enumerate(model.names)
    }
    nan = float("nan")
    dataset = series.build(
        quantities,
        steps=(f"least squares of {model.equation} ({model.source})",),
        constants={"bed_thickness": data.bed_thickness},
        model=model.name,
        equation=model.equation,
        curve=model.sentence.format(**found.values),
        abscissa=model.abscissa,
        points_used=data.porosity.size,
        points_left_out=data.left_out,
        points_repeated=data.repeats(),
        reduced_chi_square=found.reduced_chi_square,
        aicc=found.aicc,
        skill_over_a_constant=checks.skill if checks else nan,
        residual_variance_between_blocks=checks.between if checks else nan,
        relative_uncertainty_of_the_rate_by_blocks=checks.rate if checks else nan,
        absolute_sigma=str(found.absolute_sigma).lower(),
        verdict="; ".join(verdict) or "no rule is broken",
        **attributes,
    )
    words = " and ".join(f"{p.words} [{p.unit}]" for p in model.parameters)
    dataset["covariance"] = xr.DataArray(
        found.covariance,
        dims=("parameter", "parameter_2"),
        attrs={"units": "1", "long_name": f"random covariance of {words}"},
    )
    _add_intervals(dataset, model)
    _add_spread(dataset, spread)
    return dataset


def _add_intervals(dataset: xr.Dataset, model: Model) -> None:
    """Ends of the 68 % interval of parameters whose reciprocal has the symmetric error."""
    for parameter in model.parameters:
        if not parameter.inverse:
            continue
        value = float(dataset[parameter.name])
        u = float(dataset[f"{parameter.name}_u_random"])
        rates = np.array([1.0 / value + u / value**2, 1.0 / value - u / value**2])
        if not rates[0] * rates[1] > 0.0:
            # A rate that may be zero: the length has no upper end, or no lower end if negative.
            rates[1 if value > 0.0 else 0] = 0.0 if u == u else np.nan
        with np.errstate(divide="ignore"):
            ends = 1.0 / rates
        ends = np.where(np.isinf(ends), np.sign(value) * np.inf, ends)
        for side, end in zip(("lower", "upper"), np.sort(ends), strict=True):
            words = f"{side} end of the random 68 % interval of {parameter.words}"
            dataset[f"{parameter.name}_{side}"] = (
                (),
                float(end),
                {"units": parameter.unit, "long_name": words},
            )


def _add_spread(dataset: xr.Dataset, spread: Spread) -> None:
    """Effective number, correlation length and growth factor of a fit."""
    number = {"units": "1", "long_name": "number of independent readings"}
    length = {"units": "m", "long_name": "e-folding length of correlated residuals"}
    growth = {"units": "1", "long_name": "random uncertainty over that of independent readings"}
    dataset.update(
        {
            "effective_number": ((), spread.effective_number, number),
            "correlation_length": ((), spread.length, length),
            "growth_factor": ("parameter", spread.growth, growth),
        }
    )
    dataset.attrs["degrees_of_freedom"] = spread.degrees_of_freedom
