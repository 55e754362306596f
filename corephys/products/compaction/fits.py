"""Fit porosity against depth or effective stress: the whole hole, or each layer by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import fitting, series, thresholds, units
from corephys.ground.provenance import used_constants, with_constants
from corephys.numerics import exponential as numerics
from corephys.products.compaction import data as robust_weights
from corephys.products.compaction.data import (
    Choices,
    Data,
    Spread,
    gather,
    independent,
    solve,
    widen,
)
from corephys.products.compaction.models import Model, of_name
from corephys.products.compaction.results import CompactionFit, block_checks, dataset_of, judge

__all__ = ["LayerFits", "fit", "fit_by_layer", "fit_data", "natural_scatter"]

# --------------------------------------------------------------------------------------------------
# Fit porosity against depth or effective stress, and tell plainly whether the fit means much.


_T = thresholds.DEFAULTS


def fit(
    porosity: Any,
    *,
    depth: Any = None,
    stress: Any = None,
    model: str = "exponential",
    absolute_sigma: bool,
    robust: str = "none",
    fixed: Mapping[str, Any] | None = None,
    excess_scatter: bool = True,
    bed_thickness: Any = _T["bed_thickness"],
    allow: tuple[str, ...] = ("good", "not_evaluated"),
) -> CompactionFit:
    """Fit porosity against depth or vertical effective stress.

    Parameters
    ----------
    porosity : Dataset, DataArray or Quantity, (reading)
        ``porosity`` [1]; a Dataset brings uncertainties, effects and flags.
    depth : DataArray or Quantity, optional
        [m]; the coordinate of the porosity where it is not given.
    stress : Dataset, DataArray or Quantity, (reading), optional
        ``vertical_effective_stress`` [kPa] at the porosities, for the models of stress. Its effects
        are carried, its random error is not: the abscissa of least squares is taken as known.
    model : str
        ``"exponential"``, ``"offset exponential"``, ``"linear"``, ``"power"``,
        ``"exponential in stress"`` or ``"void ratio in log stress"``; the last is fitted in
        porosity, whose uncertainties are those that are known.
    absolute_sigma : bool
        True takes the stated uncertainties as they are; False takes equal weights and lets the
        scatter set the scale.
    robust : {"none", "huber", "tukey"}
        Weigh residuals down that stand off. The errors are then those of the robust scatter, with
        ``absolute_sigma`` never below what the stated uncertainties say, and there is no excess
        scatter and no information criterion: a weighed-down misfit is no likelihood.
    fixed : mapping of str to float or str, optional
        Parameters that are forced, by name.
    excess_scatter : bool
        Let neighbours in depth scatter together, see Notes. With absolute uncertainties: also add a
        natural scatter of the sediment to every variance, as large as makes the reduced chi-square
        one where it would exceed one.
    bed_thickness : Quantity or str
        Samples closer than this [m] lie in one bed and share its natural scatter: they count as
        one for it. The default is common practice, no source.
    allow : tuple of str
        Flag levels that are used.

    Returns
    -------
    CompactionFit
        Parameters, uncertainties and the verdict.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        For an unknown model or word, too few usable points (five, or one more than the model has
        parameters), all at one depth or stress, no depth or stress, porosities outside 0 to 1, or
        absolute uncertainties that are not known.

    Notes
    -----
    Weighted least squares through lmfit within the bounds of the model (porosities 0 to 1). The
    natural scatter is the moment estimate of Mandel and Paule (1970), Analytical Chemistry
    42, 1194. Neighbours in depth scatter together: the residuals are averaged in at most fifteen
    blocks of depth, length and scatter of an exponential covariance are those of the restricted
    maximum of their likelihood (Patterson and Thompson 1971, Biometrika 58, 545; from memory), and
    the covariance of the parameters is that of this fit under it, times the square of the factor of
    Student's t with one degree of freedom less than the effective number of readings or blocks,
    three at least. ``excess_scatter=False`` takes the readings as independent. Fewer than five
    effective readings, or a correlation over more than a fifth of the span, give the reason
    ``few_independent_readings``. Systematic effects go through the linearised fit. Robust weights:
    ``compaction_robust``.

    The verdict names, by rules fixed beforehand and not by R^2: a bound that was reached; a
    parameter that was forced; porosity that rises; an e-folding depth above ten times the range
    that is sampled; a residual porosity within two standard errors of zero; parameters with a
    correlation above 0.99; over eight blocks of depth of equal count, each predicted
    from the others, a mean squared error above half of that of a constant ("predicts little");
    more than two fifths of the residual variance lying between the blocks ("trend in the
    residuals"); and a rate whose jackknife uncertainty over the blocks exceeds 30 % ("rate
    not known"; Efron and Stein 1981, Annals of Statistics 9, 586). The limits are this library's
    choice.
    """
    chosen = of_name(model)
    if robust not in robust_weights.KINDS:
        raise ValueError(f"robust is {robust!r}; there is {', '.join(robust_weights.KINDS)}")
    data, _ = gather(porosity, depth, stress, (chosen,), absolute_sigma, bed_thickness, allow)
    return fit_data(
        chosen, data, Choices(absolute_sigma, excess_scatter, robust), _forced(chosen, fixed)
    )


def _forced(model: Model, fixed: Mapping[str, Any] | None) -> dict[str, float]:
    """Forced parameters in the model's units."""
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
                f"{name} is forced to {number:g}; it has to lie between {parameter.low:g} and "
                f"{parameter.high:g}"
            )
        if number == 0.0 and name in ("decay_length", "decay_stress"):
            raise ValueError(f"{name} is forced to zero; a curve needs another one to fall along")
        forced[name] = number
    if len(forced) == len(model.names):
        raise ValueError("every parameter is forced: nothing is left to fit; evaluate the curve")
    return forced


def fit_data(
    model: Model, data: Data, choices: Choices, forced: dict[str, float] | None = None
) -> CompactionFit:
    """Fit what is already through the door.

    Parameters
    ----------
    model : Model
        What is fitted.
    data : Data
        Usable pairs.
    choices : Choices
        How.
    forced : dict of str to float, optional
        Parameters that stay.

    Returns
    -------
    CompactionFit
        As from :func:`fit`.
    """
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
    """Scatter of the sediment about the best curve of a model.

    Parameters
    ----------
    model, data, choices
        As for :func:`fit_data`.

    Returns
    -------
    float
        [1]; NaN where the scatter sets the scale itself.
    """
    return _least_squares(model, data, choices, {})[1]


def _least_squares(
    model: Model, data: Data, choices: Choices, forced: dict[str, float]
) -> tuple[fitting.Fit, float, int, dict[str, np.ndarray], Spread]:
    """The fit, natural scatter, number of points weighed down, effects, and the neighbours."""
    x, sigma = data.abscissa(model), data.sigma
    first = dict(zip(model.names, model.start(x, data.porosity), strict=True))
    scatter, low, weights = float("nan"), 0, None
    if choices.robust != "none":
        found, weights = robust_weights.fit(model, x, data, choices.robust, first, forced)
        low = int((weights < 0.5).sum())
        sigma = np.ones(x.size) if sigma is None else sigma
        sigma = sigma / np.sqrt(np.maximum(weights, 1e-12))
    else:
        if choices.scatter is not None and sigma is not None:
            scatter = choices.scatter
            sigma = np.sqrt(sigma**2 + data.near * scatter**2)
        found = _once(model, x, data.porosity, sigma, first, choices.absolute_sigma, forced)
        if choices.absolute_sigma and choices.excess_scatter and choices.scatter is None:
            found, scatter = _with_scatter(model, x, data, found, forced)
            sigma = np.sqrt(np.asarray(sigma) ** 2 + data.near * scatter**2)
    effects, spread = _effects(model, x, data, sigma, found, forced), independent(found)
    if choices.excess_scatter:
        weight = np.ones(x.size) if sigma is None else 1.0 / np.asarray(sigma) ** 2
        slopes = model.jacobian(x, *(found.values[name] for name in model.names))
        free = np.array([name not in forced for name in model.names])
        found, spread = widen(data.depth, found, weight, data.sigma, slopes, free, weights)
    return found, scatter, low, effects, spread


def _once(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    sigma: np.ndarray | None,
    start: dict[str, float],
    absolute: bool,
    forced: dict[str, float],
) -> fitting.Fit:
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
    """Put forced parameters back, with errors that are not known."""
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
    """First values off the bounds, where the minimiser has no slope."""
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
            # A stress that reads too high puts its porosity too far along the curve.
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
# One fit of compaction for each layer: sediments of different kinds compact differently.


@dataclass(frozen=True)
class LayerFits:
    """Fits by layer.

    Parameters
    ----------
    fits : dict of str to CompactionFit
        In the order of depth.
    too_small : dict of str to int
        Layers with too few usable porosities, and how many they have.
    without_layer : int
        Usable porosities that lie in no layer.
    least_points : int, optional
        As it was given.
    """

    fits: dict[str, CompactionFit]
    too_small: dict[str, int]
    without_layer: int
    least_points: Any = None

    @property
    def table(self) -> pd.DataFrame:
        """One row a layer: parameters and random errors, points, depths and the verdict."""
        rows = []
        for name, fit in self.fits.items():
            row: dict[str, Any] = {"layer": name, "points": fit.data.porosity.size}
            row |= {"top": fit.data.depth.min(), "bottom": fit.data.depth.max()}
            for parameter in fit.model.names:
                row[parameter] = fit.found.values[parameter]
                row[f"{parameter}_u_random"] = fit.found.errors[parameter]
            rows.append(row | {"verdict": fit.dataset.attrs["verdict"]})
        for name, count in self.too_small.items():
            words = f"{count} usable porosities are too few for a fit of its own"
            rows.append({"layer": name, "points": count, "verdict": words})
        return pd.DataFrame(rows).set_index("layer")

    @property
    def dataset(self) -> xr.Dataset:
        """The fits that there are, along ``layer``."""
        parts = [fit.dataset.drop_attrs(deep=False) for fit in self.fits.values()]
        joined = xr.concat(parts, dim="layer", join="outer", combine_attrs="drop")
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
    porosity: Any,
    layers: Any,
    *,
    depth: Any = None,
    stress: Any = None,
    model: str = "exponential",
    absolute_sigma: bool,
    robust: str = "none",
    excess_scatter: bool = True,
    bed_thickness: Any = _T["bed_thickness"],
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
        A layer with fewer usable porosities is named and not fitted; twelve is the least that the
        checks by blocks of depth take.

    Returns
    -------
    LayerFits
        A fit for each layer, and the layers that are too small.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        As for ``compaction.fit``; when names and porosities do not make pairs; or when no layer
        has points enough.

    Notes
    -----
    In every layer depth and stress count from the seafloor, not from the top of the layer: its
    surface porosity is what the layer would have had there.
    """
    chosen = of_name(model)
    data, use = gather(porosity, depth, stress, (chosen,), absolute_sigma, bed_thickness, allow)
    names = _names(layers, use, data.depth)
    choices = Choices(absolute_sigma, excess_scatter, robust)
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
            ", ".join(f"{name} has {count}" for name, count in small.items()) or "none is named"
        )
        raise series.TooFewError(
            f"no layer has the {least_points} usable porosities of a fit of its own: {counts}; "
            "fit the whole hole, or give least_points="
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
            raise ValueError(f"{use.size} porosities and {words.size} layers do not make pairs")
        return np.array([str(word) for word in words[use]], dtype=object)
    found = np.full(z.size, "", dtype=object)
    for name, top, bottom in spans:
        if not bottom > top:
            raise ValueError(
                f"layer {name} runs from {top:g} m to {bottom:g} m; its bottom has to lie deeper"
            )
        found[(z >= top) & (z < bottom)] = str(name)
    return found
