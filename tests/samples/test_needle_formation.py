"""Conductivity of the formation: effects of direction and in situ, and what corrections leave."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import series, units
from corephys.ground.constants import CONSTANTS
from corephys.samples import needle
from corephys.uncertainty import Measured
from data_demo.simulator.hole import simulate_tables

NAME = "thermal_conductivity"
HEAT = ("cores", "sections", "samples/needle", "downhole/tools", "downhole/stations",
        "downhole/formation_temperature")  # fmt: skip


def _runs(values=(1.1, 1.2), directions=("across", "along"), depths=(10.0, 300.0)):
    coords = {
        "depth": ("reading", np.asarray(depths, dtype=float), {"units": "m"}),
        "direction": ("reading", np.asarray(directions, dtype=object)),
    }
    array = xr.DataArray(np.asarray(values, dtype=float), dims="reading", coords=coords)
    found = series.build({NAME: Measured(array, 0.01, {"heating_power": 0.01 * array})})
    return found.assign(repeats=("reading", np.array([1, 3]), {"units": "1"}))


def _in_situ(runs, **more):
    keys = {
        "temperature_uncertainty": "1 K", "laboratory_temperature_uncertainty": "1 K",
        "density_uncertainty": "0.17 g/cm^3",
    }  # fmt: skip
    return needle.in_situ(
        runs, "200 m", None, "8 degC", "20 degC", "1.7 g/cm^3", **{**keys, **more}
    )


def _relative(dataset, source):
    return (dataset[f"{NAME}_effects"].sel(source=source) / dataset[NAME]).values


def test_what_is_not_corrected_is_an_effect_of_its_size_and_the_values_stay():
    runs = _runs()
    found = needle.formation_conductivity(runs, in_situ=_in_situ(runs))
    np.testing.assert_array_equal(found[NAME], runs[NAME])
    np.testing.assert_array_equal(found["repeats"], runs["repeats"])
    np.testing.assert_allclose(_relative(found, "heating_power"), 0.01)
    constant = CONSTANTS["conductivity_anisotropy"]
    for row, power in enumerate((0.5, 1.0)):
        factor = constant.value**-power
        left = factor * power * constant.uncertainty / constant.value
        assert _relative(found, "conductivity_anisotropy")[row] == pytest.approx(
            -np.hypot(factor - 1.0, left)
        )
    # Shallow sea, warm laboratory: 300 m down 1.1 % lower for want of 12 K, pressure adds 0.4 %.
    change = (200.0 + 1.7 * np.array([10.0, 300.0])) / 182900.0 - 12.0 / 400.0
    rest = [0.5 * change, np.full(2, 1 / 400), np.full(2, 1 / 400),
            0.17 * np.array([10.0, 300.0]) / 182900.0]  # fmt: skip
    expected = -np.sqrt(change**2 + np.sum(np.square(rest), axis=0))
    np.testing.assert_allclose(_relative(found, "in_situ_conductivity"), expected, rtol=1e-9)
    assert f"{NAME}_uncorrected" not in found
    assert found.attrs["corrections"] == "none"


def test_with_a_correction_only_what_remains_uncertain_is_left():
    runs = _runs()
    situ = _in_situ(runs)
    found = needle.formation_conductivity(
        runs, in_situ=situ, anisotropy="1.1 1", anisotropy_uncertainty="0.02 1",
        corrections=("anisotropy", "in_situ"),
    )  # fmt: skip
    ratio = np.array([1.1**0.5, 1.1])
    np.testing.assert_allclose(found[NAME], situ[f"{NAME}_in_situ"] / ratio)
    np.testing.assert_array_equal(found[f"{NAME}_uncorrected"], runs[NAME])
    np.testing.assert_allclose(
        _relative(found, "conductivity_anisotropy"), -np.array([0.5, 1.0]) * 0.02 / 1.1
    )
    assert "in_situ_conductivity" not in found["source"].values
    for source in ("in_situ_form", "in_situ_temperature", "laboratory_temperature", "density"):
        effect = situ[f"{NAME}_in_situ_effects"].sel(source=source) / situ[f"{NAME}_in_situ"]
        np.testing.assert_allclose(_relative(found, source), effect)
    np.testing.assert_allclose(_relative(found, "heating_power"), 0.01)
    np.testing.assert_allclose(found[f"{NAME}_u_random"] / found[NAME], 0.01 / runs[NAME])


def test_effects_add_up_to_the_truth_of_drawn_sediments():
    """Ratios drawn from the stated range: the effect is the root mean square error of a reading."""
    rng = np.random.default_rng(2)
    ratio = rng.uniform(1.0, 1.1, 4000)
    across, along = 1.0 * np.sqrt(ratio), 1.0 * ratio  # k_v is one
    found = needle.formation_conductivity(_runs((across.mean(), along.mean())))
    effect = np.abs(_relative(found, "conductivity_anisotropy"))
    for row, read in enumerate((across, along)):
        assert np.sqrt(np.mean((1.0 / read - 1.0) ** 2)) == pytest.approx(effect[row], rel=0.05)


def test_what_is_not_known_stays_unknown():
    runs = _runs()
    found = needle.formation_conductivity(runs)
    assert np.isnan(found[f"{NAME}_effects"].sel(source="in_situ_conductivity")).all()
    assert np.isnan(found[f"{NAME}_u_systematic"]).all()
    without = needle.formation_conductivity(runs.drop_vars("direction"))
    assert np.isnan(without[f"{NAME}_effects"].sel(source="conductivity_anisotropy")).all()
    stated = needle.formation_conductivity(runs, anisotropy="1.1 1")
    assert np.isnan(stated[f"{NAME}_effects"].sel(source="conductivity_anisotropy")).all()


def test_what_cannot_be_is_refused():
    runs = _runs()
    with pytest.raises(ValueError, match="'tilt'; expected some of anisotropy"):
        needle.formation_conductivity(runs, corrections=("tilt",))
    with pytest.raises(ValueError, match="needs in_situ="):
        needle.formation_conductivity(runs, corrections=("in_situ",))
    with pytest.raises(ValueError, match="direction is 'up'"):
        needle.formation_conductivity(_runs(directions=("across", "up")))
    with pytest.raises(ValueError, match="1 of 2 conductivities have no direction"):
        needle.formation_conductivity(_runs(directions=("across", "")), corrections=("anisotropy",))
    with pytest.raises(ValueError, match="anisotropy is -1; it has to be above zero"):
        needle.formation_conductivity(runs, anisotropy="-1 1")
    with pytest.raises(units.UnitError, match="anisotropy"):
        needle.formation_conductivity(runs, anisotropy="1.05 m")
    other = _in_situ(_runs(depths=(11.0, 300.0)))
    with pytest.raises(series.PositionError):
        needle.formation_conductivity(runs, in_situ=other)


@pytest.fixture(scope="module")
def hole():
    tables, settings, facts = simulate_tables(61, small=True)
    return {name: tables[name] for name in HEAT}, settings, facts


def _reduced(hole, **needle_keys):
    tables, settings, _ = hole
    recipe = {stage: dict(keys) for stage, keys in settings.items()}
    recipe.setdefault("needle", {}).update(needle_keys)
    return cp.reduce(cp.hole_from_tables(tables, recipe))


def test_effects_reach_the_heat_flow_and_its_budget(hole):
    tree = _reduced(hole)
    for path, name in (("properties/thermal_conductivity", NAME),
                       ("products/thermal_resistance", "thermal_resistance"),
                       ("products/heat_flow", "heat_flow")):  # fmt: skip
        effects = tree[path][f"{name}_effects"]
        for source in ("conductivity_anisotropy", "in_situ_conductivity", "drift"):
            assert np.isfinite(effects.sel(source=source)).all(), (path, source)
    flow = tree["products/heat_flow"]
    share = float(flow["heat_flow_effects"].sel(source="conductivity_anisotropy")) / float(
        flow["heat_flow"]
    )
    # Needles across the core and some along it: between 2.9 and 5.7 %, and downward.
    assert -0.06 < share < -0.028
    listed = cp.uncertainty.budget(flow.to_dataset())
    own = listed[listed["quantity"] == "heat_flow"].set_index("source")
    assert own.loc["conductivity_anisotropy", "share"] > 0.2
    assert "conductivity_anisotropy" not in tree["properties/heating_runs"]["source"].values
    assert "properties/formation_conductivity" not in tree


def test_corrections_are_made_when_asked_for_and_beside_the_measured_values(hole):
    plain = _reduced(hole)
    tree = _reduced(hole, anisotropy_correction=True, in_situ_correction=True)
    measured = tree["properties/thermal_conductivity"]
    np.testing.assert_array_equal(measured[NAME], plain["properties/thermal_conductivity"][NAME])
    corrected = tree["properties/formation_conductivity"]
    np.testing.assert_array_equal(corrected[f"{NAME}_uncorrected"], measured[NAME])
    assert corrected.attrs["corrections"] == "anisotropy, in_situ"
    before, after = (t["products/heat_flow"] for t in (plain, tree))
    moved = float(after["heat_flow"] - before["heat_flow"])
    effects = before["heat_flow_effects"]
    expected = float(effects.sel(source=["conductivity_anisotropy", "in_situ_conductivity"]).sum())
    # The effects are the corrections and their doubt in quadrature.
    assert expected < moved < 0.5 * expected
    assert float(after["heat_flow_u_systematic"]) < float(before["heat_flow_u_systematic"])
    assert "in_situ_conductivity" not in after["source"].values


def test_what_is_stated_not_to_be_there_has_no_effect(hole):
    tree = _reduced(hole, anisotropy=1.0, anisotropy_uncertainty=0.0, conditions="in_situ")
    effects = tree["products/heat_flow"]["heat_flow_effects"]
    assert float(effects.sel(source="conductivity_anisotropy")) == 0.0
    assert float(effects.sel(source="in_situ_conductivity")) == 0.0
    tree = _reduced(hole, conditions="in_situ", in_situ_correction=True)
    failed = json.loads(tree.attrs["summary"])["failed"]
    assert any("already are in situ" in words for words in failed.values())


def test_without_a_water_depth_the_effect_in_situ_is_unknown_and_said(hole):
    tables, settings, _ = hole
    recipe = {stage: dict(keys) for stage, keys in settings.items()}
    recipe["hole"].pop("water_depth", None)
    tree = cp.reduce(cp.hole_from_tables(tables, recipe))
    effects = tree["products/heat_flow"]["heat_flow_effects"]
    assert np.isnan(float(effects.sel(source="in_situ_conductivity")))
    assert "conductivity in situ not computed" in tree.attrs["summary"]
