"""Hole folders with faults in them: a small sound one, and what may happen to its files."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

__all__ = ["LOG", "MUTATIONS", "mutate", "mutate_log", "sound", "write"]

Files = dict[str, bytes]

_TOML = """[hole]
name = "Fuzzed"
water_depth = "2430 m"
bottom_water_temperature = "1.9 degC"
pore_water_salinity = "35 g/kg"
[liner]
bore = "66 mm"
wall = "2.6 mm"
[gamma]
dead_time = "5 us"
time = "live"
[quality]
settling = false
"""
# Text that a spreadsheet, a browser, a shell or a terminal would act upon.
HOSTILE = (
    '=HYPERLINK("http://x","y")', "@SUM(A1)", "+1+cmd|' /C calc'!A0", "-2+3",
    "<script>x()</script>",
    '"><img src=x onerror=x()>', "${HOME}", "$(reboot)", "`id`", "../../../etc/passwd", "\x1b[2J",
    "a\x00b", "\u202etxt", "core\r\nnext", "'; DROP TABLE cores; --", "{{7*7}}", "%n%n%n",
    "\ufeffA",
)  # fmt: skip
NUMBERS = (
    "1e308", "-1e308", "1e400", "-0", "inf", "-inf", "nan", "NaN", "NA", "", " ", "1,5", "1.2.3",
    "0x10", "1_000", "9" * 400, "1e-320", "-5", "0", "true", "１２", "1e5 ", "1 cm", "--3", "1/2",
)  # fmt: skip


def sound() -> Files:
    """A sound folder of two cores and 60 readings.

    Returns
    -------
    dict of str to bytes
        Contents by path inside the folder.
    """
    rng = random.Random(1)
    gamma = ["core,section,offset [cm],counts,live_time [s]"]
    pwave = [
        "core,section,offset [cm],travel_time [us],thickness [mm],amplitude,temperature [degC]"
    ]
    for core in ("1", "2"):
        for i in range(18):
            section, offset = str(1 + i // 9), 5.0 + 15.0 * (i % 9)
            gamma.append(f"{core},{section},{offset},{rng.randint(44000, 47000)},4")
        for i in range(12):
            section, offset = str(1 + i // 6), 7.5 + 22.5 * (i % 6)
            time = 51.0 + rng.uniform(-1.0, 1.0)
            pwave.append(f"{core},{section},{offset},{time:.2f},71.2,{rng.randint(60, 90)},20.0")
    blocks = [(t, round(400000 * 2.718281828 ** (-0.0745 * 2.7 * t - 0.0857 * (6.6 - t))))
              for t in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)]  # fmt: skip
    standards = ["aluminium_thickness [mm],bore [mm],counts,live_time [s]"]
    standards += [f"{10 * t},66,{n},10" for t, n in blocks]
    lengths = ["length [mm],travel_time [us],temperature [degC],medium,liner"]
    lengths += [
        f"{x},{2.0 + x / 1.4835 + 2 * 2.6 / 2.3:.2f},20.0,water,full" for x in (40, 50, 60, 70)
    ]
    files = {
        "hole.toml": _TOML,
        "cores.csv": "core,coring_method,top [m],advance [m],recovered [m]\n"
        "1,piston,0.0,3.0,3.0\n2,piston,3.0,3.0,2.9\n",
        "sections.csv": "core,section,length [m],core_diameter [mm],liner,annulus\n"
        + "".join(f"{c},{s},1.5,66,full,none\n" for c in "12" for s in "12"),
        "removed.csv": "core,section,from [cm],to [cm],kind,when\n"
        "1,2,140,150,whole_round,before_scan\n",
        "exclusions.csv": "core,section,from [cm],to [cm],reason\n2,1,0,3,fall-in\n",
        "layers.csv": "name,top [m],bottom [m],lithology\nI,0,3,clay\nII,3,6,ooze\n",
        "description.csv": "core,section,from [cm],to [cm],lithology,disturbance,note\n"
        "1,1,0,150,clay,none,\n1,2,0,140,clay,slight,burrows\n2,1,0,60,ooze,flow-in,\n",
        "images.csv": "file,core,section,from [cm],to [cm],kind,top_at\n"
        "pictures/1.png,1,1,0,150,photograph,left\n",
        "scan/gamma.csv": "\n".join(gamma) + "\n",
        "scan/pwave.csv": "\n".join(pwave) + "\n",
        "standards/gamma.csv": "\n".join(standards) + "\n",
        "standards/pwave.csv": "\n".join(lengths) + "\n",
        "samples/index_properties.csv": "core,section,offset [cm],wet_mass [g],dry_mass [g],"
        "dry_volume [cm^3]\n1,1,20,17.1,9.8,3.6\n1,2,30,17.4,10.2,3.75\n2,1,40,17.6,10.6,3.9\n",
    }
    return {name: text.encode() for name, text in files.items()}


def write(folder: Path, files: Files) -> Path:
    """Write files into a folder that does not exist.

    Parameters
    ----------
    folder : path
        Made.
    files : dict of str to bytes
        Contents by path inside it.

    Returns
    -------
    Path
        The folder.
    """
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


def mutate(seed: int) -> tuple[Files, list[str]]:
    """A folder with one to three faults.

    Parameters
    ----------
    seed : int
        The same seed gives the same faults.

    Returns
    -------
    tuple of files and names of the faults
    """
    rng = random.Random(seed)
    files, done = sound(), []
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        name = rng.choice(list(MUTATIONS))
        path = rng.choice(list(files)) if files else ""
        if path:
            MUTATIONS[name](files, path, rng)
            done.append(f"{name} {path}")
    return files, done


LOG = "downhole/logs/run.las"
_LOG_TOML = """[logs.files."run.las"]
depth_datum = "rig_floor"
seafloor_depth = "2440 m"
curves = { RHOB = "bulk_density", DT = "p_wave_velocity" }
"""
_LOG_HEAD = """~VERSION
 VERS.  2.0 : LAS
 WRAP.  NO  : one line
~WELL
 STRT.M 2440.0 : first
 STOP.M 2446.9 : last
 STEP.M 0.1 : step
 NULL.  -999.25 : null
~CURVE
 DEPT.M : depth
 RHOB.G/C3 : bulk density
 DT.US/M : slowness
~A
"""


def mutate_log(seed: int) -> tuple[Files, list[str]]:
    """A sound folder with a LAS file that has one to three faults.

    Parameters
    ----------
    seed : int
        The same seed gives the same faults; with 0 there is none.

    Returns
    -------
    tuple of files and names of the faults
    """
    rng = random.Random(seed)
    files, done = sound(), []
    files["hole.toml"] += _LOG_TOML.encode()
    rows = [
        f"{2440.0 + 0.1 * i:.1f} {rng.uniform(1.6, 1.9):.4f} {rng.uniform(600, 660):.2f}"
        for i in range(70)
    ]
    files[LOG] = (_LOG_HEAD + "\n".join(rows) + "\n").encode()
    for _ in range(rng.choice((1, 1, 2, 3)) if seed else 0):
        name = rng.choice([n for n in MUTATIONS if n not in ("settings", "climbing")])
        if LOG in files:
            # Columns of a LAS file stand apart by blanks, those of the faults by commas.
            between = rng.random() < 0.7
            files[LOG] = files[LOG].replace(b" ", b",") if between else files[LOG]
            MUTATIONS[name](files, LOG, rng)
            if between and LOG in files:
                files[LOG] = files[LOG].replace(b",", b" ")
            done.append(f"{name} {LOG}")
    return files, done


def _lines(files: Files, path: str) -> list[str]:
    return files[path].decode("utf-8", "surrogateescape").split("\n")


def _store(files: Files, path: str, lines: list[str]) -> None:
    files[path] = "\n".join(lines).encode("utf-8", "surrogateescape")


def _cell(files: Files, path: str, rng: random.Random, values: tuple[str, ...]) -> None:
    lines = _lines(files, path)
    row = rng.randrange(len(lines))
    cells = lines[row].split(",")
    cells[rng.randrange(len(cells))] = rng.choice(values)
    lines[row] = ",".join(cells)
    _store(files, path, lines)


def truncated(files: Files, path: str, rng: random.Random) -> None:
    """The end of the file is lost."""
    files[path] = files[path][: rng.randrange(len(files[path]) + 1)]


def emptied(files: Files, path: str, rng: random.Random) -> None:
    """Nothing is left."""
    files[path] = rng.choice((b"", b"\n", b" \n\n", b"\xef\xbb\xbf"))


def lost(files: Files, path: str, rng: random.Random) -> None:
    """The file is gone."""
    del files[path]


def encoded(files: Files, path: str, rng: random.Random) -> None:
    """Another encoding, or a byte-order mark."""
    text = files[path].decode("utf-8", "replace") + rng.choice(("", "é,µ,°\n"))
    files[path] = text.encode(
        rng.choice(("utf-16", "utf-16-le", "latin-1", "cp1252", "utf-8-sig", "utf-32")), "replace"
    )


def flipped(files: Files, path: str, rng: random.Random) -> None:
    """Some bytes are other bytes."""
    content = bytearray(files[path])
    for _ in range(rng.randint(1, 5)):
        if content:
            content[rng.randrange(len(content))] = rng.randrange(256)
    files[path] = bytes(content)


def decimal_commas(files: Files, path: str, rng: random.Random) -> None:
    """Decimal commas, fields apart by semicolons or not."""
    text = files[path].decode("utf-8", "surrogateescape")
    apart = text.replace(",", ";") if rng.random() < 0.6 else text
    files[path] = apart.replace(".", ",").encode("utf-8", "surrogateescape")


def separators(files: Files, path: str, rng: random.Random) -> None:
    """Fields apart by something else."""
    files[path] = files[path].replace(b",", rng.choice((b"\t", b";", b"|", b", ", b" ,", b",,")))


def headers(files: Files, path: str, rng: random.Random) -> None:
    """A header twice, without its bracket, with another unit, renamed or lost."""
    lines = _lines(files, path)
    cells = lines[0].split(",")
    at = rng.randrange(len(cells))
    kind = rng.randrange(6)
    if kind == 0:
        cells[at] = cells[rng.randrange(len(cells))]
    elif kind == 1:
        cells[at] = cells[at].partition(" [")[0]
    elif kind == 2:
        unit = rng.choice(("m", "furlong", "", "cm]", "[m", "kg", "counts per s", "m^1.5", "%"))
        cells[at] = f"{cells[at].partition(' [')[0]} [{unit}]"
    elif kind == 3:
        cells[at] = cells[at].upper() + rng.choice(("", " ", "_2"))
    elif kind == 4:
        cells[at] = rng.choice(HOSTILE)
    else:
        del cells[at]
    lines[0] = ",".join(cells)
    _store(files, path, lines)


def extra_fields(files: Files, path: str, rng: random.Random) -> None:
    """One field more on every row, or on one."""
    lines = _lines(files, path)
    every = rng.random() < 0.6
    one = rng.randrange(len(lines))
    extra = rng.choice(("", "9", "x"))
    lines = [
        f"{line},{extra}" if line and (every or i == one) and i > 0 else line
        for i, line in enumerate(lines)
    ]
    _store(files, path, lines)


def rows(files: Files, path: str, rng: random.Random) -> None:
    """Rows are lost, come twice, are mixed, or stand empty between."""
    lines = _lines(files, path)
    body = lines[1:]
    kind = rng.randrange(5)
    if kind == 0 and body:
        del body[rng.randrange(len(body))]
    elif kind == 1 and body:
        body.insert(rng.randrange(len(body)), rng.choice(body))
    elif kind == 2:
        rng.shuffle(body)
    elif kind == 3:
        body.insert(rng.randrange(len(body) + 1), rng.choice(("", ",,,", "   ", "#", lines[0])))
    else:
        body = []
    _store(files, path, [lines[0], *body])


def hostile_cells(files: Files, path: str, rng: random.Random) -> None:
    """Text that a spreadsheet, a browser or a shell would act upon."""
    _cell(files, path, rng, HOSTILE)


def odd_numbers(files: Files, path: str, rng: random.Random) -> None:
    """Numbers that are none, or enormous ones."""
    for _ in range(rng.randint(1, 3)):
        _cell(files, path, rng, NUMBERS)


def quotes(files: Files, path: str, rng: random.Random) -> None:
    """Quotation marks, closed or not."""
    lines = _lines(files, path)
    row = rng.randrange(len(lines))
    at = rng.randrange(len(lines[row]) + 1)
    lines[row] = lines[row][:at] + rng.choice(('"', '""', "'", '"a,b"', '"\n"')) + lines[row][at:]
    _store(files, path, lines)


def line_ends(files: Files, path: str, rng: random.Random) -> None:
    """Other line ends."""
    files[path] = files[path].replace(
        b"\n", rng.choice((b"\r\n", b"\r", b"\n\n", b"\n\r", b"\x0b"))
    )


def columns(files: Files, path: str, rng: random.Random) -> None:
    """A whole column of another kind, or columns in another order."""
    table = [line.split(",") for line in _lines(files, path)]
    width = len(table[0])
    at = rng.randrange(width)
    if rng.random() < 0.4:
        order = list(range(width))
        rng.shuffle(order)
        table = [[row[i] for i in order] if len(row) == width else row for row in table]
    else:
        value = rng.choice((*NUMBERS, *HOSTILE[:6]))
        for row in table[1:]:
            if len(row) == width:
                row[at] = value
    _store(files, path, [",".join(row) for row in table])


def climbing(files: Files, path: str, rng: random.Random) -> None:
    """Names that climb out of the folder."""
    up = rng.choice(("../../up", "/etc/passwd", "..", "C:\\x", "a/../../b", "~/x"))
    text = files.get("hole.toml", b"").decode("utf-8", "surrogateescape")
    files["hole.toml"] = text.replace("Fuzzed", up.replace("\\", "\\\\")).encode(
        "utf-8", "surrogateescape"
    )


def settings(files: Files, path: str, rng: random.Random) -> None:
    """Settings of another type, an unknown key, a table twice, or no TOML at all."""
    more = rng.choice((
        "[hole]\n", "unknown = 1\n", '[gamma]\ndead_time = 5\n', "[nonsense]\nx = 1\n", "x = [\n",
        '[pwave]\ndelay = "2 m"\n', "[quality]\nuse = 3\n", "= 3\n", "[hole.name]\na = 1\n",
        '[compaction]\nporosity = "guess"\n', "[stress]\nlargest_gap = -3\n", "\x00",
    ))  # fmt: skip
    content = files.get("hole.toml", b"")
    files["hole.toml"] = content + more.encode() if rng.random() < 0.7 else more.encode() + content


MUTATIONS: dict[str, Callable[[Files, str, random.Random], None]] = {
    f.__name__: f
    for f in (
        truncated, emptied, lost, encoded, flipped, decimal_commas, separators, headers,
        extra_fields, rows, hostile_cells, odd_numbers, quotes, line_ends, columns, climbing,
        settings,
    )
}  # fmt: skip
