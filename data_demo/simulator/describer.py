"""What a describer of the invented core writes and photographs, and names of its samples.

Everything here has random streams of its own: no reading of the hole depends on it.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

# Streams of the description, the names of samples and the pictures, beyond those of the sensors.
DESCRIPTION, NAMES, PICTURES = 401, 402, 403
PREFIX = "CB"
LETTERS = np.array(list("ABCDEFGHJKLMNPQRSTUVWXYZ23456789"))
SAMPLE_TABLES = ("index_properties", "velocity", "strength", "consolidation", "needle")
COLOURS = ("olive grey", "dark greenish grey", "light brownish grey", "pale olive", "grey",
           "greenish grey")  # fmt: skip
# Thin beds: colour, share of the beds, and range of the thickness [cm].
BEDS = {
    "volcanic ash": ("black", 0.45, (1.0, 9.0)),
    "fine sand": ("dark grey", 0.35, (3.0, 30.0)),
    "diatom ooze": ("pale yellow", 0.20, (8.0, 45.0)),
}
BEDS_A_SECTION = 0.5
SHIFTS = ("first shift", "second shift")
# Tints of the pictures, red, green and blue.
TINTS = {
    "olive grey": (118, 116, 98), "dark greenish grey": (86, 98, 90),
    "light brownish grey": (152, 140, 126), "pale olive": (150, 152, 120), "grey": (128, 128, 126),
    "greenish grey": (122, 134, 122), "black": (38, 36, 36), "dark grey": (82, 82, 84),
    "pale yellow": (196, 184, 134),
}  # fmt: skip
PIXELS_PER_CM, ACROSS = 3, 48


def name_samples(seed, tables):
    """Give every piece of core a name; tests of one piece share it."""
    rng = np.random.default_rng([int(seed), NAMES])
    places = {}
    for name in SAMPLE_TABLES:
        table = tables[f"samples/{name}"]
        offset = table["offset [cm]"].to_numpy(dtype=float)
        if "to [cm]" in table:
            offset = 0.5 * (offset + table["to [cm]"].to_numpy(dtype=float))
        places[name] = list(zip(table["core"], table["section"], offset.round(1), strict=True))
    pieces = list(dict.fromkeys(place for rows in places.values() for place in rows))
    names, taken = {}, set()
    for piece in sorted(pieces, key=lambda p: (int(p[0]), p[1], p[2])):
        code = ""
        while not code or code in taken:
            code = "".join(rng.choice(LETTERS, 5))
        taken.add(code)
        names[piece] = f"{PREFIX}-{code}"
    for name, rows in places.items():
        tables[f"samples/{name}"]["sample_id"] = [names[row] for row in rows]


def describe(seed, tables):
    """The table of the description: lithology by layer with thin beds, and disturbance."""
    rng = np.random.default_rng([int(seed), DESCRIPTION])
    layers, sections, cores = tables["layers"], tables["sections"], tables["cores"]
    top_of = dict(zip(cores["core"], cores["top [m]"], strict=True))
    method_of = dict(zip(cores["core"], cores["coring_method"], strict=True))
    rows = []
    for core, mine in sections.groupby("core", sort=False):
        above = 0.0
        flows_in = method_of[core] == "piston" and rng.random() < 0.15
        for place, section in enumerate(mine.itertuples(index=False)):
            length = round(float(section[2]) * 100.0, 1)
            if section.kind != "catcher":
                depth = top_of[core] + above
                lithology = _lithologies(rng, layers, depth, length)
                last = place == int((mine["kind"] != "catcher").sum()) - 1
                degree = _disturbance(rng, method_of[core], place, last and flows_in, length)
                gone = _gone(tables["removed"], core, section.section)
                who = SHIFTS[int(core) % 2]
                rows += _rows(rng, core, section.section, lithology, degree, gone, who)
            above += float(section[2])
    return pd.DataFrame(rows)


def _lithologies(rng, layers, depth, length):
    """Edges [cm], words and colours of one section, from its layers and a few thin beds."""
    spans = []
    for number, layer in enumerate(layers.itertuples(index=False)):
        start = max(0.0, (layer[1] - depth) * 100.0)
        end = min(length, (layer[2] - depth) * 100.0)
        if end > start:
            colour = COLOURS[number % len(COLOURS)]
            spans.append((round(start, 1), round(end, 1), layer[3], colour))
    if not spans:
        spans = [(0.0, length, layers["lithology"].iloc[-1], COLOURS[-1])]
    # Core above the first layer or below the last is described like it.
    spans[0], spans[-1] = (0.0, *spans[0][1:]), (spans[-1][0], length, *spans[-1][2:])
    if len(spans) == 1:
        spans = [(0.0, length, *spans[0][2:])]
    for _ in range(rng.poisson(BEDS_A_SECTION) if length > 50.0 else 0):
        word = str(rng.choice(list(BEDS), p=[share for _, share, _ in BEDS.values()]))
        colour, _, (thin, thick) = BEDS[word]
        size = round(float(rng.uniform(thin, min(thick, 0.3 * length))), 1)
        start = round(float(rng.uniform(0.0, length - size)), 1)
        spans = _laid_over(spans, (start, round(start + size, 1), word, colour))
    return spans


def _laid_over(spans, new):
    """Spans with a new one in the place of what it covers."""
    kept = []
    for start, end, *words in spans:
        for first, last in ((start, min(end, new[0])), (max(start, new[1]), end)):
            if last - first > 0.05:
                kept.append((first, last, *words))
    return sorted([*kept, new])


def _disturbance(rng, method, place, flows_in, length):
    """Edges [cm] and degrees of one section."""
    if method == "piston":
        wet = round(float(rng.uniform(5.0, 40.0)), 1) if place == 0 else 0.0
        degree = "severe" if rng.random() < 0.3 else "moderate"
        spans = [(0.0, wet, degree), (wet, length, "none" if rng.random() < 0.7 else "slight")]
        if flows_in:
            start = round(0.5 * length, 1)
            spans = [(a, min(b, start), w) for a, b, w in spans if a < start]
            spans.append((start, length, "flow_in"))
        return [span for span in spans if span[1] > span[0]]
    return [(0.0, length, "moderate" if rng.random() < 0.35 else "slight")]


def _gone(removed, core, section):
    """Intervals of a section where there was nothing to describe [cm]."""
    here = (removed["core"] == core) & (removed["section"] == section)
    here &= removed["kind"] != "whole_round"
    return list(zip(removed["from [cm]"][here], removed["to [cm]"][here], strict=True))


def _rows(rng, core, section, lithology, degree, gone, who):
    """Rows of one section: a new one wherever a word changes or the core has a gap."""
    edges = {edge for span in (*lithology, *degree, *gone) for edge in span[:2]}
    rows = []
    for start, end in pairwise(sorted(edges)):
        middle = 0.5 * (start + end)
        if any(a <= middle <= b for a, b in gone):
            continue
        word, colour = next((w, c) for a, b, w, c in lithology if a <= middle <= b)
        disturbed = next(w for a, b, w in degree if a <= middle <= b)
        note = ""
        if word in BEDS:
            note = str(rng.choice(["sharp base", "graded", "burrowed top", ""]))
        place = {"core": core, "section": section, "from [cm]": start, "to [cm]": end}
        words = {"lithology": word, "disturbance": disturbed, "colour": colour, "note": note}
        rows.append({**place, **words, "who": who})
    return rows


def write_pictures(folder, seed, tables):
    """Draw pictures of a piston and a rotary core, and write them with their table.

    Photographs of all sections of two cores, radiographs of two sections, and one section scanned
    along a line, which lies on its side with its top to the left.
    """
    from PIL import Image

    rng = np.random.default_rng([int(seed), PICTURES])
    for old in (Path(folder) / "images").glob("*.png"):
        old.unlink()  # another hole may have had more sections
    cores, sections = tables["cores"], tables["sections"]
    first = [cores["core"][cores["coring_method"] == m].iloc[0] for m in ("piston", "rotary")]
    rows = []
    for core in first:
        mine = sections[(sections["core"] == core) & (sections["kind"] != "catcher")]
        for place, section in enumerate(mine.itertuples(index=False)):
            length = round(float(section[2]) * 100.0, 1)
            here = _pixels(rng, tables["description"], core, section.section, length)
            kinds = {"photograph": here}
            if place < 2 and core == first[0]:
                kinds["radiograph"] = _radiograph(here)
            if place == 2 and core == first[0]:
                kinds["scan"] = np.rot90(here)  # the top of the core to the left
            for kind, pixels in kinds.items():
                file = f"images/{kind}_{core}_{section.section}.png"
                path = Path(folder) / file
                path.parent.mkdir(parents=True, exist_ok=True)
                picture = Image.fromarray(pixels)
                if pixels.ndim == 3:  # sixteen colours are enough, and a small file
                    picture = picture.quantize(16, dither=Image.Dither.NONE)
                picture.save(path, optimize=True)
                place_of = {"file": file, "core": core, "section": section.section}
                span = {"from [cm]": 0.0, "to [cm]": length, "kind": kind}
                rows.append({**place_of, **span, "top_at": "left" if kind == "scan" else ""})
    table = pd.DataFrame(rows)
    table.to_csv(Path(folder) / "images.csv", index=False, lineterminator="\n")


def _pixels(rng, description, core, section, length):
    """A drawn photograph of one section, the top first: tints of the beds, speckle and cracks."""
    down = max(2, round(length * PIXELS_PER_CM))
    at = (np.arange(down) + 0.5) / PIXELS_PER_CM
    pixels = np.full((down, ACROSS, 3), 246.0)  # voids show the white of the tray
    here = (description["core"] == core) & (description["section"] == section)
    for row in description[here].itertuples(index=False):
        inside = (at >= row[2]) & (at < row[3])
        bent = 3.0 if row.disturbance in ("moderate", "severe") else 0.6
        shade = bent * np.sin(np.linspace(0.0, np.pi, ACROSS))[None, :]
        coarse = rng.normal(0.0, 5.0, (down // 2 + 1, ACROSS // 2))
        speckle = np.repeat(np.repeat(coarse, 2, axis=0), 2, axis=1)
        tint = np.array(TINTS[row.colour], dtype=float)
        pixels[inside] = tint + (shade + speckle[:down])[inside][:, :, None]
    for crack in rng.uniform(0.0, length, rng.poisson(2.0)):
        pixels[np.abs(at - crack) < 0.25] = 30.0
    return np.clip(np.round(pixels), 0, 255).astype(np.uint8)


def _radiograph(pixels):
    """A radiograph of the same section: heavy beds dark, in shades of grey."""
    grey = pixels.astype(float).mean(axis=2)
    edge = 40.0 * np.abs(np.linspace(-1.0, 1.0, pixels.shape[1]))[None, :] ** 3
    return np.clip(np.round((0.8 * grey + edge) / 16.0) * 16.0, 0, 255).astype(np.uint8)
