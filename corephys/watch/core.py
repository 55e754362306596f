"""The newest core of a reduced hole beside the core above it: what is odd and what is missing."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from corephys.figures.style import COLOURS
from corephys.ground import flags, series, thresholds
from corephys.ground.registry import SENSORS
from corephys.ground.sensor import Sensor
from corephys.ground.vocabulary import TERMS

__all__ = [
    "Change",
    "Channel",
    "CoreSummary",
    "Middle",
    "Standard",
    "newest_core",
    "robust_median",
    "summarise_core",
]

# --------------------------------------------------------------------------------------------------
# Numbers of judgement.

_BOUNDARY = thresholds.value("watch_boundary")  # cm
_GAP = thresholds.value("watch_boundary_gap")  # m
_FAR = thresholds.value("watch_far")
_LEAST = thresholds.count("watch_readings")
_SCATTER_LENGTH = thresholds.value("natural_scatter_length")  # cm
_UNSCANNED = thresholds.value("watch_unscanned")  # cm
_SPACINGS = thresholds.value("watch_unscanned_spacings")
_STANDARD_AGE = thresholds.value("watch_standard_age")  # h
_NEIGHBOURS = thresholds.count("watch_neighbours")
# Reasons that a sound core has too: they come from the cut of the core and from its tables.
ROUTINE = (
    "section_end",
    "short_section",
    "catcher",
    "in_removed_interval",
    "excluded_by_user",
    "edge_corrected",
    "supplied",
    "exact_copy",
)


# --------------------------------------------------------------------------------------------------
# What a page shows.


@dataclass(frozen=True)
class Middle:
    """A median with its standard uncertainty.

    Parameters
    ----------
    value, u : float
        In the unit of the quantity; NaN where not known.
    n : int
        Number of readings.
    """

    value: float
    u: float
    n: int


@dataclass(frozen=True)
class Change:
    """Difference of two medians.

    Parameters
    ----------
    value, u : float
        Newest core less the core above, in the unit of the quantity; NaN where not known.
    stands_out : bool
        Whether the difference is larger than its uncertainty, and what is usual, explain.
    words : str
        What it is compared with, or why it is not judged.
    usual : float
        Standard deviation of the earlier changes from core to core; NaN where not known.
    judged : bool
        Whether it was compared with its uncertainty.
    """

    value: float
    u: float
    stands_out: bool
    words: str
    usual: float = float("nan")
    judged: bool = False


@dataclass(frozen=True)
class Channel:
    """One sensor on the newest core and on the core above.

    Parameters
    ----------
    sensor, quantity, words, unit, colour : str
        Name of the sensor, its quantity with long name and unit, and the colour of figures.
    logarithmic : bool
        Whether figures may draw it on a logarithmic axis.
    above, newest : Part
        Readings of the two cores.
    middle : Middle
        Median of the newest core.
    boundary, shift : Change
        At the boundary of the two cores, and of their medians.
    trend : tuple of (str, Middle)
        Name and median of the last cores down to the newest.
    reasons : tuple of (str, int)
        Reasons of the newest core with counts, what is no routine first.
    width : float
        Width [cm] of the first and last part of a core that give the boundary.
    """

    sensor: str
    quantity: str
    words: str
    unit: str
    colour: str
    logarithmic: bool
    above: Part
    newest: Part
    middle: Middle
    boundary: Change
    shift: Change
    trend: tuple[tuple[str, Middle], ...]
    reasons: tuple[tuple[str, int], ...]
    width: float = _BOUNDARY

    @property
    def doubtful(self) -> int:
        """Readings of the newest core that are suspect, bad or missing."""
        return int(np.isin(self.newest.flag, _DOUBTFUL).sum())

    @property
    def beyond_routine(self) -> int:
        """Those of them that have a reason beside those of a sound core."""
        doubtful = np.isin(self.newest.flag, _DOUBTFUL)
        return int((doubtful & ((self.newest.reason & ~_ROUTINE_BITS) != 0)).sum())


@dataclass(frozen=True)
class Part:
    """Readings of one sensor on one core.

    Parameters
    ----------
    offset : (n,) ndarray
        Distance from the top of the core, sections laid end to end [m].
    value, u : (n,) ndarray
        Values and their random standard uncertainties in the unit of the quantity.
    flag, reason : (n,) ndarray of int
        Flags and reasons.
    good : (n,) ndarray of bool
        Readings that products may use.
    section : (n,) ndarray of str
        Sections.
    """

    offset: np.ndarray
    value: np.ndarray
    u: np.ndarray
    flag: np.ndarray
    reason: np.ndarray
    good: np.ndarray
    section: np.ndarray


@dataclass(frozen=True)
class Standard:
    """The last checks of one standard against their control limits.

    Parameters
    ----------
    sensor, what, unit : str
        Sensor, what is checked, and its unit.
    value, centre, lower, upper : (n,) ndarray
        The last checks in order of time, and their limits.
    in_control : (n,) ndarray of bool
        Whether each of them is in control.
    status : str
        Status of the control chart.
    z : float
        Distance of the last check from the centre in standard deviations; NaN without limits.
    last : datetime64
        Time of the last check.
    """

    sensor: str
    what: str
    unit: str
    value: np.ndarray
    centre: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    in_control: np.ndarray
    status: str
    z: float
    last: np.datetime64

    @property
    def out_of_control(self) -> bool:
        """Whether the last check is out of control."""
        judged = self.status in ("in_control", "out_of_control")
        return judged and bool(self.in_control.size) and not bool(self.in_control[-1])


@dataclass(frozen=True)
class CoreSummary:
    """What a watch shows of the newest core.

    Parameters
    ----------
    hole, core, above : str
        Names; ``above`` is empty for the first core with readings.
    rule : str
        Why this core is the newest.
    facts : tuple of str
        Depth, coring method and recovery in words.
    on_deck : datetime64
        Time on deck, UTC; NaT where it is not given.
    sections, sections_above : tuple of (str, float, float)
        Name, start and length [m] of the sections of the two cores.
    boundary_words : str
        How far the two cores lie apart.
    channels : tuple of Channel
        Sensors with readings of either core, in the order of the registry.
    standards : tuple of Standard
        Control charts, in the order of the registry.
    missing, suspect, notes : tuple of str
        What is still missing; contradictions and failed stages; notes of the reduction.
    """

    hole: str
    core: str
    above: str
    rule: str
    facts: tuple[str, ...]
    on_deck: np.datetime64
    sections: tuple[tuple[str, float, float], ...] = ()
    sections_above: tuple[tuple[str, float, float], ...] = ()
    boundary_words: str = ""
    channels: tuple[Channel, ...] = ()
    standards: tuple[Standard, ...] = ()
    missing: tuple[str, ...] = ()
    suspect: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())


_DOUBTFUL = (flags.SUSPECT, flags.BAD, flags.MISSING)
_ROUTINE_BITS = np.int64(sum(flags.bit(name) for name in ROUTINE))
_NO_TIME = np.datetime64("NaT", "s")
_AHEAD_H = thresholds.value("watch_ahead")


# --------------------------------------------------------------------------------------------------
# Medians.


def robust_median(value: np.ndarray, offset: np.ndarray, u: np.ndarray) -> Middle:
    """Median of readings along a core with its standard uncertainty.

    Parameters
    ----------
    value, u : (n,) ndarray
        Usable readings and their random standard uncertainties, in one unit.
    offset : (n,) ndarray
        Where they lie along the core [m].

    Returns
    -------
    Middle
        NaN for no reading; its uncertainty is NaN for fewer than three.

    Notes
    -----
    u = 1.2533 s / sqrt(m): the standard error of a median of normal values, 1.2533 the root of
    pi/2. s is 1.4826 n / (n - 0.8) times the median absolute deviation (Croux and Rousseeuw 1992,
    from memory), and at least the median random uncertainty. Neighbouring readings repeat each
    other: m = 1 + length / 20 cm, at most n, with the length that the natural scatter of a scan
    repeats itself over.
    """
    n = int(value.size)
    if n == 0:
        return Middle(float("nan"), float("nan"), 0)
    middle = float(np.median(value))
    if n < _LEAST:
        return Middle(middle, float("nan"), n)
    scatter = 1.4826 * n / (n - 0.8) * float(np.median(np.abs(value - middle)))
    known = u[np.isfinite(u)]
    scatter = max(scatter, float(np.median(known)) if known.size else 0.0)
    independent = min(n, 1.0 + 100.0 * float(np.ptp(offset)) / _SCATTER_LENGTH)
    error = np.sqrt(np.pi / 2.0) * scatter / np.sqrt(independent)
    # Equal readings without an uncertainty give no error, which is not an error of zero.
    return Middle(middle, float(error) if error > 0.0 else float("nan"), n)


def _difference(lower: Middle, upper: Middle) -> tuple[float, float]:
    """Lower less upper with its standard uncertainty, NaN where either is unknown."""
    return lower.value - upper.value, float(np.hypot(lower.u, upper.u))


def _boundary(part_above: Part, part: Part, end: float, gap: float) -> Change:
    """First readings of the newest core against the last ones of the core above."""
    reach = _BOUNDARY / 100.0
    last = part_above.good & (part_above.offset >= end - reach)
    first = part.good & (part.offset <= reach)
    upper = robust_median(part_above.value[last], part_above.offset[last], part_above.u[last])
    lower = robust_median(part.value[first], part.offset[first], part.u[first])
    value, u = _difference(lower, upper)
    if not np.isfinite(value):
        lacks = "newest core" if lower.n == 0 else "core above"
        return Change(value, u, False, f"no usable reading at the boundary in the {lacks}")
    words = f"{upper.n} readings above, {lower.n} below"
    if gap > _GAP:
        return Change(value, u, False, f"{words}; not judged across a gap of {gap:.1f} m")
    if not np.isfinite(u):
        return Change(value, u, False, f"{words}; too few for an uncertainty")
    return Change(value, u, abs(value) > _FAR * u, words, judged=True)


def _shift(middles: Sequence[tuple[str, Middle]]) -> Change:
    """Median of the last core less that of the core above, beside the earlier changes."""
    nothing = float("nan")
    if middles[-1][1].n == 0:
        return Change(nothing, nothing, False, "no usable reading of the newest core")
    if len(middles) < 2:
        return Change(nothing, nothing, False, "no core above with usable readings")
    value, u = _difference(middles[-1][1], middles[-2][1])
    against = f"against core {middles[-2][0]}"
    changes = np.abs(np.diff([middle.value for _, middle in middles[:-1]]))
    if changes.size < _LEAST:
        return Change(value, u, False, f"{against}; too few cores above to know what is usual")
    usual = 1.4826 * float(np.median(changes))
    if not np.isfinite(u):
        return Change(value, u, False, f"{against}; uncertainty unknown", usual)
    far = abs(value) > _FAR * float(np.hypot(u, usual))
    return Change(value, u, far, against, usual, judged=True)


# --------------------------------------------------------------------------------------------------
# Which core is the newest.


def newest_core(
    cores: xr.Dataset, with_readings: Iterable[str], now: np.datetime64 = _NO_TIME
) -> tuple[str, str]:
    """The newest core of a hole and the rule that makes it so.

    Parameters
    ----------
    cores : Dataset, (row)
        Table of cores.
    with_readings : iterable of str
        Cores that have readings of the scan.
    now : datetime64
        Time of the computer, UTC; NaT where it is not known.

    Returns
    -------
    tuple of str and str
        Name of the core and the rule in words; two empty texts for a hole without cores.

    Notes
    -----
    The core with the last time on deck. A core without a time on deck is newer where it has
    readings and lies below that core. Without any time on deck: the deepest core with readings,
    and without readings the deepest core. Times on deck more than a day ahead of ``now``, such as
    one with a wrong year, do not count where other cores have one that is not.
    """
    names = cores["core"].values.astype(str)
    if names.size == 0:
        return "", ""
    top = cores["top"].values.astype(float)
    top = np.where(np.isnan(top), -np.inf, top)
    scanned = np.isin(names, list(with_readings))
    when = _times_on_deck(cores)
    timed = ~np.isnat(when)
    ahead = timed & (when - now > _AHEAD_H * np.timedelta64(3600, "s"))
    if ahead.any() and (timed & ~ahead).any():
        words = (
            f"; the time on deck of core {', '.join(names[ahead])} is ahead of this computer's "
            "clock and does not count"
        )
        when = np.where(ahead, _NO_TIME, when)
        found = _newest(names, top, scanned, when)
        return found[0], found[1] + words
    return _newest(names, top, scanned, when)


def _newest(
    names: np.ndarray, top: np.ndarray, scanned: np.ndarray, when: np.ndarray
) -> tuple[str, str]:
    """Name and rule of :func:`newest_core` by times on deck, NaT where they do not count."""
    timed = ~np.isnat(when)
    if not timed.any():
        which = scanned if scanned.any() else np.ones(names.size, dtype=bool)
        found = int(np.flatnonzero(which)[np.argmax(top[which])])
        what = "deepest core with readings" if scanned.any() else "deepest core"
        return str(names[found]), f"newest: the {what}; no core has a time on deck"
    latest = when == when[timed].max()
    found = int(np.flatnonzero(latest)[np.argmax(top[latest])])
    deeper = scanned & ~timed & (top > top[found])
    if deeper.any():
        found = int(np.flatnonzero(deeper)[np.argmax(top[deeper])])
        words = "newest: it has readings, no time on deck, and lies below the last timed core"
        return str(names[found]), words
    return str(names[found]), "newest: the last time on deck"


def _times_on_deck(cores: xr.Dataset) -> np.ndarray:
    """Time on deck of every core, NaT where it is not given."""
    if "time_on_deck" in cores and cores["time_on_deck"].dtype.kind == "M":
        return np.asarray(cores["time_on_deck"].values.astype("datetime64[s]"))
    return np.full(cores.sizes["row"], _NO_TIME)


# --------------------------------------------------------------------------------------------------
# The scan by core.


@dataclass(frozen=True)
class _Scan:
    """One sensor of the hole with its readings grouped by core."""

    sensor: Sensor
    dataset: xr.Dataset
    rows: dict[str, np.ndarray]

    def part(self, core: str, top: float, allow: tuple[str, ...]) -> Part:
        """Readings of one core; empty where it has none."""
        rows = self.rows.get(core, np.zeros(0, dtype=np.intp))
        name, held = self.sensor.quantity, self.dataset
        value = held[name].values[rows].astype(float)
        flag = held[f"{name}_flag"].values[rows]
        u = np.full(rows.size, np.nan)
        if f"{name}_u_random" in held:
            u = held[f"{name}_u_random"].values[rows].astype(float)
        return Part(
            held["depth"].values[rows].astype(float) - top,
            value,
            u,
            flag,
            held[f"{name}_reason"].values[rows].astype(np.int64),
            np.asarray(flags.usable(flag, allow)) & np.isfinite(value),
            held["section"].values[rows].astype(str),
        )


def _scans(tree: xr.DataTree) -> list[_Scan]:
    """Series of all sensors that are keyed by core, in the order of the registry."""
    found = []
    for sensor in SENSORS.records():
        leaf = series.leaf(tree, sensor.path)
        if leaf is None or sensor.quantity not in leaf or f"{sensor.quantity}_flag" not in leaf:
            continue
        if not {"core", "section", "depth"} <= set(leaf.coords):
            continue
        found.append(_Scan(sensor, leaf, _rows_by_core(leaf["core"].values)))
    return found


def _rows_by_core(cores: np.ndarray) -> dict[str, np.ndarray]:
    """Rows of each core; "" for readings given by depth is left out."""
    codes, names = pd.factorize(cores)
    order = np.argsort(codes, kind="stable")
    start = np.searchsorted(codes[order], np.arange(len(names) + 1))
    return {
        str(name): order[start[i] : start[i + 1]] for i, name in enumerate(names) if str(name) != ""
    }


def _channel(
    scan: _Scan, upward: Sequence[tuple[str, float]], end: float, gap: float, allow: tuple[str, ...]
) -> Channel:
    """One sensor on the newest core, the first of ``upward``, and the cores above with tops."""
    name, top = upward[0]
    quantity = scan.sensor.quantity
    newest = scan.part(name, top, allow)
    above = scan.part(*upward[1], allow) if len(upward) > 1 else scan.part("", 0.0, allow)
    trend = []
    for core, its_top in reversed(upward):
        if core != name and core not in scan.rows:
            continue
        part = newest if core == name else scan.part(core, its_top, allow)
        middle = robust_median(part.value[part.good], part.offset[part.good], part.u[part.good])
        trend.append((core, middle))
    shift = _shift([(core, middle) for core, middle in trend if middle.n or core == name])
    term = TERMS[quantity]
    counts = {
        reason: int(np.count_nonzero(newest.reason & flags.bit(reason))) for reason in flags.REASONS
    }
    ranked = sorted(counts.items(), key=lambda item: (item[0] in ROUTINE, -item[1]))
    return Channel(
        scan.sensor.name,
        quantity,
        term.long_name,
        str(scan.dataset[quantity].attrs.get("units", term.unit)),
        COLOURS.get(quantity, "black"),
        scan.sensor.track.logarithmic,
        above,
        newest,
        trend[-1][1],
        _boundary(above, newest, end, gap),
        shift,
        tuple(trend[-_NEIGHBOURS:]),
        tuple((reason, n) for reason, n in ranked if n),
    )


# --------------------------------------------------------------------------------------------------
# The summary.


def summarise_core(tree: xr.DataTree, now: np.datetime64) -> CoreSummary | None:
    """Summarise the newest core of a reduced hole.

    Parameters
    ----------
    tree : DataTree
        Reduced hole.
    now : datetime64
        Time of the summary, UTC.

    Returns
    -------
    CoreSummary or None
        None for a hole without a table of cores.
    """
    cores = series.leaf(tree, "cores")
    if cores is None or not cores.sizes.get("row", 0):
        return None
    scans = _scans(tree)
    scanned = {core for scan in scans for core in scan.rows}
    name, rule = newest_core(cores, scanned, now)
    names, tops = cores["core"].values.astype(str), cores["top"].values.astype(float)
    here = int(np.flatnonzero(names == name)[0])
    order = np.argsort(-tops, kind="stable")
    shallower = [i for i in order if tops[i] < tops[here] and names[i] in scanned]
    upward = [(name, float(tops[here]))] + [(str(names[i]), float(tops[i])) for i in shallower]
    above = upward[1][0] if len(upward) > 1 else ""
    sections = _sections(tree, name)
    sections_above = _sections(tree, above) if above else ()
    end = sum(length for _, _, length in sections_above)
    gap = tops[here] - (upward[1][1] + end) if above else float("nan")
    allow = flags.allowed(tree.attrs.get("recipe", ""))
    wanted = {name, above} - {""}
    channels = tuple(
        _channel(scan, upward, end, gap, allow) for scan in scans if wanted & set(scan.rows)
    )
    when = _times_on_deck(cores)[here]
    missing = [
        *_unscanned(tree, name, sections, scans, channels),
        *_late_tables(tree, [core for core, _ in upward]),
        *_old_standards(tree, name, now),
    ]
    if np.isnat(when):
        missing.insert(0, f"time on deck of core {name} in cores.csv")
    return CoreSummary(
        str(tree.attrs.get("title", tree.name or "")),
        name,
        above,
        rule,
        _facts(cores, here),
        when,
        sections,
        sections_above,
        _boundary_words(name, above, gap),
        channels,
        _standards(tree),
        tuple(missing),
        tuple(_suspect(tree, name)),
        tuple(json.loads(tree.attrs.get("summary", "{}")).get("notes", [])),
    )


def _facts(cores: xr.Dataset, row: int) -> tuple[str, ...]:
    """Depth, method and recovery of a core in words."""

    def number(column: str) -> float:
        return float(cores[column].values[row]) if column in cores else float("nan")

    top, advance, recovered = number("top"), number("advance"), number("recovered")
    words = [f"{top:.1f} to {top + advance:.1f} m" if np.isfinite(advance) else f"from {top:.1f} m"]
    if "coring_method" in cores and str(cores["coring_method"].values[row]):
        words.append(str(cores["coring_method"].values[row]).replace("_", " "))
    if np.isfinite(recovered) and np.isfinite(advance) and advance > 0.0:
        share = 100.0 * recovered / advance
        words.append(f"recovered {recovered:.2f} of {advance:.2f} m, {share:.0f} %")
    else:
        words.append("recovery not given")
    return tuple(words)


def _sections(tree: xr.DataTree, core: str) -> tuple[tuple[str, float, float], ...]:
    """Name, start and length [m] of the sections of a core, laid end to end."""
    table = series.leaf(tree, "sections")
    if table is None:
        return ()
    rows = np.flatnonzero(table["core"].values.astype(str) == core)
    lengths = table["length"].values[rows].astype(float)
    starts = np.cumsum(lengths) - lengths
    names = table["section"].values[rows].astype(str)
    return tuple(
        (str(name), float(start), float(length))
        for name, start, length in zip(names, starts, lengths, strict=True)
    )


def _boundary_words(name: str, above: str, gap: float) -> str:
    """How far the newest core lies below the end of the core above."""
    if not above:
        return f"core {name} is the first core with readings"
    if gap > 0.0:
        return f"{gap:.2f} m without core between core {above} and core {name}"
    if gap < 0.0:
        return f"core {above} as laid out reaches {-gap:.2f} m into core {name}"
    return f"core {name} begins where core {above} ends"


# --------------------------------------------------------------------------------------------------
# What is missing.


def _unscanned(
    tree: xr.DataTree,
    core: str,
    sections: Sequence[tuple[str, float, float]],
    scans: Sequence[_Scan],
    channels: Sequence[Channel],
) -> list[str]:
    """Sensors without readings of the core, and sections without or with half of a scan."""
    if not sections:
        return [f"sections of core {core} in sections.csv"]
    found = []
    drawn = {channel.sensor: channel for channel in channels}
    catchers = _catchers(tree, core)  # often not scanned at all
    removed = series.leaf(tree, "removed")
    for scan in scans:
        words = TERMS[scan.sensor.quantity].long_name
        channel = drawn.get(scan.sensor.name)
        if channel is None or not channel.newest.offset.size:
            found.append(f"{words}: no reading of core {core}")
            continue
        part = channel.newest
        spacing = _spacing(part)
        absent, open_ended = [], []
        for name, start, length in sections:
            within = part.offset[part.section == name] - start
            if not np.isfinite(within).any():
                absent += [name] if name not in catchers else []
                continue
            end = _end_of_core(removed, core, name, length)
            if end - float(np.nanmax(within)) > max(_UNSCANNED / 100.0, _SPACINGS * spacing):
                reach = 100.0 * float(np.nanmax(within))
                open_ended.append(f"{name} (to {reach:.0f} of {100.0 * end:.0f} cm)")
        if absent:
            found.append(f"{words}: no reading of section {', '.join(absent)}")
        if open_ended:
            found.append(f"{words}: section {', '.join(open_ended)} not scanned to its end")
    return found


def _catchers(tree: xr.DataTree, core: str) -> set[str]:
    """Sections of a core that are its catcher."""
    table = series.leaf(tree, "sections")
    if table is None or "kind" not in table:
        return set()
    here = (table["core"].values.astype(str) == core) & (table["kind"].values == "catcher")
    return set(table["section"].values[here].astype(str))


def _spacing(part: Part) -> float:
    """Usual distance of readings within a section [m]; 0 for a single reading."""
    steps = np.diff(np.sort(part.offset))
    steps = steps[steps > 0.0]
    return float(np.median(steps)) if steps.size else 0.0


def _end_of_core(removed: xr.Dataset | None, core: str, section: str, length: float) -> float:
    """Where the core of a section ends [m], without an interval that was removed at its end."""
    if removed is None or not {"core", "section", "from", "to"} <= set(removed.variables):
        return length
    here = (removed["core"].values.astype(str) == core) & (
        removed["section"].values.astype(str) == section
    )
    if "when" in removed:
        here &= removed["when"].values.astype(str) != "after_scan"
    ends = 100.0 * length
    for start, end in sorted(
        zip(removed["from"].values[here], removed["to"].values[here], strict=True), reverse=True
    ):
        if end >= ends - 0.1:  # cm
            ends = float(start)
    return ends / 100.0


# Tables of a core beside the scan, and what one calls them.
_TABLES = {
    "samples/index_properties": "samples for index properties",
    "samples/needle": "needle runs for thermal conductivity",
    "samples/velocity": "velocities of samples",
    "samples/strength": "strength tests",
    "samples/consolidation": "consolidation tests",
    "description": "description",
    "images": "pictures",
}


def _late_tables(tree: xr.DataTree, upward: Sequence[str]) -> list[str]:
    """Samples, description and pictures that most of the cores above have and this one lacks."""
    core, neighbours = upward[0], list(upward[1 : 1 + _NEIGHBOURS])
    found = []
    for path, words in _TABLES.items():
        leaf = series.leaf(tree, path)
        if leaf is None or "core" not in leaf.variables or not neighbours:
            continue
        held = set(pd.unique(leaf["core"].values).astype(str))
        having = sum(one in held for one in neighbours)
        if core not in held and 2 * having >= len(neighbours):
            found.append(f"{words}: {having} of the {len(neighbours)} cores above have some")
    return found


def _old_standards(tree: xr.DataTree, core: str, now: np.datetime64) -> list[str]:
    """Sensors of the core whose last standard is older than the readings by too much."""
    found = []
    for sensor in SENSORS.records():
        scan = series.leaf(tree, f"scan/{sensor.name}")
        if scan is None or "core" not in scan.variables:
            continue
        here = scan["core"].values == core
        if not here.any():
            continue
        words = TERMS[sensor.quantity].long_name
        table = series.leaf(tree, f"standards/{sensor.name}")
        times = _latest(table, None)
        if table is None or np.isnat(times):
            what = "no standard" if table is None else "no standard with a time"
            found.append(f"{words}: {what} in standards/{sensor.name}.csv")
            continue
        read = _latest(scan, here)
        beside = "the last reading" if not np.isnat(read) else "now"
        age = ((now if np.isnat(read) else read) - times) / np.timedelta64(3600, "s")
        if age > _STANDARD_AGE:
            long = f"{age:.0f} h" if age < 72.0 else f"{age / 24.0:.0f} days"
            found.append(f"{words}: the last standard is {long} older than {beside}")
    return found


def _latest(table: xr.Dataset | None, rows: np.ndarray | None) -> np.datetime64:
    """Last time of a table; NaT where it has none."""
    if table is None or "time" not in table or table["time"].dtype.kind != "M":
        return _NO_TIME
    times = table["time"].values if rows is None else table["time"].values[rows]
    times = times[~np.isnat(times)].astype("datetime64[s]")
    return times.max() if times.size else _NO_TIME


# --------------------------------------------------------------------------------------------------
# What is suspect.


def _suspect(tree: xr.DataTree, core: str) -> list[str]:
    """Failed stages, and contradictions between tables: of this core first."""
    summary: dict[str, Any] = json.loads(tree.attrs.get("summary", "{}"))
    found = [f"the stage {stage!r} failed: {why}" for stage, why in summary["failed"].items()]
    entries = json.loads(tree.attrs.get("findings", "[]"))
    found += [entry["sentence"] for entry in entries if entry["core"] == core]
    found += [entry["sentence"] for entry in entries if not entry["core"]]
    others = [entry for entry in entries if entry["core"] not in ("", core)]
    if others:
        cores = ", ".join(dict.fromkeys(entry["core"] for entry in others))
        found.append(
            f"{len(others)} contradictions between tables in other cores ({cores}): "
            "cp.quality.findings(tree) lists them"
        )
    return found


def _standards(tree: xr.DataTree) -> tuple[Standard, ...]:
    """The last checks of every control chart."""
    found = []
    for sensor in SENSORS.records():
        leaf = series.leaf(tree, f"properties/control_{sensor.name}")
        if leaf is None or not leaf.sizes.get("standard", 0):
            continue
        known = np.flatnonzero(np.isfinite(leaf["value"].values))[-_CHECKS_SHOWN:]
        if not known.size:
            continue

        def column(name: str, leaf: xr.Dataset = leaf, rows: np.ndarray = known) -> np.ndarray:
            return np.asarray(leaf[name].values[rows])

        sigma = float(column("sigma")[-1])
        z = float(column("value")[-1] - column("centre")[-1]) / sigma if sigma > 0 else np.nan
        times = column("time")
        found.append(
            Standard(
                sensor.name,
                str(leaf.attrs.get("checked", "value of the check standard")),
                str(leaf["value"].attrs.get("units", "1")),
                column("value"),
                column("centre"),
                column("lower"),
                column("upper"),
                column("in_control").astype(bool),
                str(leaf.attrs.get("status", "")),
                z,
                times[-1].astype("datetime64[s]") if times.dtype.kind == "M" else _NO_TIME,
            )
        )
    return tuple(found)


_CHECKS_SHOWN = 24  # checks of a small chart
