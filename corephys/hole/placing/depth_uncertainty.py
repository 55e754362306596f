"""Uncertainty of depth: the parts of each reading, of each core and of the complete hole.

Three kinds of error differ by what shares them. Random: independent between readings (offset).
Core effects: one error a core, independent between cores (tide, heave, position of the material in
the advance). Effects: one error for the hole (drill string, material placed at the top).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.ground import companions, series, units
from corephys.ground.arguments import positive
from corephys.ground.choices import choice
from corephys.ground.series import PositionError
from corephys.ground.vocabulary import term
from corephys.hole.placing.layout import Layout, arrays, codes_of, layout_of, texts
from corephys.uncertainty import Measured

__all__ = ["carry", "covariance", "errors_in_metres", "uncertainty"]

TIDES = ("half_range", "standard_uncertainty")
PLACEMENTS = ("top", "middle")
SCALES = ("depth", "depth_closed", "depth_fitted")
# Variables of the result beside the companions of depth, all in m.
_LENGTHS = dict.fromkeys(
    ("depth_u_core", "depth_u_total", "depth_core_effects", "depth_correction", "depth_corrected"),
    "m",
)
_MOST = 20_000_000  # numbers of the largest matrix: 160 MB


def uncertainty(
    placed: xr.Dataset,
    *,
    sections: Any = None,
    cores: Any = None,
    removed: Any = None,
    depth: str = "depth",
    tide: Any = None,
    tide_is: str = "half_range",
    heave: Any = None,
    drill_string: Any = None,
    drill_string_relative: Any = None,
    offset: Any = None,
    recovery_placement: str = "top",
) -> xr.Dataset:
    """Uncertainty of the depth of every reading, in parts by what shares them.

    Parameters
    ----------
    placed : Dataset, (reading)
        From ``corephys.depth.place``, or any series with core, section, offset [cm] and depth [m].
        A series without a core, such as stations of formation temperature, has no part of recovery
        or offset; each station is a separate lowering.
    sections, cores, removed : Dataset, DataTree node or DataFrame
        Tables of the hole, see ``corephys.depth.place``; needed if the series has a core.
    depth : {"depth", "depth_closed", "depth_fitted"}
        Scale of the depth.
    tide : Quantity or str, optional
        Half the range of the tide, or a standard uncertainty [m]. One error a core.
    tide_is : {"half_range", "standard_uncertainty"}
        Kind of ``tide``.
    heave : Quantity or str, optional
        Standard uncertainty of the heave when a core is cut [m]. One error a core.
    drill_string, drill_string_relative : Quantity or str, optional
        Standard uncertainty of the length of the drill string, as a length [m] or as a part of
        the depth [1]. One error for the hole.
    offset : Quantity or str, optional
        Standard uncertainty of an offset [cm]. Independent between readings.
    recovery_placement : {"top", "middle"}
        "top" leaves the material at the top of the advance, as laid out; "middle" gives the
        correction to the middle of the range in which it may lie, beside the depth.

    Returns
    -------
    Dataset
        Along ``reading`` [m]: ``depth_u_random``; ``depth_core_effects (core_source)``, signed, and
        ``depth_u_core``, their norm; ``depth_effects (source)``, signed, and
        ``depth_u_systematic``; ``depth_u_total``. With "middle" also ``depth_correction`` and
        ``depth_corrected``, to which the uncertainties then belong. A part that is not given is
        NaN, and so is every sum with it; the attribute ``not_stated`` lists these parts. Give
        "0 m" for no uncertainty.

    Raises
    ------
    PositionError
        When the series has no such depth, or its core is not in ``sections``.
    ValueError
        For an unknown word, an uncertainty below zero, or a core without sections and cores.

    Notes
    -----
    Tide of half range a at a random phase: arcsine, u = a / sqrt(2) (JCGM 101:2008, 6.4.6). Where
    less came up than was cut, the material lies, as one piece, anywhere in the advance: true depth
    is rectangular between depth_fitted and depth_fitted + gap, gap = advance - what is left
    without closed voids. Where more came up it is rectangular between depth_fitted and
    depth_closed. u = width / sqrt(12) about the middle (JCGM 101:2008, 6.4.2), one error a core;
    the middle less the depth is the same way off in every core, so that without the correction it
    stands as the effect ``recovery_placement`` of the hole: together gap / sqrt(3) about the depth
    as laid out (JCGM 100:2008, F.2.4.5). Where neither tide nor heave is given and the table of
    cores has top_uncertainty, that is the error of the core's top.
    """
    depth = choice(depth, SCALES, "depth")
    tide_is = choice(tide_is, TIDES, "tide_is")
    recovery_placement = choice(recovery_placement, PLACEMENTS, "recovery_placement")
    if depth not in placed.variables:
        raise PositionError(f"the series has no {depth!r}; place it with corephys.depth.place")
    if placed[depth].ndim != 1:
        raise PositionError(f"{depth} lies along {placed[depth].dims}; give it along one dimension")
    placed = companions.library_units(placed)
    z = np.asarray(units.as_floats(placed[depth], "m", depth), dtype=float)
    given = {
        "tide": (tide, "m"),
        "heave": (heave, "m"),
        "drill_string": (drill_string, "m"),
        "drill_string_relative": (drill_string_relative, "1"),
        "offset": (offset, "m"),
    }
    u = {name: _given(value, unit, name, z) for name, (value, unit) in given.items()}
    effects = {}
    if drill_string is not None or drill_string_relative is None:
        effects["drill_string"] = u["drill_string"]
    if drill_string_relative is not None:
        effects["drill_string_relative"] = u["drill_string_relative"] * z
    ship = {"tide": u["tide"] / (np.sqrt(2.0) if tide_is == TIDES[0] else 1.0), "heave": u["heave"]}
    if "core" not in placed.coords:
        return _dataset(placed, depth, np.zeros(z.size), ship, effects, None)
    layout, code, top = _laid_out(placed, depth, sections, cores, removed)
    core_parts = ship if top is None or not (tide is None and heave is None) else {"core_top": top}
    middle, core_parts["recovery"] = _recovery(layout, code, placed, z)
    if recovery_placement == "middle":
        return _dataset(placed, depth, u["offset"], core_parts, effects, middle)
    effects["recovery_placement"] = middle
    return _dataset(placed, depth, u["offset"], core_parts, effects, None)


def _laid_out(
    placed: xr.Dataset, depth: str, sections: Any, cores: Any, removed: Any
) -> tuple[Layout, Any, np.ndarray | None]:
    """Layout, section of each reading, and top_uncertainty [m] of its core if that is given."""
    if sections is None or cores is None:
        lacking = " and ".join(
            f"{name}=" for name, at in (("sections", sections), ("cores", cores)) if at is None
        )
        raise ValueError(f"the series has the coordinate core; give {lacking} of its hole as well")
    lacking = [name for name in ("section", "offset") if name not in placed.coords]
    if lacking:
        raise PositionError(
            f"the series has no coordinate {' and no '.join(lacking)}; it needs core, section and "
            "offset"
        )
    layout = layout_of(sections, cores, removed)
    shape = placed[depth].shape
    core, section = (np.broadcast_to(texts(placed[n].values), shape) for n in ("core", "section"))
    code = codes_of(layout, core, section)
    if not any(str(name).partition(" [")[0] == "top_uncertainty" for name in cores):
        return layout, code, None
    table = arrays(cores, "cores", "core top_uncertainty")
    of = dict(zip(table["core"].tolist(), table["top_uncertainty"], strict=True))
    return layout, code, np.array([of[name] for name in core], dtype=float)


def _given(value: Any, unit: str, name: str, like: np.ndarray) -> np.ndarray:
    """An uncertainty along the readings; NaN if not given."""
    if value is None:
        return np.full(like.shape, np.nan)
    found = np.asarray(positive(value, unit, name, zero=True), dtype=float)
    if found.ndim and found.shape != like.shape:
        raise PositionError(
            f"{name} has {found.size} values for {like.size} readings; give one for each, or one "
            "for all"
        )
    return np.array(np.broadcast_to(found, like.shape))


def _recovery(
    layout: Layout, code: Any, placed: xr.Dataset, z: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Middle of the range in which a reading may lie, less its depth, and the spread about it."""
    offset = np.asarray(units.as_floats(placed["offset"], "cm", "offset"), dtype=float)
    upper = layout.place(code, offset)[1]
    spare = layout.spare[layout.core_of[code]]
    lower = np.where(spare < 0.0, layout.close(code, offset)[1], upper + spare)
    return 0.5 * (upper + lower) - z, (lower - upper) / np.sqrt(12.0)


def _dataset(
    placed: xr.Dataset,
    depth: str,
    random: np.ndarray,
    core_parts: dict[str, np.ndarray],
    effects: dict[str, np.ndarray],
    correction: np.ndarray | None,
) -> xr.Dataset:
    """The result of :func:`uncertainty` from its parts [m]."""
    dim = str(placed[depth].dims[0])
    core_norm = np.sqrt(sum(part**2 for part in core_parts.values()))
    systematic = np.sqrt(sum(part**2 for part in effects.values()))
    total = np.sqrt(random**2 + core_norm**2 + systematic**2)

    def named(words: str) -> dict[str, str]:
        return {"units": "m", "long_name": words}

    found: dict[str, Any] = {
        "depth_u_random": (
            dim,
            random,
            named("standard uncertainty of each depth for itself"),
        ),
        "depth_u_core": (dim, core_norm, named("standard uncertainty that a core shares")),
        "depth_u_systematic": (
            dim,
            systematic,
            named("systematic standard uncertainty of depth"),
        ),
        "depth_u_total": (dim, total, named("standard uncertainty of depth")),
        "depth_core_effects": (
            ("core_source", dim),
            np.stack(list(core_parts.values())),
            named("one-sigma effects on depth by source, one error a core"),
        ),
        "depth_effects": (
            ("source", dim),
            np.stack(list(effects.values())),
            named("one-sigma effects on depth by source, one error for the hole"),
        ),
    }
    if correction is not None:
        words = "to the middle of where the material may lie in the advance"
        found["depth_correction"] = (dim, correction, named(f"correction of depth {words}"))
        corrected = placed[depth].values + correction
        found["depth_corrected"] = (dim, corrected, named(f"depth corrected {words}"))
    held = {**core_parts, **effects, "offset": random}
    unknown = sorted(name for name, part in held.items() if part.size and np.isnan(part).all())
    places = placed.set_coords([n for n in SCALES if n in placed.variables]).coords
    coordinates: dict[str, Any] = {
        str(n): c.variable for n, c in places.items() if c.dims == (dim,) and n != dim
    }
    for name, keys in (("core_source", core_parts), ("source", effects)):
        about = "source of error" + (" of a core" if name != "source" else "")
        coordinates[name] = (name, np.array(list(keys), dtype=object), {"long_name": about})
    attributes = {"depth_scale": depth, "not_stated": ", ".join(unknown)}
    return xr.Dataset(found, coordinates, attributes)


def errors_in_metres(errors: xr.Dataset) -> xr.Dataset:
    """The result of :func:`uncertainty` with all lengths in m, whatever their units."""
    return companions.library_units(errors, _LENGTHS)


def sharing(errors: xr.Dataset) -> tuple[np.ndarray, list[str]]:
    """Number of the core or station of each depth, and their names; else a number for each."""
    shape = errors["depth_u_random"].shape
    for name in ("core", "station"):
        if name in errors.coords:
            code, names = pd.factorize(np.broadcast_to(errors[name].values, shape).astype(str))
            return np.asarray(code), list(map(str, names))
    code = np.arange(*shape)
    return code, [str(number + 1) for number in code]


def covariance(errors: xr.Dataset, *, shared_by_hole: bool = True) -> xr.DataArray:
    """Covariance between the depths of a few readings.

    Parameters
    ----------
    errors : Dataset, (reading)
        From ``corephys.depth.uncertainty``; pick readings out of it first, since the matrix has
        the square of their number.
    shared_by_hole : bool
        Include the effects of the hole; without them a caller propagates these by name.

    Returns
    -------
    DataArray, (reading, reading_2)
        Covariance [m^2]; NaN where a part is not given.

    Raises
    ------
    ValueError
        For more readings than fit into a matrix (20 million numbers).

    Notes
    -----
    cov(z_i, z_j) = u_i^2 (i = j) + sum e_i e_j over core effects where i and j lie in one core +
    sum e_i e_j over the effects of the hole (JCGM 100:2008, 5.2.2 and F.1.2.3).
    """
    errors = errors_in_metres(errors)
    random = errors["depth_u_random"]
    if random.size**2 > _MOST:
        raise ValueError(
            f"{random.size} depths make a matrix of {random.size**2} numbers; select the "
            "readings with errors.isel(...)"
        )
    code = sharing(errors)[0]
    own = errors["depth_core_effects"].transpose("core_source", ...).values
    # Depths of different cores share nothing, known or not.
    matrix = np.where(code[:, None] == code[None, :], np.einsum("si,sj->ij", own, own), 0.0)
    matrix[np.diag_indices(code.size)] += random.values**2
    if shared_by_hole:
        whole = errors["depth_effects"].transpose("source", ...).values
        matrix = matrix + whole.T @ whole
    dim = str(random.dims[0])
    return xr.DataArray(
        matrix,
        dims=(dim, f"{dim}_2"),
        coords=random.coords,
        attrs={"units": "m^2", "long_name": "covariance of depths"},
    )


def _per_metre(unit: str) -> str:
    """Unit of a gradient in the one spelling: one bracket after the stroke."""
    above, _, below = unit.partition("/")
    return f"{above}/({below.strip('()')} m)" if below else f"{above}/m"


def carry(data: xr.Dataset, errors: xr.Dataset, *, quantity: str, gradient: Any) -> xr.Dataset:
    """Errors of depth propagated into a property that changes with depth.

    Parameters
    ----------
    data : Dataset, (reading)
        Dataset with the quantity.
    errors : Dataset, (reading)
        From ``corephys.depth.uncertainty``, at the same positions.
    quantity : str
        Name of the property, whose unit is that of the vocabulary.
    gradient : Quantity, DataArray or str
        Change of the property with depth, such as "-0.5 1/km" for a porosity; (n,) or one.

    Returns
    -------
    Dataset
        The quantity alone, with the errors of depth in its random part and its effects: those of
        a core under the names ``depth_<source>_core_<core>``.

    Raises
    ------
    PositionError
        When the two have different positions.
    ValueError
        For more effects of cores than fit into memory (20 million numbers).

    Notes
    -----
    An error of depth dz gives the error dy = (dy/dz) dz: u^2 = u_y^2 + (dy/dz)^2 u_z^2 for what is
    random (Orear 1982, American Journal of Physics 50, 912; from memory), and (dy/dz) e_z for an
    effect. If the given depth is too great, the value belongs to a shallower bed: at the given
    depth its error is -(dy/dz) dz, which gives the sign of the effects.
    """
    series.require_same_positions(data=data, errors=errors)
    errors = errors_in_metres(errors)
    measured = series.unpack(data, quantity)
    unit = units.difference_unit(term(quantity).unit)
    slope = np.asarray(units.as_floats(gradient, _per_metre(unit), "gradient"), dtype=float)
    values = measured.values
    random = errors["depth_u_random"]
    code, names = sharing(errors)
    own = errors["depth_core_effects"].transpose("core_source", ...)
    if len(names) * own.size > _MOST:
        raise ValueError(
            f"{len(names)} cores and {random.size} readings make {len(names) * own.size} effects; "
            "select the readings that are needed with .isel(...)"
        )
    dims = values.dims

    def along(part: Any) -> xr.Variable:
        return xr.Variable(dims, np.broadcast_to(np.asarray(part, dtype=float), values.shape))

    effects = dict(measured.effects)
    for source, effect in zip(
        errors["source"].values,
        errors["depth_effects"].transpose("source", ...).values,
        strict=True,
    ):
        effects[str(source)] = effects.get(str(source), 0.0) + along(-slope * effect)
    for source, effect in zip(own["core_source"].values, own.values, strict=True):
        for number, name in enumerate(names):
            part = np.where(code == number, -slope * effect, 0.0)
            effects[f"depth_{source}_core_{name}"] = along(part)
    u = np.sqrt(np.asarray(measured.u_random, dtype=float) ** 2 + (slope * random.values) ** 2)
    return series.build(
        {quantity: Measured(values, along(u), effects, measured.reason)},
        steps=("errors of depth times the gradient, in quadrature (Orear 1982)",),
    )
