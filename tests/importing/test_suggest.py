"""Drafts of a mapping: what is certain is right and active, what is not is a comment."""

from __future__ import annotations

import itertools
import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import corephys as cp
from corephys.cli import main
from corephys.ground.vocabulary import TERMS
from corephys.hole.reading.tables import TABLES
from corephys.importing import read_mapping, suggest
from corephys.importing.column_facts import column_facts, decimal_sign
from corephys.importing.foreign_units import read_unit, split_header
from corephys.importing.mapping import Mapping, column_of, parse_mapping
from corephys.importing.text_layout import layouts
from corephys.importing.trade_words import concepts, concepts_of
from tests.importing.export_headers import HEADERS
from tests.importing.foreign_exports import EXPORTS, Export, rows, save, table

DOUBT = re.compile(r"^# (?P<target>[a-z_]+) = (?P<right>.*?)(?:   # doubt: (?P<why>.*))?$")


def active(mapping: Mapping) -> dict[str, dict[str, str]]:
    """Table -> column -> header of the active lines; a part of a label gives its column."""
    found: dict[str, dict[str, str]] = {}
    for source in mapping.sources:
        origin_of = {
            group: column for column, pattern in source.parts for group in pattern.groupindex
        }
        for one in source.tables:
            lines = found.setdefault(one.name, {})
            for target in one.targets:
                header = " ".join(target.origin.columns)
                name = target.column.name
                lines[name] = origin_of.get(header.partition(" [")[0], header)
    return found


def commented(draft: str) -> dict[str, str]:
    """Column -> right-hand side of the lines that are comments."""
    matches = map(DOUBT.match, draft.splitlines())
    return {match["target"]: match["right"] for match in matches if match}


def known(lines: dict[str, dict[str, str]]) -> dict[str, dict[str, str]]:
    """The expectation for the tables that this version has."""
    return {name: columns for name, columns in lines.items() if name in TABLES}


def numbered(export: Export, header: str, folder: Path) -> str:
    """What a mapping calls a column: its number where the header is behind a comment mark."""
    file = export.write(folder)[0]
    layout = next((one for one in layouts(file) if header in one.header), None)
    if layout is not None and layout.numbered:
        return str(layout.header.index(header) + 1)
    return header


@pytest.fixture(params=EXPORTS)
def case(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Export, str, Path]:
    """An export, its draft, and the folder that holds it."""
    export = EXPORTS[request.param]
    draft = suggest(*export.write(tmp_path), folder=tmp_path)
    return export, draft, tmp_path


# Exports of different shape -----------------------------------------------------------------------


def test_active_lines_are_those_of_a_reader(case: tuple[Export, str, Path]) -> None:
    export, draft, folder = case
    expected = {
        name: {column: numbered(export, header, folder) for column, header in columns.items()}
        for name, columns in known(export.certain).items()
    }
    found = active(parse_mapping(draft)) if "\n[[source]]" in draft else {}
    for lines in found.values():
        lines.pop("sample_id", None)
        lines.pop("temperature", None)
    for lines in expected.values():
        lines.pop("temperature", None)
    assert found == expected


def test_doubtful_lines_are_comments(case: tuple[Export, str, Path]) -> None:
    export, draft, _ = case
    shown = commented(draft)
    for column, header in export.doubtful.items():
        assert f'"{header}"' in shown[column], column


def test_a_draft_is_a_mapping(case: tuple[Export, str, Path]) -> None:
    export, draft, folder = case
    assert isinstance(tomllib.loads(draft), dict)
    if not known(export.certain):
        return
    (folder / "import.toml").write_text(draft, encoding="utf-8")
    assert read_mapping(folder).sources


def test_every_header_stands_in_the_draft(case: tuple[Export, str, Path]) -> None:
    export, draft, folder = case
    for file in export.write(folder):
        for layout in layouts(file):
            for number, header in enumerate(layout.header, 1):
                assert header in draft or (layout.numbered and f'"{number}"' in draft), header


def test_commented_lines_can_be_uncommented(case: tuple[Export, str, Path]) -> None:
    """A person takes away the marks; what results is TOML with columns of this package."""
    _, draft, _ = case
    for line in draft.splitlines():
        match = DOUBT.match(line)
        if not match or match["right"].endswith('"..." }'):
            continue
        assert tomllib.loads(line.removeprefix("# ")), line
        names = {match["target"]} & {c for t in TABLES.values() for c in t.by_name}
        names |= {match["target"]} & {*TERMS, "name", "files", "delimiter", "encoding", "comment"}
        names |= {match["target"]} & {"units_row", "skip_lines", "null", "decimal", "sheet"}
        names |= {match["target"]} & {"column", "reason", "where", "header_lines", "length"}
        names |= {match["target"]} & {"core_diameter", "coring_method", "time_zone", "time_format"}
        assert names, line


WITHOUT_ROWS = ("no_units_at_all",)


@pytest.mark.parametrize("name", [name for name in EXPORTS if name not in WITHOUT_ROWS])
def test_the_import_takes_the_draft_as_it_is(name: str, tmp_path: Path) -> None:
    export = EXPORTS[name]
    files = export.write(tmp_path)
    expected = known(export.certain)
    assert expected
    (tmp_path / "import.toml").write_text(suggest(*files, folder=tmp_path), encoding="utf-8")
    report = cp.importing.run(tmp_path)
    for path, columns in expected.items():
        written = pd.read_csv(tmp_path / f"{path}.csv", dtype=str)
        names = {header.partition(" [")[0] for header in written}
        assert set(columns) <= names, path
        assert len(written) > 4
    assert "rows refused" in str(report)


def test_numbers_of_a_draft_are_those_of_the_export(tmp_path: Path) -> None:
    frame = rows()
    export = EXPORTS["german_semicolons"]
    (tmp_path / "import.toml").write_text(
        suggest(*export.write(tmp_path), folder=tmp_path), encoding="utf-8"
    )
    cp.importing.run(tmp_path)
    written = pd.read_csv(tmp_path / "scan/reduced.csv")
    np.testing.assert_array_equal(written["bulk_density [g/cm^3]"], frame["density"])
    np.testing.assert_array_equal(written["p_wave_velocity [m/s]"], frame["velocity"])
    np.testing.assert_allclose(
        written["magnetic_susceptibility"], 1e-5 * frame["susceptibility"], rtol=1e-12
    )
    np.testing.assert_array_equal(written["offset [cm]"], frame["offset"])


# Files whose name or number of rows lets a table be chosen that this version has.
NEEDS = {"samples/reduced"}


@pytest.mark.skipif(not set(TABLES) >= NEEDS, reason="this version lacks reduced samples")
@pytest.mark.parametrize("name", HEADERS)
def test_headers_are_those_of_a_reader(name: str, tmp_path: Path) -> None:
    """No active line is wrong, and all are there but for two headers that only a reader knows."""
    file, text, expected = HEADERS[name]
    found = active(parse_mapping(draft_of(tmp_path, text, file)))
    lines = {column: header for one in found.values() for column, header in one.items()}
    lines = {column: header for column, header in lines.items() if column in expected}
    unknown = {"gamma_and_meter": {"reading", "temperature"}}.get(name, set())
    assert lines == {c: h for c, h in expected.items() if c not in unknown}
    extra = {column for one in found.values() for column in one} - set(expected)
    assert extra <= {"sample_id"}


# The same file in another layout ----------------------------------------------------------------


def lines_of(folder: Path, name: str, made: pd.DataFrame, **how: object) -> dict[str, object]:
    folder.mkdir(parents=True, exist_ok=True)
    encoding = str(how.pop("encoding", "utf-8"))
    path = save(folder, name, made.to_csv(index=False, **how), encoding)  # type: ignore[call-overload]
    return active(parse_mapping(suggest(path, folder=folder)))


SCAN = {
    "core": "Core",
    "section": "Section",
    "offset": "Offset (cm)",
    "depth": "Depth (m)",
    "density": "Bulk density (g/cm3)",
    "velocity": "P-wave velocity (m/s)",
}


@pytest.mark.parametrize("order", list(itertools.islice(itertools.permutations(SCAN), 0, 720, 97)))
def test_the_order_of_columns_does_not_matter(order: tuple[str, ...], tmp_path: Path) -> None:
    made = table(rows(), SCAN)
    first = lines_of(tmp_path / "a", "scan.csv", made)
    again = lines_of(tmp_path / "b", "scan.csv", made[[SCAN[name] for name in order]])
    assert again == first
    assert set(first["scan/reduced"]) == {
        "core",
        "section",
        "offset",
        "depth",
        "bulk_density",
        "p_wave_velocity",
    }


@pytest.mark.parametrize(
    "how",
    [
        {"sep": ";"},
        {"sep": "\t"},
        {"sep": "|"},
        {"sep": ";", "decimal": ","},
        {"encoding": "utf-16"},
        {"encoding": "utf-8-sig"},
        {"lineterminator": "\r\n"},
        {"quoting": 1},
    ],
    ids=str,
)
def test_the_layout_does_not_matter(how: dict[str, object], tmp_path: Path) -> None:
    made = table(rows(), SCAN)
    first = lines_of(tmp_path / "a", "scan.csv", made)
    assert lines_of(tmp_path / "b", "scan.csv", made, **how) == first


@pytest.mark.parametrize(
    "header",
    [
        "Bulk density [g/cm^3]",
        "bulk_density_g_cm3",
        "Wet bulk density (g/cc)",
        "Dichte (feucht), g/cm3",
        "Feuchtdichte / g/cm³",
        "densité humide (g cm⁻³)",
        "Densidad aparente [g/cm3]",
        "gamma-ray density (g/ccm)",
        "våt tetthet (g/cm3)",
    ],
)
def test_one_quantity_under_many_headers(header: str, tmp_path: Path) -> None:
    made = table(rows(), {**SCAN, "density": header})
    found = lines_of(tmp_path, "scan.csv", made)
    assert found["scan/reduced"]["bulk_density"] == header  # type: ignore[index]


headers = st.text(
    st.characters(codec="utf-8", exclude_characters="\r\n,\x00", exclude_categories=["Cs"]),
    max_size=25,
)
cells = st.one_of(
    st.integers(-10_000, 10_000).map(str),
    st.floats(-1e4, 1e4).map(lambda x: f"{x:.3f}"),
    st.sampled_from(["", "NA", "-999.25", "A-1-2, 3 cm", "03/04/2031", "12:30", "CC", "#", "'"]),
)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_any_table_gives_a_draft_that_can_be_read(tmp_path: Path, data: st.DataObject) -> None:
    words = st.sampled_from(
        [
            "Core",
            "Section",
            "Offset (cm)",
            "Depth [m]",
            "Bulk density (g/cc)",
            "Counts",
            "Time",
            "Live time (s)",
            "Label",
            "Vp, m/s",
            'quote "x"',
            "back\\slash",
            "it's",
            "a\tb",
            "[",
            "#",
        ]
    )
    names = data.draw(st.lists(st.one_of(words, headers), min_size=1, max_size=7))
    count = data.draw(st.integers(0, 6))
    body = [[data.draw(cells) for _ in names] for _ in range(count)]
    frame = pd.DataFrame(body, columns=range(len(names)), dtype=str)
    frame.columns = names
    sep = data.draw(st.sampled_from([",", ";", "\t"]))
    path = save(tmp_path, "any.csv", frame.to_csv(index=False, sep=sep))
    draft = suggest(path, folder=tmp_path)
    tomllib.loads(draft)
    if "\n[[source]]" in draft:
        parse_mapping(draft)


# What is not certain ------------------------------------------------------------------------------


def draft_of(folder: Path, text: str, name: str = "file.csv", encoding: str = "utf-8") -> str:
    return suggest(save(folder, name, text, encoding), folder=folder)


def scan(**changed: str) -> pd.DataFrame:
    return table(rows(), {**SCAN, **changed})


@pytest.mark.parametrize(
    ("header", "target", "unit"),
    [
        ("Bulk density", "bulk_density", "g/cm^3"),
        ("Wet density", "bulk_density", "g/cm^3"),
        ("Density", "bulk_density", "g/cm^3"),
    ],
)
def test_a_missing_unit_is_never_certain(
    header: str, target: str, unit: str, tmp_path: Path
) -> None:
    draft = draft_of(tmp_path, scan(density=header).to_csv(index=False))
    assert target not in active(parse_mapping(draft))["scan/reduced"]
    assert f'unit = "{unit}"' in commented(draft)[target]
    assert "no unit is written" in draft


def test_a_share_without_a_unit_shows_what_fits(tmp_path: Path) -> None:
    frame = rows()
    for scale, unit in ((1.0, "1"), (100.0, "%")):
        made = table(frame, SCAN)
        made["Porosity"] = (scale * frame["porosity"]).round(3)
        draft = draft_of(tmp_path, made.to_csv(index=False))
        assert f'unit = "{unit}"' in commented(draft)["porosity"]
        made = made.rename(
            columns={"Porosity": "Porosity (%)" if scale == 100.0 else "Porosity (-)"}
        )
        found = active(parse_mapping(draft_of(tmp_path, made.to_csv(index=False))))
        assert "porosity" in found["scan/reduced"]


def test_fractions_under_a_header_of_percent_are_a_doubt(tmp_path: Path) -> None:
    made = scan()
    made["Porosity (%)"] = rows()["porosity"]
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "porosity" not in active(parse_mapping(draft))["scan/reduced"]
    assert "as if they were fractions" in draft


@pytest.mark.parametrize(
    ("header", "factor"),
    [("Offset (cm)", 10.0), ("Offset (cm)", 0.01), ("Offset (mm)", 1.0), ("Depth (m)", 100.0)],
)
def test_places_in_another_unit_than_written_are_a_doubt(
    header: str, factor: float, tmp_path: Path
) -> None:
    names = {**SCAN, "offset": header} if header.startswith("Offset") else SCAN
    made = table(rows(), names)
    made[header] *= factor
    draft = draft_of(tmp_path, made.to_csv(index=False))
    found = active(parse_mapping(draft)) if "\n[[source]]" in draft else {}
    assert "offset" not in found.get("scan/reduced", {})
    assert "check the" in draft or "check their" in draft


def test_dry_masses_above_wet_ones_are_a_doubt(tmp_path: Path) -> None:
    file = EXPORTS["labelled_samples"].write(tmp_path)[0]
    text = file.read_text().replace("Wet", "Moist").replace("Dry mass", "Wet mass")
    draft = draft_of(tmp_path, text.replace("Moist mass", "Dry mass"))
    assert "dry masses are not below wet masses" in draft and "\n[[source]]" not in draft


def test_percent_under_a_header_of_fractions_is_a_doubt(tmp_path: Path) -> None:
    made = scan()
    made["Porosity (fraction)"] = (100 * rows()["porosity"]).round(2)
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "porosity" not in active(parse_mapping(draft))["scan/reduced"]
    assert "porosity" in commented(draft)
    assert "the numbers would fit %" in draft


def test_a_written_unit_that_numbers_contradict_gets_a_correction(tmp_path: Path) -> None:
    draft = draft_of(tmp_path, scan(density="Bulk density (kg/m3)").to_csv(index=False))
    assert "bulk_density" not in active(parse_mapping(draft))["scan/reduced"]
    start = draft.index("# [[correct]]")
    block = "\n".join(line.removeprefix("# ") for line in draft[start:].splitlines()[:5]).replace(
        '"..."', '"the numbers are g/cm^3"'
    )
    line = next(x for x in draft.splitlines() if x.startswith("# bulk_density"))
    mended = draft.replace(line, line.removeprefix("# ")) + "\n" + block
    (tmp_path / "import.toml").write_text(mended, encoding="utf-8")
    cp.importing.run(tmp_path)
    written = pd.read_csv(tmp_path / "scan/reduced.csv")
    np.testing.assert_array_equal(written["bulk_density [g/cm^3]"], rows()["density"])


def test_a_column_of_another_dimension_is_a_doubt(tmp_path: Path) -> None:
    draft = draft_of(tmp_path, scan(density="Bulk density (m/s)").to_csv(index=False))
    assert "bulk_density" not in active(parse_mapping(draft))["scan/reduced"]
    assert "the unit 'm/s' is not one of bulk_density" in draft


def test_two_columns_of_one_quantity_are_a_doubt(tmp_path: Path) -> None:
    made = scan()
    made["Gamma density (g/cm3)"] = rows()["density"] + 0.05
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "bulk_density" not in active(parse_mapping(draft))["scan/reduced"]
    assert "other columns may be bulk_density as well: 'Gamma density (g/cm3)'" in draft


def test_two_different_depths_are_a_doubt_and_two_equal_ones_are_not(tmp_path: Path) -> None:
    made = scan()
    made["Composite depth (m)"] = rows()["depth"] * 1.1
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "depth" not in active(parse_mapping(draft))["scan/reduced"]
    assert "several depths" in draft
    made["Composite depth (m)"] = rows()["depth"]
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert active(parse_mapping(draft))["scan/reduced"]["depth"] == "Depth (m)"


def test_a_header_that_is_there_twice_is_a_doubt(tmp_path: Path) -> None:
    made = scan()
    text = made.to_csv(index=False).replace("P-wave velocity (m/s)", "Bulk density (g/cm3)", 1)
    draft = draft_of(tmp_path, text)
    assert "bulk_density" not in str(
        active(parse_mapping(draft)) if "\n[[source]]" in draft else ""
    )


def test_uncertainties_limits_and_flags_are_not_the_quantity(tmp_path: Path) -> None:
    for word in ("error", "std", "max", "flag"):
        made = scan(density=f"Bulk density {word} (g/cm3)")
        draft = draft_of(tmp_path, made.to_csv(index=False))
        assert "bulk_density" not in active(parse_mapping(draft))["scan/reduced"], word


@pytest.mark.parametrize(
    ("header", "certain"),
    [
        ("Bulk density std (g/cm3)", True),
        ("Standard deviation of bulk density (g/cm3)", True),
        ("Bulk density error (g/cm3)", False),
        ("Bulk density sigma", False),
        ("Bulk density 2 sigma range max (g/cm3)", False),
    ],
)
def test_an_uncertainty_goes_beside_its_quantity(
    header: str, certain: bool, tmp_path: Path
) -> None:
    made = scan()
    made[header] = 0.01
    draft = draft_of(tmp_path, made.to_csv(index=False))
    lines = active(parse_mapping(draft))["scan/reduced"]
    assert lines["bulk_density"] == "Bulk density (g/cm3)"
    assert lines.get("u_bulk_density") == (header if certain else None)


@pytest.mark.skipif("downhole/temperature_log" not in TABLES, reason="this version lacks the table")
@pytest.mark.parametrize(
    "header", ["Temperature std (degC)", "Temperature std (K)", "temp_sd_degC"]
)
def test_an_uncertainty_of_a_temperature_is_a_difference(header: str, tmp_path: Path) -> None:
    text = f"Depth (m),Temperature (degC),{header}\n"
    text += "".join(f"{z},{3 + 0.04 * z:.2f},0.05\n" for z in range(90))
    (tmp_path / "import.toml").write_text(draft_of(tmp_path, text), encoding="utf-8")
    cp.importing.run(tmp_path)
    written = pd.read_csv(tmp_path / "downhole/temperature_log.csv")
    assert set(written["u_temperature [K]"]) == {0.05}


def test_grains_under_the_word_density_are_a_doubt(tmp_path: Path) -> None:
    made = scan(density="Density (g/cm3)")
    made["Density (g/cm3)"] = 2.68 + 0.02 * np.sin(np.arange(len(made)))
    draft = draft_of(tmp_path, made.round(3).to_csv(index=False))
    assert "it may be grain_density" in draft
    assert "bulk_density" not in active(parse_mapping(draft))["scan/reduced"]


def test_a_velocity_that_may_be_of_shear_waves_is_a_doubt(tmp_path: Path) -> None:
    made = scan(velocity="Velocity (m/s)")
    assert (
        "p_wave_velocity"
        in active(parse_mapping(draft_of(tmp_path, made.to_csv(index=False))))["scan/reduced"]
    )
    for factor in (0.3, 1.8):
        other = made.assign(**{"Velocity (m/s)": (factor * made["Velocity (m/s)"]).round(1)})
        draft = draft_of(tmp_path, other.to_csv(index=False))
        assert "velocity" not in str(active(parse_mapping(draft))["scan/reduced"].keys())


@pytest.mark.parametrize(
    ("header", "target"),
    [
        ("Filtered bulk density (g/cm3)", "bulk_density"),
        ("Bulk density in situ (g/cm3)", "bulk_density"),
        ("Pore water resistivity (ohm m)", "electrical_resistivity"),
        ("Vp/Vs", "p_wave_velocity"),
        ("Depth below sea level (m)", "depth"),
        ("Signal (mV)", "response"),
        ("Susceptibility (10^-6 cgs)", "magnetic_susceptibility"),
        ("Susceptibility (10^-8 m3/kg)", "magnetic_susceptibility"),
    ],
)
def test_a_neighbour_of_a_quantity_is_not_certain(header: str, target: str, tmp_path: Path) -> None:
    made = scan().drop(columns=["Depth (m)", "Bulk density (g/cm3)"])
    made[header] = rows()["density"]
    lines = active(parse_mapping(draft_of(tmp_path, made.to_csv(index=False))))
    assert all(one.get(target) != header for one in lines.values())


def test_a_depth_that_counts_upward_is_a_doubt(tmp_path: Path) -> None:
    made = scan()
    made["Depth (m)"] *= -1
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "depth" not in active(parse_mapping(draft))["scan/reduced"]
    assert "outside the usual 0 to 12000 m" in draft


def test_a_thickness_inside_the_liner_is_a_doubt(tmp_path: Path) -> None:
    file = EXPORTS["raw_track_wide"].write(tmp_path)[0]
    for words in ("Core diameter [mm]", "Inner thickness [mm]", "Sediment thickness [mm]"):
        draft = draft_of(tmp_path, file.read_text().replace("Core thickness [mm]", words))
        assert "scan/pwave" not in active(parse_mapping(draft)), words
        assert "over the liner" in draft or "core_diameter" in draft


def test_water_content_without_its_basis_is_a_doubt(tmp_path: Path) -> None:
    made = scan()
    made["Water content (%)"] = 45.0
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "of wet mass or of solids" in draft
    assert "water_content_wet" not in active(parse_mapping(draft))["scan/reduced"]


def test_masses_with_a_container_and_no_mass_of_it_are_a_doubt(tmp_path: Path) -> None:
    file = EXPORTS["labelled_samples"].write(tmp_path)[0]
    text = file.read_text()
    cut = "\n".join(
        re.sub(r",10\.\d+,", ",", line).replace("Mass of tin [g],", "")
        for line in text.splitlines()
    )
    draft = draft_of(tmp_path, cut + "\n")
    assert "the container is included, and no column holds its own" in draft
    assert "\n[[source]]" not in draft


def test_a_container_is_not_subtracted_from_net_masses(tmp_path: Path) -> None:
    file = EXPORTS["labelled_samples"].write(tmp_path)[0]
    draft = draft_of(tmp_path, file.read_text().replace(" with tin", ""))
    lines = active(parse_mapping(draft))["samples/index_properties"]
    assert "container_mass" not in lines and "wet_mass" in lines
    assert "container_mass is not mapped" in draft


def test_counts_without_a_detector_are_a_doubt(tmp_path: Path) -> None:
    made = table(rows(), {**SCAN, "counts": "Counts"}).drop(columns=list(SCAN.values())[4:])
    made["Live time (s)"] = 5
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "no word states which detector counted" in draft
    assert "\n[[source]]" not in draft
    named = suggest(save(tmp_path, "natural_gamma.csv", made.to_csv(index=False)), folder=tmp_path)
    assert "counts" in active(parse_mapping(named))["scan/natural_gamma"]


def test_decimals_under_counts_are_a_doubt(tmp_path: Path) -> None:
    """Commas that set thousands apart look like decimals; counts are whole numbers."""
    lines = ["Core;Section;Offset (cm);attenuation counts;counting time (s)"]
    lines += [f"1;1;{n};{51 + n},{234 + n};5" for n in range(0, 60, 2)]
    draft = draft_of(tmp_path, "\n".join(lines) + "\n")
    assert "may set thousands apart" in draft and "not all counts are whole numbers" in draft
    assert "\n[[source]]" not in draft


# Dates, codes, holes ------------------------------------------------------------------------------


def timed(texts: list[str], header: str = "Date and time (UTC)") -> pd.DataFrame:
    made = scan()
    made[header] = list(itertools.islice(itertools.cycle(texts), len(made)))
    return made


@pytest.mark.parametrize(
    ("texts", "form"),
    [
        (["23/04/2031 10:30:00", "24/04/2031 11:00:00"], "%d/%m/%Y %H:%M:%S"),
        (["04/23/2031 10:30", "04/24/2031 11:00"], "%m/%d/%Y %H:%M"),
        (["03.04.2031 10:30", "03.04.2031 11:30"], "%d.%m.%Y %H:%M"),
        (["3 Apr 2031 10:30:00"], "%d %b %Y %H:%M:%S"),
    ],
)
def test_a_date_with_one_reading_is_certain(texts: list[str], form: str, tmp_path: Path) -> None:
    draft = draft_of(tmp_path, timed(texts).to_csv(index=False))
    mapping = parse_mapping(draft)
    assert mapping.sources[0].time_format == form and mapping.sources[0].time_zone == "UTC"
    assert active(mapping)["scan/reduced"]["time"] == "Date and time (UTC)"


def test_iso_times_need_no_format(tmp_path: Path) -> None:
    draft = draft_of(tmp_path, timed(["2031-04-03T10:30:00Z"], "Timestamp").to_csv(index=False))
    mapping = parse_mapping(draft)
    assert active(mapping)["scan/reduced"]["time"] == "Timestamp"
    assert not mapping.sources[0].time_format and not mapping.sources[0].time_zone


@pytest.mark.parametrize(
    ("texts", "header", "why"),
    [
        (["03/04/2031 10:30"], "Time (UTC)", "%d/%m/%Y %H:%M or %m/%d/%Y %H:%M"),
        (["23/04/2031 10:30"], "Time", "no time zone is written"),
        (["2031-04-03"], "Date (UTC)", "without a time of day"),
    ],
)
def test_a_time_that_may_be_another_is_a_comment(
    texts: list[str], header: str, why: str, tmp_path: Path
) -> None:
    draft = draft_of(tmp_path, timed(texts, header).to_csv(index=False))
    assert "time" not in active(parse_mapping(draft))["scan/reduced"]
    line = next(x for x in draft.splitlines() if x.startswith("# time = "))
    assert why in line


def test_date_and_time_of_day_are_joined(tmp_path: Path) -> None:
    made = timed(["23/04/2031"], "Date")
    made["Time (UTC)"] = "10:30:15"
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert active(parse_mapping(draft))["scan/reduced"]["time"] == "Date Time (UTC)"
    assert 'time_format = "%d/%m/%Y %H:%M:%S"' in draft


def nulls(folder: Path, values: list[float], code: str) -> tuple[list[str], str]:
    made = scan()
    made["Temperature (degC)"] = list(itertools.islice(itertools.cycle(values), len(made)))
    made["Temperature (degC)"] = made["Temperature (degC)"].astype(object)
    made.loc[::9, "Temperature (degC)"] = code
    draft = draft_of(folder, made.to_csv(index=False))
    return list(parse_mapping(draft).sources[0].null), draft


def test_codes_of_missing_values(tmp_path: Path) -> None:
    for code in ("-999.25", "-9999", "NaN", "N/A", "***", "9999"):
        assert nulls(tmp_path, [4.1, 5.2, 19.5], code)[0] == [code]
    assert nulls(tmp_path, [25.0, 30.0, 80.0], "-99")[0] == ["-99"]
    assert nulls(tmp_path, [-40.0, 30.0, 80.0], "-99")[0] == []
    for code in ("999", "-99"):
        found, draft = nulls(tmp_path, [250.0, 300.0, -800.0], code)
        assert found == [] and "may stand for no value" not in draft, code
    made = scan()
    made.loc[3, "Bulk density (g/cm3)"] = -99
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "may stand for no value; if so, add it to null" in draft
    assert nulls(tmp_path, [4.1, 5.2, 19.5], "4.2")[0] == []


def test_a_code_of_one_column_stays_a_number_in_another(tmp_path: Path) -> None:
    made = table(rows(), {**SCAN, "counts": "attenuation counts"})
    made["attenuation counts"] = 9990 + np.arange(len(made))
    made["counting time (s)"] = 5.0
    made["Bulk density (g/cm3)"] = made["Bulk density (g/cm3)"].astype(object)
    made.loc[::7, "Bulk density (g/cm3)"] = "9999"
    draft = draft_of(tmp_path, made.to_csv(index=False))
    (source,) = parse_mapping(draft).sources
    assert "9999" not in source.null
    density = next(
        target
        for one in source.tables
        for target in one.targets
        if target.column.name == "bulk_density"
    )
    assert density.origin.null == ("9999",)


def test_rows_of_other_holes_are_left_out(tmp_path: Path) -> None:
    made = scan()
    made["Site"], made["Hole"] = "K7", ["A"] * 100 + ["B"] * (len(made) - 100)
    draft = draft_of(tmp_path, made.to_csv(index=False))
    (condition,) = parse_mapping(draft).sources[0].where
    assert (condition.column, condition.texts) == ("Hole", ("A",))
    assert "# doubt: one folder holds one hole" in draft


@pytest.mark.parametrize("header", ["Spot", "Kind", "Remark"])
def test_words_beside_core_and_section_are_a_doubt(header: str, tmp_path: Path) -> None:
    """A column that nothing maps may name a hole or a kind of row: no line is active."""
    made = scan()
    made[header] = ["North"] * 100 + ["South"] * (len(made) - 100)
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "\n[[source]]" not in draft
    assert f'# where = {{ {header} = "North" }}' in draft
    assert f"'{header}' holds the words 'North', 'South'; keep one" in draft
    opened = [line for line in draft.splitlines() if re.match(r"# (\[|[a-z_]+ = )", line)]
    source = parse_mapping("\n".join(line.removeprefix("# ") for line in opened)).sources[0]
    assert [(one.column, one.texts) for one in source.where] == [(header, ("North",))]
    made[header] = "North"
    assert "\n[[source]]" in draft_of(tmp_path, made.to_csv(index=False))


def test_words_that_differ_between_files_are_a_doubt(tmp_path: Path) -> None:
    made = scan()
    files = []
    for name, unit in (("North", "Depth (m)"), ("South", "Depth [m]")):
        text = made.assign(Spot=name).rename(columns={"Depth (m)": unit}).to_csv(index=False)
        files.append(save(tmp_path, f"{name}.csv", text, "utf-8"))
    assert "\n[[source]]" in suggest(files[0], folder=tmp_path)
    draft = suggest(*files, folder=tmp_path)
    assert "\n[[source]]" not in draft
    assert draft.count("# where = { Spot = ") == 2


def test_two_files_of_two_holes_are_not_both_active(tmp_path: Path) -> None:
    made = scan()
    files = []
    for name, unit, count in (("A", "Depth (m)", 150), ("B", "Depth [m]", 100)):
        part = made.head(count).assign(Hole=name).rename(columns={"Depth (m)": unit})
        files.append(save(tmp_path, f"{name}.csv", part.to_csv(index=False), "utf-8"))
    sources = parse_mapping(suggest(*files, folder=tmp_path)).sources
    assert [source.name for source in sources] == ["A"]
    assert len(parse_mapping(suggest(files[1], folder=tmp_path)).sources) == 1


@pytest.mark.parametrize(
    ("header", "scale", "right"),
    [
        ("Susc (SI, volume)", 1e-5, '{ column = "Susc (SI, volume)", unit = "1" }'),
        ("Susc", 1e-5, '{ column = "Susc", unit = "1" }'),
        ("Susc (1e-5 SI)", 1e-5, '{ column = "Susc (1e-5 SI)", unit = "1" }'),
        ("Susc", 1.0, '{ column = "Susc", unit = "..." }'),
        ("Susc 10-6", 10.0, '{ column = "Susc 10-6", unit = "1", factor = 1e-06 }'),
    ],
)
def test_susceptibility_has_a_factor_only_where_header_and_numbers_have_it(
    header: str, scale: float, right: str, tmp_path: Path
) -> None:
    made = scan()
    made[header] = (scale * rows()["susceptibility"]).round(9)
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert commented(draft)["magnetic_susceptibility"] == right
    certain = made.rename(columns={header: "Susc (1e-5 SI)"})
    certain["Susc (1e-5 SI)"] = rows()["susceptibility"]
    assert 'unit = "1", factor = 1e-05 }\n' in draft_of(tmp_path, certain.to_csv(index=False))


def test_a_raw_reading_of_susceptibility_is_never_made_si(tmp_path: Path) -> None:
    made = scan()
    made["Loop reading (1e-6 SI)"] = 10.0 * rows()["susceptibility"]
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert commented(draft)["reading"].endswith('unit = "1", factor = 0.1 }')
    assert "reading is a number in the unit of [susceptibility] unit of the recipe" in draft


def test_a_list_of_sections_without_a_diameter_is_a_comment_as_a_whole(tmp_path: Path) -> None:
    text = "core,section,length (cm)\n1,1,150\n1,2,140\n2,1,150\n2,2,120\n"
    draft = draft_of(tmp_path, text)
    assert "\n[[source]]" not in draft
    assert '# [source.tables."sections"]' in draft
    draft = draft_of(tmp_path, text.replace("\n", ",66\n").replace("),66", "),core diameter (mm)"))
    assert "sections" in active(parse_mapping(draft))


@pytest.mark.parametrize("name", HEADERS)
def test_no_draft_is_refused_as_a_mapping(name: str, tmp_path: Path) -> None:
    file, text, _ = HEADERS[name]
    draft = draft_of(tmp_path, text, file)
    if "\n[[source]]" not in draft:
        return
    (tmp_path / "import.toml").write_text(draft, encoding="utf-8")
    assert "rows added" in str(cp.importing.run(tmp_path, dry_run=True))


def test_columns_that_are_recognised_do_not_vanish(tmp_path: Path) -> None:
    text = "Core,Section,Offset (cm),Date,Run,Squeak (zz)\n" + "".join(
        f"1,1,{offset},2031-03-04,1,{offset}\n" for offset in range(0, 100, 10)
    )
    draft = draft_of(tmp_path, text)
    for line in ('# core = "Core"', '# offset = "Offset (cm)"', '# time = "Date"', '# run = "Run"'):
        assert line in draft.replace("\n", "  \n"), line
    assert "#   'Squeak (zz)'" in draft


@pytest.mark.parametrize(
    ("header", "target", "value"),
    [
        ("att (g/cm3)", "bulk_density", 1.7),
        ("bridge (ohm m)", "electrical_resistivity", 0.9),
        ("nat (counts/s)", "natural_gamma_rate", 30.0),
        ("loop (1e-5 SI)", "magnetic_susceptibility", 40.0),
    ],
)
def test_a_unit_that_names_the_quantity_is_offered_as_a_doubt(
    header: str, target: str, value: float, tmp_path: Path
) -> None:
    made = scan().drop(columns="Bulk density (g/cm3)")
    made[header] = value + 0.01 * np.arange(len(made)) / len(made)
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert f'"{header}"' in commented(draft)[target]
    assert "only its unit names the quantity" in draft
    assert target not in active(parse_mapping(draft)).get("scan/reduced", {})


def test_the_least_number_by_far_may_be_a_code(tmp_path: Path) -> None:
    made = scan()
    made["Count"] = np.where(np.arange(len(made)) == 7, 9999, 52000 + np.arange(len(made)))
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "9999 in 'Count' may stand for no value" in draft
    made["Count"] = 9999 + 10 * (np.arange(len(made)) - 90)
    assert "may stand for no value" not in draft_of(tmp_path, made.to_csv(index=False))


@pytest.mark.parametrize("unit", ["m/min", "us/m"])
def test_the_speed_of_a_tool_is_no_velocity(unit: str, tmp_path: Path) -> None:
    text = f"Depth (m),Temperature (degC),Speed ({unit})\n" + "".join(
        f"{depth},{4 + 0.03 * depth:.3f},{9 + depth % 3}\n" for depth in range(100)
    )
    draft = draft_of(tmp_path, text)
    assert "p_wave_velocity" not in draft
    assert "downhole/temperature_log" in active(parse_mapping(draft))


# Places -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        ("X12-3R-2W, 34-36 cm", ("3", "2", "34", "36")),
        ("lake 7_4_1_120 mm", ("4", "1", "120", None)),
        ("331-Q9B-14-CC, 5.5 cm", ("14", "CC", "5.5", None)),
        ("14-2, 5 cm", ("14", "2", "5", None)),
    ],
)
def test_a_label_is_taken_apart(
    label: str, expected: tuple[str | None, ...], tmp_path: Path
) -> None:
    numbers = re.findall(r"\d+(?:\.\d+)?", label)
    labels = [label]
    other = re.sub(
        r"(\d+)(?=[A-Za-z]?[-_](?:\d|CC))(?!.*\d[A-Za-z]?[-_]\d+[A-Za-z]?[-_])", "77", label
    )
    labels += [other] if other != label else [label.replace(numbers[-1], "99")]
    lines = ["Sample,Wet bulk density (g/cc)"]
    lines += [f'"{text}",1.{n + 5}' for n, text in enumerate(labels)]
    draft = draft_of(tmp_path, "\n".join(lines) + "\n")
    match = re.search(r"^(?:# )?Sample = '(?P<pattern>.*)'(?:  .*)?$", draft, re.MULTILINE)
    assert match, draft
    found = re.search(match["pattern"], label)
    assert found is not None
    groups = found.groupdict()
    assert tuple(groups.get(name) for name in ("core", "section", "offset", "to")) == expected


def test_labels_of_several_holes_are_a_doubt(tmp_path: Path) -> None:
    lines = ["Sample,Wet bulk density (g/cc)"]
    lines += [f'"{hole}-{core}-1, 5 cm",1.5' for hole in "AB" for core in (1, 2, 3)]
    draft = draft_of(tmp_path, "\n".join(lines) + "\n")
    assert "the labels name several holes ('A', 'B')" in draft and "\n[[source]]" not in draft


def test_labels_that_do_not_rise_are_a_doubt(tmp_path: Path) -> None:
    lines = ["Sample,Wet bulk density (g/cc)"]
    lines += [f'"A-{9 - n}-{n}, 5 cm",1.5' for n in range(1, 8)]
    draft = draft_of(tmp_path, "\n".join(lines) + "\n")
    assert "do not rise with the rows" in draft and "\n[[source]]" not in draft


def test_cores_written_with_decimals_become_whole(tmp_path: Path) -> None:
    made = scan()
    made["Core"] = made["Core"].astype(float)
    draft = draft_of(tmp_path, made.to_csv(index=False))
    (tmp_path / "import.toml").write_text(draft, encoding="utf-8")
    cp.importing.run(tmp_path)
    written = pd.read_csv(tmp_path / "scan/reduced.csv", dtype=str)
    assert sorted(set(written["core"])) == ["1", "2"]


def test_depths_that_begin_again_are_offsets(tmp_path: Path) -> None:
    made = scan(offset="Depth (cm)").drop(columns="Depth (m)")
    found = active(parse_mapping(draft_of(tmp_path, made.to_csv(index=False))))
    assert found["scan/reduced"]["offset"] == "Depth (cm)"
    assert "depth" not in found["scan/reduced"]


def test_a_file_without_a_place_is_a_comment(tmp_path: Path) -> None:
    made = scan()[["Bulk density (g/cm3)", "P-wave velocity (m/s)"]]
    draft = draft_of(tmp_path, made.to_csv(index=False))
    assert "no column was found for core and section and offset, nor for depth" in draft
    assert "\n[[source]]" not in draft


@pytest.mark.skipif("samples/reduced" not in TABLES, reason="this version lacks the table")
def test_distance_and_number_of_rows_choose_the_table(tmp_path: Path) -> None:
    for step, count, name in ((5.0, 2, "scan/reduced"), (60.0, 12, "samples/reduced")):
        made = table(rows(count, 3, step), SCAN)
        assert list(active(parse_mapping(draft_of(tmp_path, made.to_csv(index=False))))) == [name]
    made = table(rows(1, 1, 15.0), SCAN)  # close, but nine of them
    assert list(active(parse_mapping(draft_of(tmp_path, made.to_csv(index=False))))) == [
        "samples/reduced"
    ]


# Files that are no table, and layouts -------------------------------------------------------------


def test_files_that_cannot_be_mapped_are_named(tmp_path: Path) -> None:
    save(tmp_path, "log.las", "~VERSION\n VERS. 2.0 :\n~A\n1 2\n")
    save(tmp_path, "empty.csv", "")
    (tmp_path / "photo.jpg").write_bytes(bytes(range(256)) * 40)
    save(tmp_path, "notes.txt", "The core came up at noon.\nIt was soft.\n")
    (tmp_path / "broken.xlsx").write_bytes(b"PK\x03\x04 and nothing else")
    draft = suggest(*sorted(tmp_path.iterdir()), folder=tmp_path)
    for words in (
        "log.las: not read: a well log in LAS form",
        "empty.csv: not read: the file is empty",
        "photo.jpg: not read: the file is binary",
        "notes.txt: not read:",
        "broken.xlsx: not read: the file is damaged",
    ):
        assert f"# {words}" in draft
    assert "[[source]]" not in draft


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"none\.csv' is no file; give exports that exist"):
        suggest(tmp_path / "none.csv")
    with pytest.raises(ValueError, match="was given no file; give one or more exports"):
        suggest()


def test_quoted_decimal_commas_between_commas_are_refused_in_words(tmp_path: Path) -> None:
    lines = ["Depth (m),Bulk density (g/cc)"] + [f'"{n},5","1,{50 + n}"' for n in range(40)]
    draft = draft_of(tmp_path, "\n".join(lines) + "\n")
    assert "commas stand between fields and in numbers" in draft and "\n[[source]]" not in draft


def test_a_last_line_without_an_end_is_named(tmp_path: Path) -> None:
    text = scan().to_csv(index=False)
    assert "no line end" not in draft_of(tmp_path, text)
    assert "the last line of file.csv has no line end" in draft_of(tmp_path, text.rstrip())


def test_a_file_without_a_header_loses_no_row(tmp_path: Path) -> None:
    path = save(tmp_path, "bare.csv", scan().to_csv(index=False, header=False))
    (layout,) = layouts(path)
    assert layout.numbered and len(layout.rows) == len(rows())
    assert "the file has no header" in suggest(path)


def test_a_line_of_titles_above_the_header_is_skipped(tmp_path: Path) -> None:
    text = "place,,,,results,\n" + scan().to_csv(index=False)
    draft = draft_of(tmp_path, text)
    assert "skip_lines = 1" in draft
    assert "bulk_density" in active(parse_mapping(draft))["scan/reduced"]


def test_delimiters_at_the_ends_of_lines_make_no_column(tmp_path: Path) -> None:
    lines = scan().to_csv(index=False).splitlines()
    text = "\n".join([lines[0], *(f"{line}," for line in lines[1:])]) + "\n"
    (layout,) = layouts(save(tmp_path, "ends.csv", text))
    assert layout.header == tuple(SCAN.values())


def test_many_files_share_a_pattern_that_takes_no_other(tmp_path: Path) -> None:
    made = scan()
    files = [save(tmp_path, f"out/core{n}.csv", made.to_csv(index=False)) for n in range(1, 6)]
    (source,) = parse_mapping(suggest(*files, folder=tmp_path)).sources
    assert source.files == ("out/core*.csv",)
    other = save(tmp_path, "out/core_list.csv", "a,b\n1,2\n3,4\n")
    source, *_ = parse_mapping(suggest(*files, other, folder=tmp_path)).sources
    assert source.files == tuple(f"out/core{n}.csv" for n in range(1, 6))


def test_long_files_are_read_in_part(tmp_path: Path) -> None:
    made = scan()
    text = made.to_csv(index=False)
    body = text.partition("\n")[2]
    path = save(tmp_path, "long.csv", text + body * 900)
    assert path.stat().st_size > 4_000_000
    draft = suggest(path, folder=tmp_path)
    assert "rows of its beginning" in draft
    assert "bulk_density" in active(parse_mapping(draft))["scan/reduced"]


def test_the_command_prints_a_draft_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = EXPORTS["german_semicolons"].write(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    assert main(["import", str(tmp_path), "--suggest", *map(str, files)]) == 0
    assert capsys.readouterr().out == suggest(*files, folder=tmp_path)
    assert sorted(tmp_path.rglob("*")) == before
    assert main(["import", str(tmp_path), "--suggest", str(tmp_path / "none.csv")]) == 1
    assert "is no file; give exports that exist" in capsys.readouterr().err


# Parts --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "factor"),
    [
        ("g/cc", "g/cm^3", 1.0),
        ("kg m⁻³", "kg/m^3", 1.0),
        ("g·cm-3", "g/cm^3", 1.0),
        ("W m-1 K-1", "W/(m K)", 1.0),
        ("SI x 10^-5", "1", 1e-5),
        ("10-6 SI", "1", 1e-6),
        ("x 1e-5 SI", "1", 1e-5),
        ("mbsf", "m", 1.0),
        ("DEG C", None, 1.0),
        ("vol%", "%", 1.0),
        ("m3 kg-1", "m^3/kg", 1.0),
    ],
)
def test_foreign_units(text: str, unit: str | None, factor: float) -> None:
    found = read_unit(text)
    if unit is None:
        assert found is None
        return
    assert found is not None and found.unit == unit
    assert math.isclose(found.factor, factor, rel_tol=1e-15)


@pytest.mark.parametrize("text", ["mg/m3", "ms-1", "nm", "", "Unit", "top", "working half", "UTC"])
def test_texts_with_two_meanings_or_none_are_no_units(text: str) -> None:
    assert read_unit(text) is None


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("Depth (below floor) (m)", "Depth (below floor)", "m"),
        ("Porosity (vol%)", "Porosity", "vol%"),
        ("Susceptibility_MS", "Susceptibility_MS", ""),
        ("core_no", "core_no", ""),
        ("A/W", "A/W", "W"),
        ("Section (top)", "Section (top)", ""),
    ],
)
def test_headers_are_split(header: str, name: str, unit: str) -> None:
    found = split_header(header)
    if header == "A/W":
        assert found[1] == "W"  # a text column: its facts drop a unit behind a slash
        return
    assert found[:2] == (name, unit)


def test_a_text_column_has_no_unit_behind_a_slash(tmp_path: Path) -> None:
    (layout,) = layouts(save(tmp_path, "half.csv", "A/W,x\nW,1\nA,2\n"))
    first = column_facts(layout, decimal_sign(layout.rows, ",")[0])[0]
    assert first.unit is None and first.name == "A/W" and first.kind == "text"


def test_every_concept_can_be_found_and_leads_somewhere() -> None:
    inside = {
        "hole",
        "site",
        "core_offset",
        "upper_end",
        "lower_end",
        "core_top",
        "label",
        "date",
        "elapsed",
        "diameter",
        "water_content",
        "test_run",
    }
    for concept in concepts():
        re.compile(concept.pattern)
        re.compile(concept.unless)
        known_columns = any(column_of(one, concept.name) for one in TABLES.values())
        assert known_columns or concept.name in inside, concept.name


def test_words_of_one_quantity_do_not_fit_its_neighbour() -> None:
    for words, name in (
        ("dry bulk density", "dry_density"),
        ("grain density", "grain_density"),
        ("wet bulk density", "bulk_density"),
        ("s wave velocity", "s_wave_velocity"),
        ("p wave velocity", "p_wave_velocity"),
        ("thermal conductivity", "thermal_conductivity"),
        ("electrical conductivity", "conductivity"),
        ("natural gamma", "natural_gamma_rate"),
        ("gamma density", "bulk_density"),
    ):
        strong = [concept.name for concept in concepts_of(words) if not concept.weak]
        assert strong == [name], words


# Measurements by others ---------------------------------------------------------------------------

# File -> lines that are right; those in the second part cannot be certain from the file alone.
OPEN: dict[str, tuple[dict[str, str], dict[str, str]]] = {
    "deep_sea_samples/U1438.csv": (
        {
            "core": "Core",
            "section": "Sect",
            "offset": "Offset (cm)",
            "wet_mass": "Mass wet sample (g)",
            "dry_mass": "Mass dried sample (g)",
            "wet_volume": "Vol wet sample (cm³)",
            "dry_volume": "Vol dried sample (cm³)",
            "water_content_wet": "Moisture wet (wt%)",
            "water_content_dry": "Moisture dry (wt%)",
            "bulk_density": "Bulk density (g/cm³)",
            "dry_density": "Dry density (g/cm³)",
            "grain_density": "Grain density (g/cm³)",
            "porosity": "Porosity (vol%)",
            "void_ratio": "Void ratio",
        },
        {"depth": "Depth CSF-A (m)"},
    ),
    "legacy_samples/samples.csv": (
        {
            "core": "core",
            "section": "section",
            "offset": "top interval depth (cm)",
            "to": "bottom interval depth (cm)",
            "depth": "sample depth (m)",
            "bulk_density": "wet bulk density (g/cc)",
            "grain_density": "grain density (g/cc)",
        },
        {"porosity": "porosity", "water_content_wet": "wet water content (no units)"},
    ),
    "natural_gamma_spectra/U1447A.csv": (
        {
            "core": "Core",
            "section": "Section",
            "offset": "Offset [cm]",
            "potassium": "K [wt.%]",
            "uranium": "U [mg/kg]",
            "thorium": "Th [mg/kg]",
            "bulk_density": "GRA bulk density [g/cm^3]",
        },
        {},
    ),
    "lake_core_scans/LP16.csv": (
        {
            "depth": "Field_depth_",
            "p_wave_velocity": "PWVel",
            "amplitude": "PWAmp",
            "magnetic_susceptibility": "Magnetic_Susceptibility_MS",
            "electrical_resistivity": "Resitivity",
            "porosity": "Fractional_porosity",
        },
        {"bulk_density": "GRD_Gamma_Ray_Density__SAT_cal"},
    ),
    "lake_core_scans/LP08.csv": (
        {
            "depth": "Strat_depth",
            "electrical_resistivity": "Resitivity",
            "magnetic_susceptibility": "Magnetic Susceptibility_MS",
        },
        {"bulk_density": "Gamma_Ray_Density _GRD", "porosity": "Fractional_porosity"},
    ),
    "borehole_heat_flow/temperature.csv": (
        {"depth": "depth_m", "temperature": "temperature_degC"},
        {"u_temperature": "temperature_sd"},
    ),
    "borehole_heat_flow/thermal_conductivity.csv": (
        {"depth": "depth_m", "thermal_conductivity": "thermal_conductivity_W_mK"},
        {"u_thermal_conductivity": "thermal_conductivity_sd"},
    ),
}


def open_drafts(folder: Path) -> Iterator[tuple[str, str, dict[str, str]]]:
    """File, draft and active lines of all its tables together."""
    for name in OPEN:
        draft = suggest(folder / name)
        found = active(parse_mapping(draft)) if "\n[[source]]" in draft else {}
        lines = {column: header for table in found.values() for column, header in table.items()}
        yield name, draft, lines


@pytest.mark.skipif(
    not {"samples/reduced", "downhole/temperature_log"} <= set(TABLES),
    reason="this version lacks tables of reduced samples and of temperature logs",
)
def test_drafts_of_measurements_by_others(open_data: Path) -> None:
    """All lines that the files state are active, and no line is wrong."""
    for name, draft, lines in open_drafts(open_data):
        stated, doubtful = OPEN[name]
        lines.pop("sample_id", None)
        assert lines == stated, name
        shown = commented(draft)
        for column, header in doubtful.items():
            assert f'"{header}"' in shown[column], (name, column)


def test_a_file_that_states_no_unit_gives_no_active_line(open_data: Path) -> None:
    draft = suggest(open_data / "lake_core_scans/HER42PB.csv")
    assert "\n[[source]]" not in draft
    assert "other columns may be p_wave_velocity as well" in draft


def test_no_word_belongs_to_an_archive() -> None:
    """Headers of the archives that tests use are recognised by general words or not at all."""
    for code in ("gra", "grd", "mad", "csf", "mscl", "ngr", "pwl", "pwc", "whr", "den1", "fp"):
        assert concepts_of(code) == [], code
