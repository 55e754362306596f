"""The key numbers of a reduced hole: value, both uncertainties, range, count and verdict."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import xarray as xr

from corephys.figures.style import unit_in_print
from corephys.ground import flags, series, thresholds
from corephys.ground.registry import SENSORS
from corephys.ground.vocabulary import TERMS
from corephys.reduction import doubts

__all__ = ["Group", "KeyNumber", "key_numbers"]

_SHARE = thresholds.value("hole_flagged_share")
_MOST_PLACES = 6  # decimals above which a number is written with a power of ten
_LEVELS = {
    flags.GOOD: "good",
    flags.NOT_EVALUATED: "not evaluated",
    flags.SUSPECT: "suspect",
    flags.BAD: "bad",
    flags.MISSING: "missing",
}
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
# Results of a hole in the order of the page: heading, then path, quantity and words of each row.
# Empty words mean the name of the vocabulary.
_RESULTS: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "Heat",
        (
            ("products/heat_flow", "heat_flow", ""),
            ("products/heat_flow", "surface_temperature", "temperature at the seafloor of the fit"),
            ("properties/thermal_conductivity", "thermal_conductivity", ""),
            ("properties/formation_temperature", "equilibrium_temperature", ""),
            ("products/heat_production", "heat_production", ""),
        ),
    ),
    (
        "Compaction and samples",
        (
            ("products/compaction", "surface_porosity", ""),
            ("products/compaction", "decay_length", ""),
            ("properties/index_properties", "porosity", "porosity of samples"),
            ("properties/index_properties", "bulk_density", "bulk density of samples"),
            ("properties/index_properties", "grain_density", "grain density of samples"),
            ("properties/sample_velocity", "p_wave_velocity", "P-wave velocity of samples"),
        ),
    ),
    ("Scan of the cores", ()),  # one row for each sensor, then these
    (
        "Stress and strength",
        (
            ("products/stress_profile", "vertical_effective_stress", ""),
            ("properties/strength", "undrained_shear_strength", ""),
            ("properties/yield_stress", "yield_stress", "yield stress"),
            ("products/overconsolidation", "overconsolidation_ratio", ""),
        ),
    ),
    (
        "Travel time and age",
        (
            ("products/time_depth", "two_way_time", ""),
            ("products/impedance", "acoustic_impedance", ""),
            ("products/accumulation", "sedimentation_rate", ""),
            ("products/accumulation", "mass_accumulation_rate", ""),
        ),
    ),
)
_SCAN, _TIMES = "Scan of the cores", "Travel time and age"
_AFTER_THE_SCAN = (
    ("properties/density_tied", "bulk_density", "bulk density, tied to samples"),
    ("products/porosity", "porosity", "porosity from density"),
    ("properties/formation_factor", "formation_factor", ""),
)
# A profile that grows with depth: its value at the base is the result.
_AT_THE_BASE = ("vertical_effective_stress", "two_way_time", "equilibrium_temperature")


@dataclass(frozen=True)
class KeyNumber:
    """One row of the results.

    Parameters
    ----------
    label : str
        Words for the quantity.
    value, random, systematic : str
        Value with its unit, and its two standard uncertainties, to the same digit.
    spread : str
        Range of the usable readings; empty for one value.
    count : str
        Number of usable readings of all; empty for one value.
    verdict : str
        Flag and doubts in words.
    sound : bool
        Whether nothing speaks against the value.
    path : str
        Leaf of the tree.
    """

    label: str
    value: str
    random: str
    systematic: str
    spread: str
    count: str
    verdict: str
    sound: bool
    path: str


@dataclass(frozen=True)
class Group:
    """Key numbers of one subject, and the lines of caution of their results."""

    heading: str
    rows: tuple[KeyNumber, ...]
    cautions: tuple[str, ...]


def key_numbers(tree: xr.DataTree) -> list[Group]:
    """Key numbers of a reduced hole.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.

    Returns
    -------
    list of Group
        Only results that the hole has. A fit has its value with both uncertainties (k = 1). Of a
        series stand the median of the usable readings, the median uncertainty of one reading and
        the range; of a profile that grows with depth, its value at the base.
    """
    allow = flags.allowed(tree.attrs.get("recipe", ""))
    groups = []
    for heading, wanted in _RESULTS:
        rows, cautions = [], []
        for path, name, words in (*_of_the_scan(), *wanted) if heading == _SCAN else wanted:
            data = series.leaf(tree, path)
            if data is None or name not in data or not data[name].size:
                continue
            rows.append(_row(data, path, name, words or TERMS[name].long_name, allow))
            cautions += [str(data.attrs["safety"])] if "safety" in data.attrs else []
        rows += _ties(tree) if heading == _TIMES else []
        if rows:
            groups.append(Group(heading, tuple(rows), tuple(dict.fromkeys(cautions))))
    return groups


def _ties(tree: xr.DataTree) -> list[KeyNumber]:
    """How far travel times of cores, check shots and logs differ."""
    path = "products/times_compared"
    data = series.leaf(tree, path)
    if data is None:
        return []
    ways = ", ".join(str(way).replace("_", " ") for way in data["way"].values)
    spread = float(data.attrs["widest_spread_percent"])
    words = f"widest spread of two-way times ({ways}), of their mean"
    count = f"{data['depth'].size:,} depths"
    return [KeyNumber(words, f"{_plain(spread, 2)} %", "", "", "", count, "compared", True, path)]


def _of_the_scan() -> Iterator[tuple[str, str, str]]:
    """Path, quantity and words of the series of the registered sensors, measured and supplied."""
    for sensor in SENSORS.records():
        yield sensor.path, sensor.quantity, ""
        words = f"{TERMS[sensor.quantity].long_name}, supplied"
        yield f"properties/supplied_{sensor.quantity}", sensor.quantity, words
    yield from _AFTER_THE_SCAN


def _row(data: xr.Dataset, path: str, name: str, words: str, allow: tuple[str, ...]) -> KeyNumber:
    """Key number of a quantity."""
    unit = str(data[name].attrs.get("units", TERMS[name].unit))
    value = np.atleast_1d(data[name].values.astype(float)).ravel()
    random, systematic = (
        np.broadcast_to(np.atleast_1d(data[part].values.astype(float)).ravel(), value.shape)
        if part in data
        else np.full(value.shape, np.nan)
        for part in (f"{name}_u_random", f"{name}_u_systematic")
    )
    if value.size == 1 and data[name].ndim == 0:
        verdict, sound = _verdict_of_one(data, name, (random[0], systematic[0]))
        texts = _in_print(value[0], random[0], systematic[0], unit)
        return KeyNumber(words, *texts, "", "", verdict, sound, path)
    good = doubts.usable(data, name, allow)
    count = f"{int(good.sum()):,} of {good.size:,}"
    verdict, sound = _verdict_of_many(data, name, good, allow)
    if not good.any():
        return KeyNumber(words, "no usable value", "", "", "", count, verdict, sound, path)
    if name in _AT_THE_BASE and "depth" in data.coords:
        depth = np.where(good, data["depth"].values.astype(float), -np.inf)
        i = int(np.argmax(depth))
        texts = _in_print(value[i], random[i], systematic[i], unit)
        words = f"{words} at {depth[i]:.1f} m"
        return KeyNumber(words, *texts, "", count, verdict, sound, path)
    # The median uncertainty of one reading: the mean of thousands has no smaller systematic one.
    u_random, u_systematic = (_median(u[good]) for u in (random, systematic))
    texts = _in_print(float(np.median(value[good])), u_random, u_systematic, unit)
    spread = f"{_plain(value[good].min())} to {_plain(value[good].max())}"
    return KeyNumber(words, f"median {texts[0]}", *texts[1:], spread, count, verdict, sound, path)


def _median(u: np.ndarray) -> float:
    """Median of the uncertainties that are known; NaN without any."""
    known = u[np.isfinite(u)]
    return float(np.median(known)) if known.size else math.nan


def _verdict_of_one(data: xr.Dataset, name: str, u: tuple[float, float]) -> tuple[str, bool]:
    """Flag of a single value with its reasons, the verdicts on its fit, and what is not known."""
    found = [d.words for d in doubts.of_result(data, []) if d.kind == "verdict"]
    missing = [
        what
        for key, what in (("depth_uncertainty", "depths"), ("datum_uncertainty", "depth datum"))
        if str(data.attrs.get(key, "")).startswith("not given")
    ]
    if missing:
        found.append(f"without the uncertainty of {' and '.join(missing)}, not given")
    if not all(map(math.isfinite, u)):
        found.append("part of the uncertainty is not known")
    level, why = "no flag", ""
    if f"{name}_flag" in data:
        flag = int(data[f"{name}_flag"].values)
        level = _LEVELS[flag]
        reasons = flags.names(int(data[f"{name}_reason"].values))
        why = ", ".join(word.replace("_", " ") for word in reasons)
    words = "; ".join([f"{level}: {why}" if why else level, *found])
    return words, level == _LEVELS[flags.GOOD] and not found


def _verdict_of_many(
    data: xr.Dataset, name: str, good: np.ndarray, allow: tuple[str, ...]
) -> tuple[str, bool]:
    """Doubts about a series, or the flags of its usable readings."""
    found = []
    for doubt in doubts.of_result(data, [name], allow, share=_SHARE):
        if doubt.kind == "left_out":
            found.append(_left_out(data, name, good))
        elif doubt.kind == "uncertainty" and doubt.words.endswith(doubts.words_of(data, name)):
            found.append("part of the uncertainty is not known")
        elif doubt.kind != "safety":
            found.append(doubt.words)
    if found:
        return "; ".join(found), False
    if f"{name}_flag" not in data:
        return "no flags", True
    held = np.broadcast_to(np.atleast_1d(data[f"{name}_flag"].values).ravel(), good.shape)[good]
    levels = dict.fromkeys(_LEVELS[int(one)] for one in np.unique(held))
    return ", ".join(levels) or "no usable value", bool(good.any())


def _left_out(data: xr.Dataset, name: str, good: np.ndarray) -> str:
    """Share of a series that is not usable, with its two most frequent reasons."""
    words = f"{100 * float(np.mean(~good)):.0f} % not usable"
    if f"{name}_reason" not in data:
        return words
    held = np.atleast_1d(data[f"{name}_reason"].values).ravel()[~good]
    counts = {word: int(np.count_nonzero((held & flags.bit(word)) != 0)) for word in flags.REASONS}
    ranked = sorted((word for word in counts if counts[word]), key=lambda word: -counts[word])
    most = " and ".join(word.replace("_", " ") for word in ranked[:2])
    return f"{words}, mainly {most}" if most else words


# --------------------------------------------------------------------------------------------------
# Numbers in print: value and both parts of the uncertainty to the same digit.


def _in_print(value: float, random: float, systematic: float, unit: str) -> tuple[str, str, str]:
    """Value with its unit, random and systematic standard uncertainty.

    The digits are two of the known total. A part that is not known is stated so, never zero.
    """
    if not math.isfinite(value):
        return "no number", "", ""
    sign = "" if unit == "1" else f" {unit_in_print(unit)}".replace(" uW", " µW")
    total = math.hypot(*(u for u in (random, systematic) if math.isfinite(u)))
    if not total > 0.0:
        zero_or_not = ["0" if u == 0.0 else "not known" for u in (random, systematic)]
        return f"{_plain(value)}{sign}", zero_or_not[0], zero_or_not[1]
    places = 1 - math.floor(math.log10(float(f"{total:.1e}")))
    power = 0
    if places > _MOST_PLACES:
        power = math.floor(math.log10(max(abs(value), total)))
        places = max(0, places + power)
    times = f"\u202f×\u202f10{str(power).translate(_RAISED)}" if power else ""

    def shown(number: float) -> str:
        number = round(number / 10.0**power, places) + 0.0
        return f"{number:.{max(0, places)}f}"

    def part(u: float) -> str:
        if not math.isfinite(u):
            return "not known"
        if u == 0.0:
            return "0"
        # A small part is not zero: it gets one digit of its own.
        small = float(shown(u)) == 0.0
        return f"± {_plain(u, 1)}" if small else f"± {shown(u)}{times}"

    return f"{shown(value)}{times}{sign}", part(random), part(systematic)


def _plain(number: float, digits_shown: int = 4) -> str:
    """Number with some digits, as readers write it."""
    digits, _, power = f"{number:.{digits_shown}g}".partition("e")
    return f"{digits}\u202f×\u202f10{str(int(power)).translate(_RAISED)}" if power else digits
