"""Thresholds of the tests, from the table of thresholds, as numbers in the units of a scan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from corephys.ground import thresholds

__all__ = ["RESPONSE_WIDTH", "Settings"]

_value = thresholds.value

# Width of each sensor's response along the core [cm].
RESPONSE_WIDTH = {
    "bulk_density": _value("response_density"),
    "p_wave_velocity": _value("response_velocity"),
    "magnetic_susceptibility": _value("response_susceptibility"),
    "electrical_resistivity": _value("response_resistivity"),
    "natural_gamma_rate": _value("response_natural_gamma"),
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
    end_trim: float = _value("end_trim")
    spike_test: str = "neighbours"
    spike_threshold: float = _value("spike_threshold")
    spike_side_share: float = _value("spike_side_share")
    spike_window: float = _value("spike_window")
    level_window: float = _value("level_window")
    low_threshold: float = _value("low_threshold")
    amplitude_fraction: float = _value("amplitude_fraction")
    deaf_fraction: float = _value("deaf_fraction")
    void_length: float = _value("void_length")
    void_share: float = _value("void_share")
    void_density: float = _value("void_density")
    crack_length: float = _value("crack_length")
    least_length: float = _value("least_length")
    repeat_threshold: float = _value("repeat_threshold")
    bound_margin: float = _value("bound_margin")
    sample_difference: float = _value("sample_difference")
    sample_reach: float = _value("sample_reach")
