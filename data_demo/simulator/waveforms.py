"""Simulated arrivals of a P-wave pulse: quiet, then a damped swing, with noise on top."""

from __future__ import annotations

import numpy as np

RISE = 0.35  # of a period: time in which the swing reaches its full size
DECAY = 2.5  # periods in which the swing falls to 1/e


def pulse(time, frequency_khz=250.0):
    """A causal damped swing of peak 1, zero before time 0 and smooth there; time in us."""
    period = 1e3 / frequency_khz

    def shape(t):
        t = np.maximum(t, 0.0)
        envelope = (1.0 - np.exp(-t / (RISE * period))) * np.exp(-t / (DECAY * period))
        return envelope * np.sin(2.0 * np.pi * t / period)

    peak = np.abs(shape(np.linspace(0.0, 3.0 * period, 3001))).max()
    return shape(np.asarray(time, dtype=float)) / peak


def synthetic_arrivals(
    rng, n, onset_us, signal_to_noise_db, samples=1024, interval_us=0.1, frequency_khz=250.0,
    band_khz=None,
):  # fmt: skip
    """Return time [us] and n waveforms with their onset at `onset_us` (one, or one each).

    The signal-to-noise ratio is that of the greatest deflection of the pulse to the root mean
    square of the noise, 20 log10 of it. The noise is white, or white noise filtered to
    `band_khz` (low, high) and set to the same root mean square.
    """
    time = interval_us * np.arange(samples)
    onset = np.broadcast_to(np.asarray(onset_us, dtype=float), (n,))
    noise = rng.normal(size=(n, samples))
    if band_khz is not None:
        frequency = np.fft.rfftfreq(samples, interval_us * 1e-3)  # kHz
        inside = (frequency >= band_khz[0]) & (frequency <= band_khz[1])
        noise = np.fft.irfft(np.fft.rfft(noise, axis=1) * inside, samples, axis=1)
        noise /= np.sqrt(inside.mean())
    noise *= 10.0 ** (-signal_to_noise_db / 20.0)
    return time, pulse(time - onset[:, None], frequency_khz) + noise
