"""Bulk density from the attenuation of gamma rays.

The order of the work: net counts, decay, calibration, annulus, electron step. Standards of
aluminium in water give ln I against areal density. The beam is attenuated by electrons, so that a
scale of aluminium and water reads a sediment too high until the electron step is made.

Research estimate. No count or density shows the state of a sealed source or its shutter. Work at
the source only under its licence, with a survey meter, and by local codes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, series, thresholds, units, vocabulary
from corephys.ground.cards import SEALED_SOURCE
from corephys.ground.choices import choice
from corephys.ground.constants import Constant
from corephys.ground.laws import law, with_unit
from corephys.ground.provenance import SourcedText
from corephys.ground.sensor import (
    Option,
    RandomPart,
    Sensor,
    Source,
    TableFormat,
    Term,
    Track,
    number,
    option_from,
    optional,
    uncertainty_text,
)
from corephys.hole.placing import depth as positions
from corephys.sensors.gamma.calibration import (
    Calibration,
    DeadTime,
    calibrate,
    dead_time_from_standards,
    interpolate_calibrations,
)
from corephys.sensors.gamma.chain import (
    Chain,
    Sediment,
    annulus_step,
    apparent_density,
    check_geometry,
    electron_step,
    hydrogen_step,
)
from corephys.sensors.gamma.ties import tie_factor, tied_density
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Floats, Measurement, Scalar, WithUnit

__all__ = [
    "SENSOR",
    "Calibration",
    "DeadTime",
    "annulus_step",
    "apparent_density",
    "bulk_density",
    "calibrate",
    "dead_time_from_standards",
    "decay_factor",
    "electron_step",
    "hydrogen_step",
    "interpolate_calibrations",
    "net_rate",
    "tie_factor",
    "tied_density",
]


def net_rate(
    counts: Dimensional,
    time: Dimensional,
    *,
    dead_time: Dimensional = "0 s",
    background_rate: Dimensional = "0 1/s",
    time_kind: str = "real",
) -> WithUnit:
    """Count rate without dead time and background.

    Parameters
    ----------
    counts : DataArray or Quantity, (reading)
        Counts [count].
    time : DataArray, Quantity or str
        Counting time [s].
    dead_time : Quantity or str
        Non-paralysable dead time [s].
    background_rate : Quantity or str
        Rate without the beam [1/s].
    time_kind : {"real", "live"}
        A live time is already free of dead time and is not corrected again.

    Returns
    -------
    DataArray or Quantity
        Net rate [1/s]; not finite where the counter is saturated.

    Raises
    ------
    PositionError
        When counts and times lie at different positions.
    ValueError
        When ``time_kind`` is not one of the two.

    Notes
    -----
    I = m / (1 - m tau) - b with m = N / t: Knoll (2010), Radiation Detection and Measurement,
    4th edition, section 4.VII (non-paralysable model).
    """
    time_kind = choice(time_kind, ("real", "live"), "time_kind")
    series.require_same_positions(counts=counts, time=time)
    n, t = series.at_one_place(
        units.as_floats(counts, "count", "counts"), units.as_floats(time, "s", "time")
    )
    tau = units.as_floats(dead_time, "s", "dead_time")
    background = units.as_floats(background_rate, "1/s", "background_rate")
    # density_kernel does the same step by step in its blocks; tests compare the two.
    rate = n / t
    # A live time already excludes the dead time of the counter.
    if time_kind == "real":
        rate = rate / (1.0 - rate * tau)
    # The background is a rate of the corrected counter: it is subtracted last.
    return with_unit(rate - background, "1/s", "net count rate")


@law("1", elapsed="s", half_life="s")
def decay_factor(
    elapsed: Floats, *, half_life: Floats = constants.CONSTANTS["caesium_137_half_life"]
) -> Floats:
    """Factor that converts a count rate to the date of the calibration.

    Parameters
    ----------
    elapsed : Quantity, DataArray or str
        Time from the calibration to the reading [s]; negative before it.
    half_life : Quantity, str or Constant
        Half-life of the source [yr].

    Returns
    -------
    float, ndarray or DataArray
        2 ** (elapsed / half_life), 1.

    Notes
    -----
    Exponential decay; half-life of Cs-137 from the Decay Data Evaluation Project.

    Examples
    --------
    >>> round(1 / decay_factor("10 yr"), 6)
    0.794006
    """
    return 2.0 ** (elapsed / half_life)


def bulk_density(
    counts: Dimensional,
    time: Dimensional,
    *,
    calibration: Calibration,
    core_diameter: Dimensional,
    bore: Dimensional,
    annulus_density: Dimensional = "0 g/cm^3",
    elapsed: Dimensional = "0 s",
    half_life: Scalar = constants.CONSTANTS["caesium_137_half_life"],
    core_diameter_uncertainty: Scalar | None = None,
    grain_density: Measurement | str | Constant = constants.CONSTANTS["grain_density"],
    grain_density_uncertainty: Scalar | None = None,
    pore_water_density: Dimensional = constants.CONSTANTS["pore_water_density"],
    grain_electron_ratio: Constant = constants.CONSTANTS["grain_electron_ratio"],
    pore_water_electron_ratio: Constant = constants.CONSTANTS["sea_water_electron_ratio"],
    attenuation_ratio: Constant = constants.CONSTANTS["sea_water_to_grain_attenuation"],
    reason: int | np.ndarray | xr.DataArray = 0,
    effects: bool = True,
) -> xr.Dataset:
    """Bulk density of a core from gamma counts.

    Parameters
    ----------
    counts, time : DataArray, (reading)
        Counts [count] and counting time [s]. The kind of time, real or live, is that of the
        calibration.
    calibration : Calibration
        Result of :func:`calibrate`; also holds dead time and background.
    core_diameter, bore : Quantity, DataArray or str
        Diameter of the core and of the liner's bore [cm]; a scalar or one value for each reading.
    annulus_density : Quantity, DataArray or str
        True density of the fluid in the annulus [g/cm^3]: zero for air, that of the pore water
        for water.
    elapsed : Quantity, DataArray or str
        Time from the calibration's reference to the reading [s].
    half_life : Quantity, str or Constant
        Half-life of the source [yr].
    core_diameter_uncertainty, grain_density_uncertainty : Quantity or str, optional
        Systematic standard uncertainties [cm], [g/cm^3]; NaN if not given.
    grain_density, pore_water_density : Quantity, DataArray, str or Constant
        Densities of the grains and of the pore water [g/cm^3]; the grain density may be a Dataset.
    grain_electron_ratio, pore_water_electron_ratio : Constant
        Electrons per unit molar mass, see :func:`electron_step`; used only on the
        aluminium-and-water scale.
    attenuation_ratio : Constant
        Mass attenuation of the pore water over that of the grains, see :func:`hydrogen_step`;
        used only on the grain-equivalent scale.
    reason : int or DataArray of int
        Reasons already found for these readings.
    effects : bool
        Whether to compute the named effects; without them only the counting uncertainty is known.

    Returns
    -------
    Dataset
        ``bulk_density`` with uncertainty, effects and flags, and ``apparent_density``, the
        reading before annulus and electron step. The attribute ``density_scale`` names the
        convention of the reading.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When no reading has both counts and a counting time above zero, or the core is wider than
        its liner.

    Notes
    -----
    rho = ra + steps with (ra d) the root of ln I = c0 + c1 x + c2 x^2 where d ln I/dx < 0; sources
    at :func:`net_rate`, :func:`decay_factor`, :func:`annulus_step` and :func:`electron_step`.
    Counting: u = s / (d abs(d ln I/dx)), s the standard uncertainty of ln I; a dead time narrows
    the spread of the counts by its own factor (Knoll 2010, section 4.VII), so that the relative
    uncertainty of the gross rate is 1 / sqrt(N).
    """
    series.require_same_positions(
        counts=counts,
        time=time,
        core_diameter=core_diameter,
        bore=bore,
        elapsed=elapsed,
        annulus_density=annulus_density,
        grain_density=grain_density,
        pore_water_density=pore_water_density,
    )
    here = units.as_floats(counts, "count", "counts")
    # Positions were compared above: from here on arithmetic works without coordinates, because
    # xarray would compare them again at every step.
    readings = [
        without_coords(here),
        without_coords(units.as_floats(time, "s", "time")),
        without_coords(units.as_floats(elapsed, "s", "elapsed")),
        without_coords(units.as_floats(core_diameter, "cm", "core_diameter")),
        without_coords(units.as_floats(bore, "cm", "bore")),
        without_coords(units.as_floats(annulus_density, "g/cm^3", "annulus_density")),
    ]
    _check_counts(readings[0], readings[1])
    check_geometry(readings[3], readings[4])
    # A Dataset of grain densities includes effects, which become effects of the density.
    rg = series.unpack(
        grain_density,
        "grain_density",
        uncertainty_given=grain_density_uncertainty,
        source="grain_density",
    )
    rg.values = without_coords(rg.values)
    u_d = units.as_floats(
        core_diameter_uncertainty, "cm", "core_diameter_uncertainty", difference=True, optional=True
    )
    sediment = Sediment(
        rg.values,
        units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"),
        grain_electron_ratio.value,
        pore_water_electron_ratio.value,
        attenuation_ratio.value,
    )
    # The kernel corrects the decay in ln I: per second it adds ln 2 over the half-life.
    constant = np.log(2.0) / units.as_floats(half_life, "s", "half_life")
    chain = Chain(readings[:5], readings[5], constant)
    found = chain.density(calibration, sediment)
    rho, u_random, found_reason, x, _ = found
    # Values on the positions of the counts; counts without positions leave a plain array.
    placed = isinstance(here, xr.DataArray) and getattr(rho, "dims", ()) == here.dims
    measured = Measured(
        here.copy(deep=False, data=rho.data) if placed else rho,
        u_random,
        reason=found_reason | without_coords(reason),
    )
    if effects:
        measured.effects = chain.effects(
            calibration,
            sediment,
            found,
            u_diameter=u_d,
            grain_effects=rg.effects,
            u_electron_ratio=grain_electron_ratio.uncertainty,
            u_attenuation_ratio=attenuation_ratio.uncertainty,
        )
    # Only the step of the calibration's scale is made, and only its constants are recorded.
    used = (
        {
            "grain_electron_ratio": grain_electron_ratio,
            "pore_water_electron_ratio": pore_water_electron_ratio,
        }
        if calibration.scale == "aluminium_and_water"
        else {"attenuation_ratio": attenuation_ratio}
    )
    dataset = series.build(
        {"bulk_density": measured},
        steps=(*_STEPS, _LAST[calibration.scale]),
        constants={
            "half_life": half_life,
            "grain_density": (grain_density, grain_density_uncertainty),
            "pore_water_density": pore_water_density,
            **used,
            "core_diameter": core_diameter,
            **calibration.used,
            "calibration": SourcedText(calibration.describe(), "fitted"),
        },
        density_scale=calibration.scale,
        safety=SEALED_SOURCE,
    )
    entry = vocabulary.term("apparent_density")
    # Mean density along the beam inside the liner, before annulus and electron step.
    apparent = x / readings[4]
    dataset["apparent_density"] = (
        dataset["bulk_density"].dims,
        getattr(apparent, "data", apparent),
        {"units": entry.unit, "long_name": entry.long_name},
    )
    return dataset


def _check_counts(counts: Any, time: Any) -> None:
    """Refuse a series without a single usable reading; one bad reading among others is flagged."""
    parts = [getattr(part, "data", part) for part in (counts, time)]
    if any(hasattr(part, "dask") for part in parts) or not np.size(parts[0]):
        return
    if not np.any((np.asarray(parts[0]) > 0.0) & (np.asarray(parts[1]) > 0.0)):
        raise ValueError(
            f"none of {np.size(parts[0])} readings has both counts and a counting time above zero; "
            "expected counts as whole numbers and times in seconds. Check that the two columns "
            "were not swapped"
        )


_STEPS = (
    "net rate I = m / (1 - m tau) - b, m = N / t (Knoll 2010)",
    "decay to the calibration date, I 2^(t / T_half), where times are known",
    "areal density x from ln I = c0 + c1 x + c2 x^2 (standards of aluminium in water)",
    "annulus: (x - rho_f (D - d)) / d",
)
_LAST = {
    "aluminium_and_water": (
        "electron step from the aluminium-and-water scale to grains and pore water"
    ),
    "grain_equivalent": "hydrogen step from the grain-equivalent scale to grains and pore water",
}


# --------------------------------------------------------------------------------------------------
# The record: what the other rooms need of this sensor.


SENSOR = Sensor(
    name="gamma",
    quantity="bulk_density",
    path="properties/density",
    scan=TableFormat(
        (number("counts"), *optional(number("real_time", "s"), number("live_time", "s"))),
        one_of=(("real_time", "live_time"),),
    ),
    standards=TableFormat(
        (
            number("aluminium_thickness", "mm"),
            number("bore", "mm"),
            number("counts"),
            *optional(number("real_time", "s"), number("live_time", "s")),
        ),
        one_of=(("real_time", "live_time"),),
    ),
    terms=(
        Term("bulk_density", "g/cm^3", "bulk density", (1.10, 3.1), (1.00, 3.5)),
        Term(
            "apparent_density",
            "g/cm^3",
            "density on the scale of the standards",
            (0.5, 3.5),
            (0, 5),
        ),
        Term(
            "bulk_density_tied",
            "g/cm^3",
            "bulk density tied to the samples",
            (1.10, 3.1),
            (1.00, 3.5),
        ),
        Term(
            "tie_factor", "1", "factor from scan density to sample density", (0.9, 1.1), (0.5, 2.0)
        ),
    ),
    sources=(
        Source("gamma_calibration", "calibration", "fit of the density standards"),
        Source("aluminium_density", "calibration", "density of the aluminium standards"),
        Source("background_rate", "calibration", "background of the gamma counter"),
        Source("dead_time", "calibration", "dead time of the gamma counter"),
        Source("gamma_drift", "calibration", "drift of the gamma counter"),
        Source("density_tie_*", "calibration", "tie of the scan's density to the samples"),
        Source("electron_step", "calibration", "step from electrons to mass"),
    ),
    random=(
        RandomPart("bulk_density", "gamma_calibration", "counting", "counting of each reading"),
        RandomPart("bulk_density", "", "counting", "counting of each reading"),
        RandomPart("bulk_density_tied", "", "counting", "counting of each reading"),
        RandomPart("apparent_density", "", "counting", "counting of each reading"),
    ),
    options={
        "dead_time": option_from(
            calibrate, "dead_time", "s", "dead time of the counter, non-paralysable"
        ),
        "dead_time_uncertainty": option_from(
            calibrate,
            "dead_time_uncertainty",
            "s",
            "standard uncertainty of the dead time, systematic",
        ),
        "background_rate": option_from(
            calibrate, "background_rate", "1/s", "count rate without the beam"
        ),
        "background_rate_uncertainty": option_from(
            calibrate,
            "background_rate_uncertainty",
            "1/s",
            "standard uncertainty of the background rate, systematic",
        ),
        "half_life": option_from(bulk_density, "half_life", "yr", "half-life of the source"),
        "reference_time": Option(
            None, "time", "date of the calibration; else that of the first standard"
        ),
        "time": option_from(calibrate, "time_kind", "real|live", "kind of counting time"),
        "order": Option("by_aicc", "by_aicc|1|2", "degree of ln I in areal density"),
        "core_diameter_uncertainty": option_from(
            bulk_density,
            "core_diameter_uncertainty",
            "mm",
            "standard uncertainty of the core diameter, systematic, shared with the velocity",
        ),
        "grain_density": option_from(
            bulk_density,
            "grain_density",
            "g/cm^3",
            "grain density where no samples give it",
        ),
        "grain_density_uncertainty": Option(
            uncertainty_text("grain_density"),
            "g/cm^3",
            "standard uncertainty of that grain density, systematic",
        ),
        "slurry_density": Option("1.5 g/cm^3", "g/cm^3", "density of slurry in the annulus"),
        "scale": option_from(
            calibrate,
            "scale",
            "aluminium_and_water|grain_equivalent",
            "density convention",
        ),
        "calibrations": Option(
            "interpolated",
            "interpolated|together",
            "how sets of standards at several times are used",
        ),
        "dead_time_from_standards": Option(
            False, "switch", "estimate the dead time from the standards"
        ),
        "tie_to_samples": Option(False, "switch", "fit a factor to the samples, by coring method"),
        "tie_within": option_from(
            positions.match, "within", "cm", "distance from a sample to the readings it is tied to"
        ),
    },
    quality_options={
        "response_density": Option(
            thresholds.DEFAULTS["response_density"],
            "cm",
            "width of the response of density along the core",
        ),
    },
    response_width=("quality", "response_density"),
    track=Track("#0072B2"),
)
