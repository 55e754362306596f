"""The prose follows the house style: nothing acts like a person, British spelling, short sentences.

Read are the front page, all pages, DEVELOPERS.md and the Markdown cells of the notebooks. Code,
link targets and names between backquotes are left out. A few more rules hold for the pages that
users read first: no long sentence and no long paragraph. proselint, which works offline, adds the
slips of any English text, such as a redundancy or a word that does not exist.
"""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

# What is wrong, by the words that show it. A pattern ignores capitals.
STYLE = {
    "data act like a person: write who does what, or 'states', 'gives', 'lists'": (
        r"\b(?:says?|saying|said|tells?|telling|told|speaks?|spoke|spoken)\b"
    ),
    "data have no mind: write 'contains', 'requires', 'is known'": (
        r"(?<!\byou )(?<!\bwe )\b(?:knows?|knew|wants?|wanted|believes?|remembers?)\b"
    ),
    "an unknown person: write who does it, or use the passive": r"\b(?:nobody|somebody)\b",
    "write 'computed'": r"\breckon\w*",
    "write 'complete'": r"(?<!\bas a )\bwhole\b(?! (?:numbers?|rounds?|counts?|seconds?)\b)",
    "a riddle: state the rule": (
        r"\b(?:is no news|it is none|against itself|thicker than nothing)\b"
    ),
    "British spelling": (
        r"\b(?:colors?|colored|colorbars?|centers?|centered|gray(?:scale)?|behaviors?|favor\w*"
        r"|labeled|labeling|modeled|modeling|calipers?|fibers?|liters?|catalogs?|artifacts?"
        r"|\d+(?:\.\d+)? meters?|(?:kilo|centi|milli)meters?|sulfur|molds?)\b"
    ),
    "British spelling: -ise, -yse": (
        r"\b(?!(?:re|over|under)?siz|priz|seiz|capsiz)\w+(?:i|aly)z(?:e[sd]?|ers?|ing|ations?)\b"
    ),
    "a word twice": r"\b([a-z]{2,}) \1\b",
}
# Words that a rule finds and that are right, by page: the text around them.
ALLOWED = {
    "docs/recipe.md": ("by_layer or whole or none",),  # words that a key takes
    "docs/hole_page.md": ("are told apart",),
    "docs/output_folder.md": ("a program that knows nothing of the journal",),
    "docs/viewer.md": ("see the whole hole", "drew the whole hole"),
    "docs/watch.md": ("of the whole hole",),
}
# Notebooks with faults that still stand: at most so many places. Lower a number, never raise it.
STANDING = {
    "notebooks/01_reduce_a_hole.ipynb": 9,
    "notebooks/02_porosity_depth_fit.ipynb": 3,
    "notebooks/03_clean_a_scan.ipynb": 10,
    "notebooks/04_heat_flow.ipynb": 3,
    "notebooks/05_seismic_tie.ipynb": 9,
    "notebooks/06_compare_compaction_models.ipynb": 7,
    "notebooks/07_stress_and_strength.ipynb": 15,
    "notebooks/08_tie_holes.ipynb": 6,
    "notebooks/09_an_archive.ipynb": 5,
}
# Checks of proselint that find no fault of prose here: straight quotes and dots, a heading that
# its paragraph repeats or two equal numbers, the word "very", units that look like a time of day.
NOT_ASKED = ("typography", "lexical_illusions", "weasel_words", "dates_times")
# Pages that users read first.
PLAIN = [
    "README.md", "data_demo/README.md",
    *(f"docs/{name}.md" for name in (
        "archive", "cleaning", "conventions", "hole_folder", "import_mapping", "index",
        "many_holes", "own_sensor", "panels", "porosity_fit", "recipe", "reduced_hole", "start",
        "your_own_files",
    )),
    *sorted(p.relative_to(ROOT).as_posix() for p in (ROOT / "docs" / "howto").glob("*.md")),
]  # fmt: skip
LONGEST_SENTENCE = 40  # words
LONGEST_PARAGRAPH = 110  # words


def prose(text: str) -> str:
    """A page without code, link targets, pictures and comments; lines stay where they are."""

    def blank(match: re.Match[str]) -> str:
        return "\n" * match[0].count("\n")

    text = re.sub(r"^ *(```|~~~).*?^ *\1", blank, text, flags=re.MULTILINE | re.DOTALL)
    text = re.sub(r"<!--.*?-->", blank, text, flags=re.DOTALL)
    text = re.sub(r"\$\$.*?\$\$", blank, text, flags=re.DOTALL)
    text = re.sub(r"(`+).+?\1", "X", text)
    return re.sub(r"\]\([^)\n]*\)", "]", text)


def pages() -> dict[str, str]:
    """Prose by path within the project."""
    paths = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "data_demo" / "README.md"]
    paths += [*(ROOT / "docs").glob("*.md"), *(ROOT / "docs" / "howto").glob("*.md")]
    found = {p.relative_to(ROOT).as_posix(): p.read_text(encoding="utf-8") for p in paths}
    for path in (ROOT / "notebooks").glob("*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        words = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown"]
        found[path.relative_to(ROOT).as_posix()] = "\n\n".join(words)
    return {name: prose(text) for name, text in sorted(found.items())}


def faults(name: str, text: str) -> list[str]:
    """Each place that breaks a rule of the style, with the rule."""
    found = []
    for rule, pattern in STYLE.items():
        for number, line in enumerate(text.splitlines(), start=1):
            for match in re.finditer(pattern, line, re.IGNORECASE):
                around = line[max(0, match.start() - 40) : match.end() + 40]
                if not any(words in around for words in ALLOWED.get(name, ())):
                    found.append(f"{name}:{number}: {around!r} ({match[0]!r}): {rule}")
    return found


def paragraphs(text: str) -> list[str]:
    """Paragraphs and items of lists, without headings, tables and pictures."""
    joined = re.sub(r"\n(?=\s*(?:[-*]|\d+\.) )", "\n\n", text)
    found = [" ".join(part.split()) for part in joined.split("\n\n")]
    return [part for part in found if part and not part.startswith(("#", "|", "!", "---"))]


def long_parts(text: str) -> list[str]:
    """Sentences and paragraphs with more words than a first reading holds."""
    found = []
    for paragraph in paragraphs(text):
        if len(paragraph.split()) > LONGEST_PARAGRAPH:
            found.append(f"{len(paragraph.split())} words in a paragraph: {paragraph[:60]}")
        for sentence in re.split(r"(?<=[.:;!?]) (?=\S)", paragraph):
            if len(sentence.split()) > LONGEST_SENTENCE:
                found.append(f"{len(sentence.split())} words in a sentence: {sentence[:60]}")
    return found


PROSE = pages()


@pytest.mark.parametrize("name", PROSE)
def test_a_page_follows_the_style(name: str) -> None:
    found = faults(name, PROSE[name])
    assert len(found) <= STANDING.get(name, 0), "\n".join(found)


@pytest.mark.parametrize("name", PLAIN)
def test_a_page_for_users_has_short_sentences_and_paragraphs(name: str) -> None:
    assert long_parts(PROSE[name]) == []


def test_every_allowed_text_is_still_there() -> None:
    for name, texts in ALLOWED.items():
        assert [words for words in texts if words not in PROSE[name]] == [], name


@pytest.mark.parametrize(
    "sentence",
    [
        "The recipe says how.", "Sensors are told the density.", "A core knows its depth.",
        "What nobody stated is unknown.", "No uncertainty is reckoned.", "Read the whole hole.",
        "A shift at the limit is marked: it is none.", "Choose a color.", "Lines in gray.",
        "We normalize the trace.", "The data were analyzed.", "a depth of 30 meters",
        "The the density.",
    ],
)  # fmt: skip
def test_a_planted_fault_is_found(sentence: str) -> None:
    assert len(faults("planted.md", prose(sentence))) == 1


@pytest.mark.parametrize(
    "sentence",
    [
        "The recipe states how.", "`gray` and `cp.says(color)`", "a size of 3 mm, resized",
        "a whole number", "[the page](color.md)", "Do you know the density?", "the horizon",
        "```python\ncolor = 'gray'\n```",
    ],
)  # fmt: skip
def test_right_prose_and_code_are_not_found(sentence: str) -> None:
    assert faults("planted.md", prose(sentence)) == []


def test_a_planted_long_sentence_and_paragraph_are_found() -> None:
    sentence = "word " * LONGEST_SENTENCE
    assert long_parts(f"{sentence.strip()}.") == []
    assert len(long_parts(f"{sentence}more.")) == 1
    assert len(long_parts(" ".join(["One short sentence."] * (LONGEST_PARAGRAPH // 3 + 1)))) == 1
    assert long_parts("# " + sentence * 2) == []


def linted(folder: Path, texts: dict[str, str]) -> str:
    """What proselint prints for these texts."""
    checks = folder / "checks.json"
    checks.write_text(json.dumps({"checks": dict.fromkeys(NOT_ASKED, False)}), encoding="utf-8")
    paths = [folder / f"{name.replace('/', '_')}.md" for name in texts]
    for path, text in zip(paths, texts.values(), strict=True):
        path.write_text(text, encoding="utf-8")
    # The options stand after the command: before it they are taken and not used.
    command = [sys.executable, "-m", "proselint", "check", "--config", str(checks), "-o", "compact"]
    run = subprocess.run([*command, *map(str, paths)], capture_output=True, text=True, check=False)
    assert run.returncode in (0, 1), run.stderr
    return run.stdout.strip()


@pytest.mark.skipif(
    importlib.util.find_spec("proselint") is None, reason="proselint comes with the test extra"
)
def test_proselint_finds_nothing_but_a_planted_fault(tmp_path: Path) -> None:
    assert linted(tmp_path, PROSE) == ""
    assert "redundancy" in linted(tmp_path, {"planted": "This is absolutely essential.\n"})
