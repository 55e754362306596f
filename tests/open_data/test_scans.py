"""Scans of lake cores and a gauge's calibration by others, where the open data are at hand.

The archive's headers are mapped here and nowhere else. The reference is what its authors derived
or left out themselves, or arithmetic written out here.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags, series
from corephys.numerics.line import ordinary_line
from corephys.numerics.polynomial import fit_polynomial
from corephys.quality import Settings

# Simulated truth or whole series: the file takes long.
pytestmark = pytest.mark.slow

# Header of the archive -> header of scan/reduced. Densities of LP08 and LP16 stand under "kgm-3";
# the numbers lie between 0.02 and 2.7, and their own porosities follow from them as g/cm^3.
WAVES = {"PWVel": "p_wave_velocity [m/s]", "PWAmp": "amplitude"}
COLUMNS = {
    "HER42PB": {
        "SECTION_ID": "core", "Strat_depth": "depth [cm]", "Den1_SAT": "bulk_density [g/cm^3]",
        "PWVel_SAT": "p_wave_velocity [m/s]", "PWAmp_SAT": "amplitude",
        "RES_SAT": "electrical_resistivity [ohm m]",
    },
    "LP08": {
        "Section": "core", "Strat_depth": "depth [cm]",
        "Gamma_Ray_Density _GRD": "bulk_density [g/cm^3]",
        "Resitivity": "electrical_resistivity [ohm m]",
    },
    "LP16": {
        "Core": "core", "Strat_depth": "depth [cm]", **WAVES,
        "GRD_Gamma_Ray_Density__SAT_cal": "bulk_density [g/cm^3]",
        "Resitivity": "electrical_resistivity [ohm m]",
    },
}  # fmt: skip
ROWS = {"HER42PB": 804, "LP08": 2915, "LP16": 591}  # with the row of units of the last two
UNITS_ROWS = {"HER42PB": 0, "LP08": 1, "LP16": 1}
SECTION_DEPTH = {"HER42PB": "SECT_DEPTH_sed", "LP08": "Section_depth_min", "LP16": "Core_depth"}
# No lake mud full of water is lighter than water. The archive states no uncertainties: a fit takes
# its scale from the scatter.
CHOICES = {
    "quality": {"void_density": "0.95 g/cm^3"},
    "compaction": {"absolute_sigma": False},
}


@pytest.fixture(scope="module")
def frames(open_data):
    """The files as text, cell by cell."""
    folder = open_data / "lake_core_scans"
    return {
        name: pd.read_csv(
            folder / f"{name}.csv", dtype=str, keep_default_na=False, encoding="utf-8-sig"
        )
        for name in COLUMNS
    }


def read(name, frame, **changed):
    """A hole of one supplied scan."""
    mapped = {**COLUMNS[name], **changed}
    return cp.hole_from_tables(
        {"scan/reduced": frame}, {"hole": {"name": name}, **CHOICES},
        columns={"scan/reduced": mapped},
    )  # fmt: skip


@pytest.fixture(scope="module")
def reduced(frames):
    return {name: cp.reduce(read(name, frame)) for name, frame in frames.items()}


def numbers(frame, header):
    return pd.to_numeric(frame[header], errors="coerce").to_numpy(float)


def filled(frame, name, quantity):
    """Rows whose cell of a quantity is not blank: a blank cell is no value."""
    header = next(h for h, mapped in COLUMNS[name].items() if mapped.startswith(quantity))
    return np.flatnonzero(frame[header].str.strip() != "")


def ours(tree, name):
    """Values, flags and a function that says which readings have a reason."""
    node = {"bulk_density": "density", "p_wave_velocity": "velocity",
            "electrical_resistivity": "resistivity"}[name]  # fmt: skip
    data = series.leaf(tree, f"properties/{node}")
    mask = data[f"{name}_reason"].values

    def has(word):
        return (mask & flags.bit(word)) != 0

    return data[name].values, data[f"{name}_flag"].values, has


# Rows ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", COLUMNS)
def test_rows_in_are_rows_out_and_no_number_changes(frames, reduced, name):
    frame, tree = frames[name], reduced[name]
    assert len(frame) == ROWS[name]
    raw = series.leaf(tree, "scan/reduced")
    for header, mapped in COLUMNS[name].items():
        column = mapped.partition(" [")[0]
        if column in ("core", "depth"):
            continue
        np.testing.assert_array_equal(raw[column].values, numbers(frame, header))
        if column != "amplitude":
            rows = filled(frame, name, column)
            np.testing.assert_array_equal(ours(tree, column)[0], numbers(frame, header)[rows])
            assert rows.size + (frame[header].str.strip() == "").sum() == len(frame)
            assert ours(tree, column)[2]("supplied").all()
    kept = [h.strip() for h in frame if h not in COLUMNS[name]]
    assert {header.strip() for header in kept} <= set(
        raw.data_vars
    )  # columns that are not known stay


@pytest.mark.parametrize("name", COLUMNS)
def test_a_row_of_units_is_a_bad_row_and_is_counted(frames, reduced, name):
    tree = reduced[name]
    bad = json.loads(series.leaf(tree, "scan/reduced").attrs["bad_cells"])
    assert {row for row, *_ in bad} == ({0} if UNITS_ROWS[name] else set())
    for quantity in ("bulk_density", "electrical_resistivity"):
        _, flag, has = ours(tree, quantity)
        assert has("bad_cell").sum() == UNITS_ROWS[name]
        empty = np.isnan(ours(tree, quantity)[0])
        assert (flag[empty] == flags.MISSING).all()
        assert (flag == flags.MISSING).sum() == empty.sum()
    if name == "LP16":  # 16 densities and 4 resistivities are empty; the row of units is left
        assert cp.quality.audit(tree).by_quantity["missing"].tolist() == [1, 1, 1]
        lengths = [ours(tree, q)[0].size for q in ("bulk_density", "electrical_resistivity")]
        assert lengths == [ROWS[name] - 16, ROWS[name] - 4]


# Depths -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", COLUMNS)
def test_duplicate_depths_are_those_that_pandas_finds(frames, name):
    """None by the composite depth; many where a depth that begins anew is taken for one."""
    found = {}
    for header in ("Strat_depth", SECTION_DEPTH[name]):
        mapped = {k: v for k, v in COLUMNS[name].items() if v != "depth [cm]"}
        hole = cp.hole_from_tables(
            {"scan/reduced": frames[name]}, {"hole": {"name": name}, **CHOICES},
            columns={"scan/reduced": {**mapped, header: "depth [cm]"}},
        )  # fmt: skip
        rows = filled(frames[name], name, "bulk_density")
        depth = pd.Series(numbers(frames[name], header)[rows])
        expected = depth.duplicated(keep=False).to_numpy() & depth.notna().to_numpy()
        _, flag, has = ours(cp.reduce(hole), "bulk_density")
        np.testing.assert_array_equal(has("same_position_twice"), expected)
        assert not flags.usable(flag[expected]).any()
        found[header] = int(expected.sum())
    assert found["Strat_depth"] == 0
    assert found[SECTION_DEPTH[name]] == {"HER42PB": 708, "LP08": 2902, "LP16": 124}[name]


def test_planted_duplicates_are_kept_and_the_later_rows_flagged(frames):
    frame = pd.concat([frames["LP08"], frames["LP08"].iloc[100:107]], ignore_index=True)
    values, flag, has = ours(cp.reduce(read("LP08", frame)), "bulk_density")
    assert np.flatnonzero(has("exact_copy")).tolist() == [*range(2915, 2922)]
    assert not has("same_position_twice").any()
    assert (flag[2915:] == flags.BAD).all()
    np.testing.assert_array_equal(values[2915:], values[100:107])


def test_offsets_that_begin_anew_are_placed_by_core_and_section(frames):
    """Core, section and offset give the authors' own composite depth."""
    frame = frames["HER42PB"]
    shift = numbers(frame, "Strat_depth") - numbers(frame, "SECT_DEPTH_sed")
    tops = pd.Series(shift).groupby(frame["SECTION_ID"], sort=False).median() / 100
    names = tops.index.tolist()
    parts = frame.groupby("SECTION_ID", sort=False)["SECT_NUM"].first().loc[names].tolist()
    cores = pd.DataFrame({
        "core": names, "coring_method": "percussion", "top [m]": tops.to_numpy(),
        "advance [m]": np.append(np.diff(tops), 0.5), "recovered [m]": 0.5,
    })  # fmt: skip
    sections = pd.DataFrame({
        "core": names, "section": parts, "length [m]": 0.5, "core_diameter [mm]": 50.0,
    })  # fmt: skip
    mapped = {k: v for k, v in COLUMNS["HER42PB"].items() if v != "depth [cm]"}
    mapped |= {"SECT_NUM": "section", "SECT_DEPTH_sed": "offset [cm]"}
    hole = cp.hole_from_tables(
        {"cores": cores, "sections": sections, "scan/reduced": frame},
        {"hole": {"name": "HER42PB"}, **CHOICES}, columns={"scan/reduced": mapped},
    )  # fmt: skip
    placed = series.leaf(hole, "scan/reduced")
    np.testing.assert_allclose(
        placed["depth"].values, numbers(frame, "Strat_depth") / 100, rtol=0, atol=1e-9
    )
    assert not ours(cp.reduce(hole), "bulk_density")[2]("same_position_twice").any()


# Lost sediment ------------------------------------------------------------------------------------


def test_every_density_that_the_authors_dropped_is_bad(frames, reduced):
    dropped = frames["LP08"]["Gamma_Ray_Density _GRD_<0.3_filtered"].str.strip() == ""
    rho, flag, has = ours(reduced["LP08"], "bulk_density")
    assert dropped.sum() == 22
    assert rho[dropped].max() < 0.3
    assert (flag[dropped] == flags.BAD).all()
    assert (has("void") & has("impossible_value"))[dropped].all()


def test_what_is_lighter_than_water_is_void_or_impossible(reduced):
    """The authors dropped 22 of these; more than half of the core has porosities above one."""
    rho, flag, has = ours(reduced["LP08"], "bulk_density")
    light = rho < 1.0
    assert (has("void") == (rho < 0.95)).all()
    assert (flag[light] == flags.BAD).all()
    assert [int(light.sum()), int((rho < 0.95).sum())] == [1775, 1683]
    table = cp.quality.audit(reduced["LP08"]).by_quantity.loc["bulk_density"]
    assert table[["readings", "kept", "missing"]].tolist() == [2915, 991, 1]


def test_their_porosity_above_one_is_impossible_here_too(frames, reduced):
    """Their porosities show that the label of the densities is not kg/m^3."""
    theirs = numbers(frames["LP08"], "Fractional_porosity")
    rho, flag, _ = ours(reduced["LP08"], "bulk_density")
    known = np.isfinite(theirs)
    line = ordinary_line(rho[known], theirs[known])
    grain = 1.0 / -line.slope * line.intercept  # where their porosity is zero
    water = grain + 1.0 / line.slope  # where it is one
    assert grain == pytest.approx(2.75, abs=0.01)
    assert water == pytest.approx(1.03, abs=0.01)
    assert (flag[theirs > 1.02] == flags.BAD).all()


# Bad coupling -------------------------------------------------------------------------------------


def suspension(rho):
    """Velocity of quartz grains in fresh water without a frame (Wood), in m/s."""
    grain, water, hard, soft = 2.75, 1.0, 50e9, 2.25e9  # g/cm^3 and Pa
    share = np.clip((grain - rho) / (grain - water), 0.0, 1.0)
    return np.sqrt(1.0 / (share / soft + (1.0 - share) / hard) / (1e3 * rho))


@pytest.mark.parametrize(
    ("name", "silent", "slow", "impossible"), [("HER42PB", 10, 28, 16), ("LP16", 87, 255, 108)]
)
def test_lost_pulses_are_flagged(frames, reduced, name, silent, slow, impossible):
    tree = reduced[name]
    speed, flag, has = ours(tree, "p_wave_velocity")
    amplitude = series.leaf(tree, "scan/reduced")["amplitude"].values
    counts = [(amplitude == 0).sum(), (speed < 1450).sum(), (speed < 1000).sum()]
    assert list(map(int, counts)) == [silent, slow, impossible]
    assert has("low_amplitude")[amplitude == 0].all()
    assert has("low_amplitude")[speed < 1000].all()
    np.testing.assert_array_equal(has("impossible_value"), speed < 1000)
    assert not flags.usable(flag[speed < 1450]).any()
    assert (has("out_of_usual_range") | has("impossible_value"))[speed < 1450].all()


@pytest.mark.parametrize(("name", "kept"), [("HER42PB", 595), ("LP16", 92)])
def test_no_velocity_below_its_suspension_is_kept(reduced, name, kept):
    speed, flag, has = ours(reduced[name], "p_wave_velocity")
    density = series.leaf(reduced[name], "properties/density")
    velocity = series.leaf(reduced[name], "properties/velocity")
    rho = pd.Series(density["bulk_density"].values, index=density["depth"].values)
    # The depths of the two columns of one row; the row of units has none.
    bound = suspension(rho[rho.index.notna()].reindex(velocity["depth"].values).to_numpy())
    usable = flags.usable(flag)
    assert not (usable & (speed < 0.97 * bound)).any()
    assert not (has("below_velocity_bound") & (speed > 1.03 * bound)).any()
    assert int(usable.sum()) == kept
    assert np.std(speed[usable]) < 0.45 * np.nanstd(speed)


# Derived columns ----------------------------------------------------------------------------------


@pytest.mark.parametrize("calibration", ["SAT", "UNSAT"])
def test_impedance_and_porosity_row_by_row(frames, calibration):
    """To what the rounding of their columns allows.

    Densities and porosities have four decimals, velocities and impedances seven figures and at most
    four decimals: half a last digit of the inputs comes to that of the result.
    """
    frame = frames["HER42PB"]
    rho, speed = numbers(frame, f"Den1_{calibration}"), numbers(frame, f"PWVel_{calibration}")
    as_array = {"dims": "reading", "coords": {"depth": ("reading", np.arange(rho.size) * 1.0)}}
    density = xr.DataArray(rho, attrs={"units": "g/cm^3"}, **as_array)
    velocity = xr.DataArray(speed, attrs={"units": "m/s"}, **as_array)
    found = cp.seismic.acoustic_impedance(density, velocity)["acoustic_impedance"].values * 1e3
    theirs = numbers(frame, f"Imp_{calibration}")
    apart = np.abs(found - theirs)
    rounding = 5e-5 * speed + rho * _half_seventh_figure(speed) + _half_seventh_figure(theirs)
    # A handful of rows lies beyond it, by a twentieth of it at most: their density had more digits.
    assert int((apart > rounding).sum()) <= 8
    assert (apart <= 1.05 * rounding).all()
    assert apart.max() < 0.11  # of 2600: forty millionths
    porosity = cp.porosity.from_density(
        density, grain_density="2.75 g/cm^3", pore_water_density="1 g/cm^3"
    )["porosity"].values
    apart = np.abs(porosity - numbers(frame, f"FP_{calibration}"))
    assert (apart <= 5e-5 / 1.75 + 5e-5 + 1e-9).all()
    # Beyond half of its own last digit lie those whose density was rounded after the division.
    assert int((apart > 5e-5 + 1e-9).sum()) == {"SAT": 121, "UNSAT": 126}[calibration]


def _half_seventh_figure(values):
    return 0.5 * 10.0 ** np.maximum(np.floor(np.log10(values)) - 6, -4)


def test_a_wet_core_needs_the_wet_calibration(frames):
    """Dry standards make the core a quarter too heavy; a weighed subsample says which is right."""
    wet, dry = (numbers(frames["HER42PB"], f"Den1_{name}") for name in ("SAT", "UNSAT"))
    ratio = dry / wet
    assert np.mean(ratio) == pytest.approx(1.265, abs=0.0005)
    assert ratio.min() > 1.26
    assert ratio.max() < 1.31
    subsample = 1.381  # g/cm^3, wet, by the authors
    limit = Settings().sample_difference
    assert abs(wet.mean() - subsample) < 0.2 * limit
    assert abs(dry.mean() - subsample) > 3.0 * limit


# Gauge --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def gauge(open_data):
    table = pd.read_csv(open_data / "gamma_gauge" / "gain_density.csv")
    return table["density"].to_numpy(float), np.log(table["gain"].to_numpy(float))


def test_the_line_of_the_gauge_has_the_printed_coefficients(gauge):
    """The gain is an amplified current, no count: it has no counting noise to weight by."""
    rho, log_gain = gauge
    coefficients, _, chi_square = fit_polynomial(rho, log_gain, np.ones(rho.size), 1)
    assert coefficients == pytest.approx([5.9973, -4.6059], abs=5e-5)
    line = ordinary_line(rho, log_gain)
    assert [line.intercept, line.slope] == pytest.approx([5.9973, -4.6059], abs=5e-5)
    explained = 1.0 - chi_square / float(((log_gain - log_gain.mean()) ** 2).sum())
    assert explained == pytest.approx(0.9958, abs=5e-5)


def test_the_inverse_of_the_gauge_scatters_as_printed(gauge):
    """0.0147 g/cm^3 is the residual's standard deviation over the slope.

    With n - 1 or with n - 2 degrees of freedom (0.01466, 0.01475) it has the printed digits; with
    n it has not (0.0146).
    """
    rho, log_gain = gauge
    line = ordinary_line(rho, log_gain)
    error = (log_gain - line.intercept) / line.slope - rho
    assert rho.size == 90
    assert error.std(ddof=1) == pytest.approx(0.0147, abs=5e-5)
    residual = np.sqrt(line.chi_square / line.degrees_of_freedom) / -line.slope
    assert residual == pytest.approx(0.0147, abs=5e-5)
    assert error.std(ddof=0) != pytest.approx(0.0147, abs=5e-5)
    # Calibrating the inverse the other way round errs less on these readings, and leans.
    inverse = ordinary_line(log_gain, rho)
    leaning = inverse.intercept + inverse.slope * log_gain - rho
    assert leaning.std() < error.std()
    assert ordinary_line(rho, leaning).slope == pytest.approx(0.9958 - 1.0, abs=1e-4)
