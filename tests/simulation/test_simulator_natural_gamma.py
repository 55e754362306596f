"""Simulated natural gamma: Poisson counts, mass in view, ends, and standards that close."""

import numpy as np
import pytest

from data_demo.simulator import natural_gamma, simulate_tables
from data_demo.simulator.natural_gamma import WINDOWS

ELEMENTS = ["potassium [%]", "uranium [mg/kg]", "thorium [mg/kg]"]
COUNTS = [f"counts_{name}" for name in WINDOWS]


@pytest.fixture(scope="module")
def small():
    return simulate_tables(7, small=True)


def make_bench():
    return natural_gamma.GammaRayBench(
        natural_gamma.SENSITIVITY, natural_gamma.BACKGROUND, 70.0, 20.0
    )


def test_mass_in_view_is_density_times_cross_section():
    assert natural_gamma.mass_in_view(1.8, 70.0) == pytest.approx(1.8 * np.pi * 3.5**2)


def test_counts_are_poisson_around_net_and_background():
    bench = make_bench()
    net = np.tile(bench.net_rates(60.0, np.array([1.5, 1.0, 4.0])), (4000, 1))
    counts = bench.count(np.random.default_rng(5), net, np.full(4000, 60.0))
    mean = 60.0 * (net[0] + natural_gamma.BACKGROUND)
    np.testing.assert_allclose(counts.mean(axis=0), mean, rtol=0.02)
    np.testing.assert_allclose(counts.var(axis=0), mean, rtol=0.10)


def test_scatter_goes_down_in_energy_only():
    """Potassium (1.46 MeV) sends nothing into the windows of uranium and thorium above it."""
    potassium = make_bench().net_rates(60.0, np.array([1.0, 0.0, 0.0]))
    assert (potassium[[1, 2]] == 0.0).all() and (potassium[[0, 3]] > 0.0).all()
    thorium = make_bench().net_rates(60.0, np.array([0.0, 0.0, 1.0]))
    assert (thorium > 0.0).all()


def test_scan_counts_scatter_about_the_rate_that_is_seen(small):
    tables, _, truth = small
    scan, table = tables["scan/natural_gamma"], truth["scan_natural_gamma"]
    sound = table["flaw"] != "spike"
    background = sum(truth["hole"]["natural_gamma"]["background_1_s"])
    mean = 60.0 * (table["natural_gamma_rate_seen [1/s]"] + background)
    score = ((scan["counts"] - mean) / np.sqrt(mean))[sound]
    number = sound.sum()
    assert abs(score.mean()) < 4.0 / np.sqrt(number)
    assert score.std() == pytest.approx(1.0, abs=4.0 / np.sqrt(2 * number))
    assert (scan["counts"] > scan[COUNTS].sum(axis=1)).all()


def test_an_end_sees_half_the_rate(small):
    table = small[2]["scan_natural_gamma"]
    end = (table["offset [cm]"] == 0.0) & (table["flaw"] == "section_end")
    ratio = table["natural_gamma_rate_seen [1/s]"] / table["natural_gamma_rate [1/s]"]
    assert end.sum() >= 5
    assert ratio[end].mean() == pytest.approx(0.5, abs=0.02)


def test_rate_of_a_filled_liner_follows_from_elements_and_mass(small):
    tables, _, truth = small
    table, hole = truth["scan_natural_gamma"], truth["hole"]
    sections = tables["sections"].set_index(["core", "section"])["core_diameter [mm]"]
    keys = list(zip(table["core"], table["section"], strict=True))
    diameter = sections.loc[keys].to_numpy() - hole["systematic_draws"]["calliper_mm"]
    total = np.sum(hole["natural_gamma"]["sensitivity_K_U_Th"], axis=0)
    per_gram = table[ELEMENTS].to_numpy() @ total
    density = table["natural_gamma_rate [1/s]"] / per_gram / (np.pi * (diameter / 20.0) ** 2)
    gamma = truth["scan_gamma"]
    expected = np.interp(
        table["depth_fitted [m]"], gamma["depth_fitted [m]"], gamma["bulk_density [g/cm^3]"]
    )
    np.testing.assert_allclose(density, expected, rtol=0.02)


def test_wet_and_dry_concentrations_differ_by_the_share_of_grains(small):
    table = small[2]["scan_natural_gamma"]
    share = table["potassium [%]"] / table["potassium_dry [%]"]
    other = table["thorium [mg/kg]"] / table["thorium_dry [mg/kg]"]
    np.testing.assert_allclose(share, other, rtol=1e-3)
    assert ((share > 0.4) & (share < 0.85)).all()
    assert (np.diff(share[np.argsort(table["porosity"])]) < 0.02).all()


def test_standards_and_backgrounds_give_the_sensitivities_back():
    """By plain least squares on the blocks, within their counting error."""
    tables, _, truth = simulate_tables(12, small=True)
    table, hole = tables["standards/natural_gamma"], truth["hole"]["natural_gamma"]
    blank = table[table["kind"] == "blank"]
    background = blank[COUNTS].sum() / blank["live_time [s]"].sum()
    known = np.array(hole["background_1_s"])[:4]
    error = np.sqrt(known / blank["live_time [s]"].sum())
    assert (abs(background.to_numpy() - known) < 4.5 * error).all()
    block = table[table["kind"] == "standard"]
    mass = block["density [g/cm^3]"] * np.pi * 3.5**2
    design = block[ELEMENTS].to_numpy() * mass.to_numpy()[:, None]
    rates = block[COUNTS].div(block["live_time [s]"], axis=0) - background
    inverse = np.linalg.pinv(design)
    true = np.array(hole["sensitivity_K_U_Th"])[:4].T
    live = block["live_time [s]"].to_numpy()[:, None]
    spread = inverse**2 @ (block[COUNTS].to_numpy() / live**2)
    spread += np.outer(inverse.sum(axis=1), error) ** 2
    found = inverse @ rates.to_numpy()
    assert (abs(found - true) < 4.5 * np.sqrt(spread)).all()
    assert (np.sqrt(spread) < 0.02 * true.max(axis=0)).all()


def test_check_counts_lie_about_their_stated_value(small):
    table = small[0]["standards/natural_gamma"]
    background = sum(small[2]["hole"]["natural_gamma"]["background_1_s"])
    check = table[table["kind"] == "check"]
    score = check["reading"] - background * check["live_time [s]"] - check["value"]
    assert (abs(score) < 4.5 * np.sqrt(check["reading"])).all()
    assert (table.loc[table["kind"] == "blank", "value"] == 0.0).all()
