"""Fits of porosity against depth or effective stress: of a complete hole, or of each layer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import fitting, series, thresholds, units
from corephys.ground.choices import choice
from corephys.ground.fits import FitResult, draw_curve, draw_points
from corephys.ground.provenance import used_constants, with_constants
from corephys.numerics import exponential as numerics
from corephys.products.compaction.data import (
    KINDS,
    Choices,
    Data,
    Spread,
    fit_robust,
    gather,
    independent,
    solve,
    widen,
)
from corephys.products.compaction.models import Model, of_name
from corephys.products.compaction.results import (
    CompactionFit,
    block_checks,
    dataset_of,
    judge,
    label_axes,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Measurement, Scalar

__all__ = ["LayerFits", "fit", "fit_by_layer"]

# --------------------------------------------------------------------------------------------------
# One fit, with a verdict on whether it is useful.


_T = thresholds.DEFAULTS


def fit(
    porosity: Measurement,
    depth: Dimensional | None = None,
    *,
    stress: Measurement | None = None,
    model: str = "exponential",
    absolute_sigma: bool | None = None,
    robust: str = "none",
    fixed: Mapping[str, float | Scalar] | None = None,
    excess_scatter: bool = True,
    bed_thickness: Scalar = _T["bed_thickness"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> CompactionFit:
    """Fit porosity against depth or vertical effective stress.

    Parameters
    ----------
    porosity : Dataset, DataArray or Quantity, (reading)
        ``porosity`` [1]; a Dataset holds its uncertainties, effects and flags.
    depth : DataArray or Quantity, optional
        Depth below seafloor [m]; the coordinate ``depth`` of the porosity where not given.
    stress : Dataset, DataArray or Quantity, (reading), optional
        ``vertical_effective_stress`` [kPa] at the porosities, for the models of stress. Its effects
        are propagated. Its random error is not: least squares takes the abscissa as known.
    model : str
        ``"exponential"``, ``"offset_exponential"``, ``"linear"``, ``"power"``,
        ``"exponential_in_stress"`` or ``"void_ratio_in_log_stress"``. The last is fitted to
        porosity too, because the uncertainties are those of porosity.
    absolute_sigma : bool, optional
        True uses the given uncertainties as they are; False uses equal weights and takes the scale
        of the errors from the scatter. By default the uncertainties are used if the porosities have
        them.
    robust : {"none", "huber", "tukey"}
        Weight function that reduces the weight of outliers. The errors are then those of the robust
        scatter, and with ``absolute_sigma`` at least those of the given uncertainties. There is no
        excess scatter and no information criterion, because the reduced misfit is not a likelihood.
    fixed : mapping of str to float or str, optional
        Values of parameters that are not fitted, by name.
    excess_scatter : bool
        Allow for correlated residuals of neighbours in depth, see Notes. With absolute
        uncertainties also add a natural scatter of the sediment to every variance, as large as
        brings a reduced chi-square above one down to one.
    bed_thickness : Quantity or str
        Samples closer than this [m] lie in one bed, share its natural scatter and count as one
        sample for it. The default is common practice, no source.
    allow : tuple of str
        Flag levels of porosities that are used.

    Returns
    -------
    CompactionFit
        Parameters, uncertainties and the verdict.

    Raises
    ------
    ValueError
        For an unknown ``model`` or ``robust``, too few usable points (at least five, or one more
        than the model has parameters), all points at one depth or stress, no depth or stress,
        porosities outside 0 to 1, depths that count upwards, ``absolute_sigma`` without
        uncertainties, or uncertainties of some porosities only.

    Notes
    -----
    Weighted least squares within the bounds of the model (porosities 0 to 1), by
    Levenberg-Marquardt; a parameter that passes its bound is held there and the others are fitted
    again. The natural scatter is the moment estimate of Mandel and Paule (1970), Analytical
    Chemistry 42, 1194. Residuals of neighbours in depth are correlated. They are averaged in at
    most fifteen blocks of depth, and length and scatter of an exponential covariance are those of
    the restricted maximum of their likelihood (Patterson and Thompson 1971, Biometrika 58, 545;
    from memory). The covariance of the parameters is that of this fit under that covariance, times
    the square of the factor of Student's t with one degree of freedom less than the effective
    number of readings or blocks, at least three. ``excess_scatter=False`` takes the readings as
    independent. Fewer than five effective readings, or a correlation over more than a fifth of the
    span, give the reason ``few_independent_readings``. Systematic effects are propagated through
    the linearised fit. Robust weights are those of Huber (1981) and Tukey, from memory.

    The verdict follows rules fixed beforehand and not R^2. It names a bound that was reached; a
    parameter that was forced; porosity that rises; an e-folding depth above ten times the sampled
    range; a residual porosity within two standard errors of zero; and parameters with a correlation
    above 0.99. Eight blocks of depth of equal count, each predicted from the others, give three
    more rules: a mean squared error above half of that of a constant ("predicts little"); more than
    two fifths of the residual variance between the blocks ("trend in the residuals"); and a
    jackknife uncertainty of the rate over the blocks above 30 % ("rate not known"; Efron and Stein
    1981, Annals of Statistics 9, 586). More than a twentieth of the points that repeat another one
    exactly, in depth, porosity and uncertainty, is a rule as well: a fit cannot tell pasted copies
    from readings, and uses them. Their number is ``points_repeated``. The limits are this library's
    choice.
    """
    chosen = of_name(model)
    robust = choice(robust, KINDS, "robust")
    data, _ = gather(porosity, depth, stress, (chosen,), absolute_sigma, bed_thickness, allow)
    return fit_data(
        chosen,
        data,
        Choices(data.sigma is not None, excess_scatter, robust),
        _forced(chosen, fixed),
    )


def _forced(model: Model, fixed: Mapping[str, Any] | None) -> dict[str, float]:
    """Forced parameters in the units of the model."""
    forced = {}
    for name, value in (fixed or {}).items():
        if name not in model.names:
            raise ValueError(
                f"the model {model.name!r} has no parameter {name!r}; it has "
                f"{', '.join(model.names)}"
            )
        parameter = model.parameters[model.names.index(name)]
        number = float(units.as_floats(value, parameter.unit, name))
        if not parameter.low <= number <= parameter.high:
            raise ValueError(
                f"{name} is fixed at {number:g}; it has to lie between {parameter.low:g} and "
                f"{parameter.high:g}"
            )
        if number == 0.0 and name in ("decay_length", "decay_stress"):
            raise ValueError(f"{name} is fixed at zero; it has to differ from zero")
        forced[name] = number
    if len(forced) == len(model.names):
        raise ValueError(
            "fixed names every parameter of the model; leave one free, or evaluate the curve"
        )
    return forced


def fit_data(
    model: Model, data: Data, choices: Choices, forced: dict[str, float] | None = None
) -> CompactionFit:
    """Fit data whose units were already converted; ``forced`` parameters keep their values."""
    forced = forced or {}
    found, scatter, low, effects, spread = _least_squares(model, data, choices, forced)
    free = _least_squares(model, data, choices, {})[0] if forced else None
    checks = block_checks(model, data, found.values, forced)
    verdict = judge(model, found, checks, data, forced, free)
    dataset = dataset_of(
        model,
        found,
        effects,
        verdict,
        checks,
        data,
        spread,
        excess_scatter=scatter,
        robust=choices.robust,
        points_weighed_down=low,
        forced=", ".join(f"{name} = {value:g}" for name, value in forced.items()) or "none",
        cross_validation_error=checks.error if checks else float("nan"),
    )
    return CompactionFit(dataset, verdict, model, data, found, forced, choices, checks, spread)


def natural_scatter(model: Model, data: Data, choices: Choices) -> float:
    """Scatter [1] of the sediment about the best curve; NaN without absolute uncertainties."""
    return _parameters(model, data, choices, {}).scatter


@dataclass
class _Parameters:
    """Parameters of a fit whose points are taken as independent.

    Parameters
    ----------
    found : Fit
        Parameters and their errors.
    sigma : ndarray, (points,), or None
        Uncertainties that the fit used, with scatter and reduced weights [1].
    scatter : float
        Natural scatter [1], NaN if there is none.
    low : int
        Points with reduced weight.
    weights : ndarray, (points,), or None
        Weights of the robust fit.
    """

    found: fitting.Fit
    sigma: np.ndarray | None
    scatter: float
    low: int
    weights: np.ndarray | None


def _least_squares(
    model: Model, data: Data, choices: Choices, forced: dict[str, float]
) -> tuple[fitting.Fit, float, int, dict[str, np.ndarray], Spread]:
    """Fit, natural scatter, number of points with reduced weight, effects, and independence."""
    x, made = data.abscissa(model), _parameters(model, data, choices, forced)
    found, sigma = made.found, made.sigma
    effects, spread = _effects(model, x, data, sigma, found, forced), independent(found)
    if choices.excess_scatter:
        weight = np.ones(x.size) if sigma is None else 1.0 / np.asarray(sigma) ** 2
        slopes = model.jacobian(x, *(found.values[name] for name in model.names))
        free = np.array([name not in forced for name in model.names])
        found, spread = widen(data.depth, found, weight, data.sigma, slopes, free, made.weights)
    return found, made.scatter, made.low, effects, spread


def _parameters(
    model: Model, data: Data, choices: Choices, forced: dict[str, float]
) -> _Parameters:
    """Least squares with robust weights or the natural scatter, as the choices ask."""
    x, sigma = data.abscissa(model), data.sigma
    first = dict(zip(model.names, model.start(x, data.porosity), strict=True))
    scatter, low, weights = float("nan"), 0, None
    if choices.robust != "none":
        found, weights = fit_robust(model, x, data, choices.robust, first, forced)
        low = int((weights < 0.5).sum())
        sigma = np.ones(x.size) if sigma is None else sigma
        sigma = sigma / np.sqrt(np.maximum(weights, 1e-12))  # Tukey's weights reach zero
    else:
        if choices.scatter is not None and sigma is not None:
            scatter = choices.scatter
            sigma = np.sqrt(sigma**2 + data.near * scatter**2)
        found = _once(model, x, data.porosity, sigma, first, choices.absolute_sigma, forced)
        if choices.absolute_sigma and choices.excess_scatter and choices.scatter is None:
            found, scatter = _with_scatter(model, x, data, found, forced)
            sigma = np.sqrt(np.asarray(sigma) ** 2 + data.near * scatter**2)
    return _Parameters(found, sigma, scatter, low, weights)


def _once(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    sigma: np.ndarray | None,
    start: dict[str, float],
    absolute: bool,
    forced: dict[str, float],
) -> fitting.Fit:
    """One least-squares fit, with the forced parameters put back."""

    def curve(x: Any, **free: float) -> Any:
        values = {**forced, **free}
        return model.curve(x, *(values[name] for name in model.names))

    kept = [name not in forced for name in model.names]

    def slopes(x: Any, **free: float) -> Any:
        values = {**forced, **free}
        return model.jacobian(x, *(values[name] for name in model.names))[:, kept]

    with np.errstate(divide="ignore"):  # uncertainties of zero are refused below, in words
        weight = 1.0 if sigma is None else 1.0 / sigma
    p = solve(model, x, y, weight, start=start, fixed=forced, differences=model.kinked)
    values = dict(zip(model.names, p.tolist(), strict=True))
    solved = bool(np.isfinite(p).all())
    found = fitting.finish(
        curve,
        x,
        y,
        sigma,
        values={name: value for name, value in values.items() if name not in forced},
        absolute_sigma=absolute,
        bounds=model.bounds,
        jacobian=slopes,
        success=solved,
        message="least squares converged" if solved else "no least value was found",
    )
    return _whole(model, found, forced) if forced else found


def _whole(model: Model, found: fitting.Fit, forced: dict[str, float]) -> fitting.Fit:
    """Put forced parameters back, with unknown errors."""
    values = {name: {**found.values, **forced}[name] for name in model.names}
    errors = {name: found.errors.get(name, float("nan")) for name in model.names}
    covariance = np.full((len(values), len(values)), np.nan)
    free = [i for i, name in enumerate(model.names) if name not in forced]
    covariance[np.ix_(free, free)] = found.covariance
    return replace(found, values=values, errors=errors, covariance=covariance)


def _with_scatter(
    model: Model, x: np.ndarray, data: Data, found: fitting.Fit, forced: dict[str, float]
) -> tuple[fitting.Fit, float]:
    """Refit with the scatter that brings the reduced chi-square down to one."""
    scatter, sigma = 0.0, np.asarray(data.sigma)
    for _ in range(4):
        new = numerics.mandel_paule(found.residual, sigma, found.degrees_of_freedom)
        if abs(new - scatter) <= 1e-6 * max(new, 1e-12):
            break
        scatter = new
        wider = np.sqrt(sigma**2 + data.near * scatter**2)
        found = _once(model, x, data.porosity, wider, _inside(model, found.values), True, forced)
    return found, scatter


def _inside(model: Model, values: dict[str, float]) -> dict[str, float]:
    """Start values moved off the bounds: a start beyond a bound would be held there."""
    moved = dict(values)
    for name, (low, high) in model.bounds.items():
        room = 1e-3 * (high - low if np.isfinite(high) else 1.0)
        moved[name] = float(np.clip(values[name], low + room, high - room))
    return moved


def _effects(
    model: Model,
    x: np.ndarray,
    data: Data,
    sigma: np.ndarray | None,
    found: fitting.Fit,
    forced: dict[str, float],
) -> dict[str, np.ndarray]:
    """Shift of the parameters by each effect, through the linearised fit."""
    values = [found.values[name] for name in model.names]
    free = np.array([name not in forced for name in model.names])
    weight = np.ones(x.size) if sigma is None else 1.0 / sigma
    jacobian = model.jacobian(x, *values)[:, free] * weight[:, None]
    moved = dict(data.effects)
    if model.abscissa != "depth":
        step = 1e-4 * (float(np.ptp(x)) or 1.0)
        slope = (model.curve(x + step, *values) - model.curve(x, *values)) / step
        for source, effect in data.stress_effects.items():
            # A stress that is too high acts as a porosity that is too high for its stress.
            moved[source] = moved.get(source, 0.0) - slope * effect
    shifts = {}
    for source, effect in moved.items():
        shift = np.zeros(len(values))
        shift[free] = (
            np.linalg.lstsq(jacobian, effect * weight, rcond=None)[0]
            if np.isfinite(effect).all()
            else np.nan
        )
        shifts[source] = shift
    return shifts


# --------------------------------------------------------------------------------------------------
# One fit for each layer: different sediments compact differently.


@dataclass(frozen=True)
class LayerFits(FitResult):
    """Fits by layer.

    Parameters
    ----------
    fits : dict of str to CompactionFit
        Fits by name of the layer, in the order of depth.
    too_small : dict of str to int
        Layers with too few usable porosities, and their number.
    without_layer : int
        Number of usable porosities that lie in no layer.
    least_points : int, optional
        Least number of porosities for a fit, as given.
    """

    fits: dict[str, CompactionFit]
    too_small: dict[str, int]
    without_layer: int
    least_points: Any = None

    def by_layer(self) -> pd.DataFrame:
        """Summary of the fits, one row for each layer.

        Returns
        -------
        DataFrame
            By layer: number and depths [m] of the porosities, parameters with random
            uncertainties, and the verdict; layers that are too small come last.
        """
        rows = []
        for name, fit in self.fits.items():
            row: dict[str, Any] = {"layer": name, "points": fit.data.porosity.size}
            row |= {"top": fit.data.depth.min(), "bottom": fit.data.depth.max()}
            for parameter in fit.model.names:
                row[parameter] = fit.found.values[parameter]
                row[f"{parameter}_u_random"] = fit.found.errors[parameter]
            rows.append(row | {"verdict": fit.dataset.attrs["verdict"]})
        for name, count in self.too_small.items():
            words = f"{count} usable porosities are too few for a fit"
            rows.append({"layer": name, "points": count, "verdict": words})
        return pd.DataFrame(rows).set_index("layer")

    @property
    def dataset(self) -> xr.Dataset:
        """Results of the fitted layers, along ``layer``."""
        parts = [fit.dataset.drop_attrs(deep=False) for fit in self.fits.values()]
        joined = xr.concat(parts, dim="layer", join="outer", combine_attrs="override")
        names = np.array(list(self.fits), dtype=object)
        joined = joined.assign_coords(layer=("layer", names, {"long_name": "layer"}))
        joined.attrs = {
            "too_small": ", ".join(f"{n} ({c} points)" for n, c in self.too_small.items())
            or "none",
            "verdict": "; ".join(
                f"{name}: {fit.dataset.attrs['verdict']}" for name, fit in self.fits.items()
            ),
        }
        used = used_constants(next(iter(self.fits.values())).dataset)
        return with_constants(joined, **used, least_points=self.least_points)

    _TITLE = "Fits of compaction by layer"

    def _draw(self, ax: Axes) -> None:
        """Porosity and curve of each layer, in colours of their own."""
        for i, (name, one) in enumerate(self.fits.items()):
            x = one.data.abscissa(one.model)
            along = np.linspace(x.min(), x.max(), 200)
            draw_points(ax, one.data.porosity, x, u_x=one.data.sigma, label=name, colour=f"C{i}")
            draw_curve(ax, one.model.curve(along, *one.values), along, label="", colour=f"C{i}")
        label_axes(ax, next(iter(self.fits.values())).model.abscissa == "depth")

    def __repr__(self) -> str:
        lines = []
        for name, fit in self.fits.items():
            lines += [
                f"{name}: {line}" if i == 0 else line
                for i, line in enumerate(repr(fit).split("\n"))
            ]
        lines += [f"{n}: {c} usable porosities are too few" for n, c in self.too_small.items()]
        if self.without_layer:
            lines.append(f"{self.without_layer} usable porosities lie in no layer")
        return "\n".join(lines)


def fit_by_layer(
    porosity: Measurement,
    layers: Sequence[str] | xr.DataArray | xr.Dataset | Mapping[str, tuple[Scalar, Scalar]],
    *,
    depth: Dimensional | None = None,
    stress: Measurement | None = None,
    model: str = "exponential",
    absolute_sigma: bool | None = None,
    robust: str = "none",
    excess_scatter: bool = True,
    bed_thickness: Scalar = _T["bed_thickness"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
    least_points: int = _T["compaction_layer_points"],
) -> LayerFits:
    """Fit porosity layer by layer.

    Parameters
    ----------
    porosity, depth, stress, model, absolute_sigma, robust, excess_scatter, bed_thickness, allow
        As for ``compaction.fit``.
    layers : sequence of str, DataArray, Dataset or mapping
        Name of the layer of each reading; or a table of layers with ``name``, ``top`` and
        ``bottom`` [m]; or a mapping of names to (top, bottom).
    least_points : int
        Least number of usable porosities for a fit; a layer with fewer is listed as too small. The
        checks by blocks of depth need twelve.

    Returns
    -------
    LayerFits
        A fit for each layer, and the layers that are too small.

    Raises
    ------
    ValueError
        As for ``compaction.fit``; when names and porosities do not make pairs; or when no layer
        has enough points.

    Notes
    -----
    Depth and stress count from the seafloor in every layer, not from the top of the layer: the
    surface porosity is that which the sediment of the layer would have at the seafloor.
    """
    chosen = of_name(model)
    data, use = gather(porosity, depth, stress, (chosen,), absolute_sigma, bed_thickness, allow)
    names = _names(layers, use, data.depth)
    choices = Choices(data.sigma is not None, excess_scatter, robust)
    fits, small = {}, {}
    order = sorted(
        {str(n) for n in names if n}, key=lambda n: float(np.median(data.depth[names == n]))
    )
    for name in order:
        here = names == name
        if int(here.sum()) < max(least_points, 5):
            small[name] = int(here.sum())
            continue
        fits[name] = fit_data(chosen, data.only(here), choices)
    if not fits:
        counts = (
            ", ".join(f"{name} has {count}" for name, count in small.items()) or "no layer is named"
        )
        raise series.TooFewError(
            f"no layer has the {least_points} usable porosities that a fit needs: {counts}; fit "
            "the complete hole, or lower least_points"
        )
    return LayerFits(fits, small, int((names == "").sum()), least_points)


def _names(layers: Any, use: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Name of the layer of every usable reading; empty where there is none."""
    if isinstance(layers, xr.Dataset):
        tops, bottoms = (units.as_floats(layers[key], "m", key) for key in ("top", "bottom"))
        spans = list(zip(layers["name"].values, np.asarray(tops), np.asarray(bottoms), strict=True))
    elif isinstance(layers, Mapping):
        spans = [
            (name, *(float(units.as_floats(edge, "m", f"edge of {name}")) for edge in edges))
            for name, edges in layers.items()
        ]
    else:
        words = np.asarray(getattr(layers, "values", layers), dtype=object)
        if words.shape != use.shape:
            raise ValueError(
                f"{use.size} porosities and {words.size} layers do not make pairs; give the "
                "name of one layer for each porosity"
            )
        return np.array([str(word) for word in words[use]], dtype=object)
    found = np.full(z.size, "", dtype=object)
    for name, top, bottom in spans:
        if not bottom > top:
            raise ValueError(
                f"layer {name} runs from {top:g} m to {bottom:g} m; its bottom has to lie deeper"
            )
        found[(z >= top) & (z < bottom)] = str(name)
    return found
