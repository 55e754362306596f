"""The common path of all elastic models: arguments in, a kernel with its slopes, a Dataset out.

A model names its arguments with :func:`reading`, :func:`material_property` or :func:`fraction`,
by the names that its kernel uses, and hands them to :func:`elastic_model`.
"""

from __future__ import annotations

import difflib
import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import xarray as xr

from corephys import uncertainty
from corephys.ground import flags, provenance, series, units
from corephys.ground.arguments import measured_fraction, positive
from corephys.ground.constants import Constant
from corephys.ground.vocabulary import term
from corephys.uncertainty import Measured, without_coords

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Measurement

    #: Standard uncertainties by the name of the argument; None is an unknown one.
    Uncertainties: TypeAlias = Mapping[str, Dimensional | float | None] | None
    #: A calculation on plain arrays, called with the arguments by name.
    Kernel: TypeAlias = Callable[..., np.ndarray | tuple[np.ndarray, ...]]

# Relative step of the numerical slopes. Central differences err by the step squared, 1e-8, and
# rounding of doubles by 1e-16 / 1e-4: both stay below a millionth of the slope.
_STEP = 1e-4
# Rounding of fractions computed elsewhere may pass, a fraction typed with too few digits, such as
# 0.333 three times, may not: the missing part would be a phase without stiffness.
_SUM_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Argument:
    """An argument of a model, before it is converted.

    ``measure`` makes a measured value of it from its standard uncertainty, None where not given.
    ``brings_own`` marks a Dataset, which has its uncertainty already; ``part`` a share of a whole.
    """

    name: str
    measure: Callable[[Any], Measured]
    brings_own: bool = False
    part: bool = False


def reading(
    value: Measurement | str, quantity: str, *, name: str = "", zero: bool = False
) -> Argument:
    """A measured quantity of the vocabulary, above zero; its given uncertainty is random."""
    name = name or quantity

    def measure(given: Any) -> Measured:
        shown = value[quantity] if isinstance(value, xr.Dataset) and quantity in value else value
        if not isinstance(shown, (xr.Dataset, Measured)):
            positive(shown, term(quantity).unit, name, zero=zero)
        return series.unpack(value, quantity, uncertainty_given=given)

    return Argument(name, measure)


def material_property(
    value: Measurement | Measured | str | Constant | float,
    unit: str,
    name: str,
    *,
    zero: bool = False,
    held: str = "",
) -> Argument:
    """A property of a mineral, fluid or model, above zero; its given uncertainty is systematic.

    ``held`` is the name of the quantity where the value is a Dataset.
    """

    def measure(given: Any) -> Measured:
        if isinstance(value, Measured):
            return value
        if isinstance(value, xr.Dataset):
            return _property_of_dataset(value, held or name, unit, name, zero)
        plain = positive(value, unit, name, zero=zero)
        # The error of a tabulated constant has the constant's name, so that two models that use
        # the same row share the error; a value or uncertainty of the caller has the argument's.
        source = value.name if isinstance(value, Constant) and given is None else name
        u = uncertainty.given_uncertainty(given, unit, f"uncertainty of {name}", of=value)
        used = provenance.records(**{name: (value, given)})
        return Measured(plain, 0.0, {source: u}, used=used)

    return Argument(name, measure, brings_own=isinstance(value, (Measured, xr.Dataset)))


def _property_of_dataset(
    value: xr.Dataset, quantity: str, unit: str, name: str, zero: bool
) -> Measured:
    """A property with the uncertainties of a Dataset, converted from the vocabulary's unit."""
    found = series.unpack(value, quantity)
    positive(value[quantity], unit, name, zero=zero)
    factor = units.convert(1.0, term(quantity).unit, unit)
    effects = {source: factor * effect for source, effect in found.effects.items()}
    used = provenance.records(**{name: value[[quantity]]})
    return Measured(factor * found.values, factor * found.u_random, effects, found.reason, used)


def fraction(
    value: Fraction | xr.Dataset | Measured,
    name: str,
    *,
    held: str = "porosity",
    part: bool = False,
    certain: bool = False,
) -> Argument:
    """A fraction from 0 to 1; its given uncertainty is random, zero without one if ``certain``.

    ``part`` marks one of several fractions that add up to one.
    """

    def measure(given: Any) -> Measured:
        if isinstance(value, xr.Dataset):
            found = series.unpack(value, held)
        elif isinstance(value, Measured):
            found = value
        else:
            if certain:
                given = given or 0.0
            u = units.as_floats(given, "1", f"uncertainty of {name}", optional=True)
            found = Measured(
                units.as_floats(value, "1", name), float("nan") if u is None else without_coords(u)
            )
        return measured_fraction(found, name)

    own = isinstance(value, (Measured, xr.Dataset))
    return Argument(name, measure, brings_own=own, part=part)


def measured_inputs(
    arguments: Mapping[str, Argument | Measured], uncertainties: Uncertainties
) -> dict[str, Measured]:
    """Arguments as measured values, by the names of the kernel.

    Raises ValueError for an uncertainty that belongs to no argument and for parts that do not add
    up to one, PositionError for series at different positions.
    """
    given = dict(uncertainties or {})
    asked = {one.name: one for one in arguments.values() if isinstance(one, Argument)}
    _refuse_other_names(given, asked)
    inputs = {
        key: one.measure(given.get(one.name)) if isinstance(one, Argument) else one
        for key, one in arguments.items()
    }
    names = {key: one.name if isinstance(one, Argument) else key for key, one in arguments.items()}
    series.require_same_positions(**{names[key]: part.values for key, part in inputs.items()})
    parts = [key for key, one in arguments.items() if isinstance(one, Argument) and one.part]
    if parts:
        _require_whole([inputs[key] for key in parts])
    return inputs


def _refuse_other_names(given: Mapping[str, object], asked: Mapping[str, Argument]) -> None:
    """Refuse an uncertainty that would be ignored: a misspelt name, or one of a Dataset."""
    taken = [name for name, one in asked.items() if not one.brings_own]
    for name in given:
        if name in taken:
            continue
        if name in asked:
            raise ValueError(
                f"uncertainties holds {name!r}, whose value is a Dataset. A Dataset brings its own "
                f"uncertainty: leave {name!r} out of uncertainties"
            )
        close = difflib.get_close_matches(name, taken, n=1)
        hint = f"did you mean {close[0]!r}?" if close else f"give one of {', '.join(sorted(taken))}"
        raise ValueError(
            f"uncertainties holds {name!r}, which is no argument of this model with an "
            f"uncertainty; {hint}"
        )


def _require_whole(shares: Sequence[Measured]) -> None:
    """Refuse fractions that do not add up to one."""
    total = np.ravel(sum(np.asarray(share.values, dtype=float) for share in shares))
    off = np.abs(total - 1.0)
    if np.any(off > _SUM_TOLERANCE):
        raise ValueError(
            f"the fractions add to {total[int(np.nanargmax(off))]:g}; give fractions that add to 1"
        )


def elastic_model(
    kernel: Kernel,
    names: tuple[str, ...],
    arguments: Mapping[str, Argument | Measured],
    uncertainties: Uncertainties,
    *,
    steps: tuple[str, ...],
    beyond: Callable[..., np.ndarray] | None = None,
    constants: Mapping[str, object] | None = None,
    attributes: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Dataset of a model: the ``names`` that its kernel returns, with their uncertainties.

    Arguments that the kernel does not take are checked and left out. ``beyond`` takes some of
    them by name and is true where the model does not hold: flagged ``beyond_method_range``.
    """
    inputs = measured_inputs(arguments, uncertainties)
    reason = _reason(beyond, inputs) if beyond is not None else 0
    found = propagated(kernel, names, inputs, reason=reason)
    return series.build(found, steps=steps, constants=constants, **dict(attributes or {}))


def _reason(beyond: Callable[..., np.ndarray], inputs: Mapping[str, Measured]) -> Any:
    """Mask of ``beyond_method_range`` where a condition on the inputs is true."""
    bit = flags.bit("beyond_method_range")
    keys = _taken_by(beyond, inputs)

    def mask(*values: np.ndarray) -> np.ndarray:
        outside = beyond(**dict(zip(keys, values, strict=True)))
        return np.where(outside, bit, 0).astype(np.int64)

    return series.apply(
        mask, *(without_coords(inputs[key].values) for key in keys), dtypes=[np.int64]
    )


def _taken_by(function: Callable[..., Any], inputs: Mapping[str, Measured]) -> list[str]:
    """Names of the inputs that a function takes, in the order of the inputs."""
    parameters = inspect.signature(function).parameters
    if any(one.kind is one.VAR_KEYWORD for one in parameters.values()):
        return list(inputs)
    return [key for key in inputs if key in parameters]


def propagated(
    kernel: Kernel,
    names: tuple[str, ...],
    inputs: Mapping[str, Measured],
    *,
    reason: Any = 0,
) -> dict[str, Measured]:
    """Results of a kernel by ``names``, with the uncertainties of its inputs propagated.

    Inputs are in the units of the kernel and at the same positions. Slopes are central
    differences, one-sided where a model ends.
    """
    keys = _taken_by(kernel, inputs)
    used_inputs = [inputs[key] for key in keys]
    coordinates = _coordinates([part.values for part in used_inputs])

    def with_slopes(*arrays: Any) -> tuple[np.ndarray, ...]:
        parts = np.broadcast_arrays(*(np.asarray(array, dtype=float) for array in arrays))
        with np.errstate(all="ignore"):
            return _with_slopes(kernel, keys, parts)

    # Without coordinates: xarray would compare them again for every array that comes out.
    found = series.apply(
        with_slopes,
        *(without_coords(part.values) for part in used_inputs),
        outputs=len(names) * (1 + len(keys)),
    )
    known = series.joined_reasons(
        *(without_coords(part.reason) for part in used_inputs), without_coords(reason)
    )
    used = {key: record for part in used_inputs for key, record in part.used.items()}
    unknown = [_has_unknown(part) for part in used_inputs]
    result = {}
    for place, name in enumerate(names):
        start = len(names) + place * len(keys)
        slopes = found[start : start + len(keys)]
        terms = [
            (slope, _where_it_matters(slope, part) if missing else part)
            for slope, part, missing in zip(slopes, used_inputs, unknown, strict=True)
        ]
        spread, effects = uncertainty.combine(terms)
        values = found[place]
        if coordinates is not None:
            # Not through coords=, which copies the texts of positions one by one.
            values = xr.DataArray(values).assign_coords(coordinates)
        result[name] = Measured(values, spread, effects, known, used)
    return result


def _coordinates(given: Sequence[Any]) -> dict[Any, Any] | None:
    """Coordinates that the inputs share or have alone; None where none of them is a DataArray."""
    arrays = [values for values in given if isinstance(values, xr.DataArray)]
    if not arrays:
        return None
    found: dict[Any, Any] = {}
    apart = set()
    for array in arrays:
        for key, coordinate in array.coords.items():
            first = found.setdefault(key, coordinate.variable)
            # Positions were compared before; those converted from another unit differ by a bit.
            if key not in units.POSITION_UNITS and not coordinate.variable.equals(first):
                apart.add(key)
    return {key: variable for key, variable in found.items() if key not in apart}


def _has_unknown(part: Measured) -> bool:
    """Whether an uncertainty of the input is NaN anywhere."""
    return any(
        bool(np.isnan(np.asarray(without_coords(u), dtype=float)).any())
        for u in (part.u_random, *part.effects.values())
    )


def _where_it_matters(slope: Any, part: Measured) -> Measured:
    """The input with unknown uncertainties set to zero where the result does not depend on it.

    NaN times a slope of zero is NaN: without this, a result would lose its uncertainty through an
    input that has no influence on it.
    """

    def kept(u: Any) -> Any:
        if not np.isnan(np.asarray(without_coords(u), dtype=float)).any():
            return u
        return series.apply(
            lambda s, v: np.where(s == 0.0, 0.0, v), without_coords(slope), without_coords(u)
        )

    effects = {source: kept(effect) for source, effect in part.effects.items()}
    return Measured(part.values, kept(part.u_random), effects, part.reason)


def _with_slopes(
    kernel: Kernel, keys: Sequence[str], parts: Sequence[np.ndarray]
) -> tuple[np.ndarray, ...]:
    """Results of a kernel, then for each result its slope by every input."""

    def results(values: Sequence[np.ndarray]) -> tuple[np.ndarray, ...]:
        found = kernel(**dict(zip(keys, values, strict=True)))
        return found if isinstance(found, tuple) else (found,)

    base = [np.asarray(part, dtype=float) for part in results(parts)]
    slopes: list[list[np.ndarray]] = [[] for _ in base]
    for place, part in enumerate(parts):
        # An input of zero, such as a shear modulus, still needs a step that is not zero.
        step = _STEP * np.maximum(np.abs(part), 1e-3)
        up, down = (
            results([*parts[:place], part + sign * step, *parts[place + 1 :]])
            for sign in (1.0, -1.0)
        )
        for row, value, above, below in zip(slopes, base, up, down, strict=True):
            slope = (above - below) / (2.0 * step)
            # At the end of a model, as at a porosity of 0, one side is not a number.
            slope = np.where(np.isfinite(slope), slope, (above - value) / step)
            slope = np.where(np.isfinite(slope), slope, (value - below) / step)
            row.append(slope)
    return (*base, *(slope for row in slopes for slope in row))
