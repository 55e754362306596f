"""Index-property samples: wet mass, dry mass and dry volume from the true phases of each sample."""

from __future__ import annotations

import numpy as np

MASS_NOISE, VOLUME_NOISE = 0.01, 0.02  # g and cm^3
MASS_SYSTEMATIC, VOLUME_SYSTEMATIC = 0.005, 0.01  # g and cm^3
SALT_DENSITY = 2.20  # g/cm^3, dried sea salt (from memory)
HALF_LENGTH = 1.0  # cm


def weigh(rng, ground, layout, positions, mass_error, volume_error, mistyped=None):
    """Masses and volumes at `positions` (row, offset of the middle [cm]).

    Drying leaves grains and all the sea salt of the pore water. Every weighing carries the
    balance's noise and the hole's one balance error, every volume likewise. `mistyped` is the
    sample whose wet mass was typed with two digits swapped.
    """
    rows = positions["row"].to_numpy()
    offset = positions["offset"].to_numpy(dtype=float)
    depth, own = layout.depths(rows, offset)
    number = len(positions)
    volume = rng.uniform(8.0, 11.0, number)
    porosity, grain_density = ground.porosity(own), ground.grain_density(own)
    grains = volume * (1.0 - porosity) * grain_density
    water = volume * porosity * ground.water_density()
    salt = water * ground.salinity / 1000.0

    def weighed(mass):
        return np.round(mass + mass_error + rng.normal(0.0, MASS_NOISE, number), 3)

    wet, dry = weighed(grains + water), weighed(grains + salt)
    solid = volume * (1.0 - porosity) + salt / SALT_DENSITY
    dry_volume = solid + volume_error + rng.normal(0.0, VOLUME_NOISE, number)
    flaw = np.full(number, "", dtype=object)
    if mistyped is not None:
        wet[mistyped] = swap_digits(wet[mistyped])
        flaw[mistyped] = "mistyped_mass"
    keys = layout.sections[["core", "section"]].iloc[rows].reset_index(drop=True)
    table = keys.assign(
        **{
            "offset [cm]": offset - HALF_LENGTH,
            "to [cm]": offset + HALF_LENGTH,
            "wet_mass [g]": wet,
            "dry_mass [g]": dry,
            "dry_volume [cm^3]": np.round(dry_volume, 3),
        }
    )
    truth = keys.assign(
        **{
            "offset [cm]": offset - HALF_LENGTH,
            "depth [m]": np.round(depth, 3),
            "depth_fitted [m]": np.round(own, 3),
            "porosity": np.round(porosity, 5),
            "grain_density [g/cm^3]": np.round(grain_density, 5),
            "bulk_density [g/cm^3]": np.round(ground.density(own), 5),
            "flaw": flaw,
        }
    )
    return table, truth


def swap_digits(mass: float) -> float:
    """Swap the last digit before the point with the first after it, the commonest slip."""
    whole, fraction = f"{mass:.3f}".split(".")
    if whole[-1] == fraction[0]:  # swapping equal digits would change nothing
        return round(mass + 10.0, 3)
    return float(f"{whole[:-1]}{fraction[0]}.{whole[-1]}{fraction[1:]}")
