"""Bulk density from the attenuation of gamma rays.

The order of the work: net counts, decay, calibration, annulus, electron step. Standards of
aluminium in water give ln I against areal density; the beam counts electrons, so that a scale of
aluminium and water reads a sediment too high until the electron step has been made.
Research estimate; no count or density shows the state of a sealed source or its shutter; work at
the source under its licence, with a survey meter, by local codes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import constants, series, thresholds, units, vocabulary
from corephys.ground.cards import SEALED_SOURCE
from corephys.ground.constants import Constant
from corephys.ground.provenance import SourcedText
from corephys.ground.sensor import (
    Option,
    RandomPart,
    Sensor,
    Source,
    TableFormat,
    Term,
    Track,
    constant_text,
    number,
    optional,
    uncertainty_text,
)
from corephys.sensors.gamma.calibration import (
    Calibration,
    DeadTime,
    between,
    calibrate,
    dead_time_from_standards,
)
from corephys.sensors.gamma.chain import (
    Chain,
    Sediment,
    annulus_step,
    apparent_density,
    electron_step,
    hydrogen_step,
)
from corephys.sensors.gamma.ties import tie_factor, tied_density
from corephys.uncertainty import Measured, bare

__all__ = [
    "SENSOR",
    "Calibration",
    "DeadTime",
    "annulus_step",
    "apparent_density",
    "between",
    "bulk_density",
    "calibrate",
    "dead_time_from_standards",
    "decay_factor",
    "electron_step",
    "hydrogen_step",
    "net_rate",
    "tie_factor",
    "tied_density",
]


def net_rate(
    counts: Any,
    time: Any,
    *,
    dead_time: Any = "0 s",
    background_rate: Any = "0 1/s",
    time_kind: str = "real",
) -> xr.DataArray:
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
    DataArray
        Net rate [1/s]; not finite where the counter is saturated.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
    ValueError
        When ``time_kind`` is not one of the two.

    Notes
    -----
    I = m / (1 - m tau) - b with m = N / t: Knoll (2010), Radiation Detection and Measurement,
    4th edition, section 4.VII (non-paralysable model).
    """
    series.require_same_positions(counts=counts, time=time)
    n, t = series.at_one_place(
        units.as_floats(counts, "count", "counts"), units.as_floats(time, "s", "time")
    )
    tau = units.as_floats(dead_time, "s", "dead_time")
    background = units.as_floats(background_rate, "1/s", "background_rate")
    rate = n / t
    if _is_real(time_kind):
        rate = rate / (1.0 - rate * tau)
    return xr.DataArray(rate - background).assign_attrs(units="1/s", long_name="net count rate")


def _is_real(time_kind: str) -> bool:
    if time_kind not in ("real", "live"):
        raise ValueError(f"time_kind is {time_kind!r}; it is 'real' or 'live'")
    return time_kind == "real"


def decay_factor(
    elapsed: Any, *, half_life: Any = constants.CONSTANTS["caesium_137_half_life"]
) -> Any:
    """Factor that brings a rate back to the date of the calibration.

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

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.

    Notes
    -----
    Exponential decay; half-life of Cs-137 from the Decay Data Evaluation Project.

    Examples
    --------
    >>> round(1 / decay_factor("10 yr"), 6)
    0.794006
    """
    t = units.as_floats(elapsed, "s", "elapsed")
    period = units.as_floats(half_life, "s", "half_life")
    return 2.0 ** (t / period)


def bulk_density(
    counts: Any,
    time: Any,
    *,
    calibration: Calibration,
    core_diameter: Any,
    bore: Any,
    annulus_density: Any = "0 g/cm^3",
    elapsed: Any = "0 s",
    half_life: Any = constants.CONSTANTS["caesium_137_half_life"],
    core_diameter_uncertainty: Any = None,
    grain_density: Any = constants.CONSTANTS["grain_density"],
    grain_density_uncertainty: Any = None,
    pore_water_density: Any = constants.CONSTANTS["pore_water_density"],
    grain_electron_ratio: Constant = constants.CONSTANTS["grain_electron_ratio"],
    pore_water_electron_ratio: Constant = constants.CONSTANTS["sea_water_electron_ratio"],
    attenuation_ratio: Constant = constants.CONSTANTS["sea_water_to_grain_attenuation"],
    reason: Any = 0,
    effects: bool = True,
) -> xr.Dataset:
    """Bulk density of a core from gamma counts.

    Parameters
    ----------
    counts, time : DataArray, (reading)
        Counts [count] and counting time [s], of the kind the calibration was made with.
    calibration : Calibration
        From :func:`calibrate`; also holds dead time and background.
    core_diameter, bore : Quantity, DataArray or str
        Diameter of the core and of the liner's bore [cm]; a scalar or one a reading.
    annulus_density : Quantity, DataArray or str
        True density of what fills the annulus [g/cm^3]: zero for air, pore water for water.
    elapsed : Quantity, DataArray or str
        Time from the calibration's reference to the reading [s].
    half_life : Quantity, str or Constant
        Of the source [yr].
    core_diameter_uncertainty, grain_density_uncertainty : Quantity or str, optional
        Standard uncertainties, systematic; unknown gives NaN.
    grain_density, pore_water_density, grain_electron_ratio, pore_water_electron_ratio
        As in :func:`electron_step`; used on the aluminium-and-water scale alone.
    attenuation_ratio : Constant
        As in :func:`hydrogen_step`; used on the grain-equivalent scale alone.
    reason : int or DataArray of int
        Reasons already found for these readings.
    effects : bool
        Give the named effects; without them only the counting uncertainty is given.

    Returns
    -------
    Dataset
        ``bulk_density`` with uncertainty, effects and flags, and ``apparent_density``, the
        reading before annulus and electron step. The attribute ``density_scale`` says which
        convention the reading is on.

    Raises
    ------
    UnitError
        For a bare number or a wrong unit.
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
    # Positions have been compared: from here on arithmetic works without coordinates.
    readings = [
        bare(here),
        bare(units.as_floats(time, "s", "time")),
        bare(units.as_floats(elapsed, "s", "elapsed")),
        bare(units.as_floats(core_diameter, "cm", "core_diameter")),
        bare(units.as_floats(bore, "cm", "bore")),
        bare(units.as_floats(annulus_density, "g/cm^3", "annulus_density")),
    ]
    _refuse_nothing(readings[0], readings[1])
    _refuse_geometry(readings[3], readings[4])
    rg = series.unpack(
        grain_density,
        "grain_density",
        uncertainty_given=grain_density_uncertainty,
        source="grain_density",
    )
    rg.values = bare(rg.values)
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
    constant = np.log(2.0) / units.as_floats(half_life, "s", "half_life")
    chain = Chain(readings[:5], readings[5], constant)
    rho, u_random, found, x, root = chain.density(calibration, sediment)
    measured = Measured(
        _placed(rho, here), u_random, {}, series.joined_reasons(found, bare(reason))
    )
    if effects:
        measured.effects = {
            **chain.diameter_effect(calibration, sediment, x, u_d),
            **chain.coefficient_effects(calibration, sediment, x, root),
            **chain.shared_effects(
                calibration,
                sediment,
                rho,
                rg.effects,
                {
                    "grain_electron_ratio": grain_electron_ratio.uncertainty,
                    "grain_attenuation": attenuation_ratio.uncertainty,
                },
            ),
        }
    used = (
        {
            "grain_electron_ratio": grain_electron_ratio,
            "pore_water_electron_ratio": pore_water_electron_ratio,
        }
        if calibration.scale == "aluminium and water"
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
    apparent = _placed(x / readings[4], here)
    apparent.attrs = {"units": entry.unit, "long_name": entry.long_name}
    dataset["apparent_density"] = apparent
    return dataset


def _refuse_nothing(counts: Any, time: Any) -> None:
    """Refuse a series of which no reading can become a density; one bad reading is flagged."""
    parts = [getattr(part, "data", part) for part in (counts, time)]
    if any(hasattr(part, "dask") for part in parts) or not np.size(parts[0]):
        return
    if not np.any((np.asarray(parts[0]) > 0.0) & (np.asarray(parts[1]) > 0.0)):
        raise ValueError(
            "no reading has both counts and a counting time above zero; counts are whole numbers "
            "and times are in seconds"
        )


def _refuse_geometry(diameter: Any, bore: Any) -> None:
    """Refuse a core that is no core or does not fit its liner."""
    parts = [getattr(part, "data", part) for part in (diameter, bore)]
    if any(hasattr(part, "dask") for part in parts):
        return
    d, wide = (np.asarray(part, dtype=float) for part in parts)
    # A calliper errs: a core that seems a little wider than its bore is a full liner.
    if np.any(d <= 0.0) or np.any(d > 1.05 * wide):
        raise ValueError(
            f"core_diameter lies between {10.0 * np.nanmin(d):g} and {10.0 * np.nanmax(d):g} mm, "
            f"bore at {10.0 * np.nanmin(wide):g} mm at least; a core is thicker than nothing and "
            "fits its liner"
        )


def _placed(values: Any, here: Any) -> xr.DataArray:
    """Values of a kernel on the positions of the counts."""
    if isinstance(here, xr.DataArray) and getattr(values, "dims", ()) == here.dims:
        return here.copy(deep=False, data=values.data)
    return xr.DataArray(values, dims=("reading",) if np.ndim(values) == 1 else None)


_STEPS = (
    "net rate I = m / (1 - m tau) - b, m = N / t (Knoll 2010)",
    "decay to the calibration date, I 2^(t / T_half), where times are known",
    "areal density x from ln I = c0 + c1 x + c2 x^2 (standards of aluminium in water)",
    "annulus: (x - rho_f (D - d)) / d",
)
_LAST = {
    "aluminium and water": (
        "electron step from the aluminium-and-water scale to grains and pore water"
    ),
    "grain equivalent": "hydrogen step from the grain-equivalent scale to grains and pore water",
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
        "dead_time": Option("0 s", "s", "of the counter, non-paralysable"),
        "dead_time_uncertainty": Option(None, "s", "systematic"),
        "background_rate": Option("0 1/s", "1/s", "rate without the beam"),
        "background_rate_uncertainty": Option(None, "1/s", "systematic"),
        "half_life": Option(constant_text("caesium_137_half_life"), "yr", "of the source"),
        "reference_time": Option(None, "time", "date of the calibration; else the standards'"),
        "time": Option("real", "real|live", "kind of counting time"),
        "order": Option("by AICc", "by AICc|1|2", "degree of ln I in areal density"),
        "core_diameter_uncertainty": Option(None, "mm", "systematic, shared with the velocity"),
        "grain_density": Option(
            constant_text("grain_density"), "g/cm^3", "where no samples give it"
        ),
        "grain_density_uncertainty": Option(
            uncertainty_text("grain_density"), "g/cm^3", "systematic"
        ),
        "slurry_density": Option("1.5 g/cm^3", "g/cm^3", "of an annulus of slurry"),
        "scale": Option(
            "aluminium and water", "aluminium and water|grain equivalent", "density convention"
        ),
        "calibrations": Option(
            "interpolated", "interpolated|together", "sets of standards at several times"
        ),
        "dead_time_from_standards": Option(False, "switch", "estimate the dead time"),
        "tie_to_samples": Option(False, "switch", "factor to the samples, by coring method"),
        "tie_within": Option(
            thresholds.DEFAULTS["match_reach"], "cm", "from a sample to the readings it is tied to"
        ),
    },
    quality_options={
        "response_density": Option(
            thresholds.DEFAULTS["response_density"], "cm", "width of the response along the core"
        )
    },
    response_width=("quality", "response_density"),
    track=Track("#0072B2"),
)
