"""Decompaction of layers: solid thickness, thickness at another depth, effective stress, burial
history."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import RESEARCH_ONLY
from corephys.uncertainty import Measured, given_uncertainty

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Scalar

__all__ = [
    "burial_history",
    "column_effective_stress",
    "decompact",
    "original_thickness",
    "solid_thickness",
]

# --------------------------------------------------------------------------------------------------
# Thickness of the grains alone, and thickness of layers at another depth.
#
# Each layer keeps its grains, and its porosity follows one exponential of depth. The thickness at
# another depth is the root of one monotone equation.


_NAN = float("nan")
_ERRORS = ("surface_porosity", "decay_length", "porosity")


def solid_kernel(top: Any, bottom: Any, surface_porosity: Any, decay_length: Any) -> Any:
    """Thickness [m] of the grains alone of layers, the integral of 1 - phi; lengths in m.

    s = b - t - phi0 L (exp(-t / L) - exp(-b / L)), definition.
    """
    # expm1: for thin layers the difference of the exponentials loses its digits.
    lost = -np.expm1(-(bottom - top) / decay_length)
    return bottom - top - surface_porosity * decay_length * np.exp(-top / decay_length) * lost


def thickness_kernel(solids: Any, top: Any, surface_porosity: Any, decay_length: Any) -> Any:
    """Thickness [m] of layers of known solids [m] with their tops at given depths [m].

    Root h of h - phi_t L (1 - exp(-h / L)) = s with phi_t = phi0 exp(-t / L): geometry. The left
    side rises and is convex, so that Newton's steps from the upper bound s / (1 - phi_t) fall to
    the root without passing it; rounding cannot take them below the lower bound s.
    """
    at_top = surface_porosity * np.exp(-top / decay_length)
    h = solids / (1.0 - at_top)
    for _ in range(60):
        shrunk = np.expm1(-h / decay_length)
        excess = h + at_top * decay_length * shrunk - solids
        new = np.maximum(h - excess / (1.0 - at_top * (1.0 + shrunk)), solids)
        done = np.all(np.abs(new - h) <= 1e-13 * np.abs(h) + 1e-300)
        h = new
        if done:
            break
    return h


def solid_thickness(
    top: Dimensional,
    bottom: Dimensional,
    *,
    surface_porosity: Fraction,
    decay_length: Dimensional,
    porosity: Fraction | None = None,
    surface_porosity_uncertainty: float | Scalar | None = None,
    decay_length_uncertainty: Scalar | None = None,
    porosity_uncertainty: float | Scalar | None = None,
) -> xr.Dataset:
    """Solid thickness: thickness of each layer without its pores.

    Parameters
    ----------
    top, bottom : Quantity, DataArray or str, (layer)
        Present depths below seafloor [m].
    surface_porosity : float, Quantity or DataArray, (layer)
        Porosity at the seafloor of the exponential of the layer [1].
    decay_length : Quantity, DataArray or str, (layer)
        e-folding depth of that exponential [m].
    porosity : float, Quantity or DataArray, (layer), optional
        Measured present mean porosity of the layer [1]. ``surface_porosity`` is scaled so that the
        exponential has this mean; NaN keeps ``surface_porosity``.
    surface_porosity_uncertainty, decay_length_uncertainty : Quantity, float or str, optional
        Standard uncertainties [1], [m], one error for all layers; unknown gives NaN.
    porosity_uncertainty : Quantity, float or str, optional
        Random standard uncertainty of the measured porosities [1]; unknown gives NaN.

    Returns
    -------
    Dataset, (layer)
        ``solid_thickness`` [m] with effects ``surface_porosity`` and ``decay_length``, and
        ``surface_porosity_used`` [1].

    Raises
    ------
    ValueError
        For a bottom not below its top, a top above the seafloor, a porosity outside 0 to 1, or a
        decay length that is not above zero.

    Notes
    -----
    s = b - t - phi0 L (exp(-t / L) - exp(-b / L)), the integral of 1 - phi with phi of Athy
    (1930); Sclater and Christie (1980).
    """
    layers = make_layers(top, bottom, surface_porosity, decay_length, porosity)

    def solids(phi0: Any, length: Any) -> Any:
        return solid_kernel(layers.top, layers.bottom, phi0, length)

    return _built(
        "solid_thickness",
        solids,
        layers,
        (
            surface_porosity_uncertainty,
            decay_length_uncertainty,
            porosity_uncertainty,
        ),
    )


def decompact(
    top: Dimensional,
    bottom: Dimensional,
    *,
    surface_porosity: Fraction,
    decay_length: Dimensional,
    new_top: Scalar = "0 m",
    porosity: Fraction | None = None,
    surface_porosity_uncertainty: float | Scalar | None = None,
    decay_length_uncertainty: Scalar | None = None,
    porosity_uncertainty: float | Scalar | None = None,
) -> xr.Dataset:
    """Thickness of a stack of layers when its top is moved to another depth.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length, porosity
        Arguments of :func:`solid_thickness`, from the uppermost layer downward. Gaps between layers
        close: each layer rests on the next one.
    new_top : Quantity or str
        Depth of the top of the uppermost layer [m]; the seafloor where not given. A depth below the
        present one compacts the layers further.
    surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty
        As for :func:`solid_thickness`.

    Returns
    -------
    Dataset, (layer)
        ``layer_thickness`` [m] with effects, ``new_top`` and ``new_bottom`` [m], and
        ``surface_porosity_used`` [1].

    Raises
    ------
    ValueError
        As for :func:`solid_thickness`; for layers that overlap or are out of order; for a new top
        above the seafloor.

    Notes
    -----
    Root of y2' - y1' = s + phi0 L (exp(-y1' / L) - exp(-y2' / L)) with the solids s of
    :func:`solid_thickness` (Sclater and Christie 1980; Angevine, Heller and Paola 1990). Grains
    are neither dissolved nor cemented, and compaction is assumed to be reversible.
    """
    layers = make_layers(top, bottom, surface_porosity, decay_length, porosity)
    check_order(layers.top, layers.bottom)
    start = float(positive(new_top, "m", "new_top", zero=True))

    def thickness(phi0: Any, length: Any) -> Any:
        solids = solid_kernel(layers.top, layers.bottom, phi0, length)
        return np.stack(stacked(solids, start, phi0, length), axis=-1)

    found = _built(
        "layer_thickness",
        thickness,
        layers,
        (
            surface_porosity_uncertainty,
            decay_length_uncertainty,
            porosity_uncertainty,
        ),
    )
    ends = start + np.cumsum(found["layer_thickness"].values)
    for name, values, words in (
        ("new_top", np.concatenate([[start], ends[:-1]]), "depth of the top after the move"),
        ("new_bottom", ends, "depth of the bottom after the move"),
    ):
        found[name] = ("layer", values, {"units": "m", "long_name": words})
    return found


def original_thickness(
    top: Dimensional,
    bottom: Dimensional,
    *,
    surface_porosity: Fraction,
    decay_length: Dimensional,
    porosity: Fraction | None = None,
    surface_porosity_uncertainty: float | Scalar | None = None,
    decay_length_uncertainty: Scalar | None = None,
    porosity_uncertainty: float | Scalar | None = None,
) -> xr.Dataset:
    """Original thickness of each layer, when it lay at the seafloor.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length, porosity
        Arguments of :func:`solid_thickness` ([m], [m], [1], [m], [1]).
    surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty
        As for :func:`solid_thickness`.

    Returns
    -------
    Dataset, (layer)
        ``layer_thickness`` [m] with effects, and ``surface_porosity_used`` [1].

    Raises
    ------
    ValueError
        As for :func:`solid_thickness`.

    Notes
    -----
    The equation of :func:`decompact` with y1' = 0 for every layer (Sclater and Christie 1980).
    """
    layers = make_layers(top, bottom, surface_porosity, decay_length, porosity)

    def thickness(phi0: Any, length: Any) -> Any:
        solids = solid_kernel(layers.top, layers.bottom, phi0, length)
        return thickness_kernel(solids, 0.0, phi0, length)

    return _built(
        "layer_thickness",
        thickness,
        layers,
        (
            surface_porosity_uncertainty,
            decay_length_uncertainty,
            porosity_uncertainty,
        ),
    )


def stacked(solids: Any, start: Any, surface_porosity: Any, decay_length: Any) -> list[Any]:
    """Thicknesses [m] of layers along the last axis, each resting on the next below it."""
    found, top = [], np.asarray(start, dtype=float)
    phi0 = np.broadcast_to(surface_porosity, solids.shape)
    length = np.broadcast_to(decay_length, solids.shape)
    for i in range(solids.shape[-1]):
        h = thickness_kernel(solids[..., i], top, phi0[..., i], length[..., i])
        found.append(h)
        top = top + h
    return found


@dataclass(frozen=True)
class Layers:
    """Layers as plain arrays: depths [m], surface porosity [1], length [m], porosity or NaN."""

    top: np.ndarray
    bottom: np.ndarray
    given: np.ndarray  # surface porosity of the curve
    length: np.ndarray
    porosity: np.ndarray

    def at_seafloor(self, given: Any, length: Any, porosity: Any) -> Any:
        """Surface porosity of the exponential whose mean over each layer is the porosity."""
        thick = self.bottom - self.top
        mean = length * np.exp(-self.top / length) * -np.expm1(-thick / length) / thick
        return np.where(np.isnan(porosity), given, porosity / mean)

    @property
    def phi0(self) -> Any:
        """Surface porosity that is used."""
        return self.at_seafloor(self.given, self.length, self.porosity)


def make_layers(top: Any, bottom: Any, phi0: Any, length: Any, porosity: Any) -> Layers:
    """Layers as arrays; ValueError where depths, porosities or lengths are impossible."""
    numbers = [
        np.asarray(units.as_floats(value, unit, name), dtype=float)
        for value, unit, name in (
            (top, "m", "top"),
            (bottom, "m", "bottom"),
            (phi0, "1", "surface_porosity"),
            (length, "m", "decay_length"),
        )
    ]
    mean = units.as_floats(porosity, "1", "porosity", optional=True)
    sizes = {n.size for n in numbers if n.ndim} | ({np.size(mean)} if np.ndim(mean) else set())
    if len(sizes) > 1 or any(n.ndim > 1 for n in numbers):
        raise ValueError(
            f"top, bottom, curve and porosity have {', '.join(map(str, sorted(sizes)))} values; "
            "give one value for each layer, or one for all"
        )
    t, b, p, scale = np.broadcast_arrays(*(np.atleast_1d(n) for n in numbers))
    for i in range(t.size):
        where = f"layer {i + 1} (from the top)"
        if not t[i] >= 0.0:
            raise ValueError(f"{where} begins at {t[i]:g} m; a top has to be at 0 m or deeper")
        if not b[i] > t[i]:
            raise ValueError(
                f"{where} ends at {b[i]:g} m and begins at {t[i]:g} m; the bottom has to be deeper"
            )
        if not 0.0 < p[i] < 1.0:
            raise ValueError(
                f"{where} has a surface porosity of {p[i]:g}; it has to lie between 0 and 1. "
                "Give per cent with their unit '%'"
            )
        if not (scale[i] > 0.0 and np.isfinite(scale[i])):
            raise ValueError(f"{where} has a decay length of {scale[i]:g} m; it has to be above 0")
    if mean is not None:
        mean = np.asarray(mean, dtype=float)
        if not (np.isnan(mean) | ((mean > 0.0) & (mean < 1.0))).all():
            bad = mean[~((mean > 0.0) & (mean < 1.0))].flat[0]
            raise ValueError(
                f"porosity holds {bad:g}; it has to lie between 0 and 1. Give per cent with their "
                "unit '%'"
            )
    own = np.broadcast_to(_NAN if mean is None else mean, t.shape).astype(float)
    layers = Layers(t, b, p, scale, own)
    if not (layers.phi0 < 1.0).all():
        i = int(np.argmax(layers.phi0))
        raise ValueError(
            f"the present porosity of layer {i + 1} implies {layers.phi0[i]:.3g} at the seafloor, "
            f"which is not possible; give a decay length above {layers.length[i]:g} m"
        )
    return layers


def check_order(top: np.ndarray, bottom: np.ndarray) -> None:
    """Refuse layers that overlap or are out of order."""
    for i in range(top.size - 1):
        if top[i + 1] < top[i]:
            raise ValueError(
                f"layer {i + 2} begins at {top[i + 1]:g} m, above layer {i + 1} at {top[i]:g} m; "
                "give the layers from the top downward"
            )
        if top[i + 1] < bottom[i] - 1e-9 * abs(bottom[i]):
            raise ValueError(
                f"layers {i + 1} and {i + 2} overlap: one ends at {bottom[i]:g} m and the other "
                f"begins at {top[i + 1]:g} m; correct bottom or top"
            )


def _built(
    name: str, compute: Callable[..., Any], layers: Layers, uncertainties: tuple[Any, ...]
) -> xr.Dataset:
    """Result with its uncertainty, by central differences of a thousandth of each error."""
    start = (layers.given, layers.length, layers.porosity)
    errors = [
        np.broadcast_to(
            np.asarray(given_uncertainty(u, unit, f"{source}_uncertainty")), layers.top.shape
        )
        for u, unit, source in zip(uncertainties, ("1", "m", "1"), _ERRORS, strict=True)
    ]

    def moved(part: int, by: Any) -> Any:
        changed = list(start)
        ends = []
        for sign in (1e-3, -1e-3):
            changed[part] = start[part] + sign * by
            # Where a porosity was measured, the surface porosity follows the changed length.
            ends.append(compute(layers.at_seafloor(*changed), changed[1]))
        return (ends[0] - ends[1]) / 2e-3

    effects = {"surface_porosity": moved(0, errors[0]), "decay_length": moved(1, errors[1])}
    variance = np.zeros(layers.top.size)
    for i in np.flatnonzero(np.isfinite(layers.porosity)):  # independent from layer to layer
        variance = variance + moved(2, np.where(np.arange(layers.top.size) == i, errors[2], 0)) ** 2
    words = {"top": "present top of the layer", "bottom": "present bottom of the layer"}
    coords = {
        key: ("layer", getattr(layers, key), {"units": "m", "long_name": text})
        for key, text in words.items()
    }
    values = xr.DataArray(compute(layers.phi0, layers.length), dims="layer", coords=coords)
    found = series.build(
        {name: Measured(values, np.sqrt(variance), effects)},
        steps=(
            "solids = integral of 1 - phi, phi = phi0 exp(-z / L) (Athy 1930)",
            "thickness from the solids at the new depth (Sclater and Christie 1980)",
        )[: 1 if name == "solid_thickness" else 2],
    )
    found["surface_porosity_used"] = (
        "layer",
        layers.phi0,
        {"units": "1", "long_name": "porosity of the layer at the seafloor"},
    )
    return found


# --------------------------------------------------------------------------------------------------
# Effective stress in a column that compacts along one exponential.


_C = constants.CONSTANTS


def column_effective_stress(
    depth: Dimensional,
    *,
    surface_porosity: Fraction,
    decay_length: Dimensional,
    surface_porosity_uncertainty: float | Scalar | None = None,
    decay_length_uncertainty: Scalar | None = None,
    grain_density: xr.Dataset | Scalar = _C["grain_density"],
    grain_density_uncertainty: Scalar | None = None,
    pore_water_density: xr.Dataset | Scalar = _C["pore_water_density"],
    pore_water_density_uncertainty: Scalar | None = None,
    gravity: Scalar = _C["gravity"],
) -> xr.Dataset:
    """Vertical effective stress under an exponential of porosity, with hydrostatic pressure.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Depth below seafloor [m].
    surface_porosity : float or Quantity
        Porosity at the seafloor [1].
    decay_length : Quantity or str
        e-folding depth [m].
    surface_porosity_uncertainty, decay_length_uncertainty : Quantity, float or str, optional
        Effects ``surface_porosity`` [1] and ``decay_length`` [m]; unknown gives NaN.
    grain_density, pore_water_density : Quantity, str or Constant
        Density of the grains and of the pore water [g/cm^3].
    grain_density_uncertainty, pore_water_density_uncertainty : Quantity or str, optional
        Effects ``grain_density`` and ``pore_water_density``; those of the constants, else NaN.
    gravity : Quantity, str or Constant
        Acceleration of gravity [m/s^2].

    Returns
    -------
    Dataset
        ``vertical_effective_stress`` [kPa] with effects and flags. Research estimate; not for
        well control, mud weight, casing, slope or structural decisions; follow local codes and
        licensed practice.

    Raises
    ------
    ValueError
        For a surface porosity outside 0 to 1, a depth above the seafloor, or a length or density
        that is not above zero.

    Notes
    -----
    sigma' = (rho_g - rho_f) g (z - phi0 L (1 - exp(-z / L))): the weight of the grains in water
    above, with porosity of Athy (1930) and effective stress of Terzaghi (1943).
    """
    z = units.as_floats(depth, "m", "depth")
    plain = np.asarray(z, dtype=float)
    if (plain < 0.0).any():
        raise ValueError(f"depth is {np.nanmin(plain):g} m; give depths below the seafloor")
    phi0 = float(units.as_floats(surface_porosity, "1", "surface_porosity"))
    if not 0.0 < phi0 < 1.0:
        raise ValueError(
            f"surface_porosity is {phi0:g}; it has to lie between 0 and 1. Give per cent with "
            "their unit '%'"
        )
    length = float(positive(decay_length, "m", "decay_length"))
    grains = float(positive(grain_density, "g/cm^3", "grain_density"))
    fluid = float(positive(pore_water_density, "g/cm^3", "pore_water_density", zero=True))
    g = float(positive(gravity, "m/s^2", "gravity"))
    solids = solid_kernel(0.0, plain, phi0, length)
    weight = (grains - fluid) * g
    shrunk = np.exp(-plain / length)
    partials = {
        "surface_porosity": (-weight * length * (1.0 - shrunk), surface_porosity_uncertainty, "1"),
        "decay_length": (
            -weight * phi0 * (1.0 - shrunk * (1.0 + plain / length)),
            decay_length_uncertainty,
            "m",
        ),
        "grain_density": (g * solids, grain_density_uncertainty, "g/cm^3"),
        "pore_water_density": (-g * solids, pore_water_density_uncertainty, "g/cm^3"),
    }
    of = {"grain_density": grain_density, "pore_water_density": pore_water_density}
    effects = {
        source: partial * given_uncertainty(u, unit, f"uncertainty of {source}", of.get(source))
        for source, (partial, u, unit) in partials.items()
    }
    stress: Any = weight * solids
    if isinstance(z, xr.DataArray):
        stress = z.copy(deep=False, data=stress)
    return series.build(
        {"vertical_effective_stress": Measured(stress, 0.0, effects)},
        steps=("sigma' = (rho_g - rho_f) g (thickness of the grains above), hydrostatic pressure",),
        constants={
            "surface_porosity": (surface_porosity, surface_porosity_uncertainty),
            "decay_length": (decay_length, decay_length_uncertainty),
            "grain_density": (grain_density, grain_density_uncertainty),
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
            "gravity": gravity,
        },
        safety=RESEARCH_ONLY,
    )


# --------------------------------------------------------------------------------------------------
# Burial history: layers removed from the top, with the errors of curve and ages.


_LEAST_KEPT = thresholds.value("burial_least_kept")


def burial_history(
    top: Dimensional,
    bottom: Dimensional,
    *,
    surface_porosity: Fraction,
    decay_length: Dimensional,
    top_age: Dimensional,
    bottom_age: Dimensional,
    at: Dimensional | None = None,
    porosity: Fraction | None = None,
    surface_porosity_uncertainty: float | Scalar | None = None,
    decay_length_uncertainty: Scalar | None = None,
    porosity_uncertainty: float | Scalar | None = None,
    age_uncertainty: Dimensional | None = None,
    draws: int = 1000,
    coverage: float = 0.6827,
    seed: int = 1,
) -> xr.Dataset:
    """Depths of the layers of a column at every age.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length, porosity
        Arguments of ``solid_thickness``, (layer), from the seafloor downward without gaps.
    top_age, bottom_age : Quantity or DataArray, (layer)
        Ages of the top and the bottom of each layer [kyr]. A time between the bottom of one layer
        and the top of the next is a hiatus, without deposition or erosion.
    at : Quantity or DataArray, (age), optional
        Ages at which the column is wanted [kyr]; those of all tops and bottoms where not given.
    surface_porosity_uncertainty, decay_length_uncertainty : Quantity, float or str, optional
        Standard uncertainties [1], [m], one error for all layers.
    porosity_uncertainty : Quantity, float or str, optional
        Standard uncertainty of the measured porosities [1], independent from layer to layer.
    age_uncertainty : Quantity, DataArray or str, optional
        Standard uncertainty [kyr]: one number for all ages except that of the seafloor, which has
        none, or one for each different age from the seafloor down. Equal ages of neighbouring
        layers are one datum.
    draws : int
        Number of columns drawn for the interval; an uncertainty that is not given is not drawn.
    coverage : float
        Probability of the interval [1].
    seed : int
        Seed of the random numbers.

    Returns
    -------
    Dataset, (age, layer)
        ``depth_top`` and ``depth_bottom`` below the seafloor of that age [m] and ``porosity``
        (mean of the layer) [1], NaN for a layer that is younger; ``depth_bottom_lower`` and
        ``depth_bottom_upper``, the interval over the draws, with the same for ``depth_top``; the
        coordinate ``age`` [kyr], the oldest last. Without any uncertainty the interval is NaN.
        Attributes: ``draws_kept``, the number of draws with ages in order, and ``errors_drawn``.

    Raises
    ------
    ValueError
        As for ``decompact``; for a gap between layers or above the first, ages that do not increase
        downward, another number of ages, or ages too uncertain to stay in order.

    Notes
    -----
    At each age the younger layers are removed and the others are decompacted from the top down
    (Sclater and Christie 1980). The solids of a layer settle evenly between its ages. Normal errors
    are drawn for the complete computation (JCGM 101:2008); draws with ages out of order or
    porosities outside 0 to 1 are left out. Load, water depth and erosion are not included: sediment
    eroded at a hiatus is not restored.
    """
    layers = make_layers(top, bottom, surface_porosity, decay_length, porosity)
    _check_column(layers)
    young, old = _ages(top_age, bottom_age, layers.top.size)
    if at is None:
        ages = np.unique(np.concatenate([young, old]))
    else:
        ages = np.sort(np.atleast_1d(np.asarray(units.as_floats(at, "kyr", "at"), dtype=float)))
    if draws < 2:
        raise ValueError(
            f"draws is {draws}; an interval needs at least two, and about 1000 to be stable"
        )
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage is {coverage:g}; it has to lie between 0 and 1")
    best = _columns(layers, layers.phi0, layers.length, young, old, ages)
    errors = _Errors(
        given_uncertainty(surface_porosity_uncertainty, "1", "surface_porosity_uncertainty"),
        given_uncertainty(decay_length_uncertainty, "m", "decay_length_uncertainty"),
        given_uncertainty(porosity_uncertainty, "1", "porosity_uncertainty"),
        given_uncertainty(age_uncertainty, "kyr", "age_uncertainty"),
    )
    there = old[None, :] > ages[:, None]
    edges, kept = None, 0
    if errors.drawn():
        ends, kept = _draw(layers, young, old, ages, errors, draws, seed)
        tail = 0.5 * (1.0 - coverage)
        edges = [np.quantile(end, [tail, 1.0 - tail], axis=0) for end in ends]
    return _dataset(
        ages,
        layers,
        there,
        best,
        edges,
        {
            "draws": draws if errors.drawn() else 0,
            "draws_kept": kept,
            "seed": seed,
            "coverage": coverage,
            "errors_drawn": ", ".join(errors.drawn()) or "none",
            "assumptions": "grains neither dissolved nor added; compaction reversible; solids of a "
            "layer settle evenly; no erosion at a hiatus; depths below the seafloor of that age",
        },
    )


@dataclass(frozen=True)
class _Errors:
    """Standard uncertainties; NaN is not drawn."""

    surface_porosity: Any
    decay_length: Any
    porosity: Any
    age: Any

    def drawn(self) -> list[str]:
        """Names of the errors that are known and not zero."""
        return [n for n, u in vars(self).items() if np.nansum(np.abs(np.asarray(u, float))) > 0.0]


def _check_column(layers: Layers) -> None:
    """Refuse a column with gaps, or one that does not begin at the seafloor."""
    check_order(layers.top, layers.bottom)
    if layers.top[0] != 0.0:
        raise ValueError(
            f"the uppermost layer begins at {layers.top[0]:g} m; a burial history begins at the "
            "seafloor, so give the sediment above as a layer"
        )
    for i in range(layers.top.size - 1):
        if layers.top[i + 1] > layers.bottom[i] + 1e-9 * abs(layers.bottom[i]):
            raise ValueError(
                f"between layers {i + 1} and {i + 2}, from {layers.bottom[i]:g} to "
                f"{layers.top[i + 1]:g} m, there is no layer; give the sediment there as one"
            )


def _ages(top_age: Any, bottom_age: Any, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Ages [kyr] of tops and bottoms; ValueError where they do not increase downward."""
    ends = [
        np.atleast_1d(np.asarray(units.as_floats(value, "kyr", name), dtype=float))
        for value, name in ((top_age, "top_age"), (bottom_age, "bottom_age"))
    ]
    for name, end in zip(("top_age", "bottom_age"), ends, strict=True):
        if end.size != size or not np.isfinite(end).all():
            raise ValueError(
                f"{name} has {end.size} values for {size} layers; give one age for each"
            )
    young, old = ends
    for i in range(size):
        if not old[i] > young[i]:
            raise ValueError(
                f"layer {i + 1} is {young[i]:g} kyr old at its top and {old[i]:g} kyr at its "
                "bottom; the bottom has to be older"
            )
        if i and young[i] < old[i - 1]:
            raise ValueError(
                f"layer {i + 1} is {young[i]:g} kyr old at its top, younger than the bottom of "
                f"the layer above at {old[i - 1]:g} kyr; ages have to increase downward"
            )
    return young, old


def _columns(
    layers: Layers, phi0: Any, length: Any, young: Any, old: Any, ages: Any
) -> tuple[Any, Any, Any]:
    """Tops and bottoms [m] and solids left [m] of layers, (..., age, layer)."""
    solids = solid_kernel(layers.top, layers.bottom, phi0, length)[..., None, :]
    laid = (old[..., None, :] - ages[:, None]) / (old - young)[..., None, :]
    left = solids * np.clip(laid, 0.0, 1.0)
    thick = np.stack(
        stacked(left, 0.0, np.asarray(phi0)[..., None, :], np.asarray(length)[..., None, :]), -1
    )
    bottom = np.cumsum(thick, axis=-1)
    return bottom - thick, bottom, left


def _draw(
    layers: Layers, young: Any, old: Any, ages: Any, errors: _Errors, draws: int, seed: int
) -> tuple[tuple[Any, Any], int]:
    """Tops and bottoms (draw, age, layer) of the possible columns, and their number."""
    rng = np.random.default_rng(seed)
    size = layers.top.size
    known = np.nan_to_num
    one, two = (rng.standard_normal((draws, 1)) for _ in range(2))
    given = layers.given + known(errors.surface_porosity) * one
    length = layers.length + known(errors.decay_length) * two
    mean = layers.porosity + known(errors.porosity) * rng.standard_normal((draws, size))
    with np.errstate(all="ignore"):
        phi0 = layers.at_seafloor(given, length, mean)
    young_drawn, old_drawn = _drawn_ages(rng, young, old, errors.age, draws)
    keep = ((phi0 > 0.0) & (phi0 < 1.0) & (length > 0.0)).all(axis=1)
    keep &= (old_drawn > young_drawn).all(axis=1)
    keep &= (young_drawn[:, 1:] >= old_drawn[:, :-1]).all(axis=1)
    if keep.sum() < max(_LEAST_KEPT * draws, 2):
        raise ValueError(
            f"{int(keep.sum())} of {draws} draws have ages in order and porosities between 0 and "
            "1; the uncertainties are too large for an interval: join layers, or give none"
        )
    top, bottom, _ = _columns(
        layers,
        phi0[keep],
        np.broadcast_to(length, phi0.shape)[keep],
        young_drawn[keep],
        old_drawn[keep],
        ages,
    )
    return (top, bottom), int(keep.sum())


def _drawn_ages(rng: Any, young: Any, old: Any, u: Any, draws: int) -> tuple[Any, Any]:
    """Ages (draw, layer): where two layers share an age, they share its error."""
    ends = np.column_stack([young, old]).ravel()
    apart = np.concatenate([[True], np.diff(ends) != 0.0])
    datum = np.cumsum(apart) - 1
    size = np.asarray(np.nan_to_num(u), dtype=float)
    number = int(datum[-1]) + 1
    if size.ndim and size.size != number:
        raise ValueError(
            f"age_uncertainty has {size.size} values for {number} different ages; give one for "
            "all, or one an age from the seafloor down"
        )
    if not size.ndim:  # the age of the seafloor has no error
        size = np.where(np.arange(number) > 0, size, 0.0)
    drawn = ends + (size * rng.standard_normal((draws, number)))[:, datum]
    return drawn[:, 0::2], drawn[:, 1::2]


def _dataset(
    ages: Any, layers: Layers, there: Any, best: Any, edges: Any, attributes: dict[str, Any]
) -> xr.Dataset:
    """Dataset of a burial history; NaN where a layer is younger than the age."""
    top, bottom, left = best
    with np.errstate(divide="ignore", invalid="ignore"):
        porosity = 1.0 - left / (bottom - top)
    parts = {
        "depth_top": (top, "m", "depth of the top below the seafloor of that age"),
        "depth_bottom": (bottom, "m", "depth of the bottom below the seafloor of that age"),
        "porosity": (porosity, "1", "mean porosity of the layer"),
    }
    nothing = np.full(top.shape, np.nan)
    for name, edge in zip(
        ("depth_top", "depth_bottom"), edges or ((nothing,) * 2,) * 2, strict=True
    ):
        for word, values in zip(("lower", "upper"), edge, strict=True):
            parts[f"{name}_{word}"] = (values, "m", f"{word} end of the interval")
    data = {
        name: (("age", "layer"), np.where(there, values, np.nan), {"units": u, "long_name": words})
        for name, (values, u, words) in parts.items()
    }
    coords = {
        "age": ("age", ages, {"units": "kyr", "long_name": "age"}),
        "top": ("layer", layers.top, {"units": "m", "long_name": "present top of the layer"}),
        "bottom": ("layer", layers.bottom, {"units": "m", "long_name": "present bottom"}),
    }
    return xr.Dataset(data, coords=coords, attrs=attributes)
