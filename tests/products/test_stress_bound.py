"""Fluid columns against the ground, and bounds of overpressure with their side."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

from corephys import figures
from corephys.ground import flags, series, units
from corephys.ground.cards import RESEARCH_ONLY
from corephys.products import stress
from corephys.uncertainty import Measured
from tests.products.test_stress import at, profile, whole


def formation():
    z = np.linspace(0.0, 300.0, 31)
    return whole(profile(z, 1.6 + 0.0005 * z), units.quantity(z, "m"), water_depth="1000 m",
                 water_depth_uncertainty="3 m")  # fmt: skip


def test_a_heavier_fluid_presses_more_and_where_it_exceeds_the_overburden_is_said():
    ground = formation()
    shares = []
    for density in ("1.1 g/cm^3", "1.5 g/cm^3", "1.7 g/cm^3"):
        column = stress.fluid_column_pressure(
            ground, drilling_fluid_density=density, water_depth="1000 m", column_from="seafloor",
            water_depth_uncertainty="3 m", drilling_fluid_density_uncertainty="0.01 g/cm^3",
        )  # fmt: skip
        margins = stress.pressure_margins(column, ground)
        for found in (column, margins):
            assert found.attrs["safety"] == RESEARCH_ONLY
        shares.append(margins.attrs["exceeds_share"])
        # The water column is the same error in both: it cancels.
        effects = margins["pressure_over_hydrostatic_effects"].sel(source="water_depth")
        np.testing.assert_allclose(effects, 0.0, atol=1e-9)
    assert shares[0] == 0.0 and shares[1] == 0.0
    # 1.7 z against the mean 1.6 + 0.00025 z: exceeded everywhere below the seafloor but 400 m.
    assert shares[2] == pytest.approx(30 / 31)
    assert margins.attrs["exceeds_from"] == 10.0
    np.testing.assert_allclose(margins["lambda_star"].values[1:] > 1.0, True)


def test_equivalent_density_undoes_the_column_at_both_datums():
    where = units.quantity(np.array([0.0, 150.0]), "m")
    for datum in ("sea_level", "seafloor"):
        column = stress.fluid_column_pressure(
            where, drilling_fluid_density="1.25 g/cm^3", water_depth="800 m", column_from=datum,
            water_depth_uncertainty="2 m", drilling_fluid_density_uncertainty="0.02 g/cm^3",
        )  # fmt: skip
        back = stress.equivalent_density(
            column, datum=datum, water_depth="800 m", water_depth_uncertainty="2 m"
        )
        assert back["equivalent_density"].values[1] == pytest.approx(1.25)
        assert back.attrs["datum"] == datum and back.attrs["safety"] == RESEARCH_ONLY
        # Water, gravity and depth cancel; what is left is the error of the fluid itself.
        assert back["equivalent_density_u_systematic"].values[1] == pytest.approx(0.02, rel=1e-6)
    assert np.isnan(back["equivalent_density"].values[0])  # no column below the seafloor at 0 m


def test_lambda_star_has_its_limits_and_shared_errors_cancel():
    ground = formation()
    for pressure, limit in (("hydrostatic_pressure", 0.0), ("overburden_stress", 1.0)):
        found = stress.lambda_star(ground, ground, ground, quantity=pressure)
        np.testing.assert_allclose(found["lambda_star"].values[1:], limit, atol=1e-12)
        assert np.isnan(found["lambda_star"].values[0])  # no stress at the seafloor
        shared = found["lambda_star_effects"].sel(source=["gravity", "water_depth"]).values[:, 1:]
        np.testing.assert_allclose(shared, 0.0, atol=1e-9)
        assert found.attrs["safety"] == RESEARCH_ONLY


def curve_of(first=1.6, second=0.5, **given):
    given.setdefault("void_ratio_uncertainty", 0.0)
    given.setdefault("compression_index_uncertainty", 0.0)
    given.setdefault("scatter", 0.02)
    return stress.reference_of_indices(void_ratio=first, compression_index=second, **given)


def porosity_at(profile_, effective):
    """Porosity that a mud of the reference has under an effective stress."""
    e = 1.6 - 0.5 * np.log10(np.maximum(effective, 1.0) / 100.0)
    values = xr.DataArray(e / (1.0 + e), dims="reading", coords={"depth": profile_["depth"]})
    return series.build({"porosity": Measured(values, np.full(e.size, 0.004), {})})


def test_overpressured_mud_gives_back_its_pressure_and_normal_mud_says_nothing():
    ground = formation().isel(reading=slice(1, None))
    load = ground["vertical_effective_stress"].values
    for share in (0.0, 0.6):
        found = stress.overpressure_bound(
            porosity_at(ground, load * (1.0 - share)), ground, reference=curve_of()
        )
        np.testing.assert_allclose(
            found["overpressure_difference"], share * load, atol=1e-6 * load[-1]
        )
        np.testing.assert_allclose(found["lambda_star"].values, share, atol=1e-9)
        assert (found["informative"].values == 1).all() == (share > 0)
        pressure = found["pore_pressure_bound"].values - ground["hydrostatic_pressure"].values
        np.testing.assert_allclose(pressure, share * load, atol=1e-3)
    assert found.attrs["bound"] == "lower" and found.attrs["safety"] == RESEARCH_ONLY
    assert found["pore_pressure_bound"].attrs["bound"] == "lower"
    assert "informative at 30 of 30" in found.attrs["verdict"]


def test_unloading_lies_above_the_bound_and_cement_breaks_it():
    """Which side: a mud compacted, then unloaded by inflow of fluid; one held open by cement."""
    ground = formation().isel(reading=slice(1, None))
    load = ground["vertical_effective_stress"].values
    past, now = 0.9 * load, 0.5 * load  # compacted under the one, under the other today
    e = 1.6 - 0.5 * np.log10(past / 100.0) + 0.05 * np.log10(past / now)  # swelling is slight
    values = xr.DataArray(e / (1.0 + e), dims="reading", coords={"depth": ground["depth"]})
    found = stress.overpressure_bound(
        series.build({"porosity": Measured(values, 0.0, {})}), ground, reference=curve_of()
    )
    true = load - now
    assert (found["overpressure_bound"].values < true).all()  # a lower bound, as it says
    open_pores = e + 0.4
    values = values.copy(data=open_pores / (1.0 + open_pores))
    found = stress.overpressure_bound(
        series.build({"porosity": Measured(values, 0.0, {})}), ground, reference=curve_of()
    )
    assert (found["overpressure_bound"].values > true).any()  # feigned: the words warn of it
    assert any("cement" in words for words in json.loads(found.attrs["assumptions"]))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((2.65, 2.75), "g/cm\\^3"),
        (("2.75 g/cm^3", "2.65 g/cm^3"), "give the least, then the greatest"),
        (("2.7 g/cm^3",), "give the least and the greatest"),
    ],
)
def test_a_range_of_grain_density_without_unit_or_order_is_refused(given, words):
    with pytest.raises(ValueError, match=words):
        curve_of(grain_density=given)


def test_other_grains_and_other_porosities_are_called_uninformative():
    ground = formation().isel(reading=slice(1, None))
    load = ground["vertical_effective_stress"].values
    phi = porosity_at(ground, 0.3 * load)
    grains = xr.DataArray(np.where(load > 1000.0, 2.30, 2.70), dims="reading",
                          coords={"depth": ground["depth"]})  # fmt: skip
    solids = series.build({"grain_density": Measured(grains, 0.02, {})})
    reference = curve_of(grain_density=("2.65 g/cm^3", "2.75 g/cm^3"), porosity=(0.45, 0.62))
    found = stress.overpressure_bound(phi, ground, reference=reference, grain_density=solids)
    opal = load > 1000.0
    outside = phi["porosity"].values > 0.62
    np.testing.assert_array_equal(found["informative"].values == 1, ~opal & ~outside)
    assert "composition changes" in found.attrs["verdict"]
    assert "does not cover" in found.attrs["verdict"]
    reasons = found["overpressure_bound_reason"].values
    marked = np.array(["beyond_calibration" in flags.names(r) for r in reasons])
    np.testing.assert_array_equal(marked, opal | outside)


def test_an_unknown_reference_is_no_certain_bound():
    ground = formation().isel(reading=slice(1, None))
    phi = porosity_at(ground, 0.3 * ground["vertical_effective_stress"].values)
    reference = stress.reference_of_indices(void_ratio=1.6, compression_index=0.5)
    found = stress.overpressure_bound(phi, ground, reference=reference)
    assert not found["informative"].values.any()
    assert "unknown" in found.attrs["verdict"]


def mud(rng, model, effective):
    """Porosity of one mud under effective stresses [kPa], with the scatter of its samples."""
    if model == "logarithmic":
        e = 1.6 - 0.5 * np.log10(effective / 100.0) + rng.normal(0.0, 0.05, effective.size)
        return e / (1.0 + e)
    return 0.62 * np.exp(-effective / 4000.0 + rng.normal(0.0, 0.03, effective.size))


def made(name, values, load):
    """A quantity at depths that follow from the load."""
    depth = ("reading", load / 6.0, {"units": "m"})
    array = xr.DataArray(values, dims="reading", coords={"depth": depth})
    return series.build({name: Measured(array, 0.0, {"gravity": 0.0})})


@pytest.mark.slow
@pytest.mark.parametrize("model", ["logarithmic", "exponential"])
def test_intervals_of_a_bound_hold_the_truth_two_times_in_three(model):
    """A site at hydrostatic pressure makes the reference, another has known overpressure."""
    rng = np.random.default_rng(21)
    hits = []
    for _ in range(150):
        load = np.sort(rng.uniform(80.0, 2500.0, 40))

        site = made("vertical_effective_stress", load, load)
        reference = stress.fit_reference(
            made("porosity", mud(rng, model, load), load), site, model=model
        )
        here = made("porosity", mud(rng, model, 0.7 * load), load)
        found = stress.overpressure_bound(here, site, reference=reference)
        u = np.hypot(found["overpressure_bound_u_random"], found["overpressure_bound_u_systematic"])
        miss = (found["overpressure_difference"] - 0.3 * load) / u
        hits.append((np.abs(miss) < 1.0).values)
    assert 0.64 < np.mean(hits) < 0.74
    assert (np.mean(hits, axis=0)[[0, -1]] > 0.55).all()


def test_a_curve_of_a_site_is_the_line_that_made_it():
    ground = formation().isel(reading=slice(1, None))
    load = ground["vertical_effective_stress"].values
    found = stress.fit_reference(porosity_at(ground, load), ground)
    assert found.first == pytest.approx(1.6) and found.second == pytest.approx(0.5)
    assert "a site at hydrostatic pressure" in found.describe()


def test_bad_input_is_refused_in_words():
    ground = formation()
    z = np.concatenate([np.arange(0.0, 61.0, 3.0), np.arange(140.0, 201.0, 3.0)])
    density = profile(z, 1.5 + 0.001 * z, 0.01)
    with pytest.raises(ValueError, match="fill is 'cubic'; expected linear, none"):
        whole(density, at(10.0), fill="cubic")
    with pytest.raises(ValueError, match="fill covers 0 to 100 m and the gaps lie from 60"):
        whole(density, at(200.0), fill=profile([0.0, 100.0], [1.5, 1.6], 0.0))
    with pytest.raises(ValueError, match="depths of pore_water_density have to increase"):
        water = profile([10.0, 5.0], [1.03, 1.03]).rename(
            {n: n.replace("bulk_density", "pore_water_density")
             for n in profile([10.0, 5.0], [1.03, 1.03]).data_vars})  # fmt: skip
        whole(density, at(10.0), pore_water_density=water)
    with pytest.raises(ValueError, match="from 5 to 1 m; they have to increase"):
        stress.in_situ_water_density(units.quantity(np.array([5.0, 1.0]), "m"), salinity="35 g/kg",
                                     seafloor_temperature="2 degC", water_depth="1 km")  # fmt: skip
    with pytest.raises(ValueError, match="column_from is 'floor'"):
        stress.fluid_column_pressure("5 m", drilling_fluid_density="1.1 g/cm^3", water_depth="10 m",
                                     column_from="floor")  # fmt: skip
    with pytest.raises(ValueError, match="datum is 'rig'; expected one of sea_level, seafloor"):
        stress.equivalent_density("5 MPa", "5 m", datum="rig", water_depth="10 m")
    with pytest.raises(units.UnitError, match="drilling_fluid_density: expected g/cm"):
        stress.fluid_column_pressure("5 m", drilling_fluid_density="1.1 kPa", water_depth="10 m",
                                     column_from="seafloor")  # fmt: skip
    with pytest.raises(ValueError, match="no stress from sea level; compute it with a water_depth"):
        stress.pressure_margins(ground, whole(density, at(10.0)))
    with pytest.raises(ValueError, match="choices holds 1; a comparison needs at least two"):
        stress.compare_choices({"only": ground})
    with pytest.raises(ValueError, match="have to be denser than the water"):
        stress.with_in_situ_water(density, "1.03 g/cm^3", laboratory_water_density="1.02 g/cm^3",
                                  grain_density="1.0 g/cm^3")  # fmt: skip
    with pytest.raises(series.PositionError, match="different positions"):
        stress.overpressure_bound(porosity_at(ground, ground["vertical_effective_stress"].values)
                                  .assign_coords(depth=ground["depth"] + 1.0),
                                  ground, reference=curve_of())  # fmt: skip


def test_porosities_and_references_that_cannot_be_are_refused():
    ground = formation().isel(reading=slice(1, None))
    phi = porosity_at(ground, ground["vertical_effective_stress"].values)
    phi["porosity"][3] = 54.0
    with pytest.raises(ValueError, match="porosity of 54 lies outside 0 to 1; if it is in"):
        stress.overpressure_bound(phi, ground, reference=curve_of())
    with pytest.raises(ValueError, match="porosity of 54 lies outside 0 to 1; if it is in"):
        stress.density_of_porosity(phi)
    with pytest.raises(ValueError, match="compression_index is 0; it has to be above zero"):
        curve_of(second=0.0)
    with pytest.raises(ValueError, match=r"porosity of the reference is 0\.7 to 0\.4"):
        curve_of(porosity=(0.7, 0.4))
    with pytest.raises(ValueError, match="model is 'cubic'; expected one of logarithmic"):
        stress.fit_reference(phi, ground, model="cubic")
    few = ground.isel(reading=slice(0, 3))
    with pytest.raises(ValueError, match="3 usable pairs; a reference curve needs 5"):
        stress.fit_reference(phi.isel(reading=slice(4, 7)), few.assign_coords(
            depth=phi["depth"][4:7]))  # fmt: skip
    rising = porosity_at(ground, ground["vertical_effective_stress"].values[::-1])
    with pytest.raises(ValueError, match="does not fall with stress"):
        stress.fit_reference(rising, ground)


def test_a_flagged_porosity_is_kept_and_says_nothing():
    ground = formation().isel(reading=slice(1, 6))
    phi = porosity_at(ground, ground["vertical_effective_stress"].values / 2.0)
    values = phi["porosity"].values.copy()
    values[0] = 1.46
    reason = np.array([0, flags.bit("spike"), 0, 0, 0])
    marked = series.build({"porosity": Measured(phi["porosity"].copy(data=values), 0.001, {
        "balance": 0.0}, reason)})  # fmt: skip
    found = stress.overpressure_bound(marked, ground, reference=curve_of())
    assert found["informative"].values.tolist() == [0, 0, 1, 1, 1]
    assert found["overpressure_bound_flag"].values[0] == flags.MISSING
    assert found["overpressure_bound_reason"].values[0] & flags.bit("impossible_value")
    assert found["overpressure_bound_flag"].values[1] == flags.SUSPECT
    assert np.isnan(found["overpressure_bound"].values[0])
    assert "informative at 3 of 4 depths" in found.attrs["verdict"]
    assert "1 porosities whose flags leave them out" in found.attrs["verdict"]
    taken = stress.overpressure_bound(
        marked, ground, reference=curve_of(), allow=("good", "suspect")
    )
    assert taken["informative"].values.tolist() == [0, 1, 1, 1, 1]


def test_there_is_no_fluid_column_above_the_place_where_it_begins():
    where = units.quantity(np.array([-10.0, 0.0, 10.0]), "m")
    for datum, known in (("seafloor", [False, True, True]), ("sea_level", [True, True, True])):
        found = stress.fluid_column_pressure(
            where, drilling_fluid_density="1.2 g/cm^3", water_depth="100 m", column_from=datum
        )
        assert np.isfinite(found["fluid_column_pressure"].values).tolist() == known


def test_what_is_no_profile_is_refused_in_words():
    ground = formation()
    density = profile([0.0, 10.0], [1.5, 1.6])
    bare = density.drop_vars("depth")
    depths = units.quantity(np.array([1.0, 2.0]), "m")
    for given in (bare, units.quantity(np.array([1.5]), "g/cm^3")):
        with pytest.raises(ValueError, match="the density has no depth"):
            whole(given)
        with pytest.raises(ValueError, match="the density has no depth"):
            stress.vertical_effective_stress(given, at=density)
    for given in (bare, depths):
        with pytest.raises(ValueError, match="at has no depth"):
            stress.vertical_effective_stress(density, at=given)
    with pytest.raises(ValueError, match="3 pressures and 2 depths do not make pairs"):
        stress.equivalent_density(units.quantity(np.array([1.0, 2.0, 3.0]), "kPa"), depths,
                                  datum="seafloor", water_depth="10 m")  # fmt: skip
    with pytest.raises(ValueError, match="'b' is not a Dataset with vertical_effective_stress"):
        stress.compare_choices({"a": ground, "b": density})
    with pytest.raises(ValueError, match="the porosity has no depth"):
        stress.density_of_porosity(units.quantity(np.array([0.5]), "1"))
    with pytest.raises(ValueError, match="reference is a str; give a CompactionReference"):
        stress.effective_stress_of_porosity(units.quantity(0.5, "1"), reference="mud")
    with pytest.raises(ValueError, match=r"scatter is -0\.1; it has to be zero or more"):
        curve_of(scatter=-0.1)
    level = ground.isel(reading=slice(1, 9)).copy(deep=True)
    level["vertical_effective_stress"][:] = 100.0
    phi = porosity_at(level, np.linspace(50.0, 150.0, 8))
    with pytest.raises(ValueError, match="all 8 pairs have the same stress"):
        stress.fit_reference(phi, level)


def test_the_figure_draws_what_there_is_and_carries_the_caution():
    z = np.linspace(0.0, 300.0, 31)
    density = profile(np.delete(z, slice(10, 18)), 1.6 + 0.0005 * np.delete(z, slice(10, 18)))
    whole_ = whole(density, units.quantity(z, "m"), water_depth="1000 m",
                   water_depth_uncertainty="3 m")  # fmt: skip
    column = stress.fluid_column_pressure(
        whole_, drilling_fluid_density="1.3 g/cm^3", water_depth="1000 m", column_from="seafloor",
        water_depth_uncertainty="3 m", drilling_fluid_density_uncertainty="0.01 g/cm^3",
    )  # fmt: skip
    below = whole_.isel(reading=slice(1, None))
    phi = porosity_at(below, 0.4 * below["vertical_effective_stress"].values)
    bound = stress.overpressure_bound(phi, below, reference=curve_of())
    leaves = {
        "products/stress_profile": whole_, "products/fluid_column": column,
        "products/fluid_column_margins": stress.pressure_margins(column, whole_),
        "products/overpressure_bound_of_porosity": bound,
    }  # fmt: skip
    for kept, panels in ((list(leaves), 4), (["products/stress_profile"], 3)):
        tree = xr.DataTree.from_dict({"/": xr.Dataset(), **{f"/{k}": leaves[k] for k in kept}})
        figure = figures.stress_depth(tree)
        assert len(figure.axes) == panels
        assert RESEARCH_ONLY in [text.get_text() for text in figure.texts]
        drawn = set(figure.table()["series"])
        assert {"overburden", "hydrostatic", "filled"} <= drawn
        assert ("fluid column" in drawn) == (panels == 4)
        assert ("overpressure at least, by porosity" in drawn) == (panels == 4)
    with pytest.raises(figures.NothingToDraw, match="stress_depth needs /products/stress_profile"):
        figures.stress_depth(xr.DataTree.from_dict({"/": xr.Dataset()}))
