"""Electrical resistivity of a core and what follows from it.

The order of the work: baseline in air, diameter of the core, calibration with brines; or voltage
and current of four electrodes. Then one reference temperature or in-situ conditions, the
formation factor, and Archie's parameters. The result is at the temperature of the core; a
correction to another temperature is opt-in.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, series, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.provenance import SourcedText, with_constants
from corephys.ground.sensor import (
    ROOM,
    Option,
    RandomPart,
    Reduction,
    Sensor,
    Source,
    Stage,
    TableFormat,
    Term,
    Track,
    coefficients,
    constant_text,
    core_temperature,
    keep_constants,
    number,
    of_kind,
    option_from,
    optional,
    over_usual,
    series_like,
    text,
    with_bits,
)
from corephys.hole.placing import depth as positions
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
from corephys.uncertainty import Measured, covariance_effects, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Scalar

__all__ = [
    "SENSOR",
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
        without_coords(base.values),
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
    per_response = without_coords(rho) * without_coords(slope) / without_coords(net)
    random = abs(per_response) * (float("nan") if u is None else without_coords(u))
    measured = Measured(
        rho, random, {}, series.joined_reasons(*map(without_coords, (found, base.reason, reason)))
    )
    if effects:
        measured.effects = {
            # A thicker core has the same response at a higher resistivity.
            "core_diameter": -2.0 * without_coords(rho) * without_coords(slope) / d * u_d,
            "brine_conductivity": -without_coords(rho) * calibration.brine_uncertainty,
            **_coefficient_effects(calibration, without_coords(rho), without_coords(x)),
            **_order_effect(calibration, without_coords(rho), without_coords(x)),
        }
        if base.uncertainty is not None:
            measured.effects["air_baseline"] = -per_response * without_coords(base.uncertainty)
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
            "two. Give the bore of the liner that held the brines, such as bore='70 mm'"
        )
    wide = 1.0 if bore is None else without_coords(positive(bore, "mm", "bore"))
    d = wide if diameter is None else without_coords(positive(diameter, "mm", "core_diameter"))
    return d, wide, float("nan") if u is None or bore is None else without_coords(u)


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


# --------------------------------------------------------------------------------------------------
# Its stages of a reduction.


_FEW = thresholds.count("archie_readings")


def _calibration_stage(context: Reduction) -> None:
    """Fit the response to brines; four electrodes need no fit."""
    keys = context.recipe["resistivity"]
    if keys["cell_constant"] is not None:
        return  # four electrodes have a constant in place of a calibration
    table = of_kind(context.table("standards/resistivity"), "standard")
    if not table.sizes["row"]:
        context.skip("standards/resistivity.csv has no row of kind standard; add them")
    base = _baseline(context, table, table["response"])
    brine = table["brine"].values if "brine" in table else None
    calibration = calibrate(
        table["response"],
        conductivity=table.get("conductivity"),
        temperature=table.get("temperature", context.recipe["hole"]["laboratory_temperature"]),
        salinity=table.get("salinity"),
        brine=brine,
        baseline="0 mV" if base is None else units.quantity(np.asarray(base.values), "mV"),
        order=None if keys["order"] == "by_aicc" else int(keys["order"]),
        response_uncertainty=keys["response_uncertainty"],
        brine_uncertainty=keys["brine_uncertainty"],
    )
    context.objects["resistivity_calibration"] = calibration
    found = {
        "log_response": (calibration.log_response, "1", "log10 of the net response in mV"),
        "log_resistivity": (calibration.log_resistivity, "1", "log10 of the resistivity in ohm m"),
        "residual": (calibration.residual, "1", "measured less fitted"),
    }
    dataset = xr.Dataset(
        {
            name: ("standard", np.asarray(values), {"units": unit, "long_name": words})
            for name, (values, unit, words) in found.items()
        }
    )
    dataset.attrs = {
        "description": calibration.describe(),
        "coefficients": list(map(float, calibration.coefficients)),
        "reduced_chi_square": float(calibration.reduced_chi_square),
    }
    _keep_constants(dataset, calibration)
    context.results["properties/resistivity_calibration"] = dataset


def _baseline(context: Reduction, table: xr.Dataset, here: xr.DataArray) -> Baseline | None:
    """Baseline in air at the times of a table; None without blanks or with drift = false."""
    standards = context.optional("standards/resistivity")
    if standards is None or not context.recipe["resistivity"]["drift"]:
        return None
    air = of_kind(standards, "blank")
    if not np.isfinite(air["response"].values).any():
        return None
    uncertainty = context.recipe["resistivity"]["response_uncertainty"]
    timed = "time" in air and "time" in table and not np.isnat(table["time"].values).all()
    if not timed or np.isnat(air["time"].values).all():
        return _untimed(context, air["response"].values, table.sizes[here.dims[0]])
    return air_baseline(
        air["time"], table["time"], air["response"], response_uncertainty=uncertainty
    )


def _air_response(context: Reduction, table: xr.Dataset) -> np.ndarray | float:
    """Response in air at the times of a table [mV]; zero without a baseline."""
    base = _baseline(context, table, table["response"])
    return 0.0 if base is None else np.asarray(base.values)


def _untimed(context: Reduction, air: np.ndarray, size: int) -> Baseline:
    """Mean of the readings in air [mV] where times are unknown, with their scatter.

    The drift between them is part of that scatter, which one reading does not show.
    """
    known = air[np.isfinite(air)]
    u = float(known.std(ddof=1)) if known.size > 1 else float("nan")
    words = (
        "resistivity: the readings or the blanks have no time, so that the drift of the sensor "
        f"is not known; the mean of {known.size} blanks is subtracted. Add the column time to both"
    )
    if words not in context.notes:  # the brines take the same baseline
        context.notes.append(words)
    mean = xr.DataArray(np.full(size, known.mean()), dims="reading")
    return Baseline(mean, u, flags.bit("no_baseline"), float("nan"))


def _resistivity_stage(context: Reduction) -> None:
    """Resistivity of the scan at the temperature of the core."""
    table = context.table("scan/resistivity")
    recipe, keys = context.recipe, context.recipe["resistivity"]
    here = table["response"]
    warm = core_temperature(context, table, here)
    if keys["cell_constant"] is not None:
        if keys["current"] is None:
            context.skip("[resistivity] cell_constant needs current as well; give both")
        found = four_electrode(
            here,
            keys["current"],
            cell_constant=keys["cell_constant"],
            temperature=warm,
            voltage_uncertainty=keys["response_uncertainty"],
            reason=table.get("reason", 0),
        )
    else:
        calibration = context.objects.get("resistivity_calibration")
        if calibration is None:
            context.skip("no brines; give standards/resistivity.csv or [resistivity] cell_constant")
        diameter, _, fluid = context.geometry(table)
        base = _baseline(context, table, here)
        if base is not None:
            base = replace(base, values=series_like(here, np.asarray(base.values), "mV"))
        if np.any(fluid > 0.0):
            context.notes.append(
                "resistivity: some cores have a conducting annulus; the correction for core "
                "diameter assumes an insulating annulus, so their resistivity may be too low"
            )
        found = electrical_resistivity(
            here,
            calibration=calibration,
            temperature=warm,
            baseline="0 mV" if base is None else base,
            response_uncertainty=keys["response_uncertainty"],
            core_diameter=series_like(here, diameter, "mm"),
            bore=recipe["liner"]["bore"],
            core_diameter_uncertainty=keys["core_diameter_uncertainty"],
            reason=table.get("reason", 0),
        )
    context.results["properties/resistivity"] = found
    context.objects["resistivity_temperature"] = warm


def _formation_factor_stage(context: Reduction) -> None:
    """Resistivity at one temperature, and the formation factor of the scan."""
    found = context.result("properties/resistivity")
    if "resistivity_temperature" not in context.objects:
        context.skip(
            "the supplied resistivity has no temperature of the core, which the formation factor "
            "needs; give scan/reduced.csv the column temperature [degC], or the formation factor"
        )
    recipe, keys = context.recipe, context.recipe["resistivity"]
    shared = {
        "salinity": recipe["hole"]["pore_water_salinity"],
        "salinity_uncertainty": recipe["hole"]["pore_water_salinity_uncertainty"],
        "temperature_uncertainty": keys["temperature_uncertainty"],
    }
    warm = context.objects["resistivity_temperature"]
    context.results["properties/formation_factor"] = formation_factor(
        found, temperature=warm, **shared
    )
    context.results["properties/resistivity"] = to_reference_temperature(
        found, warm, reference=keys["reference_temperature"], **shared
    )


def _archie_stage(context: Reduction) -> None:
    """Archie's parameters fitted to the porosity of the scan, and the porosity by them."""
    keys = context.recipe["resistivity"]
    if keys["archie"] == "none":
        return
    factor = context.result("properties/formation_factor")
    porosity = context.porosity()
    at_factor = positions.match(
        porosity,
        to=factor,
        within=thresholds.DEFAULTS["archie_reach"],
        how="mean_over_footprint",
        allow=context.levels,
    )
    layer = None
    if keys["archie"] == "by_layer":
        layer = context.layer_names(factor)
    usable = _usable(factor, context.levels)
    both = np.isfinite(usable["formation_factor"].values) & np.isfinite(
        at_factor["porosity"].values
    )
    words = np.full(both.size, "all", dtype=object) if layer is None else layer
    if max((int((both & (words == word)).sum()) for word in set(words)), default=0) < _FEW:
        context.skip(
            f"no layer has {_FEW} usable readings of both formation factor and porosity, which "
            "Archie's parameters need"
        )
    fits = archie_fit(usable, at_factor, layer)
    table = _archie_table(fits)
    context.results["properties/archie"] = table
    for word, fit in fits.items():
        if fit.note:
            context.notes.append(f"Archie's parameters of {word}: {fit.note}")
    levels = table["cementation_exponent_flag"].values.tolist()
    context.results["products/porosity_from_resistivity"] = _porosity(
        factor, fits, words, dict(zip(fits, levels, strict=True))
    )
    if keys["surface_conduction"]:
        _surface(context, usable, at_factor)


def _usable(factor: xr.Dataset, levels: tuple[str, ...]) -> xr.Dataset:
    """The formation factor with NaN where products may not use it."""
    good = flags.usable(factor["formation_factor_flag"], levels)
    return factor.assign(formation_factor=factor["formation_factor"].where(good))


def _archie_table(fits: dict[str, Archie]) -> xr.Dataset:
    """Archie's parameters of every layer as a table."""
    names = list(fits)
    m = Measured(
        xr.DataArray([fits[n].m for n in names], dims="layer"),
        np.array([np.sqrt(fits[n].covariance[1, 1]) for n in names]),
    )
    table = series.build({"cementation_exponent": m}, steps=("ln F = ln a - m ln phi, York line",))
    for name, values, words in (
        ("archie_a", [fits[n].a for n in names], "factor a of Archie's law"),
        (
            "archie_a_uncertainty",
            [np.sqrt(fits[n].covariance[0, 0]) for n in names],
            "standard uncertainty of a",
        ),
        ("archie_covariance", [fits[n].covariance[0, 1] for n in names], "covariance of a and m"),
        ("points", [float(fits[n].points) for n in names], "readings used"),
        ("reduced_chi_square", [fits[n].reduced_chi_square for n in names], "reduced chi-square"),
    ):
        table[name] = ("layer", np.array(values, dtype=float), {"units": "1", "long_name": words})
    labels = np.array(names, dtype=object)
    return table.assign_coords(layer_name=("layer", labels, {"long_name": "name of the layer"}))


def _porosity(
    factor: xr.Dataset, fits: dict[str, Archie], words: np.ndarray, levels: dict[str, int]
) -> xr.Dataset:
    """Porosity of every reading with the parameters of its own layer, and with their doubts."""
    pieces, order = [], []
    for name, fit in fits.items():
        rows = np.flatnonzero(words == name)
        if not rows.size:
            continue
        piece = porosity_from_formation_factor(factor.isel(reading=rows), archie=fit)
        if levels[name] in (flags.SUSPECT, flags.BAD):
            # A porosity is no better than the exponent it is made with.
            doubt = "input_bad" if levels[name] == flags.BAD else "poor_fit"
            piece = with_bits(piece, "porosity", np.full(rows.size, flags.bit(doubt)))
        pieces.append(piece)
        order.append(rows)
    joined = xr.concat(
        pieces,
        dim="reading",
        data_vars="minimal",
        coords="minimal",
        compat="override",
        join="outer",
        fill_value=0.0,
        combine_attrs="override",
    )
    return joined.isel(reading=np.argsort(np.concatenate(order), kind="stable"))


def _surface(context: Reduction, factor: xr.Dataset, porosity: xr.Dataset) -> None:
    """Conduction along grain surfaces, fitted to the complete hole."""
    warm = context.objects["resistivity_temperature"]
    water = pore_water_resistivity(
        context.recipe["hole"]["pore_water_salinity"],
        warm,
        "0 dbar",
        salinity_uncertainty=context.recipe["hole"]["pore_water_salinity_uncertainty"],
    )
    rho = context.result("properties/resistivity")
    kept = np.isfinite(factor["formation_factor"])
    rho = rho.assign(electrical_resistivity=rho["electrical_resistivity"].where(kept))
    found = surface_conduction_fit(rho, water, porosity)
    if found.note:
        context.notes.append(f"surface conduction: {found.note}")
    context.objects["surface_conduction"] = found


def _in_situ_stage(context: Reduction) -> None:
    """Resistivity at the temperature and pressure of the formation, beside the measured one."""
    keys = context.recipe["resistivity"]
    if not keys["in_situ"]:
        return
    found = context.result("properties/resistivity")
    temperature, pressure, u = context.below_seafloor(found)
    context.results["properties/resistivity_in_situ"] = with_constants(
        in_situ(
            found[
                [n for n in found.data_vars if not str(n).startswith("electrical_resistivity_at")]
            ],
            context.objects["resistivity_temperature"],
            in_situ_temperature=temperature,
            in_situ_pressure=pressure,
            salinity=context.recipe["hole"]["pore_water_salinity"],
            temperature_uncertainty=keys["temperature_uncertainty"],
            in_situ_temperature_uncertainty=u,
            salinity_uncertainty=context.recipe["hole"]["pore_water_salinity_uncertainty"],
        ),
        gravity=constants.CONSTANTS["gravity"],
    )


_RESPONSE = ("logarithm of the resistivity at 1 mV", "slope in the logarithm", "curvature")


def _keep_constants(dataset: xr.Dataset, fit: Calibration) -> None:
    """Keep the coefficients of log10(resistivity) = c0 + c1 x + c2 x^2."""
    rows = coefficients(fit.coefficients, fit.covariance, _RESPONSE, ("1", "1", "1"))
    keep_constants(dataset, rows, fit.log_response.size, fit.reduced_chi_square)


def _check_standards(context: Reduction, checks: xr.Dataset) -> tuple[np.ndarray, None, str, str]:
    """Net response of the check over its median [1]."""
    net = checks["response"].values - _air_response(context, checks)
    return over_usual(net), None, "1", "net response over its usual value"


# --------------------------------------------------------------------------------------------------
# The record: what the other rooms need of this sensor.


SENSOR = Sensor(
    name="resistivity",
    quantity="electrical_resistivity",
    scan=TableFormat((number("response", "mV"), *optional(ROOM))),
    standards=TableFormat(
        (
            number("response", "mV"),
            *optional(
                text("brine", "sodium_chloride", "sea"),
                replace(number("salinity", "g/kg"), least=0.0, greatest=1000.0),
                number("conductivity", "S/m"),
            ),
        ),
        one_of=(("conductivity", "salinity"),),
    ),
    terms=(
        Term(
            "electrical_resistivity", "ohm m", "electrical resistivity", (0.15, 50), (0.1, math.inf)
        ),
        Term("formation_factor", "1", "formation factor", (1, 40), (1, math.inf)),
        Term(
            "electrical_resistivity_at_reference",
            "ohm m",
            "electrical resistivity at the reference temperature",
            (0.15, 50),
            (0.1, math.inf),
        ),
        Term(
            "electrical_resistivity_in_situ",
            "ohm m",
            "electrical resistivity at in-situ temperature and pressure",
            (0.15, 50),
            (0.1, math.inf),
        ),
        Term(
            "pore_water_resistivity",
            "ohm m",
            "electrical resistivity of the pore water",
            (0.1, 5),
            (0.02, math.inf),
        ),
        Term("cementation_exponent", "1", "cementation exponent", (1.2, 3.5), (0.5, 10)),
        Term("surface_conductivity", "S/m", "surface conductivity of the grains", (0, 2), (0, 20)),
    ),
    sources=(
        Source("resistivity_calibration", "calibration", "fit of the brines"),
        Source("resistivity_order", "calibration", "order of the fit of the brines"),
        Source("brine_conductivity", "calibration", "conductivity of the brines"),
        Source("air_baseline", "calibration", "reading in air of the resistivity sensor"),
        Source("cell_constant", "geometry", "cell constant of the electrodes"),
        Source("ruler", "geometry", "ruler of the electrodes"),
    ),
    random=(
        RandomPart("electrical_resistivity", "", "reading", "reading of the resistivity"),
        RandomPart("formation_factor", "", "reading", "reading of the resistivity"),
        RandomPart(
            "cementation_exponent", "", "natural scatter", "readings and scatter about the line"
        ),
    ),
    options={
        "order": Option("by_aicc", "by_aicc|1|2", "degree of log resistivity in log response"),
        "drift": Option(True, "switch", "subtract the baseline in air, linear in time"),
        "response_uncertainty": option_from(
            electrical_resistivity,
            "response_uncertainty",
            "mV",
            "standard uncertainty of one reading, random",
        ),
        "brine_uncertainty": Option(
            constant_text("brine_uncertainty", "1 %"),
            "%",
            "standard uncertainty of the brines' conductivity, systematic",
        ),
        "temperature_uncertainty": Option(
            "0.5 K", "K", "standard uncertainty of the core's temperature, random"
        ),
        "core_diameter_uncertainty": option_from(
            electrical_resistivity,
            "core_diameter_uncertainty",
            "mm",
            "standard uncertainty of the core diameter, systematic, shared with the density",
        ),
        "cell_constant": Option(
            None, "m", "cell constant of four electrodes; their response is then a voltage"
        ),
        "current": Option(None, "mA", "current through the outer two of four electrodes"),
        "reference_temperature": option_from(
            to_reference_temperature,
            "reference",
            "degC",
            "temperature to which resistivity is converted",
        ),
        "in_situ": Option(False, "switch", "convert resistivity to in-situ conditions"),
        "archie": Option("by_layer", "by_layer|whole|none", "where Archie's parameters are fitted"),
        "surface_conduction": Option(False, "switch", "fit the conduction along grain surfaces"),
    },
    quality_options={
        "response_resistivity": Option(
            thresholds.DEFAULTS["response_resistivity"],
            "cm",
            "width of the response of resistivity along the core",
        ),
    },
    response_width=("quality", "response_resistivity"),
    stages=(
        Stage("resistivity calibration", _calibration_stage),
        Stage("resistivity", _resistivity_stage),
        Stage("formation factor", _formation_factor_stage, after="porosity"),
        Stage("porosity from resistivity", _archie_stage, after="formation factor"),
        Stage("in-situ resistivity", _in_situ_stage, after="velocity models"),
    ),
    check=_check_standards,
    warms_up=True,
    track=Track("#A3195B", logarithmic=True),
)
