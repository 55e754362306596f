"""What the viewer shows of a reduced hole: series, positions, cores, layers and pictures."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import xarray as xr
from matplotlib.colors import to_hex

from corephys.figures.intervals import KINDS, looks, pictures_of, within
from corephys.figures.pictures import PictureError, PictureFiles
from corephys.figures.plate import marker_of
from corephys.figures.reading import (
    DEPTHS,
    NothingToDraw,
    Series,
    node,
    series,
    supplied_beside,
)
from corephys.figures.style import COLOURS, FLAGGED, label, unit_in_print
from corephys.figures.summaries import TRACKS
from corephys.figures.tracks import BESIDE, LINEAR_UP_TO, LITHOLOGY_TINTS, METHOD_GREY, span
from corephys.figures.viewer.packing import Packer, decimals, pack_errors, pack_values
from corephys.ground import flags
from corephys.ground.choices import choice
from corephys.ground.registry import SENSORS
from corephys.ground.vocabulary import TERMS
from corephys.hole.composite.folder import instead_of_site, is_site
from corephys.hole.placing.depth import section_tops
from corephys.hole.placing.described import stretches
from corephys.hole.placing.layout import encode

FORMAT = 1
# Leaves of samples that have no track of their own in the figures.
_SAMPLES = {"p_wave_velocity": ("properties/sample_velocity",)}
# Coordinates that tell samples of one place apart, printed beside a reading.
_BESIDE_A_READING = ("run", "sample_id", "axis", "wave", "method", "state", "direction", "station")
# Coordinates that mark a leaf as one of samples or of tools.
_OF_SAMPLES = ("sample_id", "axis", "method", "direction", "station")
_LEVELS = (1, 2, 3, 4, 9)
_LEVEL_WORDS = {1: "good", 2: "not evaluated", 3: "suspect", 4: "bad", 9: "missing"}
# Small copies of pictures: pixels across, and along the core of the longest one, the first choice
# with which all of them fit into the bytes.
_ACROSS, _ALONG, _BYTES = 56, (720, 480, 320, 200, 120), 400_000
_JPEG_QUALITY = 72


@dataclass
class _Source:
    """One series to be shown: its leaf, its values, and how it is drawn."""

    path: str
    words: str
    one: Series
    shape: str
    colour: str


@dataclass
class _Places:
    """Pairs of core and section, and arrays of positions that series share."""

    packer: Packer
    depth_scale: str
    codes: dict[tuple[str, str], int] = field(default_factory=dict)
    packed: list[dict[str, Any]] = field(default_factory=list)
    known: dict[bytes, tuple[int, np.ndarray]] = field(default_factory=dict)

    def code(self, core: str, section: str) -> int:
        """Number of a section."""
        return self.codes.setdefault((core, section), len(self.codes))

    def of(self, data: xr.Dataset) -> tuple[int, np.ndarray]:
        """Number of the positions of a leaf, and the order of its readings by depth."""
        depth = _depth(data, self.depth_scale)
        place, offset = np.full(depth.size, -1), np.full(depth.size, np.nan)
        if {"core", "section"} <= set(data.coords):
            codes, pairs = encode(data["core"].values, data["section"].values)
            # A table by depth has the columns empty.
            numbers = [self.code(str(c), str(s)) if c != "" else -1 for c, s in pairs]
            place = np.array(numbers, dtype=np.int64)[codes]
            if "offset" in data.coords:
                offset = data["offset"].values.astype(float)
        more = [name for name in _BESIDE_A_READING if name in data.coords]
        key = b"".join(part.tobytes() for part in (depth, place, offset))
        key += b"".join(str(data[n].values.tolist()).encode() for n in more if n != "run")
        if key not in self.known:
            drawn = np.flatnonzero(np.isfinite(depth))
            order = drawn[np.argsort(depth[drawn], kind="stable")]
            words = {n: w for n in more if (w := self._texts(data[n].values[order], n))}
            self.packed.append(
                {
                    "depth": pack_values(self.packer, depth[order], 4),
                    "place": self.packer.whole(place[order] + 1),
                    "offset": pack_values(self.packer, offset[order], 2),
                    "texts": words,
                }
            )
            self.known[key] = (len(self.packed) - 1, order)
        return self.known[key]

    def _texts(self, column: np.ndarray, name: str) -> dict[str, Any] | None:
        """Column of text as codes; None where every reading has the same number of a run."""
        found, codes = np.unique(
            column if column.dtype.kind in "iu" else column.astype(str), return_inverse=True
        )
        words = found.astype(str).tolist()
        if (len(words) == 1 and name == "run") or not "".join(words):
            return None
        return {"words": words, "codes": self.packer.whole(codes.reshape(-1))}


def head_of(
    tree: xr.DataTree,
    packer: Packer,
    depth_scale: str,
    pictures: bool | str | os.PathLike[str],
) -> dict[str, Any]:
    """Head of the package: everything but the arrays, which go to the packer."""
    if is_site(tree):
        raise NothingToDraw(f"the viewer needs one reduced hole; {instead_of_site(tree)}")
    depth_scale = choice(depth_scale, DEPTHS, "depth_scale")
    found = _found(tree, depth_scale)
    if not found:
        held = ", ".join(filter(None, (leaf.path.strip("/") for leaf in tree.leaves))) or "no data"
        raise NothingToDraw(
            f"the viewer needs a quantity against depth, which this hole does not have (it has "
            f"{held}); cp.overview(reduced) lists the stages that were skipped and why"
        )
    places = _Places(packer, depth_scale)
    sections = _sections(tree, depth_scale)
    for core, section, *_ in sections:
        places.code(core, section)
    allow = flags.allowed(str(tree.attrs.get("recipe", "")))
    tracks = [_track(tree, name, sources, places, packer, allow) for name, sources in found.items()]
    cores = _cores(tree, depth_scale, sections)
    leaves = [node(tree, one.path) for sources in found.values() for one in sources]
    safety = [str(leaf.attrs["safety"]) for leaf in leaves if leaf and "safety" in leaf.attrs]
    shown, lacking = _pictures(tree, packer, depth_scale, pictures)
    return {
        "format": FORMAT,
        "title": str(tree.attrs.get("title", "")),
        "depth": {"scale": depth_scale, "words": label(depth_scale)},
        "levels": {str(level): _LEVEL_WORDS[level] for level in _LEVELS},
        "used": [n for n in _LEVELS if bool(flags.usable(np.array([n]), allow)[0])],
        "grey": to_hex(FLAGGED),
        "tracks": tracks,
        "positions": places.packed,
        "places": [list(pair) for pair in places.codes],
        "sections": [[places.codes[(c, s)], *rest] for c, s, *rest in sections],
        "cores": cores,
        "layers": _layers(tree) if depth_scale == "depth" else [],
        "lithology": _lithology(tree, depth_scale),
        "pictures": shown,
        "pictures_lacking": lacking,
        "safety": list(dict.fromkeys(safety)),
        "extent": _extent(found, cores),
    }


# --------------------------------------------------------------------------------------------------
# Series and tracks.


def _found(tree: xr.DataTree, depth_scale: str) -> dict[str, list[_Source]]:
    """Series of each quantity: those of the figures first, then all others with flags."""
    found: dict[str, list[_Source]] = {}
    for name, (scan, samples) in TRACKS.items():
        paths = (scan, samples, *_SAMPLES.get(name, ()))
        ours = [_source(tree, path, name, depth_scale, bool(i)) for i, path in enumerate(paths)]
        beside = _beside(tree, name, depth_scale)
        kept = [one for one in ours if one is not None]
        if kept or beside:
            found[name] = _inked(name, kept) + beside
    scans = _sizes_of_scans(tree)
    for leaf in tree.leaves:
        path = leaf.path.strip("/")
        if not path.startswith("properties/") or "depth" not in leaf.coords:
            continue
        if path.startswith(("properties/supplied_", "properties/log_")):
            continue
        for name in map(str, leaf.data_vars):
            flagged = name in TERMS and f"{name}_flag" in leaf.data_vars
            # A second leaf of the same quantity holds steps or single runs of what stands in the
            # first.
            if not flagged or name in found or leaf[name].dims != ("reading",):
                continue
            samples = (
                bool(set(_OF_SAMPLES) & set(leaf.coords)) or leaf.sizes["reading"] not in scans
            )
            source = _source(tree, path, name, depth_scale, samples)
            if source is not None:
                found[name] = _inked(name, [source])
    return found


def _source(
    tree: xr.DataTree, path: str, name: str, depth_scale: str, samples: bool
) -> _Source | None:
    """One series of a leaf; None where the hole lacks it."""
    one = series(tree, path, name, depth_scale=depth_scale) if path else None
    if one is None or not np.isfinite(one.depth).any():
        return None
    data = node(tree, path)
    assert data is not None
    by_tool = samples and "core" not in data.coords
    words = "stations" if by_tool else "samples" if samples else "scan"
    if one.supplied:
        words = f"{words}, supplied"
    return _Source(path, words, one, marker_of(one.supplied, not samples), "")


def _inked(name: str, sources: list[_Source]) -> list[_Source]:
    """Series with their colours: the scan in that of the quantity, samples over it in black."""
    dots = any(one.words.startswith("scan") for one in sources)
    for one in sources:
        scan = one.words.startswith("scan")
        one.colour = to_hex("black" if dots and not scan else COLOURS.get(name, "black"))
    return sources


def _beside(tree: xr.DataTree, name: str, depth_scale: str) -> list[_Source]:
    """Supplied values that stand beside the measured ones and that products do not use."""
    paths = ("supplied_index_properties", f"supplied_samples_{name}", f"supplied_{name}")
    shown = supplied_beside(tree, name, depth_scale=depth_scale)
    held = [
        path
        for path in (f"properties/{path}" for path in paths)
        if series(tree, path, name, depth_scale=depth_scale) is not None
    ]
    return [
        _Source(path, "supplied, not used", one, marker_of(True, False), to_hex(BESIDE))
        for path, one in zip(held, shown, strict=True)
    ]


def _sizes_of_scans(tree: xr.DataTree) -> set[int]:
    """Numbers of readings of the scans: a leaf with one of them follows a scan."""
    leaves = (node(tree, sensor.path) for sensor in SENSORS.records())
    return {
        leaf.sizes["reading"] for leaf in leaves if leaf is not None and "reading" in leaf.sizes
    }


def _track(
    tree: xr.DataTree,
    name: str,
    sources: list[_Source],
    places: _Places,
    packer: Packer,
    allow: tuple[str, ...],
) -> dict[str, Any]:
    """One track: its words, its scale and its series."""
    main = [one for one in sources if one.words != "supplied, not used"] or sources
    unit = _unit(tree, main[0].path, name)
    low, high, logarithmic = _limits(name, [one.one for one in main])
    words = label(name, unit).partition(" [")[0]
    return {
        "name": name,
        "words": words,
        "unit": "" if unit == "1" else unit_in_print(unit),
        "low": low,
        "high": high,
        "log": logarithmic,
        "shown": name in TRACKS,
        "sensor": _table_of(tree, name, main[0].path),
        "series": [_packed(tree, one, name, places, packer, allow) for one in sources],
    }


def _unit(tree: xr.DataTree, path: str, name: str) -> str:
    """Unit of a quantity of a leaf."""
    data = node(tree, path)
    assert data is not None
    return str(data[name].attrs.get("units", TERMS[name].unit if name in TERMS else "1"))


def _limits(name: str, main: list[Series]) -> tuple[float, float, bool]:
    """Limits of the scale from usable readings, and whether it is logarithmic."""
    low, high = span(main)
    good = [one.values[flags.usable(one.flag) & np.isfinite(one.values)] for one in main]
    values = np.concatenate(good)
    if any(s.quantity == name and s.track.logarithmic for s in SENSORS.records()):
        least, most = (values.min(), values.max()) if values.size else (0.0, 0.0)
        # A logarithmic axis would hide usable readings that are not positive.
        if least > 0.0 and most > LINEAR_UP_TO * least:
            return 0.8 * float(least), 1.2 * float(most), True
    return low, high, False


def _table_of(tree: xr.DataTree, name: str, path: str) -> str:
    """Table of the scan that a quantity is computed from, as ``exclusions.csv`` names it."""
    for sensor in SENSORS.records():
        if sensor.path == path and node(tree, f"scan/{sensor.name}") is not None:
            return str(sensor.name)
    return ""


def _packed(
    tree: xr.DataTree,
    source: _Source,
    name: str,
    places: _Places,
    packer: Packer,
    allow: tuple[str, ...],
) -> dict[str, Any]:
    """One series with its positions, uncertainties, flags and reasons."""
    data = node(tree, source.path)
    assert data is not None
    number, order = places.of(data)
    values = data[name].values.astype(float)
    nothing = np.full(values.size, np.nan)
    errors = {
        part: data[f"{name}_{part}"].values.astype(float) if f"{name}_{part}" in data else nothing
        for part in ("u_random", "u_systematic")
    }
    flag = source.one.flag.astype(np.int64)
    reason = data[f"{name}_reason"].values if f"{name}_reason" in data else np.zeros(values.size)
    masks, codes = np.unique(reason[order].astype(np.int64), return_inverse=True)
    good = flags.usable(flag, allow) & np.isfinite(values)
    chosen = good if good.any() else np.isfinite(values)
    places_ = decimals(values[chosen], np.hypot(*errors.values())[chosen])
    return {
        "path": source.path,
        "words": source.words,
        "shape": source.shape,
        "colour": source.colour,
        "used": source.words != "supplied, not used",
        "positions": number,
        "without_depth": int(values.size - order.size),
        "value": pack_values(packer, values[order], places_),
        **{part: pack_errors(packer, error[order]) for part, error in errors.items()},
        "flag": packer.whole(flag[order]),
        "reason": packer.whole(codes.reshape(-1)),
        "reasons": [[w.replace("_", " ") for w in flags.names(int(mask))] for mask in masks],
    }


def _depth(data: xr.Dataset, depth_scale: str) -> np.ndarray:
    """Depths [m] of a leaf on a scale; as laid out where it has no other."""
    name = depth_scale if depth_scale in data.coords else "depth"
    return np.asarray(data[name].values, dtype=float)


# --------------------------------------------------------------------------------------------------
# Cores, sections, layers, lithology and pictures.


def _sections(tree: xr.DataTree, depth_scale: str) -> list[tuple[str, str, float, float, float]]:
    """Core, section, top and bottom [m], and length [cm] of each section."""
    sections, cores = node(tree, "sections"), node(tree, "cores")
    if sections is None or cores is None:
        return []
    tops = section_tops(sections=sections, cores=cores, removed=node(tree, "removed"))
    ending = "_fitted" if depth_scale == "depth_fitted" else ""
    top, bottom = (tops[f"{end}{ending}"].values.astype(float) for end in ("top", "bottom"))
    length = 100.0 * (tops["bottom"].values - tops["top"].values).astype(float)
    core, section = (tops[key].values.astype(str) for key in ("core", "section"))
    return [
        (str(core[i]), str(section[i]), *(round(float(x[i]), 4) for x in (top, bottom, length)))
        for i in np.flatnonzero(np.isfinite(top) & np.isfinite(bottom)).tolist()
    ]


def _cores(
    tree: xr.DataTree, depth_scale: str, sections: list[tuple[str, str, float, float, float]]
) -> list[dict[str, Any]]:
    """Name, method, depths [m] of the cored interval and of the lowest section of each core."""
    cores = node(tree, "cores")
    if cores is None:
        return []
    reach = dict.fromkeys(cores["core"].values.astype(str).tolist(), 0.0)
    for core, _, _, bottom, _ in sections:
        reach[core] = max(reach[core], bottom)
    top = cores["top"].values.astype(float)
    advance = cores["advance"].values.astype(float)
    names = cores["core"].values.astype(str)
    method = cores["coring_method"].values if "coring_method" in cores else ["other"] * top.size
    return [
        {
            "name": str(names[i]),
            "method": str(method[i]).replace("_", " "),
            "grey": to_hex(METHOD_GREY.get(str(method[i]), "0.88")),
            "top": round(float(top[i]), 4),
            "bottom": round(float(top[i] + advance[i]), 4),
            "reach": round(max(reach[str(names[i])], float(top[i])), 4),
        }
        for i in np.flatnonzero(np.isfinite(top) & np.isfinite(advance)).tolist()
    ]


def _layers(tree: xr.DataTree) -> list[dict[str, Any]]:
    """Name, lithology, depths [m] and tint of each layer."""
    layers = node(tree, "layers")
    if layers is None:
        return []
    top, bottom = (layers[end].values.astype(float) for end in ("top", "bottom"))
    kind = layers["lithology"].values if "lithology" in layers else [""] * top.size
    kinds = list(dict.fromkeys(map(str, kind)))
    return [
        {
            "name": str(layers["name"].values[i]),
            "lithology": str(kind[i]),
            "top": float(top[i]),
            "bottom": float(bottom[i]),
            "tint": LITHOLOGY_TINTS[kinds.index(str(kind[i])) % len(LITHOLOGY_TINTS)],
        }
        for i in np.flatnonzero(np.isfinite(top) & np.isfinite(bottom)).tolist()
    ]


def _lithology(tree: xr.DataTree, depth_scale: str) -> dict[str, Any]:
    """Described lithologies: their looks, and stretches as number of the look, top, bottom [m]."""
    description = node(tree, "description")
    if description is None or "lithology" not in description:
        return {"looks": [], "stretches": []}
    drawn = looks(description)
    number = {word: i for i, word in enumerate(drawn)}
    everywhere = (-np.inf, np.inf)
    found = within(stretches(description, "lithology"), depth_scale, everywhere)
    return {
        "looks": [[word, to_hex(grey), hatch[:1]] for word, (grey, hatch) in drawn.items()],
        "stretches": [
            [number[word], round(float(top), 4), round(float(bottom), 4)]
            for word, (top, bottom) in found
            if np.isfinite(top) and np.isfinite(bottom)
        ],
    }


def _pictures(
    tree: xr.DataTree,
    packer: Packer,
    depth_scale: str,
    wanted: bool | str | os.PathLike[str],
) -> tuple[list[dict[str, Any]], str]:
    """Small copies of the pictures with their depths [m], and why some are not shown."""
    images = node(tree, "images")
    if images is None or wanted is False:
        return [], ""
    rows = pictures_of(images, depth_scale, (-np.inf, np.inf))
    files = PictureFiles(tree, None if isinstance(wanted, bool) else wanted)
    lacking: dict[int, str] = {}
    small: dict[int, bytes] = {}
    longest = max((one.bottom - one.top for one in rows), default=1.0) or 1.0
    for along in _ALONG:
        small = {}
        for i, one in enumerate(rows):
            if i in lacking:
                continue
            down = max(8, round(along * (one.bottom - one.top) / longest))
            try:
                small[i] = _jpeg(files.read(str(one.file), one.top_at, down, _ACROSS), down)
            except PictureError as error:
                lacking[i] = str(error)
        if sum(map(len, small.values())) <= _BYTES:
            break
    else:
        # Even the smallest copies are too many: those at the top of the hole are kept.
        total = 0
        for i in sorted(small, key=lambda i: rows[i].top):
            total += len(small[i])
            if total > _BYTES:
                del small[i]
                lacking[i] = "the pictures of the hole are too many for one page"
    shown = [
        {
            "kind": one.kind if one.kind in KINDS else KINDS[0],
            "file": one.file,
            "top": round(one.top, 4),
            "bottom": round(one.bottom, 4),
            "bytes": packer.raw(small[i]) if i in small else None,
        }
        for i, one in enumerate(rows)
    ]
    whys = list(dict.fromkeys(lacking.values()))
    if not whys:
        return shown, ""
    more = f" (and {len(whys) - 1} more)" if len(whys) > 1 else ""
    return shown, f"{len(lacking)} of {len(rows)} pictures not shown: {whys[0]}{more}"


def _jpeg(pixels: np.ndarray, down: int) -> bytes:
    """A picture as JPEG of the given height [pixels] and the width of the strip."""
    from PIL import Image

    small = Image.fromarray(pixels).convert("RGB").resize((_ACROSS, down), Image.Resampling.BOX)
    stream = io.BytesIO()
    small.save(stream, "JPEG", quality=_JPEG_QUALITY)
    return stream.getvalue()


def _extent(found: dict[str, list[_Source]], cores: list[dict[str, Any]]) -> list[float]:
    """Least and greatest depth [m] of readings and cores."""
    depths = [one.one.depth for sources in found.values() for one in sources]
    low = [float(np.nanmin(depth)) for depth in depths] + [core["top"] for core in cores]
    high = [float(np.nanmax(depth)) for depth in depths] + [
        max(core["bottom"], core["reach"]) for core in cores
    ]
    return [min(low), max(high)]
