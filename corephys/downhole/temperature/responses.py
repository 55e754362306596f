"""Response tables: the cooling of tools that are not cylinders."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import thresholds, units

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Response", "response"]

MARGIN = thresholds.value("response_margin")
_FEWEST = thresholds.count("response_rows")
_AROUND = 4  # curves used by one interpolation: a cubic in the logarithm of the key
_UNITS = {"time": "s", "tau": "1", "conductivity": "W/(m K)", "alpha": "1", "fraction": "1"}


@dataclass(frozen=True)
class Response:
    """Cooling of a tool by its response table.

    Parameters
    ----------
    by : {"conductivity", "alpha"}
        Quantity by which the curves differ.
    logarithms : ndarray, (curve,)
        Natural logarithms of conductivity [W/(m K)] or alpha [1], rising.
    curves : tuple of callable
        Splines of the fraction left [1] in the logarithm of x.
    low, high : ndarray, (curve,)
        Range of x: conductivity times time [J/(m K)] or tau [1].
    """

    by: str
    logarithms: np.ndarray
    curves: tuple[Callable[..., np.ndarray], ...]
    low: np.ndarray
    high: np.ndarray

    def evaluate(self, key: float, x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Fraction and its derivatives by ln x and by ln of the key, at one key.

        Curves are compared at equal x, where those of a perfect cylinder differ least; between
        them the fraction is the polynomial in the logarithm of the key through the nearest four.
        """
        place = float(np.clip(np.log(key), self.logarithms[0], self.logarithms[-1]))
        near = np.argsort(np.abs(self.logarithms - place), kind="stable")[:_AROUND]
        # Rows of the inverse of (ln key - place)^m give the value at the place and its slope.
        powers = (self.logarithms[near] - place)[:, None] ** np.arange(near.size)
        weights = np.linalg.inv(powers)
        values, slopes = zip(*(self._curve(int(i), x) for i in near), strict=True)
        by_key = weights[1] @ np.array(values) if near.size > 1 else np.zeros_like(values[0])
        return weights[0] @ np.array(values), weights[0] @ np.array(slopes), by_key

    def _curve(self, i: int, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Fraction and slope of one curve, extended beyond its ends.

        Before the first row the excess falls from one with the root of x, as it does near any
        surface; after the last row it goes as 1 / x, as that of a line source does.
        """
        inside = np.clip(x, self.low[i], self.high[i])
        value, slope = self.curves[i](np.log(inside)), self.curves[i](np.log(inside), 1)
        early, late = x < self.low[i], x > self.high[i]
        root = np.sqrt(np.maximum(x, 0.0) / self.low[i])
        fall = 1.0 - value
        slope = np.where(early, -0.5 * fall * root, np.where(late, -value * inside / x, slope))
        value = np.where(early, 1.0 - fall * root, np.where(late, value * inside / x, value))
        return value, slope

    def within(self, key: float, x: np.ndarray) -> bool:
        """Whether the table covers this key, within a margin of a tenth, and all x."""
        near = np.log1p(MARGIN)
        known = self.logarithms[0] - near <= np.log(key) <= self.logarithms[-1] + near
        return bool(known and np.min(x) >= self.low.max() and np.max(x) <= self.high.min())


def response(
    table: Response | xr.Dataset | pd.DataFrame | Path | str, name: str = "response"
) -> Response:
    """Read the response table of a tool.

    Parameters
    ----------
    table : Response, Dataset, DataFrame, Path or str
        Columns time [s], fraction [1] and conductivity [W/(m K)], or columns tau [1], fraction [1]
        and alpha [1]. A string with line breaks is the content of a CSV file, any other string is
        its path. The headings of a DataFrame or file carry the unit in brackets.
    name : str
        Name of the table, for messages.

    Returns
    -------
    Response
        Curves in natural logarithms of conductivity times time [J/(m K)] or of tau [1].

    Raises
    ------
    UnitError
        For a column with a wrong unit.
    ValueError
        When a column is missing, a curve is too short, times repeat, or a fraction lies outside 0
        to 1 or rises with time.

    Notes
    -----
    Cubic splines in the logarithm of time; common practice. The fraction is that of the first
    excess, so it tends to 1 at time zero.
    """
    if isinstance(table, Response):
        return table
    columns = _columns(table, name)
    by, x_name = ("alpha", "tau") if "tau" in columns else ("conductivity", "time")
    lacking = [column for column in (x_name, "fraction") if column not in columns]
    if by == "conductivity" and by not in columns:
        lacking.append(by)
    if lacking:
        raise ValueError(
            f"the response table {name} has no {', '.join(lacking)}; it needs conductivity "
            "[W/(m K)], time [s] and fraction, or alpha, tau and fraction"
        )
    x, fraction = columns[x_name], columns["fraction"]
    if by not in columns:
        raise ValueError(
            f"the response table {name} has the column tau and no alpha; add the column alpha"
        )
    key = columns[by]
    if not (np.isfinite(key).all() and np.all(key > 0)):
        raise ValueError(f"the response table {name}: {by} must be positive in every row")
    values = np.unique(key)
    curves = [_one(x[key == v], fraction[key == v], f"{name}, {by} {v:g}") for v in values]
    # The decay depends on conductivity times time, so curves of different conductivities are
    # compared at equal products.
    scale = values if by == "conductivity" else np.ones_like(values)
    from scipy.interpolate import CubicSpline

    splines = tuple(CubicSpline(np.log(x * s), f) for (x, f), s in zip(curves, scale, strict=True))
    low = np.array([x[0] for x, _ in curves]) * scale
    high = np.array([x[-1] for x, _ in curves]) * scale
    return Response(by, np.log(values), splines, low, high)


def _one(x: np.ndarray, fraction: np.ndarray, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Rows of one curve in order; time zero is left out, since its logarithm is not finite."""
    order = np.argsort(x, kind="stable")
    x, fraction = x[order], fraction[order]
    if not (np.isfinite(x).all() and np.isfinite(fraction).all() and np.all(x >= 0)):
        raise ValueError(
            f"the response table {name} has a missing number or a negative time; correct the row, "
            "or leave it out"
        )
    x, fraction = x[x > 0], fraction[x > 0]
    if x.size < _FEWEST:
        raise ValueError(
            f"the response table {name} has {x.size} rows after time zero; give {_FEWEST} or more"
        )
    if np.any(np.diff(x) <= 0):
        raise ValueError(f"the response table {name} has the same time twice; keep one row of it")
    if np.any(fraction < 0) or np.any(fraction > 1) or np.any(np.diff(fraction) > 0):
        raise ValueError(
            f"the response table {name}: the fraction of the first excess must lie between 0 and 1 "
            "and must not rise with time"
        )
    return x, fraction


def _columns(table: xr.Dataset | pd.DataFrame | Path | str, name: str) -> dict[str, np.ndarray]:
    """Columns of a table as floats in the units of ``_UNITS``."""
    if isinstance(table, xr.Dataset):
        given: dict[str, tuple[xr.DataArray | np.ndarray, str | None]] = {
            str(key): (table[key], None) for key in table.variables
        }
    else:
        frame = table
        if isinstance(table, (str, Path)):
            import pandas as pd

            text = isinstance(table, str) and "\n" in table
            frame = pd.read_csv(io.StringIO(str(table)) if text else table)
        if not hasattr(frame, "columns"):
            raise ValueError(
                f"the response table {name} is a {type(table).__name__}; give a Dataset, a "
                "DataFrame or a CSV file"
            )
        given = {}
        for heading in frame.columns:
            plain, unit = units.split_header(str(heading))
            values = np.asarray(frame[heading], dtype=float)
            given[plain] = (values, unit or ("1" if _UNITS.get(plain) == "1" else None))
    found = {}
    for column, unit in _UNITS.items():
        if column in given:
            taken, heading_unit = given[column]
            if heading_unit is not None:
                taken = xr.DataArray(taken, dims="row", attrs={"units": heading_unit})
            elif isinstance(taken, xr.DataArray) and unit == "1" and "units" not in taken.attrs:
                taken = taken.assign_attrs(units="1")
            found[column] = np.ravel(
                np.asarray(units.as_floats(taken, unit, f"{column} of {name}"), dtype=float)
            )
    return found
