"""Thresholds of the checks, each with what it stands for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Settings"]

# Distance from a section's end at which a sensor's response still sees past it [cm]. Widths of
# the response of each kind of sensor; common practice, no source.
END_REACH = {
    "bulk_density": 1.5,
    "p_wave_velocity": 2.0,
    "magnetic_susceptibility": 4.0,
    "electrical_resistivity": 6.0,
    "natural_gamma_rate": 15.0,
}
# Half the width of the response [cm]: how near a declared void a reading is touched by it.
HALF_WIDTH = {
    "bulk_density": 0.5,
    "p_wave_velocity": 1.0,
    "magnetic_susceptibility": 3.0,
    "electrical_resistivity": 4.0,
    "natural_gamma_rate": 10.0,
}


@dataclass(frozen=True)
class Settings:
    """What counts as doubtful.

    Parameters
    ----------
    end_reach, half_width : mapping of str to float
        By quantity: distance from the end of a section, and from a declared void, up to which a
        reading is doubted [cm].
    spike_threshold : float
        In standard deviations of the difference from the neighbours.
    spike_side_share : float
        Share of that by which it must stand off from either side, so that steps pass.
    spike_window : float
        Length of section over which that scatter is judged [cm].
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
    least_length : float
        Shortest thin fill that density alone may show [cm].
    repeat_threshold : float
        In combined random standard uncertainties.
    """

    end_reach: Mapping[str, float] = field(default_factory=lambda: dict(END_REACH))
    half_width: Mapping[str, float] = field(default_factory=lambda: dict(HALF_WIDTH))
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
    least_length: float = 15.0
    repeat_threshold: float = 3.0
