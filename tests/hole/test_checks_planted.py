"""Slips planted one at a time in the tables of the demo hole: found in words, flagged, or refused.

The tables without a slip have no finding: each slip has its clean twin.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

import corephys as cp
from corephys.ground import flags, series
from corephys.hole import checks
from tests.slips.page import PAGE, page
from tests.slips.planted import SLIPS, outcome
from tests.slips.planting import sound


@pytest.fixture(scope="module")
def clean():
    return cp.hole_from_tables(*sound())


def test_the_tables_without_a_slip_have_no_finding(clean):
    assert json.loads(clean.attrs["findings"]) == []
    for name in ("scan/gamma", "samples/needle", "samples/index_properties", "downhole/stations"):
        assert not (clean[name]["reason"].values & flags.bit("likely_slip")).any(), name


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: slip.name)
def test_a_slip_is_named_with_its_number_and_its_likely_cause(slip):
    found, refusal = outcome(slip)
    assert bool(refusal) == (slip.check == "refused"), refusal
    if refusal:
        assert slip.words in refusal
        return
    mine = [f for f in found if f["check"] == slip.check]
    assert any(slip.words in f["sentence"] and slip.likely in f["likely_slip"] for f in mine), mine
    named = set().union(*(f["flagged"] for f in mine))
    assert set(slip.flags) <= named, (slip.flags, named)


def test_no_slip_passes_in_silence_and_there_are_more_than_forty_five():
    assert len(SLIPS) >= 45
    assert len({slip.name for slip in SLIPS}) == len(SLIPS)
    assert {slip.check for slip in SLIPS} - {"refused"} <= {check.name for check in checks.CHECKS}


def test_every_check_has_a_planted_slip_but_the_depth_of_logs_which_needs_a_file():
    planted = {slip.check for slip in SLIPS}
    assert {check.name for check in checks.CHECKS} - planted == {"depth of logs"}


def test_a_wrong_length_flags_the_sections_below_and_no_others(clean):
    slip = next(s for s in SLIPS if s.name == "a section of 1.50 m written 1.05")
    tables, settings = sound()
    slip.plant(tables, settings)
    hole = cp.hole_from_tables(tables, settings)
    for name in ("scan/gamma", "scan/natural_gamma", "samples/strength"):
        here, before = hole[name], clean[name]
        slipped = (here["reason"].values & flags.bit("likely_slip")) != 0
        moved = ~np.isclose(here["depth"].values, before["depth"].values, equal_nan=True)
        np.testing.assert_array_equal(slipped, moved)
        assert moved.any()
        assert set(here.core.values[slipped]) == {"3"}
        assert set(here.section.values[slipped]) <= {"3", "4", "5", "6", "7", "catcher"}


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [("pwave", "delay", "8.4 us"), ("pwave", "delay", "8.9 us"), ("susceptibility", "unit", "SI")],
)
def test_a_sound_setting_beside_its_readings_has_no_finding(table, key, value):
    tables, settings = sound()
    settings[table][key] = value
    if table == "susceptibility":
        tables["scan/susceptibility"]["reading"] *= 1e-5
        del tables["standards/susceptibility"]
    assert json.loads(cp.hole_from_tables(tables, settings).attrs["findings"]) == []


def test_readings_of_nothing_but_zero_are_no_slip_of_a_unit():
    tables, settings = sound()
    tables["scan/susceptibility"]["reading"] *= 0.0
    found = json.loads(cp.hole_from_tables(tables, settings).attrs["findings"])
    assert "unit of susceptibility" not in {entry["check"] for entry in found}


@pytest.mark.parametrize(
    ("delay", "longer", "liner", "likely", "moved"),
    [
        ("10.5 us", 5.0, "full", "both walls, which is taken off once more; and the lengths", True),
        ("8.4 us", 0.0, "none", "the standards lay in a liner", False),
        ("19 us", 0.0, "full", "is mistyped", True),
    ],
)
def test_a_delay_apart_from_the_water_standards_has_its_likely_cause(
    delay, longer, liner, likely, moved
):
    tables, settings = sound()
    settings["pwave"]["delay"] = delay
    standards = tables["standards/pwave"]
    water = standards["medium"] == "water"
    standards.loc[water, "length [mm]"] += longer
    standards.loc[water, "liner"] = liner
    every = json.loads(cp.hole_from_tables(tables, settings).attrs["findings"])
    # Standards without their liner are also named by the check of their delays.
    (found,) = [one for one in every if one["check"] == "delay of the P-wave"]
    assert likely in found["likely_slip"]
    assert bool(found["flagged"]) == moved


def test_readings_are_unchanged_by_the_checks():
    slip = next(s for s in SLIPS if s.name == "thickness in cm under mm")
    tables, settings = sound()
    slip.plant(tables, settings)
    hole = cp.hole_from_tables(tables, settings)
    np.testing.assert_array_equal(
        hole["scan/pwave"]["thickness"].values, tables["scan/pwave"]["thickness [mm]"].to_numpy()
    )
    np.testing.assert_array_equal(
        hole["scan/pwave"]["offset"].values, tables["scan/pwave"]["offset [cm]"]
    )


def test_a_flag_reaches_the_properties_and_the_card_of_the_reduced_hole():
    slip = next(s for s in SLIPS if s.name == "a section of 1.50 m written 1.05")
    tables, settings = sound()
    slip.plant(tables, settings)
    hole = cp.hole_from_tables(tables, settings)
    reduced = cp.reduce(hole)
    density = series.leaf(reduced, "properties/density")
    bit = flags.bit("likely_slip")
    raw = (hole["scan/gamma"]["reason"].values & bit) != 0
    np.testing.assert_array_equal((density["bulk_density_reason"].values & bit) != 0, raw)
    assert (density["bulk_density_flag"].values[raw] >= flags.SUSPECT).all()
    for path, name in (
        ("properties/velocity", "p_wave_velocity"),
        ("properties/resistivity", "electrical_resistivity"),
        ("properties/susceptibility", "magnetic_susceptibility"),
        ("properties/natural_gamma", "natural_gamma_rate"),
    ):
        assert ((series.leaf(reduced, path)[f"{name}_reason"].values & bit) != 0).any(), path
    for tree in (hole, reduced):
        card = cp.overview(tree)
        assert any("1.50 m written as 1.05" in words for words in card.warnings)
        assert "1.50 m written as 1.05" in card._repr_html_().partition("Beware")[2]
    table = cp.quality.findings(reduced)
    assert "section lengths" in table["check"].tolist()


# Slip, result under /properties, quantity.
AFTER = (
    ("stress of consolidation in MPa under kPa", "consolidation_curve", "void_ratio"),
    ("torque of the vane in N mm under N m", "strength", "undrained_shear_strength"),
    (
        "heating power of the needle in W under W/m",
        "thermal_conductivity",
        "thermal_conductivity",
    ),
    ("masses in kg under g", "index_properties", "grain_density"),
    ("lengths of velocity samples in cm under mm", "sample_velocity", "p_wave_velocity"),
    ("depths of stations from the sea surface", "formation_temperature", "equilibrium_temperature"),
)


@pytest.mark.parametrize(("name", "place", "quantity"), AFTER)
def test_what_a_slip_changes_is_not_good_after_the_reduction(name, place, quantity):
    slip = next(s for s in SLIPS if s.name == name)
    tables, settings = sound()
    slip.plant(tables, settings)
    for scan in [t for t in tables if t.startswith(("scan/", "standards/"))]:
        del tables[scan]
    reduced = cp.reduce(cp.hole_from_tables(tables, settings))
    found = series.leaf(reduced, f"properties/{place}")
    assert found is not None
    names = [n for n in found.data_vars if str(n).endswith("_reason")]
    assert names
    reason = found[f"{quantity}_reason"] if f"{quantity}_reason" in found else found[names[0]]
    assert (np.atleast_1d(reason.values) & flags.bit("likely_slip")).any()


def test_findings_survive_netcdf_and_are_listed(tmp_path):
    slip = next(s for s in SLIPS if s.name == "decimal commas")
    tables, settings = sound()
    slip.plant(tables, settings)
    hole = cp.hole_from_tables(tables, settings)
    cp.save(hole, tmp_path / "hole.nc")
    back = cp.load(tmp_path / "hole.nc")
    assert back.attrs["findings"] == hole.attrs["findings"]
    table = cp.quality.findings(back)
    assert table["check"].tolist() == ["columns that cannot be read"]
    assert table["number"].tolist() == ["74,97"]
    assert table["row"].tolist() == [0]


def test_a_hole_of_an_earlier_release_has_no_findings_to_list(clean):
    old = clean.copy()
    del old.attrs["findings"]
    with pytest.raises(KeyError, match="read its folder again"):
        cp.quality.findings(old)
    cp.overview(old)


def test_the_page_lists_every_check_and_the_outcome_of_every_slip():
    written = PAGE.read_text(encoding="utf-8")
    assert written == page(), "write it anew: python -m tests.slips.page"
