"""Index properties recomputed from other people's masses, where the open data are at hand.

The folder is named by the environment variable ``COREPHYS_OPEN_DATA``; it is not part of the
project. The archive's headers are mapped here and nowhere else.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from corephys.ground import flags
from corephys.samples import index_properties as index

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("COREPHYS_OPEN_DATA", ROOT.parent / "shared" / "data"))
SAMPLES = FOLDER / "deep_sea_samples"
pytestmark = pytest.mark.skipif(
    not SAMPLES.is_dir(), reason="no open data: set COREPHYS_OPEN_DATA to their folder"
)
COLUMNS = {
    "Mass wet sample (g)": ("wet_mass", "g"),
    "Mass dried sample (g)": ("dry_mass", "g"),
    "Vol dried sample (cm³)": ("dry_volume", "cm^3"),
    "Bulk density (g/cm³)": ("bulk_density", "g/cm^3"),
    "Dry density (g/cm³)": ("dry_density", "g/cm^3"),
    "Grain density (g/cm³)": ("grain_density", "g/cm^3"),
    "Porosity (vol%)": ("porosity", "%"),
    "Void ratio": ("void_ratio", "1"),
}
REPORTED = ("bulk_density", "dry_density", "grain_density", "porosity", "void_ratio")


@pytest.fixture(scope="module")
def checked():
    """Recomputed properties of every site, held against the archive's own."""
    sites = {}
    for file in sorted(SAMPLES.glob("*.csv")):
        table = pd.read_csv(file)
        depth = ("reading", table["Depth CSF-A (m)"].to_numpy())
        columns = {
            name: xr.DataArray(
                table[header].to_numpy(float), dims="reading", coords={"depth": depth},
                attrs={"units": unit},
            )
            for header, (name, unit) in COLUMNS.items()
        }  # fmt: skip
        found = index.phase_relations(
            columns["wet_mass"], columns["dry_mass"], columns["dry_volume"],
            salinity="35 g/kg", pore_water_density="1.024 g/cm^3", salt_density="2.22 g/cm^3",
        )  # fmt: skip
        reported = {name: columns[name] for name in REPORTED}
        sites[file.stem] = index.consistency(found, **reported)
    assert len(sites) == 5
    return sites


def _all(sites, name):
    return np.concatenate([site[name].values for site in sites.values()])


def _inconsistent(sites):
    return (_all(sites, "porosity_reason") & flags.bit("inconsistent_masses")) != 0


def test_median_difference_is_the_rounding_of_the_archive(checked):
    limits = {"bulk_density": 3e-4, "dry_density": 3e-4, "grain_density": 3e-4,
              "porosity": 3e-4, "void_ratio": 4e-4}  # fmt: skip
    for name, limit in limits.items():
        assert np.median(np.abs(_all(checked, f"{name}_difference"))) < limit, name


def test_rows_are_either_rounding_or_blunders(checked):
    """What is not marked agrees to the last digit; what is marked is far off."""
    apart = _inconsistent(checked)
    bulk = np.abs(_all(checked, "bulk_density_difference"))
    assert bulk[~apart].max() < 0.0016
    assert np.median(bulk[apart]) > 0.1


def test_blunders_lie_in_one_site_and_none_is_lost(checked):
    """The derived values of many rows of one site do not follow from the masses beside them."""
    counts = {
        name: int(((site["porosity_reason"] & flags.bit("inconsistent_masses")) != 0).sum())
        for name, site in checked.items()
    }
    others = sum(site.sizes["reading"] for name, site in checked.items() if name != "U1334")
    assert counts["U1334"] > 100
    assert sum(n for name, n in counts.items() if name != "U1334") <= 0.02 * others
    assert _all(checked, "porosity").size == 2101


def test_outliers_are_few_where_the_rows_are_sound(checked):
    """The site with the blunders has by far the most outlying grain densities, too."""
    share = {
        name: float(
            ((site["grain_density_reason"] & flags.bit("grain_density_outlier")) != 0).mean()
        )
        for name, site in checked.items()
    }
    troubled = share.pop("U1334")
    assert max(share.values()) < 0.1
    assert min(share.values()) > 0.0
    assert troubled > 1.5 * max(share.values())
