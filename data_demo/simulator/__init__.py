"""A simulator of core measurements: it plays the real world for tests and for the demo hole.

It shares no code with the package that reduces the measurements: attenuation comes from tabulated
cross sections, heating and cooling from Laplace transforms, temperatures from an integrated
geotherm, masses from the phases of each sample.
"""

from .hole import simulate_hole, simulate_tables

__all__ = ["simulate_hole", "simulate_tables"]
