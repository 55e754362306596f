"""Supplied values, published or already reduced, as the input of every product."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.cli import main
from corephys.ground import flags, series, units
from corephys.ground.vocabulary import TERMS

leaf = series.leaf
INDEX = "properties/index_properties"


def reduced(tables, recipe=None, **hole):
    return cp.reduce(cp.hole_from_tables(tables, {"hole": {"name": "x", **hole}}), recipe)


def notes(tree):
    return " | ".join(json.loads(tree.attrs["summary"])["notes"])


def failed(tree):
    return json.loads(tree.attrs["summary"])["failed"]


def has(data, name, word):
    return (data[f"{name}_reason"].values & flags.bit(word)) != 0


def problems(tables):
    with pytest.raises(cp.HoleError) as caught:
        cp.hole_from_tables(tables, {"hole": {"name": "x"}})
    return [str(problem) for problem in caught.value.problems]


def porosities(n=60, length=900.0):
    """Depths [m] and porosities on an exponential with scatter; the seed is fixed."""
    z = np.linspace(1.0, 400.0, n)
    return z, 0.75 * np.exp(-z / length) + np.random.default_rng(3).normal(0.0, 0.01, n)


# Rows, columns, units, uncertainties, flags -------------------------------------------------------


def test_rows_and_columns_give_the_same_samples():
    z, phi = np.array([1.0, 2.0, 3.0]), np.array([70.0, 65.0, 60.0])
    wide = pd.DataFrame({
        "depth [m]": z, "porosity [%]": phi, "u_porosity [%]": [1.0, np.nan, 2.0],
        "u_systematic_porosity [%]": 0.5, "grain_density [kg/m^3]": [2700.0, np.nan, 2720.0],
    })  # fmt: skip
    tall = pd.DataFrame({
        "depth [m]": [1.0, 2.0, 3.0, 1.0, 3.0],
        "quantity": ["porosity"] * 3 + ["grain_density"] * 2,
        "value": [0.70, 65.0, 60.0, 2.70, 2720.0],
        "unit": ["1", "%", "%", "g/cm^3", "kg/m^3"],
        "uncertainty": [0.01, np.nan, 2.0, np.nan, np.nan],
        "systematic_uncertainty": [0.005, 0.5, 0.5, np.nan, np.nan],
    })  # fmt: skip
    first, second = (leaf(reduced({"samples/reduced": t}), INDEX) for t in (wide, tall))
    for data in (first, second):
        np.testing.assert_allclose(data["porosity"], [0.70, 0.65, 0.60])
        np.testing.assert_allclose(data["porosity_u_random"], [0.01, np.nan, 0.02])
        np.testing.assert_allclose(data["porosity_u_systematic"], 0.005)
        assert "supplied_porosity" in data["source"].values
        np.testing.assert_allclose(data["grain_density"], [2.70, np.nan, 2.72])
        assert np.isnan(data["grain_density_u_systematic"]).all()
        assert data["porosity_flag"].values.tolist() == [2, 2, 2]
        assert has(data, "porosity", "supplied").all()
    xr.testing.assert_allclose(first, second)


def test_two_quantities_at_one_depth_are_not_the_same_value_twice():
    frame = pd.DataFrame({
        "depth [m]": [1.0, 1.0, 2.0, 2.0], "porosity [%]": [70.0, np.nan, 60.0, 61.0],
        "bulk_density [g/cm^3]": [np.nan, 1.5, np.nan, 1.6],
    })  # fmt: skip
    raw = cp.hole_from_tables({"samples/reduced": frame}, {"hole": {"name": "x"}})
    table = leaf(raw, "samples/reduced")
    twice = (table["reason"].values & flags.bit("same_position_twice")) != 0
    assert twice.tolist() == [False, False, True, True]
    data = leaf(cp.reduce(raw), INDEX)
    assert data["depth"].values.tolist() == [1.0, 2.0, 2.0]
    np.testing.assert_allclose(data["porosity"], [0.70, 0.60, 0.61])
    assert has(data, "porosity", "same_position_twice").tolist() == [False, True, True]
    # The density of 2 m is there once, whatever the porosity beside it.
    assert not has(data, "bulk_density", "same_position_twice").any()


def test_samples_of_two_names_at_one_rounded_depth_are_two_samples():
    frame = pd.DataFrame({
        "depth [m]": [1.0, 1.0], "sample_id": ["a", "b"], "porosity [%]": [70.0, 71.0],
    })  # fmt: skip
    data = leaf(reduced({"samples/reduced": frame}), INDEX)
    assert data["porosity_flag"].values.tolist() == [2, 2]


@pytest.mark.parametrize(
    "given",
    [["good", "Not evaluated", "suspect", "bad", "missing", ""], [1, 2, 3, 4, 9, 2],
     ["1.0", "2", "3.0", "4", "9", ""]],
)  # fmt: skip
def test_flags_that_came_with_a_value_keep_their_level(given):
    frame = pd.DataFrame({"depth [m]": range(1, 7), "porosity [%]": 60.0, "flag": given})
    data = leaf(reduced({"samples/reduced": frame}), INDEX)
    assert data["porosity_flag"].values.tolist() == [2, 2, 3, 4, 9, 2]
    # A flag of one quantity does not concern the other.
    frame["grain_density [g/cm^3]"] = 2.7
    own = frame.drop(columns="flag").assign(porosity_flag=given)
    data = leaf(reduced({"samples/reduced": own}), INDEX)
    assert data["porosity_flag"].values.tolist() == [2, 2, 3, 4, 9, 2]
    assert (data["grain_density_flag"].values == flags.NOT_EVALUATED).all()


def test_an_uncertainty_in_degrees_celsius_is_a_difference():
    frame = pd.DataFrame({
        "depth [m]": [10.0, 20.0], "equilibrium_temperature [K]": [280.15, 281.15],
        "u_equilibrium_temperature [degC]": [0.1, 0.2],
    })  # fmt: skip
    data = leaf(reduced({"samples/reduced": frame}), "properties/formation_temperature")
    np.testing.assert_allclose(data["equilibrium_temperature"], [7.0, 8.0])
    np.testing.assert_allclose(data["equilibrium_temperature_u_random"], [0.1, 0.2])


def test_methods_that_differ_share_no_systematic_error():
    frame = pd.DataFrame({
        "depth [m]": [1.0, 2.0], "quantity": "porosity", "value": 0.6, "unit": "1",
        "systematic_uncertainty": 0.01, "method": ["weighing", "neutron log"],
    })  # fmt: skip
    data = leaf(reduced({"samples/reduced": frame}), INDEX)
    effects = data["porosity_effects"].to_series().unstack()
    assert effects.loc["supplied_porosity_by_weighing"].tolist() == [0.01, 0.0]
    assert effects.loc["supplied_porosity_by_neutron_log"].tolist() == [0.0, 0.01]
    assert "method weighing and neutron log" in cp.explain(data)
    assert "samples/reduced.csv" in cp.explain(data)


def test_fractions_and_per_cent_that_were_mixed_up_are_not_usable():
    z, phi = porosities(20)
    as_percent = reduced({"samples/reduced": pd.DataFrame({"depth [m]": z, "porosity [%]": phi})})
    data = leaf(as_percent, INDEX)
    assert (data["porosity_flag"].values == flags.SUSPECT).all()
    assert "no value of porosity is above 1 %" in notes(as_percent)
    as_fraction = reduced(
        {"samples/reduced": pd.DataFrame({"depth [m]": z, "porosity": 100.0 * phi})}
    )
    assert (leaf(as_fraction, INDEX)["porosity_flag"].values == flags.BAD).all()
    assert "20 of 20 values of porosity are above" in notes(as_fraction)
    for tree in (as_percent, as_fraction):
        assert leaf(tree, "products/compaction") is None


# Faults of the tables -----------------------------------------------------------------------------


ROW = {"depth [m]": [1.0], "quantity": ["porosity"], "value": [60.0], "unit": ["%"]}


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"quantity": ["porosty"]}, ["no quantity 'porosty'", "'porosity'", "bulk_density"]),
        ({"unit": ["g/cm^3"]}, ["porosity", "different dimensions"]),
        ({"unit": ["g/ccm"]}, ["g/ccm"]),
        ({"flag": ["dubious"]}, ["'dubious' is not one of good"]),
    ],
)
def test_a_wrong_word_in_a_row_is_a_problem(changed, words):
    (found,) = problems({"samples/reduced": pd.DataFrame({**ROW, **changed})})
    assert all(word in found for word in words), found


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("porosty [%]", ["'porosty'", "'porosity'"]),
        ("Porosity [%]", ["'Porosity'", "'porosity'"]),
        ("thermal_conductivity [W/m]", ["thermal_conductivity", "different dimensions"]),
        ("bulk_density", ["bulk_density has no unit", "'bulk_density [g/cm^3]'"]),
        ("u_bulk_density [g/cm^3]", ["no column 'bulk_density'"]),
        ("u_grain_density [%]", ["u_grain_density", "different dimensions"]),
        ("uncertainty", ["does not state of which", "u_porosity"]),
    ],
)
def test_a_wrong_header_is_a_problem(header, words):
    frame = pd.DataFrame({"depth [m]": [1.0], "grain_density [g/cm^3]": [2.7], header: [0.5]})
    (found,) = problems({"samples/reduced": frame})
    assert all(word in found for word in words), found


def test_a_value_has_its_unit_in_one_place():
    frame = pd.DataFrame(ROW).rename(columns={"value": "value [%]"})
    (found,) = problems({"samples/reduced": frame})
    assert "the column 'unit' gives the unit of each row" in found


CORES = {
    "cores": pd.DataFrame({
        "core": ["1"], "coring_method": ["piston"], "top [m]": [0.0], "advance [m]": [9.5],
        "recovered [m]": [9.5],
    }),
    "sections": pd.DataFrame({
        "core": ["1"], "section": ["1"], "length [m]": [1.5], "core_diameter [mm]": [66.0],
    }),
}  # fmt: skip
PLACED = {"core": "1", "section": "1", "offset [cm]": [50.0, 100.0]}


def test_a_depth_that_contradicts_core_section_and_offset_is_a_problem():
    frame = pd.DataFrame({**PLACED, "depth [m]": [0.5, 10.0], "porosity [%]": 60.0})
    (found,) = problems({**CORES, "samples/reduced": frame})
    assert "the depth is 10 m, but core, section and offset lie at 1.000 m" in found
    frame["depth [m]"] = [0.5, 1.1]  # rounded to a decimetre
    assert leaf(reduced({**CORES, "samples/reduced": frame}), INDEX).sizes["reading"] == 2


def test_without_cores_the_depth_places_a_row_that_also_names_its_core():
    frame = pd.DataFrame({**PLACED, "depth [m]": [0.5, 1.0], "porosity [%]": 60.0})
    tree = reduced({"samples/reduced": frame})
    data = leaf(tree, INDEX)
    assert data["depth"].values.tolist() == [0.5, 1.0] and "core" not in data.coords
    assert leaf(tree, "samples/reduced")["core_as_given"].values.tolist() == ["1", "1"]


def test_a_row_without_a_core_lies_at_its_depth():
    frame = pd.DataFrame({
        "core": ["1", ""], "section": ["1", ""], "offset [cm]": [50.0, np.nan],
        "depth [m]": [np.nan, 80.0], "porosity [%]": [60.0, 50.0],
    })  # fmt: skip
    tree = reduced({**CORES, "samples/reduced": frame}, {"depth": {"offset": "1 cm"}})
    data = leaf(tree, INDEX)
    assert data["depth"].values.tolist() == [0.5, 80.0]
    assert data["porosity_flag"].values.tolist() == [2, 2]
    assert not failed(tree)


# Depth and porosity, and nothing else -------------------------------------------------------------


def test_depth_and_porosity_alone_give_a_fit_a_figure_and_a_report(tmp_path):
    z, phi = porosities()
    folder, out = tmp_path / "hole", tmp_path / "out"
    (folder / "samples").mkdir(parents=True)
    (folder / "hole.toml").write_text('[hole]\nname = "published"\n', encoding="utf-8")
    pd.DataFrame({"depth [m]": z, "porosity [%]": 100 * phi}).to_csv(
        folder / "samples" / "reduced.csv", index=False
    )
    assert main(["reduce", str(folder), "--out", str(out)]) == 0
    tree = cp.load(out / "reduced.nc")
    fit = leaf(tree, "products/compaction")
    slope, top = np.polyfit(z, np.log(phi), 1)  # a least-squares line in the logarithm
    # The two fits weight the points differently; both know the truth of 900 m to some 2 %.
    assert float(fit["decay_length"]) == pytest.approx(-1.0 / slope, rel=0.03)
    assert float(fit["surface_porosity"]) == pytest.approx(np.exp(top), abs=0.01)
    assert 0.0 < float(fit["decay_length_u_random"]) < 60.0
    assert "weights all porosities alike" in notes(tree)
    assert {"porosity_depth.svg", "compaction_models.svg", "index_properties.svg"} <= {
        path.name for path in (out / "figures").iterdir()
    }
    drawn = (out / "figures" / "porosity_depth.csv").read_text(encoding="utf-8")
    assert "samples, supplied" in drawn
    assert "samples/reduced.csv" in (out / "report.html").read_text(encoding="utf-8")
    tables = pd.read_csv(out / "tables" / "index_properties.csv")
    assert len(tables) == z.size and (tables["porosity_reason"] == "supplied").all()
    cp.export.write_las(tree[INDEX], tmp_path / "porosity.las")


def test_a_supplied_uncertainty_weights_the_fit():
    z, phi = porosities()
    u = np.where(z < 200.0, 0.002, 0.05)
    frame = pd.DataFrame({"depth [m]": z, "porosity": phi, "u_porosity": u})
    tree = reduced({"samples/reduced": frame}, {"compaction": {"excess_scatter": False}})
    found = leaf(tree, "products/compaction")
    assert "weights all porosities alike" not in notes(tree)
    alike = leaf(reduced({"samples/reduced": frame.drop(columns="u_porosity")}),
                 "products/compaction")  # fmt: skip
    assert float(found["decay_length"]) != pytest.approx(float(alike["decay_length"]), rel=1e-4)


# Measured and supplied ----------------------------------------------------------------------------


MASSES = {
    **PLACED, "offset [cm]": [20.0, 60.0, 100.0],
    "wet_mass [g]": [15.0, 15.2, 15.4], "dry_mass [g]": [8.0, 8.3, 8.6],
    "dry_volume [cm^3]": [2.9, 3.0, 3.1],
}  # fmt: skip


def both(tmp=None, **frame):
    given = pd.DataFrame({**PLACED, "offset [cm]": [30.0, 90.0], **frame})
    return {**CORES, "samples/index_properties": pd.DataFrame(MASSES), "samples/reduced": given}


def test_measured_samples_go_before_supplied_ones_which_stand_beside():
    tables = both(**{"porosity [%]": [66.0, 64.0]})
    tree = reduced(tables)
    assert leaf(tree, INDEX).sizes["reading"] == 3
    beside = leaf(tree, "properties/supplied_index_properties")
    np.testing.assert_allclose(beside["porosity"], [0.66, 0.64])
    assert "kept in properties/supplied_index_properties" in notes(tree)
    drawn = cp.figures.porosity_depth(tree).table()
    assert {"samples", "beside, supplied"} <= set(drawn["series"])


def test_instead_puts_supplied_values_in_place_and_keeps_the_others():
    tables = both(**{"porosity [%]": [66.0, 64.0]})
    tree = reduced(tables, {"reduction": {"supplied": "instead"}})
    np.testing.assert_allclose(leaf(tree, INDEX)["porosity"], [0.66, 0.64])
    measured = leaf(tree, "properties/measured_index_properties")
    plain = leaf(reduced({k: v for k, v in tables.items() if k != "samples/reduced"}), INDEX)
    np.testing.assert_array_equal(measured["porosity"], plain["porosity"])
    # The density that nobody supplied is still that of the masses.
    stress = leaf(tree, "products/effective_stress")
    assert stress.attrs["density_from"] == "properties/measured_index_properties"
    assert not failed(tree)


def test_beside_leaves_supplied_values_out_of_all_products():
    z, phi = porosities()
    frame = pd.DataFrame({"depth [m]": z, "porosity": phi})
    tree = reduced({"samples/reduced": frame}, {"reduction": {"supplied": "beside"}})
    assert leaf(tree, INDEX) is None and leaf(tree, "products/compaction") is None
    assert leaf(tree, "properties/supplied_index_properties").sizes["reading"] == z.size


def changed_names(found):
    """Quantities that are compared."""
    return [name for name in found.data_vars if str(name).endswith("_difference")]


def test_reported_values_are_compared_with_what_the_masses_give():
    masses = pd.DataFrame(MASSES)
    tables = {**CORES, "samples/index_properties": masses}
    data = leaf(reduced(tables), INDEX)
    rho = data["bulk_density"].values.copy()
    rho[2] += 0.1  # a slip in the report
    given = pd.DataFrame({
        **PLACED, "offset [cm]": [20.0, 60.0, 100.0], "bulk_density [g/cm^3]": rho,
        "porosity [%]": 100.0 * data["porosity"].values,
    })  # fmt: skip
    in_columns = masses.assign(**{"bulk_density [g/cm^3]": rho})
    for changed in ({"samples/reduced": given}, {"samples/index_properties": in_columns}):
        tree = reduced({**tables, **changed})
        found = leaf(tree, "properties/reported_values")
        np.testing.assert_allclose(found["bulk_density_difference"], [0.0, 0.0, 0.1], atol=1e-9)
        assert found["agrees"].values.tolist() == [1, 1, 0]
        flagged = has(leaf(tree, INDEX), "bulk_density", "inconsistent_masses")
        assert flagged.tolist() == [False, False, True]
        assert "1 of 3 differ" in notes(tree)
        drawn = cp.figures.reported_values(tree).table()
        apart = drawn[drawn["series"] == "samples that differ"]
        assert apart["y"].tolist() == pytest.approx([1.0] * len(changed_names(found)))
        np.testing.assert_array_equal(leaf(tree, INDEX)["bulk_density"], data["bulk_density"])


def test_a_report_with_other_constants_flags_no_sample():
    tables = {**CORES, "samples/index_properties": pd.DataFrame(MASSES)}
    data = leaf(reduced(tables), INDEX)
    given = pd.DataFrame({
        **PLACED, "offset [cm]": [20.0, 60.0, 100.0],
        "porosity [%]": 102.4 * data["porosity"].values,  # pore water of 1.000, not 1.024 g/cm^3
    })  # fmt: skip
    tree = reduced({**tables, "samples/reduced": given})
    assert "3 of 3 differ" in notes(tree) and "other constants" in notes(tree)
    assert not has(leaf(tree, INDEX), "porosity", "inconsistent_masses").any()


# Products -----------------------------------------------------------------------------------------


def test_density_of_supplied_samples_gives_stress():
    z = np.linspace(0.0, 100.0, 41)
    frame = pd.DataFrame({"depth [m]": z, "bulk_density [g/cm^3]": 1.8})
    for choice in ("samples", "scan"):
        tree = reduced(
            {"samples/reduced": frame},
            {"stress": {"density": choice, "pore_water_density": "1.025 g/cm^3"}},
        )
        found = leaf(tree, "products/effective_stress")["vertical_effective_stress"].values
        # (rho - rho_f) g z, in kPa; the two gravities agree to a few parts in ten thousand.
        np.testing.assert_allclose(found, (1.8 - 1.025) * 9.80665 * z, rtol=1e-3, atol=1e-9)
    assert "computed from that of supplied samples" in notes(tree)


def test_velocity_and_density_of_samples_give_impedance_and_a_section():
    z = np.linspace(1.0, 50.0, 50)
    frame = pd.DataFrame({
        "depth [m]": z, "p_wave_velocity [km/s]": 1.5 + 0.005 * z,
        "bulk_density [kg/m^3]": 1500.0 + 5.0 * z, "porosity [%]": 70.0 - 0.2 * z,
    })  # fmt: skip
    tree = reduced({"samples/reduced": frame}, water_depth="2000 m")
    found = leaf(tree, "products/impedance")["acoustic_impedance"].values
    np.testing.assert_allclose(found, (1.5 + 0.005 * z) * (1.5 + 0.005 * z))
    for path in ("synthetic", "two_way_time", "elastic_bounds", "velocity_models"):
        assert leaf(tree, f"products/{path}") is not None, path
    assert not failed(tree)
    assert "products use that of the supplied samples" in notes(tree)


def test_resistivity_with_its_temperature_and_porosity_give_archie():
    z = np.linspace(1.0, 60.0, 60)
    phi = 0.75 - 0.005 * z
    fluid = cp.resistivity.pore_water_resistivity("35 g/kg", "20 degC", "0 dbar")
    water = float(fluid["pore_water_resistivity"])
    scan = pd.DataFrame({
        "depth [m]": z, "electrical_resistivity [ohm m]": water * phi**-2.0,
        "temperature [degC]": 20.0, "porosity": phi, "u_porosity": 0.002,
        "u_electrical_resistivity [ohm m]": 0.002,
    })  # fmt: skip
    tree = reduced({"scan/reduced": scan}, pore_water_salinity="35 g/kg")
    found = leaf(tree, "properties/archie")
    assert float(found["cementation_exponent"][0]) == pytest.approx(2.0, abs=0.01)
    # Formation factors that are supplied take the same way.
    direct = scan[["depth [m]", "porosity", "u_porosity"]].assign(formation_factor=phi**-2.0)
    again = leaf(reduced({"scan/reduced": direct}), "properties/archie")
    assert float(again["cementation_exponent"][0]) == pytest.approx(2.0, abs=0.01)


def test_without_a_temperature_the_reason_names_the_column():
    scan = pd.DataFrame({"depth [m]": [1.0, 2.0], "electrical_resistivity [ohm m]": [0.5, 0.6]})
    tree = reduced({"scan/reduced": scan})
    words = json.loads(tree.attrs["summary"])["skipped"]["formation factor"]
    assert "temperature [degC]" in words


def test_grain_density_of_samples_reaches_the_porosity_of_the_scan():
    z = np.linspace(1.0, 50.0, 50)
    scan = pd.DataFrame({"depth [m]": z, "bulk_density [g/cm^3]": 1.7})
    grain = pd.DataFrame({"depth [m]": z[::5], "grain_density [g/cm^3]": 2.60})
    tree = reduced(
        {"scan/reduced": scan, "samples/reduced": grain},
        {"porosity": {"pore_water_density": "1.024 g/cm^3"}},
    )
    found = leaf(tree, "products/porosity")["porosity"].values
    np.testing.assert_allclose(found, (2.60 - 1.7) / (2.60 - 1.024))


def test_a_supplied_porosity_goes_before_one_of_a_supplied_density():
    z = np.linspace(1.0, 50.0, 50)
    scan = pd.DataFrame({"depth [m]": z, "bulk_density [g/cm^3]": 1.7, "porosity [%]": 55.5})
    tree = reduced({"scan/reduced": scan})
    np.testing.assert_allclose(leaf(tree, "products/porosity")["porosity"], 0.555)


def test_dry_density_and_ages_give_accumulation():
    samples = pd.DataFrame({"depth [m]": [2.0, 6.0], "dry_density [g/cm^3]": [0.8, 0.8]})
    ages = pd.DataFrame({"depth [m]": [0.0, 10.0], "age [kyr]": [0.0, 100.0]})
    found = leaf(reduced({"samples/reduced": samples, "ages": ages}), "products/accumulation")
    # 0.8 g/cm^3 times 1000 cm over 100 kyr
    np.testing.assert_allclose(found["mass_accumulation_rate"], 8.0)


# Heat flow ----------------------------------------------------------------------------------------


def conduction(n, u=None, k=1.2, flow=0.06, **columns):
    """A log through sediment of one conductivity, 2 degC at the seafloor; and conductivities."""
    z = np.linspace(1.0, 200.0, n)
    log = pd.DataFrame({"depth [m]": z, "temperature [degC]": 2.0 + flow / k * z, **columns})
    if u is not None:
        log["u_temperature [K]"] = u
    needles = pd.DataFrame({
        "depth [m]": np.linspace(1.0, 200.0, 20), "thermal_conductivity [W/(m K)]": k,
        "u_thermal_conductivity [W/(m K)]": 0.05, "u_systematic_thermal_conductivity [W/(m K)]": 0,
    })  # fmt: skip
    return {"downhole/temperature_log": log, "samples/reduced": needles}


def test_a_log_and_supplied_conductivities_give_heat_flow():
    tree = reduced(conduction(50, u=0.02))
    found = leaf(tree, "products/heat_flow")
    assert float(found["heat_flow"]) == pytest.approx(60.0, abs=1e-6)
    assert float(found["heat_flow_u_random"]) > 0.0
    assert found.attrs["temperatures_from"] == "properties/temperature_log"
    assert "no correction to equilibrium" in found.attrs["status"]
    assert "no temperatures of stations" in notes(tree)
    assert "temperatures, supplied" in set(cp.figures.heat_flow(tree).table()["series"])
    assert not failed(tree)


def test_a_log_without_uncertainties_gives_none():
    found = leaf(reduced(conduction(50)), "products/heat_flow")
    assert np.isnan(float(found["heat_flow_u_random"]))
    assert float(found["heat_flow"]) == pytest.approx(60.0, abs=1e-6)


def test_more_readings_of_a_log_do_not_make_heat_flow_more_certain():
    """Ten and a hundred times the readings of 200 cells, each 0.5 K, with few conductivities."""
    found = [
        float(leaf(reduced(conduction(n, u=0.5)), "products/heat_flow")["heat_flow_u_random"])
        for n in (200, 2000, 20000)
    ]
    # The cells of 200 readings and of many differ by the ends of the hole.
    assert found[1] == pytest.approx(found[0], rel=0.03)
    assert found[2] == pytest.approx(found[1], rel=0.01)


def test_a_tool_that_stands_still_is_no_contradiction():
    tables = conduction(40, u=0.02)
    log = tables["downhole/temperature_log"]
    held = log.iloc[[20] * 30].assign(**{"temperature [degC]": lambda d: d.iloc[:, 1] + 0.001})
    tables["downhole/temperature_log"] = pd.concat([log, held], ignore_index=True)
    data = leaf(reduced(tables), "properties/temperature_log")
    assert (data["equilibrium_temperature_flag"].values == flags.NOT_EVALUATED).all()


def test_the_recipe_chooses_stations_log_or_both():
    tables = conduction(30, u=0.02)
    station = pd.DataFrame({
        "depth [m]": [50.0, 100.0, 150.0], "equilibrium_temperature [degC]": [5.0, 8.0, 11.0],
        "u_equilibrium_temperature [K]": 0.01,
    })  # fmt: skip
    tables["samples/reduced"] = pd.concat([tables["samples/reduced"], station])
    used = {}
    for choice in ("stations", "log", "both"):
        tree = reduced(tables, {"heat_flow": {"temperatures": choice}})
        flow = leaf(tree, "products/heat_flow")
        used[choice] = int(flow.attrs["temperatures_used"]), float(flow["heat_flow"])
        cp.figures.heat_flow(tree)
        if choice != "stations":  # three stations and no bottom water do not test a line
            cp.figures.heat_flow_tests(tree)
    assert {name: n for name, (n, _) in used.items()} == {"stations": 3, "log": 30, "both": 33}
    assert used["stations"][1] == pytest.approx(1.2 * 60.0)  # 0.06 K/m times 1.2 W/(m K)
    assert used["log"][1] == pytest.approx(60.0)
    assert 60.0 < used["both"][1] < 72.0


def test_a_negative_depth_of_a_log_is_flagged():
    tables = conduction(30, u=0.02)
    tables["downhole/temperature_log"].loc[0, "depth [m]"] = -5.0
    data = leaf(reduced(tables), "properties/temperature_log")
    assert data["equilibrium_temperature_flag"].values[0] == flags.BAD


# The demo hole as others would publish it ---------------------------------------------------------


PUBLISHED = {
    "properties/density": ("bulk_density",), "properties/velocity": ("p_wave_velocity",),
    "properties/resistivity": ("electrical_resistivity",),
    "properties/formation_factor": ("formation_factor",),
}  # fmt: skip
WEIGHED = (
    "bulk_density", "dry_density", "grain_density", "porosity", "void_ratio",
    "water_content_wet", "water_content_dry",
)  # fmt: skip


def published(tree, path, names, *more):
    """A leaf as a table of supplied values, its flags beside."""
    data = leaf(tree, path)
    heads = {"core": "core", "section": "section", "offset": "offset [cm]", "run": "run"}
    if "offset" not in data.coords:
        heads = {"depth": "depth [m]"}
    frame = {head: data[name].values for name, head in heads.items()}
    frame |= {name: data[name].values for name in more}
    for name in names:
        unit = TERMS[name].unit
        for start, end, word in (
            ("", "", unit), ("u_", "_u_random", units.difference_unit(unit)),
            ("u_systematic_", "_u_systematic", units.difference_unit(unit)),
        ):  # fmt: skip
            frame[f"{start}{name} [{word}]"] = data[f"{name}{end}"].values
        frame[f"{name}_flag"] = data[f"{name}_flag"].values
    return pd.DataFrame(frame)


@pytest.fixture(scope="module")
def republished(demo_hole, demo_reduced, tmp_path_factory):
    """The demo hole, its measurements replaced by what they were reduced to."""
    folder = tmp_path_factory.mktemp("published")
    for file in demo_hole.iterdir():
        if file.is_file():
            shutil.copy(file, folder / file.name)
    for name in ("scan", "samples"):
        (folder / name).mkdir()
    scan = [published(demo_reduced, path, names) for path, names in PUBLISHED.items()]
    pd.concat(scan).to_csv(folder / "scan" / "reduced.csv", index=False)
    stations = published(
        demo_reduced, "properties/formation_temperature", ("equilibrium_temperature",)
    )
    ends = leaf(demo_reduced, "samples/index_properties")["to"].values
    samples = [
        published(demo_reduced, INDEX, WEIGHED).assign(**{"to [cm]": ends}),
        published(demo_reduced, "properties/thermal_conductivity", ("thermal_conductivity",),
                  "direction"),
        stations,
    ]  # fmt: skip
    pd.concat(samples).to_csv(folder / "samples" / "reduced.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def again(republished):
    return cp.reduce(cp.read_hole(republished))


# Product, quantity, and the largest relative difference with its reason: the flags of the scan are
# tested again on values of which some are flagged already, so that a few readings in ten thousand
# differ in their flag; samples and stations are the same numbers with the same flags.
SAME = [
    ("products/effective_stress", "vertical_effective_stress", 0.0),
    ("products/thermal_resistance", "thermal_resistance", 1e-12),
    ("products/heat_flow", "heat_flow", 1e-12),
    ("products/heat_flow", "heat_flow_u_random", 1e-9),
    ("products/compaction", "decay_length", 1e-12),
    ("products/compaction", "surface_porosity", 1e-12),
    ("products/accumulation", "mass_accumulation_rate", 1e-12),
    ("products/porosity", "porosity", 1e-12),
    ("products/stress_profile", "vertical_effective_stress", 1e-12),
]


@pytest.mark.parametrize(("path", "name", "tolerance"), SAME)
def test_the_demo_hole_as_published_gives_its_own_products(
    demo_reduced, again, path, name, tolerance
):
    ours, first = leaf(again, path)[name].values, leaf(demo_reduced, path)[name].values
    np.testing.assert_allclose(ours, first, rtol=max(tolerance, 1e-12), atol=1e-12)


def test_cementation_exponents_of_the_demo_hole_as_published(demo_reduced, again):
    """A reading whose flag differs is in one fit alone: far less than the fit's uncertainty."""
    ours, first = leaf(again, "properties/archie"), leaf(demo_reduced, "properties/archie")
    points = np.abs(ours["points"].values - first["points"].values)
    assert (points <= 0.002 * first["points"].values).all()
    off = ours["cementation_exponent"].values - first["cementation_exponent"].values
    assert (np.abs(off) <= 0.1 * first["cementation_exponent_u_random"].values).all()


def test_sections_of_the_demo_hole_as_published(demo_reduced, again):
    """Blank velocities are no rows; the two-way time is that of the others."""
    assert not failed(again)
    ours, first = (leaf(t, "products/two_way_time")["two_way_time"].values for t in
                   (again, demo_reduced))  # fmt: skip
    # The time to the deepest reading; a velocity whose flag differs moves it by its own interval.
    assert np.nanmax(ours) == pytest.approx(np.nanmax(first), rel=1e-4)
    for path in ("products/impedance", "products/synthetic", "products/elastic_bounds"):
        assert leaf(again, path) is not None, path


def test_an_archive_of_supplied_holes_has_the_numbers_of_reduce(republished, again, tmp_path):
    pytest.importorskip("zarr")
    source = tmp_path / "holes"
    shutil.copytree(republished, source / "published")
    out = tmp_path / "archive"
    cp.archive.reduce(source, out, progress=False, workers=1)
    held = cp.archive.open(out)["published"]
    for path, name, _ in SAME:
        np.testing.assert_allclose(leaf(held, path)[name], leaf(again, path)[name], rtol=1e-6)


def test_amplitudes_beside_blank_velocities_are_those_of_their_rows():
    n = 60
    velocity = np.where(np.arange(n) % 3, 1550.0, np.nan)
    amplitude = np.where(np.arange(n) == 31, 1.0, 1000.0)  # one lost pulse, at a velocity
    frame = pd.DataFrame({
        "core": "1", "section": "1", "offset [cm]": 2.0 * np.arange(n) + 5.0,
        "p_wave_velocity [m/s]": velocity, "amplitude": amplitude,
        "bulk_density [g/cm^3]": 1.6,
    })  # fmt: skip
    tree = reduced({**CORES, "scan/reduced": frame})
    assert not failed(tree)
    data = leaf(tree, "properties/velocity")
    low = has(data, "p_wave_velocity", "low_amplitude")
    assert data["offset"].values[low].tolist() == [67.0]


# Faults that a table of supplied values can hide --------------------------------------------------


def read_in_file(folder, **files):
    """A hole read from a folder, where a cell may hold a text that is no number."""
    folder.mkdir()
    top = '[hole]\nname = "x"\nwater_depth = "2000 m"\nbottom_water_temperature = "2 degC"\n'
    (folder / "hole.toml").write_text(top)
    for name, text in files.items():
        path = folder / f"{name.replace('__', '/')}.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    return cp.read_hole(folder)


@pytest.mark.parametrize("kind", ["samples", "scan"])
def test_an_unreadable_cell_after_a_copied_row_keeps_its_row(tmp_path, kind):
    place = INDEX if kind == "samples" else "products/porosity"
    last = "depth [m],porosity [%]\n1,75\n1,75\n2,74\n3,73\n4,x\n"
    middle = "depth [m],porosity [%]\n1,75\n1,75\n2,x\n3,73\n4,72\n"
    for name, text, bad in (("last", last, 4.0), ("middle", middle, 2.0)):
        tree = cp.reduce(read_in_file(tmp_path / name, **{f"{kind}__reduced": text}))
        assert not failed(tree)
        data = leaf(tree, place)
        depth = data["depth"].values
        assert depth.tolist() == [1.0, 1.0, 2.0, 3.0, 4.0]
        np.testing.assert_array_equal(has(data, "porosity", "bad_cell"), depth == bad)
        np.testing.assert_array_equal(np.isnan(data["porosity"].values), depth == bad)
        copies = has(data, "porosity", "exact_copy").tolist()
        assert copies == [False, True, False, False, False]


def test_an_unknown_systematic_uncertainty_stays_unknown_in_products():
    z = np.arange(1.0, 40.0, 3.0)
    frame = pd.DataFrame(
        {
            "depth [m]": z,
            "bulk_density [g/cm^3]": 1.5 + z / 200.0,
            "u_bulk_density [g/cm^3]": 0.01,
            "p_wave_velocity [m/s]": 1500.0 + z,
            "u_p_wave_velocity [m/s]": 5.0,
        }
    )
    tree = reduced({"samples/reduced": frame}, water_depth="2000 m")
    deep = np.linspace(1.0, 60.0, 60)
    scan = pd.DataFrame(
        {
            "depth [m]": deep,
            "electrical_resistivity [ohm m]": 0.2 * (0.75 - 0.005 * deep) ** -2.0,
            "u_electrical_resistivity [ohm m]": 0.002,
            "temperature [degC]": 20.0,
            "porosity": 0.75 - 0.005 * deep,
            "u_porosity": 0.002,
            "u_systematic_porosity": 0.01,
        }
    )
    waters = reduced({"scan/reduced": scan}, pore_water_salinity="35 g/kg")
    for found, path, name in (
        (tree, INDEX, "bulk_density"),
        (tree, "products/effective_stress", "vertical_effective_stress"),
        (tree, "products/stress_profile", "overburden_below_seafloor"),
        (tree, "products/stress_profile", "vertical_effective_stress"),
        (tree, "products/impedance", "acoustic_impedance"),
        (waters, "properties/resistivity", "electrical_resistivity"),
        (waters, "properties/resistivity", "electrical_resistivity_at_reference"),
        (waters, "properties/formation_factor", "formation_factor"),
        (waters, "products/porosity_from_resistivity", "porosity"),
    ):
        data = leaf(found, path)
        assert np.isfinite(data[name].values).any(), (path, name)
        assert np.isnan(data[f"{name}_u_systematic"].values).all(), (path, name)
        assert np.isfinite(data[f"{name}_u_random"].values).any(), (path, name)


def test_the_worse_of_the_flag_of_a_row_and_that_of_a_quantity_counts():
    frame = pd.DataFrame(
        {
            "depth [m]": range(1, 7),
            "porosity [%]": [75.0, 20.0, 73.0, 72.0, 71.0, 70.0],
            "porosity_flag": ["1", "1", "", "4", "3", "1"],
            "flag": ["good", "bad", "suspect", "good", "bad", "missing"],
        }
    )
    data = leaf(reduced({"samples/reduced": frame}), INDEX)
    assert data["porosity_flag"].values.tolist() == [2, 4, 3, 4, 4, 9]


def test_a_quantity_in_rows_and_in_a_column_of_one_table_is_a_problem():
    frame = pd.DataFrame(
        {
            "depth [m]": [1.0, 2.0, 3.0, 4.0],
            "porosity [%]": [75.0, 74.0, np.nan, np.nan],
            "quantity": ["", "", "porosity", "porosity"],
            "value": [np.nan, np.nan, 73.0, 72.0],
            "unit": ["", "", "%", "%"],
        }
    )
    (found,) = problems({"samples/reduced": frame})
    assert "porosity is there twice" in found
    assert "in one form" in found
    # Other quantities stand beside each other; nothing is lost.
    other = frame.assign(
        quantity=["", "", "grain_density", "grain_density"],
        value=[np.nan, np.nan, 2.7, 2.8],
        unit=["", "", "g/cm^3", "g/cm^3"],
    )
    data = leaf(reduced({"samples/reduced": other}), INDEX)
    np.testing.assert_allclose(data["porosity"], [0.75, 0.74, np.nan, np.nan])
    np.testing.assert_allclose(data["grain_density"], [np.nan, np.nan, 2.7, 2.8])


def test_an_uncertainty_of_zero_or_below_or_beyond_all_is_not_known_and_counted():
    given = [1.0, -1.0, 1e15, 0.0, 1.0]
    frame = pd.DataFrame(
        {
            "depth [m]": range(1, 6),
            "porosity [%]": [75.0, 74.0, 73.0, 72.0, 71.0],
            "u_porosity [%]": given,
            "u_systematic_porosity [%]": [1.0, 0.0, 1.0, 1.0, np.nan],
        }
    )
    tree = reduced({"samples/reduced": frame})
    data = leaf(tree, INDEX)
    expected = [0.01, np.nan, np.nan, np.nan, 0.01]
    np.testing.assert_allclose(data["porosity_u_random"], expected)
    np.testing.assert_allclose(data["porosity_u_systematic"], [0.01, np.nan, 0.01, 0.01, np.nan])
    assert "in 3 of 5 rows u_porosity of porosity is not above zero" in notes(tree)
    assert "in 1 of 5 rows u_systematic_porosity" in notes(tree)
    rows = pd.DataFrame(
        {
            "depth [m]": [1.0, 2.0],
            "quantity": "porosity",
            "value": [75.0, 74.0],
            "unit": "%",
            "uncertainty": [0.0, 1.0],
        }
    )
    tree = reduced({"samples/reduced": rows})
    np.testing.assert_allclose(leaf(tree, INDEX)["porosity_u_random"], [np.nan, 0.01])
    assert "in 1 of 2 rows uncertainty of porosity" in notes(tree)


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [0, 1, 3, 2], [3, 0, 2, 1]])
def test_two_methods_at_one_position_are_paired_by_method(order):
    frame = pd.DataFrame(
        {
            "depth [m]": 1.0,
            "quantity": ["bulk_density"] * 2 + ["porosity"] * 2,
            "value": [1.5, 1.6, 70.0, 60.0],
            "unit": ["g/cm^3"] * 2 + ["%"] * 2,
            "method": ["A", "B", "A", "B"],
        }
    )
    data = leaf(reduced({"samples/reduced": frame.iloc[order]}), INDEX)
    pairs = sorted(zip(data["bulk_density"].values, data["porosity"].values, strict=True))
    np.testing.assert_allclose(pairs, [(1.5, 0.70), (1.6, 0.60)])


def test_second_values_at_one_position_are_paired_by_row():
    frame = pd.DataFrame(
        {
            "depth [m]": [2.0, 2.0],
            "porosity [%]": [60.0, 70.0],
            "bulk_density [g/cm^3]": [np.nan, 1.5],
        }
    )
    data = leaf(reduced({"samples/reduced": frame}), INDEX)
    np.testing.assert_allclose(data["porosity"], [0.60, 0.70])
    np.testing.assert_allclose(data["bulk_density"], [np.nan, 1.5])


def test_two_quantities_of_one_method_each_are_one_sample():
    frame = pd.DataFrame(
        {
            "depth [m]": 1.0,
            "quantity": ["bulk_density", "porosity"],
            "value": [1.5, 0.7],
            "unit": ["g/cm^3", "1"],
            "method": ["A", "B"],
        }
    )
    data = leaf(reduced({"samples/reduced": frame}), INDEX)
    assert data.sizes["reading"] == 1
