"""The true ground: porosity, grains, velocity, conductivity and temperature against depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from . import materials
from .materials import MINERALS

NODE_STEP = 0.2  # m, spacing of the small-scale scatter
FRAME_SHARE = 0.16  # weight of the critical-porosity frame against the Wood suspension
CRITICAL_POROSITY = 0.80


@dataclass
class Ground:
    """Truth of one hole; depths in m below the sea floor, heat flow in mW/m^2.

    `layers` holds top and bottom [m] and the mass fraction of each mineral; scatter arrays hold
    one white value per node of `node_depth`, read by linear interpolation.
    """

    surface_porosity: float
    decay_length: float
    heat_flow: float
    bottom_water_temperature: float
    salinity: float
    laboratory_temperature: float
    layers: pd.DataFrame
    node_depth: np.ndarray
    porosity_scatter: np.ndarray
    velocity_scatter: np.ndarray
    conductivity_scatter: np.ndarray
    layer_offset: np.ndarray

    def layer_index(self, depth):
        """Index of the layer that holds each depth; the last layer continues downward."""
        bottoms = self.layers["bottom"].to_numpy()
        return np.clip(np.searchsorted(bottoms, depth, side="right"), 0, len(bottoms) - 1)

    def _fractions(self, depth):
        return self.layers[list(MINERALS)].to_numpy()[self.layer_index(depth)]

    def _scatter(self, depth, values):
        return np.interp(depth, self.node_depth, values)

    def porosity(self, depth):
        """True porosity: exponential compaction, a layer's offset and white scatter."""
        depth = np.asarray(depth, dtype=float)
        trend = self.surface_porosity * np.exp(-depth / self.decay_length)
        offset = self.layer_offset[self.layer_index(depth)]
        return trend + offset + self._scatter(depth, self.porosity_scatter)

    def grain_density(self, depth):
        """True grain density [g/cm^3] from the layer's minerals."""
        volumes = self._fractions(depth) / [m.density for m in MINERALS.values()]
        return 1.0 / volumes.sum(axis=-1)

    def water_density(self):
        """Pore-water density [g/cm^3] in the laboratory."""
        return float(materials.water_density(self.salinity, self.laboratory_temperature))

    def density(self, depth):
        """True wet bulk density [g/cm^3]."""
        porosity = self.porosity(depth)
        return porosity * self.water_density() + (1.0 - porosity) * self.grain_density(depth)

    def _volume_fractions(self, depth):
        volumes = self._fractions(depth) / [m.density for m in MINERALS.values()]
        return volumes / volumes.sum(axis=-1, keepdims=True)

    def velocity(self, depth):
        """True P-wave velocity [m/s]: a blend of the Wood suspension and a frame that fails at a
        critical porosity, with lithologic scatter."""
        volumes, porosity = self._volume_fractions(depth), self.porosity(depth)
        bulk = np.array([m.bulk_modulus for m in MINERALS.values()])
        shear = np.array([m.shear_modulus for m in MINERALS.values()])
        solid_bulk = 0.5 * (volumes @ bulk + 1.0 / (volumes @ (1.0 / bulk)))
        solid_shear = 0.5 * (volumes @ shear + 1.0 / (volumes @ (1.0 / shear)))
        sound = materials.water_velocity(self.salinity, self.laboratory_temperature)
        fluid = self.water_density() * sound**2 * 1e-6  # GPa
        wood = 1.0 / (porosity / fluid + (1.0 - porosity) / solid_bulk)
        share = np.clip(1.0 - porosity / CRITICAL_POROSITY, 0.0, None)
        frame = (solid_bulk + 4.0 / 3.0 * solid_shear) * share**1.5
        modulus = wood + FRAME_SHARE * frame
        scatter = np.exp(self._scatter(depth, self.velocity_scatter))
        return np.sqrt(modulus * 1e9 / (self.density(depth) * 1e3)) * scatter

    def conductivity(self, depth):
        """True thermal conductivity [W/(m K)]: geometric mean of the phases with scatter."""
        porosity = self.porosity(depth)
        logs = np.log([m.conductivity for m in MINERALS.values()])
        solid = self._volume_fractions(depth) @ logs
        water = np.log(materials.WATER_CONDUCTIVITY)
        scatter = self._scatter(depth, self.conductivity_scatter)
        return np.exp((1.0 - porosity) * solid + porosity * water + scatter)

    def heat_capacity(self, depth):
        """True volumetric heat capacity [J/(m^3 K)]."""
        porosity = self.porosity(depth)
        solid = self._volume_fractions(depth) @ [m.heat_capacity for m in MINERALS.values()]
        return 1e6 * (porosity * materials.WATER_HEAT_CAPACITY + (1.0 - porosity) * solid)

    def temperature(self, depth):
        """Steady conductive temperature [degC]: T0 + q times the thermal resistance."""
        fine = np.arange(0.0, self.node_depth[-1], NODE_STEP / 4.0)
        slowness = 1.0 / self.conductivity(fine)
        steps = 0.5 * (slowness[1:] + slowness[:-1]) * np.diff(fine)
        resistance = np.concatenate([[0.0], np.cumsum(steps)])
        rise = 1e-3 * self.heat_flow * np.interp(depth, fine, resistance)
        return self.bottom_water_temperature + rise

    def clay_fraction(self, depth):
        """Mass fraction of the clay minerals in the grains."""
        fractions = self._fractions(depth)
        names = list(MINERALS)
        return fractions[..., names.index("illite")] + fractions[..., names.index("kaolinite")]


def make_ground(rng, boundaries, *, layer_scatter, salinity, laboratory_temperature) -> Ground:
    """Draw one ground with layers between `boundaries` [m] (first 0, last the bottom)."""
    number = len(boundaries) - 1
    shares = rng.dirichlet([9.0, 7.0, 13.0, 5.0], size=number)
    pyrite = rng.uniform(0.0, 0.012, size=number)
    layers = pd.DataFrame({"top": boundaries[:-1], "bottom": boundaries[1:]})
    for column, name in enumerate(["quartz", "calcite", "illite", "kaolinite"]):
        layers[name] = shares[:, column] * (1.0 - pyrite)
    layers["pyrite"] = pyrite
    nodes = np.arange(0.0, boundaries[-1] + 20.0, NODE_STEP)
    return Ground(
        surface_porosity=rng.uniform(0.64, 0.74),
        decay_length=rng.uniform(500.0, 900.0),
        heat_flow=rng.uniform(40.0, 90.0),
        bottom_water_temperature=rng.uniform(1.5, 3.0),
        salinity=salinity,
        laboratory_temperature=laboratory_temperature,
        layers=layers,
        node_depth=nodes,
        porosity_scatter=rng.normal(0.0, 0.012, nodes.size),
        velocity_scatter=rng.normal(0.0, 0.006, nodes.size),
        conductivity_scatter=rng.normal(0.0, 0.03, nodes.size),
        layer_offset=layer_scatter * rng.normal(0.0, 1.0, number),
    )
