"""A series from two columns of a table: values with their unit against depth below seafloor."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.vocabulary import TERMS, Term, term
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["series_from_table"]

# Quantities between 0 and 1 that tables give in per cent as often as in parts of one.
_FRACTIONS = ("porosity", "saturation", "water_content_wet")
# A decimal comma in a text cell: digits on both sides, and no point.
_DECIMAL_COMMA = re.compile(r"^\s*[+-]?\d+,\d+\s*$")


def series_from_table(
    table: pd.DataFrame | str | os.PathLike[str],
    quantity: str,
    *,
    values: str | None = None,
    unit: str | None = None,
    depth: str = "depth",
    depth_unit: str | None = None,
    uncertainty: str | None = None,
) -> xr.Dataset:
    """Read one quantity against depth from a table of your own.

    Parameters
    ----------
    table : DataFrame or path
        Table with one row a value, or a CSV file with commas and decimal points.
    quantity : str
        Name of the quantity, such as ``"porosity"``.
    values : str, optional
        Header of the column of values; the default is the name of the quantity. The unit in
        brackets may be left out: ``"porosity"`` finds ``porosity [%]``.
    unit : str, optional
        Unit of the values, where their header has none in square brackets.
    depth : str
        Header of the column of depths below seafloor, positive downwards.
    depth_unit : str, optional
        Unit of the depths, where their header has none in square brackets.
    uncertainty : str, optional
        Header of the column of random standard uncertainties, in the unit of the values.

    Returns
    -------
    Dataset, (reading)
        The quantity with its uncertainties (NaN where not given), flags and reasons, against
        ``depth`` [m]. All rows stay. A cell that is no number is NaN with the flag "missing", an
        impossible value is flagged as bad, and every other value is "not evaluated", since its
        readings are not known.

    Raises
    ------
    UnitError
        If a unit is missing, unknown or of another dimension.
    ValueError
        If a column does not exist (the message names those that do), if the file has one column
        only or decimal commas, if depths are counted upwards, or if fractions and per cent were
        exchanged.

    Examples
    --------
    >>> import pandas as pd
    >>> import corephys as cp
    >>> table = pd.DataFrame({"z": [1.0, 5.0, 9.0], "phi": [71.0, 69.5, None]})
    >>> data = cp.series_from_table(
    ...     table, "porosity", values="phi", unit="%", depth="z", depth_unit="m"
    ... )
    >>> data["porosity"].values.round(3)
    array([0.71 , 0.695,   nan])
    """
    frame = _frame(table)
    entry = term(quantity)
    header, where = values or quantity, "depth_unit"
    column, given = _column(frame, header, unit, entry, "unit")
    place, depth_given = _column(frame, depth, depth_unit, TERMS["depth"], where)
    z = units.convert(_numbers(frame[place]), depth_given, "m")
    _refuse_upwards(z, place)
    numbers = _numbers(frame[column])
    _refuse_fraction_in_other_unit(numbers, given, column, entry)
    known = np.full(numbers.shape, np.nan)
    if uncertainty is not None:
        u, u_given = _column(frame, uncertainty, given, entry, "unit")
        same = units.difference_unit(entry.unit)
        known = units.convert(_numbers(frame[u]), units.difference_unit(u_given), same)
        if np.any(known <= 0.0):
            raise ValueError(
                f"{int((known <= 0.0).sum())} uncertainties in the column {u!r} are zero or "
                "negative; leave the cells empty where the uncertainty is not known"
            )
    reason = np.full(numbers.shape, flags.bit("supplied"), dtype=np.int64)
    reason[~np.isfinite(numbers)] |= flags.bit("missing_value")
    reason[z < 0.0] |= flags.bit("above_seafloor")
    reason[~np.isfinite(z)] |= flags.bit("bad_cell")
    coords = {"depth": ("reading", z, {"units": "m"})}

    def along(array: np.ndarray) -> xr.DataArray:
        return xr.DataArray(array, dims="reading", coords=coords)

    measured = Measured(
        along(units.convert(numbers, given, entry.unit)),
        along(known),
        {"not_stated": along(np.full(numbers.shape, np.nan))},
        along(reason),
    )
    return series.build(
        {quantity: measured},
        steps=(f"{entry.long_name} from the column {column!r} in {given}, as supplied",),
    )


def _frame(table: Any) -> pd.DataFrame:
    """The table itself, or the CSV file."""
    import pandas as pd

    if isinstance(table, pd.DataFrame):
        return table
    frame = pd.read_csv(table)
    if frame.shape[1] == 1:
        raise ValueError(
            f"{table} has one column, {frame.columns[0]!r}; its cells are not separated by commas. "
            "Read it with pandas.read_csv(path, sep=';') or sep='\\t', and give the DataFrame"
        )
    return frame


def _column(
    frame: pd.DataFrame, header: str, unit: str | None, entry: Term, argument: str
) -> tuple[Any, str]:
    """Header of a column as the table has it, and its unit."""
    bare = {name: units.split_header(str(name))[0] for name in frame.columns if _splits(str(name))}
    found = [name for name in frame.columns if str(name) == header] or [
        name for name, short in bare.items() if short == header
    ]
    if len(found) != 1:
        known = ", ".join(repr(str(name)) for name in frame.columns)
        what = "is no column" if not found else f"names {len(found)} columns"
        raise ValueError(f"{header!r} {what} of the table; give one of {known}")
    in_header = units.split_header(str(found[0]))[1] if _splits(str(found[0])) else ""
    if unit is None and not in_header:
        example = "%" if entry.name in _FRACTIONS else entry.unit
        raise units.UnitError(
            f"the header {str(found[0])!r} has no unit in square brackets; "
            f'write {argument}="{example}" or another unit of {entry.long_name}'
        )
    given = units.canonical(unit) if unit is not None else in_header
    if unit is not None and in_header and given != in_header:
        raise units.UnitError(
            f"the header {str(found[0])!r} has the unit {in_header}, and {argument} is {given!r}; "
            "leave one of them out"
        )
    units.convert(1.0, given, entry.unit)  # refuses a unit of another dimension
    return found[0], given


def _splits(header: str) -> bool:
    """Whether a header can be split into a name and a known unit."""
    try:
        units.split_header(header)
    except units.UnitError:
        return False
    return True


def _numbers(column: pd.Series[Any]) -> np.ndarray:
    """Cells as numbers, NaN where a cell is none; decimal commas are refused."""
    import pandas as pd

    if column.dtype.kind in "fiu":
        return np.asarray(column, dtype=float)
    cells = column.astype(str)
    commas = cells[cells.str.match(_DECIMAL_COMMA)]
    if len(commas):
        raise ValueError(
            f"the column {column.name!r} has decimal commas, such as {commas.iloc[0]!r}; read the "
            "file with pandas.read_csv(path, sep=';', decimal=','), and give the DataFrame"
        )
    return np.asarray(pd.to_numeric(column, errors="coerce"), dtype=float)


def _refuse_upwards(z: np.ndarray, header: Any) -> None:
    """Refuse depths that count upwards: every depth but those near the seafloor is negative."""
    held = z[np.isfinite(z)]
    if held.size and np.median(held) < 0.0:
        raise ValueError(
            f"the depths in {str(header)!r} are negative ({held.max():g} to {held.min():g} m); "
            "depths below the seafloor count downwards. Change the sign of the column: "
            f"table[{str(header)!r}] *= -1"
        )


def _refuse_fraction_in_other_unit(
    numbers: np.ndarray, unit: str, header: Any, entry: Term
) -> None:
    """Refuse per cent given as parts of one, and parts of one given as per cent."""
    held = numbers[np.isfinite(numbers)]
    if entry.name not in _FRACTIONS or not held.size:
        return
    middle = float(np.median(held))
    if unit == "1" and middle > 1.0:
        other, words = "%", "parts of one"
    elif unit == "%" and 0.0 < middle <= 1.0:
        other, words = "1", "per cent"
    else:
        return
    raise ValueError(
        f"the column {str(header)!r} has the median {middle:g}, which is not possible for "
        f'{entry.long_name} in {words}; write unit="{other}"'
    )
