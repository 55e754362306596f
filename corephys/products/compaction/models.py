"""Curves of porosity against depth or effective stress: each a public formula, and a model with
its derivatives and start values for a fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from corephys.ground import vocabulary
from corephys.ground.choices import choice
from corephys.ground.laws import law
from corephys.numerics import exponential as numerics

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Fraction, Numbers

__all__ = [
    "MODELS",
    "Model",
    "exponential",
    "exponential_in_stress",
    "linear",
    "offset_exponential",
    "power",
    "void_ratio_log_stress",
]

# Plain floats, (n,) as a rule: arithmetic on what came through the door.
Array: TypeAlias = Any

# --------------------------------------------------------------------------------------------------
# Curves of porosity against depth or effective stress, each a public formula.


@law("1", depth="m", surface_porosity="fraction", decay_length="m")
def exponential(
    depth: Dimensional, *, surface_porosity: Fraction, decay_length: Dimensional
) -> Numbers:
    """Porosity of exponential compaction.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Depth below seafloor [m].
    surface_porosity : float, Quantity or str
        Porosity at the seafloor [1].
    decay_length : Quantity or str
        e-folding depth [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1].

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1, or a decay length of zero.

    Notes
    -----
    phi = phi0 exp(-z / L): Athy (1930), AAPG Bulletin 14, 1.

    Examples
    --------
    >>> round(float(exponential("500 m", surface_porosity=0.63, decay_length="1960 m")), 8)
    0.48814758
    """
    length = _not_zero(decay_length, "decay_length", "m")
    return _exponential(depth, surface_porosity, length)


@law("1", depth="m", surface_porosity="fraction", residual_porosity="fraction", decay_length="m")
def offset_exponential(
    depth: Dimensional,
    *,
    surface_porosity: Fraction,
    residual_porosity: Fraction,
    decay_length: Dimensional,
) -> Numbers:
    """Porosity that falls exponentially to a residual porosity.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Depth below seafloor [m].
    surface_porosity, residual_porosity : float, Quantity or str
        Porosity at the seafloor and at great depth [1].
    decay_length : Quantity or str
        Depth over which the difference of the two falls to 1/e [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1].

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1, or a decay length of zero.

    Notes
    -----
    phi = phi_r + (phi0 - phi_r) exp(-z / L): the law of Athy (1930), AAPG Bulletin 14, 1, applied
    to the porosity above the residual porosity. With phi_r = 0 it is :func:`exponential`.

    Examples
    --------
    >>> round(float(offset_exponential("500 m", surface_porosity=0.7, residual_porosity=0.2,
    ...                                decay_length="500 m")), 6)
    0.38394
    """
    length = _not_zero(decay_length, "decay_length", "m")
    return _offset(depth, surface_porosity, residual_porosity, length)


@law("1", depth="m", surface_porosity="fraction", porosity_gradient="1/km")
def linear(
    depth: Dimensional, *, surface_porosity: Fraction, porosity_gradient: Dimensional
) -> Numbers:
    """Porosity that falls along a straight line.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Depth below seafloor [m].
    surface_porosity : float, Quantity or str
        Porosity at the seafloor [1].
    porosity_gradient : Quantity or str
        Loss of porosity with depth [1/km], positive where porosity falls.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1]; below zero beyond the depth at which the line reaches zero.

    Notes
    -----
    phi = phi0 - g z: the exponential of Athy (1930), AAPG Bulletin 14, 1, to first order in z / L
    with g = phi0 / L. It is no law of compaction, but all that a short interval can resolve.

    Examples
    --------
    >>> float(linear("200 m", surface_porosity=0.7, porosity_gradient="0.5 1/km"))
    0.6
    """
    return _linear(depth, surface_porosity, porosity_gradient)


@law(
    "1",
    depth="m",
    reference_porosity="fraction",
    solidity_exponent="1",
    reference_depth="positive m",
)
def power(
    depth: Dimensional,
    *,
    reference_porosity: Fraction,
    solidity_exponent: Fraction,
    reference_depth: Dimensional = "100 m",
) -> Numbers:
    """Porosity whose complement, the solidity, is a power of depth.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Depth below seafloor [m].
    reference_porosity : float, Quantity or str
        Porosity at the reference depth [1].
    solidity_exponent : float, Quantity or str
        Exponent of depth [1], positive where porosity falls.
    reference_depth : Quantity or str
        Depth of the reference porosity [m]; any depth above zero gives the same family of curves.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1]; NaN above the seafloor.

    Notes
    -----
    phi = 1 - (1 - phi1) (z / z1)^m: Baldwin and Butler (1985), AAPG Bulletin 69, 622, whose
    z = z_s S^n with S = 1 - phi is phi1 = 0, z1 = z_s, m = 1 / n (from memory). A power of porosity
    itself has no limit at the seafloor; a power of solidity starts from a slurry of porosity one
    and stays between zero and one down to z_s.

    Examples
    --------
    >>> round(float(power("1 km", reference_porosity=0.0, solidity_exponent=1 / 6.35,
    ...                   reference_depth="6.02 km")), 8)
    0.24624727
    """
    return _power_of(depth, reference_porosity, solidity_exponent, reference_depth)


@law("1", stress="kPa", surface_porosity="fraction", decay_stress="kPa")
def exponential_in_stress(
    stress: Dimensional, *, surface_porosity: Fraction, decay_stress: Dimensional
) -> Numbers:
    """Porosity that falls exponentially with vertical effective stress.

    Parameters
    ----------
    stress : Quantity, DataArray or str
        Vertical effective stress [kPa].
    surface_porosity : float, Quantity or str
        Porosity at zero stress [1].
    decay_stress : Quantity or str
        e-folding stress [kPa].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1].

    Raises
    ------
    ValueError
        For a porosity outside 0 to 1, or a decay stress of zero.

    Notes
    -----
    phi = phi0 exp(-sigma' / S): the exponential of Athy (1930) with effective stress, which
    compacts a sediment, in place of depth; the two agree where stress is proportional to depth.

    Examples
    --------
    >>> round(float(exponential_in_stress("2 MPa", surface_porosity=0.7, decay_stress="8 MPa")), 6)
    0.545161
    """
    decay = _not_zero(decay_stress, "decay_stress", "kPa")
    return _exponential(stress, surface_porosity, decay)


@law(
    "1",
    stress="kPa",
    reference_void_ratio="nonnegative 1",
    compression_index="1",
    reference_stress="positive kPa",
)
def void_ratio_log_stress(
    stress: Dimensional,
    *,
    reference_void_ratio: Fraction,
    compression_index: Fraction,
    reference_stress: Dimensional = "100 kPa",
) -> Numbers:
    """Porosity of a void ratio that falls with the logarithm of effective stress.

    Parameters
    ----------
    stress : Quantity, DataArray or str
        Vertical effective stress [kPa], above zero.
    reference_void_ratio : float, Quantity or str
        Void ratio at the reference stress [1].
    compression_index : float, Quantity or str
        Loss of void ratio for each tenfold rise of stress [1].
    reference_stress : Quantity or str
        Stress of the reference void ratio [kPa]; any stress above zero gives the same family of
        curves.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1]; NaN where the stress is not above zero or the void ratio of the line is below
        zero.

    Notes
    -----
    e = e0 - Cc log10(sigma' / sigma0), phi = e / (1 + e): Terzaghi and Peck (1948), Soil Mechanics
    in Engineering Practice (from memory).

    Examples
    --------
    >>> round(float(void_ratio_log_stress("1 MPa", reference_void_ratio=2.0,
    ...                                   compression_index=0.5)), 6)
    0.6
    """
    return _porosity_of_line(stress, reference_void_ratio, compression_index, reference_stress)


def _not_zero(value: Any, name: str, unit: str) -> Any:
    """Refuse a decay length or stress of zero, by which the curves divide."""
    if np.any(np.asarray(value) == 0.0):
        raise ValueError(f"{name} is 0 {unit}; it has to differ from zero")
    return value


def _power_of(z: Array, porosity: Array, exponent: Array, at: Array) -> Array:
    """Porosity of a power of depth; a negative depth has no power and gives NaN."""
    u = z / at
    with np.errstate(invalid="ignore", divide="ignore"):
        solidity = (1.0 - porosity) * np.power(u, exponent)
    return 1.0 - solidity


def _porosity_of_line(sigma: Array, e0: Array, index: Array, at: Array) -> Array:
    """Porosity of a void ratio on a line in the logarithm of stress."""
    with np.errstate(invalid="ignore", divide="ignore"):
        e = e0 - index * np.log10(sigma / at)
        e = e + 0.0 * np.sqrt(e)  # NaN where the void ratio would be below zero
    return e / (1.0 + e)


# --------------------------------------------------------------------------------------------------
# Models of compaction as data: equation, parameters, derivatives and start values of each.


# Depth and stress at which the parameters of two models are given. A choice of scale, not of
# physics: any other gives the same curve. The parameters are least correlated near the data.
REFERENCE_DEPTH = 100.0  # m
REFERENCE_STRESS = 100.0  # kPa

_LEAST_VOID_RATIO = 1e-9  # keeps porosity above zero where the line would pass through it


@dataclass(frozen=True)
class Parameter:
    """Parameter of a model of compaction.

    Parameters
    ----------
    name : str
        Name of a quantity of the vocabulary, which holds its unit and words.
    low, high : float
        Bounds of a fit, in that unit.
    inverse : bool
        True where the error of the reciprocal is nearly symmetric and that of the parameter is not.
    """

    name: str
    low: float = -np.inf
    high: float = np.inf
    inverse: bool = False

    @property
    def unit(self) -> str:
        """Unit, in the library's spelling."""
        return vocabulary.term(self.name).unit

    @property
    def words(self) -> str:
        """Description for a table."""
        return vocabulary.term(self.name).long_name


@dataclass(frozen=True)
class Model:
    """Model of compaction: a curve of porosity with all that a fit needs.

    Parameters
    ----------
    name : str
        Name for the argument ``model``.
    equation : str
        Equation in symbols.
    sentence : str
        Template of the fitted curve, filled with the parameters.
    source : str
        Publication of the equation.
    abscissa : {"depth", "vertical_effective_stress"}
        Quantity on which porosity depends, in m or kPa.
    parameters : tuple of Parameter
        Parameters in the order of the arguments of the curve.
    curve, jacobian : callable
        ``(x, *parameters)`` to porosity (n,) and its derivatives (n, k).
    start : callable
        ``(x, y)`` to start values of the parameters.
    rate : callable
        ``(parameters)`` to the rate at which porosity falls; negative where it rises.
    rate_words : str
        Name of that rate.
    positive : bool
        True where the abscissa has to be above zero.
    kinked : bool
        True where the curve is held at a limit and ``jacobian`` is not.
    """

    name: str
    equation: str
    sentence: str
    source: str
    abscissa: str
    parameters: tuple[Parameter, ...]
    curve: Callable[..., Array]
    jacobian: Callable[..., Array]
    start: Callable[[Array, Array], tuple[float, ...]]
    rate: Callable[[Any], float]
    rate_words: str
    positive: bool = False
    kinked: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in order."""
        return tuple(p.name for p in self.parameters)

    @property
    def bounds(self) -> dict[str, tuple[float, float]]:
        """Bounds of the parameters that have any."""
        return {
            p.name: (p.low, p.high)
            for p in self.parameters
            if np.isfinite(p.low) or np.isfinite(p.high)
        }


def of_name(name: str) -> Model:
    """Model of that name; ValueError with the known names for any other."""
    return MODELS[choice(name, MODELS, "model")]


def _exponential(x: Array, a: Array, length: Array) -> Array:
    return a * np.exp(-x / length)


def _exponential_slopes(x: Array, a: float, length: float) -> Array:
    e = np.exp(-x / length)
    return np.column_stack([e, a * e * x / length**2])


def _inside(value: float) -> float:
    """Start value of a porosity that leaves a minimiser room to both sides."""
    return float(np.clip(value, 0.05, 0.95))


def _exponential_start(x: Array, y: Array) -> tuple[float, float]:
    """The unweighted solution, so that a porosity that rises starts with a negative length."""
    first, length = numerics.start(x, y)
    amplitudes, rates = numerics.solve_batch(x, y, np.ones((1, x.size)), 1.0 / length)
    a, rate = float(amplitudes[0]), float(rates[0])
    span = float(np.ptp(x)) or 1.0
    if np.isfinite(rate) and abs(rate) * span < 50.0:
        # A rate near zero would start at a length without end, from which no step leads back.
        first, length = a, 1.0 / (rate if abs(rate) * span > 1e-3 else 1e-3 / span)
    return _inside(first), float(length)


def _offset(x: Array, a: Array, r: Array, length: Array) -> Array:
    return r + (a - r) * np.exp(-x / length)


def _offset_slopes(x: Array, a: float, r: float, length: float) -> Array:
    e = np.exp(-x / length)
    return np.column_stack([e, 1.0 - e, (a - r) * e * x / length**2])


def _offset_start(x: Array, y: Array) -> tuple[float, float, float]:
    """Best of 25 decay lengths, with the two porosities in closed form for each."""
    best = (np.inf, 0.0, 0.0, 1.0)
    span = float(np.ptp(x)) or 1.0
    for length in span * np.geomspace(0.03, 3.0, 25):
        e = np.exp(-x / length)
        design = np.column_stack([e, 1.0 - e])
        found = np.linalg.lstsq(design, y, rcond=None)[0]
        a, r = _inside(found[0]), float(np.clip(found[1], 0.02, 0.95))
        cost = float(np.sum((y - design @ np.array([a, r])) ** 2))
        if cost < best[0]:
            best = (cost, a, r, float(length))
    return best[1:]


def _linear(x: Array, a: Array, gradient: Array) -> Array:
    return a - 1e-3 * gradient * x


def _linear_slopes(x: Array, a: float, gradient: float) -> Array:
    return np.column_stack([np.ones_like(x), -1e-3 * x])


def _linear_start(x: Array, y: Array) -> tuple[float, float]:
    slope, a = np.polyfit(x, y, 1)
    return _inside(a), float(-1e3 * slope)


def _ratio(x: Array) -> Array:
    """Depth over the reference depth, at least 1e-6: the slopes hold its logarithm."""
    return np.maximum(x / REFERENCE_DEPTH, 1e-6)


def _power(x: Array, porosity: float, exponent: float) -> Array:
    return 1.0 - (1.0 - porosity) * _ratio(x) ** exponent


def _power_slopes(x: Array, porosity: float, exponent: float) -> Array:
    u = _ratio(x)
    grown = u**exponent
    return np.column_stack([grown, -(1.0 - porosity) * grown * np.log(u)])


def _power_start(x: Array, y: Array) -> tuple[float, float]:
    exponent, level = np.polyfit(np.log(_ratio(x)), np.log(np.clip(1.0 - y, 1e-3, None)), 1)
    return _inside(1.0 - float(np.exp(level))), float(exponent)


def _void_ratio(x: Array, e: float, index: float) -> Array:
    return np.maximum(e - index * np.log10(x / REFERENCE_STRESS), _LEAST_VOID_RATIO)


def _log_stress(x: Array, e: float, index: float) -> Array:
    ratio = _void_ratio(x, e, index)
    return ratio / (1.0 + ratio)


def _log_stress_slopes(x: Array, e: float, index: float) -> Array:
    # Where the void ratio is held at its least value the slopes go on as if it were not, so that
    # a profile finds its way back; Model.kinked marks it.
    turn = (1.0 + _void_ratio(x, e, index)) ** -2.0
    return np.column_stack([turn, -np.log10(x / REFERENCE_STRESS) * turn])


def _log_stress_start(x: Array, y: Array) -> tuple[float, float]:
    inside = np.clip(y, 1e-3, 0.97)
    slope, level = np.polyfit(np.log10(x / REFERENCE_STRESS), inside / (1.0 - inside), 1)
    return float(max(level, 0.05)), float(-slope)


_AT_ZERO = Parameter("surface_porosity", 0.0, 1.0)
_LENGTH = Parameter("decay_length", inverse=True)
_STRESS = "vertical_effective_stress"
_ROWS = (
    Model(
        "exponential",
        "phi0 exp(-z / L)",
        "porosity = {surface_porosity:.4f} exp(-z / {decay_length:.0f} m)",
        "Athy 1930",
        "depth",
        (_AT_ZERO, _LENGTH),
        _exponential,
        _exponential_slopes,
        _exponential_start,
        lambda p: 1.0 / p[1],
        "1/L",
    ),
    Model(
        "offset_exponential",
        "phi_r + (phi0 - phi_r) exp(-z / L)",
        "porosity = {residual_porosity:.4f} + ({surface_porosity:.4f} - {residual_porosity:.4f}) "
        "exp(-z / {decay_length:.0f} m)",
        "Athy 1930 with a residual porosity",
        "depth",
        (_AT_ZERO, Parameter("residual_porosity", 0.0, 1.0), _LENGTH),
        _offset,
        _offset_slopes,
        _offset_start,
        lambda p: float(np.sign(p[0] - p[1]) / p[2]),
        "1/L",
    ),
    Model(
        "linear",
        "phi0 - g z",
        "porosity = {surface_porosity:.4f} - {porosity_gradient:.4f} z / km",
        "straight line",
        "depth",
        (_AT_ZERO, Parameter("porosity_gradient")),
        _linear,
        _linear_slopes,
        _linear_start,
        lambda p: float(p[1]),
        "the gradient",
    ),
    Model(
        "power",
        "1 - (1 - phi1) (z / 100 m)^m",
        "porosity = 1 - (1 - {reference_porosity:.4f}) (z / 100 m)^{solidity_exponent:.4f}",
        "Baldwin and Butler 1985",
        "depth",
        (Parameter("reference_porosity", 0.0, 1.0), Parameter("solidity_exponent")),
        _power,
        _power_slopes,
        _power_start,
        lambda p: float(p[1]),
        "the exponent",
    ),
    Model(
        "exponential_in_stress",
        "phi0 exp(-sigma' / S)",
        "porosity = {surface_porosity:.4f} exp(-sigma' / {decay_stress:.0f} kPa)",
        "Athy 1930, in effective stress",
        _STRESS,
        (_AT_ZERO, Parameter("decay_stress", inverse=True)),
        _exponential,
        _exponential_slopes,
        _exponential_start,
        lambda p: 1.0 / p[1],
        "1/S",
    ),
    Model(
        "void_ratio_in_log_stress",
        "e / (1 + e), e = e0 - Cc log10(sigma' / 100 kPa)",
        "void ratio = {reference_void_ratio:.4f} - {compression_index:.4f} log10(sigma' / 100 kPa)",
        "Terzaghi and Peck 1948",
        _STRESS,
        (Parameter("reference_void_ratio", 0.0), Parameter("compression_index")),
        _log_stress,
        _log_stress_slopes,
        _log_stress_start,
        lambda p: float(p[1]),
        "Cc",
        positive=True,
        kinked=True,
    ),
)

MODELS: dict[str, Model] = {model.name: model for model in _ROWS}
