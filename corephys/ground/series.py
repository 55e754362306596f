"""Series of readings: their positions, and kernels of plain floats applied to them.

A series has the one dimension ``reading`` and the coordinates ``core``, ``section``, ``offset``
and ``depth``, without an index (depths overlap where recovery exceeds 100 %). Series are combined
only at equal positions; names, units and long names are stamped afresh on every result.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import companions, flags, provenance, units
from corephys.ground.constants import Constant
from corephys.ground.vocabulary import TERMS, Term, term
from corephys.uncertainty import Measured, without_coords

__all__ = [
    "POSITION",
    "TABLE_ROW",
    "PositionError",
    "TooFewError",
    "apply",
    "at_one_place",
    "at_rows",
    "at_same_positions",
    "build",
    "joined_names",
    "joined_reasons",
    "leaf",
    "require_same_positions",
    "seconds",
    "take",
    "unpack",
]

POSITION = ("core", "section", "offset", "depth")
# Coordinate with the row of the table, while a reduction works without the exact copies of rows.
TABLE_ROW = "table_row"


class PositionError(ValueError):
    """The series have different positions and cannot be combined."""


class TooFewError(ValueError):
    """There are fewer usable readings, or known uncertainties, than the result needs.

    This is usual for an unfinished hole: the stage of a reduction is skipped and has not failed.
    """


def require_same_positions(**arrays: Any) -> None:
    """Refuse series whose positions differ, value by value.

    Parameters
    ----------
    **arrays : DataArray, Dataset or anything
        Series by the name to use in the message; arguments without a dimension are ignored.

    Raises
    ------
    PositionError
        When sizes, or any of core, section, offset and depth, differ. The message gives the
        reading and the difference.
    """
    # By class: looking up a missing attribute of a Quantity formats all its numbers.
    series = {
        name: units.position_in_library_units(array)
        for name, array in arrays.items()
        if isinstance(array, (xr.DataArray, xr.Dataset)) and array.dims
    }
    if len(series) < 2:
        return
    (first_name, first), *others = series.items()
    for name, other in others:
        for dim in (set(first.dims) & set(other.dims)) - {"source"}:
            if first.sizes[dim] != other.sizes[dim]:
                raise PositionError(
                    f"{first_name} has {first.sizes[dim]} values along {dim} and {name} has "
                    f"{other.sizes[dim]}. {_ADVICE}"
                )
        for coordinate in POSITION:
            _compare(first_name, first, name, other, coordinate)


def at_same_positions(**arrays: Any) -> tuple[Any, ...]:
    """Give series at the same positions the coordinates of the first.

    Parameters
    ----------
    **arrays : DataArray, or anything
        Plain floats of :func:`corephys.ground.units.as_floats`, by the name to use in the message.

    Returns
    -------
    tuple
        The arguments in their order. Arithmetic of xarray drops a coordinate that differs in its
        last bit, as one converted from another unit may; the coordinates of these are identical.

    Raises
    ------
    PositionError
        When positions differ, see :func:`require_same_positions`.
    """
    require_same_positions(**arrays)
    return tuple(at_one_place(*arrays.values()))


_ADVICE = "Bring one onto the other with corephys.depth.match(a, to=b, within='2 cm')"


def _compare(name_a: str, a: Any, name_b: str, b: Any, coordinate: str) -> None:
    """Refuse two series that differ in one coordinate."""
    in_a, in_b = coordinate in a.coords, coordinate in b.coords
    if in_a != in_b:
        has, lacks = (name_a, name_b) if in_a else (name_b, name_a)
        raise PositionError(
            f"{has} has the coordinate {coordinate!r} and {lacks} does not. {_ADVICE}"
        )
    if not in_a or a.coords[coordinate].variable is b.coords[coordinate].variable:
        return
    x, y = a.coords[coordinate].values, b.coords[coordinate].values
    if x is y or (x.shape != y.shape and x.ndim and y.ndim and x.size != y.size):
        return
    numeric = x.dtype.kind in "fiu" and y.dtype.kind in "fiu"
    different = x != y
    if numeric and np.any(different):
        # A position that was converted from another unit may differ in its last bits.
        different = ~np.isclose(x, y, rtol=1e-15, atol=0.0, equal_nan=True)
    if np.any(different):
        where = int(np.flatnonzero(np.atleast_1d(different))[0])
        shown_x, shown_y = np.atleast_1d(x)[where], np.atleast_1d(y)[where]
        by = f", {np.nanmax(np.abs(x - y)):.3g} at most" if numeric else ""
        raise PositionError(
            f"{name_a} and {name_b} lie at different positions: {coordinate} differs for "
            f"{int(np.sum(different))} readings{by}, first at reading {where} "
            f"({shown_x} and {shown_y}). {_ADVICE}"
        )


def unpack(
    value: Any, name: str, *, uncertainty_given: Any = None, source: str | None = None
) -> Measured:
    """Convert a measured argument to floats, with its uncertainties if it has any.

    Parameters
    ----------
    value : Dataset, Quantity, DataArray, str, Constant or Measured
        Values; from a Dataset with ``name`` its uncertainties, effects and reasons are used too.
    name : str
        Quantity of the vocabulary, whose unit is used.
    uncertainty_given : Quantity, DataArray, str, optional
        Standard uncertainty of a value that is not a Dataset; systematic if ``source`` is given,
        random otherwise.
    source : str, optional
        Name of the systematic effect of a given uncertainty.

    Returns
    -------
    Measured
        Values in the vocabulary's unit.

    Raises
    ------
    KeyError
        When a Dataset does not hold ``name``.
    """
    unit = term(name).unit
    if isinstance(value, Measured):
        return value
    if isinstance(value, xr.Dataset):
        return _unpack_dataset(value, name, unit)
    values = units.as_floats(value, unit, name)
    given = units.difference_unit(unit)
    u = units.as_floats(
        uncertainty_given, given, f"uncertainty of {name}", difference=True, optional=True
    )
    if u is None and isinstance(value, Constant):
        u = value.uncertainty * units.convert(1.0, value.unit, unit) if unit != "degC" else None
    if u is None and source is None:
        return Measured(values)
    if source is None:
        return Measured(values, u)
    # An unknown systematic uncertainty is NaN under its name, so that budgets show it.
    return Measured(values, 0.0, {source: float("nan") if u is None else u})


def _unpack_dataset(dataset: xr.Dataset, name: str, unit: str) -> Measured:
    """One quantity of a Dataset with its companions."""
    if name not in dataset:
        held = ", ".join(str(v) for v in dataset.data_vars if str(v) in TERMS) or "no quantity"
        raise KeyError(f"the Dataset does not hold {name!r}; it holds {held}")
    values = units.as_floats(dataset[name], unit, name)
    measured = Measured(values)
    if f"{name}_u_random" in dataset:
        measured.u_random = _plain(dataset, f"{name}_u_random")
    if f"{name}_effects" in dataset:
        effects = _plain(dataset, f"{name}_effects")
        measured.effects = {
            str(source): effects.isel(source=i) for i, source in enumerate(dataset["source"].values)
        }
    elif f"{name}_u_systematic" in dataset:
        # Large files may lack the effects; their norm then counts as one effect.
        whole = _plain(dataset, f"{name}_u_systematic")
        if hasattr(whole.data, "dask") or np.isfinite(whole.values).any():
            measured.effects = {f"{name}_systematic": whole}
    if f"{name}_reason" in dataset:
        measured.reason = _plain(dataset, f"{name}_reason")
    return measured


def _plain(dataset: xr.Dataset, name: str) -> xr.Variable:
    """A variable without attributes and coordinates, so that arithmetic compares no positions."""
    variable = companions.in_library_units(dataset, name)
    return xr.Variable(variable.dims, variable.data)


def seconds(**times: Any) -> tuple[Any, ...]:
    """Times as seconds; calendar times count from the earliest of the first.

    Parameters
    ----------
    **times : Quantity, DataArray, ndarray or str
        Times by the name to use in the message: all in s, or all calendar times (datetime64).

    Returns
    -------
    tuple of float or array
        Floats [s] in the order given; NaN where a time is missing.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit, or when some are calendar times and some are not.
    """
    calendar = [
        isinstance(t, (np.ndarray, xr.DataArray)) and t.dtype.kind == "M" for t in times.values()
    ]
    if not any(calendar):
        return tuple(units.as_floats(t, "s", name) for name, t in times.items())
    if not all(calendar):
        raise units.UnitError(
            f"{' and '.join(times)} are of two kinds; they must both be calendar times, or both "
            "in s"
        )
    # fmin ignores missing times.
    origin = np.fmin.reduce(np.ravel(np.asarray(next(iter(times.values())))))
    elapsed = [(t - origin) / np.timedelta64(1, "s") for t in times.values()]
    return tuple(
        units.position_in_library_units(e.drop_attrs(deep=False))
        if isinstance(e, xr.DataArray)
        else e
        for e in elapsed
    )


def take(measured: Measured, index: Any) -> Measured:
    """Readings of a Measured at an index of int or bool, as plain arrays."""
    size = np.size(measured.values)

    def pick(part: Any) -> Any:
        array = np.asarray(part)
        return np.broadcast_to(array, (size,))[index] if array.ndim == 0 else array[index]

    effects = {source: pick(effect) for source, effect in measured.effects.items()}
    return Measured(pick(measured.values), pick(measured.u_random), effects, pick(measured.reason))


def at_rows(value: Any, rows: np.ndarray, size: int) -> Any:
    """Values of an argument at some rows of a table of ``size`` rows; one value for all stays.

    A DataArray loses its coordinates: the rows of one table need no check of positions.
    """
    if isinstance(value, xr.DataArray):
        if not value.dims:
            return value
        return value.isel({value.dims[0]: rows}).drop_vars(list(value.coords))
    shape = np.shape(getattr(value, "magnitude", value)) if not isinstance(value, str) else ()
    return value[rows] if shape == (size,) else value


def apply(
    kernel: Callable[..., Any],
    *arguments: Any,
    outputs: int = 1,
    dtypes: Any = None,
    **keywords: Any,
) -> Any:
    """Apply a kernel of plain arrays to series, in blocks where they are dask arrays.

    Parameters
    ----------
    kernel : callable
        Function of floats and ndarrays that returns one ndarray, or a tuple of ``outputs``.
    *arguments : float, ndarray, Variable or DataArray
        Elementwise arguments at the same positions; the result has the coordinates of the first
        series. Variables have no coordinates to compare.
    outputs : int
        Number of arrays that the kernel returns.
    dtypes : list of dtype, optional
        Types of the arrays; float if not given.
    **keywords
        Further arguments of the kernel.

    Returns
    -------
    DataArray or Variable, or a tuple of them
        Results of the kind of the arguments, without attributes.
    """
    if (alike := _alike(arguments)) is not None:
        data = [getattr(a, "data", a) if hasattr(a, "dims") else a for a in arguments]
        made = kernel(*data, **keywords)
        found = [_with_data(alike, part) for part in ((made,) if outputs == 1 else made)]
        return found[0] if outputs == 1 else tuple(found)
    return xr.apply_ufunc(
        kernel,
        *at_one_place(*arguments),
        kwargs=keywords,
        output_core_dims=[[]] * outputs,
        join="exact",
        dask="parallelized",
        output_dtypes=dtypes or [float] * outputs,
        keep_attrs=False,
    )


def _alike(arguments: tuple[Any, ...]) -> xr.DataArray | xr.Variable | None:
    """The series whose positions a result has, where nothing is left to compare or to broadcast.

    That is where one DataArray at most stands beside variables of its dimensions and plain numbers,
    and none of them is lazy.
    """
    series = [a for a in arguments if isinstance(a, (xr.DataArray, xr.Variable))]
    placed = [a for a in series if isinstance(a, xr.DataArray)]
    if not series or len(placed) > 1:
        return None
    first = (placed or series)[0]
    plain = all(np.ndim(a) == 0 for a in arguments if not hasattr(a, "dims"))
    alike = all(a.dims == first.dims and a.shape == first.shape for a in series)
    lazy = any(hasattr(a.data, "dask") for a in series)
    return first if plain and alike and not lazy else None


def _with_data(series: xr.DataArray | xr.Variable, data: Any) -> Any:
    """A result at the positions of a series, without attributes."""
    found = series.copy(deep=False, data=np.broadcast_to(data, series.shape))
    found.attrs = {}
    if isinstance(found, xr.DataArray):
        for coordinate in found.coords.variables.values():
            coordinate.attrs = {}
    return found


def at_one_place(*arguments: Any) -> list[Any]:
    """Give series the positions of the first that has them, so that arithmetic keeps these.

    The series have passed :func:`require_same_positions`; other arguments are returned as they
    are. Positions that were converted from another unit may still differ in the last bit, and
    xarray would drop such a coordinate from a result.
    """
    held: dict[Any, Any] = {}
    found = []
    for argument in arguments:
        if isinstance(argument, xr.DataArray):
            there = {key: c for key, c in argument.coords.items() if key in units.POSITION_UNITS}
            moved = {
                key: held[key]
                for key, c in there.items()
                if key in held
                and c.dims == held[key].dims
                and c.values is not held[key].values
                and not np.array_equal(c.values, held[key].values)
            }
            argument = argument.assign_coords(moved) if moved else argument
            held = {**there, **held}
        found.append(argument)
    return found


def joined_reasons(*reasons: Any) -> Any:
    """Union of bit masks of reasons of one shape, or scalars; lazy if one of them is."""
    joined = reasons[0]
    for other in reasons[1:]:
        joined = xr.apply_ufunc(
            np.bitwise_or, joined, other, dask="parallelized", output_dtypes=[np.int64]
        )
    return joined


def joined_names(names: Any, groups: Any) -> np.ndarray:
    """Distinct ``sample_id`` of the readings of each group in order, with ``"; "`` between."""
    held = np.asarray(names, dtype=object)
    joined = ["; ".join(dict.fromkeys(str(n) for n in held[g] if str(n))) for g in groups]
    return np.array(joined, dtype=object)


def leaf(tree: xr.DataTree, path: str) -> xr.Dataset | None:
    """The table or result at a path such as ``"scan/gamma"``; None if there is none."""
    try:
        node = tree[path]
    except KeyError:
        return None
    return node.to_dataset(inherit=False) if isinstance(node, xr.DataTree) else None


def build(
    quantities: Mapping[str, Measured],
    *,
    steps: tuple[str, ...] = (),
    constants: Mapping[str, Any] | None = None,
    **attributes: Any,
) -> xr.Dataset:
    """Make the Dataset that a public function returns.

    Parameters
    ----------
    quantities : mapping of str to Measured
        Values by name of the vocabulary: DataArrays along the same positions, or scalars.
    steps : tuple of str
        Equations in words, first to last.
    constants : mapping of str to anything that :func:`corephys.ground.provenance.records` takes
        Numbers that were used, by name of the argument and as the caller gave them; the constants
        of the quantities are added.
    **attributes
        Further global attributes.

    Returns
    -------
    Dataset
        For each quantity its value, ``_u_random``, ``_u_systematic``, ``_effects (source, ...)``,
        ``_flag`` and ``_reason``, linked by ``ancillary_variables``.
    """
    sources = sorted({s for m in quantities.values() for s in m.effects})
    used = {name: record for m in quantities.values() for name, record in m.used.items()}
    parts: dict[str, Any] = {}
    coordinates: dict[Any, Any] = {}
    for name, measured in quantities.items():
        parts.update(_variables(name, measured, sources))
        if isinstance(measured.values, xr.DataArray):
            # Positions may still be in the units of the caller, and are stamped below.
            placed = units.position_in_library_units(measured.values)
            coordinates.update(
                {key: c.variable.copy(deep=False) for key, c in placed.coords.items()}
            )
    if sources:
        coordinates["source"] = xr.Variable(
            "source", np.array(sources, dtype=object), {"long_name": "source of error"}
        )
    for key, coordinate in coordinates.items():
        if key in TERMS:
            entry = TERMS[key]
            coordinate.attrs = {"units": entry.unit, "long_name": entry.long_name}
    return xr.Dataset(
        parts,
        coords=coordinates,
        attrs={
            "steps": json.dumps(list(steps)),
            "constants": provenance.constants_attribute({**used, **(constants or {})}),
            **attributes,
        },
    )


def _variables(name: str, measured: Measured, sources: list[str]) -> dict[str, xr.Variable]:
    """All variables of one quantity, without coordinates, which would slow down arithmetic."""
    entry = term(name)
    values = _variable(measured.values)
    words, delta = entry.long_name, units.difference_unit(entry.unit)
    reason = _reason(values, without_coords(measured.reason), entry)
    flag = _elementwise(flags.from_reason, reason, dtype=np.int8)
    known = _elementwise(lambda array: ~np.isnan(array), values, dtype=bool)
    parts = {
        name: values,
        f"{name}_u_random": _beside(measured.u_random, values, known),
        f"{name}_u_systematic": _beside(uncertainty.norm(measured.effects), values, known),
        f"{name}_flag": flag,
        f"{name}_reason": reason,
    }
    if sources:
        # The source of another quantity has no effect on this one, zero. If no effect of this
        # quantity is known, its effects are unknown, NaN.
        absent = 0.0 if measured.effects else float("nan")
        effects = [_beside(measured.effects.get(s, absent), values, known) for s in sources]
        parts[f"{name}_effects"] = _stacked(effects, "source")
        parts[f"{name}_effects"].attrs = {
            "units": delta,
            "long_name": f"one-sigma effects on {words} by source",
        }
    for kind in ("random", "systematic"):
        parts[f"{name}_u_{kind}"].attrs = {
            "units": delta,
            "long_name": f"{kind} standard uncertainty of {words}",
        }
    flag.attrs = flags.flag_attributes(words)
    reason.attrs = flags.reason_attributes(words)
    values.attrs = {"units": entry.unit, "long_name": words}
    if entry.standard_name:
        values.attrs["standard_name"] = entry.standard_name
    values.attrs["ancillary_variables"] = " ".join(key for key in parts if key != name)
    return parts


def _variable(values: Any) -> xr.Variable:
    """Values as floats along ``reading``, or along their own dimensions."""
    if isinstance(values, (xr.DataArray, xr.Variable)):
        return xr.Variable(values.dims, values.data.astype(float))
    array = np.array(values, dtype=float)
    return xr.Variable(("reading",) if array.ndim else (), array)


def _like(part: Any, values: xr.Variable) -> xr.Variable:
    """A part of a quantity, of the shape of its values."""
    part = without_coords(part)
    if isinstance(part, xr.Variable):
        if part.dims == values.dims:
            return xr.Variable(part.dims, part.data.astype(float))
        return part.astype(float).set_dims(dict(values.sizes)).transpose(*values.dims).copy()
    if isinstance(part, np.ndarray) and part.shape == values.shape:
        return xr.Variable(values.dims, part.astype(float))
    return xr.full_like(values, float(part), dtype=float)


def _beside(part: Any, values: xr.Variable, known: xr.Variable) -> xr.Variable:
    """An uncertainty or effect of a quantity: NaN where the value is, never zero there."""
    laid = _like(part, values)
    if _is_lazy(values) or _is_lazy(laid):
        return laid.where(known)
    if known.values.all():
        return laid
    return xr.Variable(laid.dims, np.where(known.values, laid.values, np.nan))


def _is_lazy(variable: xr.Variable) -> bool:
    """Whether the values are a dask array."""
    return hasattr(variable.data, "dask")


def _elementwise(kernel: Callable[..., Any], *parts: Any, dtype: Any) -> xr.Variable:
    """A kernel applied to variables of one shape and to scalars, in blocks where they are lazy."""
    first = parts[0]
    if all(not _is_lazy(p) and p.dims in (first.dims, ()) for p in parts if hasattr(p, "dims")):
        return xr.Variable(first.dims, kernel(*(getattr(part, "data", part) for part in parts)))
    found: xr.Variable = xr.apply_ufunc(
        kernel, *parts, dask="parallelized", output_dtypes=[dtype], keep_attrs=False
    )
    return found


def _stacked(parts: list[xr.Variable], dim: str) -> xr.Variable:
    """Variables of one shape along a new dimension, which comes first."""
    if any(map(_is_lazy, parts)):
        return xr.Variable.concat(parts, dim=dim)
    return xr.Variable((dim, *parts[0].dims), np.stack([part.data for part in parts]))


def _reason(values: xr.Variable, given: Any, entry: Term) -> xr.Variable:
    """Given reasons, with those of the value: missing, impossible, out of the usual range."""

    def judge(array: np.ndarray, reason: np.ndarray) -> np.ndarray:
        mask = np.array(np.broadcast_to(reason, array.shape), dtype=np.int64)
        missing = np.isnan(array)
        # Infinity is impossible even where the range is open.
        possible = (array >= entry.possible[0]) & (array <= entry.possible[1]) & np.isfinite(array)
        usual = (array >= entry.usual[0]) & (array <= entry.usual[1])
        mask[missing] |= flags.bit("missing_value")
        mask[~missing & ~possible] |= flags.bit("impossible_value")
        mask[~missing & possible & ~usual] |= flags.bit("out_of_usual_range")
        return mask

    return _elementwise(judge, values, given, dtype=np.int64)
