"""The pages run, and the pages made from tables hold every row of them.

The build itself is one command of DEVELOPERS.md, which needs the extra ``docs``; what is tested
here needs it not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import pytest

import corephys as cp
from corephys.ground import flags
from corephys.ground.constants import CONSTANTS
from corephys.ground.thresholds import THRESHOLDS
from corephys.ground.vocabulary import TERMS
from corephys.reduction.recipe import SCHEMA
from docs.making import formulas, gallery, interface, layout, offline, tables

DOCS = Path(__file__).resolve().parents[2] / "docs"


def blocks(text: str) -> list[str]:
    return re.findall(r"^```python\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def run(text: str, name: str) -> dict[str, Any]:
    """Run the blocks of a page one after the other, as a reader would."""
    names: dict[str, Any] = {}
    for number, block in enumerate(blocks(text), start=1):
        exec(compile(block, f"{name}, block {number}", "exec"), names)
    return names


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of its own, and the vocabulary as it was before."""
    monkeypatch.chdir(tmp_path)
    before = set(TERMS)
    yield tmp_path
    for name in set(TERMS) - before:
        del TERMS[name]
    plt.close("all")


def page(name: str) -> str:
    return (DOCS / f"{name}.md").read_text(encoding="utf-8")


def test_the_first_ten_minutes_run(elsewhere: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = run(page("start"), "start.md")
    said = capsys.readouterr().out
    assert "unit 'metres deep' is not known. Write 'depth [m]'." in said
    assert "1.30 m: flag 4, void" in said
    assert "1.70 m: flag 9, missing_value, bad_cell" in said
    assert names["density"].sizes["reading"] == 12
    written = {path.name for path in (elsewhere / "my_hole" / "out").iterdir()}
    assert {"porosity.svg", "porosity.csv", "porosity.txt", "reduced.nc"} <= written


def unprinted(text: str, printed: str) -> list[str]:
    """Lines that a page shows as printed and that its blocks do not print."""
    shown = re.findall(r"^```text\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    lines = {" ".join(line.split()) for line in printed.splitlines()}
    return [
        line
        for block in shown
        for line in block.splitlines()
        if line.strip() and " ".join(line.split()) not in lines
    ]


def test_the_page_of_your_own_files_prints_what_it_shows(
    elsewhere: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = page("your_own_files")
    run(text, "your_own_files.md")
    printed = capsys.readouterr().out
    assert unprinted(text, printed) == []
    assert (elsewhere / "my_own/scan/reduced.csv").is_file()
    wrong = text.replace("174 readings of 3 cores", "175 readings of 3 cores")
    assert unprinted(wrong, printed) == ["175 readings of 3 cores"]


def test_the_page_of_a_porosity_fit_runs(
    elsewhere: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(page("porosity_fit"), "porosity_fit.md")
    printed = capsys.readouterr().out
    assert "systematic uncertainty not given" in printed and "no rule is broken" in printed
    for cure in ('write unit="%"', "which is not possible for porosity", "give one of 'depth"):
        assert cure in printed
    assert {p.name for p in (elsewhere / "thesis").iterdir()} == {
        "fit.csv", "fit.md", "fit.tex", "fit.xlsx", "porosity.png",
    }  # fmt: skip


@pytest.mark.slow
def test_the_page_of_figures_prints_what_it_shows(
    elsewhere: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(page("figures"), "figures.md")
    assert unprinted(page("figures"), capsys.readouterr().out) == []
    assert (elsewhere / "page.pdf").is_file()


def test_the_table_of_options_is_complete() -> None:
    rows = "".join(re.findall(r"^\| (`.*?) \|", page("figures"), re.MULTILINE))
    assert set(re.findall(r"`(\w+)=`", rows)) == {"core", "depth", *cp.figures.Look.__annotations__}


def test_every_how_to_is_listed_and_fits_on_a_screen() -> None:
    held = {f"howto/{path.stem}" for path in (DOCS / "howto").glob("*.md")}
    assert held == set(layout.HOW_TO) and len(layout.HOW_TO) == len(held) >= 20
    for name in held:
        assert len(page(name).splitlines()) <= 60, name


@pytest.mark.slow
@pytest.mark.parametrize("name", layout.HOW_TO)
def test_a_how_to_runs_and_prints_what_it_shows(
    name: str, elsewhere: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = page(name)
    run(text, f"{name}.md")
    assert unprinted(text, capsys.readouterr().out) == []


def test_the_gallery_has_every_figure() -> None:
    listed = [name for names in gallery.GROUPS.values() for name in names]
    assert sorted(listed) == sorted(cp.figures.FIGURES)
    text = gallery.page()
    for name, function in cp.figures.FIGURES.items():
        assert text.count(f"cp.figures.{function.__name__}(reduced)") == 1
        assert f"(gallery/{name}.png)" in text
    few = gallery.page({"summary": "words"})
    assert few.count("The demo hole lacks the data of this figure.") == len(listed) - 1


def rows(text: str) -> dict[str, list[str]]:
    """Cells of all tables of a page by the name in their first column."""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line.startswith("| `"):
            cells = [cell.strip() for cell in line.strip("| ").split(" | ")]
            assert cells[0].strip("`") not in found, line
            found[cells[0].strip("`")] = cells[1:]
    return found


def wrong_constants(text: str) -> list[str]:
    """Constants that a page lacks or gives otherwise."""
    found = rows(text)

    def right(name: str) -> bool:
        c, cells = CONSTANTS[name], found.get(name)
        if cells is None or float(cells[0]) != c.value or cells[1] != f"`{c.unit}`":
            return False
        known = cells[2] == ("unknown" if math.isnan(c.uncertainty) else f"{c.uncertainty:.10g}")
        return known and cells[3] == c.status and cells[4] == c.citation

    return [name for name in CONSTANTS if not right(name)] + sorted(set(found) - set(CONSTANTS))


def wrong_thresholds(text: str) -> list[str]:
    """Thresholds that a page lacks or gives otherwise."""
    found = rows(text)

    def right(name: str) -> bool:
        t, cells = THRESHOLDS[name], found.get(name)
        if cells is None or abs(float(cells[0]) - t.value) > 1e-9 * abs(t.value):
            return False
        return cells[1:] == [f"`{t.unit}`", t.decides, t.status, t.citation]

    return [name for name in THRESHOLDS if not right(name)] + sorted(set(found) - set(THRESHOLDS))


def wrong_terms(text: str) -> list[str]:
    """Quantities that a page lacks or gives otherwise."""
    found = rows(text)

    def ends(limits: tuple[float, float]) -> str:
        shown = [f"{end:g}" if abs(end) != float("inf") else "" for end in limits]
        forms = {(True, True): "{} to {}", (True, False): "from {}", (False, True): "to {1}"}
        return forms.get((bool(shown[0]), bool(shown[1])), "any").format(*shown)

    return [
        name for name, t in TERMS.items()
        if found.get(name, [])[:4] != [f"`{t.unit}`", t.long_name, ends(t.usual), ends(t.possible)]
    ] + sorted(set(found) - set(TERMS))  # fmt: skip


def wrong_flags(text: str) -> list[str]:
    """Reasons that a page lacks or gives with another bit, flag or meaning."""
    words = dict(
        zip((1, 2, 3, 4, 9), ("good", "not evaluated", "suspect", "bad", "missing"), strict=True)
    )
    found = rows(text)
    return [
        reason for reason, level in flags.REASONS.items()
        if found.get(reason, [""] * 3)[1:2] != [words[level]]
        or 2 ** int(found[reason][0]) != flags.bit(reason) % 2**64
        or found[reason][2] != tables.MEANINGS[reason]
    ] + sorted(set(found) - set(flags.REASONS))  # fmt: skip


def wrong_keys(text: str) -> list[str]:
    """Keys of the recipe that a page lacks or gives with another default or meaning."""
    stages = dict(re.findall(r"^## (\w+)$(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL))
    wrong = sorted(set(stages) - set(SCHEMA))
    for stage, options in SCHEMA.items():
        found = rows(stages.get(stage, ""))
        for key, option in options.items():
            cells = found.pop(key, None)
            default = str(option.default)
            if option.default is None or isinstance(option.default, bool):
                default = "unknown" if option.default is None else default.lower()
            if cells is None or [cells[0], *cells[2:]] != [default, option.meaning]:
                wrong.append(f"{stage}.{key}")
        wrong += [f"{stage}.{key}" for key in found]
    return wrong


def _without(table: Mapping[str, Any], name: str) -> dict[str, Any]:
    return {key: value for key, value in table.items() if key != name}


def _other(table: Mapping[str, Any], name: str, **changes: Any) -> dict[str, Any]:
    return {**table, name: replace(table[name], **changes)}


LAST_REASON = list(flags.REASONS)[-1]
PAGES: dict[str, tuple[Callable[..., str], Callable[[str], list[str]], list[tuple[Any, str]]]] = {
    "constants": (tables.constants_page, wrong_constants, [
        (_without(CONSTANTS, "gravity"), "gravity"),
        (_other(CONSTANTS, "gravity", value=9.80664), "gravity"),
        (_other(CONSTANTS, "gravity", uncertainty=float("nan")), "gravity"),
        (_other(CONSTANTS, "gravity", citation="nobody"), "gravity"),
        (_other(CONSTANTS, "gravity", status="memory"), "gravity"),
    ]),
    "thresholds": (tables.thresholds_page, wrong_thresholds, [
        (_without(THRESHOLDS, "crack_length"), "crack_length"),
        (_other(THRESHOLDS, "crack_length", value=2.1), "crack_length"),
        (_other(THRESHOLDS, "crack_length", unit="mm"), "crack_length"),
        (_other(THRESHOLDS, "crack_length", decides="nothing"), "crack_length"),
        (_other(THRESHOLDS, "crack_length", status="choice"), "crack_length"),
    ]),
    "vocabulary": (tables.vocabulary_page, wrong_terms, [
        (_without(TERMS, "porosity"), "porosity"),
        (_other(TERMS, "porosity", unit="%"), "porosity"),
        (_other(TERMS, "porosity", usual=(0.0, 0.91)), "porosity"),
        (_other(TERMS, "void_ratio", possible=(0.0, float("inf"))), "void_ratio"),
    ]),
    "flags": (tables.flags_page, wrong_flags, [
        # The last: without another all bits after it would be wrong as well.
        (_without(flags.REASONS, LAST_REASON), LAST_REASON),
        ({**flags.REASONS, "spike": flags.BAD}, "spike"),
    ]),
    "recipe_keys": (tables.recipe_page, wrong_keys, [
        ({**SCHEMA, "liner": _without(SCHEMA["liner"], "wall")}, "liner.wall"),
        ({**SCHEMA, "liner": _other(SCHEMA["liner"], "wall", default="3 mm")}, "liner.wall"),
        ({**SCHEMA, "liner": _other(SCHEMA["liner"], "wall", meaning="of wood")}, "liner.wall"),
    ]),
}  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_a_page_of_a_table_holds_every_row(name: str) -> None:
    make, wrong, _ = PAGES[name]
    assert wrong(make()) == []
    assert layout.generated()[f"generated/{name}.md"] == make()


@pytest.mark.parametrize(
    ("name", "table", "found"),
    [(n, t, f) for n, (_, _, plants) in PAGES.items() for t, f in plants],
)
def test_a_row_left_out_or_changed_is_found(name: str, table: Any, found: str) -> None:
    make, wrong, _ = PAGES[name]
    assert wrong(make(table)) == [found]


def test_every_reason_has_a_meaning() -> None:
    assert set(tables.MEANINGS) == set(flags.REASONS)
    with pytest.raises(KeyError, match="unheard_of"):
        tables.flags_page({**flags.REASONS, "unheard_of": flags.BAD})


def test_every_standing_of_a_constant_is_explained() -> None:
    with pytest.raises(KeyError, match="hearsay"):
        tables.constants_page(_other(CONSTANTS, "gravity", status="hearsay"))
    with pytest.raises(KeyError, match="hearsay"):
        tables.thresholds_page(_other(THRESHOLDS, "crack_length", status="hearsay"))


def test_every_formula_stands_in_a_section_of_the_page() -> None:
    text = page("formulas")
    lacking = formulas.undescribed(text)
    assert not lacking, f"add to a section of docs/formulas.md: {', '.join(lacking)}"
    assert formulas.undescribed(text.replace("`cp.gamma.decay_factor`, ", "")) == [
        "gamma.decay_factor"
    ]
    public = set(formulas.handed_out().values())
    named = [name for names in formulas.sections_of(text).values() for name in names]
    assert [name for name in named if name not in public] == []


def test_every_check_value_stands_on_its_page() -> None:
    made = formulas.check_rows()
    text = formulas.check_values_page(made)
    for function, held in made.items():
        for row in held:
            assert f"| {row['expected']} " in text, function
    index = formulas.index_page(page("formulas"), made)
    anchors = {formulas.anchor(head) for head in re.findall(r"^## (.+)$", text, re.MULTILINE)}
    linked = set(re.findall(r"check_values\.md#([^)]+)\)", index))
    assert linked and linked <= anchors


def not_in_the_interface(pages: Mapping[str, str], names: list[str]) -> list[str]:
    """Names that ``corephys`` hands out and no page of the interface shows."""
    text = "\n".join(pages.values())
    return [n for n in names if f"`cp.{n}`" not in text and f"{n}.rst" not in pages]


def test_every_public_name_has_a_page() -> None:
    made = interface.pages()
    names = [name for name in cp.__all__ if not name.startswith("_")]
    lacking = not_in_the_interface(made, names)
    assert not lacking, f"add to GROUPS in docs/making/interface.py: {', '.join(lacking)}"
    assert not_in_the_interface(_without(made, "gamma.rst"), ["gamma", "reduce"]) == []
    cut = {
        name: text.replace("`cp.gamma`", "") for name, text in _without(made, "gamma.rst").items()
    }
    assert not_in_the_interface(cut, ["gamma", "reduce"]) == ["gamma"]
    for name in cp.gamma.__all__:
        assert f"corephys.gamma.{name}" in made["gamma.rst"] or f"``{name}``" in made["gamma.rst"]


def test_every_page_and_notebook_stands_in_the_contents() -> None:
    listed = {entry for _, _, pages in layout.CONTENTS.values() for entry in pages}
    listed |= {"index", *layout.FIRST}
    there = {p.stem for p in DOCS.glob("*.md")} | {
        f"howto/{p.stem}" for p in (DOCS / "howto").glob("*.md")
    }
    there |= {p.stem for p in (DOCS.parent / "notebooks").glob("*.ipynb")}
    there |= {
        n.removesuffix(".md") for n in layout.generated() if not n.startswith("generated/api")
    }
    assert sorted(there - listed) == []
    assert sorted(e for e in listed - there if not e.startswith("generated/api")) == []


def test_links_lead_from_a_forge_to_the_build() -> None:
    def lead(target: str, file: str = "docs/index.md", made: str = "index.md") -> str:
        return layout.relinked(f"[words]({target})", file, made)

    assert lead("recipe.md#gamma") == "[words](recipe.md#gamma)"
    assert lead("../notebooks/04_heat_flow.ipynb") == "[words](04_heat_flow.ipynb)"
    assert lead("../DEVELOPERS.md") == "[words](generated/developers.md)"
    assert lead("docs/mutation.md", "DEVELOPERS.md", "generated/developers.md") == (
        "[words](../mutation.md)"
    )
    assert lead("../LICENSE") == "words"
    assert lead("https://www.python.org") == "[words](https://www.python.org)"
    code = '```python\na["b"](c)\n```\nand `a["b"](c)`'
    assert layout.relinked(code, "docs/index.md", "index.md") == code


def test_blocks_of_an_executed_page_become_cells() -> None:
    for name in layout.EXECUTED:
        made = layout.to_notebook(page(name))
        assert made.count("```{code-cell} python") == len(blocks(page(name))) > 5
        assert "execution_in_temp: true" in made


def test_what_a_page_would_fetch_is_found() -> None:
    assert offline.fetched('<script src="https://x.org/a.js"></script>') == ["https://x.org/a.js"]
    assert offline.fetched("<img alt='' src='//x.org/a.png'>") == ["//x.org/a.png"]
    assert offline.fetched('<link href="http://x.org/a.css" rel="stylesheet">') == [
        "http://x.org/a.css"
    ]
    assert offline.fetched("p { background: url('https://x.org/a.woff2') }") == [
        "https://x.org/a.woff2"
    ]
    fine = '<a href="https://x.org">x</a><img src="a.png"><link rel="next" href="https://x.org/b">'
    assert offline.fetched(fine) == []
