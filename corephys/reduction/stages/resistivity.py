"""Stages of resistivity: brines and air, resistivity, formation factor and Archie's parameters."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import xarray as xr

from corephys.ground import flags, series, thresholds, units
from corephys.ground.provenance import with_constants
from corephys.hole.placing import depth as positions
from corephys.reduction.context import Context, Skipped
from corephys.reduction.stages import scan
from corephys.reduction.stages.scan import (
    GRAVITY,
    below_seafloor,
    core_temperature,
    layer_names,
    of_kind,
    series_like,
)
from corephys.sensors import resistivity
from corephys.uncertainty import Measured

__all__ = [
    "air_response",
    "electrical_resistivity",
    "formation_factor",
    "in_situ_resistivity",
    "porosity_by_archie",
    "resistivity_calibration",
]

_T = thresholds.DEFAULTS
_FEW = thresholds.count("archie_readings")


def resistivity_calibration(context: Context) -> None:
    """Fit the response to brines."""
    keys = context.recipe["resistivity"]
    if keys["cell_constant"] is not None:
        return  # four electrodes have a constant in place of a calibration
    table = of_kind(context.table("standards/resistivity"), "standard")
    if not table.sizes["row"]:
        raise Skipped("standards/resistivity.csv has no row of kind standard")
    base = _baseline(context, table, table["response"])
    brine = table["brine"].values if "brine" in table else None
    calibration = resistivity.calibrate(
        table["response"],
        conductivity=table.get("conductivity"),
        temperature=table.get("temperature", context.recipe["hole"]["laboratory_temperature"]),
        salinity=table.get("salinity"),
        brine=brine,
        baseline="0 mV" if base is None else units.quantity(np.asarray(base.values), "mV"),
        order=None if keys["order"] == "by AICc" else int(keys["order"]),
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
    scan.of_resistivity(dataset, calibration)
    context.results["properties/resistivity_calibration"] = dataset


def _baseline(context: Context, table: xr.Dataset, here: Any) -> resistivity.Baseline | None:
    """Baseline in air at the times of a table; None where the recipe or the hole has none."""
    standards = context.optional("standards/resistivity")
    if standards is None or not context.recipe["resistivity"]["drift"]:
        return None
    air = of_kind(standards, "blank")
    if not air.sizes["row"]:
        return None
    uncertainty = context.recipe["resistivity"]["response_uncertainty"]
    timed = "time" in air and "time" in table and not np.isnat(table["time"].values).all()
    if not timed or np.isnat(air["time"].values).all():
        return _constant(air["response"].values, table.sizes[here.dims[0]])
    return resistivity.air_baseline(
        air["time"], table["time"], air["response"], response_uncertainty=uncertainty
    )


def air_response(context: Context, table: xr.Dataset) -> Any:
    """Response in air at the times of a table [mV]; zero where the hole has none."""
    base = _baseline(context, table, table["response"])
    return 0.0 if base is None else np.asarray(base.values)


def _constant(response: np.ndarray, size: int) -> resistivity.Baseline:
    """The mean of readings in air where their time is not known."""
    known = response[np.isfinite(response)]
    u = float(known.std(ddof=1) / np.sqrt(known.size)) if known.size > 1 else float("nan")
    return resistivity.Baseline(
        xr.DataArray(np.full(size, known.mean()), dims="reading"), u, 0, float("nan")
    )


def electrical_resistivity(context: Context) -> None:
    """Resistivity of the scan at the temperature of the core."""
    table = context.table("scan/resistivity")
    recipe, keys = context.recipe, context.recipe["resistivity"]
    here = table["response"]
    warm = core_temperature(context, table, here)
    if keys["cell_constant"] is not None:
        if keys["current"] is None:
            raise Skipped("[resistivity] cell_constant is given and current is not")
        found = resistivity.four_electrode(
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
            raise Skipped("there are no brines in standards/resistivity.csv and no cell_constant")
        diameter, _, fluid = context.geometry(table)
        base = _baseline(context, table, here)
        if base is not None:
            base = replace(base, values=series_like(here, np.asarray(base.values), "mV"))
        if np.any(fluid > 0.0):
            context.notes.append(
                "resistivity: some cores stand in a conducting annulus; the correction for their "
                "diameter takes the annulus to conduct nothing, so they may read too low"
            )
        found = resistivity.electrical_resistivity(
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


def formation_factor(context: Context) -> None:
    """Resistivity at one temperature, and the formation factor of the scan."""
    found = context.result("properties/resistivity")
    if "resistivity_temperature" not in context.objects:
        raise Skipped("the resistivity was supplied without the temperature of the core")
    recipe, keys = context.recipe, context.recipe["resistivity"]
    shared = {
        "salinity": recipe["hole"]["pore_water_salinity"],
        "salinity_uncertainty": recipe["hole"]["pore_water_salinity_uncertainty"],
        "temperature_uncertainty": keys["temperature_uncertainty"],
    }
    warm = context.objects["resistivity_temperature"]
    context.results["properties/formation_factor"] = resistivity.formation_factor(
        found, temperature=warm, **shared
    )
    context.results["properties/resistivity"] = resistivity.to_reference_temperature(
        found, warm, reference=keys["reference_temperature"], **shared
    )


def porosity_by_archie(context: Context) -> None:
    """Archie's parameters against the porosity of the scan, and the porosity they give back."""
    keys = context.recipe["resistivity"]
    if keys["archie"] == "none":
        return
    factor = context.result("properties/formation_factor")
    porosity = context.result("products/porosity")
    at_factor = positions.match(
        porosity,
        to=factor,
        within=_T["archie_reach"],
        how="mean over footprint",
        allow=context.levels,
    )
    layer = None
    if keys["archie"] == "by layer":
        layer = layer_names(context, factor)
    usable = _usable(factor, context.levels)
    both = np.isfinite(usable["formation_factor"].values) & np.isfinite(
        at_factor["porosity"].values
    )
    words = np.full(both.size, "all", dtype=object) if layer is None else layer
    if max((int((both & (words == word)).sum()) for word in set(words)), default=0) < _FEW:
        raise Skipped(f"no layer has {_FEW} usable readings of both formation factor and porosity")
    fits = resistivity.archie_fit(usable, at_factor, layer)
    context.results["properties/archie"] = _archie_table(fits)
    for word, fit in fits.items():
        if fit.note:
            context.notes.append(f"Archie's parameters of {word}: {fit.note}")
    context.results["products/porosity_from_resistivity"] = _porosity(factor, fits, words)
    if keys["surface_conduction"]:
        _surface(context, usable, at_factor)


def _usable(factor: xr.Dataset, levels: tuple[str, ...]) -> xr.Dataset:
    """The formation factor with what products may not use taken out."""
    good = flags.usable(factor["formation_factor_flag"], levels)
    return factor.assign(formation_factor=factor["formation_factor"].where(good))


def _archie_table(fits: dict[str, resistivity.Archie]) -> xr.Dataset:
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
    words = np.array(names, dtype=object)
    return table.assign_coords(layer_name=("layer", words, {"long_name": "name of the layer"}))


def _porosity(
    factor: xr.Dataset, fits: dict[str, resistivity.Archie], words: np.ndarray
) -> xr.Dataset:
    """Porosity of every reading with the parameters of its own layer."""
    pieces, order = [], []
    for name, fit in fits.items():
        rows = np.flatnonzero(words == name)
        if rows.size:
            pieces.append(
                resistivity.porosity_from_formation_factor(factor.isel(reading=rows), archie=fit)
            )
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


def _surface(context: Context, factor: xr.Dataset, porosity: xr.Dataset) -> None:
    """Conduction along grains, fitted to the whole hole."""
    warm = context.objects["resistivity_temperature"]
    water = resistivity.pore_water_resistivity(
        context.recipe["hole"]["pore_water_salinity"],
        warm,
        "0 dbar",
        salinity_uncertainty=context.recipe["hole"]["pore_water_salinity_uncertainty"],
    )
    rho = context.result("properties/resistivity")
    kept = np.isfinite(factor["formation_factor"])
    rho = rho.assign(electrical_resistivity=rho["electrical_resistivity"].where(kept))
    found = resistivity.surface_conduction_fit(rho, water, porosity)
    if found.note:
        context.notes.append(f"surface conduction: {found.note}")
    context.objects["surface_conduction"] = found


def in_situ_resistivity(context: Context) -> None:
    """Resistivity at the temperature and pressure of the formation, beside the other."""
    keys = context.recipe["resistivity"]
    if not keys["in_situ"]:
        return
    found = context.result("properties/resistivity")
    temperature, pressure, u = below_seafloor(context, found)
    context.results["properties/resistivity_in_situ"] = with_constants(
        resistivity.in_situ(
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
        gravity=GRAVITY,
    )
