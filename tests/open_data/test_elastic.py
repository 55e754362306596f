"""Rock physics on measurements made by others: a log with two waves, a lake core badly coupled.

The numbers are what the models do on that data (regression values), not what they ought to do.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import flags
from corephys.products import elastic


def _array(values: np.ndarray, unit: str) -> xr.DataArray:
    return xr.DataArray(values, dims="reading", attrs={"units": unit})


@pytest.fixture(scope="module")
def log(open_data: Path) -> dict[str, xr.DataArray]:
    """P- and S-wave velocity and density of a sandstone and shale sequence."""
    (file,) = (open_data / "well_log").glob("*.las")
    header, rows = file.read_text().split("~A", maxsplit=1)
    curves = header.split("~CURVE")[1].splitlines()
    names = [line.split(".")[0].strip() for line in curves if line[:1] == " "]
    table = np.loadtxt(rows.splitlines()[1:])
    p, s, rho = (table[:, names.index(name)] for name in ("DT4P", "DT4S", "RHOB"))
    use = (p > 0) & (s > 0) & (rho > 1000.0) & (rho < 3500.0)
    return {
        "p": _array(1e6 / p[use], "m/s"),
        "s": _array(1e6 / s[use], "m/s"),
        "rho": _array(1e-3 * rho[use], "g/cm^3"),
    }


def _porosity(log: dict[str, xr.DataArray]) -> xr.Dataset:
    return cp.porosity.from_density(
        log["rho"], grain_density="2.68 g/cm^3", pore_water_density="1.03 g/cm^3"
    )


def test_moduli_of_a_real_log_are_those_of_rock(log: dict[str, xr.DataArray]) -> None:
    found = elastic.dynamic_moduli(log["p"], log["s"], log["rho"])
    nu = found["poisson_ratio"].values  # a few readings of the log are spikes
    assert np.mean((nu > 0.0) & (nu < 0.45)) > 0.99
    assert float(found["bulk_modulus"].median()) == pytest.approx(18.7, abs=0.5)
    assert float(found["shear_modulus"].median()) == pytest.approx(9.3, abs=0.3)


def test_a_real_log_keeps_within_the_bounds(log: dict[str, xr.DataArray]) -> None:
    found = elastic.bounds_check(
        log["p"], _porosity(log), mineral="quartz", soft_mineral="clay", fluid="sea_water",
        uncertainties={"p_wave_velocity": "20 m/s"},
    )  # fmt: skip
    outside = flags.bit("below_elastic_bounds") | flags.bit("above_elastic_bounds")
    assert not np.any(found["p_wave_velocity_reason"].values & outside)


def test_s_waves_of_a_real_log_as_two_ways_predict_them(log: dict[str, xr.DataArray]) -> None:
    """Measured against: the mudrock line 3 % low, the frame of a mixture right in the median."""
    measured = log["s"].values
    line = elastic.castagna(log["p"])["s_wave_velocity"].values / measured - 1.0
    assert np.median(line) == pytest.approx(-0.034, abs=0.005)
    grains = elastic.mineral_mixture({"quartz": 0.6, "clay": 0.4})
    frame = elastic.s_wave_from_frame(
        log["p"], log["rho"], _porosity(log), mineral=grains, fluid="sea_water"
    )["s_wave_velocity"].values
    off = frame / measured - 1.0
    assert np.nanmedian(off) == pytest.approx(0.002, abs=0.005)
    assert np.nanpercentile(off, [16, 84]) == pytest.approx([-0.041, 0.033], abs=0.01)


def test_bad_coupling_of_a_real_scan_lies_below_the_bounds(open_data: Path) -> None:
    """What is flagged has a hundredth of the amplitude of the rest, which the check never saw."""
    file = open_data / "lake_core_scans" / "HER42PB.csv"
    with file.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))

    def column(name: str) -> np.ndarray:
        return np.array(
            [float(row[name]) if row[name] not in ("", "NA") else np.nan for row in rows]
        )

    v, rho, amplitude = (column(name) for name in ("PWVel_SAT", "Den1_SAT", "PWAmp_SAT"))
    phi = (2.75 - rho) / 1.75
    use = np.isfinite(v) & (v > 0.0) & (phi >= 0.0) & (phi <= 1.0)
    found = elastic.bounds_check(
        _array(v[use], "m/s"), _array(phi[use], "1"), mineral="quartz", soft_mineral="clay",
        fluid="water", uncertainties={"p_wave_velocity": "20 m/s", "porosity": 0.02},
    )  # fmt: skip
    low = found["p_wave_velocity_reason"].values & flags.bit("below_elastic_bounds") != 0
    assert 15 <= low.sum() <= 40
    weak, strong = np.median(amplitude[use][low]), np.median(amplitude[use][~low])
    assert weak < 0.05 * strong
