"""Small invented holes for the tests of the archive: files as an instrument would leave them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

MU, RATE = 0.0746, 40000.0  # of the invented beam: mass attenuation [cm^2/g] and open rate [1/s]
BORE = 6.6  # [cm]
SETTINGS = """
[hole]
name = "Invented {name}"
water_depth = "1000 m"

[liner]
bore = "66 mm"
wall = "2.6 mm"

[gamma]
dead_time = "0 s"
background_rate = "0 1/s"

[pwave]
thickness_uncertainty = "0.02 mm"
travel_time_uncertainty = "0.03 us"
core_diameter_uncertainty = "0.3 mm"
"""


def small_hole(folder: Path, seed: int, readings: int = 120, fast_too: bool = False) -> Path:
    """A core of two sections with a gamma scan and its standards; P-wave where asked."""
    rng = np.random.default_rng(seed)
    write(folder / "hole.toml", SETTINGS.format(name=folder.name))
    write(
        folder / "cores.csv",
        "core,coring_method,top [m],advance [m],recovered [m]\n1,piston,0,3,3\n",
    )
    write(
        folder / "sections.csv",
        "core,section,length [m],core_diameter [mm]\n1,1,1.5,66\n1,2,1.5,66\n",
    )
    lines = ["aluminium_thickness [mm],bore [mm],counts,real_time [s],kind,temperature [degC]"]
    for thick in (0.0, 15.0, 30.0, 45.0):
        areal = 2.699 * thick / 10.0 + 0.9982 * (BORE - thick / 10.0)
        for _ in range(3):
            lines.append(f"{thick},66,{_counts(rng, areal, 60.0)},60,standard,20")
    write(folder / "standards/gamma.csv", "\n".join(lines) + "\n")
    lines = ["core,section,offset [cm],counts,real_time [s]"]
    fast = ["core,section,offset [cm],travel_time [us],thickness [mm],amplitude"]
    for i in range(readings):
        section, offset = (1, 2)[2 * i >= readings], 2.0 + 290.0 * (i % (readings // 2)) / readings
        density = 1.5 + 0.3 * i / readings
        lines.append(f"1,{section},{offset:.2f},{_counts(rng, density * BORE, 5.0)},5")
        speed = 1500.0 + 50.0 * i / readings + rng.normal(0.0, 1.0)
        fast.append(f"1,{section},{offset:.2f},{9.0 + 66e3 / speed:.3f},71.2,{100 + i % 7}")
    write(folder / "scan/gamma.csv", "\n".join(lines) + "\n")
    if not fast_too:
        return folder
    write(folder / "scan/pwave.csv", "\n".join(fast) + "\n")
    lines = ["length [mm],travel_time [us],temperature [degC],medium,liner"]
    for length in (20.0, 40.0, 60.0, 80.0):
        lines.append(f"{length},{7.0 + 1e3 * length / 2730.0:.3f},20,acrylic,none")
    for _ in range(4):
        time = 9.0 + 66e3 / 1482.3 + rng.normal(0.0, 0.02)
        lines.append(f"66,{time:.3f},20,water,full")
    write(folder / "standards/pwave.csv", "\n".join(lines) + "\n")
    return folder


def _counts(rng: np.random.Generator, areal: float, seconds: float) -> int:
    return int(rng.poisson(RATE * np.exp(-MU * areal) * seconds))


def write(path: Path, text: str) -> None:
    """Write a file and the folders that it needs."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text.lstrip("\n"), encoding="utf-8")


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder by its relative path."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
