"""Curves of porosity against depth or stress: each a public formula, and a model with
derivatives and first values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from corephys.ground import units, vocabulary
from corephys.ground.arguments import positive
from corephys.numerics import exponential as numerics

__all__ = [
    "MODELS",
    "REFERENCE_DEPTH",
    "REFERENCE_STRESS",
    "Model",
    "Parameter",
    "exponential",
    "exponential_in_stress",
    "linear",
    "of_name",
    "offset_exponential",
    "power",
    "void_ratio_log_stress",
]

# --------------------------------------------------------------------------------------------------
# Curves of porosity against depth or effective stress, each a public formula.


def exponential(depth: Any, *, surface_porosity: Any, decay_length: Any) -> Any:
    """Porosity of exponential compaction.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity : float, Quantity or str
        At the seafloor [1].
    decay_length : Quantity or str
        e-folding depth [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a length belongs, or a wrong unit.
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
    z = units.as_floats(depth, "m", "depth")
    length = _not_zero(units.as_floats(decay_length, "m", "decay_length"), "decay_length", "m")
    return MODELS["exponential"].curve(z, _share(surface_porosity, "surface_porosity"), length)


def offset_exponential(
    depth: Any, *, surface_porosity: Any, residual_porosity: Any, decay_length: Any
) -> Any:
    """Porosity that falls exponentially to one that stays.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity, residual_porosity : float, Quantity or str
        At the seafloor and at great depth [1].
    decay_length : Quantity or str
        Depth over which the difference falls e-fold [m].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a length belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a decay length of zero.

    Notes
    -----
    phi = phi_r + (phi0 - phi_r) exp(-z / L), the law of Athy (1930), AAPG Bulletin 14, 1, on what
    is above the residual porosity. With phi_r = 0 it is :func:`exponential`.

    Examples
    --------
    >>> round(float(offset_exponential("500 m", surface_porosity=0.7, residual_porosity=0.2,
    ...                                decay_length="500 m")), 6)
    0.38394
    """
    z = units.as_floats(depth, "m", "depth")
    length = _not_zero(units.as_floats(decay_length, "m", "decay_length"), "decay_length", "m")
    return MODELS["offset exponential"].curve(
        z,
        _share(surface_porosity, "surface_porosity"),
        _share(residual_porosity, "residual_porosity"),
        length,
    )


def linear(depth: Any, *, surface_porosity: Any, porosity_gradient: Any) -> Any:
    """Porosity that falls along a straight line.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    surface_porosity : float, Quantity or str
        At the seafloor [1].
    porosity_gradient : Quantity or str
        Loss of porosity with depth [1/km], positive where porosity falls.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats; below zero beyond the depth at which the line ends.

    Raises
    ------
    UnitError
        For a bare number where a unit belongs, or a wrong unit.
    ValueError
        For a surface porosity outside 0 to 1.

    Notes
    -----
    phi = phi0 - g z: the exponential of Athy (1930), AAPG Bulletin 14, 1, to first order in z / L
    with g = phi0 / L. No law of compaction, but what short intervals can tell of one.

    Examples
    --------
    >>> float(linear("200 m", surface_porosity=0.7, porosity_gradient="0.5 1/km"))
    0.6
    """
    z = units.as_floats(depth, "m", "depth")
    gradient = units.as_floats(porosity_gradient, "1/km", "porosity_gradient")
    return MODELS["linear"].curve(z, _share(surface_porosity, "surface_porosity"), gradient)


def power(
    depth: Any, *, reference_porosity: Any, solidity_exponent: Any, reference_depth: Any = "100 m"
) -> Any:
    """Porosity whose complement, the solidity, is a power of depth.

    Parameters
    ----------
    depth : Quantity, DataArray or str
        Below seafloor [m].
    reference_porosity : float, Quantity or str
        At the reference depth [1].
    solidity_exponent : float, Quantity or str
        Exponent of depth [1], positive where porosity falls.
    reference_depth : Quantity or str
        [m]; any above zero describes the same family of curves.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats; NaN above the seafloor.

    Raises
    ------
    UnitError
        For a bare number where a unit belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a reference depth that is not above zero.

    Notes
    -----
    phi = 1 - (1 - phi1) (z / z1)^m: Baldwin and Butler (1985), AAPG Bulletin 69, 622, whose
    z = z_s S^n with S = 1 - phi is phi1 = 0, z1 = z_s, m = 1 / n (from memory). A power of porosity
    itself is without limit at the seafloor; a power of solidity starts from a slurry of porosity
    one and stays between zero and one down to z_s.

    Examples
    --------
    >>> round(float(power("1 km", reference_porosity=0.0, solidity_exponent=1 / 6.35,
    ...                   reference_depth="6.02 km")), 8)
    0.24624727
    """
    z = units.as_floats(depth, "m", "depth")
    u = z / positive(reference_depth, "m", "reference_depth")
    exponent = units.as_floats(solidity_exponent, "1", "solidity_exponent")
    with np.errstate(invalid="ignore", divide="ignore"):
        solidity = (1.0 - _share(reference_porosity, "reference_porosity")) * np.power(u, exponent)
    return 1.0 - solidity


def exponential_in_stress(stress: Any, *, surface_porosity: Any, decay_stress: Any) -> Any:
    """Porosity that falls exponentially with vertical effective stress.

    Parameters
    ----------
    stress : Quantity, DataArray or str
        Vertical effective stress [kPa].
    surface_porosity : float, Quantity or str
        Without stress [1].
    decay_stress : Quantity or str
        e-folding stress [kPa].

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats.

    Raises
    ------
    UnitError
        For a bare number where a stress belongs, or a wrong unit.
    ValueError
        For a porosity outside 0 to 1, or a decay stress of zero.

    Notes
    -----
    phi = phi0 exp(-sigma' / S): the exponential of Athy (1930) in what compacts a sediment in
    place of how deep it lies; the two agree where stress is proportional to depth.

    Examples
    --------
    >>> round(float(exponential_in_stress("2 MPa", surface_porosity=0.7, decay_stress="8 MPa")), 6)
    0.545161
    """
    sigma = units.as_floats(stress, "kPa", "stress")
    decay = _not_zero(units.as_floats(decay_stress, "kPa", "decay_stress"), "decay_stress", "kPa")
    return MODELS["exponential in stress"].curve(
        sigma, _share(surface_porosity, "surface_porosity"), decay
    )


def void_ratio_log_stress(
    stress: Any,
    *,
    reference_void_ratio: Any,
    compression_index: Any,
    reference_stress: Any = "100 kPa",
) -> Any:
    """Porosity of a void ratio that falls with the logarithm of effective stress.

    Parameters
    ----------
    stress : Quantity, DataArray or str
        Vertical effective stress [kPa], above zero.
    reference_void_ratio : float, Quantity or str
        At the reference stress [1].
    compression_index : float, Quantity or str
        Loss of void ratio over ten times the stress [1].
    reference_stress : Quantity or str
        [kPa]; any above zero describes the same family of curves.

    Returns
    -------
    float, ndarray or DataArray
        Porosity [1], plain floats; NaN where the stress is not above zero or the line has come to
        a void ratio below zero.

    Raises
    ------
    UnitError
        For a bare number where a stress belongs, or a wrong unit.
    ValueError
        For a void ratio below zero, or a reference stress that is not above zero.

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
    sigma = units.as_floats(stress, "kPa", "stress")
    at = positive(reference_stress, "kPa", "reference_stress")
    e0 = positive(reference_void_ratio, "1", "reference_void_ratio", zero=True)
    index = units.as_floats(compression_index, "1", "compression_index")
    with np.errstate(invalid="ignore", divide="ignore"):
        e = e0 - index * np.log10(sigma / at)
        e = e + 0.0 * np.sqrt(e)  # NaN where there is no void ratio
    return e / (1.0 + e)


def _share(value: Any, name: str) -> Any:
    """A porosity through the door: between zero and one."""
    found = units.as_floats(value, "1", name)
    if not np.all((np.asarray(found) >= 0.0) & (np.asarray(found) <= 1.0)):
        raise ValueError(
            f"{name} is {np.ravel(found)[0]:g}; a porosity lies between 0 and 1, per cent are "
            "written '55 %'"
        )
    return found


def _not_zero(value: Any, name: str, unit: str) -> Any:
    if np.any(np.asarray(value) == 0.0):
        raise ValueError(f"{name} is 0 {unit}; it has to differ from zero")
    return value


# --------------------------------------------------------------------------------------------------
# Models of compaction as data: equation, parameters, derivatives and first values of each.


# Where the parameters of two models are read. A choice of scale, not of physics: the curve is the
# same for every other, the parameters are told apart best where the data lie.
REFERENCE_DEPTH = 100.0  # m
REFERENCE_STRESS = 100.0  # kPa

Array = Any


@dataclass(frozen=True)
class Parameter:
    """A parameter of a model.

    Parameters
    ----------
    name : str
        Quantity of the vocabulary, which gives its unit and words.
    low, high : float
        Bounds of a fit, in that unit.
    inverse : bool
        Its reciprocal is nearly symmetric about its estimate, itself it is not.
    """

    name: str
    low: float = -np.inf
    high: float = np.inf
    inverse: bool = False

    @property
    def unit(self) -> str:
        """Unit in the library's spelling."""
        return vocabulary.term(self.name).unit

    @property
    def words(self) -> str:
        """Words for a table."""
        return vocabulary.term(self.name).long_name


@dataclass(frozen=True)
class Model:
    """A curve of porosity and what a fit needs to know of it.

    Parameters
    ----------
    name : str
        As in ``model=``.
    equation : str
        In words and symbols.
    sentence : str
        The fitted curve, to be filled with the parameters.
    source : str
        Where the form comes from.
    abscissa : {"depth", "vertical_effective_stress"}
        What porosity depends on [m] or [kPa].
    parameters : tuple of Parameter
        In the order of the arguments of the curve.
    curve, jacobian : callable
        ``(x, *parameters)`` to porosity (n,) and its derivatives (n, k).
    start : callable
        ``(x, y)`` to first values of the parameters.
    rate : callable
        ``(parameters)`` to the number that says how fast porosity falls; negative where it rises.
    rate_words : str
        What that number is.
    positive : bool
        The abscissa has to be above zero.
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

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return tuple(p.name for p in self.parameters)

    @property
    def bounds(self) -> dict[str, tuple[float, float]]:
        """Bounds of those that have any."""
        return {
            p.name: (p.low, p.high)
            for p in self.parameters
            if np.isfinite(p.low) or np.isfinite(p.high)
        }


def of_name(name: str) -> Model:
    """Look a model up.

    Parameters
    ----------
    name : str
        Key of :data:`MODELS`.

    Returns
    -------
    Model
        With its parameters.

    Raises
    ------
    ValueError
        When there is no such model; the message names those there are.
    """
    if name not in MODELS:
        raise ValueError(f"model is {name!r}; there is {', '.join(MODELS)}")
    return MODELS[name]


def _exponential(x: Array, a: float, length: float) -> Array:
    return a * np.exp(-x / length)


def _exponential_slopes(x: Array, a: float, length: float) -> Array:
    e = np.exp(-x / length)
    return np.column_stack([e, a * e * x / length**2])


def _inside(value: float) -> float:
    """A first porosity that a minimiser can move both ways."""
    return float(np.clip(value, 0.05, 0.95))


def _exponential_start(x: Array, y: Array) -> tuple[float, float]:
    """The unweighted solution, so that a porosity that rises starts with a negative length."""
    a, rate = numerics.solve(x, y)
    first, length = numerics.start(x, y)
    span = float(np.ptp(x)) or 1.0
    if np.isfinite(rate) and abs(rate) * span < 50.0:
        first, length = a, 1.0 / (rate if abs(rate) * span > 1e-3 else 1e-3 / span)
    return _inside(first), float(length)


def _offset(x: Array, a: float, r: float, length: float) -> Array:
    return r + (a - r) * np.exp(-x / length)


def _offset_slopes(x: Array, a: float, r: float, length: float) -> Array:
    e = np.exp(-x / length)
    return np.column_stack([e, 1.0 - e, (a - r) * e * x / length**2])


def _offset_start(x: Array, y: Array) -> tuple[float, float, float]:
    """The best of a row of decay lengths, the two porosities in closed form for each."""
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


def _linear(x: Array, a: float, gradient: float) -> Array:
    return a - 1e-3 * gradient * x


def _linear_slopes(x: Array, a: float, gradient: float) -> Array:
    return np.column_stack([np.ones_like(x), -1e-3 * x])


def _linear_start(x: Array, y: Array) -> tuple[float, float]:
    slope, a = np.polyfit(x, y, 1)
    return _inside(a), float(-1e3 * slope)


def _ratio(x: Array) -> Array:
    """Depth over the reference depth; just below the seafloor it is no smaller than 1e-6."""
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
    return np.maximum(e - index * np.log10(x / REFERENCE_STRESS), 1e-9)


def _log_stress(x: Array, e: float, index: float) -> Array:
    ratio = _void_ratio(x, e, index)
    return ratio / (1.0 + ratio)


def _log_stress_slopes(x: Array, e: float, index: float) -> Array:
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
        "offset exponential",
        "phi_r + (phi0 - phi_r) exp(-z / L)",
        "porosity = {residual_porosity:.4f} + ({surface_porosity:.4f} - {residual_porosity:.4f}) "
        "exp(-z / {decay_length:.0f} m)",
        "Athy 1930 with a porosity that stays",
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
        "exponential in stress",
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
        "void ratio in log stress",
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
    ),
)

MODELS: dict[str, Model] = {model.name: model for model in _ROWS}
