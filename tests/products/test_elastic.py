"""Rock physics against exact solutions of elasticity, limits, and what other arithmetic gives."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

import corephys as cp
from corephys.ground import constants, flags, seawater, series
from corephys.products import elastic
from corephys.products.elastic.averages import reuss_kernel, walpole_kernel
from corephys.products.elastic.fluids import gassmann_kernel
from corephys.products.elastic.frames import soft_sand_kernel
from corephys.products.elastic.reflections import reflection_kernel
from corephys.uncertainty import total

UNITS = ("GPa", "GPa", "g/cm^3")


def _solid(k: float, g: float, rho: float = 2.65) -> elastic.Material:
    parts = (f"{float(number)!r}" for number in (k, g, rho))
    return elastic.Material(
        "made up", *(f"{part} {unit}" for part, unit in zip(parts, UNITS, strict=True))
    )


def _array(values, unit: str) -> xr.DataArray:
    return xr.DataArray(np.asarray(values, dtype=float), dims="reading", attrs={"units": unit})


def composite_sphere(k_core: float, k_shell: float, g_shell: float, share: float) -> float:
    """Bulk modulus of a coated sphere from the radial displacement of core and shell.

    u = A r in the core, B r + C / r^2 in the shell: equal displacement and radial stress where
    they meet, unit strain at the outside. No formula of an average or of Gassmann is in it.
    """
    a3 = share  # core radius cubed, outside 1
    equations = [
        [1.0, -1.0, -1.0 / a3],
        [3.0 * k_core, -3.0 * k_shell, 4.0 * g_shell / a3],
        [0.0, 1.0, 1.0],
    ]
    _, b, c = np.linalg.solve(equations, [0.0, 0.0, 1.0])
    return float(3.0 * k_shell * b - 4.0 * g_shell * c) / 3.0


# Averages and bounds ---------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.05, 0.3, 0.7])
def test_the_bulk_bounds_are_those_of_coated_spheres(share: float) -> None:
    """Water in a coat of quartz, and clay in a coat of quartz, are the stiffest there can be."""
    for core in ((2.37, 0.0), (20.9, 6.9)):
        phases = [_solid(37.0, 44.0), _solid(*core)]
        bound = elastic.hashin_shtrikman([1.0 - share, share], phases, bound="upper")
        exact = composite_sphere(core[0], 37.0, 44.0, share)
        assert float(bound["bulk_modulus"]) == pytest.approx(exact, rel=1e-12)
    soft = elastic.hashin_shtrikman(
        [1.0 - share, share], [_solid(20.9, 6.9), _solid(37.0, 44.0)], bound="lower"
    )
    exact = composite_sphere(37.0, 20.9, 6.9, share)
    assert float(soft["bulk_modulus"]) == pytest.approx(exact, rel=1e-12)


def test_equal_shear_moduli_leave_one_bulk_modulus() -> None:
    """Hill's exact result: M is averaged harmonically where G is the same everywhere."""
    f, k, g = np.array([0.2, 0.3, 0.5]), np.array([10.0, 40.0, 90.0]), 17.0
    exact = 1.0 / np.sum(f / (k + 4.0 / 3.0 * g)) - 4.0 / 3.0 * g
    phases = [_solid(one, g) for one in k]
    for bound in ("upper", "lower"):
        found = elastic.hashin_shtrikman(list(f), phases, bound=bound)
        assert float(found["bulk_modulus"]) == pytest.approx(exact, rel=1e-13)
        assert float(found["shear_modulus"]) == pytest.approx(g, rel=1e-13)


_MODULUS = st.floats(0.01, 200.0)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(_MODULUS, st.one_of(st.just(0.0), _MODULUS), st.floats(0.0, 1.0)),
             min_size=2, max_size=5)
)  # fmt: skip
def test_the_averages_keep_their_order(phases: list[tuple[float, float, float]]) -> None:
    """Reuss, lower, upper, Voigt, all within the phases: also badly ordered and with a fluid."""
    k, g, f = (np.array(part) for part in zip(*phases, strict=True))
    if f.sum() < 1e-3:
        return
    f = f / f.sum()
    lower, upper = (walpole_kernel(f, k, g, upper=side) for side in (False, True))
    soft, stiff = reuss_kernel(f, k, g), (f @ k, f @ g)
    for place, modulus in enumerate((k, g)):
        there = modulus[f > 0.0]
        ladder = [there.min(), soft[place], lower[place], upper[place], stiff[place], there.max()]
        assert np.all(np.diff(ladder) >= -1e-9 * there.max()), ladder
    hill = 0.5 * (soft[0] + stiff[0])
    assert soft[0] <= hill * (1 + 1e-12) and hill <= stiff[0] * (1 + 1e-12)


def test_one_phase_alone_is_itself() -> None:
    for average in (elastic.voigt, elastic.reuss, elastic.hill):
        found = average([1.0, 0.0], ["quartz", "gas"])
        assert float(found["bulk_modulus"]) == pytest.approx(37.0, rel=1e-14)
        assert float(found["shear_modulus"]) == pytest.approx(44.0, rel=1e-14)


def test_a_fluid_takes_the_shear_modulus_off_the_lower_averages() -> None:
    for found in (
        elastic.reuss([0.7, 0.3], ["quartz", "sea water"]),
        elastic.hashin_shtrikman([0.7, 0.3], ["quartz", "sea water"], bound="lower"),
    ):
        assert float(found["shear_modulus"]) == 0.0
        assert found.attrs["bound"] == "lower"
    assert elastic.voigt([0.5, 0.5], ["quartz", "clay"]).attrs["bound"] == "upper"


def test_averages_carry_the_uncertainty_of_the_phases() -> None:
    rng = np.random.default_rng(3)
    k1, k2 = rng.normal(37.0, 0.8, 200_000), rng.normal(20.9, 4.0, 200_000)
    drawn = 1.0 / (0.5 / k1 + 0.5 / k2)
    share = constants.Constant("share", 0.5, "1", 0.0, "made up", "memory")
    found = elastic.reuss([share, share], ["quartz", "clay"])
    assert float(found["bulk_modulus_u_systematic"]) == pytest.approx(drawn.std(), rel=0.03)


# Velocities ------------------------------------------------------------------------------------


def test_the_suspension_is_the_softest_and_gassmann_without_a_frame() -> None:
    phi = np.linspace(0.05, 1.0, 20)
    k = gassmann_kernel(0.0 * phi, phi, 37.0, 2.37)
    assert k == pytest.approx(1.0 / (phi / 2.37 + (1.0 - phi) / 37.0), rel=1e-13)
    rho = 2.65 * (1.0 - phi) + phi * 1.02
    found = elastic.wood(_array(phi, "1"), mineral=_solid(37.0, 44.0),
                         fluid=_solid(2.37, 0.0, 1.02))  # fmt: skip
    assert found["p_wave_velocity"].values == pytest.approx(1e3 * np.sqrt(k / rho), rel=1e-13)


def test_velocity_and_moduli_turn_into_each_other() -> None:
    given = {"p": _array([1550, 2600], "m/s"), "s": _array([150, 1100], "m/s"),
             "rho": _array([1.6, 2.1], "g/cm^3")}  # fmt: skip
    found = elastic.dynamic_moduli(*given.values())
    back = elastic.from_moduli(found, found, given["rho"])
    assert back["p_wave_velocity"].values == pytest.approx(given["p"].values, rel=1e-12)
    assert back["s_wave_velocity"].values == pytest.approx(given["s"].values, rel=1e-12)
    k, g, e = (found[f"{name}_modulus"].values for name in ("bulk", "shear", "young"))
    nu = found["poisson_ratio"].values
    assert e == pytest.approx(9.0 * k * g / (3.0 * k + g), rel=1e-12)
    assert found["lame_parameter"].values == pytest.approx(k - 2.0 * g / 3.0, rel=1e-12)
    assert nu == pytest.approx(e / (2.0 * g) - 1.0, rel=1e-9)


def test_a_shared_error_enters_the_moduli_once_with_its_sign() -> None:
    """A core 1 % too wide: velocities 1 % up, density 1 % down, moduli up by 1 %."""
    names = ("p_wave_velocity", "s_wave_velocity", "bulk_density")
    parts = []
    for name, value, unit, sign in zip(
        names, (1700.0, 300.0, 1.8), ("m/s", "m/s", "g/cm^3"), (1.0, 1.0, -1.0), strict=True
    ):
        measured = cp.uncertainty.Measured(
            _array([value], unit), 0.0, {"core_diameter": sign * 0.01 * value}
        )
        parts.append(series.build({name: measured}))
    found = elastic.dynamic_moduli(*parts)
    for name in ("bulk_modulus", "shear_modulus", "lame_parameter"):
        share = found[f"{name}_u_systematic"].values / found[name].values
        assert share == pytest.approx(0.01, rel=1e-3)


def test_raymer_is_continuous_and_ends_in_its_phases() -> None:
    more = {"grain_velocity": "5500 m/s", "fluid_velocity": "1500 m/s",
            "grain_density": "2.65 g/cm^3", "fluid_density": "1.03 g/cm^3"}  # fmt: skip
    at = [0.0, 0.37 - 1e-9, 0.37 + 1e-9, 0.47 - 1e-9, 0.47 + 1e-9, 1.0]
    v = elastic.raymer(_array(at, "1"), **more)["p_wave_velocity"].values
    assert (v[0], v[-1]) == pytest.approx((5500.0, 1500.0))
    assert v[1] == pytest.approx(v[2], abs=1e-3)
    assert v[3] == pytest.approx(v[4], abs=1e-3)
    short = elastic.raymer(_array([0.2, 0.5], "1"), grain_velocity="5500 m/s",
                           fluid_velocity="1500 m/s")  # fmt: skip
    assert np.isnan(short["p_wave_velocity"].values[1])
    words = flags.names(int(short["p_wave_velocity_reason"].values[1]))
    assert words == ["missing_value", "beyond_method_range"]
    assert short["p_wave_velocity_flag"].values[0] == flags.GOOD


# Gassmann --------------------------------------------------------------------------------------


@pytest.mark.parametrize("porosity", [0.02, 0.3, 0.8])
@pytest.mark.parametrize("fluid", [0.05, 2.37])
def test_gassmann_holds_for_a_hollow_sphere_filled_with_fluid(
    porosity: float, fluid: float
) -> None:
    """One shell, empty and full: two exact solutions of elasticity that Gassmann has to join."""
    empty = composite_sphere(0.0, 37.0, 44.0, porosity)
    full = composite_sphere(fluid, 37.0, 44.0, porosity)
    found = elastic.gassmann(f"{empty!r} GPa", porosity, mineral=_solid(37.0, 44.0),
                             fluid=_solid(fluid, 0.0, 1.0))  # fmt: skip
    assert float(found["bulk_modulus"]) == pytest.approx(full, rel=1e-12)
    back = elastic.frame_modulus(f"{full!r} GPa", porosity, mineral=_solid(37.0, 44.0),
                                 fluid=_solid(fluid, 0.0, 1.0))  # fmt: skip
    assert float(back["frame_bulk_modulus"]) == pytest.approx(empty, rel=1e-9)


def test_gassmann_in_its_limits() -> None:
    assert gassmann_kernel(37.0, 0.0, 37.0, 2.4) == pytest.approx(37.0)  # no pores
    assert gassmann_kernel(12.0, 0.25, 37.0, 0.0) == pytest.approx(12.0)  # no fluid
    assert gassmann_kernel(0.0, 1.0, 37.0, 2.4) == pytest.approx(2.4)  # no grains
    assert gassmann_kernel(8.0, 0.3, 37.0, 37.0) == pytest.approx(37.0)  # pores full of mineral


def test_a_fluid_put_in_and_taken_out_leaves_no_trace() -> None:
    phi = _array([0.1, 0.3, 0.6], "1")
    rock = {"p_wave_velocity": _array([4500, 2800, 1650], "m/s"),
            "s_wave_velocity": _array([2600, 1300, 250], "m/s"),
            "bulk_density": _array([2.45, 2.1, 1.65], "g/cm^3")}  # fmt: skip
    for s_wave in (rock["s_wave_velocity"], None):
        gone = elastic.fluid_substitution(
            rock["p_wave_velocity"], s_wave, rock["bulk_density"], phi, mineral="quartz",
            fluid="sea_water", new_fluid="gas",
        )  # fmt: skip
        s_back = gone if s_wave is not None else None
        back = elastic.fluid_substitution(gone, s_back, gone, phi, mineral="quartz", fluid="gas",
                                          new_fluid="sea_water")  # fmt: skip
        for name in back.data_vars:
            if name in rock:
                assert back[name].values == pytest.approx(rock[name].values, rel=1e-12)
        assert np.all(gone["bulk_density"].values < rock["bulk_density"].values)


@pytest.mark.parametrize(
    ("rock", "share"),
    [(("4500 m/s", "2800 m/s", "2.45 g/cm^3", 0.1), 0.03),
     (("2800 m/s", "1300 m/s", "2.1 g/cm^3", 0.3), 0.07)],
)  # fmt: skip
def test_without_an_s_wave_the_exchange_is_as_near_as_its_page_says(rock, share: float) -> None:
    """Water out, gas in: within 3 % for rock, 7 % for a soft sandstone."""
    given = {"mineral": "quartz", "fluid": "sea_water", "new_fluid": "gas"}
    p, s, rho, phi = rock
    full = elastic.fluid_substitution(p, s, rho, phi, **given)
    half = elastic.fluid_substitution(p, None, rho, phi, **given)
    apart = float(half["p_wave_velocity"] / full["p_wave_velocity"]) - 1.0
    assert abs(apart) < share
    assert "approximation" in half.attrs["method"]


def test_a_frame_softer_than_nothing_is_flagged() -> None:
    found = elastic.frame_modulus(_array([3.0, 36.9], "GPa"), _array([0.4, 0.3], "1"),
                                  mineral=_solid(20.0, 7.0), fluid="sea_water")  # fmt: skip
    words = [flags.names(int(one)) for one in found["frame_bulk_modulus_reason"].values]
    assert "below_elastic_bounds" in words[0]
    assert "above_elastic_bounds" in words[1]


def test_substitution_carries_uncertainty_as_draws_do() -> None:
    rng = np.random.default_rng(11)
    n = 100_000
    v, s, rho, phi = (rng.normal(m, u, n) for m, u in
                      ((2800.0, 10.0), (1300.0, 8.0), (2.1, 0.01), (0.3, 0.01)))  # fmt: skip
    exact = elastic.Material("water", "2.37 GPa", "0 GPa", "1.02 g/cm^3")
    light = elastic.Material("light", "0.5 GPa", "0 GPa", "0.7 g/cm^3")
    given = {"mineral": _solid(37.0, 44.0), "fluid": exact, "new_fluid": light}
    drawn = elastic.fluid_substitution(
        _array(v, "m/s"), _array(s, "m/s"), _array(rho, "g/cm^3"), _array(phi, "1"), **given
    )
    found = elastic.fluid_substitution(
        "2800 m/s", "1300 m/s", "2.1 g/cm^3", 0.3, **given,
        uncertainties={"p_wave_velocity": "10 m/s", "s_wave_velocity": "8 m/s",
                       "bulk_density": "0.01 g/cm^3", "porosity": 0.01},
    )  # fmt: skip
    for name in ("p_wave_velocity", "s_wave_velocity", "bulk_density", "frame_bulk_modulus"):
        seen = float(drawn[name].std())
        assert float(found[f"{name}_u_random"]) == pytest.approx(seen, rel=0.02)
    assert np.isnan(float(found["p_wave_velocity_u_systematic"]))  # nobody gave that of the fluids


# Fluids and frames -----------------------------------------------------------------------------


def test_brine_against_sea_water_is_as_far_off_as_its_page_says() -> None:
    t, p = (grid.ravel() for grid in np.meshgrid(np.linspace(2, 30, 8), np.linspace(0, 40, 5)))
    found = elastic.brine("35 g/kg", _array(t, "degC"), _array(p + 0.101325, "MPa"))
    sea = ("35 g/kg", cp.quantity(t, "degC"), cp.quantity(100.0 * p, "dbar"))
    rho = seawater.density(*sea).to("kg/m^3").magnitude
    sound = seawater.sound_speed(*sea).to("m/s").magnitude
    off = 1e3 * found["fluid_density"].values - rho
    assert off.min() > -4.2 and off.max() < -2.3
    off = found["fluid_velocity"].values - sound
    assert off.min() > -3.1 and off.max() < 1.3
    share = found["fluid_bulk_modulus"].values / (1e-9 * rho * sound**2) - 1.0
    assert share.min() > -0.0071 and share.max() < 0.0


def test_a_little_gas_in_bubbles_and_in_patches() -> None:
    fine = elastic.fluid_mixture([0.99, 0.01], ["sea_water", "gas"])
    rough = elastic.fluid_mixture([0.99, 0.01], ["sea_water", "gas"], how="patchy")
    assert float(fine["fluid_bulk_modulus"]) < 0.01 * float(rough["fluid_bulk_modulus"])
    mud = elastic.wood(0.6, mineral="clay", fluid=fine)
    assert float(mud["p_wave_velocity"]) < 200.0


def test_a_pack_of_spheres_from_the_law_of_two_spheres() -> None:
    """The pressure of Hertz's contacts against the strain of the pack, differenced."""
    k, g, c, phi = 37.0, 44.0, 8.5, 0.4
    nu = (3 * k - 2 * g) / (2 * (3 * k + g))

    def pressure(strain: float) -> float:
        approach = 2.0 * strain / 3.0  # of the centres, for a grain radius of 1
        force = 4.0 / 3.0 * (g / (1.0 - nu)) * np.sqrt(0.5) * approach**1.5
        return float(c * (1.0 - phi) * force / (4.0 * np.pi))

    strain = 2e-3
    stiffness = (pressure(strain + 1e-6) - pressure(strain - 1e-6)) / 2e-6
    found = elastic.hertz_mindlin(
        f"{pressure(strain)!r} GPa", mineral=_solid(k, g), critical="0.4 1", contacts="8.5 1"
    )
    assert float(found["frame_bulk_modulus"]) == pytest.approx(stiffness, rel=1e-6)
    assert "Research estimate" in found.attrs["safety"]
    smooth = elastic.hertz_mindlin("1 MPa", mineral="quartz", adhesion=0.0)
    ratio = float(smooth["frame_shear_modulus"] / smooth["frame_bulk_modulus"])
    assert ratio == pytest.approx(0.6, rel=1e-12)  # central forces alone: G = 3/5 K


def test_soft_sand_reaches_the_mineral_the_pack_and_nothing() -> None:
    pack = {"pressure": 0.002, "critical": 0.6, "contacts": 8.5, "adhesion": 1.0}
    at = np.array([0.0, 0.6 - 1e-9, 0.6 + 1e-9, 1.0])
    k, g = soft_sand_kernel(at, 37.0, 44.0, **pack)
    assert (k[0], g[0]) == pytest.approx((37.0, 44.0))
    packed = elastic.hertz_mindlin("2 MPa", mineral="quartz", critical="0.6 1")
    assert k[1] == pytest.approx(float(packed["frame_bulk_modulus"]), rel=1e-6)
    assert k[2] == pytest.approx(k[1], rel=1e-6) and g[2] == pytest.approx(g[1], rel=1e-6)
    assert (k[3], g[3]) == pytest.approx((0.0, 0.0), abs=1e-12)


def test_stiff_sand_is_stiffer_and_cement_stiffer_still() -> None:
    soft = elastic.soft_sand(0.35, "5 MPa", mineral="quartz")
    stiff = elastic.stiff_sand(0.35, "5 MPa", mineral="quartz")
    cement = elastic.contact_cement(0.35, mineral="quartz", cement="quartz")
    upper = elastic.hashin_shtrikman([0.65, 0.35], ["quartz", "gas"], bound="upper")
    ladder = [float(one["frame_bulk_modulus"]) for one in (soft, stiff, cement)]
    assert ladder == sorted(ladder)
    assert ladder[-1] < float(upper["bulk_modulus"])


def test_frames_say_where_they_end() -> None:
    for found in (
        elastic.critical_porosity(0.5, mineral="quartz"),
        elastic.stiff_sand(0.5, "5 MPa", mineral="quartz"),
        elastic.contact_cement(0.5, mineral="quartz", cement="quartz"),
    ):
        mask = int(found["frame_bulk_modulus_reason"])
        assert "beyond_method_range" in flags.names(mask)
    both = elastic.krief(_array([0.0, 1.0], "1"), mineral="quartz")
    assert both["frame_bulk_modulus"].values == pytest.approx([37.0, 0.0])


def test_stress_of_the_hole_goes_in_as_it_is() -> None:
    """A Dataset in kPa gives what the same pressure in GPa gives."""
    stress = cp.uncertainty.Measured(_array([500.0], "kPa"), 0.0, {"gravity": 5.0})
    dataset = series.build({"vertical_effective_stress": stress})
    by_hole = elastic.hertz_mindlin(dataset, mineral="quartz")
    by_hand = elastic.hertz_mindlin("0.5 MPa", mineral="quartz",
                                    uncertainties={"effective_pressure": "5 kPa"})  # fmt: skip
    assert by_hole["frame_bulk_modulus"].item() == pytest.approx(
        float(by_hand["frame_bulk_modulus"])
    )
    assert by_hole["frame_bulk_modulus_u_systematic"].item() == pytest.approx(
        float(by_hand["frame_bulk_modulus_u_systematic"])
    )


# Materials -------------------------------------------------------------------------------------


def test_every_material_has_a_source_and_possible_numbers() -> None:
    table = elastic.materials()
    assert {
        "quartz", "calcite", "dolomite", "aragonite", "clay", "illite", "smectite", "opal",
        "feldspar", "pyrite", "water", "sea_water", "gas", "hydrate",
    } <= set(table.index)  # fmt: skip
    assert set(table["status"]) <= {"published", "library", "memory", "common practice"}
    for one in elastic.MATERIALS.values():
        for part in (one.bulk_modulus, one.shear_modulus, one.density):
            assert part.citation and part.uncertainty >= 0.0
        nu = (
            0.5
            * (3 * one.bulk_modulus.value - 2 * one.shear_modulus.value)
            / (3 * one.bulk_modulus.value + one.shear_modulus.value)
        )
        assert 0.0 <= nu <= 0.5


def test_water_of_the_table_is_that_of_the_sea() -> None:
    for name, salt in (("water", "0 g/kg"), ("sea_water", "35 g/kg")):
        rho = seawater.density(salt, "20 degC").to("kg/m^3").magnitude
        sound = seawater.sound_speed(salt, "20 degC").to("m/s").magnitude
        one = elastic.material(name)
        assert one.bulk_modulus.value == pytest.approx(1e-9 * rho * sound**2, abs=6e-4)
        assert one.density.value == pytest.approx(1e-3 * rho, abs=6e-5)


def test_a_mixture_of_minerals_lies_between_them() -> None:
    grains = elastic.mineral_mixture({"quartz": 0.5, "clay": 0.5})
    both = elastic.hill([0.5, 0.5], ["quartz", "clay"])
    assert grains.bulk_modulus.value == pytest.approx(float(both["bulk_modulus"]), rel=1e-12)
    assert grains.shear_modulus.value == pytest.approx(float(both["shear_modulus"]), rel=1e-12)
    assert grains.bulk_modulus.uncertainty > 0.5 * elastic.material("clay").bulk_modulus.uncertainty
    assert grains.bulk_modulus.status == "memory"
    assert elastic.mineral_mixture({"quartz": 1.0}) is elastic.material("quartz")


# Bad input -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: elastic.wood(1.4, mineral="clay", fluid="water"), r"porosity is 1.4; it is a"),
        (lambda: elastic.wood(_array([60.0, 70.0], "1"), mineral="clay", fluid="water"),
         r"porosity is 60 \(the first of 2 values, .*divide per cent by 100"),
        (lambda: elastic.wood(0.6, mineral="clay", fluid=3.0), r"fluid is 3.0; give the name"),
        (lambda: elastic.wyllie(0.6, grain_velocity="0 m/s", fluid_velocity="1500 m/s"),
         r"grain_velocity is 0 m/s; it has to be above zero"),
        (lambda: elastic.wyllie(0.6, grain_velocity=5500.0, fluid_velocity="1500 m/s"),
         r"grain_velocity: expected a quantity in m/s, got the bare value"),
        (lambda: elastic.gassmann("10 g", 0.3, mineral="quartz", fluid="water"),
         r"frame_bulk_modulus: expected GPa"),
        (lambda: elastic.dynamic_moduli("0 m/s", "100 m/s", "1.6 g/cm^3"),
         r"p_wave_velocity is 0 m/s; it has to be above zero"),
        (lambda: elastic.voigt([0.6, 0.6], ["quartz", "clay"]), r"fractions add to 1.2"),
        (lambda: elastic.voigt([1.0], ["quartz"]), r"1 fractions and 1 phases; give two"),
        (lambda: elastic.hill([0.5, 0.5], ["quartz", 37.0]), r"a phase is 37.0; give the name"),
        (lambda: elastic.hashin_shtrikman([0.5, 0.5], ["quartz", "clay"], bound="up"),
         r"bound is 'up'; expected one of upper, lower"),
        (lambda: elastic.fluid_mixture([0.5, 0.5], ["water", "gas"], how="lumpy"),
         r"how is 'lumpy'"),
        (lambda: elastic.fluid_mixture([0.5], ["water", "gas"]), r"1 fractions and 2 fluids"),
        (lambda: elastic.brine("35 g/kg", "20 degC", "-1 MPa"), r"pressure is -1 MPa; .*zero"),
        (lambda: elastic.hertz_mindlin("0 MPa", mineral="quartz"), r"effective_pressure is 0 GPa"),
        (lambda: elastic.contact_cement(0.3, mineral="quartz", cement="quartz", where="all"),
         r"where is 'all'; expected one of contacts, coats"),
        (lambda: elastic.mineral_mixture({"quartz": 0.5, "clay": 0.2}), r"add to 0.7"),
        (lambda: elastic.han(0.2, 1.7), r"clay is 1.7; it is a fraction"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_words(call, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def test_a_slip_in_the_names_of_uncertainties_is_refused() -> None:
    with pytest.raises(ValueError, match=r"holds 'porosty', which is no .*mean 'porosity'\?"):
        elastic.wood(0.6, mineral="clay", fluid="water", uncertainties={"porosty": 0.01})
    brine = elastic.brine("35 g/kg", "20 degC", "1 MPa")
    with pytest.raises(ValueError, match="A Dataset brings its own"):
        elastic.wood(0.6, mineral="clay", fluid=brine,
                     uncertainties={"fluid_bulk_modulus": "0.1 GPa"})  # fmt: skip


def test_an_unknown_material_names_the_nearest() -> None:
    with pytest.raises(KeyError, match="did you mean 'calcite'"):
        elastic.material("calcit")


def test_one_bad_porosity_of_a_series_is_flagged_and_the_rest_stays() -> None:
    found = elastic.wood(_array([0.6, 1.3, np.nan], "1"), mineral="clay", fluid="sea_water")
    assert np.isfinite(found["p_wave_velocity"].values[0])
    words = [flags.names(int(one)) for one in found["p_wave_velocity_reason"].values]
    assert words[0] == []
    assert words[1] == ["missing_value", "impossible_value"]
    assert words[2] == ["missing_value"]
    assert np.isnan(total(found, "p_wave_velocity").values[0])  # nobody gave that of the porosity


# Reflection ------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [0.0, 17.0, 40.0, 60.0])
def test_no_energy_is_lost_at_a_boundary(degrees: float) -> None:
    """Flux of the four waves that leave is that of the one that came."""
    p_1, s_1, rho_1, p_2, s_2, rho_2 = 2800.0, 1400.0, 2.2, 3100.0, 1600.0, 2.3
    angle = np.radians(degrees)
    found = reflection_kernel(angle, p_1, s_1, rho_1, p_2, s_2, rho_2)
    along = np.sin(angle) / p_1
    flux = [
        rho * v * np.sqrt(1.0 - (along * v) ** 2)
        for rho, v in ((rho_1, p_1), (rho_1, s_1), (rho_2, p_2), (rho_2, s_2))
    ]
    assert np.sum(np.abs(found) ** 2 * flux) == pytest.approx(flux[0], rel=1e-12)


def test_two_fluids_and_the_same_rock_twice() -> None:
    """Closed form of two fluids; nothing comes back where nothing changes."""
    angle = np.radians(20.0)
    other = np.arcsin(np.sin(angle) * 1700.0 / 1500.0)
    below, above = 1.6 * 1700.0 / np.cos(other), 1.02 * 1500.0 / np.cos(angle)
    found = reflection_kernel(angle, 1500.0, 0.0, 1.02, 1700.0, 0.0, 1.6)[0]
    assert found.real == pytest.approx((below - above) / (below + above), abs=1e-6)
    same = reflection_kernel(angle, 2800.0, 1400.0, 2.2, 2800.0, 1400.0, 2.2)
    assert np.abs(same - [0.0, 0.0, 1.0, 0.0]) == pytest.approx(np.zeros(4), abs=1e-12)


def test_the_sea_floor_at_right_angles_is_that_of_impedances_with_its_uncertainty() -> None:
    water = {"p_wave_velocity": "1500 m/s", "s_wave_velocity": "0 m/s",
             "bulk_density": "1.03 g/cm^3"}  # fmt: skip
    mud = {"p_wave_velocity": "1550 m/s", "s_wave_velocity": "150 m/s",
           "bulk_density": "1.5 g/cm^3"}  # fmt: skip
    units = {"p_wave_velocity": "m/s", "s_wave_velocity": "m/s", "bulk_density": "g/cm^3"}
    zero = {f"{side}_{name}": f"0 {u}" for side in ("upper", "lower") for name, u in units.items()}
    found = elastic.reflection_at_angle(
        "0 deg", upper=water, lower=mud, uncertainties={**zero, "lower_bulk_density": "0.03 g/cm^3"}
    )
    z_1, z_2 = 1500.0 * 1.03, 1550.0 * 1.5
    assert float(found["reflection_coefficient"]) == pytest.approx((z_2 - z_1) / (z_2 + z_1))
    by_density = 2.0 * z_1 / (z_1 + z_2) ** 2 * 1550.0 * 0.03
    assert float(found["reflection_coefficient_u_random"]) == pytest.approx(by_density, rel=1e-4)


def test_beyond_the_critical_angle_there_is_no_number() -> None:
    slow = {"p_wave_velocity": "1500 m/s", "s_wave_velocity": "0 m/s",
            "bulk_density": "1.03 g/cm^3"}  # fmt: skip
    fast = {"p_wave_velocity": "2000 m/s", "s_wave_velocity": "700 m/s",
            "bulk_density": "1.8 g/cm^3"}  # fmt: skip
    found = elastic.reflection_at_angle(_array([10.0, 50.0], "deg"), upper=slow, lower=fast)
    words = [flags.names(int(one)) for one in found["reflection_coefficient_reason"].values]
    assert words == [[], ["missing_value", "beyond_method_range"]]
    with pytest.raises(ValueError, match=r"angle of incidence is .*from the normal, 0 to 90"):
        elastic.reflection_at_angle("100 deg", upper=slow, lower=fast)
    with pytest.raises(ValueError, match="lower lacks s_wave_velocity"):
        elastic.reflection_at_angle("0 deg", upper=slow,
                                    lower={"p_wave_velocity": "1600 m/s"})  # fmt: skip


# S-waves nobody measured -----------------------------------------------------------------------


@pytest.mark.parametrize("frame", [elastic.krief, elastic.critical_porosity])
def test_the_s_wave_of_a_frame_like_its_mineral_comes_back(frame) -> None:
    phi = _array([0.02, 0.2, 0.35], "1")
    mineral, fluid = _solid(37.0, 44.0), _solid(2.37, 0.0, 1.02)
    dry = frame(phi, mineral=mineral)
    full = elastic.gassmann(dry, phi, mineral=mineral, fluid=fluid)
    rho = _array(2.65 - 1.63 * phi.values, "g/cm^3")
    made = elastic.from_moduli(full, dry["frame_shear_modulus"], rho)
    found = elastic.s_wave_from_frame(made, rho, phi, mineral=mineral, fluid=fluid)
    assert found["s_wave_velocity"].values == pytest.approx(
        made["s_wave_velocity"].values, rel=1e-9
    )
    assert found["frame_bulk_modulus"].values == pytest.approx(
        dry["frame_bulk_modulus"].values, rel=1e-9
    )


def test_a_p_wave_outside_its_phases_gives_no_s_wave() -> None:
    found = elastic.s_wave_from_frame(
        _array([1200.0, 6700.0, 3000.0], "m/s"), "2.2 g/cm^3", 0.25, mineral="quartz",
        fluid="sea_water",
    )  # fmt: skip
    assert np.isnan(found["s_wave_velocity"].values).tolist() == [True, True, False]
