"""Composite depth: ties between holes, shifts of cores, scales and sequences."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

import corephys as cp
from tests.metamorphic.arguments import Draw
from tests.metamorphic.case import case
from tests.metamorphic.cases.depth import errors

NOT_MEASURED = {
    "composite.empty": "gives a table of ties without a row",
    "composite.hole_names": "gives names of holes",
    "composite.hole_of": "takes a hole out of a site",
    "composite.ties_of": "takes the table of ties out of a site",
    "composite.read_site": "reads folders, whose tables state their units",
    "composite.read_ties": "reads a file, whose headers state their units",
    "composite.write_ties": "writes a table of ties as it is",
}

TIE = ("line", "row")


def tables(draw: Draw) -> dict[str, Any]:
    """Cores and sections of two holes; the sections fill the advance."""
    found: dict[str, Any] = {}
    for hole in ("A", "B"):
        lengths = draw.numbers(1.2, 1.5, 3)
        gaps = draw.numbers(0.0, 0.4, 3)
        top = np.cumsum(lengths + gaps) - lengths
        core = np.array(["1", "2", "3"], dtype=object)
        found[hole] = {
            "cores": draw.table("core_row", core=core, top=("m", top), advance=("m", lengths)),
            "sections": draw.table(
                "section_row", core=core, section=np.array(["1"] * 3, dtype=object),
                length=("m", lengths),
            ),
        }  # fmt: skip
    return found


def cores_of(site: dict[str, Any]) -> dict[str, xr.Dataset]:
    """Cores by hole."""
    return {hole: held["cores"] for hole, held in site.items()}


def tops_of(site: dict[str, Any]) -> dict[str, xr.Dataset]:
    """Tops and bottoms of the sections by hole."""
    return {hole: cp.depth.section_tops(**held) for hole, held in site.items()}


# Hole and number of both cores of a tie, down the site from hole to hole.
PAIRS = (("A", 1, "B", 1), ("B", 1, "A", 2), ("A", 2, "B", 2), ("B", 2, "A", 3), ("A", 3, "B", 3))


def tied(draw: Draw, site: dict[str, Any], count: int) -> xr.Dataset:
    """Ties that connect all cores, as a table whose lengths bear a unit."""
    pairs = [PAIRS[i % len(PAIRS)] for i in range(count)]
    columns: dict[str, Any] = {"tie": np.array([f"t{i}" for i in range(count)], dtype=object)}
    for side, first in (("", 0), ("to_", 2)):
        holes, number = [p[first] for p in pairs], np.array([p[first + 1] for p in pairs])
        top, length = (
            np.array(
                [site[h]["cores"][name].values[n - 1] for h, n in zip(holes, number, strict=True)]
            )
            for name in ("top", "advance")
        )
        columns[f"{side}hole"] = np.array(holes, dtype=object)
        columns[f"{side}core"] = number.astype(str).astype(object)
        # A second tie of a pair never agrees with the first to the last digit.
        again = 0.05 * (np.arange(count) // len(PAIRS)) if side else 0.0
        columns[f"{side}depth"] = ("m", top + length * draw.numbers(0.3, 0.7, count) + again)
    return draw.table("line", **columns, uncertainty=("m", draw.numbers(0.01, 0.3, count)))


def framed(table: xr.Dataset) -> pd.DataFrame:
    """A table as users have it in a DataFrame: the unit stands in the header."""
    return pd.DataFrame(
        {
            f"{name} [{held.attrs['units']}]" if "units" in held.attrs else name: held.values
            for name, held in table.data_vars.items()
        }
    )


def shifted(draw: Draw) -> tuple[dict[str, Any], xr.Dataset]:
    """A site, and the shifts of its cores."""
    site = tables(draw)
    ties = framed(tied(draw, site, 5))
    return site, cp.composite.shifts(ties, cores_of(site), reference="A")


def readings(draw: Draw, site: dict[str, Any], hole: str) -> xr.Dataset:
    """A property along the cores of a hole."""
    held = site[hole]
    core = draw.words("1", "2", "3")
    at = cp.depth.place(
        core,
        np.array(["1"] * draw.size, dtype=object),
        cp.quantity(draw.numbers(1.0, 119.0), "cm"),
        **held,
    )
    data = draw.dataset(bulk_density=(1.2, 2.4))
    return data.assign_coords(
        {name: at[name].variable for name in ("core", "section", "offset", "depth")}
    )


# Ties --------------------------------------------------------------------------------------------


def _checked(ties: xr.Dataset, cores: Any) -> Any:
    return cp.composite.checked_ties(framed(ties), cores)


@case("composite.checked_ties", examples=2, dims=TIE, rows="set", call=_checked)
def _(draw: Draw) -> dict[str, Any]:
    site = tables(draw)
    return {"ties": tied(draw, site, draw.size), "cores": cores_of(site)}


def _changed(ties: xr.Dataset, **choices: Any) -> Any:
    return cp.composite.change(framed(ties), **choices)


@case("composite.change", examples=2, rows="none", call=_changed)
def _(draw: Draw) -> dict[str, Any]:
    return {
        "ties": tied(draw, tables(draw), draw.size),
        "tie": "t1",
        "state": draw.choice("accepted", "edited", "withdrawn"),
        "depth": draw.choice(None, draw.scalar("m", 1.0, 9.0)),
        "to_depth": draw.choice(None, draw.scalar("m", 1.0, 9.0)),
        "uncertainty": draw.choice(None, draw.scalar("m", 0.01, 0.3)),
    }


def _on(ties: xr.Dataset, cores: Any, sections: Any, depth: str) -> Any:
    checked = cp.composite.checked_ties(framed(ties), cores)
    return cp.composite.ties_on(checked, sections, depth=depth)


@case("composite.ties_on", examples=2, dims=TIE, rows="each", size=(4, 6), call=_on)
def _(draw: Draw) -> dict[str, Any]:
    site = tables(draw)
    return {
        "ties": tied(draw, site, draw.size), "cores": cores_of(site), "sections": tops_of(site),
        "depth": draw.choice("depth_closed", "depth_fitted"),
    }  # fmt: skip


@case("composite.suggest", examples=2, rows="set", size=(60, 60), rtol=1e-6)
def _(draw: Draw) -> dict[str, Any]:
    step = 0.05
    signal = np.cumsum(draw.numbers(-0.05, 0.05, 15)).repeat(4) + draw.numbers(0.0, 0.01)
    # No reading lies half way between two steps, where rounding decides.
    depth = 10.0 + step * (np.arange(draw.size) + 0.1)
    moved = step * draw.integer(0, 8)
    properties, cores = {}, {}
    for hole, down in (("A", 0.0), ("B", moved)):
        data = draw.dataset((), flagged=False, bulk_density=1.8 + signal)
        data = data.assign_coords(
            core=("reading", np.array(["1"] * draw.size, dtype=object)),
            depth=("reading", depth + down, {"units": "m"}),
        )
        properties[hole] = {"bulk_density": data}
        cores[hole] = draw.table(
            "core_row", core=np.array(["1"], dtype=object), top=("m", [10.0 + down])
        )
    return {
        "properties": properties, "cores": cores,
        "spacing": draw.choice("5.0 cm", cp.quantity(0.05, "m")),
        "largest_shift": draw.scalar("m", 0.5, 0.8),
        "least_correlation": 0.1, "largest_chance": 0.9,
    }  # fmt: skip


# Shifts ------------------------------------------------------------------------------------------


def _shifts(ties: xr.Dataset, cores: Any, **choices: Any) -> Any:
    return cp.composite.shifts(framed(ties), cores, **choices)


@case(
    "composite.shifts",
    examples=2,
    dims=("line", "tie"),
    rows="set",
    call=_shifts,
    size=(6, 8),
    rtol=1e-7,
)
def _(draw: Draw) -> dict[str, Any]:
    site = tables(draw)
    given: dict[str, Any] = {
        "ties": tied(draw, site, draw.size), "cores": cores_of(site), "reference": "A",
    }  # fmt: skip
    if draw.choice(True, False):
        given["depth_uncertainty"] = {
            hole: cp.depth.uncertainty(
                readings(draw, site, hole).rename(reading="placed"), **held, **errors(draw)
            )
            for hole, held in site.items()
        }
    return given


@case("composite.place", examples=2, rows="each")
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    data = readings(draw, site, "B")
    given: dict[str, Any] = {"data": data, "hole": "B", "shifts": shifts}
    if draw.choice(True, False):
        given["depth_uncertainty"] = cp.depth.uncertainty(data, **site["B"], **errors(draw))
    return given


@case("composite.growth_factor", examples=2, rows="none")
def _(draw: Draw) -> dict[str, Any]:
    return {"shifts": shifted(draw)[1], "hole": draw.choice(None, "B")}


@case("composite.scales", examples=2, rows="none")
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    return {
        "sections": tops_of(site)["B"], "shifts": shifts, "hole": "B",
        "growth_factor": float(draw.numbers(1.0, 1.15, 1)[0]),
    }  # fmt: skip


@case("composite.convert", examples=2, rows="each", dims=("reading",))
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    core = draw.words("1", "2", "3")
    top = dict(zip("123", site["B"]["cores"]["top"].values, strict=True))
    depth = np.array([top[name] for name in core]) + draw.numbers(0.1, 1.1)
    return {
        "depth": xr.DataArray(depth, dims="reading", attrs={"units": "m"}),
        "core": core,
        "table": cp.composite.scales(tops_of(site)["B"], shifts, hole="B"),
        "given": "depth", "wanted": draw.choice(*SCALES),
    }  # fmt: skip


SCALES = ("depth_closed", "depth_fitted", "depth_composite", "depth_composite_over_growth")


# Sequence ----------------------------------------------------------------------------------------


@case("composite.suggest_sequence", examples=2, rows="none")
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    return {
        "sections": tops_of(site), "shifts": shifts, "margin": draw.scalar("m", 0.05, 0.3),
        "only_tied": draw.choice(True, False),
    }  # fmt: skip


def intervals(site: dict[str, Any], shifts: xr.Dataset) -> xr.Dataset:
    """A sequence down the site, as a table whose lengths bear a unit."""
    table = cp.composite.suggest_sequence(tops_of(site), shifts, margin="0.1 m", only_tied=False)
    lengths = {name: ("interval", table[name].to_numpy(float), {"units": "m"}) for name in ENDS}
    words = {name: ("interval", table[name].to_numpy(object)) for name in ("hole", "core")}
    return xr.Dataset({**words, **lengths})


ENDS = ("top", "bottom")


def _sequence(sequence: xr.Dataset, shifts: xr.Dataset) -> Any:
    return cp.composite.checked_sequence(framed(sequence), shifts)


@case("composite.checked_sequence", examples=2, rows="none", call=_sequence)
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    return {"sequence": intervals(site, shifts), "shifts": shifts}


@case(
    "composite.take",
    examples=2,
    rows="set",
    size=(5, 9),
    without={"permuted": "the readings come back in the order of composite depth"},
)
def _(draw: Draw) -> dict[str, Any]:
    site, shifts = shifted(draw)
    sequence = cp.composite.checked_sequence(framed(intervals(site, shifts)), shifts)
    holes = {hole: readings(draw, site, hole) for hole in site}
    return {"sequence": sequence, "holes": holes, "shifts": shifts}  # fmt: skip
