"""Checks of samples: masses, volumes, needle, velocity, strength, consolidation, values."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from corephys.ground import constants, thresholds, units
from corephys.ground.vocabulary import TERMS
from corephys.hole.checks.finding import (
    Check,
    Finding,
    Tables,
    factor_in_words,
    median,
    more,
    of_rows,
)

__all__ = ["CHECKS"]

_LEAST = thresholds.count("slip_section_readings")
_LIGHT, _HEAVY = thresholds.value("slip_lightest_grain"), thresholds.value("slip_heaviest_grain")
_LIGHT_ROW, _HEAVY_ROW = (
    thresholds.value("slip_lightest_row"),
    thresholds.value("slip_heaviest_row"),
)
_LIGHT_BULK = thresholds.value("slip_lightest_bulk")  # g/cm^3
_HEAVY_BULK = thresholds.value("slip_heaviest_bulk")  # g/cm^3
_WETTEST = thresholds.value("slip_wettest")
_POOR = thresholds.value("slip_least_conductivity")  # W/(m K)
_CONDUCTS = thresholds.value("slip_greatest_conductivity")  # W/(m K)
_SHORT, _LONG = thresholds.value("slip_shortest_heating"), thresholds.value("slip_longest_heating")
_SAMPLING = thresholds.value("slip_longest_sampling")  # s
_POSSIBLE = thresholds.value("slip_possible_times")
_FAINT = thresholds.value("slip_faint_median")
_FAINTEST = thresholds.value("slip_faint_greatest")
_THIN, _THICK = thresholds.value("slip_thinnest_needle"), thresholds.value("slip_thickest_needle")
_SLOW, _FAST = thresholds.value("slip_slowest_sample"), thresholds.value("slip_fastest_sample")
_WEAK, _STRONG = thresholds.value("slip_weakest"), thresholds.value("slip_strongest")  # kPa
_SHARPEST = thresholds.value("slip_sharpest_cone")  # degree
_ROCK = thresholds.value("slip_strongest_rock")  # kPa
_LIGHT_CONE = thresholds.value("slip_lightest_cone")  # g
_HEAVY_CONE = thresholds.value("slip_heaviest_cone")  # g
_LEAST_LOAD = thresholds.value("slip_least_load")  # kPa
_GREATEST_LOAD = thresholds.value("slip_greatest_load")  # kPa
_LOOSEST = thresholds.value("slip_loosest")
_FLAT = thresholds.value("slip_thinnest_specimen")  # mm
_TALL = thresholds.value("slip_thickest_specimen")  # mm
_GRAVITY = constants.CONSTANTS["gravity"].value  # m/s^2


def _finding(
    tables: Tables,
    check: str,
    name: str,
    rows: np.ndarray,
    words: str,
    likely: str,
    cure: str,
    number: str,
) -> Finding:
    """A finding of rows of a table of samples, all of them flagged."""
    return of_rows(tables, check, name, rows, words + more(rows.size, "row"), likely, cure, number)


# --------------------------------------------------------------------------------------------------
# Masses and volumes.

_INDEX = "samples/index_properties"


def _dry_above_wet(tables: Tables) -> Iterator[Finding]:
    """Samples that are heavier dry than wet, or that are nearly all water."""
    wet, dry = tables.number(_INDEX, "wet_mass"), tables.number(_INDEX, "dry_mass")
    if wet is None or dry is None:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        rows = np.flatnonzero(dry > wet)
        ratio = np.where(dry > 0, wet / dry, np.nan)
    # A whole table upside down has its columns exchanged.
    if rows.size:
        known = int((np.isfinite(wet) & np.isfinite(dry)).sum())
        level = float(np.median(dry[rows] / np.maximum(wet[rows], 1e-300)))
        slip = "the columns of wet and dry mass are exchanged" if rows.size > 0.5 * known else ""
        if level > 100.0:
            slip = "kg or mg in one of the two columns"
        yield _finding(
            tables,
            "masses",
            _INDEX,
            rows,
            f"dry_mass is {dry[rows[0]]:g} g and wet_mass {wet[rows[0]]:g} g",
            slip or "one of the two masses is mistyped, or two samples are exchanged",
            "Weigh the sample again, or correct the masses",
            f"{dry[rows[0]]:g} g",
        )
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(ratio > _WETTEST)
    if rows.size:
        yield _finding(
            tables,
            "masses",
            _INDEX,
            rows,
            f"wet_mass is {wet[rows[0]]:g} g and dry_mass {dry[rows[0]]:g} g, "
            f"{ratio[rows[0]]:.3g} times as much",
            "kg or mg in one of the two columns, or a digit is missing",
            "Write both masses in g",
            f"{dry[rows[0]]:g} g",
        )


def _net(tables: Tables, header: str, container: str) -> np.ndarray | None:
    """A mass or volume less its container, where the table gives one."""
    values, held = tables.number(_INDEX, header), tables.number(_INDEX, container)
    if values is None or held is None:
        return values
    return np.asarray(values - np.nan_to_num(held))


_OF_DENSITY = (
    (1e3, "kg in the masses, or mm^3 in the volumes"),
    (1e-3, "mg in the masses, or litres in the volumes"),
    (1e-6, "m^3 in the volumes"),
    (10.0, "volumes ten times too large"),
    (0.1, "volumes ten times too small"),
)


def _grain_densities(tables: Tables) -> Iterator[Finding]:
    """Dry mass over dry volume, of the table and of each sample."""
    mass, volume = (
        _net(tables, "dry_mass", "container_mass"),
        _net(tables, "dry_volume", "container_volume"),
    )
    if mass is None or volume is None:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        grain = np.where(volume != 0, mass / volume, np.nan)
    level = median(grain)
    if math.isfinite(level) and not _LIGHT <= level <= _HEAVY:
        slip = factor_in_words(level, _LIGHT, 3.3, _OF_DENSITY, "")
        given = tables.number(_INDEX, "container_mass") is not None
        if not slip:
            slip = (
                "the mass of the container was subtracted already and is given again"
                if given and level < _LIGHT
                else "the mass of the container was not subtracted, or its volume was not"
            )
        elif not given and _HEAVY < level <= 12.0:
            slip += ", or the mass of the container was not subtracted"
        yield _finding(
            tables,
            "grain density",
            _INDEX,
            np.flatnonzero(np.isfinite(grain)),
            f"half of the samples have {level:.4g} g/cm^3 of dry mass over dry volume, and grains "
            f"have {_LIGHT:g} to {_HEAVY:g} g/cm^3",
            slip,
            "Write the units of the file in the headers, such as 'dry_mass [kg]', or give "
            "container_mass and container_volume",
            f"{level:.4g} g/cm^3",
        )
        return
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero((grain < _LIGHT_ROW) | (grain > _HEAVY_ROW))
    if rows.size:
        yield _finding(
            tables,
            "grain density",
            _INDEX,
            rows,
            f"dry mass over dry volume is {grain[rows[0]]:.4g} g/cm^3",
            "a mass or volume of the sample is mistyped, or a digit is missing",
            "Correct the mass or the volume, or measure the sample again",
            f"{grain[rows[0]]:.4g} g/cm^3",
        )


def _bulk_densities(tables: Tables) -> Iterator[Finding]:
    """Wet mass over wet volume."""
    mass, volume = (
        _net(tables, "wet_mass", "container_mass"),
        _net(tables, "wet_volume", "container_volume"),
    )
    if mass is None or volume is None:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        bulk = np.where(volume != 0, mass / volume, np.nan)
    level = median(bulk)
    if not math.isfinite(level) or _LIGHT_BULK <= level <= _HEAVY_BULK:
        return
    yield _finding(
        tables,
        "bulk density",
        _INDEX,
        np.flatnonzero(np.isfinite(bulk)),
        f"half of the samples have {level:.4g} g/cm^3 of wet mass over wet volume",
        factor_in_words(level, 1.0, 3.0, _OF_DENSITY, "the container was not subtracted"),
        "Write the units of the file in the headers, such as 'wet_volume [ml]'",
        f"{level:.4g} g/cm^3",
    )


# --------------------------------------------------------------------------------------------------
# Needle.

_NEEDLE = "samples/needle"


def _needles(tables: Tables) -> Iterator[Finding]:
    """Ends of heating curves, and conductivities roughly from their last two thirds."""
    time, warm = tables.number(_NEEDLE, "time"), tables.number(_NEEDLE, "temperature")
    power = tables.number(_NEEDLE, "heating_power")
    run = tables.text(_NEEDLE, "run")
    if time is None or warm is None or run is None:
        return
    order, start = _runs(run)
    ends = np.fmax.reduceat(time[order], start)
    level = median(ends)
    step = median(np.diff(time[order]))
    # A test of days is sampled each minute; milliseconds leave large steps.
    if level < _SHORT or (level > _LONG and step > _SAMPLING):
        yield _finding(
            tables,
            "heating curves",
            _NEEDLE,
            np.flatnonzero(np.isfinite(time)),
            f"half of the heating curves end {level:.4g} s or less after heating began"
            if level < _SHORT
            else f"half of the heating curves end {level:.4g} s or more after heating began",
            "minutes or hours under s" if level < _SHORT else "milliseconds under s",
            "Write the unit of the file in the header, such as 'time [min]'",
            f"{level:.4g} s",
        )
    if power is None:
        return
    rough = _conductivities(tables, time, warm, power, order, start)
    level = median(rough)
    if not math.isfinite(level) or _POOR <= level <= _CONDUCTS:
        return
    per_length = median(power)
    slip = "the heating power is mistyped, or temperatures have another unit"
    if level < _POOR:
        slip = "the power of the complete needle in W, or of a cm of it, under W/m"
    elif level > 100.0 * _CONDUCTS:
        slip = "mW/m under W/m"
    yield _finding(
        tables,
        "heating curves",
        _NEEDLE,
        np.flatnonzero(np.isfinite(power)),
        f"with heating_power {per_length:.4g} W/m half of the curves give about {level:.3g} "
        f"W/(m K), and cores have {_POOR:g} to {_CONDUCTS:g} W/(m K)",
        slip,
        "Divide the power by the length of the heated part in m, or write the unit of the file in "
        "the header",
        f"{per_length:.4g} W/m",
    )


def _runs(run: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows by run, and where each run begins."""
    known: dict[str, int] = {}
    code = np.fromiter((known.setdefault(word, len(known)) for word in run), int, run.size)
    order = np.argsort(code, kind="stable")
    return order, np.flatnonzero(np.append(True, np.diff(code[order]) != 0))


def _conductivities(
    tables: Tables,
    time: np.ndarray,
    warm: np.ndarray,
    power: np.ndarray,
    order: np.ndarray,
    start: np.ndarray,
) -> np.ndarray:
    """Conductivity of each run [W/(m K)] from the slope over its last two thirds in log time."""
    geometry = tables.text(_NEEDLE, "geometry")
    ends = np.append(start[1:], order.size)
    found = np.full(start.size, np.nan)
    for number, (first, last) in enumerate(zip(start.tolist(), ends.tolist(), strict=True)):
        rows = order[first:last]
        t, warmth = time[rows], warm[rows]
        with np.errstate(invalid="ignore"):
            late = (t > 0) & (t >= np.nanmax(t) / 3.0) & np.isfinite(warmth)
        if late.sum() < _LEAST:
            continue
        x, y = np.log(t[late]), warmth[late]
        spread = float(np.sum((x - x.mean()) ** 2))
        slope = float(np.sum((x - x.mean()) * (y - y.mean()))) / spread if spread > 0 else 0.0
        half = geometry is not None and geometry[rows[0]] == "half_space"
        if slope > 0:
            found[number] = power[rows[0]] / ((2.0 if half else 4.0) * math.pi * slope)
    return found


def _needle_radius(tables: Tables) -> Iterator[Finding]:
    """Radii of needles in another unit."""
    radius = tables.number(_NEEDLE, "radius")
    level = float("nan") if radius is None else median(radius)
    if radius is None or not math.isfinite(level) or _THIN <= level <= _THICK:
        return
    yield _finding(
        tables,
        "radius of the needle",
        _NEEDLE,
        np.flatnonzero(np.isfinite(radius)),
        f"the radius is {level:.4g} mm, and needles have {_THIN:g} to {_THICK:g} mm",
        factor_in_words(
            level, _THIN, _THICK, ((1e3, "m under mm"), (1e-3, "um under mm")), "another unit"
        ),
        "Write the unit of the file in the header, such as 'radius [m]'",
        f"{level:.4g} mm",
    )


# --------------------------------------------------------------------------------------------------
# Velocity, strength, consolidation.


def _sample_velocities(tables: Tables) -> Iterator[Finding]:
    """Lengths over travel times of P-waves."""
    name = "samples/velocity"
    length, time = tables.number(name, "length"), tables.number(name, "travel_time")
    if length is None or time is None:
        return
    wave = tables.text(name, "wave")
    compressional = np.ones(length.size, bool) if wave is None else np.isin(wave, ("P", ""))
    with np.errstate(invalid="ignore", divide="ignore"):
        apparent = np.where((time > 0) & compressional, length / time, np.nan)
    level = median(apparent)
    if not math.isfinite(level) or _SLOW <= level <= _FAST:
        return
    slip = factor_in_words(
        level,
        _SLOW,
        _FAST,
        (
            (10.0, "cm under mm"),
            (1e3, "m under mm, or ns under us"),
            (1e-3, "ms under us"),
            (1e-6, "s under us"),
            (0.1, "tenths of mm under mm"),
        ),
        "lengths or travel times are mistyped",
    )
    yield _finding(
        tables,
        "velocity of samples",
        name,
        np.flatnonzero(np.isfinite(apparent)),
        f"half of the samples have {median(length):.4g} mm and {median(time):.4g} us, which makes "
        f"{1000 * level:.3g} m/s with the delay",
        slip,
        "Write the units of the file in the headers, such as 'length [cm]'",
        f"{1000 * level:.3g} m/s",
    )


# Column that governs the strength of each method, and slips that make it too low and too high.
_GOVERNS = {
    "vane": (
        "torque",
        "kN m under N m, or a torque that was not recorded",
        "N mm under N m, or cm under mm",
    ),
    "fall_cone": ("penetration", "kg under g, or um under mm", "mg under g, or cm under mm"),
    "other": (
        "axial_load",
        "kN under N, or a load that was not recorded",
        "mN under N, or cm under mm",
    ),
}


def _rough_strengths(tables: Tables, method: str) -> np.ndarray:
    """Strength [kPa] by method, roughly: the factor of a cone or a penetrometer is left out."""
    name = "samples/strength"

    def held(header: str) -> np.ndarray:
        values = tables.number(name, header)
        return np.full(len(tables.columns[name]), np.nan) if values is None else values

    with np.errstate(invalid="ignore", divide="ignore"):
        if method == "vane":  # torque over the surface of the cylinder; N m and mm to kPa
            d, h = held("diameter"), held("height")
            surface = np.pi * d**2 * (h / 2.0 + d / 6.0)  # mm^3
            return np.asarray(1e6 * held("torque") / surface)
        if method == "fall_cone":  # g, mm to kPa: m g / d^2
            return np.asarray(held("cone_mass") * _GRAVITY / held("penetration") ** 2)
        # Half of the load over the area; N and mm to kPa.
        return np.asarray(0.5e3 * held("axial_load") / (np.pi / 4.0 * held("diameter") ** 2))


def _strengths(tables: Tables) -> Iterator[Finding]:
    """Strengths of each method, roughly from their columns."""
    name = "samples/strength"
    method = tables.text(name, "method")
    if method is None:
        return
    for word in dict.fromkeys(method.tolist()):
        rough = np.where(method == word, _rough_strengths(tables, word), np.nan)
        level = median(rough)
        most = _ROCK if word == "unconfined" else _STRONG
        if not math.isfinite(level) or _WEAK <= level <= most:
            continue
        header, low, high = _GOVERNS.get(word, _GOVERNS["other"])
        values = tables.number(name, header)
        shown = float("nan") if values is None else median(values[method == word])
        unit = str(tables.columns[name].units.get(header, ""))
        yield _finding(
            tables,
            "strength",
            name,
            np.flatnonzero(np.isfinite(rough)),
            f"{header} of half of the tests of {word.replace('_', ' ')} is {shown:.4g} {unit}, "
            f"which makes about {level:.3g} kPa",
            low if level < _WEAK else high,
            "Write the units of the file in the headers, such as 'torque [N mm]'",
            f"{shown:.4g} {unit}",
        )


def _cones(tables: Tables) -> Iterator[Finding]:
    """Angles and masses of fall cones in another unit."""
    name = "samples/strength"
    angle = tables.number(name, "cone_angle")
    if angle is not None and median(angle) < _SHARPEST:
        yield _finding(
            tables,
            "strength",
            name,
            np.flatnonzero(np.isfinite(angle)),
            f"the angle of the cone is {median(angle):.4g} degree",
            "radians under degrees",
            "Write the unit of the file in the header, such as 'cone_angle [rad]'",
            f"{median(angle):.4g} degree",
        )
    mass = tables.number(name, "cone_mass")
    level = float("nan") if mass is None else median(mass)
    if mass is None or not math.isfinite(level) or _LIGHT_CONE <= level <= _HEAVY_CONE:
        return
    slips = ((1e3, "kg under g"), (1e-3, "mg under g"))
    yield _finding(
        tables,
        "strength",
        name,
        np.flatnonzero(np.isfinite(mass)),
        f"the mass of the cone is {level:.4g} g, and cones have {_LIGHT_CONE:g} to "
        f"{_HEAVY_CONE:g} g",
        factor_in_words(level, _LIGHT_CONE, _HEAVY_CONE, slips, "another unit"),
        "Write the unit of the file in the header, such as 'cone_mass [kg]'",
        f"{level:.4g} g",
    )


def _consolidation(tables: Tables) -> Iterator[Finding]:
    """Stresses, void ratios and heights of consolidation tests."""
    name = "samples/consolidation"
    test, stress = tables.text(name, "test"), tables.number(name, "stress")
    if test is None:
        return
    if stress is not None:
        order, start = _runs(test)
        greatest = np.fmax.reduceat(stress[order], start)
        size = np.diff(np.append(start, order.size))
        with np.errstate(invalid="ignore"):
            wrong = (size >= _LEAST) & ((greatest < _LEAST_LOAD) | (greatest > _GREATEST_LOAD))
        those = np.flatnonzero(wrong)
        if those.size:
            ends = np.append(start[1:], order.size)
            rows = np.concatenate([order[start[k] : ends[k]] for k in those])
            shown = float(greatest[those[0]])
            yield _finding(
                tables,
                "consolidation",
                name,
                rows,
                f"the greatest stress of the test {test[rows[0]]!r} is {shown:.4g} kPa",
                "MPa under kPa" if shown < _LEAST_LOAD else "Pa under kPa",
                "Write the unit of the file in the header, such as 'stress [MPa]'",
                f"{shown:.4g} kPa",
            )
    for header, low, high, slips in (
        ("void_ratio", 0.0, _LOOSEST, ((0.01, "a percentage under a ratio"),)),
        (
            "height",
            _FLAT,
            _TALL,
            ((10.0, "cm under mm"), (1e3, "m under mm"), (1e-3, "um under mm")),
        ),
    ):
        values = tables.number(name, header)
        level = float("nan") if values is None else median(values)
        if values is None or not math.isfinite(level) or low <= level <= high:
            continue
        unit = "mm" if header == "height" else ""
        yield _finding(
            tables,
            "consolidation",
            name,
            np.flatnonzero(np.isfinite(values)),
            f"half of the values of {header} are near {level:.4g} {unit}".rstrip(),
            factor_in_words(level, low, high, slips, "another unit"),
            "Write the unit of the file in the header, such as 'void_ratio [%]' or 'height [cm]'",
            f"{level:.4g} {unit}".rstrip(),
        )


# --------------------------------------------------------------------------------------------------
# Values reduced elsewhere, by the possible and usual ranges of the vocabulary.

_FACTORS = (
    (0.01, "a percentage under a fraction"),
    (100.0, "a fraction under a percentage"),
    (1e-3, "{} a thousand times too large"),
    (1e3, "{} a thousand times too small"),
    (1e-5, "{} 1e5 times too large"),
    (1e-6, "{} a million times too large"),
    (1e6, "{} a million times too small"),
    (0.1, "{} ten times too large"),
    (10.0, "{} ten times too small"),
)
# Units that are mistaken for each other, by the unit of the vocabulary and the words above.
_MISTAKEN = {
    ("g/cm^3", "thousand times too large"): "kg/m^3",
    ("m/s", "thousand times too small"): "km/s",
    ("kPa", "thousand times too small"): "MPa",
    ("kPa", "thousand times too large"): "Pa",
    ("W/(m K)", "thousand times too large"): "mW/(m K)",
    ("mW/m^2", "thousand times too small"): "W/m^2",
}


def _with_units(slip: str, unit: str) -> str:
    """A slip in words with the unit that was mistaken for that of the vocabulary."""
    for (expected, end), other in _MISTAKEN.items():
        if unit == expected and slip.endswith(end):
            return f"{other} under {unit}"
    return slip.format("values")


def _supplied(tables: Tables) -> Iterator[Finding]:
    """Quantities whose values are mostly impossible and usual in another unit."""
    for name, table in tables.columns.items():
        if not table.table.supplied:
            continue
        for quantity, rows, values in _quantities(tables, name):
            entry = TERMS[quantity]
            level = median(values)
            (low, high), (least, most) = entry.usual, entry.possible
            tiny = quantity in ("porosity", "water_saturation") and 0 < np.nanmax(values) < 0.011
            if not math.isfinite(level) or values.size < _LEAST:
                continue
            if least <= level <= most and not tiny:
                continue
            sign = -1.0 if level < 0 and quantity not in ("depth", "offset") else 1.0
            small = tiny or abs(level) < max(abs(least), abs(low))
            factors = [pair for pair in _FACTORS if (pair[0] > 1) == small]
            slip = factor_in_words(level * sign, low, high, factors, "")
            near = least / _POSSIBLE <= level <= most * _POSSIBLE
            if not slip and near and least >= 0:
                continue  # odd sediment; each value is judged by the range of its quantity
            yield _finding(
                tables,
                "supplied values",
                name,
                rows,
                f"half of the values of {quantity} are near {level:.4g} {entry.unit}, and possible "
                f"ones are {least:g} to {most:g} {entry.unit}",
                _with_units(slip, entry.unit) or "the unit or the column is wrong",
                f"Write the unit that the values have into the header or the column of {quantity}",
                f"{level:.4g} {entry.unit}",
            )


def _faint(tables: Tables) -> Iterator[Finding]:
    """Supplied magnetic susceptibilities that are smaller than those of water throughout."""
    for name, table in tables.columns.items():
        if not table.table.supplied:
            continue
        for quantity, rows, values in _quantities(tables, name):
            size = np.abs(values)
            if quantity != "magnetic_susceptibility" or rows.size < _LEAST:
                continue
            if not (0.0 < size.max() < _FAINTEST and median(size) < _FAINT):
                continue
            yield _finding(
                tables,
                "supplied values",
                name,
                rows,
                f"half of the values of {quantity} are {median(size):.3g} SI or less, and the "
                f"greatest is {size.max():.3g} SI",
                "a factor was applied twice, or to values that are in SI already",
                f"Write the unit and the factor that the values of {quantity} have; numbers in SI "
                "need no factor",
                f"{median(size):.3g} SI",
            )


def _quantities(tables: Tables, name: str) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Quantity, rows and values in the unit of the vocabulary of a table of supplied values."""
    table = tables.columns[name]
    for header in table.values:
        values = tables.number(name, header)
        if header in TERMS and values is not None and header not in ("depth", "offset"):
            try:
                held = units.convert(values, table.units.get(header, "1"), TERMS[header].unit)
            except units.UnitError:
                continue  # the stage that reads the value refuses its unit
            rows = np.flatnonzero(np.isfinite(held))
            yield header, rows, held[rows]
    quantity, unit = tables.text(name, "quantity"), tables.text(name, "unit")
    value = tables.number(name, "value")
    if quantity is None or unit is None or value is None:
        return
    for word, written in dict.fromkeys(zip(quantity.tolist(), unit.tolist(), strict=True)):
        if word not in TERMS:
            continue
        rows = np.flatnonzero((quantity == word) & (unit == written) & np.isfinite(value))
        try:
            held = units.convert(value[rows], written, TERMS[word].unit)
        except units.UnitError:
            continue
        if rows.size:
            yield word, rows, held


CHECKS = (
    Check("masses", "dry mass with wet mass", ("slip_wettest",), _dry_above_wet),
    Check(
        "grain density",
        "dry mass over dry volume with densities of grains",
        ("slip_lightest_grain", "slip_heaviest_grain", "slip_lightest_row", "slip_heaviest_row"),
        _grain_densities,
    ),
    Check(
        "bulk density",
        "wet mass over wet volume with densities of cores",
        ("slip_lightest_bulk", "slip_heaviest_bulk"),
        _bulk_densities,
    ),
    Check(
        "heating curves",
        "ends of heating curves with minutes, and power over their slope with conductivities",
        (
            "slip_shortest_heating",
            "slip_longest_heating",
            "slip_longest_sampling",
            "slip_least_conductivity",
            "slip_greatest_conductivity",
        ),
        _needles,
    ),
    Check(
        "radius of the needle",
        "radius with those of needles",
        ("slip_thinnest_needle", "slip_thickest_needle"),
        _needle_radius,
    ),
    Check(
        "velocity of samples",
        "length over travel time with velocities of cores",
        ("slip_slowest_sample", "slip_fastest_sample"),
        _sample_velocities,
    ),
    Check(
        "strength",
        "strength roughly from the columns of each method with strengths of sediment",
        ("slip_weakest", "slip_strongest", "slip_strongest_rock"),
        _strengths,
    ),
    Check(
        "strength",
        "mass and angle of the fall cone with those in use",
        ("slip_lightest_cone", "slip_heaviest_cone", "slip_sharpest_cone"),
        _cones,
    ),
    Check(
        "consolidation",
        "greatest stress, void ratio and height of tests with usual ones",
        (
            "slip_least_load",
            "slip_greatest_load",
            "slip_loosest",
            "slip_thinnest_specimen",
            "slip_thickest_specimen",
        ),
        _consolidation,
    ),
    Check(
        "supplied values",
        "values reduced elsewhere with the possible range of their quantity",
        ("slip_section_readings", "slip_possible_times"),
        _supplied,
    ),
    Check(
        "supplied values",
        "supplied magnetic susceptibilities with the least of any material",
        ("slip_faint_median", "slip_faint_greatest", "slip_section_readings"),
        _faint,
    ),
)
