"""What the errors of conductivity and heat capacities do to a fitted temperature: by refitting."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from corephys.downhole import formation_decay

_SMALL = 1e-6  # relative, below which a refit would be rounding


@dataclass(frozen=True)
class Moved:
    """One sigma of one input.

    Parameters
    ----------
    effect : float
        Signed change of the temperature for one sigma upwards [K].
    bend : float
        Mean of both refits less the fit, doubled [K]: zero where the effect is linear.
    """

    effect: float
    bend: float


def moved(
    time: np.ndarray, values: np.ndarray, decay: formation_decay.Decay,
    change: Callable[[float], formation_decay.Probe], sigma: float, slope: float, *,
    follows: bool = True,
) -> Moved:  # fmt: skip
    """Refit the window with an input one relative sigma higher and lower.

    ``change`` gives the probe with the input times a factor; ``slope`` is the derivative of the
    temperature by the input's logarithm [K], used where sigma is tiny, a refit fails, or the decay
    is that of a table which the input does not move. An input cannot fall below a tenth of itself.
    """
    if not np.isfinite(sigma):
        return Moved(float("nan"), 0.0)
    if sigma < _SMALL or not follows:
        return Moved(slope * sigma, 0.0)
    ends = []
    for factor in (1.0 + sigma, max(1.0 - sigma, 0.1)):
        again = formation_decay.fit(time, values, change(factor), decay.first, decay.last)
        if again is None:
            return Moved(slope * sigma, 0.0)
        ends.append(again.temperature)
    return Moved(0.5 * (ends[0] - ends[1]), ends[0] + ends[1] - 2.0 * decay.temperature)


def scaled(probe: formation_decay.Probe, name: str) -> Callable[[float], formation_decay.Probe]:
    """The probe with one of its numbers times a factor."""
    return lambda factor: replace(probe, **{name: getattr(probe, name) * factor})
