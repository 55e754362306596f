"""Wavelets, reflection coefficients in time and the synthetic trace."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import signal

from corephys.ground import units
from corephys.products import seismic
from tests.products.test_seismic_profile import pair, together

STEP = 5e-4  # s


def series_in_time(values, step=STEP, dims="time"):
    time = step * np.arange(np.shape(values)[-1])
    coords = {"time": ("time", time, {"units": "s"})}
    return xr.DataArray(values, dims=dims, coords=coords)


def test_the_greatest_amplitude_of_a_ricker_wavelet_lies_at_its_frequency():
    made = seismic.ricker("40 Hz", "0.5 ms", length="200 ms")
    power = np.abs(np.fft.rfft(made.values, 2**16))
    assert np.fft.rfftfreq(2**16, STEP)[power.argmax()] == pytest.approx(40.0, abs=0.1)
    assert made.values.max() == 1.0
    assert float(made.time[made.values.argmax()]) == 0.0
    assert abs(made.values.sum() * STEP) < 1e-9  # no level of its own


def test_a_rotation_is_that_of_an_independent_hilbert_transform():
    made = seismic.ricker("40 Hz", "0.5 ms", length="400 ms")
    turned = seismic.rotate_phase(made, "90 degree")
    np.testing.assert_allclose(turned, -signal.hilbert(made.values, 8192)[: made.size].imag,
                               atol=2e-4)  # fmt: skip
    back = seismic.rotate_phase(turned, "-90 degree")
    np.testing.assert_allclose(back, made, atol=2e-3)  # the tails beyond the ends are lost
    assert back.attrs["phase"] == 0.0
    assert turned.attrs["phase"] == 90.0


def test_a_wavelet_of_ones_own_keeps_its_numbers():
    values = signal.windows.gaussian(41, 5.0)
    made = seismic.wavelet(values, time_step="1 ms")
    np.testing.assert_array_equal(made, values)
    assert float(made.time[20]) == 0.0
    again = seismic.wavelet(made, phase="180 degree")
    np.testing.assert_allclose(again, -values, atol=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: seismic.ricker("200 Hz", "2 ms"), "reaches 500 Hz, above the 250 Hz.*1 ms"),
        (lambda: seismic.ricker("25 Hz", "1 ms", length="10 ms"), "is cut by a length"),
        (lambda: seismic.ricker("-25 Hz", "1 ms"), "frequency is -25 Hz"),
        (lambda: seismic.wavelet([1.0, np.nan, 2.0], time_step="1 ms"), "2 of 3 values are"),
        (lambda: seismic.wavelet(np.array([1.0, 2.0, 1.0])), "give time_step="),
        (lambda: seismic.wavelet((-1.0) ** np.arange(20), time_step="1 ms"), "coarser than its"),
        (lambda: seismic.average_wavelet(series_in_time(np.ones((1, 90)), dims=("trace", "time"))),
         "traces has 1 trace; an average needs two"),
        (lambda: seismic.average_wavelet(series_in_time(np.ones(90))), "two dimensions"),
    ],
)  # fmt: skip
def test_wavelets_that_cannot_be_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_the_average_wavelet_finds_the_one_that_was_planted():
    rng = np.random.default_rng(9)
    planted = seismic.ricker("60 Hz", "0.5 ms", phase="40 degree")
    time = STEP * np.arange(600)
    traces = []
    for _ in range(12):
        at = 0.1 + rng.uniform(-0.01, 0.01)  # seafloor between the samples
        later = np.interp(time - at, planted.time.values, planted.values, left=0.0, right=0.0)
        beds = np.convolve(rng.normal(0, 0.02, 600) * (time > at + 0.06), planted.values, "same")
        traces.append(2.0 * later + beds + rng.normal(0, 0.03, 600))
    found = seismic.average_wavelet(series_in_time(traces, dims=("trace", "time")))
    shared = np.interp(found.time.values, planted.time.values, planted.values, left=0.0, right=0.0)
    assert np.corrcoef(found.values, shared)[0, 1] > 0.98
    assert found.attrs["traces"] == 12
    assert 0.0 < found.attrs["random_uncertainty"] < 0.05


def profile(values, depth, velocity=1600.0, **options):
    return seismic.profile(*pair(depth, values, velocity, **options))


def test_a_step_reflects_at_its_time_with_its_coefficient():
    depth = np.arange(0, 60, 0.02)
    reflections = seismic.reflectivity(profile(np.where(depth < 30, 1.6, 1.8), depth))
    r = reflections["reflection_coefficient"].values
    assert np.tanh(np.arctanh(r).sum()) == pytest.approx(0.2 / 3.4, rel=1e-9)
    at = float(np.sum(r * reflections["two_way_time"]) / r.sum())
    assert at == pytest.approx(2 * 29.99 / 1600.0, abs=STEP)
    trace = seismic.synthetic(reflections, seismic.ricker("60 Hz", "0.5 ms"))
    k = int(np.argmax(np.abs(trace["synthetic_trace"].values)))
    assert float(trace["two_way_time"][k]) == pytest.approx(at, abs=STEP)
    assert float(trace["depth"][k]) == pytest.approx(30.0, abs=0.4)
    assert "no multiples" in trace.attrs["assumptions"]


def test_the_first_coefficient_is_that_of_the_seafloor_where_water_is_given():
    depth = np.arange(0, 30, 0.02)
    found = seismic.reflectivity(profile(1.6 + 0 * depth, depth), top="1.55 MPa s/m")
    z = 1.6 * 1.6
    first = found["reflection_coefficient"].values
    assert first[0] == pytest.approx((z - 1.55) / (z + 1.55), rel=1e-9)
    np.testing.assert_allclose(first[1:], 0.0, atol=1e-12)


def test_a_common_factor_on_impedance_does_not_reflect():
    depth = np.arange(0, 60, 0.05)
    data = profile(1.6 + 0.1 * np.sin(depth), depth)
    data["acoustic_impedance_effects"] = ("source", "reading"), 0.03 * data[
        "acoustic_impedance"].values[None]  # fmt: skip
    data.coords["source"] = ("source", np.array(["scale"], dtype=object))
    trace = seismic.synthetic(seismic.reflectivity(data), seismic.ricker("60 Hz", "0.5 ms"))
    assert float(trace["synthetic_trace_u_systematic"].max()) < 1e-12


@pytest.mark.slow
def test_the_band_of_the_trace_is_that_of_draws_of_the_readings():
    """Whole chain, readings drawn anew: nothing of the band's own arithmetic."""
    rng = np.random.default_rng(3)
    depth = np.arange(0, 60, 0.04)
    density, velocity = 1.6 + 0.03 * np.sin(depth), 1600 + 3 * depth
    wavelet = seismic.ricker("60 Hz", "0.5 ms")

    def chain(d, v, draws=0):
        averaged = seismic.backus(profile(d, depth, v, u=(0.01, 4.0)), length="1.5 m")
        return seismic.synthetic(seismic.reflectivity(averaged), wavelet, draws=draws)

    stated = chain(density, velocity, draws=400)["synthetic_trace_u_random"].values
    made = [
        chain(density + 0.01 * rng.normal(size=depth.size),
              velocity + 4.0 * rng.normal(size=depth.size))["synthetic_trace"].values
        for _ in range(120)
    ]  # fmt: skip
    size = min(map(len, made))
    ratio = np.std([one[:size] for one in made], axis=0)[30:-30] / stated[:size][30:-30]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.1)
    assert np.all(np.isnan(chain(density, velocity)["synthetic_trace_u_random"]))


def backwards():
    made = together([1, 0], 1.6, 1600.0)
    return made.assign(acoustic_impedance=made["bulk_density"].assign_attrs(units="MPa s/m"))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda r: seismic.synthetic(r, seismic.ricker("60 Hz", "1 ms")),
         "steps of 1 ms and the reflection coefficients of 0.5 ms"),
        (lambda r: seismic.synthetic(r.isel(time=slice(0, 20)), seismic.ricker("60 Hz", "0.5 ms")),
         "cut the wavelet"),
        (lambda r: seismic.synthetic(r, np.ones(5)), "DataArray along time with the coordinate"),
        (lambda r: seismic.reflectivity(profile([1.6, 1.7], [0.0, 0.5])), "shorter time_step"),
        (lambda r: seismic.reflectivity(backwards()), "increase from row to row"),
    ],
)  # fmt: skip
def test_what_does_not_match_is_said(call, words):
    depth = np.arange(0, 60, 0.05)
    with pytest.raises(ValueError, match=words):
        call(seismic.reflectivity(profile(1.6 + 0 * depth, depth)))


def test_units_are_asked_for():
    with pytest.raises(units.UnitError, match="frequency"):
        seismic.ricker(40.0, "1 ms")
    with pytest.raises(units.UnitError, match="time_step"):
        seismic.ricker("40 Hz", "1 m")
