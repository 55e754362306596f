"""More of the true ground: formation factor, magnetic susceptibility and radioactive elements.

Properties of minerals are rounded handbook values from memory; they define an invented world.
"""

from __future__ import annotations

from dataclasses import dataclass

import gsw
import numpy as np

from .ground import Ground
from .materials import MINERALS

# volume susceptibility [SI], and potassium [%], uranium and thorium [mg/kg] by mineral
MAGNETIC = {"quartz": -1.5e-5, "calcite": -1.3e-5, "illite": 3.0e-4, "kaolinite": -1.6e-5,
            "pyrite": 2.0e-4}  # fmt: skip
WATER_MAGNETIC = -0.9e-5
MAGNETITE = 3.0  # SI, apparent susceptibility of strongly magnetic grains per volume
ELEMENTS = {
    "quartz": (0.0, 0.3, 0.6),
    "calcite": (0.0, 0.6, 0.1),
    "illite": (6.0, 2.0, 8.0),
    "kaolinite": (0.0, 3.0, 15.0),
    "pyrite": (0.0, 0.0, 0.0),
}
TORTUOSITY = 1.0  # a of F = a / porosity**m


@dataclass
class Fields:
    """Truth beside that of a :class:`Ground`, which it reads for porosity and minerals.

    Per layer the exponent m of F = a / porosity**m and the volume fraction of magnetite in the
    grains; scatter arrays hold one white value per node of the ground. `bed` is top, bottom [m]
    and susceptibility [SI] of a strongly magnetic bed. `surface` [S/m] is the conductivity along
    the surfaces of pure clay.
    """

    ground: Ground
    exponent: np.ndarray
    magnetite: np.ndarray
    formation_scatter: np.ndarray
    magnetite_scatter: np.ndarray
    element_scatter: np.ndarray  # (element, node)
    bed: tuple | None = None
    surface: float = 0.0

    def _scatter(self, depth, values):
        return np.exp(np.interp(depth, self.ground.node_depth, values))

    def formation_factor(self, depth):
        """Conductivity of the pore water over that of the core, without surface conduction."""
        exponent = self.exponent[self.ground.layer_index(depth)]
        bare = TORTUOSITY * self.ground.porosity(depth) ** -exponent
        return bare * self._scatter(depth, self.formation_scatter)

    def surface_conductivity(self, depth):
        """Conductivity along the surfaces of clay [S/m]."""
        solid = 1.0 - self.ground.porosity(depth)
        return self.surface * solid * self.ground.clay_fraction(depth)

    def water_conductivity(self, temperature):
        """Conductivity of the pore water [S/m] at temperatures [degC]."""
        practical = gsw.SP_from_SR(self.ground.salinity)
        return gsw.C_from_SP(practical, temperature, 0.0) / 10.0

    def magnetic_susceptibility(self, depth):
        """Volume susceptibility [SI]: each phase by its volume, magnetite on top."""
        layer, porosity = self.ground.layer_index(depth), self.ground.porosity(depth)
        volumes = self.ground.layers[list(MINERALS)].to_numpy() / [
            mineral.density for mineral in MINERALS.values()
        ]
        grains = (volumes @ list(MAGNETIC.values()) / volumes.sum(axis=1))[layer]
        strong = MAGNETITE * self.magnetite[layer] * self._scatter(depth, self.magnetite_scatter)
        value = porosity * WATER_MAGNETIC + (1.0 - porosity) * (grains + strong)
        if self.bed is not None:
            top, bottom, magnetic = self.bed
            value = np.where((depth >= top) & (depth < bottom), magnetic, value)
        return value

    def elements(self, depth):
        """Potassium [%], uranium and thorium [mg/kg] of the grains; pore water holds none."""
        shares = self.ground.layers[list(MINERALS)].to_numpy()
        mean = (shares @ np.array(list(ELEMENTS.values())))[self.ground.layer_index(depth)]
        scatter = [self._scatter(depth, values) for values in self.element_scatter]
        return mean * np.stack(scatter, axis=-1)

    def grain_share(self, depth):
        """Mass of the grains over the mass of the wet core."""
        solid = (1.0 - self.ground.porosity(depth)) * self.ground.grain_density(depth)
        return solid / self.ground.density(depth)


def make_fields(generators, ground: Ground, *, bed=None, surface=0.0) -> Fields:
    """Draw the fields over a ground, each from its own stream of `generators`."""
    layers, nodes = len(ground.layers), ground.node_depth.size
    electric, magnetic, atoms = (generators[n] for n in ("formation", "magnetite", "elements"))
    return Fields(
        ground=ground,
        exponent=electric.uniform(1.6, 2.4, layers),
        formation_scatter=electric.normal(0.0, 0.01, nodes),
        magnetite=np.exp(magnetic.normal(np.log(8e-5), 0.9, layers)),
        magnetite_scatter=magnetic.normal(0.0, 0.35, nodes),
        element_scatter=atoms.normal(0.0, 0.06, (3, nodes)),
        bed=bed,
        surface=surface,
    )
