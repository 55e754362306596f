"""A hole folder with exports and a mapping, for tests of the import."""

from __future__ import annotations

import csv
from pathlib import Path

from corephys.importing import run

HOLE = '[hole]\nname = "Test"\nwater_depth = "2000 m"\n'
CORES = "core,coring_method,top [m],advance [m],recovered [m]\n1,piston,0,9,9\n2,piston,9,9,9\n"
SECTIONS = (
    "core,section,length [m],core_diameter [mm]\n1,1,1.5,66\n1,2,1.4,66\n1,3,1.5,66\n2,1,1.5,66\n"
)
GAMMA = """
[[source]]
files = "exports/*.csv"
table = "scan/gamma"
[source.columns]
core = "Core"
section = "Sect"
offset = "Pos (mm)"
counts = "Counts"
live_time = "Live (s)"
"""


class Folder:
    """A hole folder.

    Parameters
    ----------
    path : Path
        Where it is made.
    mapping : str
        Contents of import.toml.
    lists : bool
        With cores.csv and sections.csv.
    """

    def __init__(self, path: Path, mapping: str = GAMMA, lists: bool = True) -> None:
        self.path = path
        self.write("hole.toml", HOLE)
        self.write("import.toml", mapping)
        if lists:
            self.write("cores.csv", CORES)
            self.write("sections.csv", SECTIONS)

    def write(self, name: str, text: str | bytes) -> Path:
        file = self.path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
        return file

    def text(self, name: str) -> str:
        return (self.path / name).read_text(encoding="utf-8")

    def rows(self, table: str) -> list[dict[str, str]]:
        """Rows of a table by header."""
        with (self.path / f"{table}.csv").open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(stream))

    def column(self, table: str, header: str) -> list[str]:
        return [row[header] for row in self.rows(table)]

    def run(self, **options):
        return run(self.path, **options)


def gamma(sections, *, n=3, counts=1000, step=10, head=True) -> str:
    """An export of counts: rows of (core, section) pairs."""
    lines = ["Core,Sect,Pos (mm),Counts,Live (s)"] if head else []
    for core, section in sections:
        lines += [f"{core},{section},{i * step},{counts + i},4.0" for i in range(n)]
    return "\n".join(lines) + "\n"


def counts_of(file) -> dict[str, dict[str, int]]:
    """Counts of one file of a report, by table, without zeros."""
    return {
        one.table: {k: v for k, v in vars(one).items() if k != "table" and v} for one in file.tables
    }


def assert_balanced(report) -> None:
    """Rows in are rows out and rows reported, for each file and table."""
    for file in report.files:
        for one in file.tables:
            accounted = (
                one.added + one.already + one.left_out + one.empty + one.refused + one.kept_out
            )
            assert accounted == file.rows, (file.file, one)
