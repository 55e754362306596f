"""Layers of a column without their load: grains alone, thickness at another depth, burial.

Every layer keeps its grains; its porosity follows one exponential of depth. The thickness at
another depth solves one monotone equation.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import series, units
from corephys.ground.arguments import positive
from corephys.uncertainty import Measured, stated

__all__ = ["decompact", "original_thickness", "solid_thickness"]

_NAN = float("nan")
_ERRORS = ("surface_porosity", "decay_length", "porosity")


def solid_kernel(top: Any, bottom: Any, surface_porosity: Any, decay_length: Any) -> Any:
    """Thickness of the grains alone of layers under an exponential.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length : float or ndarray, broadcastable
        [m], [m], [1], [m].

    Returns
    -------
    float or ndarray
        [m].

    Notes
    -----
    s = b - t - phi0 L (exp(-t / L) - exp(-b / L)): the integral of 1 - phi (definition).
    """
    lost = -np.expm1(-(bottom - top) / decay_length)  # keeps the digits of thin layers
    return bottom - top - surface_porosity * decay_length * np.exp(-top / decay_length) * lost


def thickness_kernel(solids: Any, top: Any, surface_porosity: Any, decay_length: Any) -> Any:
    """Thickness of layers whose grains are known, with their tops at given depths.

    Parameters
    ----------
    solids, top, surface_porosity, decay_length : float or ndarray, broadcastable
        [m], [m], [1], [m].

    Returns
    -------
    float or ndarray
        [m].

    Notes
    -----
    Root h of h - phi_t L (1 - exp(-h / L)) = s with phi_t = phi0 exp(-t / L): geometry. The left
    side rises and is convex, so that Newton's steps from the upper bound s / (1 - phi_t) fall to
    the root without passing it; a bound below, s, keeps the last digits safe.
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
    top: Any, bottom: Any, *, surface_porosity: Any, decay_length: Any, porosity: Any = None,
    surface_porosity_uncertainty: Any = None, decay_length_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Thickness that the grains of each layer would have without pores.

    Parameters
    ----------
    top, bottom : Quantity, DataArray or str, (layer)
        Present depths below seafloor [m].
    surface_porosity : float, Quantity or DataArray, (layer)
        Of the layer's exponential [1].
    decay_length : Quantity, DataArray or str, (layer)
        Of the same [m].
    porosity : float, Quantity or DataArray, (layer), optional
        Measured mean of the layer today [1], where it is not that of the exponential. It takes
        the place of ``surface_porosity``, which is scaled to meet it; NaN keeps the curve's.
    surface_porosity_uncertainty, decay_length_uncertainty : Quantity, float or str, optional
        Standard uncertainties [1], [m], taken as one error for all layers; unknown gives NaN.
    porosity_uncertainty : Quantity, float or str, optional
        Random standard uncertainty of the measured porosities [1]; unknown gives NaN.

    Returns
    -------
    Dataset, (layer)
        ``solid_thickness`` [m] with effects ``surface_porosity`` and ``decay_length``, beside
        ``surface_porosity_used`` [1].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
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

    return _built("solid_thickness", solids, layers, (
        surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty,
    ))  # fmt: skip


def decompact(
    top: Any, bottom: Any, *, surface_porosity: Any, decay_length: Any, new_top: Any = "0 m",
    porosity: Any = None, surface_porosity_uncertainty: Any = None,
    decay_length_uncertainty: Any = None, porosity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Thickness of a stack of layers with its uppermost top moved to another depth.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length, porosity
        As for :func:`solid_thickness`, from the uppermost layer downward. Gaps between layers
        close: every layer comes to rest on the next one.
    new_top : Quantity or str
        Depth of the uppermost top [m]; the seafloor where it is not given. A depth below the
        present one recompacts.
    surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty
        As for :func:`solid_thickness`.

    Returns
    -------
    Dataset, (layer)
        ``layer_thickness`` [m] with effects, ``new_top`` and ``new_bottom`` [m], and
        ``surface_porosity_used`` [1].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        As for :func:`solid_thickness`; for layers that overlap or are out of order; for a new top
        above the seafloor.

    Notes
    -----
    Root of y2' - y1' = s + phi0 L (exp(-y1' / L) - exp(-y2' / L)) with the solids s of
    :func:`solid_thickness` (Sclater and Christie 1980; Angevine, Heller and Paola 1990). Grains
    are neither dissolved nor cemented, and compaction is taken to be the same way back.
    """
    layers = make_layers(top, bottom, surface_porosity, decay_length, porosity)
    check_order(layers.top, layers.bottom)
    start = float(positive(new_top, "m", "new_top", zero=True))

    def thickness(phi0: Any, length: Any) -> Any:
        solids = solid_kernel(layers.top, layers.bottom, phi0, length)
        return np.stack(stacked(solids, start, phi0, length), axis=-1)

    found = _built("layer_thickness", thickness, layers, (
        surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty,
    ))  # fmt: skip
    ends = start + np.cumsum(found["layer_thickness"].values)
    for name, values, words in (
        ("new_top", np.concatenate([[start], ends[:-1]]), "depth of the top once moved"),
        ("new_bottom", ends, "depth of the bottom once moved"),
    ):
        found[name] = ("layer", values, {"units": "m", "long_name": words})
    return found


def original_thickness(
    top: Any, bottom: Any, *, surface_porosity: Any, decay_length: Any, porosity: Any = None,
    surface_porosity_uncertainty: Any = None, decay_length_uncertainty: Any = None,
    porosity_uncertainty: Any = None,
) -> xr.Dataset:  # fmt: skip
    """Thickness of each layer by itself as it was when nothing lay on it.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length, porosity
        As for :func:`solid_thickness` ([m], [m], [1], [m], [1]).
    surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty
        As for :func:`solid_thickness`.

    Returns
    -------
    Dataset, (layer)
        ``layer_thickness`` [m] with effects, and ``surface_porosity_used`` [1].

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
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

    return _built("layer_thickness", thickness, layers, (
        surface_porosity_uncertainty, decay_length_uncertainty, porosity_uncertainty,
    ))  # fmt: skip


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
    """The layers as arrays, or the words that say what is wrong with them."""
    numbers = [
        np.asarray(units.as_floats(value, unit, name), dtype=float)
        for value, unit, name in (
            (top, "m", "top"), (bottom, "m", "bottom"),
            (phi0, "1", "surface_porosity"), (length, "m", "decay_length"),
        )
    ]  # fmt: skip
    mean = units.as_floats(porosity, "1", "porosity", optional=True)
    sizes = {n.size for n in numbers if n.ndim} | ({np.size(mean)} if np.ndim(mean) else set())
    if len(sizes) > 1 or any(n.ndim > 1 for n in numbers):
        raise ValueError(
            f"top, bottom, curve and porosity have {', '.join(map(str, sorted(sizes)))} values; "
            "give one value a layer, or one for all"
        )
    t, b, p, scale = np.broadcast_arrays(*(np.atleast_1d(n) for n in numbers))
    for i in range(t.size):
        where = f"layer {i + 1} (from the top)"
        if not t[i] >= 0.0:
            raise ValueError(f"{where} begins at {t[i]:g} m; a top lies at the seafloor or below")
        if not b[i] > t[i]:
            raise ValueError(
                f"{where} ends at {b[i]:g} m, which is not below its top at {t[i]:g} m"
            )
        if not 0.0 < p[i] < 1.0:
            raise ValueError(
                f"{where} has a surface porosity of {p[i]:g}; it has to lie between 0 and 1. "
                "Per cent are given with their unit '%'"
            )
        if not (scale[i] > 0.0 and np.isfinite(scale[i])):
            raise ValueError(f"{where} has a decay length of {scale[i]:g} m; it is above zero")
    if mean is not None:
        mean = np.asarray(mean, dtype=float)
        if not (np.isnan(mean) | ((mean > 0.0) & (mean < 1.0))).all():
            bad = mean[~((mean > 0.0) & (mean < 1.0))].flat[0]
            raise ValueError(
                f"a present porosity is {bad:g}; it has to lie between 0 and 1. Per cent are "
                "given with their unit '%'"
            )
    own = np.broadcast_to(_NAN if mean is None else mean, t.shape).astype(float)
    layers = Layers(t, b, p, scale, own)
    if not (layers.phi0 < 1.0).all():
        i = int(np.argmax(layers.phi0))
        raise ValueError(
            f"the present porosity of layer {i + 1} asks for {layers.phi0[i]:.3g} at the seafloor, "
            f"which is no porosity; a decay length of {layers.length[i]:g} m is too short for it"
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
                f"begins at {top[i + 1]:g} m"
            )


def _built(
    name: str, compute: Callable[..., Any], layers: Layers, uncertainties: tuple[Any, ...]
) -> xr.Dataset:
    """The result with its uncertainty, by central differences of a thousandth of each error."""
    start = (layers.given, layers.length, layers.porosity)
    errors = [
        np.broadcast_to(np.asarray(stated(u, unit, f"{source}_uncertainty")), layers.top.shape)
        for u, unit, source in zip(uncertainties, ("1", "m", "1"), _ERRORS, strict=True)
    ]

    def moved(part: int, by: Any) -> Any:
        changed = list(start)
        ends = []
        for sign in (1e-3, -1e-3):
            changed[part] = start[part] + sign * by
            # Where a porosity was measured, the curve still meets it with another length.
            ends.append(compute(layers.at_seafloor(*changed), changed[1]))
        return (ends[0] - ends[1]) / 2e-3

    effects = {"surface_porosity": moved(0, errors[0]), "decay_length": moved(1, errors[1])}
    variance = np.zeros(layers.top.size)
    for i in np.flatnonzero(np.isfinite(layers.porosity)):  # each layer's own
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
        "layer", layers.phi0, {"units": "1", "long_name": "porosity of the layer at the seafloor"},
    )  # fmt: skip
    return found
