"""LAS files: reading with a report of their faults, depths below seafloor, and writing."""

from __future__ import annotations

import io
import json
import logging
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import companions, flags, series, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import write_bytes
from corephys.ground.vocabulary import term
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    import lasio

    from corephys.ground.types import Scalar

__all__ = ["LogError", "below_seafloor", "from_bytes", "read", "write"]

# --------------------------------------------------------------------------------------------------
# Depths of a log: from the datum of its file to below seafloor.


def below_seafloor(
    log: xr.Dataset, *, seafloor_depth: Scalar, seafloor_depth_uncertainty: Scalar | None = None
) -> xr.Dataset:
    """Convert the depths of a log to depths below seafloor.

    Parameters
    ----------
    log : Dataset, (reading)
        Log with the coordinate depth [m], from the datum of its file.
    seafloor_depth : Quantity or str
        Depth of the seafloor from the same datum [m]: where the log itself shows it, or the sum of
        water depth and height of the rig floor; zero for a log that begins at the seafloor.
    seafloor_depth_uncertainty : Quantity or str, optional
        Standard uncertainty of that depth [m], one error of all depths of the log; NaN if not
        given.

    Returns
    -------
    Dataset
        The log, with quantities of the vocabulary in library units, ``depth`` [m] below seafloor
        and the coordinate ``depth_in_the_file`` [m]; ``seafloor_depth`` and
        ``seafloor_depth_uncertainty`` [m], NaN if not given.

    Raises
    ------
    ValueError
        For an uncertainty below zero.

    Notes
    -----
    Depth in the file less depth of the seafloor (definition). In a hole that is not vertical both
    depths are measured along the hole.
    """
    log = companions.library_units(log)
    found = np.asarray(units.as_floats(log["depth"], "m", "depth"), dtype=float)
    seafloor = float(units.as_floats(seafloor_depth, "m", "seafloor_depth"))
    u = np.nan
    if seafloor_depth_uncertainty is not None:
        u = float(
            positive(seafloor_depth_uncertainty, "m", "seafloor_depth_uncertainty", zero=True)
        )
    words = {"units": "m", "long_name": "depth below seafloor, of the log", "positive": "down"}
    own = {"units": "m", "long_name": "depth from the datum of the log file", "positive": "down"}
    placed = log.assign_coords(
        depth=("reading", found - seafloor, words), depth_in_the_file=("reading", found, own)
    )
    text = "depth of the seafloor in the file of the log"
    placed["seafloor_depth"] = ((), seafloor, {"units": "m", "long_name": text})
    text = f"standard uncertainty of the {text}"
    placed["seafloor_depth_uncertainty"] = ((), u, {"units": "m", "long_name": text})
    return placed


# --------------------------------------------------------------------------------------------------
# LAS files: reading with a report of their faults.
#
# lasio reads and writes the file itself. The rest is checked here: the null value, the direction of
# the index, the depths of the header, and the units.


# Units as LAS files spell them, in capitals, to the spelling of the library.
_LAS_UNITS = {
    "M": "m",
    "FT": "foot",
    "F": "foot",
    "IN": "inch",
    "MM": "mm",
    "CM": "cm",
    "K/M3": "kg/m^3",
    "KG/M3": "kg/m^3",
    "G/C3": "g/cm^3",
    "G/CC": "g/cm^3",
    "G/CM3": "g/cm^3",
    "GM/CC": "g/cm^3",
    "GM/C3": "g/cm^3",
    "GM/CM3": "g/cm^3",
    "FEET": "foot",
    "METRES": "m",
    "METERS": "m",
    "US/M": "us/m",
    "US/F": "us/foot",
    "US/FT": "us/foot",
    "OHMM": "ohm m",
    "OHM.M": "ohm m",
    "V/V": "1",
    "M3/M3": "1",
    "": "1",
    "%": "%",
    "PU": "%",
    "DEGC": "degC",
    "DEG C": "degC",
    "M/S": "m/s",
    "KM/S": "km/s",
    "FT/S": "foot/s",
    "S": "s",
    "MS": "ms",
    "1/S": "1/s",
    "W/MK": "W/(m K)",
    "KPA": "kPa",
    "MPA": "MPa",
}
_UNITS_OF_LAS = {
    "m": "M",
    "mm": "MM",
    "kg/m^3": "K/M3",
    "g/cm^3": "G/C3",
    "us/m": "US/M",
    "ohm m": "OHMM",
    "1": "",
    "degC": "DEGC",
    "m/s": "M/S",
    "%": "%",
}
# Numbers that files use for missing values, whatever null value their header states.
_NULLS = (-999.25, -999.0, -9999.0, -9999.25, -99999.0, -32768.0, 1e30, -1e30)
_SLOWNESS = ("us/m", "us/foot")
_LENGTHS = ("m", "cm", "mm", "foot", "inch")


class LogError(ValueError):
    """Error for a log that cannot be read or written, with what to do."""


def read(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    null: float | None = None,
    encoding: str = "utf-8",
) -> xr.Dataset:
    """Read a LAS file.

    Parameters
    ----------
    path : path
        File in the format LAS 1.2 or 2.0.
    columns : mapping of str to str, optional
        Quantity of the vocabulary by the name of its curve, such as ``{"RHOB": "bulk_density"}``:
        that curve is converted to the unit of the vocabulary. A slowness given as a velocity is
        inverted.
    null : float, optional
        Number that marks a missing value, where the one in the header is wrong.
    encoding : str
        Encoding of the text in the file.

    Returns
    -------
    Dataset
        Along ``reading``, from the top downward: each curve under its name, or under that of its
        quantity with uncertainties (NaN), flag and reason; coordinate ``depth`` [m]. Attributes:
        ``reports``, a JSON list of the faults found and of what was done about each, and ``well``,
        the well section of the header as JSON.

    Raises
    ------
    FileNotFoundError
        When the file does not exist.
    LogError
        When the file is not a LAS file, has no depth, or lacks a curve that ``columns`` names.
        Also when such a curve has no unit, or two curves are given the same quantity.

    Notes
    -----
    LAS 2.0: Canadian Well Logging Society (1992). Rows are put in order of depth. Values equal to
    the null value are missing; so are other usual null values that occur more than once and lie
    far outside the other values of the curve. Nothing else is changed.
    """
    file = Path(path)
    if not file.is_file():
        raise FileNotFoundError(f"the file {file} does not exist; give the path of a LAS file")
    return from_bytes(file.read_bytes(), file.name, columns=columns, null=null, encoding=encoding)


def from_bytes(
    raw: bytes,
    name: str,
    *,
    columns: Mapping[str, str] | None = None,
    null: float | None = None,
    encoding: str = "utf-8",
) -> xr.Dataset:
    """Read the bytes of a LAS file, such as those that a hole keeps.

    Parameters
    ----------
    raw : bytes
        The file as it is.
    name : str
        Name of the file in messages.
    columns, null, encoding
        As in :func:`read`.

    Returns
    -------
    Dataset
        Result as of :func:`read`.

    Raises
    ------
    LogError
        When the file cannot be read, as in :func:`read`.

    Notes
    -----
    LAS 2.0: Canadian Well Logging Society (1992).
    """
    reports: list[str] = []
    las = _parsed(raw, name, encoding, reports)
    missing_value = _null(las, null, reports)
    depth = _depth(las, missing_value, reports)
    named = dict(columns or {})
    twice = [q for q in named.values() if list(named.values()).count(q) > 1]
    if twice:
        both = ", ".join(c for c, q in named.items() if q == twice[0])
        raise LogError(f"columns= gives {twice[0]!r} to {both}; give each quantity one curve")
    curves = list(las.curves[1:])
    missing = [curve for curve in named if curve not in {c.mnemonic for c in curves}]
    if missing:
        held = ", ".join(c.mnemonic for c in curves)
        raise LogError(f"{name} has no curve {missing[0]!r}; columns= may name {held}")
    order = _order(depth, reports)
    coordinate = {
        "depth": (
            "reading",
            depth[order],
            {"units": "m", "long_name": "depth in the log", "positive": "down"},
        ),
    }
    _compare_header(las, depth, reports)
    dataset = xr.Dataset(coords=coordinate)
    for curve in curves:
        values = _numbers(curve, reports)[order]
        values = _without_nulls(values, missing_value, curve.mnemonic, reports)
        if curve.mnemonic in named:
            quantity = _quantity(values, curve, named[curve.mnemonic], coordinate, reports)
            dataset.update({key: part.variable for key, part in quantity.data_vars.items()})
        else:
            dataset[curve.mnemonic] = ("reading", values, _words(curve))
    dataset.attrs = {
        "source": name,
        "reports": json.dumps(reports),
        "well": json.dumps({str(i.mnemonic): str(i.value) for i in las.well}),
    }
    return dataset


def _parsed(raw: bytes, name: str, encoding: str, reports: list[str]) -> lasio.LASFile:
    """File as lasio reads it; faults that can be passed over go to ``reports``."""
    import lasio

    if not raw.lstrip().startswith((b"~", b"#", b"\xef\xbb\xbf~")):
        raise LogError(
            f"{name} does not begin like a LAS file; give one whose first section begins with '~'"
        )
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
        reports.append(f"the text is not {encoding}; it was read as Latin-1")
    text = text.lstrip("\ufeff")
    # The warnings of lasio are repeated in ``reports``; its level is set back below.
    quiet = logging.getLogger("lasio")
    level = quiet.level
    quiet.setLevel(logging.CRITICAL)
    try:
        try:
            return lasio.read(io.StringIO(text), null_policy="none")
        except lasio.exceptions.LASHeaderError as error:
            reports.append(f"the header has faults, which were ignored: {error}")
            return lasio.read(io.StringIO(text), null_policy="none", ignore_header_errors=True)
    except (
        lasio.exceptions.LASHeaderError,
        lasio.exceptions.LASDataError,
        lasio.exceptions.LASUnknownUnitError,
        KeyError,
        IndexError,
        ValueError,
        AttributeError,
    ) as error:
        raise LogError(
            f"{name} cannot be read as a LAS file ({type(error).__name__}: {error}); open it "
            "in an editor and correct the section that the message names"
        ) from error
    finally:
        quiet.setLevel(level)


def _depth(las: lasio.LASFile, null: float, reports: list[str]) -> np.ndarray:
    """Depth of every row [m], NaN where the file has the null value."""
    if not len(las.curves) or not np.size(las.curves[0].data):
        raise LogError("the file has no curve with data; check that it has a section ~A")
    index = las.curves[0]
    depth = np.asarray(index.data)
    if depth.dtype.kind not in "fi":
        raise LogError(
            f"the index {index.mnemonic!r} is not a number in every row; check the section ~A"
        )
    unit = _LAS_UNITS.get(str(index.unit).strip().upper())
    if unit not in _LENGTHS:
        header = next((i for i in las.well if str(i.mnemonic).upper() == "STRT"), None)
        unit = _LAS_UNITS.get(str(getattr(header, "unit", "")).strip().upper())
        if unit not in _LENGTHS:
            raise LogError(
                f"the index {index.mnemonic!r} has the unit {index.unit!r}, which is not a length; "
                "correct its line in the section ~CURVE, such as 'DEPT.M'"
            )
        reports.append(f"the index has no unit of length; that of STRT, {unit}, was used")
    depth = np.asarray(depth, dtype=float)
    if null != 0.0:  # zero is a valid depth, even in a file whose null value is zero
        depth = np.where(np.isclose(depth, null, rtol=1e-9, atol=0.0), np.nan, depth)
    return depth * units.convert(1.0, unit, "m")


def _null(las: lasio.LASFile, given: float | None, reports: list[str]) -> float:
    """Null value: given, otherwise of the header, otherwise the usual -999.25."""
    if given is not None:
        return float(given)
    item = next((i for i in las.well if str(i.mnemonic).upper() == "NULL"), None)
    try:
        return float(item.value)  # type: ignore[union-attr]
    except (AttributeError, TypeError, ValueError):
        reports.append("the header states no null value; -999.25 was used")
        return -999.25


def _order(depth: np.ndarray, reports: list[str]) -> np.ndarray:
    """Rows from the top downward."""
    lost = int(np.count_nonzero(~np.isfinite(depth)))
    if lost:
        reports.append(f"{lost} rows have no depth; they were put last")
    step = np.diff(depth[np.isfinite(depth)])
    if (step < 0).all() and step.size:
        reports.append("the index ran upward; the rows were reversed")
    elif (step < 0).any():
        reports.append("the index ran up and down; the rows were sorted by depth")
    if (step == 0).any():
        reports.append(f"{int((step == 0).sum())} rows repeat the depth of the row before")
    return np.argsort(depth, kind="stable")


def _compare_header(las: lasio.LASFile, depth: np.ndarray, reports: list[str]) -> None:
    """Report where start, stop and step of the header differ from the index."""
    finite = depth[np.isfinite(depth)]
    if finite.size < 2:
        return
    header = {str(i.mnemonic).upper(): i for i in las.well}
    found = {"STRT": depth[0], "STOP": depth[-1], "STEP": float(np.median(np.diff(finite)))}
    for name, value in found.items():
        item = header.get(name)
        try:
            stated = float(item.value)  # type: ignore[union-attr]
        except (AttributeError, TypeError, ValueError):
            reports.append(f"the header states no {name}")
            continue
        unit = _LAS_UNITS.get(str(item.unit).strip().upper())  # type: ignore[union-attr]
        stated *= units.convert(1.0, unit if unit in _LENGTHS else "m", "m")
        if name == "STEP" and (stated == 0.0 or np.ptp(np.diff(finite)) > 0.5 * abs(value)):
            continue  # an uneven index has no step
        tolerance = 1e-3 if name == "STEP" else 0.51 * abs(found["STEP"]) + 1e-6
        if abs(stated - value) > tolerance:
            reports.append(f"the header states {name} {stated:g} m; the data have {value:g} m")


def _numbers(curve: lasio.CurveItem, reports: list[str]) -> np.ndarray:
    """Values of a curve as floats; text cells become NaN and are reported."""
    data = np.asarray(curve.data)
    if data.dtype.kind in "fi":
        return data.astype(float)
    found = np.full(data.size, np.nan)
    bad = 0
    for row, text in enumerate(data):
        try:
            found[row] = float(text)
        except (TypeError, ValueError):
            bad += 1
    reports.append(f"{bad} values of {curve.mnemonic} are not numbers; they are missing")
    return found


def _without_nulls(values: np.ndarray, null: float, name: str, reports: list[str]) -> np.ndarray:
    """Values with NaN for the null value, and for other usual ones that cannot be data.

    Files that were joined or edited often keep the null value of another program. Such a number is
    taken as missing only where it occurs twice or more and lies far outside all other values.
    """
    values = np.where(np.isclose(values, null, rtol=1e-9, atol=0.0), np.nan, values)
    for other in _NULLS:
        same = values == other
        rest = values[np.isfinite(values) & ~same]
        if same.sum() < 2 or not rest.size:
            continue
        spread = np.ptp(rest)
        if other < rest.min() - spread or other > rest.max() + spread:
            values = np.where(same, np.nan, values)
            reports.append(
                f"{int(same.sum())} values of {name} are {other:g}, far outside the others; they "
                f"are taken as missing, though the null value of the header is {null:g}"
            )
    return values


def _quantity(
    values: np.ndarray,
    curve: lasio.CurveItem,
    name: str,
    coordinate: Mapping[str, Any],
    reports: list[str],
) -> xr.Dataset:
    """Curve as a quantity of the vocabulary, in its unit and with flags."""
    unit = _unit(curve)
    wanted = term(name).unit
    if unit == "1" and not str(curve.unit).strip() and wanted != "1":
        spelled = _UNITS_OF_LAS.get(wanted, wanted)
        raise LogError(
            f"curve {curve.mnemonic!r} has no unit in the file, and {name} needs one; write it "
            f"into its line of ~CURVE, such as '{curve.mnemonic}.{spelled}'"
        )
    if unit is None:
        raise LogError(
            f"curve {curve.mnemonic!r} has the unit {curve.unit!r}, which is unknown; leave it out "
            f"of columns= and convert it to {wanted} yourself"
        )
    if wanted == "m/s" and unit in _SLOWNESS:
        low = int(np.count_nonzero(values <= 0.0))
        if low:
            reports.append(
                f"{low} values of {curve.mnemonic} are zero or negative, which no slowness is; "
                "they are flagged as bad"
            )
        with np.errstate(divide="ignore"):
            found = 1.0 / (values * units.convert(1.0, unit, "s/m"))
        impossible = values <= 0.0
    else:
        found = xr.DataArray(values, attrs={"units": unit})
        found = np.asarray(units.as_floats(found, wanted, curve.mnemonic))
        impossible = np.zeros(values.size, dtype=bool)
    reason = np.where(impossible, flags.bit("impossible_value"), 0).astype(np.int64)
    along = xr.DataArray(found, dims="reading", coords=dict(coordinate))
    made = series.build(
        {name: Measured(along, float("nan"), {}, reason)},
        steps=(f"curve {curve.mnemonic} of a log, {curve.unit or 'no unit'} to {wanted}",),
    )
    made[name].attrs["curve"] = str(curve.mnemonic)
    return made


def _unit(curve: lasio.CurveItem) -> str | None:
    """Unit of a curve in the spelling of the library; None for an unknown one."""
    return _LAS_UNITS.get(str(curve.unit).strip().upper())


def _words(curve: lasio.CurveItem) -> dict[str, str]:
    """Attributes of a curve that keeps its own name."""
    unit = _unit(curve)
    described = re.sub(r"\s+", " ", str(curve.descr)).strip() or str(curve.mnemonic)
    attributes = {"long_name": described, "units": unit or "1"}
    if unit is None:
        attributes["unit_in_the_file"] = str(curve.unit)
    return attributes


# --------------------------------------------------------------------------------------------------
# LAS files: writing.


_EXACT = 17  # significant digits with which any two floats differ


def _unit_write(dataset: xr.Dataset, name: str) -> str:
    """Unit of a variable; an uncertainty without one has that of its quantity."""
    given = dataset[name].attrs.get("units")
    quantity = next(
        (name.removesuffix(e) for e in companions.UNCERTAINTIES if name.endswith(e)), ""
    )
    if given is None and quantity in dataset:
        parent = units.canonical(str(dataset[quantity].attrs.get("units", "1")))
        given = units.difference_unit(parent)
    return "1" if given is None else str(given)


def write(
    dataset: xr.Dataset,
    path: str | os.PathLike[str],
    *,
    names: Mapping[str, str] | None = None,
    well: Mapping[str, str] | None = None,
    null: float = -999.25,
    digits: int = 10,
) -> Path:
    """Write series along depth as a LAS 2.0 file.

    Parameters
    ----------
    dataset : Dataset
        Series with the coordinate ``depth`` [m]; all numbers along it are written, uncertainties
        and flags included.
    path : path
        File to write; it appears complete or not at all.
    names : mapping of str to str, optional
        Name of the curve by variable; the name of the variable in capitals if not given.
    well : mapping of str to str, optional
        Lines of the well section, such as ``{"WELL": "..."}``.
    null : float
        Number that marks a missing value.
    digits : int
        Significant digits of values; with 17 every value and every depth is read back exactly.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    LogError
        When there is no depth, a depth is not finite, two curves would have one name, or a value
        equals ``null``.

    Notes
    -----
    LAS 2.0: Canadian Well Logging Society (1992). Rows are written from the top downward.
    """
    import lasio

    if "depth" not in dataset.coords or dataset["depth"].ndim != 1:
        raise LogError(
            f"the Dataset has no coordinate 'depth' along its readings (it has "
            f"{', '.join(map(str, dataset.coords)) or 'none'}); assign one in m"
        )
    depth = np.asarray(units.as_floats(dataset["depth"], "m", "depth"), dtype=float)
    if not depth.size or not np.isfinite(depth).all():
        raise LogError(
            f"{int(np.sum(~np.isfinite(depth)))} of {depth.size} rows have no depth; a LAS file "
            "needs one in every row: drop such rows"
        )
    order = np.argsort(depth, kind="stable")
    dim = dataset["depth"].dims
    las = lasio.LASFile()
    las.well["NULL"] = lasio.HeaderItem("NULL", value=null, descr="NULL VALUE")
    for name, value in (well or {}).items():
        las.well[name] = lasio.HeaderItem(name, value=" ".join(str(value).split()))
    words = str(dataset["depth"].attrs.get("long_name", "depth below seafloor"))
    las.append_curve("DEPT", depth[order], unit="M", descr=words)
    taken = {"DEPT"}
    for variable, data in dataset.data_vars.items():
        if data.dims != dim or data.dtype.kind not in "fiu":
            continue
        name = (names or {}).get(str(variable), str(variable).upper())
        if name in taken:
            raise LogError(f"two curves would be called {name!r}; give other names=")
        taken.add(name)
        if np.any(np.asarray(data.values) == null):
            raise LogError(
                f"{variable} has the value {null:g}, which marks a missing one; give another null="
            )
        unit = _unit_write(dataset, str(variable))
        las.append_curve(
            name,
            np.asarray(data.values, dtype=float)[order],
            unit=_UNITS_OF_LAS.get(unit, unit),
            descr=str(data.attrs.get("long_name", variable)),
        )
    las.other = str(dataset.attrs.get("safety", ""))
    steps = np.diff(depth[order])
    even = steps.size > 0 and np.ptp(steps) < 1e-6
    exact = digits >= _EXACT  # %s writes the shortest text that is read back as the same float
    stream = io.StringIO()
    las.write(
        stream,
        version=2.0,
        fmt="%s" if exact else f"%.{digits}g",
        column_fmt={0: "%s" if exact else "%.5f"},
        STRT=depth[order][0],
        STOP=depth[order][-1],
        STEP=float(steps[0]) if even else 0.0,
    )
    return write_bytes(path, stream.getvalue().encode("utf-8"))
