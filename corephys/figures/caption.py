"""The caption of a figure, made from its record and from the provenance of the data."""

from __future__ import annotations

import json
import re
from itertools import chain

import numpy as np
import xarray as xr

from corephys.figures import look
from corephys.figures.plate import Drawn, Plate
from corephys.figures.style import RESEARCH_ONLY, SEALED_SOURCE, usual_label
from corephys.ground.provenance import used_constants

# A caption stands beside its figure and has to be short. Longer lists of steps are replaced by
# their sources; corephys.explain lists the steps.
_WORDS_OF_STEPS = 70
_CONSTANTS_AT_MOST = 10
_LETTERS_OF_A_CONSTANT = 48
_SOURCE = re.compile(r"\(([^()]*?\b1[6-9]\d\d[^()]*|[^()]*?\b20\d\d[^()]*)\)")


def describe(
    plate: Plate,
    what: str,
    *datasets: xr.Dataset | None,
    depth_scale: str | None = None,
    counted: bool = True,
) -> Plate:
    """Give a finished figure its caption: what it shows, n, errors, method, constants, depth scale.

    ``datasets`` are the leaves of the hole that are drawn: their steps and constants are listed.
    ``counted`` is False for a figure of counts, whose points are not readings.
    """
    shown = [one for one in datasets if one is not None]
    plate.finish()
    counts = _counts(plate) if counted else ""
    part = plate.part.sentence if plate.part is not None else ""
    sentences = [
        what.strip(),
        *plate.unwritten,
        part,
        counts,
        _errors(plate),
        _method(shown),
        _constants(shown),
    ]
    if depth_scale is not None:
        sentences.append(f"Depth scale: {usual_label(depth_scale)}.")
    cautions = [str(one.attrs["safety"]) for one in shown if "safety" in one.attrs]
    sentences += dict.fromkeys([*cautions, *_warned(plate)])
    plate.caption = " ".join(sentence for sentence in sentences if sentence)
    return plate


def _counts(plate: Plate) -> str:
    """Number of points of each panel and series: drawn, flagged, and outside the axes."""
    panels: dict[str, dict[str, list[int]]] = {}
    for record in plate.drawn:
        if record.kind != "points" or not record.size:
            continue
        panel, name = str(record.columns["panel"]), str(record.columns["series"])
        flagged = name.endswith(", flagged")
        unflagged = name.removesuffix(", flagged")
        quantity = re.split(r" \[| against ", panel)[0]
        sums = panels.setdefault(quantity, {}).setdefault(unflagged, [0, 0, 0, 0])
        sums[0] += record.size
        sums[1] += record.size * flagged
        sums[2] += _outside(record)
    for (panel, name), lost in plate.hidden.items():
        quantity = re.split(r" \[| against ", panel)[0]
        panels.setdefault(quantity, {}).setdefault(name, [0, 0, 0, 0])[3] += lost
    words = []
    for quantity, series in panels.items():
        parts = [f"{name} {n}{_exceptions(*further)}" for name, (n, *further) in series.items()]
        words.append(f"{quantity}: {', '.join(parts)}")
    return f"n, {'; '.join(words)}." if words else ""


def _outside(record: Drawn) -> int:
    """Number of points outside the limits of the axes."""
    beside = np.zeros(record.size, dtype=bool)
    for side, ends in (("x", record.axes.get_xlim()), ("y", record.axes.get_ylim())):
        at = np.asarray(record.columns[side], dtype=float)
        beside |= (at < min(ends)) | (at > max(ends))
    return int(beside.sum())


def _exceptions(flagged: int, beside: int, hidden: int) -> str:
    """Words on the points that are flagged, outside the axes or hidden."""
    looks = "open" if look.option("flagged") == "edge" else "grey"
    words = [f"{flagged} flagged, drawn {looks}"] if flagged else []
    words += [f"{hidden} flagged, not drawn"] if hidden else []
    words += [f"{beside} off the axis"] if beside else []
    return f" ({', '.join(words)})" if words else ""


def _errors(plate: Plate) -> str:
    """Meaning of bars and bands, where some are drawn."""
    bars, bands = False, []
    for record in plate.drawn:
        if record.kind == "points":
            edges = (record.columns[name] for name in ("x_lower", "y_lower"))
            bars |= any(np.isfinite(np.asarray(edge, dtype=float)).any() for edge in edges)
        if record.kind == "band" and record.size:
            bands.append(str(record.columns["series"]))
    words = ["Bars are one standard uncertainty each way (k = 1)."] if bars else []
    if bands:
        words.append(f"Bands: {'; '.join(dict.fromkeys(bands))}.")
    return " ".join(words)


def _method(shown: list[xr.Dataset]) -> str:
    """Steps of the results, or their sources where the steps are many."""
    steps: list[str] = []
    for one in shown:
        steps += [step for step in json.loads(one.attrs.get("steps", "[]")) if step not in steps]
    if not steps:
        return ""
    text = "; ".join(steps)
    if len(text.split()) <= _WORDS_OF_STEPS:
        return f"Method: {text}."
    sources: list[str] = []
    for step in steps:
        for found in _SOURCE.findall(step):
            named = [part.strip() for part in found.split(";") if re.search("[A-Za-z]", part)]
            sources += [part for part in named if part not in sources]
    if not sources:
        return f"Method: {len(steps)} steps, listed by corephys.explain."
    return f"Method after {', '.join(sources)}; corephys.explain lists every step."


def _constants(shown: list[xr.Dataset]) -> str:
    """Constants of the results with their values, the first ten."""
    held: dict[str, str] = {}
    for one in shown:
        for name, record in used_constants(one).items():
            value = record.shown()
            if len(value) > _LETTERS_OF_A_CONSTANT:
                continue
            if name in held and value not in held[name].split(" or "):
                value = f"{held[name]} or {value}"  # two leaves used different values
            held[name] = value
    if not held:
        return ""
    words = [
        f"{re.sub(r'[_.]', ' ', name)} {value}"
        for name, value in list(held.items())[:_CONSTANTS_AT_MOST]
    ]
    more = len(held) - len(words)
    return f"With {', '.join(words)}{f' and {more} more' if more else ''}."


def _warned(plate: Plate) -> list[str]:
    """Lines of caution that are written on the figure."""
    # To look through every artist would make all ticks before they are needed.
    texts = chain(plate.texts, *(axes.texts for axes in plate.axes))
    drawn = [" ".join(text.get_text().split()) for text in texts]
    return [line for line in (RESEARCH_ONLY, SEALED_SOURCE) if line in drawn]
