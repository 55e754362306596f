"""A small invented site for tests: two holes, standards with times beside them, ties and ages."""

from __future__ import annotations

from pathlib import Path

from tests.archive_holes import small_hole, write

SITE = """
[site]
name = "Invented Bank"
latitude = -40.5
longitude = 150.25
reference = "A"

[gamma]
slurry_density = "1.4 g/cm^3"
"""
SHARED = ("dead_time", "background_rate")


def small_site(folder: Path, *, holes: tuple[str, ...] = ("A", "B")) -> Path:
    """Holes of the archive's tests that share their gamma standards and the gamma settings."""
    for number, name in enumerate(holes):
        small_hole(folder / name, seed=number + 1)
        lines = (folder / name / "standards/gamma.csv").read_text().splitlines()
        toml = (folder / name / "hole.toml").read_text()
        kept = [line for line in toml.splitlines() if not line.startswith(SHARED)]
        write(folder / name / "hole.toml", "\n".join(kept))
        if number == 0:
            standards = lines
        (folder / name / "standards/gamma.csv").unlink()
        (folder / name / "standards").rmdir()
    write(folder / "site.toml", SITE + 'dead_time = "0 s"\nbackground_rate = "0 1/s"\n')
    timed = [standards[0] + ",set,time"]
    for row, line in enumerate(standards[1:]):
        timed.append(f"{line},first,2031-05-01T00:{row:02d}:00Z")
    # A thick check standard, read every hour after them: the counts of 30 mm of aluminium.
    counts = [line.split(",")[2] for line in standards[1:] if line.startswith("30.0")]
    for hour in range(1, 13):
        timed.append(
            f"30.0,66,{int(counts[hour % 3]) + 40 * (hour % 5)},60,check,20,first,"
            f"2031-05-01T{hour:02d}:00:00Z"
        )
    write(folder / "standards/gamma.csv", "\n".join(timed) + "\n")
    write(
        folder / "ties.csv",
        "hole,core,depth [m],to_hole,to_core,to_depth [m],uncertainty [m]\n"
        "B,1,1.00,A,1,1.25,0.02\n",
    )
    write(
        folder / "ages.csv",
        "depth_composite [m],age [kyr],age_uncertainty [kyr]\n0,0,1\n2,40,3\n2.5,60,4\n",
    )
    return folder
