"""Calibration of a P-wave bench: solid blocks without liner, and liners filled with water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from corephys.ground import constants, fits, seawater, thresholds, units
from corephys.ground.arguments import positive
from corephys.ground.cards import Card, fit_warnings, with_uncertainty
from corephys.ground.choices import choice_column, matching, plain_words
from corephys.ground.provenance import UsedConstant, records

if TYPE_CHECKING:
    import pint
    from matplotlib.axes import Axes

    from corephys.ground.types import Dimensional, Scalar

__all__ = ["Calibration", "calibrate", "wall_count"]

_C = constants.CONSTANTS
_SLOWEST = thresholds.value("slowest_solid")  # us/mm
_WALLS = {"full": 2.0, "half": 1.0, "none": 0.0}
# Media of known velocity with their absolute salinity; sea water has that of TEOS-10.
_WATERS = {"water": "0 g/kg", "fresh_water": "0 g/kg", "sea_water": "35.16504 g/kg"}


@dataclass(frozen=True)
class Calibration(fits.FitResult):
    """Calibration t = delay + (walls / 2) liner_delay + length / velocity of the medium.

    Parameters
    ----------
    delay : float
        Delay of transducers and electronics [us].
    liner_delay : float
        Travel time in the two walls of a full liner [us].
    covariance : (2, 2) ndarray
        Covariance of delay and liner_delay [us^2]; NaN where unknown.
    medium_velocity : dict of str to float
        Fitted velocity of each solid medium [m/s].
    length, travel_time, residual : ndarray, (standard)
        Length of the standards [mm], their travel time [us], and measured less fitted time [us].
    residual_deviation : float
        Standard deviation of the residuals, by the degrees of freedom of the fit [us].
    liner_from : {"standards", "wall_and_velocity", "the_caller"}
        Origin of ``liner_delay``.
    left_out : int
        Number of standards without a length or a travel time above zero.
    used : dict of str to UsedConstant
        Constants that the fit used.
    medium, walls : ndarray, (standard)
        Medium of each standard, and number of walls that the pulse crosses.
    """

    delay: float
    liner_delay: float
    covariance: np.ndarray
    medium_velocity: dict[str, float] = field(default_factory=dict)
    length: np.ndarray = field(default_factory=lambda: np.empty(0))
    travel_time: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual: np.ndarray = field(default_factory=lambda: np.empty(0))
    residual_deviation: float = float("nan")
    liner_from: str = "standards"
    left_out: int = 0
    used: dict[str, UsedConstant] = field(default_factory=dict, repr=False)
    medium: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=object), repr=False)
    walls: np.ndarray = field(default_factory=lambda: np.empty(0), repr=False)

    @property
    def dataset(self) -> xr.Dataset:
        """Delays with uncertainties and effects, and the fitted velocities of the solids."""
        random = np.sqrt(np.diag(self.covariance))
        effects: list[dict[str, float]] = [{}, {}]
        # A calibration stored by an earlier version writes the word with spaces.
        if matching(self.liner_from, ("wall_and_velocity",)):
            # Both delays share the error of the velocity of the wall.
            shifts = self.covariance[1] / np.sqrt(self.covariance[1, 1])
            effects = [{"liner_velocity": float(shift)} for shift in shifts]
            left = np.diag(self.covariance) - shifts**2
            random = np.sqrt(np.where(left < 0.0, 0.0, left))
        words = ("delay of the electronics", "travel time in two walls of the liner")
        rows = [
            fits.Parameter("delay", self.delay, "us", words[0], random[0], effects[0]),
            fits.Parameter("liner_delay", self.liner_delay, "us", words[1], random[1], effects[1]),
        ]
        rows += [
            fits.Parameter(f"velocity_of_{medium}", value, "m/s", f"velocity of {medium}")
            for medium, value in self.medium_velocity.items()
        ]
        return fits.parameters(
            rows,
            equation="t = delay + (walls / 2) liner_delay + length / velocity of the medium",
            covariance=self.covariance,
            constants=self.used,
            liner_from=self.liner_from,
            residual_deviation=self.residual_deviation,
            standards=self.length.size,
            standards_left_out=self.left_out,
        )

    def _draw(self, ax: Axes) -> None:
        """Travel times of the standards against their length, by medium and liner."""
        labels = np.full(self.length.shape, "standards", dtype=object)
        if self.medium.size:  # archives of before lack the media
            pairs = zip(self.medium, self.walls, strict=True)
            labels[:] = [f"{medium}, {walls:g} walls" for medium, walls in pairs]
        for i, words in enumerate(dict.fromkeys(labels)):
            here = np.flatnonzero(labels == words)
            here = here[np.argsort(self.length[here], kind="stable")]
            x, t = self.length[here], self.travel_time[here]
            u = self.residual_deviation
            fits.draw_points(ax, x, t, u_y=u, label=words, colour=f"C{i}")
            fits.draw_curve(ax, x, t - self.residual[here], label="", colour=f"C{i}")
        if not labels.size:  # delays that were given, without standards
            fits.draw_curve(ax, [0.0, 0.0], [0.0, self.delay], label="delay")
        ax.set_xlabel("length [mm]")
        ax.set_ylabel("travel time [us]")

    @property
    def delay_uncertainty(self) -> float:
        """Standard uncertainty of the delay [us]."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def liner_delay_uncertainty(self) -> float:
        """Standard uncertainty of the liner's delay [us]."""
        return float(np.sqrt(self.covariance[1, 1]))

    def time(
        self,
        length: Dimensional,
        *,
        temperature: Dimensional,
        medium: str | Sequence[str] | xr.DataArray,
        liner: str | Sequence[str] | xr.DataArray = "none",
    ) -> pint.Quantity:
        """Travel time of a standard by this calibration.

        Parameters
        ----------
        length : Quantity or DataArray, (standard)
            Length of the path in the medium, without walls [mm].
        temperature : Quantity, DataArray or str
            Temperature of the standard [degC].
        medium, liner : str or sequence of str, (standard)
            Medium and kind of liner, as in :func:`calibrate`.

        Returns
        -------
        Quantity, (standard)
            Travel time [us]; NaN for a solid that was not among the standards of the calibration.
        """
        x = np.atleast_1d(np.asarray(positive(length, "mm", "length"), dtype=float))
        media = _media(medium, x.shape)
        walls = np.broadcast_to(wall_count(_plain(liner)), x.shape)
        warm = units.as_floats(temperature, "degC", "temperature")
        warm = np.broadcast_to(np.asarray(warm, dtype=float), x.shape)
        inside = _water_time(x, media, warm)
        for solid in sorted({str(m) for m in media} - set(_WATERS)):
            here = media == solid
            inside[here] = 1e3 * x[here] / self.medium_velocity.get(solid, np.nan)
        return units.quantity(self.delay + 0.5 * walls * self.liner_delay + inside, "us")

    def describe(self) -> str:
        """Delays and their origin in one line."""
        return (
            f"delay {self.delay:.4g} +- {self.delay_uncertainty:.2g} us, two walls "
            f"{self.liner_delay:.4g} +- {self.liner_delay_uncertainty:.2g} us (from "
            f"{plain_words(self.liner_from)}); {self.length.size} standards"
            + (f", {self.left_out} without length or time left out" if self.left_out else "")
        )

    def card(self) -> Card:
        """Delays with uncertainties, scatter, and warnings of the calibration.

        Returns
        -------
        Card
            Summary, displayed as text or HTML.
        """
        rows = [
            ("delay", with_uncertainty(self.delay, self.delay_uncertainty, "us")),
            (
                "two walls",
                f"{with_uncertainty(self.liner_delay, self.liner_delay_uncertainty, 'us')}, from "
                f"{plain_words(self.liner_from)}",
            ),
            ("standards", f"{self.length.size} used, {self.left_out} left out"),
        ]
        rows += [(medium, f"{v:.1f} m/s") for medium, v in self.medium_velocity.items()]
        if np.isfinite(self.residual_deviation):
            rows.append(("residual deviation", f"{self.residual_deviation:.2g} us"))
        return Card(
            "P-wave calibration, t = delay + walls + length / velocity",
            tuple(rows),
            fit_warnings(float("nan"), self.residual, "us"),
            ("check that the fitted velocity of each solid standard is that of its material",),
        )


def wall_count(liner: str | Sequence[str] | xr.DataArray) -> Any:
    """Number of walls that the pulse crosses: 2, 1 or 0 for ``full``, ``half`` or ``none``.

    An empty text counts as full, because a table without the column describes full liners.
    """
    series: Any = liner if hasattr(liner, "dims") else None
    words = np.asarray(liner, dtype=object) if series is None else series.values
    words = choice_column(words, (*_WALLS, ""), "liner")
    counts = np.full(np.shape(words), _WALLS["full"])
    for word, walls in _WALLS.items():
        counts[np.asarray(words == word)] = walls
    if series is not None:
        return series.copy(deep=False, data=counts).drop_attrs(deep=False)
    return counts if counts.ndim else float(counts)


def calibrate(
    length: Dimensional,
    travel_time: Dimensional,
    *,
    temperature: Dimensional,
    medium: str | Sequence[str] | xr.DataArray = "water",
    liner: str | Sequence[str] | xr.DataArray = "none",
    wall: Scalar,
    liner_velocity: Scalar = _C["liner_velocity"],
    liner_velocity_uncertainty: Scalar | None = None,
) -> Calibration:
    """Delay of the electronics and of the liner from standards of known length.

    Parameters
    ----------
    length : Quantity or DataArray, (standard)
        Length of the path in the medium, without walls [mm].
    travel_time : Quantity or DataArray, (standard)
        Travel time of the pulse [us].
    temperature : Quantity, DataArray or str
        Temperature of the standard [degC]; determines the velocity where the medium is water.
    medium : str or sequence of str, (standard)
        ``water`` (fresh), ``sea_water``, or the name of a solid, whose velocity is fitted.
    liner : str or sequence of str, (standard)
        ``full``, ``half`` or ``none``.
    wall : Quantity or str
        Thickness of one wall [mm].
    liner_velocity, liner_velocity_uncertainty : Quantity, str or Constant
        Velocity of the wall [m/s]; used only where the standards do not separate the delay of the
        liner from that of the electronics. Uncertainties are NaN if that of the velocity is not
        given.

    Returns
    -------
    Calibration
        Delays with their covariance, fitted velocities of the solids and residuals.

    Raises
    ------
    ValueError
        When the standards do not determine the delay: too few standards, a single length of a
        solid, no length or time above zero, or a solid with a negative fitted velocity.

    Notes
    -----
    Least squares of t = t0 + (n / 2) t_liner + length s: s is 1 / c(T) in water (TEOS-10 at
    the surface, :func:`corephys.ground.seawater.sound_speed`) and free for each solid, so that the
    intercept of time on length is the delay (regression on blocks, Boyce 1976, from memory).
    """
    x = np.asarray(positive(length, "mm", "length"), dtype=float)
    t = np.asarray(positive(travel_time, "us", "travel_time"), dtype=float)
    warm = np.asarray(units.as_floats(temperature, "degC", "temperature"), dtype=float)
    known = (x > 0.0) & (t > 0.0)
    shape = known.shape
    media = _media(medium, shape)[known]
    walls = np.broadcast_to(wall_count(_plain(liner)), shape)[known]
    warm = np.broadcast_to(warm, shape)[known]
    x, t = x[known], t[known]
    left_out = int(known.size - x.size)
    nominal = (
        2e3
        * positive(wall, "mm", "wall", zero=True)
        / positive(liner_velocity, "m/s", "liner_velocity")
    )
    sigma = _liner_sigma(nominal, liner_velocity, liner_velocity_uncertainty)
    solids = sorted({str(m) for m in media} - set(_WATERS))
    # One column for each unknown: delay, time in two walls, slowness of each solid.
    design = np.column_stack(
        [np.ones_like(x), walls / 2.0, *(np.where(media == solid, x, 0.0) for solid in solids)]
    )
    found = _fit(
        x, t, t - _water_time(x, media, warm), design, solids, float(nominal), sigma, left_out
    )
    found = replace(found, medium=media, walls=walls)
    if found.liner_from == "standards":
        return found
    velocity = (liner_velocity, liner_velocity_uncertainty)
    return replace(found, used=records(liner_velocity=velocity))


def _media(medium: Any, shape: tuple[int, ...]) -> np.ndarray:
    """Medium of each standard; the words of waters in any spelling."""
    words = np.broadcast_to(np.asarray(_plain(medium), dtype=object), shape)
    found = np.array([matching(word, _WATERS) or word for word in words.ravel()], dtype=object)
    return found.reshape(shape)


def _plain(text: Any) -> Any:
    """Words without coordinates."""
    return text.values if hasattr(text, "dims") else text


def _liner_sigma(nominal: float, velocity: Scalar, uncertainty: Scalar | None) -> float:
    """Standard uncertainty [us] of the time in two walls, from that of their velocity."""
    v = units.as_floats(velocity, "m/s", "liner_velocity")
    u = units.as_floats(
        uncertainty, "m/s", "liner_velocity_uncertainty", difference=True, optional=True
    )
    if u is None:
        u = velocity.uncertainty if isinstance(velocity, constants.Constant) else float("nan")
    return float(nominal * u / v)


def _water_time(x: np.ndarray, media: np.ndarray, warm: np.ndarray) -> np.ndarray:
    """Time in water of known velocity [us]; zero in solids."""
    time = np.zeros_like(x)
    for water, salinity in _WATERS.items():
        here = media == water
        if here.any():
            if not np.isfinite(warm[here]).all():
                raise ValueError(
                    f"a standard of {plain_words(water)} has no temperature; its velocity is "
                    "computed from the temperature. Give the temperature of each standard of water"
                )
            if (np.abs(warm[here]) > 100.0).any():
                raise ValueError(
                    f"a standard of {plain_words(water)} has a temperature of "
                    f"{warm[here][np.argmax(np.abs(warm[here]))]:g} degC; expected 0 to 100 degC. "
                    "Check its unit"
                )
            speed = seawater.sound_speed(salinity, units.quantity(warm[here], "degC"), "0 dbar")
            time[here] = 1e3 * x[here] / speed.magnitude
    return time


def _determined(design: np.ndarray) -> bool:
    """Whether the columns are linearly independent."""
    # Columns are scaled, because lengths in mm and counts of walls differ in size.
    size = np.linalg.norm(design, axis=0)
    if not size.all() or design.shape[0] < design.shape[1]:
        return False
    return bool(np.linalg.matrix_rank(design / size, tol=1e-6) == design.shape[1])


def _refuse_slow_solids(solids: list[str], slowness: np.ndarray) -> None:
    """Refuse a fitted velocity that is negative or below that of any solid: rows were swapped."""
    for solid, slow in zip(solids, slowness, strict=True):
        if not 0.0 < slow < _SLOWEST:
            raise ValueError(
                f"the standards of {solid!r} give a velocity of {1e3 / slow:.4g} m/s; expected one "
                f"above {1e3 / _SLOWEST:.3g} m/s. Check the lengths [mm] and travel times [us] for "
                "swapped rows"
            )


def _fit(
    x: np.ndarray,
    t: np.ndarray,
    y: np.ndarray,
    design: np.ndarray,
    solids: list[str],
    nominal: float,
    sigma: float,
    left_out: int,
) -> Calibration:
    """Delays by least squares; that of the walls is nominal where standards do not separate it."""
    every = np.arange(design.shape[1])
    from_standards = _determined(design)
    free = every if from_standards else np.delete(every, 1)
    target = y if from_standards else y - design[:, 1] * nominal
    if not _determined(design[:, free]):
        raise ValueError(
            "the standards do not determine the delay: each solid "
            f"({', '.join(solids) or 'none given'}) needs at least two lengths. Add a length, or "
            "water at a known temperature"
        )
    if x.size <= free.size:
        raise ValueError(
            f"{x.size} standards for {free.size} unknowns; at least {free.size + 1} standards are "
            "needed"
        )
    # One standard more than unknowns: the residuals give the uncertainty.
    found, *_ = np.linalg.lstsq(design[:, free], target, rcond=None)
    _refuse_slow_solids(solids, found[free.size - len(solids) :])
    residual = target - design[:, free] @ found
    variance = float(residual @ residual) / (x.size - free.size)
    inverse = np.linalg.inv(design[:, free].T @ design[:, free])
    covariance = np.zeros((design.shape[1],) * 2)
    covariance[np.ix_(free, free)] = variance * inverse
    values = np.zeros(design.shape[1])
    values[free] = found
    if not from_standards:
        # The standards fix the sum of both delays: a longer time in the walls means a shorter
        # delay of the electronics.
        pull = np.zeros(design.shape[1])
        pull[free] = -inverse @ design[:, free].T @ design[:, 1]
        pull[1], values[1] = 1.0, nominal
        covariance = covariance + sigma**2 * np.outer(pull, pull)
    return Calibration(
        float(values[0]),
        float(values[1]),
        covariance[:2, :2],
        {solid: float(1e3 / values[2 + i]) for i, solid in enumerate(solids)},
        x,
        t,
        residual,
        float(np.sqrt(variance)),
        "standards" if from_standards else "wall_and_velocity",
        left_out,
    )
