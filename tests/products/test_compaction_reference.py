"""Reference curves: every one a row with a source, NaN beyond its range, and invertible."""

from __future__ import annotations

import numpy as np
import pytest

import corephys as cp
from corephys.ground import flags
from corephys.products.compaction import reference
from tests.adapters.registry import array


def test_the_table_names_equation_source_and_standing_of_every_curve() -> None:
    table = reference.reference_curves()
    assert list(table.index) == list(reference.REFERENCE_CURVES)
    assert table["source"].str.contains(r"\b(?:19|20)\d\d\b").all()
    assert set(table["status"]) == {"published", "memory"}
    assert table.loc["shale", "equation"] == "phi = 0.63 exp(-z / 1960), z in m"
    assert table.loc["terrigenous", "equation"] == "phi = 0.72 - 0.816 z + 0.361 z^2, z in km"
    assert table.loc["shale_solidity", "equation"] == "z = 6.02 (1 - phi)^6.35, z in km"
    doubtful = table[table["note"].str.contains("low trust")]
    assert set(doubtful["status"]) == {"memory"}
    assert np.isfinite(doubtful["deepest [m]"]).all()


@pytest.mark.parametrize("name", list(reference.REFERENCE_CURVES))
def test_porosity_falls_with_depth_and_leads_back_to_it(name: str) -> None:
    """Over the whole range that is stated: no curve is used past the depth where it turns."""
    curve = reference.reference_curve(name)
    depth = np.linspace(1.0, min(curve.deepest, 5000.0), 400)
    found = reference.reference_porosity(array(depth, "m"), curve=name)
    porosity = found["porosity"].values
    assert (np.diff(porosity) < 0.0).all()
    assert ((porosity > 0.0) & (porosity < 1.0)).all() or name == "shale_solidity"
    inside = (porosity > 0.0) & (porosity < 1.0)
    back = reference.reference_depth(array(porosity[inside], "1"), curve=name)
    np.testing.assert_allclose(back.values, depth[inside], rtol=0, atol=1e-8)
    assert np.isnan(found["porosity_u_random"].values).all()
    assert np.isnan(found["porosity_u_systematic"].values).all()
    assert found.attrs["status"] == curve.status


def test_beyond_the_range_there_is_no_porosity_and_a_reason() -> None:
    found = reference.reference_porosity(
        array([-1.0, 0.0, 300.0, 301.0], "m"), curve="pelagic_clay"
    )
    np.testing.assert_array_equal(np.isfinite(found["porosity"]), [False, True, True, False])
    for i in (0, 3):
        assert "beyond_method_range" in flags.names(found["porosity_reason"].values[i])
    assert flags.names(found["porosity_reason"].values[1]) == []


def test_a_porosity_that_a_curve_never_has_gives_no_depth() -> None:
    depth = reference.reference_depth(array([0.72, 0.30, 0.90], "1"), curve="calcareous")
    assert depth.values[0] == 0.0
    assert np.isnan(depth.values[1:]).all()
    assert np.isnan(reference.reference_depth(0.8, curve="shale").magnitude)


def test_bad_input_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match="name is 'mud'; expected one of shale, sand"):
        reference.reference_curve("mud")
    with pytest.raises(cp.UnitError, match="bare value 500"):
        reference.reference_porosity(500.0, curve="shale")
    with pytest.raises(ValueError, match="porosity is 45; it is a fraction from 0 to 1"):
        reference.reference_depth(45.0, curve="shale")
    depth = reference.reference_depth("45 %", curve="shale")
    assert depth.to("m").magnitude == pytest.approx(1960.0 * np.log(0.63 / 0.45))
