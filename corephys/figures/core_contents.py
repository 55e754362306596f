"""What a core holds: readings of scan and samples, sections, its numbers, and what was left out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from corephys.figures.reading import Series, node, series
from corephys.figures.style import label
from corephys.ground import flags
from corephys.ground.cards import digits
from corephys.ground.registry import SENSORS
from corephys.hole.placing.depth import section_tops
from corephys.hole.placing.layout import PositionError

# --------------------------------------------------------------------------------------------------
# What a core has: series of scan and samples, sections, and the rows of its tables.


# Leaf of the samples of a quantity of the scan, and quantities of samples with their leaves.
_OF_SAMPLES = {
    "bulk_density": "properties/index_properties",
    "p_wave_velocity": "properties/sample_velocity",
}
_FURTHER = {
    "porosity": ("products/porosity", "properties/index_properties"),
    "thermal_conductivity": ("", "properties/thermal_conductivity"),
}


@dataclass(frozen=True)
class Held:
    """Readings of one quantity in a core.

    Parameters
    ----------
    name : str
        Quantity.
    scan, samples : Series or None
        Readings of the scan and of samples; None without any row.
    reasons : (n,) ndarray of int
        Reasons of the readings of the scan, or of the samples where there is no scan.
    axis : (n,) ndarray of str
        Axis of each sample; empty where the samples have none.
    """

    name: str
    scan: Series | None
    samples: Series | None
    reasons: np.ndarray
    axis: np.ndarray

    @property
    def present(self) -> list[Series]:
        """Series with at least one number, the scan first."""
        both = [one for one in (self.scan, self.samples) if one is not None]
        return [one for one in both if np.isfinite(one.values).any()]


def leaves_of_quantities() -> dict[str, tuple[str, str]]:
    """Leaves of scan and samples of every quantity, the sensors of the registry first."""
    found = {
        sensor.quantity: (sensor.path, _OF_SAMPLES.get(sensor.quantity, ""))
        for sensor in SENSORS.records()
    }
    return {**found, **{name: paths for name, paths in _FURTHER.items() if name not in found}}


def held_of(tree: xr.DataTree, name: str, paths: tuple[str, str]) -> Held | None:
    """Readings of a quantity; None without any row."""
    scan, samples = (_rows(tree, path, name) if path else None for path in paths)
    if scan is None and samples is None:
        return None
    leaf = node(tree, paths[0] if scan is not None else paths[1])
    assert leaf is not None
    first = scan if scan is not None else samples
    assert first is not None
    reasons = (
        leaf[f"{name}_reason"].values
        if f"{name}_reason" in leaf
        else np.zeros(first.values.size, dtype=np.int64)
    )
    axis = np.zeros(0, dtype=str)
    if samples is not None:
        sent = node(tree, paths[1])
        if sent is not None and "axis" in sent.variables:
            axis = sent["axis"].values.astype(str)
    return Held(name, scan, samples, reasons, axis)


def _rows(tree: xr.DataTree, path: str, name: str) -> Series | None:
    """Series of a leaf, also where no value is a number: its readings are counted."""
    found = series(tree, path, name)
    leaf = node(tree, path)
    if found is not None or leaf is None or name not in leaf or "depth" not in leaf.coords:
        return found
    values = leaf[name].values.astype(float)
    flag = (
        leaf[f"{name}_flag"].values
        if f"{name}_flag" in leaf
        else np.full(values.size, flags.MISSING)
    )
    unit = str(leaf[name].attrs.get("units", "1"))
    unknown = np.full(values.size, np.nan)
    return Series(name, label(name, unit), values, leaf["depth"].values, unknown, flag)


@dataclass(frozen=True)
class Section:
    """A section of the core: its name, and depths of its ends as laid out [m]."""

    name: str
    top: float
    bottom: float


def sections_of(tree: xr.DataTree, core: str) -> list[Section]:
    """Sections of a core downward; none in a hole without the tables."""
    sections, cores, removed = (node(tree, name) for name in ("sections", "cores", "removed"))
    if sections is None or cores is None:
        return []
    try:
        ends = section_tops(sections=sections, cores=cores, removed=removed)
    except PositionError:  # a hole from tables may have sections without a core
        return []
    found = [
        Section(str(name), float(top), float(bottom))
        for one, name, top, bottom in zip(
            ends["core"].values.astype(str),
            ends["section"].values,
            ends["top"].values,
            ends["bottom"].values,
            strict=True,
        )
        if one == core and np.isfinite([top, bottom]).all() and bottom > top
    ]
    return sorted(found, key=lambda section: section.top)


# --------------------------------------------------------------------------------------------------
# Numbers of the core, and what was left out.


_MIDDLE = (16.0, 84.0)  # percentiles of the scatter, one standard deviation of a normal law


def facts(tree: xr.DataTree, core: str, sections: list[Section]) -> str:
    """Top, advance, recovery, sections and time on deck of the core, in one sentence."""
    table = node(tree, "cores")
    words = [f"Core {core}"]
    if table is not None and (table["core"].values.astype(str) == core).any():
        row = table.isel({table["core"].dims[0]: int(np.argmax(table["core"].values == core))})
        top, advance, recovered = (
            float(row[name]) if name in row else np.nan for name in ("top", "advance", "recovered")
        )
        if "coring_method" in row and str(row["coring_method"].item()):
            words[0] += f" ({str(row['coring_method'].item()).replace('_', ' ')})"
        words.append(f"top {top:.2f} m")
        if "top_uncertainty" in row and np.isfinite(float(row["top_uncertainty"])):
            words[-1] += f" ± {float(row['top_uncertainty']):.2g} m"
        words.append(f"advance {advance:.2f} m")
        share = f" ({100.0 * recovered / advance:.0f} %)" if advance > 0 else ""
        words.append(
            f"recovered {recovered:.2f} m{share}"
            if np.isfinite(recovered)
            else "recovered length not given"
        )
    if sections:
        many = "s" if len(sections) > 1 else ""
        length = sum(section.bottom - section.top for section in sections)
        words.append(f"{len(sections)} section{many} of {length:.2f} m")
    if table is not None and (table["core"].values.astype(str) == core).any():
        time = row["time_on_deck"].values if "time_on_deck" in row else np.datetime64("NaT")
        known = not np.isnat(time)
        words.append(
            f"on deck {str(time.astype('datetime64[m]')).replace('T', ' ')} UTC"
            if known
            else "time on deck not given"
        )
    return ", ".join(words)


def numbers(held: list[Held]) -> list[tuple[str, ...]]:
    """Rows of the table of numbers: quantity, median, scatter, kept, flagged, missing."""
    rows = []
    for one in held:
        for words, found in (("scan", one.scan), ("samples", one.samples)):
            if found is None:
                continue
            known = np.isfinite(found.values)
            kept = known & flags.usable(found.flag)
            middle, scatter = "–", "–"
            if kept.any():
                values = found.values[kept]
                low, high = np.percentile(values, _MIDDLE)
                # Percentiles of one or two readings are no scatter.
                half = float(high - low) / 2 if values.size > 2 else float("nan")
                middle, scatter = digits(float(np.median(values)), half)
            counts = (kept.sum(), (known & ~kept).sum(), (~known).sum())
            name = f"{found.label}, {words}{', supplied' * found.supplied}"
            rows.append((name, middle, scatter or "–", *(f"{int(n)}" for n in counts)))
    return rows


def left_out(
    tree: xr.DataTree,
    core: str,
    held: list[Held],
    beyond: list[Held],
    wanted: Sequence[str] | dict[str, tuple[str, str]],
) -> list[str]:
    """What was left out of this core and why, one statement a line."""
    lines = [_counted(one) for one in held]
    lines = [line for line in lines if line]
    sensors = [s.quantity for s in SENSORS.records() if s.quantity in wanted]
    none = [label(n).partition(" [")[0] for n in sensors if not any(n == h.name for h in held)]
    if none:
        lines.append(f"No readings in this core: {', '.join(none)}.")
    lines += [f"Not drawn for lack of room: {one.present[0].label}." for one in beyond]
    lines += _excluded(tree) + _taken_out(tree)
    for entry in json.loads(tree.attrs.get("findings", "[]")):
        if str(entry.get("core", "")) == core:
            lines.append(f"Finding: {entry['sentence']}")
    return lines


def _counted(one: Held) -> str:
    """Number of readings of a quantity that are not kept, by reason."""
    first = one.scan if one.scan is not None else one.samples
    assert first is not None
    lost = ~(np.isfinite(first.values) & flags.usable(first.flag))
    if not lost.any():
        return ""
    counts: dict[str, int] = {}
    for mask, times in zip(*np.unique(one.reasons[lost], return_counts=True), strict=True):
        for reason in flags.names(int(mask)):
            if flags.REASONS[reason] > flags.NOT_EVALUATED:
                counts[reason] = counts.get(reason, 0) + int(times)
        if int(mask) == 0:
            counts["no reason given"] = counts.get("no reason given", 0) + int(times)
    ranked = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    words = ", ".join(f"{reason.replace('_', ' ')} {n}" for reason, n in ranked)
    name = first.label.partition(" [")[0]
    name = name[:1].upper() + name[1:]
    return f"{name}, {int(lost.sum())} of {lost.size} not kept: {words}."


def _excluded(tree: xr.DataTree) -> list[str]:
    """The user's exclusions in words."""
    table = node(tree, "exclusions")
    if table is None:
        return []
    lines = []
    for row in range(table["core"].size):
        held = {
            name: str(table[name].values[row]) if name in table.variables else ""
            for name in ("section", "reason", "sensor", "who")
        }
        start, end = (float(table[name].values[row]) for name in ("from", "to"))
        of = f" for {held['sensor'].replace('_', ' ')}" if held["sensor"] else ""
        who = f" ({held['who']})" if held["who"] else ""
        lines.append(
            f"Excluded{of}: section {held['section']}, {start:g} to {end:g} cm, "
            f"{held['reason'] or 'no reason given'}{who}."
        )
    return lines


def _taken_out(tree: xr.DataTree) -> list[str]:
    """Removed intervals in words."""
    table = node(tree, "removed")
    if table is None:
        return []
    lines = []
    for row in range(table["core"].size):
        section, kind, when = (
            str(table[name].values[row]).replace("_", " ") if name in table.variables else ""
            for name in ("section", "kind", "when")
        )
        start, end = (float(table[name].values[row]) for name in ("from", "to"))
        lines.append(
            f"Removed: section {section}, {start:g} to {end:g} cm, {kind}"
            f"{', ' + when.replace('scan', 'the scan') if when else ''}."
        )
    return lines


def not_drawn(lacking: dict[str, str]) -> list[str]:
    """Pictures that cannot be drawn, with the reason."""
    return [f"Picture not drawn: {why}." for why in dict.fromkeys(lacking.values())]
