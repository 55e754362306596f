"""The simulator keeps its promises: same seed same files, sizes, spelling, and sound physics."""

import ast
import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xraylib
from scipy.integrate import quad
from scipy.special import j0, j1, y0, y1

from data_demo import generate
from data_demo.simulator import (
    cylinder,
    flaws,
    gamma,
    materials,
    needle,
    probe,
    resistivity,
    samples,
    simulate_hole,
    simulate_tables,
    stated,
    susceptibility,
)

DATA = Path(__file__).resolve().parents[2] / "data_demo"
SENSORS = ("gamma", "pwave", "resistivity", "susceptibility", "natural_gamma")
UNITS = {"mm", "cm", "m", "s", "us", "g", "cm^3", "degC", "mV", "W/m", "J/(m K)", "W/(m K)", "m/s",
         "g/cm^3", "K", "%", "mg/kg", "g/kg", "S/m", "ohm m", "1/s", "N m", "N", "kPa", "degree",
         "m^2/s", "kyr"}  # fmt: skip


def digests(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def small():
    return simulate_tables(7, small=True)


def test_same_seed_gives_the_same_files(tmp_path):
    for name in ("first", "second"):
        simulate_hole(tmp_path / name, 5, small=True)
    simulate_hole(tmp_path / "other", 6, small=True)
    first = digests(tmp_path / "first")
    assert first == digests(tmp_path / "second")
    assert first["scan/gamma.csv"] != digests(tmp_path / "other")["scan/gamma.csv"]


def test_committed_demonstration_hole_is_what_the_simulator_writes(tmp_path):
    """Text and places alike; numbers within one unit of the last printed digit, since another
    machine's exponential may round the other way."""
    simulate_hole(tmp_path, generate.SEED, name=generate.NAME)
    assert set(digests(tmp_path)) == set(digests(DATA / "hole"))
    for path in sorted(tmp_path.rglob("*.csv")):
        again = pd.read_csv(path)
        committed = pd.read_csv(DATA / "hole" / path.relative_to(tmp_path))
        assert list(again.columns) == list(committed.columns)
        for column in again.columns:
            one, two = again[column], committed[column]
            if one.dtype.kind in "iuf":
                step = max(1.0 if one.dtype.kind in "iu" else 10.0 ** -decimals(one), 1e-9)
                np.testing.assert_allclose(one, two, atol=1.01 * step, err_msg=f"{path} {column}")
            else:
                assert one.equals(two), f"{path} {column}"
    settings = Path("hole.toml")
    assert (tmp_path / settings).read_text() == (DATA / "hole" / settings).read_text()


def decimals(values):
    """Digits after the point in the longest printed value."""
    return max(len(str(v).partition(".")[2]) for v in values.dropna().unique())


def test_streams_of_the_older_tables_are_untouched():
    """Sums that a single other draw would shift; loose enough for another machine's rounding."""
    tables, _, _ = simulate_tables(3, small=True)
    for name, column, total, spare in (
        ("scan/gamma", "counts", 18163851, 3),
        ("scan/pwave", "travel_time [us]", 9001.80, 0.05),
        ("standards/gamma", "counts", 18818536, 3),
        ("standards/pwave", "travel_time [us]", 1092.87, 0.05),
        ("samples/index_properties", "wet_mass [g]", 450.25, 0.005),
        ("samples/needle", "temperature [degC]", 38055.3685, 0.05),
        ("downhole/formation_temperature", "temperature [degC]", 10864.9578, 0.05),
    ):
        assert tables[name][column].sum() == pytest.approx(total, abs=spare), name


def test_sizes_of_the_small_hole(small):
    tables, _, truth = small
    assert 500 < sum(len(tables[f"scan/{s}"]) for s in SENSORS) < 1000
    assert len(tables["samples/index_properties"]) == 26
    assert tables["samples/needle"]["run"].nunique() == 12
    assert len(tables["downhole/stations"]) == 6
    assert np.ptp(truth["index_properties"]["depth [m]"]) > 200.0
    for sensor in SENSORS:
        assert len(truth[f"scan_{sensor}"]) == len(tables[f"scan/{sensor}"])


def test_sizes_and_flaws_of_the_demonstration_hole():
    hole = DATA / "hole"
    readings = {s: pd.read_csv(hole / f"scan/{s}.csv") for s in SENSORS}
    truth = {s: pd.read_csv(hole / f"truth/scan_{s}.csv") for s in SENSORS}
    assert sum(map(len, readings.values())) >= 25_000
    planted = ("gas_void", "under_filled", "spike", "section_end")
    for sensor in ("gamma", "pwave"):
        keys = ["core", "section", "offset [cm]", "run"]
        assert readings[sensor][keys].equals(truth[sensor][keys])
        counts = truth[sensor]["flaw"].value_counts()
        assert (counts[list(planted)] >= 100).all()
        assert (truth[sensor]["run"] == 2).sum() > 50
    assert (truth["pwave"]["flaw"] == "weak_coupling").sum() >= 100
    cores = pd.read_csv(hole / "cores.csv")
    assert len(cores) == 31
    assert (cores["recovered [m]"] == 0).sum() == 1
    assert (cores["recovered [m]"] > cores["advance [m]"]).sum() == 1
    bottoms = cores["top [m]"] + cores["advance [m]"]
    assert bottoms.max() >= 280.0
    assert ((cores["top [m]"].to_numpy()[1:] - bottoms.to_numpy()[:-1]) > 1.0).sum() == 1
    mistyped = pd.read_csv(hole / "truth/index_properties.csv")["flaw"].eq("mistyped_mass")
    assert mistyped.sum() == 1
    assert sum(p.stat().st_size for p in DATA.rglob("*") if p.suffix != ".pyc") < 6 * 2**20


def test_recovered_is_the_sum_of_the_sections():
    cores = pd.read_csv(DATA / "hole/cores.csv").set_index("core")["recovered [m]"]
    sections = pd.read_csv(DATA / "hole/sections.csv").groupby("core")["length [m]"].sum()
    np.testing.assert_allclose(sections, cores[cores > 0], atol=1e-9)


def test_headers_are_spelled_as_name_and_unit(small):
    header = re.compile(r"^[a-z][a-z_]*( \[(?P<unit>[^\]]+)\])?$")
    for name, table in small[0].items():
        for column in table.columns:
            match = header.match(column)
            assert match, f"{name}: {column}"
            assert match["unit"] is None or match["unit"] in UNITS, f"{name}: {column}"


def test_times_are_iso_8601(small):
    for name in ("scan/gamma", "scan/pwave", "standards/gamma"):
        times = small[0][name]["time"]
        assert times.str.fullmatch(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z").all()


def test_simulator_imports_nothing_from_the_package_it_judges():
    allowed = {"numpy", "scipy", "xraylib", "gsw", "pandas", "__future__", "dataclasses",
               "functools", "io", "itertools", "json", "PIL", "pathlib", "sys", "zipfile",
               "data_demo"}  # fmt: skip
    for path in sorted(DATA.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module]
            assert {name.split(".")[0] for name in names} <= allowed, path.name


@pytest.mark.parametrize(("alpha", "tau"), [(0.7, 0.05), (1.0, 1.0), (2.0, 10.0), (3.5, 200.0)])
def test_decay_against_the_real_integral(alpha, tau):
    """F = (4 alpha / pi^2) times the integral of exp(-tau u^2) / (u Delta(u)) (Bullard 1954)."""

    def integrand(log_u):
        u = np.exp(log_u)
        delta = (u * j0(u) - alpha * j1(u)) ** 2 + (u * y0(u) - alpha * y1(u)) ** 2
        return np.exp(-tau * u**2) / delta

    upper = 0.5 * np.log(40.0 / tau)
    value = 4.0 * alpha / np.pi**2 * quad(integrand, -25.0, upper, limit=400, epsabs=1e-13)[0]
    assert cylinder.decay(np.array([tau]), alpha)[0] == pytest.approx(value, rel=1e-8)


def test_cylinder_starts_and_derivative():
    assert cylinder.decay(np.array([0.0]), 2.0)[0] == 1.0
    assert cylinder.heating(np.array([0.0]), 2.0, 0.5)[0] == 0.0
    tau, alpha, step = 3.0, 1.6, 1e-3
    low, high = cylinder.invert(cylinder.heating_transform, [tau - step, tau + step], alpha)
    decay = cylinder.invert(cylinder.decay_transform, [tau], alpha)[0]
    # without contact film, dG/dtau = 2 alpha F (Carslaw and Jaeger 1959, section 13.7)
    assert (high - low) / (2.0 * step) == pytest.approx(2.0 * alpha * decay, rel=1e-5)


@pytest.mark.parametrize("half_space", [False, True])
def test_late_heating_slope_is_heat_over_four_pi_conductivity(half_space):
    conductivity, power = 1.1, 3.0
    time = np.array([2.0e6, 4.0e6])
    warm = needle.rise(time, conductivity, 3.3e6, power, 5000.0, half_space)
    slope = np.diff(warm)[0] / np.log(2.0)
    expected = power / (4.0 * np.pi * conductivity) * (2.0 if half_space else 1.0)
    assert slope == pytest.approx(expected, rel=1e-4)


def test_contact_film_adds_its_own_resistance_late():
    time = np.array([5.0e4])
    good = needle.rise(time, 1.0, 3.3e6, 3.0, 1e9, False)
    film = needle.rise(time, 1.0, 3.3e6, 3.0, 500.0, False)
    expected = 3.0 / (2.0 * np.pi * needle.RADIUS * 500.0)
    assert (film - good)[0] == pytest.approx(expected, rel=2e-3)


def test_smooth_inverse_follows_the_exact_one():
    tau = np.geomspace(1e-2, 1e2, 500)
    for transform in (cylinder.decay_transform, cylinder.heating_transform):
        for contact in (0.0, 0.4):
            fast = cylinder.smooth_inverse(transform, tau, 1.9, contact)
            exact = cylinder.invert(transform, tau, 1.9, contact)
            np.testing.assert_allclose(fast, exact, rtol=1e-8)


def test_attenuation_against_tabulated_cross_sections():
    total = xraylib.CS_Total_CP("H2O", 661.657)
    assert materials.mass_attenuation("H2O", 0.0) == pytest.approx(total, rel=1e-12)
    # NIST (Hubbell and Seltzer), interpolated log-log to the line
    assert materials.mass_attenuation("H2O", 0.0) == pytest.approx(0.08576, rel=1e-3)
    assert materials.mass_attenuation("Al", 0.0) == pytest.approx(0.07466, rel=1e-3)
    forward = materials.mass_attenuation("SiO2", 1.0)
    assert 0.0 < materials.mass_attenuation("SiO2", 0.0) - forward < 0.01 * forward
    saline = materials.sea_water_attenuation(35.0, 0.0)
    assert materials.mass_attenuation("NaCl", 0.0) < saline < total


def make_bench(**changes):
    values = {"source_rate": 27500.0, "forward_fraction": 0.5, "build_up": 0.01, "dead_time": 5e-6,
                  "background_rate": 12.0, "half_life": 30.05, "wall": 2.5, "bore": 70.0,
                  "laboratory_temperature": 20.0, "salinity": 35.0}  # fmt: skip
    return gamma.GammaBench(**{**values, **changes})


def test_counts_have_the_mean_and_spread_of_a_detector_with_dead_time():
    """Against arrivals drawn one by one."""
    rng = np.random.default_rng(1)
    rate, dead_time, real_time = 12_000.0, 2e-5, 0.05
    bench = make_bench(dead_time=dead_time, background_rate=0.0)
    drawn = bench.count(rng, np.full(4000, rate), real_time)
    gaps = rng.exponential(1.0 / rate, (4000, 900)) + dead_time
    gaps[:, 0] -= dead_time
    exact = (np.cumsum(gaps, axis=1) < real_time).sum(axis=1)
    assert exact.max() < 900
    error = exact.std() / np.sqrt(4000)
    assert abs(drawn.mean() - exact.mean()) < 5.0 * error
    assert drawn.std() == pytest.approx(exact.std(), rel=0.06)


def test_source_ages_with_its_half_life():
    bench = make_bench(build_up=0.0)
    young, old = bench.live_rate(1.0, np.array([0.0, 30.05 * gamma.YEAR]))
    assert old / young == pytest.approx(0.5, rel=1e-12)


def test_wrong_diameter_reaches_both_callipered_lengths():
    right, _, _ = simulate_tables(3, small=True, wrong_diameter=0.0)
    wrong, _, truth = simulate_tables(3, small=True, wrong_diameter=1.5)
    assert truth["hole"]["systematic_draws"]["calliper_mm"] == 1.5
    for table, column in (("sections", "core_diameter [mm]"), ("scan/pwave", "thickness [mm]")):
        np.testing.assert_allclose(wrong[table][column] - right[table][column], 1.5, atol=0.011)
    assert wrong["scan/gamma"]["counts"].equals(right["scan/gamma"]["counts"])
    assert wrong["scan/pwave"]["travel_time [us]"].equals(right["scan/pwave"]["travel_time [us]"])


def test_flaw_scale_changes_sizes_and_not_places():
    normal, _, truth = simulate_tables(3, small=True)
    large, _, truth_large = simulate_tables(3, small=True, flaw_scale=2.0)
    for sensor in SENSORS:
        assert truth[f"scan_{sensor}"]["flaw"].equals(truth_large[f"scan_{sensor}"]["flaw"])
    spike = truth["scan_gamma"]["flaw"] == "spike"
    clean = truth["scan_gamma"]["flaw"] == ""
    same = normal["scan/gamma"]["counts"] == large["scan/gamma"]["counts"]
    assert same[clean].all() and not same[spike].any()


def test_holes_without_planted_flaws_keep_only_geometry():
    _, _, truth = simulate_tables(3, small=True, flaws_planted=False)
    for sensor in SENSORS:
        assert set(truth[f"scan_{sensor}"]["flaw"]) <= {
            "",
            "section_end",
            "declared_void",
            "near_void",
        }


def test_gas_void_loses_density_and_amplitude():
    hole = DATA / "hole"
    sound = pd.read_csv(hole / "truth/scan_pwave.csv")["flaw"].to_numpy() == "gas_void"
    amplitude = pd.read_csv(hole / "scan/pwave.csv")["amplitude"]
    assert amplitude[sound].max() < 10.0
    counts = pd.read_csv(hole / "scan/gamma.csv")["counts"]
    flaw = pd.read_csv(hole / "truth/scan_gamma.csv")["flaw"].fillna("")
    assert counts[flaw == "gas_void"].median() > counts[flaw == ""].median() * 1.15


def test_masses_close_on_the_true_phases():
    tables, _, truth = simulate_tables(11, small=True)
    table, true = tables["samples/index_properties"], truth["index_properties"]
    salinity = truth["hole"]["pore_water_salinity_g_kg"] / 1000.0
    # salt-free water leaves on drying; what remains is grains and salt
    lost = table["wet_mass [g]"] - table["dry_mass [g]"]
    water_volume = lost / (1.0 - salinity) / truth["hole"]["pore_water_density_g_cm3"]
    salt = lost / (1.0 - salinity) * salinity
    grains = table["dry_volume [cm^3]"] - salt / samples.SALT_DENSITY
    porosity = water_volume / (water_volume + grains)
    assert (porosity - true["porosity"]).abs().max() < 0.008
    assert (porosity - true["porosity"]).abs().max() > 0.0


def test_mistyped_mass_is_a_real_change():
    assert samples.swap_digits(17.423) == 14.723
    assert samples.swap_digits(15.534) == 25.534


def test_temperature_follows_the_conductive_geotherm(small):
    _, _, truth = small
    stations, hole = truth["stations"], truth["hole"]
    gradient = np.diff(stations["temperature [degC]"]) / np.diff(stations["depth [m]"])
    flow = gradient * stations["conductivity [W/(m K)]"].rolling(2).mean().to_numpy()[1:] * 1e3
    assert flow.mean() == pytest.approx(hole["heat_flow_mW_m2"], rel=0.05)


def test_probe_record_relaxes_to_the_formation(small):
    tables, _, truth = small
    record = tables["downhole/formation_temperature"]
    inside = record[record["kind"] == "formation"].groupby("station", sort=False)
    misfit = (
        inside["temperature [degC]"].last().to_numpy() - truth["stations"]["temperature [degC]"]
    )
    assert (misfit > 0.0).all() and (misfit < 0.1 * truth["stations"]["pulse [K]"]).all()
    bottom = record[record["kind"] == "bottom_water"]["temperature [degC]"]
    assert bottom.mean() == pytest.approx(truth["hole"]["bottom_water_temperature_degC"], abs=0.01)


def test_closed_voids_and_excess_recovery_are_squeezed():
    truth = pd.read_csv(DATA / "hole/truth/scan_gamma.csv")
    cores = pd.read_csv(DATA / "hole/cores.csv").set_index("core")
    long = cores.index[cores["recovered [m]"] > cores["advance [m]"]][0]
    fitted = truth.loc[truth["core"] == long, "depth_fitted [m]"]
    bottom = cores.loc[long, "top [m]"] + cores.loc[long, "advance [m]"]
    assert bottom - 0.4 < fitted.max() <= bottom
    assert (fitted.diff().dropna() >= -1e-9).all()


def test_spikes_have_both_signs():
    signs = flaws.spike_signs(np.random.default_rng(0), 11)
    assert sorted(np.unique(signs)) == [-1.0, 1.0]
    assert abs(signs.sum()) <= 1.0


def test_every_systematic_draw_is_recorded(small):
    draws = small[2]["hole"]["systematic_draws"]
    assert len(draws) == 16 and all(np.isfinite(v) for v in draws.values())
    assert json.dumps(small[2]["hole"])


def test_systematic_errors_have_their_stated_spread():
    """The calliper's and the power's errors over many holes, against the stated one sigma."""
    draws = [stated.draw_errors(np.random.default_rng(seed), None) for seed in range(2000)]
    for field, expected in (
        ("calliper_mm", stated.DIAMETER_UNCERTAINTY),
        ("heating_power_relative", stated.POWER_UNCERTAINTY / 100.0),
        ("dead_time_us", stated.DEAD_TIME_UNCERTAINTY),
        ("mass_g", samples.MASS_SYSTEMATIC),
        ("volume_cm3", samples.VOLUME_SYSTEMATIC),
        ("probe_heat_capacity_j_mk", probe.HEAT_CAPACITY_UNCERTAINTY),
        ("salinity_g_kg", stated.SALINITY_UNCERTAINTY),
        ("bottom_water_k", stated.BOTTOM_WATER_UNCERTAINTY),
        ("thermometer_k", stated.THERMOMETER_UNCERTAINTY),
        ("brine_relative", resistivity.BRINE_UNCERTAINTY / 100.0),
        ("conductometer_relative", resistivity.CONDUCTOMETER_UNCERTAINTY / 100.0),
        ("loop_factor_relative", susceptibility.FACTOR_UNCERTAINTY / 100.0),
    ):
        spread = np.std([getattr(draw, field) for draw in draws])
        assert spread == pytest.approx(expected, rel=0.08), field
