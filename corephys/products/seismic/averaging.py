"""From the scale of a scan to that of seismic waves: the long-wave average of thin layers.

For a wave far longer than the layers they form one medium with the mean density and the harmonic
mean of the moduli. Its velocity is not the mean velocity, nor that of the mean travel time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import arguments, companions, series, thresholds
from corephys.ground.laws import law
from corephys.uncertainty import Measured

if TYPE_CHECKING:
    from corephys.ground.types import Dimensional, Numbers, Scalar

__all__ = ["backus", "layered_medium", "quarter_wavelength"]

_T = thresholds.DEFAULTS


@law("m", velocity="positive m/s", frequency="positive Hz")
def quarter_wavelength(velocity: Numbers, frequency: Numbers) -> Numbers:
    """A quarter of the wavelength, the usual limit of vertical resolution.

    Parameters
    ----------
    velocity : Quantity, DataArray or str
        P-wave velocity [m/s].
    frequency : Quantity or str
        Frequency of the wave [Hz].

    Returns
    -------
    Quantity or DataArray
        Quarter of the wavelength [m].

    Notes
    -----
    V / (4 f): definition; in a thinner bed the reflections of top and base merge (Widess 1973,
    Geophysics 38, 1176, gives an eighth as the limit; from memory).

    Examples
    --------
    >>> round(float(quarter_wavelength("1800 m/s", "130 Hz").magnitude), 2)
    3.46
    """
    return velocity / (4.0 * frequency)


def backus(
    profile: xr.Dataset,
    *,
    length: Scalar | None = None,
    frequency: Scalar | None = None,
    fraction: float = _T["averaging_fraction"],
) -> xr.Dataset:
    """Long-wave average of a profile over a window.

    Parameters
    ----------
    profile : Dataset, (reading)
        From ``seismic.profile``: ``bulk_density`` [g/cm^3], ``p_wave_velocity`` [m/s], ``depth``.
    length : Quantity or str, optional
        Window [m]; without it ``fraction`` of the wavelength at ``frequency``.
    frequency : Quantity or str, optional
        Frequency of the wave [Hz]; also gives ``quarter_wavelength``.
    fraction : float
        Window as a fraction of the wavelength [1].

    Returns
    -------
    Dataset, (reading)
        ``bulk_density``, ``p_wave_velocity`` and ``acoustic_impedance`` [MPa s/m] of the averaged
        medium, ``averaging_length`` [m], and ``quarter_wavelength`` [m] with a frequency.

    Raises
    ------
    ValueError
        Without length and frequency, for depths that do not increase, or impossible values.

    Notes
    -----
    rho = <rho>, 1/M = <1/(rho V^2)>, V = sqrt(M/rho) over the window (Backus 1962, J. Geophys. Res.
    67, 4427, at normal incidence; from memory). A reading represents the core from halfway to the
    one above to halfway to the one below; at an end the window is cut. The averages are running
    sums, so that the time grows linearly with the number of readings. Random errors average out,
    errors that readings share do not.
    """
    profile = companions.library_units(profile)
    rho, speed, depth = _inputs(profile)
    window, quarter = _window(speed.values, length, frequency, fraction)
    over = _Window(depth, window)
    density, velocity = rho.values, speed.values
    # The harmonic mean of the modulus rho V^2 is the arithmetic mean of its inverse.
    compliance = 1.0 / (density * velocity**2)
    s, r = over.mean(compliance), over.mean(density)
    a = compliance * np.asarray(rho.u_random) / density
    b = np.asarray(rho.u_random) + 0.0 * density
    e = 2.0 * compliance * np.asarray(speed.u_random) / velocity
    found = {}
    for name, (scale, on_s, on_r) in {
        "bulk_density": (r, 0.0, 1.0),
        "p_wave_velocity": (1.0 / np.sqrt(s * r), -0.5, -0.5),
        "acoustic_impedance": (1e-3 * np.sqrt(r / s), -0.5, 0.5),
    }.items():
        # A relative change is on_s d<s>/<s> + on_r d<r>/<r>, with ds = -s (d rho/rho + 2 dV/V).
        variance = (on_s / s) ** 2 * (over.covariance(a, a) + over.covariance(e, e))
        variance += (on_r / r) ** 2 * over.covariance(b, b)
        variance -= 2.0 * on_s * on_r / (s * r) * over.covariance(a, b)
        effects = {}
        for source in sorted({*rho.effects, *speed.effects}):
            d_rho, d_speed = (part.effects.get(source, 0.0) for part in (rho, speed))
            d_s = over.mean(-compliance * (d_rho / density + 2.0 * d_speed / velocity))
            effects[source] = scale * (on_s * d_s / s + on_r * over.mean(d_rho + 0.0 * r) / r)
        u_random = (
            scale * np.sqrt(np.maximum(variance, 0.0)) if on_s else np.sqrt(over.covariance(b, b))
        )
        values = xr.DataArray(scale, dims="reading", coords=_places(profile))
        found[name] = Measured(values, u_random, effects, rho.reason | speed.reason)
    dataset = series.build(
        found,
        steps=("long-wave average: mean density, harmonic mean of rho V^2 over the window",),
        constants={
            "length": length,
            "frequency": frequency,
            "fraction": fraction if length is None else None,
        },
    )
    dataset["averaging_length"] = _metres(over.length, "length of the window")
    if frequency is not None:
        dataset["quarter_wavelength"] = _metres(quarter, "quarter of the wavelength")
    return dataset


class _Window:
    """Means over a window about every reading, by running sums over piecewise constant rows."""

    def __init__(self, depth: np.ndarray, window: np.ndarray) -> None:
        self.edges = np.concatenate([depth[:1], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
        # At the ends of the profile the window is cut, not moved: its middle stays at the reading.
        self.low = np.maximum(depth - 0.5 * window, self.edges[0])
        self.high = np.minimum(depth + 0.5 * window, self.edges[-1])
        self.length = self.high - self.low

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Mean over the window, parts of rows at its ends counted by their length."""
        total = np.concatenate([[0.0], np.cumsum(values * np.diff(self.edges))])
        top, bottom = (np.interp(at, self.edges, total) for at in (self.low, self.high))
        return np.asarray((bottom - top) / self.length)

    def covariance(self, one: np.ndarray, other: np.ndarray) -> np.ndarray:
        """Covariance of two means over the window, with errors independent between rows."""
        return self.mean(one * other * np.diff(self.edges)) / self.length


def _inputs(profile: xr.Dataset) -> tuple[Measured, Measured, np.ndarray]:
    parts = [series.unpack(profile, name) for name in ("bulk_density", "p_wave_velocity")]
    if "depth" not in profile.coords:
        raise ValueError("the profile has no coordinate depth; make it with seismic.profile")
    depth = np.asarray(profile["depth"].values, dtype=float)
    plain = [series.take(part, np.arange(depth.size)) for part in parts]
    if depth.size < 2 or not np.all(np.diff(depth) > 0.0):
        raise ValueError(
            f"the profile has {depth.size} rows; it needs two or more, with depths that increase "
            "from row to row. seismic.profile sorts and merges readings"
        )
    for part, name in zip(plain, ("bulk_density", "p_wave_velocity"), strict=True):
        if not np.all(part.values > 0.0):
            raise ValueError(
                f"{int(np.sum(~(part.values > 0.0)))} values of {name} are missing, zero or below; "
                "leave such readings out, as seismic.profile does"
            )
    return plain[0], plain[1], depth


def _window(
    velocity: np.ndarray, length: Scalar | None, frequency: Scalar | None, fraction: float
) -> tuple[np.ndarray, np.ndarray]:
    """Window and a quarter of the wavelength at every row [m]."""
    quarter = np.full(velocity.shape, np.nan)
    if frequency is not None:
        quarter = velocity / (4.0 * float(arguments.positive(frequency, "Hz", "frequency")))
    if length is not None:
        return np.full(velocity.shape, float(arguments.positive(length, "m", "length"))), quarter
    if frequency is None:
        raise ValueError(
            "neither length nor frequency is given; give length=, such as '2 m', or frequency= "
            "for a fraction of its wave"
        )
    share = float(arguments.positive(arguments.fraction(fraction, "fraction"), "1", "fraction"))
    return 4.0 * share * quarter, quarter


def _places(profile: xr.Dataset) -> dict[str, Any]:
    return {
        name: ("reading", profile[name].values)
        for name in ("depth", "core")
        if name in profile.coords
    }


def _metres(values: np.ndarray, words: str) -> xr.DataArray:
    return xr.DataArray(values, dims="reading", attrs={"units": "m", "long_name": words})


def layered_medium(
    thickness: Dimensional,
    density: Dimensional,
    p_wave_velocity: Dimensional,
    s_wave_velocity: Dimensional,
) -> xr.Dataset:
    """Stiffnesses and anisotropy of thin isotropic layers as one medium with a vertical axis.

    Parameters
    ----------
    thickness : Quantity or DataArray, (layer)
        Thicknesses of the layers [m].
    density, p_wave_velocity, s_wave_velocity : Quantity or DataArray, (layer)
        Densities [g/cm^3] and velocities [m/s] of the layers.

    Returns
    -------
    Dataset
        ``stiffness_a``, ``_c``, ``_f``, ``_l`` and ``_m`` [GPa]; ``bulk_density`` [g/cm^3];
        vertical ``p_wave_velocity`` and ``s_wave_velocity`` [m/s]; ``epsilon``, ``delta`` and
        ``gamma``, pure numbers.

    Raises
    ------
    ValueError
        For values that are not above zero, or of different sizes.

    Notes
    -----
    With the moduli lambda and mu and means weighted by thickness, the five constants of Backus
    (1962, J. Geophys. Res. 67, 4427; from memory), and the three parameters of Thomsen (1986,
    Geophysics 51, 1954; from memory). Layers have to be far thinner than the wavelength.
    """
    h, rho, vp, vs = (
        np.atleast_1d(np.asarray(arguments.positive(given, unit, name), dtype=float))
        for given, unit, name in (
            (thickness, "m", "thickness"),
            (density, "kg/m^3", "density"),
            (p_wave_velocity, "m/s", "p_wave_velocity"),
            (s_wave_velocity, "m/s", "s_wave_velocity"),
        )
    )
    if len({part.shape for part in (h, rho, vp, vs)}) > 1:
        raise ValueError(
            f"thickness, density and the two velocities have {h.size}, {rho.size}, {vp.size} and "
            f"{vs.size} layers; give one value of each for every layer"
        )
    if not all(np.all(part > 0.0) for part in (h, rho, vp, vs)):
        raise ValueError(
            f"the smallest thickness, density, P- and S-wave velocity are {h.min():g} m, "
            f"{rho.min():g} kg/m^3, {vp.min():g} and {vs.min():g} m/s; all must be above zero"
        )
    found = _layers(h, rho, vp, vs)
    attributes = {
        "stiffness": ("GPa", "stiffness of the layered medium"),
        "density": ("g/cm^3", "bulk density"),
        "velocity": ("m/s", "velocity along the vertical axis"),
    }
    dataset = xr.Dataset()
    for name, value in found.items():
        kind = next((word for word in attributes if word in name), "")
        unit, words = attributes.get(kind, ("1", f"parameter of weak anisotropy, {name}"))
        dataset[name] = xr.DataArray(value, attrs={"units": unit, "long_name": words})
    dataset.attrs["assumptions"] = "isotropic layers, all far thinner than the wavelength"
    return dataset


def _layers(h: np.ndarray, rho: np.ndarray, vp: np.ndarray, vs: np.ndarray) -> dict[str, float]:
    """Constants [GPa] and parameters from thickness [m], density [kg/m^3] and velocities [m/s]."""
    weight = h / h.sum()
    p, mu = rho * vp**2, rho * vs**2  # lambda + 2 mu, and mu [Pa]

    def mean(values: np.ndarray) -> float:
        return float(np.sum(weight * values))

    lame = p - 2.0 * mu
    c, shear = 1.0 / mean(1.0 / p), 1.0 / mean(1.0 / mu)
    f = c * mean(lame / p)
    a = mean(4.0 * mu * (lame + mu) / p) + c * mean(lame / p) ** 2
    m, density = mean(mu), mean(rho)
    constants = {"a": a, "c": c, "f": f, "l": shear, "m": m}
    found = {f"stiffness_{key}": value * 1e-9 for key, value in constants.items()}
    return {
        **found,
        "bulk_density": density * 1e-3,
        "p_wave_velocity": float(np.sqrt(c / density)),
        "s_wave_velocity": float(np.sqrt(shear / density)),
        "epsilon": (a - c) / (2.0 * c),
        "delta": ((f + shear) ** 2 - (c - shear) ** 2) / (2.0 * c * (c - shear)),
        "gamma": (m - shear) / (2.0 * shear),
    }
