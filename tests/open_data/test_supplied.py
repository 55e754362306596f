"""Open measurements as published tables: supplied porosities and conductivities, a temperature log.

The reference numbers are those of the data folder's own notes; see test_compaction.py and
test_heat_flow.py for their sources.
"""

from __future__ import annotations

import json

import pandas as pd
import pytest

import corephys as cp
from corephys.ground import flags, series

leaf = series.leaf
# The published fits are unweighted, and take the readings as independent. Porosities above the
# usual range of sediment are suspect here, and were part of those fits.
PUBLISHED = {
    "compaction": {"excess_scatter": False, "bootstrap": 0, "compare": False},
    "quality": {"use": "good, not_evaluated, suspect"},
}
PLACES = {
    "Depth CSF-A (m)": "depth [m]", "Porosity (vol%)": "porosity [%]",
    "Proceedings label": "sample_id",
}  # fmt: skip


def _number(frame, column):
    return pd.to_numeric(frame[column], errors="coerce")


def _deep_sea(folder, site):
    frame = pd.read_csv(folder / "deep_sea_samples" / f"{site}.csv")
    porosity = _number(frame, "Porosity (vol%)")
    keep = (porosity > 0) & (porosity < 100) & _number(frame, "Depth CSF-A (m)").notna()
    keep &= _number(frame, "Grain density (g/cm³)").between(2.0, 3.3)
    keep &= _number(frame, "Bulk density (g/cm³)").between(1.0, 3.3)
    return frame.loc[keep, list(PLACES)].astype(str)


def _reduced(tables, recipe, columns=None):
    hole = cp.hole_from_tables(tables, {"hole": {"name": "published"}}, columns=columns)
    return cp.reduce(hole, recipe)


def _compaction(folder, site):
    frame = _deep_sea(folder, site)
    tree = _reduced({"samples/reduced": frame}, PUBLISHED, {"samples/reduced": PLACES})
    return tree, leaf(tree, "products/compaction"), len(frame)


@pytest.mark.parametrize(
    ("site", "count", "top", "u_top", "length", "u_length"),
    [("U1438", 796, 0.7659, 0.0057, 1103.2, 16.6), ("U1337", 315, 0.9472, 0.0070, 873.2, 25.4)],
)
def test_published_porosities_give_the_published_fit(
    open_data, site, count, top, u_top, length, u_length
):
    _, fit, rows = _compaction(open_data, site)
    assert rows == fit.attrs["points_used"] == count
    # Half of the last printed digit.
    assert float(fit["surface_porosity"]) == pytest.approx(top, abs=6e-5)
    assert float(fit["surface_porosity_u_random"]) == pytest.approx(u_top, abs=6e-5)
    assert float(fit["decay_length"]) == pytest.approx(length, abs=0.06)
    assert float(fit["decay_length_u_random"]) == pytest.approx(u_length, abs=0.06)
    assert fit.attrs["verdict"] == "no rule is broken"


@pytest.mark.parametrize("site", ["U1334", "U1418", "U1431"])
def test_published_porosities_of_a_poor_site_are_called_poor(open_data, site):
    tree, fit, rows = _compaction(open_data, site)
    assert "predicts little" in fit.attrs["verdict"]
    assert rows == leaf(tree, "properties/index_properties").sizes["reading"]


@pytest.mark.parametrize("site", ["U1438", "U1337"])
def test_published_values_beside_their_masses(open_data, site):
    """The blunders of the archive, 1 to 2 % of its rows, are found and flagged, and no others."""
    frame = pd.read_csv(open_data / "deep_sea_samples" / f"{site}.csv")
    masses = {
        "Depth CSF-A (m)": "depth [m]", "Mass wet sample (g)": "wet_mass [g]",
        "Mass dried sample (g)": "dry_mass [g]", "Vol dried sample (cm³)": "dry_volume [cm^3]",
        "Bulk density (g/cm³)": "bulk_density [g/cm^3]", "Porosity (vol%)": "porosity [%]",
    }  # fmt: skip
    given = frame[list(masses)].apply(pd.to_numeric, errors="coerce").dropna()
    given["repeat"] = range(1, len(given) + 1)
    recipe = {
        "hole": {"pore_water_salinity": "35 g/kg"},
        "index_properties": {"pore_water_density": "1.024 g/cm^3", "salt_density": "2.22 g/cm^3"},
    }
    tree = _reduced(
        {"samples/index_properties": given}, recipe, {"samples/index_properties": masses}
    )
    found = leaf(tree, "properties/reported_values")
    assert found.sizes["reading"] == len(given)
    # The archive's rounding, in print for the complete archive: 0.00025 g/cm^3 and 0.025 %.
    assert float(abs(found["bulk_density_difference"]).median()) < 5e-4
    assert float(abs(found["porosity_difference"]).median()) < 5e-4
    apart = found["agrees"].values == 0
    assert apart.mean() < 0.03
    data = leaf(tree, "properties/index_properties")
    bit = flags.bit("inconsistent_masses")
    assert ((data["bulk_density_reason"].values & bit != 0) >= apart).all()
    assert f"{int(apart.sum())} of {len(given)} differ" in "".join(
        json.loads(tree.attrs["summary"])["notes"]
    )


def _borehole(folder, top=0.0, bottom=400.0):
    folder = folder / "borehole_heat_flow"
    log = pd.read_csv(folder / "temperature.csv")
    needles = pd.read_csv(folder / "thermal_conductivity.csv")
    log = log[log["depth_m"].between(top, bottom)]
    return {"downhole/temperature_log": log, "samples/reduced": needles}, {
        "downhole/temperature_log": {
            "depth_m": "depth [m]", "temperature_degC": "temperature [degC]",
            "temperature_sd": "u_temperature [K]",
        },
        "samples/reduced": {
            "depth_m": "depth [m]",
            "thermal_conductivity_W_mK": "thermal_conductivity [W/(m K)]",
            "thermal_conductivity_sd": "u_thermal_conductivity [W/(m K)]",
        },
    }  # fmt: skip


@pytest.mark.parametrize(
    ("top", "bottom", "low", "high"), [(0.0, 400.0, 63.0, 67.0), (140.0, 303.0, 67.0, 76.0)]
)
def test_a_borehole_as_published_gives_the_published_heat_flow(open_data, top, bottom, low, high):
    tables, columns = _borehole(open_data, top, bottom)
    tree = _reduced(tables, {}, columns)
    carriers = leaf(tree, "products/heat_flow_by_carrier")["heat_flow"].to_series()
    between = carriers[["linear", "steps"]]
    # The printed ends are whole numbers: half of the last digit.
    assert between.min() >= low - 0.5 and between.max() <= high + 0.5
    flow = leaf(tree, "products/heat_flow")
    assert float(flow["heat_flow"]) == pytest.approx(float(carriers["linear"]))
    assert float(flow["heat_flow_u_random"]) > 0.0
    assert "no correction to equilibrium" in flow.attrs["status"]
    assert not json.loads(tree.attrs["summary"])["failed"]
