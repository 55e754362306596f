"""Thresholds of the tests, each with what it stands for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["RESPONSE_WIDTH", "Settings"]

# Width of each sensor's response along the core [cm]; common practice, no source.
RESPONSE_WIDTH = {
    "bulk_density": 1.5,
    "p_wave_velocity": 2.0,
    "magnetic_susceptibility": 5.0,
    "electrical_resistivity": 8.0,
    "natural_gamma_rate": 15.0,
}


@dataclass(frozen=True)
class Settings:
    """What counts as doubtful.

    Parameters
    ----------
    response_width : mapping of str to float
        By quantity: width of the sensor's response along the core [cm]. Half of it is how near a
        declared void a reading is touched by it; a section shorter than it is doubted whole.
    end_trim : float
        Response widths from the end of a section within which a reading is doubted.
    spike_test : {"neighbours", "rolling median"}
        Against the neighbours on either side, or against the rolling median itself.
    spike_threshold : float
        In standard deviations.
    spike_side_share : float
        Share of that by which it must stand off from either side, so that steps pass.
    spike_window : float
        Length of section over which the scatter is judged [cm].
    level_window : float
        Length of core that gives the level of density and of amplitude [cm].
    low_threshold : float
        Shortfall of density from the level, in standard deviations.
    amplitude_fraction : float
        Share of the level of amplitude below which coupling is lost: 8 dB.
    deaf_fraction : float
        Share of the hole's median amplitude below which a whole core is deaf.
    void_length : float
        Longest run of lost pulses inside a section that is called a void [cm].
    void_share : float
        Share of the density that is missing in a void, whatever the length.
    void_density : float
        Density that no saturated core has: below it is a void [g/cm^3].
    crack_length : float
        A void shorter than this is a crack [cm].
    least_length : float
        Shortest thin fill that density alone may show [cm].
    repeat_threshold : float
        In combined random standard uncertainties.
    bound_margin : float
        Standard uncertainties by which a velocity may fall short of its bound.
    sample_difference : float
        In the unit of the quantity: more than this from the sample is doubted.
    sample_reach : float
        Distance along the section up to which a reading is compared with a sample [cm].
    """

    response_width: Mapping[str, float] = field(default_factory=lambda: dict(RESPONSE_WIDTH))
    end_trim: float = 1.0
    spike_test: str = "neighbours"
    spike_threshold: float = 3.2
    spike_side_share: float = 0.8
    spike_window: float = 50.0
    level_window: float = 150.0
    low_threshold: float = 3.0
    amplitude_fraction: float = 0.4
    deaf_fraction: float = 0.15
    void_length: float = 18.0
    void_share: float = 0.2
    void_density: float = 1.1
    crack_length: float = 2.0
    least_length: float = 15.0
    repeat_threshold: float = 3.0
    bound_margin: float = 3.0
    sample_difference: float = 0.1
    sample_reach: float = 2.0
