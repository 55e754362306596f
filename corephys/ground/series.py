"""Series of readings: where they lie, and how a kernel of plain floats is laid over them.

A series has the one dimension ``reading`` and the coordinates ``core``, ``section``, ``offset``
and ``depth``, without an index (depths overlap where recovery exceeds 100 %). Series meet only
at equal positions; names, units and words are stamped afresh on every result.
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
from corephys.uncertainty import Measured, bare

__all__ = [
    "POSITION",
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


class PositionError(ValueError):
    """Series that lie on different positions were about to meet."""


class TooFewError(ValueError):
    """There are fewer usable readings, or known uncertainties, than the result needs.

    Usual while a hole is half done; a stage of a reduction is then skipped and has not failed.
    """


def require_same_positions(**arrays: Any) -> None:
    """Refuse series that do not lie on the same positions, value by value.

    Parameters
    ----------
    **arrays : DataArray, Dataset or anything
        Series by the name to use in the message; what has no dimension is passed over.

    Raises
    ------
    PositionError
        When sizes, or any of core, section, offset and depth, differ. The message says where
        and by how much.
    """
    # By class: a Quantity that is asked for what it lacks formats its numbers before it says so.
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
    """Give series that lie at the same positions the coordinates of the first.

    Parameters
    ----------
    **arrays : DataArray, or anything
        Plain floats of :func:`corephys.ground.units.as_floats`, by the name to use in the message.

    Returns
    -------
    tuple
        In the order given. Arithmetic of xarray drops a coordinate that differs in its last bit,
        as one converted from another unit may; between these it keeps them.

    Raises
    ------
    PositionError
        As :func:`require_same_positions`.
    """
    require_same_positions(**arrays)
    return tuple(at_one_place(*arrays.values()))


_ADVICE = "Bring one onto the other with corephys.depth.match(a, to=b, within='2 cm')"


def _compare(name_a: str, a: Any, name_b: str, b: Any, coordinate: str) -> None:
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
        # A position that was converted from another unit may end a bit or two beside.
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
    """Take a measured argument through the door with what is known of its error.

    Parameters
    ----------
    value : Dataset, Quantity, DataArray, str, Constant or Measured
        A Dataset that holds ``name`` brings its uncertainties, effects and reasons along.
    name : str
        Quantity of the vocabulary; fixes the unit.
    uncertainty_given : Quantity, DataArray, str, optional
        Standard uncertainty of a value that is not a Dataset; systematic under ``source`` where
        that is given, random otherwise.
    source : str, optional
        Name of the systematic effect of a given uncertainty.

    Returns
    -------
    Measured
        Values in the vocabulary's unit.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
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
    # Unknown stands where it would stand if it were known: under its name.
    return Measured(values, 0.0, {source: float("nan") if u is None else u})


def _unpack_dataset(dataset: xr.Dataset, name: str, unit: str) -> Measured:
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
        # Effects may be left out of large files: what they add up to is one error of its own.
        whole = _plain(dataset, f"{name}_u_systematic")
        if hasattr(whole.data, "dask") or np.isfinite(whole.values).any():
            measured.effects = {f"{name}_systematic": whole}
    if f"{name}_reason" in dataset:
        measured.reason = _plain(dataset, f"{name}_reason")
    return measured


def _plain(dataset: xr.Dataset, name: str) -> xr.Variable:
    """A variable without attributes and coordinates: arithmetic on it compares no positions."""
    variable = companions.in_library_units(dataset, name)
    return xr.Variable(variable.dims, variable.data)


def seconds(**times: Any) -> tuple[Any, ...]:
    """Times as seconds; calendar times count from the earliest of the first.

    Parameters
    ----------
    **times : Quantity, DataArray, ndarray or str
        By the name to use in the message: all in s, or all calendar times (datetime64).

    Returns
    -------
    tuple of float or array
        In the order given, plain floats [s]; NaN where a time is missing.

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
    # The earliest that is known: a missing time is passed over.
    origin = np.fmin.reduce(np.ravel(np.asarray(next(iter(times.values())))))
    elapsed = [(t - origin) / np.timedelta64(1, "s") for t in times.values()]
    return tuple(
        units.position_in_library_units(e.drop_attrs(deep=False))
        if isinstance(e, xr.DataArray)
        else e
        for e in elapsed
    )


def take(measured: Measured, index: Any) -> Measured:
    """Pick readings out of a Measured.

    Parameters
    ----------
    measured : Measured
        With values along ``reading`` or plain arrays.
    index : ndarray of int or bool, (n,)
        Which readings.

    Returns
    -------
    Measured
        Plain arrays of shape (n,).
    """
    size = np.size(measured.values)

    def pick(part: Any) -> Any:
        array = np.asarray(part)
        return np.broadcast_to(array, (size,))[index] if array.ndim == 0 else array[index]

    effects = {source: pick(effect) for source, effect in measured.effects.items()}
    return Measured(pick(measured.values), pick(measured.u_random), effects, pick(measured.reason))


def at_rows(value: Any, rows: np.ndarray, size: int) -> Any:
    """Values of an argument at some rows of a table; one value for all rows stays.

    Parameters
    ----------
    value : DataArray, Quantity, ndarray or anything
        With one value a row, or one for all.
    rows : ndarray of int
        Which rows.
    size : int
        Number of rows of the table.

    Returns
    -------
    same type as ``value``
        A DataArray without its coordinates: the rows of one table lie at their own positions.
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
    """Lay a kernel of plain arrays over series, in blocks where they are dask arrays.

    Parameters
    ----------
    kernel : callable
        Takes floats and ndarrays, returns one ndarray or a tuple of ``outputs`` of them.
    *arguments : float, ndarray, Variable or DataArray
        Elementwise arguments at the same positions, which the first series hands to the result;
        Variables have no coordinates to compare.
    outputs : int
        How many arrays the kernel returns.
    dtypes : list of dtype, optional
        Of the arrays; float where not given.
    **keywords
        Passed to the kernel as they are.

    Returns
    -------
    DataArray or Variable, or a tuple of them
        Of the kind of the arguments, without attributes.
    """
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


def at_one_place(*arguments: Any) -> list[Any]:
    """Give series the positions of the first that has them, so that arithmetic keeps these.

    Parameters
    ----------
    *arguments : float, ndarray, Variable or DataArray
        Series that :func:`require_same_positions` has let pass, and anything else.

    Returns
    -------
    list
        The arguments in their order; a DataArray whose positions are the same to the last bit, and
        what is no DataArray, is returned as it is.

    Notes
    -----
    Positions that were converted from another unit may differ in the last bit, and xarray drops
    such a coordinate from a result.
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
    """Reasons of several masks, all of them together.

    Parameters
    ----------
    *reasons : int, ndarray, Variable or DataArray of int
        Bit masks of one shape, or scalars.

    Returns
    -------
    int, ndarray, Variable or DataArray of int64
        Lazy where one of them is.
    """
    joined = reasons[0]
    for other in reasons[1:]:
        joined = xr.apply_ufunc(
            np.bitwise_or, joined, other, dask="parallelized", output_dtypes=[np.int64]
        )
    return joined


def joined_names(names: Any, groups: Any) -> np.ndarray:
    """Names of the samples that go into each of several results.

    Parameters
    ----------
    names : (n,) array of str
        ``sample_id`` of each reading.
    groups : iterable of arrays of int
        Readings that go into each result.

    Returns
    -------
    ndarray of object
        The distinct names of a group in order, separated by ``"; "``; empty where none is given.
    """
    held = np.asarray(names, dtype=object)
    joined = ["; ".join(dict.fromkeys(str(n) for n in held[g] if str(n))) for g in groups]
    return np.array(joined, dtype=object)


def leaf(tree: xr.DataTree, path: str) -> xr.Dataset | None:
    """The table or result at a path of a hole.

    Parameters
    ----------
    tree : DataTree
        A hole, raw or reduced.
    path : str
        Such as ``"scan/gamma"``.

    Returns
    -------
    Dataset or None
        None where there is nothing at the path.
    """
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
        By name of the vocabulary; values are DataArrays along the same positions or scalars.
    steps : tuple of str
        The chain of equations in words, first to last.
    constants : mapping of str to anything that :func:`corephys.ground.provenance.records` takes
        Numbers that were used, by name of the argument and as the caller gave them; those that
        the quantities themselves carry are added.
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
    """All variables of one quantity, without coordinates: arithmetic that compares none."""
    entry = term(name)
    values = _variable(measured.values)
    words, delta = entry.long_name, units.difference_unit(entry.unit)
    reason = _reason(values, bare(measured.reason), entry)
    flag = xr.apply_ufunc(
        flags.from_reason, reason, dask="parallelized", output_dtypes=[np.int8], keep_attrs=False
    )
    known = ~np.isnan(values)
    parts = {
        name: values,
        f"{name}_u_random": _beside(measured.u_random, values, known),
        f"{name}_u_systematic": _beside(uncertainty.norm(measured.effects), values, known),
        f"{name}_flag": flag,
        f"{name}_reason": reason,
    }
    if sources:
        # A source of another quantity does not act on this one; where no effect is known at all,
        # that it does not is not known either.
        absent = 0.0 if measured.effects else float("nan")
        effects = [_beside(measured.effects.get(s, absent), values, known) for s in sources]
        parts[f"{name}_effects"] = xr.Variable.concat(effects, dim="source")
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
    if isinstance(values, (xr.DataArray, xr.Variable)):
        return xr.Variable(values.dims, values.data.astype(float))
    array = np.array(values, dtype=float)
    return xr.Variable(("reading",) if array.ndim else (), array)


def _like(part: Any, values: xr.Variable) -> xr.Variable:
    """A part of a quantity, of the shape of its values."""
    part = bare(part)
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
    lazy = hasattr(values.data, "dask") or hasattr(laid.data, "dask")
    return laid if not lazy and known.values.all() else laid.where(known)


def _reason(values: xr.Variable, given: Any, entry: Term) -> xr.Variable:
    """Add what the value itself shows to the reasons brought along."""

    def look(array: Any, reason: Any) -> Any:
        mask = np.array(np.broadcast_to(reason, array.shape), dtype=np.int64)
        missing = np.isnan(array)
        # An open range ends before infinity.
        possible = (array >= entry.possible[0]) & (array <= entry.possible[1]) & np.isfinite(array)
        usual = (array >= entry.usual[0]) & (array <= entry.usual[1])
        mask[missing] |= flags.bit("missing_value")
        mask[~missing & ~possible] |= flags.bit("impossible_value")
        mask[~missing & possible & ~usual] |= flags.bit("out_of_usual_range")
        return mask

    return xr.apply_ufunc(
        look, values, given, dask="parallelized", output_dtypes=[np.int64], keep_attrs=False
    )
