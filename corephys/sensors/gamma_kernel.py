"""The arithmetic of gamma density on plain arrays, in blocks that stay in the processor's cache."""

from __future__ import annotations

from typing import Any

import numpy as np

from corephys.ground import flags

__all__ = ["density_kernel"]

BLOCK = 32768  # readings; the scratch arrays of a block stay in the processor's cache


def density_kernel(
    counts: Any, time: Any, elapsed: Any, diameter: Any, bore: Any, fluid: Any,
    intercept: Any, slope: Any, c0: Any, c1: Any, c2: Any, *, dead_time: float, background: float,
    real_time: bool, domain: tuple[float, float], decay_constant: float = 0.0, path: bool = True,
) -> tuple[Any, ...]:  # fmt: skip
    """Density, its counting uncertainty and reasons, in blocks; the beam's path where asked.

    Parameters
    ----------
    counts, time, elapsed : float or ndarray, (n,)
        Counts, counting time [s] and time since the calibration's reference [s].
    diameter, bore : float or ndarray, (n,)
        Of core and liner [cm].
    fluid, intercept, slope : float or ndarray, (n,)
        Reading of the annulus [g/cm^3], and the electron scale [g/cm^3], [1].
    c0, c1, c2 : float or ndarray, (n,)
        Of ln I in areal density; one a reading where the calibration changes in time.
    dead_time, background, decay_constant : float
        [s], [1/s], [1/s].
    real_time : bool
        Whether the times are real times.
    domain : tuple of float
        Areal densities that the calibration spans [g/cm^2].
    path : bool
        Whether to return the path of the beam as well.

    Returns
    -------
    tuple of ndarray, (n,)
        rho and u_random [g/cm^3] and int64 reasons, then with ``path`` the areal density x
        [g/cm^2] and -d ln I/dx [cm^2/g].

    Notes
    -----
    Sources at :func:`corephys.sensors.gamma.bulk_density`.
    """
    arrays = (counts, time, elapsed, diameter, bore, fluid, intercept, slope, c0, c1, c2)
    shape = np.broadcast_shapes(*(np.shape(a) for a in arrays))
    flat = [np.ravel(np.broadcast_to(a, shape)) if np.ndim(a) else float(a) for a in arrays]
    size = int(np.prod(shape))
    rho, u = np.empty(size), np.empty(size)
    reason = np.zeros(size, dtype=np.int64)
    length = min(BLOCK, size)
    x = np.empty(size if path else length)
    root = np.empty(size if path else length)
    scratch = np.empty((2, length))
    for start in range(0, size, BLOCK):
        part = slice(start, min(start + BLOCK, size))
        inside = part if path else slice(0, part.stop - start)
        _density_block(
            *(a[part] if isinstance(a, np.ndarray) else a for a in flat),
            rho[part], u[part], reason[part], x[inside], root[inside],
            scratch[:, : part.stop - start],
            dead_time if real_time else 0.0, background, domain, decay_constant, path,
        )  # fmt: skip
    found = (rho, u, reason, x, root) if path else (rho, u, reason)
    return tuple(part.reshape(shape) for part in found)


def _density_block(
    n, t, elapsed, d, bore, fluid, intercept, slope, c0, c1, c2, rho, u, reason, x, root, scratch,
    tau, background, domain, decay_constant, path,
) -> None:  # fmt: skip
    """One block, every step into memory that is already in the cache."""
    rate, work = scratch
    per_x = slope / d
    offset = intercept - slope * fluid * (bore / d - 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        np.multiply(n, -tau, out=work)
        work += t  # the live time
        np.divide(n, work, out=rate)
        # Dead time narrows the spread of counts by its own factor (renewal process), so that the
        # relative uncertainty of the true rate is 1 / sqrt(N) and not larger.
        np.sqrt(n, out=u)
        np.divide(u, work, out=u)
        rate -= background
        np.divide(u, rate, out=u)  # standard uncertainty of ln I
        np.log(rate, out=rate)
        # The logarithm of the decay is a product; the factor itself would cost a power a reading.
        np.multiply(elapsed, decay_constant, out=work)
        rate += work
        # x = 2 (c0 - y) / (s - c1), s = sqrt(c1^2 - 4 c2 (c0 - y)) = -d ln I/dx: no limit at c2=0.
        np.subtract(c0, rate, out=rate)
        np.multiply(rate, -4.0 * c2, out=root)
        root += c1 * c1
        np.sqrt(root, out=root)
        np.subtract(root, c1, out=work)
        np.divide(rate, work, out=x)  # half of x
        np.multiply(x, 2.0 * per_x, out=rho)
        rho += offset
        np.divide(u, root, out=u)
        u *= np.abs(per_x)
        outside = not (2.0 * x.min() >= domain[0] and 2.0 * x.max() <= min(domain[1], 1e300))
        if path:
            x *= 2.0
    if not outside:
        return
    # Only a block that leaves the calibration can hold a rate or a live time that is not positive.
    with np.errstate(divide="ignore", invalid="ignore"):
        areal = x if path else 2.0 * x
        reason[(areal < domain[0]) | (areal > domain[1])] = flags.bit("beyond_calibration")
        live = t - tau * n
        lost = ~((live > 0.0) & (n / live - background > 0.0))
        absent = np.isnan(n) | np.isnan(t)  # no number is another thing than too many counts
        reason[lost & ~absent] = flags.bit("counter_saturated")
        reason[absent] = flags.bit("missing_value")
        reason[(n <= 0.0) | (t <= 0.0)] = flags.bit("impossible_value")
        rho[lost] = np.nan
        u[lost] = np.nan
