"""Velocities in the formation against printed water velocities and a Monte Carlo of the errors."""

from __future__ import annotations

from typing import Any

import gsw
import numpy as np
import pytest
import xarray as xr

from corephys.ground import flags, series
from corephys.ground.provenance import used_constants
from corephys.ground.series import PositionError
from corephys.ground.units import UnitError
from corephys.sensors import pwave
from corephys.uncertainty import Measured

DEEP: dict[str, Any] = {
    "laboratory_temperature": "20 degC", "in_situ_temperature": "2 degC",
    "in_situ_pressure": "4000 dbar",
}  # fmt: skip


def mackenzie(warmth: float, salt: float, depth: float) -> float:
    """Velocity of sea water, Mackenzie (1981), J. Acoust. Soc. Am. 70, 807 [m/s]."""
    return (
        1448.96 + 4.591 * warmth - 0.05304 * warmth**2 + 2.374e-4 * warmth**3
        + 1.340 * (salt - 35.0) + 0.0163 * depth + 1.675e-7 * depth**2
        - 0.01025 * warmth * (salt - 35.0) - 7.139e-13 * warmth * depth**3
    )  # fmt: skip


def along(values: Any, unit: str, depth: float = 100.0) -> xr.DataArray:
    places = ("reading", depth + np.arange(len(values)), {"units": "m"})
    return xr.DataArray(
        np.asarray(values, float), dims="reading", coords={"depth": places}, attrs={"units": unit}
    )


def measured(u: float = 5.0, effects: Any = None, reason: Any = 0) -> xr.Dataset:
    speeds = along([1520.0, 1600.0, 1800.0, 2400.0], "m/s").drop_attrs()
    return series.build(
        {"p_wave_velocity": Measured(speeds, u, effects or {"core_diameter": 11.0}, reason)},
        steps=("picked",), constants={"wall": "2.5 mm"},
    )  # fmt: skip


def test_the_ratio_of_printed_water_velocities() -> None:
    assert mackenzie(40.0, 40.0, 10000.0) == pytest.approx(1718.774, abs=5e-4)  # its check value
    depth = -float(gsw.z_from_p(4000.0, 30.0))
    ratio = mackenzie(2.0, 35.0, depth) / mackenzie(20.0, 35.0, 0.0)
    found = pwave.in_situ_velocity(measured(), **DEEP, salinity="35.165 g/kg")
    # Two formulations of the water: 0.2 m/s of 1525 each.
    np.testing.assert_allclose(
        found["p_wave_velocity_in_situ"], ratio * measured()["p_wave_velocity"], rtol=2.5e-4
    )
    assert 1.001 < ratio < 1.004  # cold and pressure nearly cancel


def test_slowness_is_a_mean_over_time_of_water_and_grains() -> None:
    """A core of layers of water and grains: only the water changes, and times add."""
    porosity, grain = np.array([0.9, 0.7, 0.5, 0.2]), 5200.0
    lab, there = mackenzie(20.0, 35.0, 0.0), mackenzie(2.0, 35.0, 3945.0)
    core = along(1.0 / (porosity / lab + (1.0 - porosity) / grain), "m/s")
    wanted = 1.0 / (porosity / there + (1.0 - porosity) / grain)
    found = pwave.in_situ_velocity(
        core, **DEEP, form="slowness", porosity=along(porosity, "1"), salinity="35.165 g/kg"
    )
    np.testing.assert_allclose(found["p_wave_velocity_in_situ"], wanted, rtol=2.5e-4)


def test_both_forms_agree_for_water_and_part_for_rock() -> None:
    water = along([float(gsw.sound_speed_t_exact(35.0, 20.0, 0.0))], "m/s")
    there = float(gsw.sound_speed_t_exact(35.0, 2.0, 4000.0))
    all_water = pwave.in_situ_velocity(water, **DEEP, form="slowness", porosity=along([1.0], "1"))
    no_water = pwave.in_situ_velocity(water, **DEEP, form="slowness", porosity=along([0.0], "1"))
    ratio = pwave.in_situ_velocity(water, **DEEP)
    assert float(ratio["p_wave_velocity_in_situ"][0]) == pytest.approx(there, abs=1e-6)
    assert float(all_water["p_wave_velocity_in_situ"][0]) == pytest.approx(there, abs=1e-6)
    assert float(no_water["p_wave_velocity_in_situ"][0]) == pytest.approx(float(water[0]))


@pytest.mark.parametrize("form", ["ratio", "slowness"])
def test_uncertainties_are_those_of_a_monte_carlo(form: str) -> None:
    rng = np.random.default_rng(2)
    draws = 200_000
    u = {"salt": 1.0, "lab": 1.5, "there": 1.0, "pressure": 60.0, "speed": 5.0, "bore": 11.0}
    e = {key: sigma * rng.normal(size=draws) for key, sigma in u.items()}
    phi = 0.6 + 0.03 * (own := rng.normal(size=draws)) + 0.02 * (shared := rng.normal(size=draws))
    lab = gsw.sound_speed_t_exact(35.0 + e["salt"], 20.0 + e["lab"], 0.0)
    there = gsw.sound_speed_t_exact(35.0 + e["salt"], 2.0 + e["there"], 4000.0 + e["pressure"])
    speed = 1600.0 + e["speed"] + e["bore"]
    if form == "ratio":
        drawn = speed * there / lab
    else:
        drawn = 1.0 / (1.0 / speed + phi * (1.0 / there - 1.0 / lab))
    porosity = series.build(
        {"porosity": Measured(along([0.6] * 4, "1").drop_attrs(), 0.03, {"grain": 0.02})}
    )
    found = pwave.in_situ_velocity(
        measured(), **DEEP, form=form, porosity=porosity, salinity="35 g/kg",
        salinity_uncertainty="1 g/kg", laboratory_temperature_uncertainty="1.5 K",
        in_situ_temperature_uncertainty="1 K", in_situ_pressure_uncertainty="60 dbar",
    ).isel(reading=1)  # fmt: skip
    name = "p_wave_velocity_in_situ"
    whole = np.hypot(found[f"{name}_u_random"], found[f"{name}_u_systematic"])
    # A sample of 200 000 has a standard deviation good to 0.16 %; the rest is curvature.
    assert float(whole) == pytest.approx(drawn.std(), rel=0.01)
    for source, draw in (
        ("core_diameter", e["bore"]), ("pore_water_salinity", e["salt"]),
        ("laboratory_temperature", e["lab"]), ("in_situ_temperature", e["there"]),
        ("in_situ_pressure", e["pressure"]),
    ):  # fmt: skip
        effect = np.cov(drawn, draw)[0, 1] / draw.std()  # with its sign
        got = float(found[f"{name}_effects"].sel(source=source))
        assert got == pytest.approx(effect, abs=0.15), source
    if form == "slowness":
        alone = np.cov(drawn, own)[0, 1] / own.std(), np.cov(drawn, shared)[0, 1] / shared.std()
        assert float(found[f"{name}_effects"].sel(source="grain")) == pytest.approx(
            alone[1], abs=0.15
        )


def test_a_temperature_of_each_reading_errs_at_random() -> None:
    warm = along([19.0, 20.0, 21.0, 22.0], "degC")
    given = {**DEEP, "laboratory_temperature": warm}
    found = pwave.in_situ_velocity(
        measured(u=0.0), **given, laboratory_temperature_uncertainty="0.5 K",
        in_situ_temperature_uncertainty="0 K", in_situ_pressure_uncertainty="0 dbar",
    )  # fmt: skip
    name = "p_wave_velocity_in_situ"
    assert "laboratory_temperature" not in found["source"].values
    random = found[f"{name}_u_random"] / found[name]
    half = [mackenzie(t + 0.25, 35.0, 0.0) - mackenzie(t - 0.25, 35.0, 0.0) for t in warm.values]
    wanted = np.array(half) / [mackenzie(t, 35.0, 0.0) for t in warm.values]
    np.testing.assert_allclose(random, wanted, rtol=0.01)


def test_unknown_stays_unknown() -> None:
    found = pwave.in_situ_velocity(measured(), **DEEP)
    assert np.isnan(found["p_wave_velocity_in_situ_u_systematic"]).all()
    known = found["p_wave_velocity_in_situ_effects"].sel(source="pore_water_salinity")
    assert np.isfinite(known).all()  # the constant brings its own
    np.testing.assert_allclose(found["p_wave_velocity_u_systematic"], 11.0)


def test_pressure_from_the_depth_of_the_water() -> None:
    core = measured()
    by_depth = pwave.in_situ_velocity(
        core, laboratory_temperature="20 degC", in_situ_temperature="2 degC",
        water_depth="3845 m", salinity="35.165 g/kg",
    )["p_wave_velocity_in_situ"]  # fmt: skip
    pressure = along(gsw.p_from_z(-(3845.0 + core["depth"].values), 45.0), "dbar")
    by_pressure = pwave.in_situ_velocity(
        core, **{**DEEP, "in_situ_pressure": pressure}, salinity="35.165 g/kg"
    )["p_wave_velocity_in_situ"]
    # 0.3 % of the pressure, mostly gravity's change with latitude and depth, is 12 dbar.
    np.testing.assert_allclose(by_depth, by_pressure, atol=0.3)


def test_rows_reasons_and_words_stay() -> None:
    reason = np.array([0, flags.bit("spike"), 0, 0])
    holes = along([0.6, 0.6, np.nan, 0.6], "1")
    porosity = series.build({"porosity": Measured(holes.drop_attrs(), 0.01)})
    found = pwave.in_situ_velocity(
        measured(reason=reason), **DEEP, form="slowness", porosity=porosity
    )
    name = "p_wave_velocity_in_situ"
    np.testing.assert_array_equal(np.isnan(found[name]), [False, False, True, False])
    assert int(found[f"{name}_reason"][1]) & flags.bit("spike")
    assert int(found[f"{name}_reason"][2]) & flags.bit("input_bad")
    xr.testing.assert_equal(found["p_wave_velocity"], measured()["p_wave_velocity"])
    assert "rebound not included" in found.attrs["steps"]
    assert found.attrs["steps"].startswith('["picked"')
    used = {name: one.shown() for name, one in used_constants(found).items()}
    assert (used["wall"], used["form"]) == ("2.5 mm", "slowness")


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"form": "both"}, ValueError, "form is 'both'; expected one of ratio, slowness"),
        ({"form": "slowness"}, ValueError, "needs the porosity at the same positions"),
        ({"in_situ_pressure": None}, ValueError, "give in_situ_pressure, such as"),
        ({"water_depth": "3000 m"}, ValueError, "are both given"),
        ({"in_situ_pressure": 4000}, UnitError, "in_situ_pressure: expected a quantity in dbar"),
        ({"laboratory_temperature": 20}, UnitError, "laboratory_temperature: expected"),
        (
            {"form": "slowness", "porosity": along([0.5] * 4, "1", depth=7.0)},
            PositionError, "lie at different positions",
        ),
        (
            {"in_situ_temperature": along([2.0] * 4, "degC", depth=7.0)},
            PositionError, "lie at different positions",
        ),
    ],
)  # fmt: skip
def test_wrong_input_is_refused(change: Any, error: Any, message: str) -> None:
    with pytest.raises(error, match=message):
        pwave.in_situ_velocity(measured(), **{**DEEP, **change})


def test_a_water_depth_needs_depths() -> None:
    given = {**DEEP, "in_situ_pressure": None, "water_depth": "3000 m"}
    with pytest.raises(ValueError, match="needs the coordinate 'depth'"):
        pwave.in_situ_velocity("1600 m/s", **given)
