"""The chain from counts to density as a whole, and how it answers to each of its inputs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from corephys.ground import series
from corephys.sensors.gamma_calibration import Calibration
from corephys.sensors.gamma_kernel import density_kernel
from corephys.sensors.gamma_steps import fluid_reading, true_scale
from corephys.uncertainty import bare, covariance_effects

__all__ = ["Chain", "Sediment"]


@dataclass(frozen=True)
class Sediment:
    """What the beam meets in the core.

    Parameters
    ----------
    grain_density : float or array
        [g/cm^3].
    fluid_density : float or array
        Of the pore water [g/cm^3].
    grain_ratio, fluid_ratio : float
        Electrons per unit molar mass, Z/A [mol/g].
    attenuation_ratio : float
        Mass attenuation of the pore water over that of the grains [1].
    """

    grain_density: Any
    fluid_density: Any
    grain_ratio: float
    fluid_ratio: float
    attenuation_ratio: float

    def scale(self, calibration: Calibration) -> tuple[Any, Any]:
        """Intercept [g/cm^3] and slope [1] of true density on the reading."""
        return true_scale(
            calibration, self.grain_density, self.fluid_density, self.grain_ratio,
            self.fluid_ratio, self.attenuation_ratio,
        )  # fmt: skip


@dataclass(frozen=True)
class Chain:
    """Readings that one calibration after the other can be laid over.

    Parameters
    ----------
    readings : list of float or array
        Counts, counting time [s], elapsed time [s], diameter and bore [cm].
    annulus : float or array
        True density of what fills the annulus [g/cm^3]; zero for air.
    decay_constant : float
        [1/s].
    """

    readings: list[Any]
    annulus: Any
    decay_constant: float

    def density(self, calibration: Calibration, sediment: Sediment) -> tuple[Any, ...]:
        """Density, counting uncertainty, reasons, areal density and -d ln I/dx."""
        intercept, slope = sediment.scale(calibration)
        return series.apply(
            density_kernel, *self.readings, self.fluid(calibration, sediment), intercept, slope,
            *(calibration.coefficients[i] for i in range(3)), outputs=5,
            dtypes=[float, float, np.int64, float, float], dead_time=calibration.dead_time,
            background=calibration.background_rate, real_time=calibration.real_time,
            domain=calibration.domain, decay_constant=self.decay_constant,
        )  # fmt: skip

    def fluid(self, calibration: Calibration, sediment: Sediment) -> Any:
        """What the scale reads in the annulus; air is zero and stays zero."""
        return fluid_reading(
            self.annulus, calibration=calibration, fluid_ratio=sediment.fluid_ratio,
            attenuation_ratio=sediment.attenuation_ratio,
        )  # fmt: skip

    def diameter_effect(
        self, calibration: Calibration, sediment: Sediment, x: Any, u_d: Any
    ) -> dict[str, Any]:
        """Effect of one sigma of the core's diameter."""
        diameter, bore = self.readings[3], self.readings[4]
        slope = sediment.scale(calibration)[1]
        partial = slope * (self.fluid(calibration, sediment) * bore - x) / diameter**2
        return {"core_diameter": partial * (float("nan") if u_d is None else u_d)}

    def coefficient_effects(
        self, calibration: Calibration, sediment: Sediment, x: Any, root: Any
    ) -> dict[str, Any]:
        """Effects of the fitted coefficients: d rho/d c_j = (slope / d) x^j / (-d ln I/dx)."""
        slope = sediment.scale(calibration)[1]
        per_c0 = slope / (self.readings[3] * root)
        powers = [per_c0, per_c0 * x, per_c0 * x * x]
        if not calibration.parts:
            covariance = calibration.covariance
            return covariance_effects(
                powers[: covariance.shape[0]], covariance, "gamma_calibration"
            )
        effects: dict[str, Any] = {}
        for label, weight, part in calibration.parts:
            partials = [weight * power for power in powers[: part.covariance.shape[0]]]
            name = f"gamma_calibration_{label}"
            effects.update(covariance_effects(partials, part.covariance, name))
        return effects

    def shared_effects(
        self, calibration: Calibration, sediment: Sediment, rho: Any,
        grain_effects: dict[str, Any], sigmas: dict[str, float],
    ) -> dict[str, Any]:  # fmt: skip
        """Effects of what standards and readings share: the whole chain is done again."""

        def change(cal: Calibration, sed: Sediment) -> Any:
            return self.density(cal, sed)[0] - rho

        effects = {source: change(other, sediment) for source, other in calibration.shifted.items()}
        if calibration.scale == "aluminium and water":
            ratio = sediment.grain_ratio + sigmas["grain_electron_ratio"]
            effects["grain_electron_ratio"] = change(
                calibration, replace(sediment, grain_ratio=ratio)
            )
        else:
            # Grains that weaken less make every reading, and the water's ratio, larger alike.
            factor = 1.0 + sigmas["grain_attenuation"] / sediment.attenuation_ratio
            c = calibration.coefficients
            scaled = [c[0], c[1] / factor, c[2] / factor**2]
            low, high = calibration.domain
            effects["grain_attenuation"] = change(
                replace(calibration, coefficients=scaled, domain=(low, high * factor)),
                replace(sediment, attenuation_ratio=sediment.attenuation_ratio * factor),
            )
        step = 0.01
        heavier = replace(sediment, grain_density=sediment.grain_density + step)
        per_grain = change(calibration, heavier) / step
        for source, effect in grain_effects.items():
            effects[source] = effects.get(source, 0.0) + per_grain * bare(effect)
        return effects
