"""Index properties of discrete samples: masses and a volume to density, porosity and void ratio.

The file reads in the order of the work:

1. net masses and volumes: the container is subtracted, and the volume is chosen (``volumes``
   corrects and averages the readings of a pycnometer beforehand);
2. the pore water and its salt (``water`` interpolates a table of pore water to the samples);
3. phases, densities, porosity and void ratio (``phases`` holds the arithmetic);
4. uncertainties and their effects;
5. reasons to doubt a sample (``outliers`` compares it with its neighbours);
6. the result.

Drying leaves the salt of the pore water among the grains. The mass lost is therefore the mass of
fresh water alone: the pore water was heavier by its salt, and the grains are lighter by it.
``reported`` checks values of an archive against its masses, and recomputes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import constants, flags, seawater, series, thresholds, units, vocabulary
from corephys.ground.arguments import fraction
from corephys.ground.choices import choice
from corephys.samples.index_properties import outliers
from corephys.samples.index_properties.outliers import likely_culprit
from corephys.samples.index_properties.phases import (
    INPUTS,
    PROPERTIES,
    ROUTES,
    joint_uncertainty,
    phases_with_partials,
)
from corephys.samples.index_properties.reported import bits, consistency, find_constants, recompute
from corephys.samples.index_properties.volumes import (
    block_volume,
    corrected_volume,
    cylinder_volume,
    mean_of_repeats,
    pycnometer_cells,
)
from corephys.samples.index_properties.water import (
    pore_water_at,
    porosity_without_interlayer_water,
    water_by_exchange_capacity,
)
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Numbers, Scalar

__all__ = [
    "block_volume",
    "consistency",
    "corrected_volume",
    "cylinder_volume",
    "find_constants",
    "joint_uncertainty",
    "likely_culprit",
    "mean_of_repeats",
    "phase_relations",
    "phase_relations_from_water_content",
    "pore_water_at",
    "porosity_without_interlayer_water",
    "pycnometer_cells",
    "recompute",
    "water_by_exchange_capacity",
]

_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_VOLUMES_DISAGREE = thresholds.value("volumes_disagree")


# --------------------------------------------------------------------------------------------------
# The reduction of samples.


_STEPS = (
    "pore water Mpw = (Mt - Md) / (1 - s), solids Ms = Mt - Mpw (Blum 1997)",
    "volumes Vpw = Mpw / rho_pw, Vs = Vd - s Mpw / rho_salt, V = Vs + Vpw",
    "rho = Mt / V, rho_d = Ms / V, rho_g = Ms / Vs, phi = Vpw / V, e = Vpw / Vs",
)


def phase_relations(
    wet_mass: Dimensional,
    dry_mass: Dimensional,
    dry_volume: Dimensional | None = None,
    wet_volume: Dimensional | None = None,
    *,
    salinity: Dimensional = _C["pore_water_salinity"],
    pore_water_density: Dimensional = _C["pore_water_density"],
    salt_density: Dimensional = _C["salt_density"],
    container_mass: Dimensional | None = None,
    container_volume: Dimensional | None = None,
    mass_uncertainty: Dimensional | None = None,
    mass_systematic: Dimensional | None = None,
    volume_uncertainty: Dimensional | None = None,
    volume_systematic: Dimensional | None = None,
    salinity_uncertainty: Scalar | None = None,
    pore_water_density_uncertainty: Scalar | None = None,
    salt_density_uncertainty: Scalar | None = None,
    outlier_threshold: float = _T["outlier_threshold"],
    reason: int | xr.DataArray = 0,
    route: str | None = None,
    wet_volume_method: str | Sequence[str] | xr.DataArray | None = None,
    wet_volume_uncertainty: Dimensional | None = None,
    wet_volume_systematic: Dimensional | None = None,
) -> xr.Dataset:
    """Bulk, dry and grain density, porosity, void ratio and water contents of samples.

    Parameters
    ----------
    wet_mass, dry_mass : DataArray, Quantity or str, (reading)
        Mass before and after drying [g]; with the container where ``container_mass`` is given.
    dry_volume : DataArray, Quantity or str, optional
        Volume of the dried sample, grains and salt [cm^3]. It takes precedence over
        ``wet_volume``.
    wet_volume : DataArray, Quantity or str, optional
        Volume of the wet sample [cm^3]. Where it is the only volume, the pores are assumed to be
        full of water.
    salinity : Quantity, DataArray, str or Constant
        Salinity of the pore water [g/kg].
    pore_water_density, salt_density : Quantity, DataArray, str or Constant
        Densities of the pore water and of dry sea salt [g/cm^3].
    container_mass, container_volume : DataArray, Quantity or str, optional
        Mass [g] and volume [cm^3] of the container, which are subtracted.
    mass_uncertainty, volume_uncertainty : Quantity, DataArray or str, optional
        Random standard uncertainty of one weighing [g] and of one volume [cm^3].
    mass_systematic, volume_systematic : Quantity, DataArray or str, optional
        One-sigma error that all masses [g] (effect ``balance``) or volumes [cm^3] (effect
        ``pycnometer``) share. NaN if not given.
    salinity_uncertainty : Quantity or str, optional
        Standard uncertainty of the salinity [g/kg]; effect ``pore_water_salinity``. The
        uncertainty of a Constant if not given.
    pore_water_density_uncertainty, salt_density_uncertainty : Quantity or str, optional
        Standard uncertainties of these densities [g/cm^3]; effects ``pore_water_density`` and
        ``salt_density``. The uncertainty of the constant if not given.
    outlier_threshold : float
        Distance from the neighbours, in scaled median absolute deviations (dimensionless), beyond
        which grain density or porosity is suspect.
    reason : int or DataArray of int
        Bit mask of reasons already found.
    route : {"dry_volume", "wet_volume", "calliper"}, optional
        Volume from which the properties come; the dry one where it is given. ``calliper`` takes
        the volume of the sample from ``wet_volume`` and that of the grains from ``dry_volume``,
        for samples whose pores are not full.
    wet_volume_method : str or sequence of str, optional
        Method by which the wet volume was measured, in words; kept in the result.
    wet_volume_uncertainty, wet_volume_systematic : Quantity, DataArray or str, optional
        Random standard uncertainty of the wet volume, and the error that all wet volumes share
        (effect ``calliper``) [cm^3].

    Returns
    -------
    Dataset
        ``bulk_density``, ``dry_density``, ``grain_density`` [g/cm^3], ``porosity``,
        ``void_ratio``, ``water_content_wet``, ``water_content_dry`` [1] with uncertainties,
        effects and flags; ``correlation_porosity_grain_density`` [1] of their random errors,
        which come from the same weighings. With both volumes also ``saturation`` [1], flagged
        (``unlikely_saturation``) outside its usual range; by the route ``calliper`` only above it.
        Attribute ``route`` describes what was measured.

    Raises
    ------
    ValueError
        When neither volume is given, or not those that the route needs.
    PositionError
        When the series have different positions.

    Notes
    -----
    With s the mass fraction of salt: Mpw = (Mt - Md)/(1 - s), Ms = Mt - Mpw, Vpw = Mpw/rho_pw,
    Vs = Vd - s Mpw/rho_salt, V = Vs + Vpw, rho = Mt/V, rho_d = Ms/V, rho_g = Ms/Vs, phi = Vpw/V,
    e = Vpw/Vs: Blum (1997), Physical Properties Handbook, chapter 2. Uncertainty by JCGM 100:2008
    with exact derivatives; the errors of a mass enter all seven properties together. Outliers by
    the modified z score, 3.5 as in Iglewicz and Hoaglin (1993), How to Detect and Handle Outliers.
    By the calliper phi = (V - Vs)/V, and saturation Sr = Vpw/(V - Vs) (definition).
    A net mass has the full error of the balance, since containers are often read from a list.
    """
    if dry_volume is None and wet_volume is None:
        raise ValueError(
            "neither dry_volume nor wet_volume is given; give one, since densities need a volume"
        )
    # Positions are compared before any arithmetic, which would drop coordinates that differ.
    series.require_same_positions(
        wet_mass=wet_mass,
        dry_mass=dry_mass,
        dry_volume=dry_volume,
        wet_volume=wet_volume,
        container_mass=container_mass,
        container_volume=container_volume,
        salinity=salinity,
        pore_water_density=pore_water_density,
        salt_density=salt_density,
    )
    # Step 1: net masses [g] and volumes [cm^3].
    wet, dry = (
        _net(mass, container_mass, "g", name, "container_mass")
        for mass, name in ((wet_mass, "wet_mass"), (dry_mass, "dry_mass"))
    )
    volumes = {
        name: _net(volume, container_volume, "cm^3", name, "container_volume")
        for name, volume in (("dry_volume", dry_volume), ("wet_volume", wet_volume))
        if volume is not None
    }
    route = _route(route, volumes)
    # Step 2: the pore water.
    fluid = _fluid(salinity, pore_water_density, salt_density)
    # Coordinates from other units may differ in their last bit; all get those of the first series.
    wet, dry, *rest = series.at_same_positions(
        wet_mass=wet,
        dry_mass=dry,
        **volumes,
        **dict(zip(("salinity", "pore_water_density", "salt_density"), fluid, strict=True)),
    )
    volumes, fluid = dict(zip(volumes, rest[:-3], strict=True)), tuple(rest[-3:])
    volume = volumes["wet_volume" if route == "wet_volume" else "dry_volume"]
    outer = (volumes["wet_volume"],) if route == "calliper" else ()
    # Step 3: the seven properties and their derivatives.
    values, partials = _properties(wet, dry, volume, *fluid, *outer, route=route)
    # Step 4: uncertainties, in the units of the inputs of the arithmetic.
    random = (
        _sigma(mass_uncertainty, "g", "mass_uncertainty"),
        _sigma(volume_uncertainty, "cm^3", "volume_uncertainty"),
    )
    systematic = (
        _sigma(mass_systematic, "g", "mass_systematic"),
        _sigma(volume_systematic, "cm^3", "volume_systematic"),
        _sigma(salinity_uncertainty, "1", "salinity_uncertainty", salinity),
        _sigma(
            pore_water_density_uncertainty,
            "g/cm^3",
            "pore_water_density_uncertainty",
            pore_water_density,
            _C["pore_water_density"].uncertainty,
        ),
        _sigma(
            salt_density_uncertainty,
            "g/cm^3",
            "salt_density_uncertainty",
            salt_density,
            _C["salt_density"].uncertainty,
        ),
    )
    calliper = tuple(
        _sigma(value, "cm^3", name)
        for value, name in (
            (wet_volume_uncertainty, "wet_volume_uncertainty"),
            (wet_volume_systematic, "wet_volume_systematic"),
        )
    )
    quantities, correlation = _with_uncertainties(values, partials, random, systematic, calliper)
    # Step 5: reasons to doubt a sample.
    found = _reasons(wet, dry, volumes, quantities, outlier_threshold, _copies(reason))
    saturation = None
    if len(volumes) == 2:
        saturation, apart = _compare_volumes(wet, dry, volumes, quantities, fluid, route)
        found = found | apart
    for measured in quantities.values():
        measured.reason = found | reason
    # Step 6: the result.
    dataset = series.build(
        quantities,
        steps=_STEPS,
        constants={
            "salinity": (salinity, salinity_uncertainty),
            "salt_density": (salt_density, salt_density_uncertainty),
            "pore_water_density": (pore_water_density, pore_water_density_uncertainty),
            "volume": "wet_volume" if route == "wet_volume" else "dry_volume",
            "outlier_threshold": outlier_threshold,
        },
        route=_in_words(route, wet_volume_method, container_mass, container_volume),
    )
    like = dataset["porosity"]
    dataset["correlation_porosity_grain_density"] = _attach(
        correlation, like, "correlation of the random errors of porosity and grain density"
    )
    if saturation is not None:
        dataset["saturation"] = _attach(saturation, like, vocabulary.term("saturation").long_name)
    return dataset


# --------------------------------------------------------------------------------------------------
# Step 1: net masses and volumes, and the volume from which the properties come.


def _net(
    gross: Dimensional, tare: Dimensional | None, unit: str, name: str, tare_name: str
) -> Numbers:
    """Floats in ``unit`` with the container subtracted where one is given."""
    value = units.as_floats(gross, unit, name)
    taken = units.as_floats(tare, unit, tare_name, optional=True)
    if taken is None:
        return value
    value, taken = series.at_same_positions(**{name: value, tare_name: taken})
    return value - taken


def _route(route: str | None, volumes: dict[str, Numbers]) -> str:
    """The chosen route, checked against the volumes; without a choice the one they allow."""
    needs = {
        "dry_volume": {"dry_volume"},
        "wet_volume": {"wet_volume"},
        "calliper": {"dry_volume", "wet_volume"},
    }
    if route is None:
        return "dry_volume" if "dry_volume" in volumes else "wet_volume"
    route = choice(route, ROUTES, "route")
    lacking = sorted(needs[route] - set(volumes))
    if lacking:
        raise ValueError(f"the route {route!r} needs {' and '.join(lacking)}; give it as well")
    return route


# --------------------------------------------------------------------------------------------------
# Step 2: the pore water and its salt.


def _fluid(
    salinity: Dimensional, pore_water_density: Dimensional, salt_density: Dimensional
) -> tuple[Numbers, Numbers, Numbers]:
    """Mass fraction of salt in the pore water, and both densities [g/cm^3]."""
    # Salinity is in g/kg; the phase relations need kg/kg.
    return (
        seawater.salinity_floats(salinity) / 1000.0,
        units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"),
        units.as_floats(salt_density, "g/cm^3", "salt_density"),
    )


# --------------------------------------------------------------------------------------------------
# Step 3: phases and properties, with their derivatives; the arithmetic is in ``phases``.


def _properties(*inputs: Numbers, route: str) -> tuple[list[Numbers], list[list[Numbers]]]:
    """Values by property, and derivatives by property and input."""
    number = len(inputs)
    # One call for all properties: dask then evaluates the arithmetic once for each block.
    found, partials = xr.apply_ufunc(
        phases_with_partials,
        *inputs,
        kwargs={"route": route},
        output_core_dims=[["property"], ["property", "input"]],
        join="exact",
        dask="parallelized",
        output_dtypes=[float, float],
        dask_gufunc_kwargs={"output_sizes": {"property": len(PROPERTIES), "input": number}},
        keep_attrs=False,
    )
    if isinstance(found, xr.DataArray):
        return (
            [found.isel(property=i) for i in range(len(PROPERTIES))],
            [
                [partials.isel(property=i, input=j) for j in range(number)]
                for i in range(len(PROPERTIES))
            ],
        )
    return (
        [found[..., i] for i in range(len(PROPERTIES))],
        [[partials[..., i, j] for j in range(number)] for i in range(len(PROPERTIES))],
    )


# --------------------------------------------------------------------------------------------------
# Step 4: uncertainties and effects.


def _sigma(
    given: Dimensional | None,
    unit: str,
    name: str,
    owner: Dimensional | None = None,
    default: float = float("nan"),
) -> Numbers:
    """The given uncertainty, otherwise that of the constant, otherwise the default."""
    sigma = units.as_floats(given, unit, name, difference=True, optional=True)
    if sigma is not None:
        return sigma
    if isinstance(owner, constants.Constant):
        return float(units.convert(owner.uncertainty, owner.unit, unit))
    return default


def _with_uncertainties(
    values: list[Numbers],
    partials: list[list[Numbers]],
    random: tuple[Numbers, Numbers],
    systematic: tuple[Numbers, ...],
    calliper: tuple[Numbers, ...],
) -> tuple[dict[str, Measured], Numbers]:
    """Quantities with random part and effects; correlation of porosity and grain density.

    The derivatives ``d`` are in the order of ``INPUTS``. Both masses come from one balance, so
    its error acts through the sum d[0] + d[1], while the random errors add in squares.
    """
    u_mass, u_volume = random
    by_mass, by_volume, by_salinity, by_water, by_salt = systematic
    quantities = {}
    for name, value, d in zip(PROPERTIES, values, partials, strict=True):
        if name.startswith("water_content"):  # no volume enters, so unknown volumes leave no NaN
            u = ((d[0] ** 2 + d[1] ** 2) * u_mass**2) ** 0.5
            effects = {
                "balance": (d[0] + d[1]) * by_mass,
                "pore_water_salinity": d[3] * by_salinity,
            }
        else:
            u = ((d[0] ** 2 + d[1] ** 2) * u_mass**2 + (d[2] * u_volume) ** 2) ** 0.5
            effects = {
                "balance": (d[0] + d[1]) * by_mass,
                "pycnometer": d[2] * by_volume,
                "pore_water_salinity": d[3] * by_salinity,
                "pore_water_density": d[4] * by_water,
                "salt_density": d[5] * by_salt,
            }
            if len(d) > len(INPUTS):
                u = (u**2 + (d[6] * calliper[0]) ** 2) ** 0.5
                effects["calliper"] = d[6] * calliper[1]
        quantities[name] = Measured(value, u, effects)
    phi, grain = (partials[PROPERTIES.index(name)] for name in ("porosity", "grain_density"))
    shared = phi[0] * grain[0] + phi[1] * grain[1]
    covariance = shared * u_mass**2 + phi[2] * grain[2] * u_volume**2
    # The calliper changes the porosity and not the grain density, so it adds no covariance.
    product = quantities["porosity"].u_random * quantities["grain_density"].u_random
    with np.errstate(divide="ignore", invalid="ignore"):
        return quantities, covariance / product


# --------------------------------------------------------------------------------------------------
# Step 5: reasons to doubt a sample, from its inputs, its neighbours and its two volumes.


def _copies(reason: int | xr.DataArray) -> Numbers:
    """Rows that are exact copies of others."""
    return (reason & flags.bit("exact_copy")) != 0


def _reasons(
    wet: Numbers,
    dry: Numbers,
    volumes: dict[str, Numbers],
    quantities: dict[str, Measured],
    threshold: float,
    copied: Numbers,
) -> Numbers:
    """Reasons to doubt a sample from its inputs and from its neighbours.

    A sample that is ``copied`` from another row is no neighbour of others.
    """
    impossible = (wet <= 0) | (dry <= 0) | (dry > wet)
    for volume in volumes.values():
        impossible = impossible | (volume <= 0)
    if not hasattr(impossible, "dims"):
        copied = np.asarray(copied)
    # Zero or less: the salt or the pores take up more than the volume of the sample.
    for name in ("grain_density", "void_ratio"):
        impossible = impossible | (quantities[name].values <= 0)
    reason = bits(impossible, "inconsistent_masses")
    for name, word, floor in (
        ("grain_density", "grain_density_outlier", outliers.GRAIN_DENSITY_FLOOR),
        ("porosity", "outlier_among_samples", outliers.POROSITY_FLOOR),
    ):
        values = quantities[name].values
        depth = values.coords["depth"].values if "depth" in getattr(values, "coords", {}) else None
        dims = list(getattr(values, "dims", ()))
        far = xr.apply_ufunc(
            outliers.far_from_neighbours,
            values,
            np.logical_not(impossible | copied),
            kwargs={"depth": depth, "floor": floor, "threshold": threshold},
            input_core_dims=[dims, dims],
            output_core_dims=[dims],
            dask="parallelized",
            output_dtypes=[bool],
            dask_gufunc_kwargs={"allow_rechunk": True},
        )
        reason = reason | bits(far, word)
    return reason


def _compare_volumes(
    wet: Numbers,
    dry: Numbers,
    volumes: dict[str, Numbers],
    quantities: dict[str, Measured],
    fluid: tuple[Numbers, Numbers, Numbers],
    route: str,
) -> tuple[Numbers, Numbers]:
    """Saturation of the pores of the wet volume, and reasons where the two volumes disagree."""
    salinity, water_density, salt_density = fluid
    water = (wet - dry) / (1.0 - salinity)
    grains = volumes["dry_volume"] - water * salinity / salt_density
    saturation = water / water_density / (volumes["wet_volume"] - grains)
    low, high = vocabulary.term("saturation").usual
    # The route "calliper" is for samples with gas in their pores, so a low saturation is expected;
    # more water than pore volume is an error by every route.
    if route == "calliper":
        return saturation, bits(saturation > high, "unlikely_saturation")
    doubt = bits((saturation < low) | (saturation > high), "unlikely_saturation")
    ratio = wet / volumes["wet_volume"] / quantities["bulk_density"].values
    return saturation, doubt | bits(abs(ratio - 1.0) > _VOLUMES_DISAGREE, "repeats_disagree")


# --------------------------------------------------------------------------------------------------
# Step 6: the result.


def _in_words(
    route: str,
    method: str | Sequence[str] | xr.DataArray | None,
    container_mass: Dimensional | None,
    container_volume: Dimensional | None,
) -> str:
    """Description of what was measured, in full words instead of code letters."""
    words = {
        "dry_volume": "masses wet and dry, volume of the dried sample; pores as the water lost",
        "wet_volume": "masses wet and dry, volume of the wet sample; pores assumed full",
        "calliper": "masses wet and dry, volume of the sample by calliper, grains by the volume of "
        "the dried sample; pores need not be full",
    }
    found = words[route]
    if method is not None:
        texts = np.ravel(method.values if hasattr(method, "dims") else np.asarray(method, object))
        named = [text for text in dict.fromkeys(map(str, texts)) if text]
        found += f"; wet volume by {', '.join(named)}" if named else ""
    taken = [
        n for n, c in (("mass", container_mass), ("volume", container_volume)) if c is not None
    ]
    return found + (f"; container subtracted from {' and '.join(taken)}" if taken else "")


def _attach(values: Numbers, like: xr.DataArray, words: str) -> xr.DataArray:
    """Values without a unit at the positions of ``like``."""
    if isinstance(values, xr.DataArray):
        return values.rename(None).assign_attrs(units="1", long_name=words)
    array = np.broadcast_to(np.asarray(values, dtype=float), like.shape)
    placed = like.copy(deep=False, data=array.copy())
    placed.attrs = {"units": "1", "long_name": words}
    return placed


# --------------------------------------------------------------------------------------------------
# Published tables without masses.


def phase_relations_from_water_content(
    water_content_wet: Fraction,
    grain_density: Dimensional,
    *,
    pore_water_density: Dimensional = _C["pore_water_density"],
) -> xr.Dataset:
    """Properties of a saturated sample from its water content and grain density.

    Parameters
    ----------
    water_content_wet : float, DataArray or Quantity
        Mass of pore water over wet mass [1].
    grain_density : DataArray, Quantity or str
        Grain density [g/cm^3].
    pore_water_density : Quantity, DataArray, str or Constant
        Density of the pore water [g/cm^3].

    Returns
    -------
    Dataset
        The quantities of :func:`phase_relations`, densities in g/cm^3. Their uncertainties are
        NaN, since a printed table does not give those of its inputs.

    Raises
    ------
    PositionError
        When the series have different positions.

    Notes
    -----
    Per gram of wet sample: Vpw = w/rho_pw, Vs = (1 - w)/rho_g; definition of the phases, for
    published tables that print no masses.
    """
    w, grain, fluid = series.at_same_positions(
        water_content_wet=fraction(water_content_wet, "water_content_wet"),
        grain_density=units.as_floats(grain_density, "g/cm^3", "grain_density"),
        pore_water_density=units.as_floats(pore_water_density, "g/cm^3", "pore_water_density"),
    )
    pores, grains = w / fluid, (1.0 - w) / grain
    total = pores + grains
    found = (
        1.0 / total,
        (1.0 - w) / total,
        grain + 0.0 * total,
        pores / total,
        pores / grains,
        w + 0.0 * total,
        w / (1.0 - w),
    )
    return series.build(
        {name: Measured(value) for name, value in zip(PROPERTIES, found, strict=True)},
        steps=("phases per gram of wet sample from water content and grain density",),
        constants={"pore_water_density": pore_water_density},
    )
