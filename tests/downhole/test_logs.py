"""Downhole logs: faults of files are said and mended, cores are laid beside them."""

from __future__ import annotations

import json

import lasio
import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.downhole import logs
from corephys.ground import series

HEAD = """~VERSION
 VERS.  2.0 : LAS
 WRAP.  NO  : one line
~WELL
 STRT.M {start} : first
 STOP.M {stop} : last
 STEP.M {step} : step
 NULL.  {null} : null
~CURVE
 DEPT.{unit} : depth
 RHOB.{density} : bulk density
 DT.US/F : slowness
 GR.GAPI : natural gamma
~A
"""


def las(path, rows, start=100.0, stop=102.0, step=1.0, null=-999.25, unit="M", density="K/M3"):
    text = HEAD.format(start=start, stop=stop, step=step, null=null, unit=unit, density=density)
    path.write_text(text + "\n".join(" ".join(f"{v:g}" for v in row) for row in rows) + "\n")
    return path


ROWS = [(100, 2100, 190, 55), (101, 2150, 180.5, 60), (102, -999.25, 200, 65)]


def reports(dataset):
    return json.loads(dataset.attrs["reports"])


def test_curves_become_quantities_in_their_units(tmp_path):
    found = logs.read(
        las(tmp_path / "a.las", ROWS), columns={"RHOB": "bulk_density", "DT": "p_wave_velocity"}
    )
    assert reports(found) == []
    np.testing.assert_allclose(found["bulk_density"].values, [2.1, 2.15, np.nan])
    # 190 microseconds a foot of 0.3048 m
    assert found["p_wave_velocity"].values[0] == pytest.approx(0.3048 / 190e-6, rel=1e-12)
    assert found["bulk_density_flag"].values.tolist() == [1, 1, 9]
    assert np.isnan(found["bulk_density_u_random"].values).all()
    assert found["GR"].attrs["unit_in_the_file"] == "GAPI"
    assert found["depth"].attrs["units"] == "m"


def test_an_index_that_runs_upward_is_turned(tmp_path):
    found = logs.read(las(tmp_path / "a.las", ROWS[::-1], start=102, stop=100, step=-1))
    assert found["depth"].values.tolist() == [100, 101, 102]
    assert found["RHOB"].values[0] == 2100
    assert reports(found) == ["the index ran upward; the rows were reversed"]


def test_feet_become_metres(tmp_path):
    found = logs.read(las(tmp_path / "a.las", ROWS, unit="FT").resolve())
    np.testing.assert_allclose(found["depth"].values, np.array([100, 101, 102]) * 0.3048)


def test_a_wrong_null_value_is_found_and_said(tmp_path):
    rows = [*ROWS[:2], (102, -9999, 200, 65), (103, -9999, 201, 65)]
    found = logs.read(las(tmp_path / "a.las", rows, stop=103))
    assert np.isnan(found["RHOB"].values[2:]).all()
    (text,) = reports(found)
    assert text.startswith("2 values of RHOB are -9999, far outside the others")
    kept = logs.read(tmp_path / "a.las", null=-9999.0)
    assert np.isnan(kept["RHOB"].values[2:]).all() and reports(kept) == []


def test_a_header_that_disagrees_with_its_data_is_said(tmp_path):
    found = logs.read(las(tmp_path / "a.las", ROWS, start=90, stop=110, step=0.5))
    said = " ".join(reports(found))
    assert "STRT 90 m; the data have 100 m" in said and "STOP 110 m" in said and "STEP" in said


def test_a_bad_header_line_is_passed_over_and_said(tmp_path):
    path = las(tmp_path / "a.las", ROWS)
    path.write_text(path.read_text().replace("~CURVE", " this is no line of a header\n~CURVE"))
    found = logs.read(path)
    assert found["RHOB"].values[0] == 2100
    assert "header has faults" in reports(found)[0]


def test_the_slowness_that_cannot_be_is_bad(tmp_path):
    rows = [*ROWS[:2], (102, 2200, -3278, 65)]
    found = logs.read(las(tmp_path / "a.las", rows), columns={"DT": "p_wave_velocity"})
    assert found["p_wave_velocity_flag"].values.tolist() == [1, 1, 4]
    assert reports(found) == [
        "1 values of DT are zero or negative, which no slowness is; they are flagged as bad"
    ]


@pytest.mark.parametrize(
    "text, words",
    [
        ("depth,density\n1,2\n", "does not begin like a LAS file"),
        ("~VERSION\n VERS. 2.0 :\n WRAP. NO :\n~WELL\n~CURVE\n~A\n", "no curve with data"),
    ],
)
def test_what_is_no_log_is_refused_in_words(tmp_path, text, words):
    path = tmp_path / "a.las"
    path.write_text(text)
    with pytest.raises(logs.LogError, match=words):
        logs.read(path)


def test_a_depth_that_is_the_null_value_is_no_depth(tmp_path):
    rows = [(100, 2000, 190, 55), (-999.25, 2100, 190, 55), (102, 2200, 190, 55)]
    found = cp.logs.read(las(tmp_path / "a.las", rows))
    np.testing.assert_array_equal(found["depth"], [100.0, 102.0, np.nan])
    assert "1 rows have no depth; they were put last" in reports(found)


def test_two_curves_are_not_one_quantity_and_none_is_without_unit(tmp_path):
    rows = ROWS
    with pytest.raises(cp.logs.LogError, match="has no unit in the file, and bulk_density needs"):
        cp.logs.read(las(tmp_path / "a.las", rows, density=""), columns={"RHOB": "bulk_density"})
    both = {"RHOB": "bulk_density", "RHOZ": "bulk_density"}
    with pytest.raises(cp.logs.LogError, match="to RHOB, RHOZ; give each quantity one curve"):
        cp.logs.read(las(tmp_path / "b.las", rows), columns=both)
    spelled = las(tmp_path / "c.las", [(100, 2.0, 190, 5), (101, 2.1, 190, 5)], density="GM/CC")
    found = cp.logs.read(spelled, columns={"RHOB": "bulk_density"})
    np.testing.assert_allclose(found["bulk_density"], [2.0, 2.1])


def test_arguments_that_do_not_fit(tmp_path):
    path = las(tmp_path / "a.las", ROWS, density="ELBOWS")
    with pytest.raises(logs.LogError, match="no curve 'NPHI'; columns= may name RHOB, DT, GR"):
        logs.read(path, columns={"NPHI": "porosity"})
    with pytest.raises(logs.LogError, match="'ELBOWS', which is unknown"):
        logs.read(path, columns={"RHOB": "bulk_density"})
    with pytest.raises(FileNotFoundError):
        logs.read(tmp_path / "b.las")


def test_what_is_written_is_read_again_by_others_and_here(tmp_path):
    depth = np.arange(10.0, 20.0, 0.5)
    density = np.linspace(1.5, 1.9, depth.size)
    density[3] = np.nan
    made = cp.uncertainty.Measured(
        xr.DataArray(density, dims="reading", coords={"depth": ("reading", depth, {"units": "m"})}),
        0.01, {"core_diameter": 0.005},
    )  # fmt: skip
    dataset = series.build({"bulk_density": made})
    path = logs.write(dataset, tmp_path / "x.las")
    other = lasio.read(path)
    assert other.well["STEP"].value == 0.5 and other.well["NULL"].value == -999.25
    assert other.curves["BULK_DENSITY"].unit == "G/C3"
    assert np.isnan(other["BULK_DENSITY"][3])
    found = logs.read(path, columns={"BULK_DENSITY": "bulk_density"})
    assert reports(found) == []
    np.testing.assert_allclose(found["bulk_density"].values, density, rtol=1e-9)
    np.testing.assert_allclose(found["depth"].values, depth)
    with pytest.raises(logs.LogError, match="two curves would be called 'A'"):
        logs.write(dataset, path, names={"bulk_density": "A", "bulk_density_flag": "A"})


def column(depth, seed=2):
    """A property of the sediment at any depth: layers of a metre and more."""
    rng = np.random.default_rng(seed)
    z = np.arange(-20.0, 140.0, 0.02)
    noise = np.convolve(rng.normal(size=z.size + 400), np.hanning(120), "same")[: z.size]
    return np.interp(depth, z, 1.7 + 0.1 * noise / noise.std())


def dataset_of(depth, values, u=0.01):
    along = xr.DataArray(
        values, dims="reading", coords={"depth": ("reading", depth, {"units": "m"})}
    )
    return series.build({"bulk_density": cp.uncertainty.Measured(along, u, {"tie": 0.02})})


def seen(depth, aperture=0.5):
    """What a tool of that aperture reads: the mean of the sediment over it."""
    return np.mean(
        [column(depth + d) for d in np.linspace(-aperture / 2, aperture / 2, 41)], axis=0
    )


def test_a_planted_shift_and_bias_are_found_again():
    rng = np.random.default_rng(8)
    z_log = np.arange(20.0, 80.0, 0.1524)
    log = dataset_of(z_log, seen(z_log) + rng.normal(0, 0.005, z_log.size))
    z_core = np.arange(30.0, 60.0, 0.025)
    core = dataset_of(z_core, column(z_core + 1.37) + 0.03 + rng.normal(0, 0.02, z_core.size))
    found = logs.compare_with_core(core, log, "bulk_density", largest_shift="5 m")
    assert float(found["shift"][0]) == pytest.approx(1.37, abs=0.02)
    assert float(found["bias"][0]) == pytest.approx(0.03, abs=0.003)
    assert float(found["correlation"][0]) > 0.98 > float(found["correlation_before"][0])
    assert float(found["at_limit"][0]) == 0.0
    narrow = logs.compare_with_core(core, log, "bulk_density", largest_shift="1 m")
    assert float(narrow["at_limit"][0]) == 1.0


def test_windows_follow_a_shift_that_grows():
    z_log = np.arange(10.0, 90.0, 0.1)
    log = dataset_of(z_log, seen(z_log))
    z_core = np.arange(20.0, 70.0, 0.02)
    core = dataset_of(z_core, column(z_core + 0.02 * (z_core - 20.0)))
    found = logs.compare_with_core(core, log, "bulk_density", largest_shift="3 m", window="10 m")
    middle = 0.5 * (found["top"] + found["bottom"]).values
    np.testing.assert_allclose(found["shift"].values, 0.02 * (middle - 20.0), atol=0.06)


def test_the_aperture_is_a_mean_with_its_uncertainty():
    z = np.arange(0.0, 10.0, 0.1)
    core = dataset_of(z, column(z))
    found = logs.to_aperture(
        core, "bulk_density", at=cp.quantity([5.05, 30.0], "m"), aperture="1 m"
    )
    inside = (z >= 4.55) & (z <= 5.55)
    assert float(found["bulk_density"][0]) == pytest.approx(column(z)[inside].mean(), rel=1e-12)
    assert float(found["bulk_density_u_random"][0]) == pytest.approx(0.01 / np.sqrt(inside.sum()))
    assert float(found["bulk_density_u_systematic"][0]) == pytest.approx(0.02)
    assert np.isnan(found["bulk_density"][1]) and int(found["bulk_density_flag"][1]) == 9


def test_one_unknown_uncertainty_or_huge_reading_stays_in_its_own_windows():
    depth = np.arange(0.0, 20.0, 0.1)
    u = np.full(depth.size, 0.01)
    u[30] = np.nan
    values = np.full(depth.size, 2.0)
    values[100] = 1e30
    core = dataset_of(depth, values).assign(
        bulk_density_u_random=("reading", u, {"units": "g/cm^3"})
    )
    found = cp.logs.to_aperture(
        core, "bulk_density", at=cp.quantity([3.0, 5.0, 10.0, 15.0], "m"), aperture="0.5 m"
    )
    np.testing.assert_allclose(found["bulk_density"].values[[0, 1, 3]], 2.0, rtol=1e-12)
    known = np.isfinite(found["bulk_density_u_random"].values)
    assert known.tolist() == [False, True, True, True]


def test_core_and_log_that_never_meet_are_told_so():
    core = dataset_of(np.arange(0.0, 10.0, 0.1), np.ones(100))
    log = dataset_of(np.arange(500.0, 510.0, 0.1), np.ones(100))
    with pytest.raises(ValueError, match="share no depth within 5 m; bring both to one datum"):
        logs.compare_with_core(core, log, "bulk_density")
    with pytest.raises(cp.UnitError):
        logs.compare_with_core(core, log, "bulk_density", aperture=0.5)


def test_the_real_log_reads_and_its_impossible_slowness_is_bad(open_data):
    (path,) = (open_data / "well_log").glob("*.las")
    found = logs.read(path, columns={"RHOB": "bulk_density", "DT4S": "s_wave_velocity"})
    assert found.sizes["reading"] == 7843
    inside = (found["depth"] >= 2450.12) & (found["depth"] <= 3299.93)
    assert int(inside.sum()) == 5577
    slowness = logs.read(path)["DT4S"].values
    assert slowness.min() < -3278
    np.testing.assert_array_equal(found["s_wave_velocity_flag"].values == 4, slowness <= 0)
    assert len(reports(found)) == 1
