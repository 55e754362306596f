"""The words under a figure, made from what it draws and from the provenance of what it shows."""

from __future__ import annotations

import json
import re

import numpy as np
import xarray as xr

from corephys.figures.drawn import Drawn, Plate
from corephys.figures.style import RESEARCH_ONLY, SEALED_SOURCE, label
from corephys.ground.provenance import used_constants

__all__ = ["describe"]

# A caption is read beside its figure: where the steps in full are longer, their sources stand for
# them, and the steps are told by corephys.explain.
_WORDS_OF_STEPS = 70
_CONSTANTS_AT_MOST = 10
_LETTERS_OF_A_CONSTANT = 48
_SOURCE = re.compile(r"\(([^()]*?\b1[6-9]\d\d[^()]*|[^()]*?\b20\d\d[^()]*)\)")


def describe(
    plate: Plate, what: str, *datasets: xr.Dataset | None, depth_scale: str | None = None,
    counted: bool = True,
) -> Plate:  # fmt: skip
    """Give a figure its caption: what it shows, n, errors, method, constants, depth scale.

    Parameters
    ----------
    plate : Plate
        The finished figure; its record is counted.
    what : str
        One sentence on what it shows.
    *datasets : Dataset or None
        Leaves of the reduced hole that are shown; their steps and constants are told.
    depth_scale : {"depth", "depth_fitted"}, optional
        Of the depths drawn, where there are any.
    counted : bool
        Whether its points are readings, to be counted; no for a figure of counts.

    Returns
    -------
    Plate
        The same figure, its attribute ``caption`` set.
    """
    shown = [one for one in datasets if one is not None]
    counts = _counts(plate) if counted else ""
    sentences = [what.strip(), counts, _errors(plate), _method(shown), _constants(shown)]
    if depth_scale is not None:
        sentences.append(f"Depth scale: {label(depth_scale)}.")
    cautions = [str(one.attrs["safety"]) for one in shown if "safety" in one.attrs]
    sentences += dict.fromkeys([*cautions, *_warned(plate)])
    plate.caption = " ".join(sentence for sentence in sentences if sentence)
    return plate


def _counts(plate: Plate) -> str:
    """How many points of each panel and series are drawn, how many pale, how many off the axis."""
    panels: dict[str, dict[str, list[int]]] = {}
    for record in plate.drawn:
        if record.kind != "points" or record.table.empty:
            continue
        panel, name = record.table["panel"].iloc[0], record.table["series"].iloc[0]
        flagged = str(name).endswith(", flagged")
        plain = str(name).removesuffix(", flagged")
        quantity = re.split(r" \[| against ", str(panel))[0]
        sums = panels.setdefault(quantity, {}).setdefault(plain, [0, 0, 0])
        sums[0] += len(record.table)
        sums[1] += len(record.table) * flagged
        sums[2] += _outside(record)
    words = []
    for quantity, series in panels.items():
        parts = [
            f"{name} {n}{_said(flagged, beside)}" for name, (n, flagged, beside) in series.items()
        ]
        words.append(f"{quantity}: {', '.join(parts)}")
    return f"n, {'; '.join(words)}." if words else ""


def _outside(record: Drawn) -> int:
    """Points that lie beside the axes."""
    beside = np.zeros(len(record.table), dtype=bool)
    for side, ends in (("x", record.axes.get_xlim()), ("y", record.axes.get_ylim())):
        at = record.table[side].to_numpy(dtype=float)
        beside |= (at < min(ends)) | (at > max(ends))
    return int(beside.sum())


def _said(flagged: int, beside: int) -> str:
    words = [f"{flagged} flagged, drawn pale"] if flagged else []
    words += [f"{beside} off the axis"] if beside else []
    return f" ({', '.join(words)})" if words else ""


def _errors(plate: Plate) -> str:
    """What bars and bands are, where some are drawn."""
    bars, bands = False, []
    for record in plate.drawn:
        edges = record.table[["x_lower", "y_lower"]].to_numpy(dtype=float)
        bars |= record.kind == "points" and bool(np.isfinite(edges).any())
        if record.kind == "band" and not record.table.empty:
            bands.append(str(record.table["series"].iloc[0]))
    words = ["Bars are one standard uncertainty each way (k = 1)."] if bars else []
    if bands:
        words.append(f"Bands: {'; '.join(dict.fromkeys(bands))}.")
    return " ".join(words)


def _method(shown: list[xr.Dataset]) -> str:
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
        return f"Method: {len(steps)} steps, told by corephys.explain."
    return f"Method after {', '.join(sources)}; every step is told by corephys.explain."


def _constants(shown: list[xr.Dataset]) -> str:
    held: dict[str, str] = {}
    for one in shown:
        for name, record in used_constants(one).items():
            value = record.shown()
            if len(value) > _LETTERS_OF_A_CONSTANT:
                continue
            if name in held and value not in held[name].split(" or "):
                value = f"{held[name]} or {value}"  # one name of two leaves, each with its own
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
    """Lines of caution that stand on the figure itself."""
    texts = [text.get_text() for text in plate.findobj(lambda artist: hasattr(artist, "get_text"))]
    drawn = [" ".join(text.split()) for text in texts]
    return [line for line in (RESEARCH_ONLY, SEALED_SOURCE) if line in drawn]
