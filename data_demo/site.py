"""Three invented holes through one column of sediment: ``python -m data_demo.site``.

Every core lies somewhat deeper in the column than its drilled depth says, by an amount of its
own; the amounts grow downward, as gas and gaps make them. Density and susceptibility are drawn
once for the column; each hole reads them with noise and with gaps between its cores.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
SEED = 13  # of which one suggested tie correlates below 0.95
STEP = 0.05  # m, of the scan
ADVANCE = 9.0  # m
BORE = 70.0  # mm, of the liner, which the cores fill
FIRST = {"A": 0.0, "B": 3.2, "C": 5.8}  # top of the first core of each hole [m]


def _column(rng: np.random.Generator, z: np.ndarray, width: float) -> np.ndarray:
    """A property of the column without level and scale: beds about as thick as the width."""
    size = round(width / (z[1] - z[0]))
    kernel = np.hanning(2 * size + 1)
    noise = rng.normal(size=z.size + kernel.size - 1)
    smooth = np.convolve(noise, kernel, "valid")
    return np.asarray(smooth / smooth.std())


def simulate_site(seed: int = SEED, *, deep: float = 76.0):
    """Tables and settings of each hole, and the true shift of every core.

    Parameters
    ----------
    seed : int
        Every draw follows from it.
    deep : float
        Depth of the holes [m].

    Returns
    -------
    tuple of dict of (tables, settings) by hole, and DataFrame
        The DataFrame has hole, core and shift [m].
    """
    rng = np.random.default_rng(seed)
    z = np.arange(0.0, 1.2 * deep + 20.0, 0.01)
    density = 1.45 + 0.0025 * z + 0.06 * _column(rng, z, 0.15)
    susceptibility = np.exp(-8.0 + 0.5 * _column(rng, z, 0.25))
    holes, truth = {}, []
    for hole, first in FIRST.items():
        cores, sections, rows, shift = [], [], [], 0.0
        for number in range(1, int((deep - first) / ADVANCE) + 1):
            core, top = str(number), first + (number - 1) * ADVANCE
            if not (hole == "A" and number == 1):
                shift += float(rng.uniform(0.3, 1.1))
            truth.append((hole, core, round(shift, 4)))
            length = float(np.round(rng.uniform(7.9, 8.8), 2))
            cores.append((core, "piston", round(top, 3), ADVANCE, length))
            for section, begin in enumerate(np.arange(0.0, length, 1.5), start=1):
                end = min(begin + 1.5, length)
                sections.append((core, str(section), round(end - begin, 3), BORE))
                offset = np.arange(STEP / 2, end - begin, STEP)
                depth = top + begin + offset + shift
                rho = np.interp(depth, z, density) + rng.normal(0, 0.01, offset.size)
                chi = np.interp(depth, z, susceptibility) * np.exp(rng.normal(0, 0.05, offset.size))
                for o, r, c in zip(offset, rho, chi, strict=True):
                    rows.append((core, str(section), round(100 * o, 2), round(r, 4), f"{c:.4e}"))
        tables = {
            "cores": pd.DataFrame(cores, columns=[
                "core", "coring_method", "top [m]", "advance [m]", "recovered [m]"]),
            "sections": pd.DataFrame(sections, columns=[
                "core", "section", "length [m]", "core_diameter [mm]"]),
            "scan/reduced": pd.DataFrame(rows, columns=[
                "core", "section", "offset [cm]", "bulk_density [g/cm^3]",
                "magnetic_susceptibility"]),
        }  # fmt: skip
        holes[hole] = (tables, {"hole": {"name": f"Cinder Bank, hole {hole}"}})
    return holes, pd.DataFrame(truth, columns=["hole", "core", "shift [m]"])


def write_site(folder: Path, seed: int = SEED) -> pd.DataFrame:
    """Write the site as a folder of hole folders with ``truth/shifts.csv``.

    Parameters
    ----------
    folder : Path
        Made where it does not exist.
    seed : int
        Every draw follows from it.

    Returns
    -------
    DataFrame
        The true shifts.
    """
    from data_demo.simulator.hole import write_settings

    holes, truth = simulate_site(seed)
    for hole, (tables, settings) in holes.items():
        for name, table in tables.items():
            path = folder / hole / f"{name}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            table.to_csv(path, index=False, lineterminator="\n")
        write_settings(folder / hole / "hole.toml", settings)
    write_settings(folder / "site.toml", {"site": {"name": "Cinder Bank", "reference": "A"}})
    (folder / "truth").mkdir(exist_ok=True)
    truth.to_csv(folder / "truth" / "shifts.csv", index=False, lineterminator="\n")
    return truth


if __name__ == "__main__":
    if str(HERE.parent) not in sys.path:
        sys.path.insert(0, str(HERE.parent))
    write_site(HERE / "site")
