"""Models of velocity against porosity side by side, and velocities outside the elastic bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import constants, flags, mixing, provenance, series, thresholds
from corephys.ground.cards import RESEARCH_ONLY
from corephys.ground.choices import choices
from corephys.products.elastic.fluids import gassmann_kernel
from corephys.products.elastic.frames import soft_sand_kernel, stiff_sand_kernel
from corephys.products.elastic.minerals import (
    Fluid,
    Mineral,
    as_material,
    phase_arguments,
)
from corephys.products.elastic.propagation import (
    Argument,
    fraction,
    material_property,
    measured_inputs,
    propagated,
    reading,
)
from corephys.products.elastic.velocities import bounds_kernel, raymer_kernel, wyllie_kernel
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Fraction, Measurement, Scalar
    from corephys.products.elastic.propagation import Uncertainties

__all__ = ["MEANINGS", "MODELS", "bounds_check", "porosity_from_velocity", "velocity_models"]

# --------------------------------------------------------------------------------------------------
# Models of velocity against porosity side by side, and porosity from velocity by each of them.


# Kernels take the inputs by these names: k_m, g_m, rho_m of the mineral and k_f, rho_f of the
# fluid [GPa, g/cm^3], pressure [GPa], critical porosity and contacts [1].
_Inputs = Mapping[str, np.ndarray]
_C = constants.CONSTANTS
# Model -> its description, which stands in results and figures.
MODELS = {
    "suspension": "grains in suspension (Wood 1941): the lower bound",
    "time_average": "time average (Wyllie, Gregory and Gardner 1956)",
    "raymer": "three branches of Raymer, Hunt and Gardner (1980)",
    "critical_porosity": "frame to zero at the critical porosity (Nur et al. 1998), Gassmann",
    "krief": "frame by a power of the solid fraction (Krief et al. 1990), Gassmann",
    "soft_sand": "pack without cement (Dvorkin et al. 1999), Gassmann",
    "stiff_sand": "pack with the first cement (upper form), Gassmann",
    "upper_bound": "Hashin-Shtrikman upper bound",
}
_BOUNDS = ("suspension", "upper_bound")
_UNDER_PRESSURE = ("soft_sand", "stiff_sand")
_GRID = 201  # porosities of the curve on which the lowest velocity is found
_HALVINGS = 45  # of an interval of at most one: to 3e-14, below any uncertainty of a porosity


def _saturated(
    porosity: np.ndarray, frame: tuple[np.ndarray, np.ndarray], p: _Inputs
) -> np.ndarray:
    """Velocity [m/s] of a frame saturated by Gassmann (1951)."""
    k = gassmann_kernel(frame[0], porosity, p["k_m"], p["k_f"])
    return 1e3 * np.sqrt((k + 4.0 / 3.0 * frame[1]) / _density(porosity, p))


def _density(porosity: np.ndarray, p: _Inputs) -> np.ndarray:
    """Bulk density [g/cm^3] of a saturated sediment."""
    return porosity * p["rho_f"] + (1.0 - porosity) * p["rho_m"]


def _time_average(model: str, phi: np.ndarray, p: _Inputs) -> np.ndarray:
    """Velocity [m/s] by a time average, with the velocities of grains and fluid."""
    v_m = 1e3 * np.sqrt((p["k_m"] + 4.0 / 3.0 * p["g_m"]) / p["rho_m"])
    v_f = 1e3 * np.sqrt(p["k_f"] / p["rho_f"])
    if model == "raymer":
        return raymer_kernel(phi, v_f, v_m, p["rho_f"], p["rho_m"])
    return wyllie_kernel(phi, v_f, v_m)


def _velocity(model: str, phi: np.ndarray, p: _Inputs) -> np.ndarray:
    """Velocity [m/s] of one model."""
    if model == "suspension":
        return mixing.wood_kernel(phi, p["k_f"], p["k_m"], p["rho_f"], p["rho_m"])
    if model == "upper_bound":
        phases = (p["k_m"], p["g_m"], p["rho_m"], p["k_f"], p["rho_f"])
        return bounds_kernel(phi, *phases)[1]
    if model in ("time_average", "raymer"):
        return _time_average(model, phi, p)
    if model in _UNDER_PRESSURE:
        kernel = soft_sand_kernel if model == "soft_sand" else stiff_sand_kernel
        pack = {key: p[key] for key in ("pressure", "critical", "contacts")}
        frame = kernel(phi, p["k_m"], p["g_m"], adhesion=1.0, **pack)
        return _saturated(phi, frame, p)
    if model == "krief":
        left = np.where(phi < 1.0, np.exp(3.0 * np.log1p(-phi) / (1.0 - phi)), 0.0)
    else:
        left = np.maximum(1.0 - phi / p["critical"], 0.0)
    return _saturated(phi, (p["k_m"] * left, p["g_m"] * left), p)


def _chosen(models: Sequence[str] | None, pressure: object) -> tuple[str, ...]:
    """Models to compute: without a list all, less those that need a pressure if none is given."""
    if models is None:
        return tuple(m for m in MODELS if pressure is not None or m not in _UNDER_PRESSURE)
    chosen = choices(models, MODELS, "models")
    for model in chosen:
        if model in _UNDER_PRESSURE and pressure is None:
            raise ValueError(f"the model {model!r} needs an effective_pressure; give it")
    return chosen


def _arguments(
    mineral: Mineral,
    fluid: Fluid,
    pressure: Measurement | str | None,
    critical: Scalar | float,
    contacts: Scalar | float,
) -> dict[str, Argument]:
    """Arguments that all models share; those of packs only with a pressure."""
    found = phase_arguments(mineral, fluid)
    found["critical"] = material_property(critical, "1", "critical")
    if pressure is not None:
        found["contacts"] = material_property(contacts, "1", "contacts")
        found["pressure"] = material_property(
            pressure, "GPa", "effective_pressure", held="vertical_effective_stress"
        )
    return found


def velocity_models(
    porosity: Fraction | xr.Dataset,
    *,
    mineral: Mineral,
    fluid: Fluid,
    effective_pressure: Measurement | str | None = None,
    critical: Scalar | float = _C["critical_porosity"],
    contacts: Scalar | float = _C["contacts"],
    models: Sequence[str] | None = None,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """P-wave velocity of a saturated sediment by several models.

    Parameters
    ----------
    porosity : Dataset, DataArray, Quantity or str
        Fraction of the volume [1], measured or a row of values for curves.
    mineral, fluid : Material or str
        Material or its name; a fluid may be the Dataset of :func:`brine`.
    effective_pressure : Quantity, DataArray, Dataset or str, optional
        Effective pressure on the grains [GPa]; without it the models of packs are left out.
    critical, contacts : Constant, Quantity or str
        Porosity at which grains lose contact [1] and number of contacts of a grain in a pack [1].
    models : sequence of str, optional
        Keys of :data:`MODELS`; all models if not given.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``porosity``, ``critical``, ``contacts`` [1],
        ``mineral_bulk_modulus``, ``effective_pressure`` [GPa], ``mineral_density`` [g/cm^3] ...

    Returns
    -------
    Dataset
        ``p_wave_velocity`` (model, ...) [m/s] with the uncertainties of the inputs. They do not
        include the error of a model; the distance between models is a better measure of it.

    Raises
    ------
    ValueError
        For an unknown model, or one of a pack without ``effective_pressure``.

    Notes
    -----
    :data:`MODELS` names the sources; frames are saturated by Gassmann (1951). Linear propagation
    with slopes by central differences (JCGM 100:2008, 5.1).
    """
    chosen = _chosen(models, effective_pressure)
    arguments = {
        "porosity": fraction(porosity, "porosity"),
        **_arguments(mineral, fluid, effective_pressure, critical, contacts),
    }

    def kernel(porosity: np.ndarray, **parts: np.ndarray) -> tuple[np.ndarray, ...]:
        return tuple(_velocity(model, porosity, parts) for model in chosen)

    found = propagated(kernel, chosen, measured_inputs(arguments, uncertainties))
    extra: dict[str, Any] = {} if effective_pressure is None else {"safety": RESEARCH_ONLY}
    dataset = series.build(
        {"p_wave_velocity": _stacked([found[model] for model in chosen])},
        steps=tuple(MODELS[model] for model in chosen),
        **extra,
    )
    dataset["model"] = ("model", np.array(chosen, dtype=object), {"long_name": "model"})
    return dataset.set_coords("model")


def _stacked(parts: Sequence[Measured]) -> Measured:
    """Several results stacked along a first dimension ``model``."""
    first, first_used = parts[0].values, parts[0].used
    dims = getattr(first, "dims", ("reading",) * np.ndim(first))
    shape = np.shape(first)

    def stack(pieces: Sequence[Any]) -> np.ndarray:
        return np.stack(
            [np.broadcast_to(np.asarray(piece, dtype=float), shape) for piece in pieces]
        )

    values = xr.DataArray(stack([part.values for part in parts]), dims=("model", *dims))
    if isinstance(first, xr.DataArray):
        values = values.assign_coords({key: c.variable for key, c in first.coords.items()})
    # In order of appearance, not a set: a sum in another order would differ in its last bit.
    sources = dict.fromkeys(source for part in parts for source in part.effects)
    effects = {
        source: xr.Variable(values.dims, stack([part.effects.get(source, 0.0) for part in parts]))
        for source in sources
    }
    reason = np.stack([np.broadcast_to(np.asarray(without_coords(p.reason)), shape) for p in parts])
    return Measured(
        values,
        xr.Variable(values.dims, stack([part.u_random for part in parts])),
        effects,
        xr.Variable(values.dims, reason.astype(np.int64)),
        first_used,
    )


def porosity_from_velocity(
    p_wave_velocity: Measurement | str,
    *,
    mineral: Mineral,
    fluid: Fluid,
    effective_pressure: Measurement | str | None = None,
    critical: Scalar | float = _C["critical_porosity"],
    contacts: Scalar | float = _C["contacts"],
    models: Sequence[str] | None = None,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Porosity from velocity by each model, side by side.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        P-wave velocity [m/s].
    mineral, fluid, effective_pressure, critical, contacts, models, uncertainties
        Same as in :func:`velocity_models` [GPa], [g/cm^3], [1], with ``p_wave_velocity`` [m/s].

    Returns
    -------
    Dataset
        ``porosity_by_model`` and ``porosity_by_model_u`` (model, reading) [1]; over the models
        that are not bounds ``lowest_porosity``, ``highest_porosity`` and ``porosity_spread`` [1].
        NaN where no porosity of a model has the velocity: above that of its mineral, or below the
        lowest velocity of the model.

    Raises
    ------
    ValueError
        Same as in :func:`velocity_models`, and for a velocity of zero.

    Notes
    -----
    The models of :func:`velocity_models` solved for porosity by bisection, definition of the
    inverse. Velocity falls with porosity to a minimum and rises again towards that of water; the
    porosity is the one on the falling side. Near the minimum, at porosities of 0.6 to 0.9,
    velocity hardly depends on porosity, and the uncertainty is large. The spread between models
    shows how much the unknown structure of the sediment matters: quote it.
    """
    chosen = _chosen(models, effective_pressure)
    given = measured_inputs(
        {
            "speed": reading(p_wave_velocity, "p_wave_velocity"),
            **_arguments(mineral, fluid, effective_pressure, critical, contacts),
        },
        uncertainties,
    )
    speed = given.pop("speed")
    target = np.atleast_1d(np.asarray(speed.values, dtype=float))
    plain = {key: np.asarray(part.values, dtype=float) for key, part in given.items()}
    porosity = np.stack([_solved(model, target, plain) for model in chosen])
    spread = np.stack(
        [_solved_u(model, phi, speed, given) for model, phi in zip(chosen, porosity, strict=True)]
    )
    used = {key: record for part in given.values() for key, record in part.used.items()}
    found = _side_by_side(chosen, porosity, spread, speed.values)
    return found.assign_attrs(constants=provenance.constants_attribute(used))


def _solved(model: str, target: np.ndarray, p: _Inputs) -> np.ndarray:
    """Porosity at which a model has the velocity, on the side where velocity falls."""
    grid = np.linspace(0.0, 1.0, _GRID)
    with np.errstate(all="ignore"):
        # One curve for all readings, unless an input differs from reading to reading.
        wide = {key: part[..., None] if part.ndim else part for key, part in p.items()}
        curve = _velocity(model, grid, wide)
        shown = np.where(np.isfinite(curve), curve, np.inf)
        end = grid[np.argmin(shown, axis=-1)]
        low, high = np.zeros_like(target), end * np.ones_like(target)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            faster = _velocity(model, middle, p) > target
            low, high = np.where(faster, middle, low), np.where(faster, high, middle)
        inside = (target <= curve[..., 0]) & (target >= np.min(shown, axis=-1))
    return np.where(inside, 0.5 * (low + high), np.nan)


def _solved_u(
    model: str, phi: np.ndarray, speed: Measured, given: Mapping[str, Measured]
) -> np.ndarray:
    """Uncertainty of that porosity: of velocity and inputs, divided by the slope of the model."""

    def kernel(porosity: np.ndarray, **parts: np.ndarray) -> np.ndarray:
        return _velocity(model, porosity, parts)

    exact = Measured(xr.Variable("reading", phi), 0.0)
    inputs = {key: _flat(part) for key, part in given.items()}
    made = propagated(kernel, ("v",), {"porosity": exact, **inputs})["v"]
    known = _flat(speed)
    u_random, effects = uncertainty.combine([(1.0, known), (-1.0, made)])
    parts = [np.asarray(u_random, dtype=float) ** 2]
    if effects:
        parts.append(np.asarray(uncertainty.norm(effects), dtype=float) ** 2)
    step = 1e-5
    plain = {key: np.asarray(part.values, dtype=float) for key, part in given.items()}
    with np.errstate(all="ignore"):
        up, down = (_velocity(model, phi + sign * step, plain) for sign in (1.0, -1.0))
        slope = (up - down) / (2.0 * step)
        return np.broadcast_to(np.sqrt(sum(parts)) / np.abs(slope), phi.shape)


def _flat(part: Measured) -> Measured:
    """A measured value without coordinates, along ``reading``."""

    def flat(piece: Any) -> Any:
        array = np.asarray(without_coords(piece), dtype=float)
        return xr.Variable("reading", array.ravel()) if array.ndim else float(array)

    effects = {source: flat(effect) for source, effect in part.effects.items()}
    return Measured(flat(part.values), flat(part.u_random), effects)


def _side_by_side(
    chosen: tuple[str, ...], porosity: np.ndarray, spread: np.ndarray, like: Any
) -> xr.Dataset:
    """Porosities of all models, with their range over the models that are not bounds."""
    coords: dict[str, Any] = {
        "model": ("model", np.array(chosen, dtype=object), {"long_name": "model"})
    }
    if isinstance(like, xr.DataArray):
        coords.update({str(key): c.variable for key, c in like.coords.items()})
    inner = [place for place, model in enumerate(chosen) if model not in _BOUNDS]
    compared = porosity[inner] if inner else porosity
    known = np.isfinite(compared)
    low = np.where(known.any(axis=0), np.where(known, compared, np.inf).min(axis=0), np.nan)
    high = np.where(known.any(axis=0), np.where(known, compared, -np.inf).max(axis=0), np.nan)

    def part(values: np.ndarray, words: str) -> xr.Variable:
        dims = ("model", "reading") if values.ndim == 2 else ("reading",)
        return xr.Variable(dims, values, {"units": "1", "long_name": words})

    return xr.Dataset(
        {
            "porosity_by_model": part(porosity, "porosity from velocity by each model"),
            "porosity_by_model_u": part(
                spread, "standard uncertainty of porosity from velocity, by the inputs"
            ),
            "lowest_porosity": part(low, "lowest porosity of the models"),
            "highest_porosity": part(high, "highest porosity of the models"),
            "porosity_spread": part(high - low, "highest less lowest porosity of the models"),
        },
        coords=coords,
        attrs={"models": "; ".join(f"{model}: {MODELS[model]}" for model in chosen)},
    )


# --------------------------------------------------------------------------------------------------
# Velocities against the bounds of a mixture of grains and water at that porosity.


_T = thresholds.DEFAULTS
# Reason -> its usual causes.
MEANINGS = {
    "below_elastic_bounds": (
        "slower than grains in suspension: gas in the pores, cracks, a late pick, a porosity that "
        "is too low, or grains softer than the chosen mineral"
    ),
    "above_elastic_bounds": (
        "faster than any mixture of this mineral and water: a porosity that is too high, a mineral "
        "stiffer than the chosen one, such as a carbonate or pyrite nodule, or an early pick"
    ),
}
_UNKNOWN = thresholds.value("bound_unknown_velocity")


def bounds_check(
    p_wave_velocity: Measurement | str,
    porosity: Fraction | xr.Dataset,
    *,
    mineral: Mineral,
    fluid: Fluid,
    margin: float = _T["bound_margin"],
    soft_mineral: Mineral | None = None,
    uncertainties: Uncertainties = None,
) -> xr.Dataset:
    """Flag velocities outside the bounds of grains and fluid at their porosity.

    Parameters
    ----------
    p_wave_velocity : Dataset, DataArray, Quantity or str
        P-wave velocity [m/s]; a Dataset brings its uncertainties, effects and reasons.
    porosity : Dataset, DataArray, Quantity, str or float
        Fraction of the volume [1] at the same positions.
    mineral : Material or str
        Stiffest grains that the sediment may hold, for the upper bound.
    fluid : Material, str or Dataset
        Pore fluid.
    margin : float
        Number of standard uncertainties by which a reading may lie outside a bound.
    soft_mineral : Material or str, optional
        Softest grains, whose suspension is the lower bound; ``mineral`` if not given.
    uncertainties : mapping of str to Quantity, optional
        Standard uncertainties by name: ``p_wave_velocity`` [m/s], ``porosity`` [1], random;
        ``mineral_bulk_modulus``, ``mineral_shear_modulus`` [GPa], ``mineral_density`` [g/cm^3] ...

    Returns
    -------
    Dataset
        ``p_wave_velocity`` [m/s] unchanged, with ``below_elastic_bounds`` or
        ``above_elastic_bounds`` added to its reasons; ``lowest_velocity`` and ``highest_velocity``
        [m/s] with uncertainties; ``place_between_bounds`` [1], zero at the lower and one at the
        upper; ``departure`` [1], standard uncertainties beyond the nearer bound, zero between
        them. The attribute ``meanings`` lists the usual causes of each reason.

    Raises
    ------
    ValueError
        For a velocity of zero, a porosity outside 0 to 1, or a margin below zero.
    PositionError
        When velocity and porosity lie at different positions.

    Notes
    -----
    Suspension of Wood (1941) below, Hashin-Shtrikman upper bound in the form of Walpole (1966)
    above. The uncertainty is that of the difference: an error that velocity and porosity share,
    such as the core diameter, enters with its signs. A velocity of unknown uncertainty is taken as
    known to one per cent, another unknown uncertainty as zero (common practice); the attribute
    ``unknown_uncertainties`` names them. The bounds assume an isotropic sediment with one fluid
    and no gas, at low frequency; a velocity at hundreds of kHz may lie a little above them.
    """
    if not margin >= 0.0:
        raise ValueError(
            f"margin is {margin:g}; give a number of standard uncertainties, 0 or more"
        )
    inputs = measured_inputs(
        {
            "speed": reading(p_wave_velocity, "p_wave_velocity"),
            "porosity": fraction(porosity, "porosity"),
            **phase_arguments(mineral, fluid),
            **_soft_arguments(soft_mineral),
        },
        uncertainties,
    )
    speed, phi = inputs.pop("speed"), inputs["porosity"]
    if not np.ndim(speed.values) and isinstance(phi.values, xr.DataArray):
        speed.values = xr.full_like(phi.values, float(speed.values))
    found = propagated(_bounds_kernel, ("lowest_velocity", "highest_velocity"), inputs)
    low, high = found["lowest_velocity"], found["highest_velocity"]
    u_low, u_high = _u_of_difference(speed, low), _u_of_difference(speed, high)
    shape = [
        without_coords(part) for part in (speed.values, low.values, high.values, u_low, u_high)
    ]
    place, departure, mask = series.apply(
        _compared, *shape, outputs=3, dtypes=[float, float, np.int64], margin=margin
    )
    known = series.joined_reasons(without_coords(speed.reason), mask)
    checked = Measured(speed.values, speed.u_random, speed.effects, known)
    dataset = _checked({"p_wave_velocity": checked, **found}, margin)
    dataset.attrs["unknown_uncertainties"] = ", ".join(_unknown(speed, phi, found)) or "none"
    dims = dataset["p_wave_velocity"].dims
    for name, values, words in (
        (
            "place_between_bounds",
            place,
            "place of the velocity between its bounds, 0 lower, 1 upper",
        ),
        ("departure", departure, "standard uncertainties beyond the nearer bound"),
    ):
        dataset[name] = (dims, np.asarray(values), {"units": "1", "long_name": words})
    return dataset


def _checked(quantities: Mapping[str, Measured], margin: float) -> xr.Dataset:
    """Dataset of the velocities with their bounds, and the words of its attributes."""
    return series.build(
        quantities,
        steps=(
            "suspension below (Wood 1941), Hashin-Shtrikman bound above (Walpole 1966)",
            f"flagged beyond {margin:g} standard uncertainties of the difference",
        ),
        constants={"margin": margin},
        bound="both: lowest_velocity from below, highest_velocity from above",
        meanings="; ".join(f"{reason}: {words}" for reason, words in MEANINGS.items()),
    )


def _soft_arguments(soft_mineral: Mineral | None) -> dict[str, Argument]:
    """Bulk modulus and density of the softest grains, where they differ from the stiffest."""
    if soft_mineral is None:
        return {}
    one = as_material(soft_mineral, "soft_mineral")
    return {
        # Under the names of the stiffest grains: an uncertainty given for one counts for both.
        "k_s": material_property(one.bulk_modulus, "GPa", "mineral_bulk_modulus"),
        "rho_s": material_property(one.density, "g/cm^3", "mineral_density"),
    }


def _bounds_kernel(
    porosity: np.ndarray,
    k_m: np.ndarray,
    g_m: np.ndarray,
    rho_m: np.ndarray,
    k_f: np.ndarray,
    rho_f: np.ndarray,
    k_s: np.ndarray | None = None,
    rho_s: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest velocity, of the softest grains, and highest, of the stiffest [m/s]."""
    low, high = bounds_kernel(porosity, k_m, g_m, rho_m, k_f, rho_f)
    if k_s is not None and rho_s is not None:
        low = bounds_kernel(porosity, k_s, g_m, rho_s, k_f, rho_f)[0]
    return low, high


def _u_of_difference(speed: Measured, bound: Measured) -> Any:
    """Standard uncertainty of velocity minus bound; unknown parts of the bound are zero."""
    u_random, effects = uncertainty.combine([(1.0, _known(speed, _UNKNOWN)), (-1.0, _known(bound))])
    parts = u_random**2
    for effect in effects.values():
        parts = parts + without_coords(effect) ** 2
    return parts**0.5


def _known(measured: Measured, share: float = 0.0) -> Measured:
    """Unknown parts as zero, or an unknown random part as a share of the value."""

    def zeroed(u: Any) -> Any:
        return series.apply(lambda part: np.nan_to_num(part, nan=0.0), without_coords(u))

    random = zeroed(measured.u_random)
    effects = {source: zeroed(effect) for source, effect in measured.effects.items()}
    if share:
        missing = series.apply(lambda u: np.isnan(u) * share, without_coords(measured.u_random))
        random = random + missing * without_coords(measured.values)
    return Measured(measured.values, random, effects)


def _unknown(speed: Measured, phi: Measured, found: Mapping[str, Measured]) -> list[str]:
    """Names of the sources of error of unknown size."""
    names = [
        name
        for name, part in (("p_wave_velocity", speed), ("porosity", phi))
        if np.isnan(np.asarray(without_coords(part.u_random), dtype=float)).all()
    ]
    for part in (speed, *found.values()):
        names += [
            source
            for source, effect in part.effects.items()
            if np.isnan(np.asarray(without_coords(effect), dtype=float)).all()
        ]
    return sorted(set(names))


def _compared(
    speed: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    u_low: np.ndarray,
    u_high: np.ndarray,
    *,
    margin: float,
) -> tuple[np.ndarray, ...]:
    """Place between the bounds, departure in standard uncertainties, and mask of reasons."""
    with np.errstate(all="ignore"):
        place = (speed - low) / (high - low)
        under, over = (low - speed) / u_low, (speed - high) / u_high
        departure = np.maximum(np.maximum(under, over), 0.0)
        mask = np.where(
            low - speed > margin * u_low, flags.bit("below_elastic_bounds"), 0
        ) | np.where(speed - high > margin * u_high, flags.bit("above_elastic_bounds"), 0)
    return place, departure, mask.astype(np.int64)
