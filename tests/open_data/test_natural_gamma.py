"""Heat of other people's potassium, uranium and thorium, where the open data are at hand.

The folder is named by the environment variable ``COREPHYS_OPEN_DATA``; it is not part of the
project. The archive's headers are mapped here and nowhere else. It does not say whether its
concentrations are of the wet or of the dry mass, so that both are worked out.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from corephys.uncertainty import Measured

UNITS = {"potassium": "%", "uranium": "mg/kg", "thorium": "mg/kg", "bulk_density": "g/cm^3"}
COLUMNS = {
    "K [wt.%]": "potassium", "U [mg/kg]": "uranium", "Th [mg/kg]": "thorium",
    "GRA bulk density [g/cm^3]": "bulk_density", "Core": "core", "Section": "section",
    "Offset [cm]": "offset", "m CSF-A": "depth",
}  # fmt: skip
WATER, GRAIN = 1.024, 2.70  # g/cm^3


@pytest.fixture(scope="module")
def tables(open_data):
    folder = open_data / "natural_gamma_spectra"
    if not folder.is_dir():
        pytest.skip("no natural gamma spectra among the open measurements")
    found = {file.stem: pd.read_csv(file).rename(columns=COLUMNS) for file in folder.glob("*.csv")}
    assert len(found) == 2
    return found


def _columns(table):
    depth = ("reading", table["depth"].to_numpy(float))
    return {
        name: xr.DataArray(
            table[name].to_numpy(float), dims="reading", coords={"depth": depth},
            attrs={"units": unit},
        )
        for name, unit in UNITS.items()
    }  # fmt: skip


def _heat(table, basis):
    columns = _columns(table)
    density = columns.pop("bulk_density")
    if basis == "dry":
        density = ((density - WATER) / (1.0 - WATER / GRAIN)).assign_attrs(units="g/cm^3")
    found = cp.natural_gamma.heat_production(**columns, density=density, mass_basis=basis)
    return found["heat_production"].values, density.values, found


@pytest.mark.parametrize("basis", ["wet", "dry"])
def test_the_formula_is_reproduced_row_by_row(tables, basis):
    for table in tables.values():
        heat, density, _ = _heat(table, basis)
        by_hand = table.eval("0.00952 * uranium + 0.00256 * thorium + 0.00348 * potassium")
        np.testing.assert_allclose(heat, 10.0 * by_hand.to_numpy() * density, rtol=1e-10)


def test_heat_is_that_of_marine_sediment_and_the_basis_matters(tables):
    for hole, table in tables.items():
        wet, dry = (np.nanmedian(_heat(table, basis)[0]) for basis in ("wet", "dry"))
        assert 0.3 <= wet <= 2.5, (hole, wet)
        # the share of grains in the mass, between a mud of porosity 0.8 and one of 0.4
        assert 0.35 < dry / wet < 0.80, (hole, dry, wet)


def test_depths_follow_core_section_and_offset(tables):
    """Within a section the archive's depth moves by the offset, to its last digit."""
    for hole, table in tables.items():
        top = table["depth"] - table["offset"] / 100.0
        spread = top.groupby([table["core"], table["section"]]).agg(np.ptp)
        assert (spread < 0.011).mean() > 0.98, (hole, spread.max())


def test_rows_stay_and_what_cannot_be_is_flagged(tables):
    for table in tables.values():
        found = _heat(table, "wet")[2]
        assert found.sizes["reading"] == len(table)
        missing = table[list(UNITS)].isna().any(axis=1).to_numpy()
        np.testing.assert_array_equal(np.isnan(found["heat_production"].values), missing)
        flagged = found["heat_production_flag"].values
        assert (flagged[missing] == 9).all() and (flagged[~missing] != 9).all()


def test_a_density_that_cannot_be_marks_its_heat(tables):
    for hole, table in tables.items():
        columns = _columns(table)
        rho = columns.pop("bulk_density")
        density = series.build({"bulk_density": Measured(rho)})
        found = cp.natural_gamma.heat_production(**columns, density=density, mass_basis="wet")
        impossible = (table["bulk_density"] < 1.0) | (table["bulk_density"] > 3.5)
        flagged = (found["heat_production_reason"].values & flags.bit("impossible_value")) != 0
        np.testing.assert_array_equal(flagged, impossible.to_numpy(), hole)
