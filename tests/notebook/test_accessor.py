"""The accessor ``ds.corephys`` returns the results of the functions and needs no import."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys import figures
from tests.reduced_tree import reduced_tree


@pytest.fixture(scope="module")
def density() -> xr.Dataset:
    return reduced_tree()["properties/density"].to_dataset()


def test_methods_give_what_the_functions_give(density: xr.Dataset) -> None:
    xr.testing.assert_identical(
        density.corephys.total("bulk_density"), cp.uncertainty.total(density, "bulk_density")
    )
    assert density.corephys.total("bulk_density").attrs["units"] == "g/cm^3"
    by_source = density.corephys.budget("bulk_density")
    assert by_source.equals(cp.uncertainty.budget(density, "bulk_density"))
    assert set(density.corephys.budget("bulk_density", by="group")) >= {"group", "share"}
    assert density.corephys.explain() == cp.explain(density)


def test_usable_is_a_mask_at_the_positions_of_the_quantity(density: xr.Dataset) -> None:
    marked = density.copy(deep=True)
    marked["bulk_density"][0] = np.nan
    marked["bulk_density_flag"][:] = 1
    marked["bulk_density_flag"][1:3] = [3, 4]
    mask = marked.corephys.usable("bulk_density")
    assert mask.dtype == bool
    assert mask.attrs == {}
    assert mask.values[:4].tolist() == [False, False, False, True]
    assert mask["depth"].equals(marked["depth"])
    assert mask["depth"].attrs["units"] == "m"
    kept = marked.corephys.usable("bulk_density", allow=("good", "suspect"))
    assert kept.values[:4].tolist() == [False, True, False, True]
    # Without flags, numbers alone decide.
    assert marked[["bulk_density"]].corephys.usable("bulk_density").values[1:3].all()


def test_a_plot_is_a_figure_of_the_package_in_any_units(density: xr.Dataset) -> None:
    plate = density.corephys.plot("bulk_density")
    assert isinstance(plate, figures.Plate)
    other = density.copy(deep=True)
    for name in ("bulk_density", "bulk_density_u_random", "bulk_density_u_systematic"):
        other[name] = (1000.0 * other[name]).assign_attrs({**other[name].attrs, "units": "kg/m^3"})
    if "bulk_density_effects" in other:
        effects = other["bulk_density_effects"]
        other["bulk_density_effects"] = (1000.0 * effects).assign_attrs(
            {**effects.attrs, "units": "kg/m^3"}
        )
    drawn, expected = other.corephys.plot("bulk_density").table(), plate.table()
    np.testing.assert_allclose(drawn["x"], expected["x"])
    assert drawn["panel"].tolist() == expected["panel"].tolist()


def test_a_name_that_is_not_there_is_refused_with_those_that_are(density: xr.Dataset) -> None:
    for call in (
        density.corephys.total,
        density.corephys.usable,
        density.corephys.budget,
        density.corephys.plot,
    ):
        with pytest.raises(KeyError, match=r"no 'bulk_densty'; it holds bulk_density"):
            call("bulk_densty")
    with pytest.raises(KeyError, match="no 'bulk_density_u_random'"):
        density[["bulk_density"]].corephys.total("bulk_density")
    with pytest.raises(ValueError, match="allow has 'great'; expected some of good"):
        density.corephys.usable("bulk_density", allow=("great",))


@pytest.mark.parametrize("first", ["import corephys", "import xarray"])
def test_a_fresh_session_has_it_with_xarray_and_not_without(project_root: Path, first: str) -> None:
    code = f"""
import sys
{first}
import corephys as cp
if {first!r} == "import corephys":
    cp.quantity
    assert "xarray" not in sys.modules
    cp.porosity
import xarray as xr
assert hasattr(xr.Dataset, "corephys")
assert "matplotlib" not in sys.modules
assert "dask" not in sys.modules
assert callable(cp.export.zarr.save)
"""
    subprocess.run([sys.executable, "-c", code], check=True, cwd=project_root)
