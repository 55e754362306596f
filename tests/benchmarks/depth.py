"""Time depth.place against a pandas merge on categories: python -m tests.benchmarks.depth [count].

Both start from the same text keys turned into categories, and end at the depth as laid out. The
merge is the plain way to do it; the ratio is what the look-up by whole-number codes is worth.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
import xarray as xr

import corephys as cp
from corephys.hole.placing import depth
from corephys.hole.placing.depth import match
from tests.benchmarks.row import Row


def hole(cores: int = 60, sections: int = 7) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Cores, sections and closed voids of a made-up hole."""
    names = [str(i + 1) for i in range(cores)]
    tops = np.arange(cores) * 9.5
    core_table = pd.DataFrame({"core": names, "top [m]": tops, "advance [m]": 9.5})
    rows = [(c, str(s + 1), 1.5) for c in names for s in range(sections)]
    section_table = pd.DataFrame(rows, columns=["core", "section", "length [m]"])
    voids = [(c, "2", 40.0, 50.0, "closed_void") for c in names[::3]]
    return (
        core_table,
        section_table,
        pd.DataFrame(voids, columns=["core", "section", "from [cm]", "to [cm]", "kind"]),
    )


def merge(readings: pd.DataFrame, cores: pd.DataFrame, sections: pd.DataFrame) -> np.ndarray:
    """The baseline: join each reading with its section and its core."""
    above = sections.groupby("core", observed=True)["length [m]"].cumsum() - sections["length [m]"]
    tops = sections.assign(above=above).merge(cores, on="core")
    for key in ("core", "section"):
        if isinstance(readings[key].dtype, pd.CategoricalDtype):
            tops[key] = pd.Categorical(tops[key], categories=readings[key].cat.categories)
    joined = readings.merge(tops, on=["core", "section"], how="left")
    return (joined["top [m]"] + joined["above"] + joined["offset"] / 100.0).to_numpy()


def best(work: Callable[[], object], repeats: int = 5) -> float:
    """Shortest of several runs [s]."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main(count: int = 1_000_000) -> list[Row]:
    """Print times and ratios; return them for the table."""
    cores, sections, removed = hole()
    rng = np.random.default_rng(1)
    per_section = -(-count // len(sections))
    row = np.repeat(np.arange(len(sections)), per_section)[:count]
    text = {k: sections[k].to_numpy(dtype=object)[row] for k in ("core", "section")}
    readings = pd.DataFrame({k: pd.Categorical(v) for k, v in text.items()})
    readings["offset"] = rng.uniform(0, 150, count)
    offset = cp.quantity(readings["offset"].to_numpy(), "cm")
    tables = {"sections": sections, "cores": cores}
    keys = [readings[k].array for k in ("core", "section")]

    placed = depth.place(*keys, offset, **tables)
    if not np.allclose(placed.depth.values, merge(readings, cores, sections)):
        raise SystemExit("the two ways disagree")
    base = best(lambda: merge(readings, cores, sections))
    plain = readings.assign(**text)
    text_base = best(lambda: merge(plain, cores, sections), 3)
    layout = depth.layout_of(sections, cores, removed)
    code = layout.encode(*keys)
    at = readings["offset"].to_numpy()
    runs = {
        "look-up of encoded readings, both depths": lambda: layout.place(code, at),
        "place, categories": lambda: depth.place(*keys, offset, **tables),
        "place, text": lambda: depth.place(*text.values(), offset, **tables),
        "place, text, closed voids": lambda: depth.place(
            *text.values(), offset, **tables, removed=removed
        ),
    }
    print(f"{count} readings; pandas merge on categories: {base * 1e3:.0f} ms")
    print(f"pandas merge on text: {text_base * 1e3:.0f} ms")
    rows = []
    for name, work in runs.items():
        took, against = best(work), text_base if "text" in name else base
        print(f"{name}: {took * 1e3:.0f} ms, {against / took:.1f} times as fast as the merge")
        rows.append(Row(f"depth: {name}", f"{count:,} readings", took, against))
    wanted = placed.isel(reading=slice(None, None, 100))
    a = placed.assign(bulk_density=("reading", at, {"units": "g/cm^3"}))[["bulk_density"]]
    a = a.assign_coords(depth=placed.depth)
    to = xr.Dataset(coords={"depth": wanted.depth, "core": wanted.core})
    for how in ("nearest", "mean_over_footprint"):
        took = best(lambda how=how: match(a, to=to, how=how), 3)
        print(f"match, {how}, onto {to.sizes['reading']} positions: {took * 1e3:.0f} ms")
        rows.append(Row(f"depth: match, {how}", f"{count:,} readings", took))
    return rows


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
