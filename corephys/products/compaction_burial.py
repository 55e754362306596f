"""Burial history: a column peeled layer by layer, with what the errors of curve and ages do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import thresholds, units
from corephys.products.compaction_column import (
    Layers,
    check_order,
    make_layers,
    solid_kernel,
    stacked,
)
from corephys.uncertainty import stated

__all__ = ["burial_history"]

_LEAST_KEPT = thresholds.value("burial_least_kept")


def burial_history(
    top: Any, bottom: Any, *, surface_porosity: Any, decay_length: Any, top_age: Any,
    bottom_age: Any, at: Any = None, porosity: Any = None,
    surface_porosity_uncertainty: Any = None, decay_length_uncertainty: Any = None,
    porosity_uncertainty: Any = None, age_uncertainty: Any = None, draws: int = 1000,
    coverage: float = 0.6827, seed: int = 1,
) -> xr.Dataset:  # fmt: skip
    """Depths of the layers of a column at every age.

    Parameters
    ----------
    top, bottom, surface_porosity, decay_length, porosity
        As for ``solid_thickness``, (layer), from the seafloor downward, each layer on the next.
    top_age, bottom_age : Quantity or DataArray, (layer)
        Of the upper and the lower end of each layer [kyr]. An age between the bottom of one layer
        and the top of the next is a hiatus: nothing settled, nothing went.
    at : Quantity or DataArray, (age), optional
        Ages at which the column is wanted [kyr]; those of all ends of layers where not given.
    surface_porosity_uncertainty, decay_length_uncertainty : Quantity, float or str, optional
        Standard uncertainties [1], [m], one error for all layers.
    porosity_uncertainty : Quantity, float or str, optional
        Of the measured porosities [1], each layer's own.
    age_uncertainty : Quantity, DataArray or str, optional
        Standard uncertainty [kyr]: one number for all ages but that of the seafloor, which is
        taken as it is, or one for each different age from the seafloor down. Equal ages of
        neighbouring layers are one datum.
    draws : int
        Columns drawn for the interval; an uncertainty that is not given is not drawn.
    coverage : float
        Of the interval [1].
    seed : int
        Of the draws.

    Returns
    -------
    Dataset, (age, layer)
        ``depth_top`` and ``depth_bottom`` below the seafloor of that age [m] and ``porosity``
        (mean of the layer) [1], NaN for a layer that had not begun; ``depth_bottom_lower`` and
        ``depth_bottom_upper``, the interval over the draws, with the same for ``depth_top``; the
        coordinate ``age`` [kyr], the oldest last. Without any uncertainty the interval is NaN.
        Attributes: ``draws_kept`` of those whose ages were in order, and which errors were drawn.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        As for ``decompact``; for layers with a gap between them or below the seafloor, ages that
        do not grow downward, another number of ages, or ages too uncertain to be kept in order.

    Notes
    -----
    At every age the younger layers are taken off and those left are decompacted from the top down
    (Sclater and Christie 1980). The solids of a layer settle evenly between its ages. Errors are
    normal and go through the whole computation (JCGM 101:2008); draws with ages out of order or
    porosities outside 0 to 1 are left out. No load, no water depth, no erosion: what went at a
    hiatus is not put back.
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
            f"draws is {draws}; an interval needs two at least, and a thousand to hold"
        )
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage is {coverage:g}; it has to lie between 0 and 1")
    best = _columns(layers, layers.phi0, layers.length, young, old, ages)
    errors = _Errors(
        stated(surface_porosity_uncertainty, "1", "surface_porosity_uncertainty"),
        stated(decay_length_uncertainty, "m", "decay_length_uncertainty"),
        stated(porosity_uncertainty, "1", "porosity_uncertainty"),
        stated(age_uncertainty, "kyr", "age_uncertainty"),
    )
    there = old[None, :] > ages[:, None]
    edges, kept = None, 0
    if errors.drawn():
        ends, kept = _draw(layers, young, old, ages, errors, draws, seed)
        tail = 0.5 * (1.0 - coverage)
        edges = [np.quantile(end, [tail, 1.0 - tail], axis=0) for end in ends]
    return _dataset(ages, layers, there, best, edges, {
        "draws": draws if errors.drawn() else 0, "draws_kept": kept, "seed": seed,
        "coverage": coverage, "errors_drawn": ", ".join(errors.drawn()) or "none",
        "assumptions": "grains neither dissolved nor added; compaction reversible; solids of a "
        "layer settle evenly; no erosion at a hiatus; depths below the seafloor of that age",
    })  # fmt: skip


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
    check_order(layers.top, layers.bottom)
    if layers.top[0] != 0.0:
        raise ValueError(
            f"the uppermost layer begins at {layers.top[0]:g} m; a burial history begins at the "
            "seafloor, so give what lies above as a layer"
        )
    for i in range(layers.top.size - 1):
        if layers.top[i + 1] > layers.bottom[i] + 1e-9 * abs(layers.bottom[i]):
            raise ValueError(
                f"between layers {i + 1} and {i + 2}, from {layers.bottom[i]:g} to "
                f"{layers.top[i + 1]:g} m, there is no layer; give what lies there as one"
            )


def _ages(top_age: Any, bottom_age: Any, size: int) -> tuple[np.ndarray, np.ndarray]:
    ends = [
        np.atleast_1d(np.asarray(units.as_floats(value, "kyr", name), dtype=float))
        for value, name in ((top_age, "top_age"), (bottom_age, "bottom_age"))
    ]
    for name, end in zip(("top_age", "bottom_age"), ends, strict=True):
        if end.size != size or not np.isfinite(end).all():
            raise ValueError(f"{name} has {end.size} values for {size} layers; give each its age")
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
                f"the layer above at {old[i - 1]:g} kyr; a reversal is no history"
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
    """Tops and bottoms (draw, age, layer) of the columns that can be, and how many there are."""
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
            "1; the uncertainties are too large for an interval: join layers or drop it"
        )
    top, bottom, _ = _columns(
        layers, phi0[keep], np.broadcast_to(length, phi0.shape)[keep], young_drawn[keep],
        old_drawn[keep], ages,
    )  # fmt: skip
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
    if not size.ndim:  # the age of the seafloor is taken as it is
        size = np.where(np.arange(number) > 0, size, 0.0)
    drawn = ends + (size * rng.standard_normal((draws, number)))[:, datum]
    return drawn[:, 0::2], drawn[:, 1::2]


def _dataset(
    ages: Any, layers: Layers, there: Any, best: Any, edges: Any, attributes: dict[str, Any]
) -> xr.Dataset:
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
