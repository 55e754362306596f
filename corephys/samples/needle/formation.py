"""Conductivity of the formation from that of a core: in-situ conditions, direction, bounds."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from corephys.ground import (
    companions,
    constants,
    flags,
    mixing,
    provenance,
    series,
    thresholds,
    units,
)
from corephys.ground.arguments import positive
from corephys.ground.choices import choice_column, choices
from corephys.ground.provenance import constants_attribute
from corephys.uncertainty import Measured, combine, given_uncertainty, norm, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Measurement, Numbers, Scalar, WithUnit

__all__ = ["formation_conductivity", "in_situ", "mixing_bounds"]

# --------------------------------------------------------------------------------------------------
# In-situ correction: pressure and temperature in the formation.


_C = constants.CONSTANTS
_T = thresholds.DEFAULTS
_DOUBT = (
    "the formula is from memory and does not reproduce one of two published uses: where 1.1 per "
    "cent is reported it gives about 2.5 per cent"
)


def in_situ(
    conductivity: Measurement | str,
    water_depth: Scalar,
    depth: Dimensional | None,
    temperature: Dimensional,
    laboratory_temperature: Dimensional,
    density: Measurement | str,
    *,
    temperature_uncertainty: Scalar | None = None,
    laboratory_temperature_uncertainty: Scalar | None = None,
    density_uncertainty: Scalar | None = None,
    form_uncertainty: Fraction = _T["in_situ_form_uncertainty"],
    water_per_cent: Scalar = _C["conductivity_water_per_cent"],
    warming_per_cent: Scalar = _C["conductivity_warming_per_cent"],
) -> xr.Dataset:
    """Correct conductivities to the pressure and temperature in the formation.

    Parameters
    ----------
    conductivity : Dataset, DataArray or str
        ``thermal_conductivity`` as measured [W/(m K)].
    water_depth : Quantity or str
        Depth of the seafloor below sea level [m].
    depth : Quantity, DataArray, str or None
        Depth below seafloor [m]; None uses the coordinate ``depth`` of the conductivities.
    temperature, laboratory_temperature : Quantity, DataArray or str
        Temperature in the formation, and of the core during the measurement [degC].
    density : Dataset, Quantity, DataArray or str
        ``bulk_density`` of the sediment, mean from the seafloor to the depth [g/cm^3].
    temperature_uncertainty, laboratory_temperature_uncertainty : Quantity or str, optional
        Systematic uncertainties [K]: effects ``in_situ_temperature`` and
        ``laboratory_temperature``. NaN if not given.
    density_uncertainty : Quantity or str, optional
        Systematic uncertainty of a density that is not a Dataset [g/cm^3]; NaN if not given.
    form_uncertainty : Quantity or str
        Relative uncertainty of the complete correction: effect ``in_situ_form``.
    water_per_cent, warming_per_cent : Quantity, str or Constant
        Depth of water [m], and warming [K], that raise the conductivity by one per cent.

    Returns
    -------
    Dataset
        ``thermal_conductivity`` as given, and ``thermal_conductivity_in_situ`` [W/(m K)] with the
        attributes ``status`` and ``comment``.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When no depth is given and the conductivities have none, or a water depth is negative.

    Notes
    -----
    k_is = k [1 + (z_w + rho z) / (1829 m 100) + (T - T_lab) / (4 K 100)], rho in g/cm^3 as the
    weight of sediment over that of water: Hyndman, Erickson and Von Herzen (1974), from memory.
    The formula does not reproduce one published use of it: where the values in situ are reported
    as 1.1 % below those of the laboratory, it gives about 2.5 %. For another use, 2.2 %, it gives
    2.1 %. Hence ``form_uncertainty``. The uncorrected values stay beside the corrected ones.
    """
    measured = series.unpack(conductivity, "thermal_conductivity")
    heavy = series.unpack(density, "bulk_density")
    if not isinstance(density, xr.Dataset):
        u = given_uncertainty(density_uncertainty, "g/cm^3", "density_uncertainty", density)
        heavy = Measured(heavy.values, 0.0, {"density": u})
    below = _depth(depth, measured.values)
    series.require_same_positions(
        conductivity=measured.values,
        depth=below,
        density=heavy.values,
        temperature=temperature,
        laboratory_temperature=laboratory_temperature,
    )
    sea = units.as_floats(water_depth, "m", "water_depth")
    if np.any(np.asarray(sea) < 0):
        raise ValueError(
            f"water_depth is {np.min(sea):g} m; give the depth below sea level, positive downward"
        )
    per_water = 100.0 * units.as_floats(water_per_cent, "m", "water_per_cent")
    per_kelvin = 100.0 * units.as_floats(warming_per_cent, "K", "warming_per_cent", difference=True)
    warm = without_coords(units.as_floats(temperature, "degC", "temperature")) - without_coords(
        units.as_floats(laboratory_temperature, "degC", "laboratory_temperature")
    )
    k, z = without_coords(measured.values), without_coords(below)
    factor = (
        1.0
        + (without_coords(sea) + without_coords(heavy.values) * z) / per_water
        + warm / per_kelvin
    )
    values = measured.values * factor
    u_in_situ = given_uncertainty(temperature_uncertainty, "K", "temperature_uncertainty")
    u_laboratory = given_uncertainty(
        laboratory_temperature_uncertainty, "K", "laboratory_temperature_uncertainty"
    )
    doubt = given_uncertainty(form_uncertainty, "1", "form_uncertainty")
    random, effects = combine(
        [
            (factor, measured),
            (k * z / per_water, heavy),
            (k / per_kelvin, Measured(0.0, 0.0, {"in_situ_temperature": u_in_situ})),
            (-k / per_kelvin, Measured(0.0, 0.0, {"laboratory_temperature": u_laboratory})),
            (k * (factor - 1.0), Measured(0.0, 0.0, {"in_situ_form": doubt})),
        ]
    )
    reason = series.joined_reasons(without_coords(measured.reason), _bad(heavy))
    return _result(
        conductivity,
        measured,
        Measured(values, random, effects, reason),
        {
            "water_depth": water_depth,
            "density": density,
            "water_per_cent": water_per_cent,
            "warming_per_cent": warming_per_cent,
            "form_uncertainty": form_uncertainty,
        },
    )


def _depth(depth: Dimensional | None, values: Numbers) -> Numbers:
    """Depth below seafloor [m], given or from the coordinate of the conductivities."""
    if depth is not None:
        return units.as_floats(depth, "m", "depth")
    if not isinstance(values, xr.DataArray) or "depth" not in values.coords:
        raise ValueError(
            "depth is None, and the conductivities have no coordinate depth; give depth="
        )
    return units.as_floats(values["depth"], "m", "depth")


def _bad(density: Measured) -> int | np.ndarray:
    """Reason ``input_bad`` where the density is bad or missing."""
    level = flags.from_reason(np.asarray(without_coords(density.reason)))
    return np.where(np.isin(level, (flags.BAD, flags.MISSING)), flags.bit("input_bad"), 0)[()]


def _result(
    given: Measurement | str, measured: Measured, found: Measured, numbers: dict[str, object]
) -> xr.Dataset:
    """Conductivities as given and in situ, with the steps of the given Dataset."""
    attributes = given.attrs if isinstance(given, xr.Dataset) else {}
    steps = json.loads(attributes.get("steps", "[]"))
    dataset = series.build(
        {"thermal_conductivity": measured, "thermal_conductivity_in_situ": found},
        steps=(
            *steps,
            "in situ, k [1 + (z_w + rho z) / 1829 m % + (T - T_lab) / 4 K %], from memory",
        ),
        constants={**provenance.used_constants(attributes), **numbers},
    )
    dataset["thermal_conductivity_in_situ"].attrs.update(status="memory", comment=_DOUBT)
    return dataset


# --------------------------------------------------------------------------------------------------
# Conductivity of the formation for vertical heat flow.
#
# A needle measures the conductivity across itself, in a core at room temperature and pressure. Heat
# flows upward through sediment that is colder, under pressure and layered. Each difference is
# either corrected, or included as an effect of its size.


_NAME = "thermal_conductivity"
POWERS = {"across": 0.5, "along": 1.0}  # measured conductivity = k_v (k_h / k_v)^power
CORRECTIONS = ("anisotropy", "in_situ")


def formation_conductivity(
    conductivity: xr.Dataset,
    *,
    anisotropy: Fraction = _C["conductivity_anisotropy"],
    anisotropy_uncertainty: Fraction | None = None,
    in_situ: xr.Dataset | None = None,
    corrections: tuple[str, ...] = (),
) -> xr.Dataset:
    """Conductivities of the formation for vertical heat flow, with or without corrections.

    Parameters
    ----------
    conductivity : Dataset, (reading)
        ``thermal_conductivity`` as measured [W/(m K)], with the coordinate ``direction`` of the
        needle: along the core, or across it.
    anisotropy : Quantity, str, DataArray or Constant
        Horizontal over vertical conductivity of the sediment [1].
    anisotropy_uncertainty : Quantity or str, optional
        Systematic standard uncertainty of that ratio [1]. If not given, that of a Constant,
        otherwise NaN.
    in_situ : Dataset, (reading), optional
        Result of :func:`~corephys.samples.needle.in_situ` for the same conductivities. Without it
        the effect ``in_situ_conductivity`` is NaN.
    corrections : tuple of str
        Corrections to apply, of ``"anisotropy"`` and ``"in_situ"``; none by default.

    Returns
    -------
    Dataset, (reading)
        ``thermal_conductivity`` [W/(m K)] with the effects ``conductivity_anisotropy`` and
        ``in_situ_conductivity``; other variables are kept. Where a correction is applied
        ``thermal_conductivity_uncorrected`` [W/(m K)] holds the values as measured, and the effects
        are those that the corrections leave: that of the ratio, and those of ``in_situ``.

    Raises
    ------
    PositionError
        When the two Datasets have different positions.
    ValueError
        For a ratio that is not positive, an unknown correction or direction, or a correction
        without direction or ``in_situ``.

    Notes
    -----
    A needle measures the root of the product of the conductivities in the plane across it (Carslaw
    and Jaeger 1959, section 1.17): across the core k = k_v r^(1/2), along it k = k_h = k_v r, with
    r = k_h / k_v and horizontal bedding. A correction that is not applied is an effect of the size
    sqrt(c^2 + u_c^2), c the correction and u_c its uncertainty (JCGM 100:2008, F.2.4.5), with the
    sign of c.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from corephys import uncertainty
    >>> from corephys.ground import series
    >>> where = {"direction": ("reading", np.array(["across", "along"], dtype=object))}
    >>> k = xr.DataArray([1.1, 1.1], dims="reading", coords=where)
    >>> runs = series.build({"thermal_conductivity": uncertainty.Measured(k, 0.01)})
    >>> found = formation_conductivity(runs, anisotropy="1.21 1", corrections=("anisotropy",))
    >>> found["thermal_conductivity"].values.round(6).tolist()
    [1.0, 0.909091]
    """
    corrections = choices(corrections, CORRECTIONS, "corrections")
    if "in_situ" in corrections and in_situ is None:
        raise ValueError(
            "the correction 'in_situ' needs in_situ=; give the result of needle.in_situ"
        )
    conductivity = companions.library_units(conductivity)
    measured = series.unpack(conductivity, _NAME)
    k = np.asarray(without_coords(measured.values), dtype=float)
    turned, doubt = _anisotropy(conductivity, anisotropy, anisotropy_uncertainty, corrections)
    moved, by_source = _in_situ(conductivity, in_situ, k)
    factor = np.ones(k.shape)
    effects: dict[str, Numbers] = {}
    if "anisotropy" in corrections:
        factor = factor * turned
        effects["conductivity_anisotropy"] = -doubt
    else:
        effects["conductivity_anisotropy"] = _left_out(turned - 1.0, turned * doubt, -1.0)
    if "in_situ" in corrections:
        factor = factor * moved
        effects.update({source: effect / moved for source, effect in by_source.items()})
    else:
        left = norm(by_source) if by_source else np.where(np.isfinite(moved), 0.0, np.nan)
        effects["in_situ_conductivity"] = _left_out(moved - 1.0, left, 1.0)
    scaled = {
        source: without_coords(effect) * factor for source, effect in measured.effects.items()
    }
    for source, effect in effects.items():
        scaled[source] = scaled.get(source, 0.0) + k * factor * effect
    found = Measured(
        measured.values * factor,
        without_coords(measured.u_random) * factor,
        scaled,
        measured.reason,
    )
    used = {} if in_situ is None else provenance.used_constants(in_situ)
    used = {**used, "anisotropy": (anisotropy, anisotropy_uncertainty)}
    return _result_formation(conductivity, found, corrections, used)


def _anisotropy(
    conductivity: xr.Dataset, ratio: Fraction, given: Fraction | None, corrections: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Vertical over measured conductivity, and its relative standard uncertainty."""
    r = without_coords(positive(ratio, "1", "anisotropy"))
    u = given_uncertainty(given, "1", "anisotropy_uncertainty", ratio)
    words = np.full(conductivity[_NAME].shape, "")
    if "direction" in conductivity.coords:
        words = choice_column(conductivity["direction"].values, (*POWERS, ""), "direction")
    if "anisotropy" in corrections and "" in words:
        raise ValueError(
            f"{int((words == '').sum())} of {words.size} conductivities have no direction (along "
            "or across), which the correction for anisotropy needs; add it, or leave the "
            "correction out"
        )
    power = np.array([POWERS.get(word, np.nan) for word in words])
    r = np.asarray(r, dtype=float)
    return r**-power, power * np.asarray(u, dtype=float) / r


def _in_situ(
    conductivity: xr.Dataset, in_situ: xr.Dataset | None, k: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """In-situ over measured conductivity, and the relative effects of the in-situ correction."""
    if in_situ is None:
        return np.full(k.shape, np.nan), {}
    series.require_same_positions(conductivity=conductivity, in_situ=in_situ)
    found = series.unpack(in_situ, f"{_NAME}_in_situ")
    own = series.unpack(in_situ, _NAME)
    moved = np.asarray(found.values, dtype=float) / k
    step = {}
    for source, effect in found.effects.items():
        carried = np.asarray(own.effects.get(source, 0.0)) * moved
        left = (np.asarray(effect) - carried) / k
        if source not in own.effects or np.nanmax(np.abs(left), initial=0.0) > 1e-12:
            step[source] = left
    return moved, step


def _left_out(change: np.ndarray, uncertainty: np.ndarray, sign: float) -> np.ndarray:
    """Relative effect of a correction that is not applied; ``sign`` for a correction of zero."""
    return np.where(change == 0.0, sign, np.sign(change)) * np.hypot(change, uncertainty)


def _result_formation(
    given: xr.Dataset, found: Measured, corrections: tuple[str, ...], used: dict[str, object]
) -> xr.Dataset:
    """Conductivities of the formation, with the uncorrected ones and all other variables."""
    words = {
        "anisotropy": "to vertical, k / r^(1/2) across the core and k / r along it "
        "(Carslaw and Jaeger 1959)",
        "in_situ": "to pressure and temperature in situ",
    }
    old = json.loads(given.attrs.get("steps", "[]"))
    others = {k: v for k, v in given.attrs.items() if k not in ("steps", "constants")}
    dataset = series.build(
        {_NAME: found},
        steps=(*old, *(words[name] for name in corrections)),
        constants={**provenance.used_constants(given), **used},
        **{**others, "corrections": ", ".join(corrections) or "none"},
    )
    if corrections:
        before = given[_NAME].variable.copy(deep=False)
        before.attrs = {"units": "W/(m K)", "long_name": "thermal conductivity as measured"}
        dataset[f"{_NAME}_uncorrected"] = before
    own = (
        _NAME,
        *(f"{_NAME}_{part}" for part in ("u_random", "u_systematic", "effects", "flag", "reason")),
    )
    kept = {n: v.variable for n, v in given.data_vars.items() if n not in own}
    return dataset.assign({n: v for n, v in kept.items() if "source" not in v.dims})


# --------------------------------------------------------------------------------------------------
# Bounds of the conductivity of a mixture of grains and water.


CERTAIN = thresholds.value("mixing_bound_errors")


def mixing_bounds(
    porosity: Measurement | str,
    grain_conductivity: Dimensional = _C["grain_conductivity"],
    water_conductivity: Dimensional = _C["water_conductivity"],
    *,
    measured: Measurement | str | None = None,
) -> xr.Dataset:
    """Bounds of the conductivity of a saturated sediment, and measurements outside of them.

    Parameters
    ----------
    porosity : Dataset, Quantity, DataArray or str
        Porosity, a fraction.
    grain_conductivity, water_conductivity : Quantity, str, DataArray or Constant
        Conductivities of grains and water [W/(m K)].
    measured : Dataset, DataArray or str, optional
        Measured ``thermal_conductivity`` [W/(m K)] at the same positions.

    Returns
    -------
    Dataset
        ``harmonic_mean``, ``geometric_mean``, ``arithmetic_mean``, ``isotropic_lower`` and
        ``isotropic_upper`` [W/(m K)]; their attribute ``bound`` names the side that they bound.
        With ``measured`` also ``outside`` [1]: -1 below the harmonic mean, 1 above the arithmetic
        mean, 0 between them; and ``outside_for_certain`` (bool), by two random standard
        uncertainties, false where these are NaN.

    Raises
    ------
    PositionError
        When the series have different positions.
    ValueError
        When a porosity is not a fraction.

    Notes
    -----
    Woodside and Messmer (1961), Journal of Applied Physics 32, 1688: layers across the flow,
    geometric mean, layers along it. Hashin and Shtrikman (1962), from memory, for an isotropic
    mixture. For a value outside the bounds porosity, grains or conductivity are wrong, or the
    pores hold gas.
    """
    phi = series.unpack(porosity, "porosity").values
    numbers = np.asarray(without_coords(phi), dtype=float)
    if np.any((numbers < 0.0) | (numbers > 1.0)):
        raise ValueError(
            f"porosity lies between {np.nanmin(numbers):g} and {np.nanmax(numbers):g}; it must be "
            "a fraction from 0 to 1"
        )
    known = None if measured is None else series.unpack(measured, "thermal_conductivity")
    series.require_same_positions(
        porosity=phi,
        grain_conductivity=grain_conductivity,
        water_conductivity=water_conductivity,
        measured=known and known.values,
    )
    phi, *phases = series.at_same_positions(
        porosity=phi,
        water_conductivity=units.as_floats(water_conductivity, "W/(m K)", "water_conductivity"),
        grain_conductivity=units.as_floats(grain_conductivity, "W/(m K)", "grain_conductivity"),
    )
    water, grain = (_with_unit(part, "W/(m K)") for part in phases)
    holes, solids = _with_unit(phi, "1"), _with_unit(1.0 - phi, "1")
    lower, upper = mixing.hashin_shtrikman_conductivity(holes, grain, water)
    phases = [water, grain]
    laws = {
        "harmonic_mean": (mixing.harmonic_mean((holes, solids), phases), "lower"),
        "geometric_mean": (mixing.geometric_mean((holes, solids), phases), "neither"),
        "arithmetic_mean": (mixing.arithmetic_mean((holes, solids), phases), "upper"),
        "isotropic_lower": (lower, "lower, for an isotropic mixture"),
        "isotropic_upper": (upper, "upper, for an isotropic mixture"),
    }
    parts = {}
    for name, (values, side) in laws.items():
        # Numbers without a dimension of their own lie along that of the measured ones.
        if isinstance(values, xr.DataArray):
            array = values
        else:
            dims = ("reading",) * np.ndim(values.magnitude)
            array = xr.DataArray(values.magnitude, dims=dims)
        words = f"thermal conductivity, {name.replace('_', ' ')} of grains and water"
        parts[name] = array.assign_attrs(units="W/(m K)", long_name=words, bound=side)
    used = {"grain_conductivity": grain_conductivity, "water_conductivity": water_conductivity}
    found = xr.Dataset(parts, attrs={"constants": constants_attribute(used)})
    if known is not None:
        _judge(found, known)
    return found


def _with_unit(values: Numbers, unit: str) -> WithUnit:
    """Floats as a DataArray or Quantity with a unit, for the mixing laws."""
    if isinstance(values, xr.DataArray):
        return values.assign_attrs(units=unit)
    return units.quantity(values, unit)


def _judge(found: xr.Dataset, known: Measured) -> None:
    """Add on which side of the bounds the measured values lie."""
    k, u = without_coords(known.values), without_coords(known.u_random)
    low, high = found["harmonic_mean"].variable, found["arithmetic_mean"].variable
    below, above = k < low, k > high
    certain = (k < low - CERTAIN * u) | (k > high + CERTAIN * u)
    for name, values, words in (
        (
            "outside",
            above.astype(np.int8) - below.astype(np.int8),
            "side on which the measured conductivity lies outside of the bounds",
        ),
        (
            "outside_for_certain",
            certain,
            "outside by two standard uncertainties",
        ),
    ):
        found[name] = values
        found[name].attrs = {"long_name": words}
    found["outside"].attrs["units"] = "1"
