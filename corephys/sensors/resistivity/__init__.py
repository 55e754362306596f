"""Electrical resistivity of a core and what follows from it.

The order of the work: baseline in air, diameter of the core, calibration with brines; or voltage
and current of four electrodes. Then one reference temperature or in-situ conditions, the
formation factor, and Archie's parameters. The result is at the temperature of the core; a
correction to another temperature is opt-in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import SourcedText
from corephys.sensors.resistivity.archie import (
    Archie,
    SurfaceConduction,
    archie_fit,
    archie_formation_factor,
    porosity_from_formation_factor,
    surface_conduction_fit,
)
from corephys.sensors.resistivity.calibration import Baseline, Calibration, air_baseline, calibrate
from corephys.sensors.resistivity.electrodes import (
    CellConstant,
    cell_constant,
    four_electrode,
    wenner_constant,
)
from corephys.sensors.resistivity.pore_water import (
    brine_conductivity,
    cementation_exponent,
    formation_factor,
    in_situ,
    pore_water_resistivity,
    to_reference_temperature,
)
from corephys.uncertainty import Measured, bare, covariance_effects

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar

__all__ = [
    "Archie",
    "Baseline",
    "Calibration",
    "CellConstant",
    "SurfaceConduction",
    "air_baseline",
    "archie_fit",
    "archie_formation_factor",
    "brine_conductivity",
    "calibrate",
    "cell_constant",
    "cementation_exponent",
    "electrical_resistivity",
    "formation_factor",
    "four_electrode",
    "in_situ",
    "pore_water_resistivity",
    "porosity_from_formation_factor",
    "surface_conduction_fit",
    "to_reference_temperature",
    "wenner_constant",
]


def _resistivity_kernel(
    response: float | np.ndarray,
    baseline: float | np.ndarray,
    volume: float | np.ndarray,
    *,
    coefficients: np.ndarray,
    domain: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Resistivity [ohm m], net response [mV], its log10 in a full bore, d ln rho / d ln S, reasons.

    Responses and baseline are in mV, ``volume`` is the section of the bore over that of the core.
    Values are NaN where the response is not above the baseline.
    """
    net = np.asarray(response - baseline, dtype=float)
    impossible = (net <= 0.0) | np.isinf(net)
    # NaN before the logarithm, which has no value at or below zero.
    net = np.where(impossible, np.nan, net)
    x = np.log10(net * volume)
    rho = 10.0 ** (coefficients[0] + coefficients[1] * x + coefficients[2] * x**2)
    slope = coefficients[1] + 2.0 * coefficients[2] * x
    reason = np.where(impossible, flags.bit("impossible_value"), 0)
    outside = (x < domain[0]) | (x > domain[1])
    reason = reason | np.where(outside, flags.bit("beyond_calibration"), 0)
    return rho, net, x, slope, reason.astype(np.int64)


def electrical_resistivity(
    response: Dimensional,
    *,
    calibration: Calibration,
    temperature: Dimensional | None = None,
    baseline: Baseline | Dimensional = "0 mV",
    response_uncertainty: Scalar | None = None,
    baseline_uncertainty: Scalar | None = None,
    core_diameter: Dimensional | None = None,
    bore: Dimensional | None = None,
    core_diameter_uncertainty: Scalar | None = None,
    reason: int | np.ndarray | xr.DataArray = 0,
    effects: bool = True,
) -> xr.Dataset:
    """Electrical resistivity of a core from the response of a contactless sensor.

    Parameters
    ----------
    response : DataArray, (reading)
        Response of the sensor [mV].
    calibration : Calibration
        Result of :func:`calibrate`, with brines in the same liner.
    temperature : Quantity, DataArray or str, optional
        Temperature of the core [degC], which is that of the result; it is recorded with the result.
    baseline : Baseline, Quantity, DataArray or str
        Response in air [mV]; the result of :func:`air_baseline` includes uncertainty and reasons.
    response_uncertainty : Quantity or str, optional
        Random standard uncertainty of one response [mV]; NaN if not given.
    baseline_uncertainty : Quantity or str, optional
        Standard uncertainty of a baseline that is not a Baseline [mV]. If not given, NaN, and zero
        for a baseline of zero, which means that the responses are already net.
    core_diameter, bore : Quantity, DataArray or str, optional
        Diameter of the core, and bore of the liner that held the brines [mm]. If no diameter is
        given, the core is assumed to fill the bore.
    core_diameter_uncertainty : Quantity or str, optional
        Systematic standard uncertainty [mm]; NaN if not given.
    reason : int or DataArray of int
        Reasons already found for these readings.
    effects : bool
        Whether to compute the named effects.

    Returns
    -------
    Dataset
        ``electrical_resistivity`` with uncertainty, effects and flags. A response that is not
        above the baseline gives NaN and ``impossible_value``; a response outside the range of the
        brines is flagged ``beyond_calibration``.

    Raises
    ------
    PositionError
        When the series lie at different positions.
    ValueError
        When a core diameter is given without the bore.

    Notes
    -----
    log10 rho = c0 + c1 x + c2 x^2 with x = log10((S - S0) (D / d)^2): the response is nearly
    proportional to the volume of the core in the sensor (common practice); the fit is described at
    :func:`calibrate`. Effect ``resistivity_order``: the difference to a reading by the other order,
    times the root of its weight.
    """
    base = baseline
    if not isinstance(base, Baseline):
        base = _given_baseline(base, baseline_uncertainty)
    series.require_same_positions(
        response=response,
        baseline=base.values,
        temperature=temperature,
        bore=bore,
        core_diameter=core_diameter,
    )
    d, wide, u_d = _diameter(core_diameter, bore, core_diameter_uncertainty)
    here = units.as_floats(response, "mV", "response")
    rho, net, x, slope, found = series.apply(
        _resistivity_kernel,
        here,
        bare(base.values),
        (wide / d) ** 2,
        outputs=5,
        dtypes=[float, float, float, float, np.int64],
        coefficients=calibration.coefficients,
        domain=calibration.domain,
    )
    u = units.as_floats(
        response_uncertainty, "mV", "response_uncertainty", difference=True, optional=True
    )
    # d rho / d S = rho slope / S, with the slope in logarithms.
    per_response = bare(rho) * bare(slope) / bare(net)
    random = abs(per_response) * (float("nan") if u is None else bare(u))
    measured = Measured(
        rho, random, {}, series.joined_reasons(*map(bare, (found, base.reason, reason)))
    )
    if effects:
        measured.effects = {
            # A thicker core has the same response at a higher resistivity.
            "core_diameter": -2.0 * bare(rho) * bare(slope) / d * u_d,
            "brine_conductivity": -bare(rho) * calibration.brine_uncertainty,
            **_coefficient_effects(calibration, bare(rho), bare(x)),
            **_order_effect(calibration, bare(rho), bare(x)),
        }
        if base.uncertainty is not None:
            measured.effects["air_baseline"] = -per_response * bare(base.uncertainty)
    return series.build(
        {"electrical_resistivity": measured},
        steps=_STEPS,
        constants={
            "calibration": SourcedText(calibration.describe(), "fitted"),
            "temperature": temperature,
            **calibration.used,
        },
    )


_STEPS = (
    "net response S - S0, S0 in air at the time of the reading",
    "response of a full bore, (S - S0) (D / d)^2",
    "log10 rho = c0 + c1 x + c2 x^2, x = log10 of that response, fitted to brines",
)


def _given_baseline(baseline: Dimensional, uncertainty: Scalar | None) -> Baseline:
    """Baseline from a response in air that is not interpolated in time."""
    values = units.as_floats(baseline, "mV", "baseline")
    u = units.as_floats(uncertainty, "mV", "baseline_uncertainty", difference=True, optional=True)
    # Zero stands for responses that are already net: it is exact.
    if u is None and np.any(np.asarray(values) != 0.0):
        u = float("nan")
    return Baseline(values, u, 0, float("nan"))


def _diameter(
    diameter: Dimensional | None, bore: Dimensional | None, uncertainty: Scalar | None
) -> tuple[Any, Any, Any]:
    """Diameter, bore and uncertainty of the diameter [mm].

    Only their ratio enters: both are 1 where neither is given.
    """
    u = units.as_floats(
        uncertainty, "mm", "core_diameter_uncertainty", difference=True, optional=True
    )
    if diameter is not None and bore is None:
        raise ValueError(
            "core_diameter is given without bore; the response is corrected by the ratio of the "
            "two. Give the bore of the liner that held the brines, such as bore='66 mm'"
        )
    wide = 1.0 if bore is None else bare(positive(bore, "mm", "bore"))
    d = wide if diameter is None else bare(positive(diameter, "mm", "core_diameter"))
    return d, wide, float("nan") if u is None or bore is None else bare(u)


def _coefficient_effects(cal: Calibration, rho: Any, x: Any) -> dict[str, Any]:
    """Effects of the fitted coefficients: d rho / d c_j = ln(10) rho x^j."""
    partials = [np.log(10.0) * rho * x**j for j in range(cal.covariance.shape[0])]
    return covariance_effects(partials, cal.covariance, "resistivity_calibration")


def _order_effect(cal: Calibration, rho: Any, x: Any) -> dict[str, Any]:
    """Difference to the reading by the order that was not chosen, times the root of its weight."""
    if not cal.other_weight > 0.0:
        return {}
    c0, c1, c2 = cal.other
    other = 10.0 ** (c0 + c1 * x + c2 * x**2)
    return {"resistivity_order": float(np.sqrt(cal.other_weight)) * (other - rho)}
