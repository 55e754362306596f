"""The page on a user's own sensor runs, and a record that does not fit is refused."""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest

import corephys as cp
from corephys.ground.units import UnitError
from corephys.sensors import Option, Sensor, Source, Stage, TableFormat, Term, Track, number

PAGE = Path(__file__).resolve().parents[2] / "docs" / "own_sensor.md"
LAMP = Sensor(
    name="lamp",
    quantity="lamp_brightness",
    terms=(Term("lamp_brightness", "1", "brightness under the lamp", (0, 1), (0, 2)),),
    scan=TableFormat((number("light", "count"),)),
    options={"gain": Option(2.0, "number", "counts per unit of brightness")},
    stages=(Stage("brightness", lambda reduction: None),),
    track=Track("#123456", logarithmic=True),
)


def tables() -> dict[str, list[str]]:
    """Names in every table that a record adds to."""
    from corephys.figures import summaries
    from corephys.figures.style import COLOURS
    from corephys.hole.reading.tables import TABLES
    from corephys.reduction.recipe import SCHEMA
    from corephys.reduction.run import STAGES

    return {
        "sensors": list(cp.sensors.names()),
        "vocabulary": list(cp.vocabulary.TERMS),
        "tables": list(TABLES),
        "recipe": [f"{s}.{k}" for s, options in SCHEMA.items() for k in options],
        "stages": list(STAGES),
        "scan": list(cp.quality.SCAN),
        "tracks": list(summaries.TRACKS),
        "colours": list(COLOURS),
    }


@pytest.fixture(autouse=True)
def forgotten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Work in an empty folder; every registered sensor is removed afterwards."""
    monkeypatch.chdir(tmp_path)
    before = tables()
    yield
    for record in importlib.import_module("corephys.sensors").own_records():
        cp.sensors.unregister(record.name)
    plt.close("all")
    assert tables() == before


def run(text: str, names: dict[str, Any] | None = None) -> dict[str, Any]:
    """Run the blocks of a page one after the other, as a reader would."""
    names = {} if names is None else names
    for number_, block in enumerate(re.findall(r"^```python\n(.*?)^```$", text, re.M | re.S), 1):
        exec(compile(block, f"own_sensor.md, block {number_}", "exec"), names)
    return names


def test_the_page_runs_from_readings_to_an_archive(capsys: pytest.CaptureFixture[str]) -> None:
    names = run(PAGE.read_text(encoding="utf-8"))
    printed = capsys.readouterr().out
    for words in (
        "counter_saturated", "missing_value", "spike", "section_end",
        "a sensor named 'gamma' is registered already",
        "[reflectance] full_scale: expected count, got 'mV'",
    ):  # fmt: skip
        assert words in printed

    leaf = names["again"]["properties/reflectance"]
    assert sorted(leaf["source"].values) == ["dark_reading", "tile_reading", "white_tile"]
    assert leaf["diffuse_reflectance"].attrs["units"] == "1"
    # Two readings of the tile, 20370 and 20430: standard uncertainty of their mean 30 counts.
    effect = leaf["diffuse_reflectance_effects"].sel(source="tile_reading").values[0]
    value = float(leaf["diffuse_reflectance"][0])
    assert effect == pytest.approx(-value * 30.0 / 20000.0)

    entry = cp.archive.open("archive")["hole_with_own_sensor"]["properties/reflectance"]
    np.testing.assert_array_equal(
        entry["diffuse_reflectance"].values, leaf["diffuse_reflectance"].values
    )
    good = leaf["diffuse_reflectance_flag"].values == 1
    median = float(np.median(leaf["diffuse_reflectance"].values[good]))
    assert names["table"]["diffuse_reflectance [1]"][0] == pytest.approx(median)
    assert Path("holes/hole_with_own_sensor/out/scan.svg").is_file()
    quantities = [str(name) for name in names["reduced"]["properties/reflectance"].data_vars]
    assert "diffuse_reflectance_flag" in quantities
    # Its own track stands alone in the figure: the hole has no other sensor.
    figure = cp.figures.scan_tracks(names["reduced"])
    assert "diffuse reflectance of the split face" in " ".join(
        axes.get_xlabel().replace("\n", " ") for axes in figure.axes
    )


def test_wrong_arithmetic_is_found_by_the_check_values() -> None:
    text = PAGE.read_text(encoding="utf-8")
    wrong = text.replace("slope = tile / (white - dark)", "slope = tile / white")
    assert wrong != text
    with pytest.raises(AssertionError, match="the signal of the tile gives its reflectance"):
        run(wrong)


def test_a_registered_sensor_is_in_every_table_and_then_in_none() -> None:
    before = tables()
    cp.sensors.register(LAMP)
    more = {key: [w for w in words if w not in before[key]] for key, words in tables().items()}
    assert more == {
        "sensors": ["lamp"],
        "vocabulary": ["lamp_brightness"],
        "tables": ["scan/lamp"],
        "recipe": ["lamp.gain"],
        "stages": ["brightness"],
        "scan": ["lamp_brightness"],
        "tracks": ["lamp_brightness"],
        "colours": ["lamp_brightness"],
    }
    # Readings are reduced before anything judges them.
    stages = tables()["stages"]
    assert stages.index("brightness") == stages.index("supplied values") - 1
    assert cp.Recipe()["lamp"]["gain"] == 2.0
    cp.sensors.unregister("lamp")
    assert tables() == before
    with pytest.raises(ValueError, match=r"give one registered by you \(none\)"):
        cp.sensors.unregister("gamma")


def test_a_recipe_of_a_sensor_that_is_not_registered_is_refused_with_the_cure() -> None:
    with pytest.raises(cp.RecipeError, match=r"no stage \[lamp\].*cp\.sensors\.register"):
        cp.Recipe({"lamp": {"gain": 3.0}})
    cp.sensors.register(LAMP)
    assert cp.Recipe({"lamp": {"gain": 3.0}})["lamp"]["gain"] == 3.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": "susceptibility"}, "'susceptibility' is registered already"),
        ({"name": "Lamp"}, "cannot be the name of a sensor"),
        ({"name": "reduced"}, "adds the table 'scan/reduced', which exists already"),
        ({"name": "needle"}, "adds the section of the recipe 'needle', which exists already"),
        ({"quantity": "bulk_density"}, "is not among its terms"),
        ({"terms": (*LAMP.terms, Term("porosity", "1", "pores"))}, "the quantity 'porosity'"),
        ({"terms": (*LAMP.terms, Term("uranium", "1", "metal"))}, "the quantity 'uranium'"),
        ({"path": "properties/density"}, "where the sensor 'gamma' writes"),
        ({"path": "products/lamp"}, "expected 'properties/'"),
        ({"stages": ()}, "has no stage"),
        ({"stages": (Stage("porosity", print),)}, "the stage 'porosity', which exists already"),
        ({"stages": (Stage("b", print, after="dinner"),)}, "after 'dinner', which does not exist"),
        ({"scan": TableFormat((number("offset", "cm"),))}, "like every table of the scan"),
        ({"quality_options": {"use": Option("all", "good|all", "w")}}, "'use', which exists"),
        ({"response_width": ("lamp", "width")}, "the record does not have"),
        ({"sources": (Source("lamp", "light", "w"),)}, "the groups are"),
        ({"sources": (Source("loop_factor", "calibration", "w"),)}, "'loop_factor', which exists"),
        ({"sources": (Source("*", "calibration", "w"),)}, "which exists already"),
    ],
)
def test_a_record_that_does_not_fit_is_refused_and_leaves_nothing(
    change: dict[str, Any], words: str
) -> None:
    before = tables()
    with pytest.raises(ValueError, match=re.escape(words)):
        cp.sensors.register(replace(LAMP, **change))
    assert tables() == before


@pytest.mark.parametrize(
    "change",
    [
        {"scan": TableFormat((number("light", "g/cc"),))},
        {"options": {"gain": Option("2 florps", "florps", "of the lamp")}},
        {"terms": (Term("lamp_brightness", "florps", "brightness"),)},
    ],
)
def test_a_unit_that_does_not_exist_or_is_spelled_otherwise_is_refused(
    change: dict[str, Any],
) -> None:
    with pytest.raises(UnitError):
        cp.sensors.register(replace(LAMP, **change))


def test_the_quantities_of_the_package_pass_the_checks_of_a_users_own() -> None:
    from corephys.ground.registry import SENSORS
    from corephys.ground.vocabulary import refuse_unfit

    for record in SENSORS.records():
        assert record.term is not None
        for term in record.terms:
            refuse_unfit(term)
