"""Stage that looks every series of the scan over; flags only, no value changes."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys import quality
from corephys.recipe import Recipe
from corephys.reduction.context import Context, Skipped, scalar
from corephys.reduction.scan_place import with_reason
from corephys.reduction.scan_supplied import HOMES

__all__ = ["quality_settings", "scan_flags"]

_WIDTHS = {
    "bulk_density": ("quality", "response_density"),
    "p_wave_velocity": ("quality", "response_velocity"),
    "magnetic_susceptibility": ("quality", "response_susceptibility"),
    "electrical_resistivity": ("quality", "response_resistivity"),
    "natural_gamma_rate": ("natural_gamma", "response_width"),
}
_LENGTHS = ("spike_window", "level_window", "void_length", "crack_length", "least_length",
            "sample_reach")  # fmt: skip
_DENSITIES = ("void_density", "sample_difference")
_NUMBERS = ("end_trim", "spike_threshold", "spike_side_share", "low_threshold",
            "amplitude_fraction", "deaf_fraction", "void_share", "repeat_threshold",
            "bound_margin")  # fmt: skip


def quality_settings(recipe: Recipe) -> quality.Settings:
    """The thresholds of a recipe as the tests take them.

    Parameters
    ----------
    recipe : Recipe
        Complete.

    Returns
    -------
    Settings
        Lengths in cm, densities in g/cm^3.
    """
    widths = {name: scalar(recipe, *key, "cm") for name, key in _WIDTHS.items()}
    given: dict[str, Any] = {name: scalar(recipe, "quality", name, "cm") for name in _LENGTHS}
    given |= {name: scalar(recipe, "quality", name, "g/cm^3") for name in _DENSITIES}
    given |= {name: float(recipe["quality"][name]) for name in _NUMBERS}
    return quality.Settings(
        response_width=widths, spike_test=recipe["quality"]["spike_test"], **given
    )


def scan_flags(context: Context) -> None:
    """Look for ends, voids, cracks, thin fills, weak coupling, spikes and contradictions."""
    if not context.recipe["quality"]["evaluate"]:
        raise Skipped("the recipe says [quality] evaluate = false")
    found = context.results
    present = {name: path for name, path in HOMES.items() if path in found}
    if not present:
        raise Skipped("no series of the scan to look at")
    shared = {
        "sections": context.optional("sections"),
        "removed": context.optional("removed"),
        "settings": quality_settings(context.recipe),
    }
    amplitude, own = _amplitude(context)
    # Density first: what it says of voids is told to the others.
    for name, path in present.items():
        beside: dict[str, Any] = {}
        if name == "bulk_density":
            if amplitude is not None:
                beside["p_wave_amplitude"] = amplitude
            samples = found.get("properties/index_properties")
            if samples is not None and "offset" in samples.coords:
                beside["samples"] = samples
        elif "bulk_density" in present:
            beside["bulk_density"] = found[present["bulk_density"]]
        stage = f"flags of the scan: {name.replace('_', ' ')}"
        with context.part(stage):
            found[path] = quality.flag(
                found[path], name, companions=beside, allow=context.levels,
                amplitude=amplitude if name == "p_wave_velocity" and own else None, **shared,
            )  # fmt: skip
        if stage in context.failed:
            # Readings that no test has looked at are not called good.
            everywhere = np.ones(found[path].sizes["reading"], dtype=bool)
            found[path] = with_reason(found[path], name, everywhere, "tests_failed")


def _amplitude(context: Context) -> tuple[xr.DataArray | None, bool]:
    """Amplitudes of the pulse, and whether they are those of the velocity's own readings."""
    for path, measured in (("scan/pwave", True), ("scan/reduced", False)):
        waves = context.optional(path)
        if waves is not None and "amplitude" in waves:
            own = context.objects.get("velocity_measured", False) is measured
            return waves["amplitude"], own
    return None, False
