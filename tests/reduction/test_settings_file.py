"""A change of settings is shown as lines, written once, and leaves the rest of the file alone."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import pytest

import corephys as cp
from corephys.reduction.schema import SCHEMA

TEXT = """# settings of the hole
[hole]
name = "Far Bank"   # as on the map

[gamma]
# measured in the morning
dead_time = "5 us"
dead_time_uncertainty = '0.2 us'

[needle]
heating_power_uncertainty = "1 %"

[liner]
bore = "70 mm"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "hole.toml").write_bytes(TEXT.encode())
    return tmp_path


def test_one_line_changes_and_the_comments_stay(folder: Path) -> None:
    change = cp.settings_change(folder, {"gamma": {"dead_time": "6 us"}})
    assert (folder / "hole.toml").read_text() == TEXT
    changed = [line for line in change.diff.splitlines()[2:] if line[0] in "+-"]
    assert changed == ['-dead_time = "5 us"', '+dead_time = "6 us"']
    assert change._repr_html_().count("<span") == len(change.diff.splitlines())
    change.write()
    assert (folder / "hole.toml").read_text() == TEXT.replace('"5 us"', '"6 us"')
    change.write()  # once more changes nothing
    assert (folder / "hole.toml").read_text() == TEXT.replace('"5 us"', '"6 us"')
    assert "nothing changes" in repr(cp.settings_change(folder, {"gamma": {"dead_time": "6 us"}}))


def test_keys_and_stages_are_added_and_removed(folder: Path) -> None:
    changes = {
        "heat_flow": {"monte_carlo_draws": 100},
        "needle": {"windows": {"10": "30 s to 120 s"}},
        "reduction": {"strict": True},
    }
    cp.settings_change(folder, changes).write()
    held = tomllib.loads((folder / "hole.toml").read_text())
    assert held == tomllib.loads(TEXT) | changes | {
        "needle": {"heating_power_uncertainty": "1 %", **changes["needle"]}
    }
    cp.settings_change(folder, {"needle": {"windows": None}}).write()
    held = tomllib.loads((folder / "hole.toml").read_text())
    assert held["needle"] == {"heating_power_uncertainty": "1 %"}


def test_line_ends_stay(folder: Path) -> None:
    path = folder / "hole.toml"
    path.write_bytes(TEXT.replace("\n", "\r\n").encode())
    cp.settings_change(folder, {"heat_flow": {"monte_carlo_draws": 100}}).write()
    raw = path.read_bytes()
    assert raw.count(b"\n") == raw.count(b"\r\n") > TEXT.count("\n")


def test_a_key_of_an_earlier_version_gets_its_present_name(folder: Path) -> None:
    path = folder / "hole.toml"
    path.write_text(TEXT + '[stress]\nfluid_density = "1.024 g/cm^3"\n')
    cp.settings_change(folder, {"stress": {"pore_water_density": "1.03 g/cm^3"}}).write()
    held = tomllib.loads(path.read_text())
    assert held["stress"] == {"pore_water_density": "1.03 g/cm^3"}


def test_what_a_reduction_would_refuse_is_refused(folder: Path, tmp_path: Path) -> None:
    before = (folder / "hole.toml").read_bytes()
    for changes, words in (
        ({"gama": {"dead_time": "5 us"}}, "did you mean 'gamma'"),
        ({"gamma": {"dead_tim": "5 us"}}, "did you mean 'dead_time'"),
        ({"gamma": {"dead_time": "5 m"}}, "expected"),
        ({"gamma": {"dead_time": 5}}, "needs a unit"),
        ({"liner": {"bore": None}}, "cannot be None"),
        ({"gamma": 5}, "must be a table"),
    ):
        with pytest.raises(cp.RecipeError, match=words):
            cp.settings_change(folder, changes)  # type: ignore[arg-type]
    assert (folder / "hole.toml").read_bytes() == before
    with pytest.raises(FileNotFoundError, match="give the folder of a hole"):
        cp.settings_change(tmp_path / "nowhere", {})


def test_a_file_that_changed_meanwhile_is_not_written(folder: Path) -> None:
    change = cp.settings_change(folder, {"gamma": {"dead_time": "6 us"}})
    path = folder / "hole.toml"
    path.write_text(TEXT + "\n# by hand\n")
    with pytest.raises(ValueError, match="look at the new comparison"):
        change.write()
    assert path.read_text() == TEXT + "\n# by hand\n"


@pytest.mark.parametrize("stage", sorted(SCHEMA))
def test_every_stage_of_the_demo_hole_can_be_written(
    stage: str, tmp_path: Path, demo_hole: Path
) -> None:
    """The file read again gives the recipe of the change, for all defaults of a stage."""
    shutil.copy(demo_hole / "hole.toml", tmp_path)
    wanted = {
        k: option.default for k, option in SCHEMA[stage].items() if option.default is not None
    }
    before = tomllib.loads((demo_hole / "hole.toml").read_text())
    cp.settings_change(tmp_path, {stage: wanted}).write()
    after = tomllib.loads((tmp_path / "hole.toml").read_text())
    base = cp.Recipe(before)
    assert cp.Recipe(after) == base.with_changes({stage: wanted})
    assert {k: v for k, v in after.items() if k != stage} == {
        k: v for k, v in before.items() if k != stage
    }
