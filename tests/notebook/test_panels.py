"""Panels show the number of the reduction, and their state is a recipe change or a table."""

from __future__ import annotations

import builtins
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.notebook.panels import PanelError
from corephys.notebook.panels import panel as panel_module
from corephys.notebook.panels.panel import Panel
from tests.figure_looks import told_by_colour_alone, words_off_the_page, words_that_collide

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

# Runs beside each other are added up in another order than one alone.
LAST_BITS = 1e-11


@pytest.fixture(scope="module")
def hole(demo_hole: Path) -> xr.DataTree:
    return cp.read_hole(demo_hole)


@pytest.fixture(scope="module")
def reduced(hole: xr.DataTree) -> xr.DataTree:
    return cp.reduce(hole)


@pytest.fixture(scope="module")
def site(project_root: Path) -> Any:
    return cp.composite.read_site(project_root / "data_demo" / "site")


@pytest.fixture(scope="module")
def properties(site: Any) -> dict[str, dict[str, xr.Dataset]]:
    return {
        name: {"bulk_density": cp.reduce(tree)["properties/density"].to_dataset()}
        for name, tree in site.holes.items()
    }


def seconds(window: Any) -> tuple[float, float]:
    """Ends of a window, which are quantities."""
    return tuple(end.to("s").magnitude for end in window)


def value(dataset: Any, name: str, key: str, of: str) -> tuple[float, float]:
    row = int(np.flatnonzero(dataset[key].values.astype(str) == of)[0])
    u = cp.uncertainty.total(dataset, name).values[row]
    return float(dataset[name].values[row]), float(u)


def test_windows_show_the_number_that_the_reduction_gives(
    hole: xr.DataTree, reduced: xr.DataTree
) -> None:
    heating = cp.panels.heating_windows(reduced, 10).set("30 s to 120 s")
    cooling = cp.panels.cooling_windows(reduced, 3).set(start="2 min")
    again = cp.reduce(hole, heating.changes | cooling.changes)
    shown = value(heating.result, "thermal_conductivity", "run", "10")
    wanted = value(again["properties/heating_runs"], "thermal_conductivity", "run", "10")
    assert shown == pytest.approx(wanted, rel=LAST_BITS)
    before = value(reduced["properties/heating_runs"], "thermal_conductivity", "run", "10")
    assert shown != before
    other = [
        tree["properties/heating_runs"]["thermal_conductivity"].values[:9]
        for tree in (reduced, again)
    ]
    np.testing.assert_array_equal(*other)
    shown = value(cooling.result, "equilibrium_temperature", "station", "3")
    found = again["properties/formation_temperature"]
    assert shown == pytest.approx(
        value(found, "equilibrium_temperature", "station", "3"), rel=LAST_BITS
    )
    assert "window of station 3 chosen: 120 s to 900 s" in found.attrs["steps"]
    assert found["window_start"].values[2] >= 120.0


def test_as_found_the_panel_shows_the_number_of_the_hole(reduced: xr.DataTree) -> None:
    heating = cp.panels.heating_windows(reduced, 10)
    shown = value(heating.result, "thermal_conductivity", "run", "10")
    wanted = value(reduced["properties/heating_runs"], "thermal_conductivity", "run", "10")
    assert shown == pytest.approx(wanted, rel=LAST_BITS)
    assert heating.changes == {"needle": {"windows": None}}
    cooling = cp.panels.cooling_windows(reduced, 3)
    shown = value(cooling.result, "equilibrium_temperature", "station", "3")
    found = reduced["properties/formation_temperature"]
    assert shown == pytest.approx(
        value(found, "equilibrium_temperature", "station", "3"), rel=LAST_BITS
    )


def test_the_order_of_moves_does_not_matter(reduced: xr.DataTree) -> None:
    one = cp.panels.heating_windows(reduced, 10).set("20 s to 60 s").set("30 s to 120 s")
    other = cp.panels.heating_windows(reduced, 10).set(end="120 s").set(start="30 s")
    assert one.changes == other.changes and one.summary_text() == other.summary_text()
    assert one.set(None).changes == {"needle": {"windows": None}}


def test_windows_of_the_recipe_stay_in_the_changes(hole: xr.DataTree) -> None:
    tree = cp.reduce(hole, {"needle": {"windows": {"3": "30 s to 200 s", "10": "25 s to 90 s"}}})
    panel = cp.panels.heating_windows(tree, 10)
    assert seconds(panel.window) == (26.0, 90.0)  # a sample every two seconds
    assert "window chosen: 25 s to 90 s" in panel.summary_text()
    panel.set("30 s to 120 s")
    assert panel.changes["needle"]["windows"] == {"3": "30 s to 200 s", "10": "30 s to 120 s"}


def test_a_window_wider_than_its_fit_names_the_fitted_part(reduced: xr.DataTree) -> None:
    panel = cp.panels.heating_windows(reduced, 10).set("10 s to 56.4 s")
    first, last = seconds(panel.window)
    assert first >= float(panel.result["earliest_time"][0]) > 10.0
    assert (first, last) == (14.0, 56.0)
    assert panel.summary_text().endswith(
        "window chosen: 10 s to 56.4 s, of which 14 s to 56 s is fitted"
    )
    assert "of which" not in panel.set("15 s to 56.4 s").summary_text()


@pytest.mark.parametrize(
    ("window", "complaint"),
    [
        ("30 to 90", "30' is not one number"),
        ("90 s to 30 s", "end after its start"),
        ("soon", 'write it as "25 s to 90 s"'),
        ("1 s to 4 s", "holds 0 of the samples that can be used, which reach from 1"),
        ("30 s to 35 s", "at least 6 are needed"),
        ("30 m to 60 m", "expected s, got 'm'"),
    ],
)
def test_a_wrong_window_is_refused_and_changes_nothing(
    reduced: xr.DataTree, window: str, complaint: str
) -> None:
    panel = cp.panels.heating_windows(reduced, 10).set("30 s to 120 s")
    with pytest.raises(ValueError, match=complaint.replace("(", r"\(")):
        panel.set(window)
    assert seconds(panel.window) == (30.0, 120.0)
    assert panel.changes["needle"]["windows"] == {"10": "30 s to 120 s"}


def test_a_recipe_with_wrong_windows_is_refused(hole: xr.DataTree) -> None:
    with pytest.raises(cp.RecipeError, match=r"windows\.10 is '9 s to 3 s'"):
        cp.Recipe({"needle": {"windows": {"10": "9 s to 3 s"}}})
    with pytest.raises(cp.RecipeError, match="windows must be a table, got '2 min to 12 min'"):
        cp.Recipe({"formation_temperature": {"windows": "2 min to 12 min"}})
    missing = {"needle": {"windows": {"x": "30 s to 90 s"}}, "reduction": {"strict": True}}
    with pytest.raises(cp.HoleError, match="run 'x', which does not exist; the runs are 1, 2"):
        cp.reduce(hole, missing)


def test_a_window_past_the_boundary_is_flagged(reduced: xr.DataTree) -> None:
    table = reduced["samples/needle"].to_dataset(inherit=False)
    found = cp.needle.thermal_conductivity(
        table, boundary_distance="20 mm", chosen_windows={"10": "20 s to 240 s"}
    )
    row = int(np.flatnonzero(found["run"].values.astype(str) == "10")[0])
    assert float(found["latest_time"][row]) < 240.0
    words = cp.flags.names(int(found["thermal_conductivity_reason"][row]))
    assert "beyond_method_range" in words


def test_exclusions_reach_the_reduction(
    demo_hole: Path, reduced: xr.DataTree, tmp_path: Path
) -> None:
    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder)
    panel = cp.panels.exclusions(reduced, "bulk_density")
    density = reduced["properties/density"]
    core, section = (str(density[name].values[3000]) for name in ("core", "section"))
    panel.set(core, section, "20 cm", "0.425 m", "crack, seen, by eye", sensor="gamma")
    inside = panel.inside()
    assert inside.sum() >= 5
    panel.write(folder)
    panel.write(folder)  # the same again adds nothing
    table = pd.read_csv(folder / "exclusions.csv", dtype=str, keep_default_na=False)
    assert list(table.columns) == list(panel.table.columns) and len(table) == 1
    again = cp.reduce(cp.read_hole(folder))["properties/density"]
    bit = cp.flags.bit("excluded_by_user")
    marked = (again["bulk_density_reason"].values & bit) != 0
    np.testing.assert_array_equal(marked, inside)
    usable = int(cp.flags.usable(again["bulk_density_flag"].values).sum())
    assert f"{usable} of {inside.size} stay usable" in panel.summary_text()
    other = cp.panels.exclusions(reduced, "bulk_density")
    other.set(core, section, "60 cm", "70 cm", "void").write(folder)
    assert len(pd.read_csv(folder / "exclusions.csv")) == 2
    assert other.remove().table.empty


def test_wrong_intervals_are_refused_with_the_cure(reduced: xr.DataTree) -> None:
    panel = cp.panels.exclusions(reduced)
    core, section = (str(reduced["properties/density"][n].values[0]) for n in ("core", "section"))
    with pytest.raises(PanelError, match="give one of its sections 1, "):
        panel.set(core, "77", "1 cm", "2 cm", "x")
    with pytest.raises(PanelError, match="give one of the cores 1, "):
        panel.set("nowhere", section, "1 cm", "2 cm", "x")
    with pytest.raises(PanelError, match="has to lie below its start"):
        panel.set(core, section, "5 cm", "2 cm", "x")
    with pytest.raises(PanelError, match="reason is empty"):
        panel.set(core, section, "1 cm", "2 cm", "  ")
    with pytest.raises(cp.UnitError):
        panel.set(core, section, 1, 2, "x")  # type: ignore[arg-type]
    with pytest.raises(PanelError, match="no scan of this hole has 'porosities'"):
        cp.panels.exclusions(reduced, "porosities")
    assert panel.table.empty


def test_a_tie_reaches_the_shifts(
    site: Any, properties: dict[str, Any], tmp_path: Path, project_root: Path
) -> None:
    panel = cp.panels.tie(site, properties, ("B", "1"), ("A", "1"))
    panel.set(panel.best_shift, uncertainty="5 cm")
    truth = pd.read_csv(
        project_root / "data_demo" / "site" / "truth" / "shifts.csv", dtype={"core": str}
    ).set_index(["hole", "core"])["shift [m]"]
    # The grid's step is 5 cm.
    expected = truth["B", "1"] - truth["A", "1"]
    assert panel.shift.to("m").magnitude == pytest.approx(expected, abs=0.075)
    shifts = cp.composite.shifts(panel.table, site.cores, reference="A")
    where = (shifts["hole"].values == "B") & (shifts["core"].values.astype(str) == "1")
    base = (shifts["hole"].values == "A") & (shifts["core"].values.astype(str) == "1")
    moved = float(shifts["shift"].values[where][0] - shifts["shift"].values[base][0])
    assert moved == pytest.approx(panel.shift.to("m").magnitude, abs=1e-9)

    def written() -> pd.DataFrame:
        return cp.composite.checked_ties(cp.composite.read_ties(tmp_path / "ties.csv"), site.cores)

    panel.write(tmp_path)
    panel.write(tmp_path)
    assert list(written()["tie"]) == ["1"]  # one measurement, however often it is written
    assert written()["uncertainty"].iloc[0] == 0.05
    panel.set(panel.best_shift + cp.quantity(0.05, "m"), uncertainty="4 cm").write(tmp_path)
    after = written()
    assert list(after["replaces"]) == ["", "1"] and list(after["state"]) == ["accepted", "edited"]
    assert after["correlation"].iloc[1] == round(panel.correlation, 4)
    again = cp.composite.shifts(after, site.cores, reference="A")
    assert float(again["shift_u_random"].values[where][0]) == pytest.approx(0.04)


def test_without_a_choice_there_is_no_tie(
    site: Any, properties: dict[str, Any], tmp_path: Path
) -> None:
    panel = cp.panels.tie(site, properties, ("B", "1"), ("A", "1"))
    assert panel.table.empty
    with pytest.raises(cp.panels.PanelError, match="no shift was chosen"):
        panel.write(tmp_path)
    assert not (tmp_path / "ties.csv").exists()


def test_correlation_of_the_tie_is_that_of_numpy(site: Any, properties: dict[str, Any]) -> None:
    panel = cp.panels.tie(site, properties, ("B", "1"), ("A", "1"))
    step = 0.05
    series = {}
    for hole in "AB":
        data = properties[hole]["bulk_density"]
        use = (data["core"].values.astype(str) == "1") & cp.flags.usable(
            data["bulk_density_flag"].values
        )
        at = np.round(data["depth"].values[use] / step).astype(int)
        series[hole] = pd.Series(data["bulk_density"].values[use]).groupby(at).mean()
    for steps in (0, 9, -20):
        panel.set(f"{steps * step} m")
        moved = series["B"].copy()
        moved.index = moved.index + steps
        assert panel.correlation == pytest.approx(series["A"].corr(moved), abs=1e-9)


def test_wrong_ties_are_refused_with_the_cure(site: Any, properties: dict[str, Any]) -> None:
    with pytest.raises(PanelError, match="cannot be tied to itself"):
        cp.panels.tie(site, properties, ("A", "1"), ("A", "1"))
    with pytest.raises(PanelError, match="its cores are"):
        cp.panels.tie(site, properties, ("A", "99"), ("B", "1"))
    with pytest.raises(PanelError, match="there is no bulk_density of hole 'Z'"):
        cp.panels.tie(site, properties, ("Z", "1"), ("B", "1"))
    panel = cp.panels.tie(site, properties, ("B", "1"), ("A", "1"))
    with pytest.raises(PanelError, match="is 100 m; for the cores to overlap it must lie between"):
        panel.set("100 m")
    with pytest.raises(PanelError, match="above zero"):
        panel.set("0 m", uncertainty="0 m")
    assert panel.shift.magnitude == 0.0


def _all(reduced: xr.DataTree, site: Any, properties: Any) -> list[Panel]:
    density = reduced["properties/density"]
    core, section = (str(density[name].values[0]) for name in ("core", "section"))
    marked = cp.panels.exclusions(reduced)
    marked.set(core, section, "20 cm", "40 cm", "<b>crack</b>")
    return [
        cp.panels.heating_windows(reduced, 10),
        cp.panels.cooling_windows(reduced, 3),
        marked,
        cp.panels.tie(site, properties, ("B", "1"), ("A", "1")),
    ]


def test_panels_are_pictures_without_widgets(
    reduced: xr.DataTree, site: Any, properties: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **named: Any) -> Any:
        if name.partition(".")[0] in ("ipywidgets", "ipympl"):
            raise ImportError(f"no {name} here")
        return real(name, *rest, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    for panel in _all(reduced, site, properties):
        bundle = panel._repr_mimebundle_()
        assert set(bundle) == {"text/plain", "text/html", "image/png"}
        assert bundle["image/png"].startswith(b"\x89PNG")
        assert panel.summary_text() in bundle["text/plain"]
        assert "<b>crack</b>" not in bundle["text/html"]
        with pytest.raises(PanelError, match="corephys\\[notebook\\]"):
            _ = panel.widget


def test_figures_of_panels_can_be_read_in_print(
    reduced: xr.DataTree, site: Any, properties: Any
) -> None:
    for panel in _all(reduced, site, properties):
        plate = panel.figure()
        assert words_off_the_page(plate) == [] and words_that_collide(plate) == []
        assert told_by_colour_alone(plate) == []
        assert len(plate.caption) > 40


@pytest.fixture
def widgets() -> Any:
    return pytest.importorskip("ipywidgets", reason="ipywidgets is not installed")


def _find(box: Any, kind: Any) -> list[Any]:
    found = [box] if isinstance(box, kind) else []
    for child in getattr(box, "children", ()):
        found += _find(child, kind)
    return found


@pytest.fixture
def no_canvas(monkeypatch: pytest.MonkeyPatch) -> None:
    """The canvas of ipympl needs a browser on the other side."""
    monkeypatch.setattr(panel_module.Panel, "_canvas", lambda self: None)


def test_controls_do_what_set_does(
    widgets: Any, no_canvas: None, reduced: xr.DataTree, site: Any, properties: Any
) -> None:
    heating = cp.panels.heating_windows(reduced, 10)
    slider = _find(heating.widget, widgets.SelectionRangeSlider)[0]
    slider.value = (30.0, 120.0)
    assert heating.changes["needle"]["windows"] == {"10": "30 s to 120 s"}
    words = _find(heating.widget, widgets.HTML)[0]
    assert "window chosen: 30 s to 120 s" in words.value
    slider.value = (2.0, 6.0)  # before the needle is warm: said, and the last good one stays
    assert "Refused" in words.value
    assert heating.changes["needle"]["windows"] == {"10": "30 s to 120 s"}
    _find(heating.widget, widgets.Button)[0].click()
    assert heating.changes == {"needle": {"windows": None}}

    marked = cp.panels.exclusions(reduced)
    reason = _find(marked.widget, widgets.Text)[0]
    top, bottom = _find(marked.widget, widgets.BoundedFloatText)
    buttons = {b.description: b for b in _find(marked.widget, widgets.Button)}
    mark, back = buttons["mark interval"], buttons["undo"]
    mark.click()
    assert marked.table.empty  # no reason yet
    reason.value, top.value, bottom.value = "soup", 10.0, 25.0
    mark.click()
    assert list(marked.table["reason"]) == ["soup"]
    back.click()
    assert marked.table.empty

    tied = cp.panels.tie(site, properties, ("B", "1"), ("A", "1"))
    slide = _find(tied.widget, widgets.FloatSlider)[0]
    slide.value = 0.25
    assert (
        tied.shift == cp.quantity(0.25, "m")
        and "shift +0.25 m" in _find(tied.widget, widgets.HTML)[1].value
    )
    _find(tied.widget, widgets.Button)[0].click()
    assert tied.shift == tied.best_shift
    assert tied.shift.to("m").magnitude == pytest.approx(slide.value, abs=0.006)


def test_unknown_records_are_refused_with_the_cure(reduced: xr.DataTree) -> None:
    with pytest.raises(PanelError, match="no run '99'; the hole has runs 1, 2"):
        cp.panels.heating_windows(reduced, 99)
    with pytest.raises(PanelError, match="no station 'Z'"):
        cp.panels.cooling_windows(reduced, "Z")
    with pytest.raises(PanelError, match="Give the result of cp"):
        cp.panels.heating_windows(xr.DataTree.from_dict({"/scan/gamma": xr.Dataset()}), 1)


def test_changes_include_the_recipe_of_the_panel(hole: xr.DataTree) -> None:
    own = {"needle": {"minimum_window": "60 s", "heating_power_uncertainty": "5 %"}}
    panel = cp.panels.heating_windows(cp.reduce(hole, own), 10).set("30 s to 150 s")
    shown = value(panel.result, "thermal_conductivity", "run", "10")
    again = cp.reduce(hole, panel.changes)
    wanted = value(again["properties/heating_runs"], "thermal_conductivity", "run", "10")
    assert shown == pytest.approx(wanted, rel=LAST_BITS)
    with pytest.raises(ValueError, match="not both"):
        panel.set("30 s to 120 s", start="50 s")
    with pytest.raises(PanelError, match="needs the recipe of a reduced hole"):
        cp.panels.heating_windows(hole, 10)


def test_the_next_good_choice_removes_a_complaint(reduced: xr.DataTree) -> None:
    panel = cp.panels.heating_windows(reduced, 10)
    panel._try("30 s to 31 s")
    assert "Refused" in panel._words_html()
    panel.set(None)
    assert "Refused" not in panel._words_html()


def test_an_interval_of_another_sensor_leaves_these_readings(reduced: xr.DataTree) -> None:
    panel = cp.panels.exclusions(reduced, "bulk_density")
    before = panel.summary_text()
    panel.set("1", "2", "10 cm", "140 cm", "no transducer", sensor="pwave")
    after = panel.summary_text()
    assert after.partition(" interval")[2] == before.partition(" interval")[2].replace(
        "s with", " with"
    )
    panel.set("1", "2", "10 cm", "140 cm", "no counts", sensor="gamma")
    assert panel.inside().sum() > 10
    for wrong, words in (
        ({"sensor": "gama"}, "sensor is 'gama'; the scans are .*gamma"),
        ({"to": "900 cm"}, "within the section, which is 150 cm long"),
        ({"reason": None}, "reason is empty"),
    ):
        given = {"to": "20 cm", "reason": "x", "sensor": "", **wrong}
        with pytest.raises(PanelError, match=words):
            panel.set("1", "2", "10 cm", given.pop("to"), given.pop("reason"), **given)
    with pytest.raises(PanelError, match="there is no row None"):
        panel.remove(None)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("before", "behind"),
    [
        ("core,section,from [m],to [m],reason\n1,1,0.1,0.2,old\n1,1,0.1,0.2,old\n",
         "1,2,0.4,0.55,cut\n"),
        ("\ufeffreason,core,section,from [mm],to [mm],who\r\nold,1,1,100,200,me\r\n",
         "cut,1,2,400,550,\r\n"),
    ],
)  # fmt: skip
def test_rows_are_added_to_an_existing_table(
    reduced: xr.DataTree, tmp_path: Path, demo_hole: Path, before: str, behind: str
) -> None:
    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder)
    path = folder / "exclusions.csv"
    path.write_bytes(before.encode())
    panel = cp.panels.exclusions(reduced, "bulk_density").set("1", "2", "40 cm", "55 cm", "cut")
    panel.write(folder)
    panel.write(folder)
    assert path.read_bytes().decode() == before + behind
    assert cp.read_hole(folder)["exclusions"].sizes["row"] == before.count("old") + 1
    panel.set("1", "2", "60 cm", "70 cm", "late", sensor="gamma").write(folder)
    held = cp.read_hole(folder)["exclusions"]
    assert list(held["sensor"].values) == [""] * (held.sizes["row"] - 1) + ["gamma"]


def test_a_file_without_a_table_is_refused_and_unchanged(
    reduced: xr.DataTree, tmp_path: Path
) -> None:
    panel = cp.panels.exclusions(reduced, "bulk_density").set("1", "2", "40 cm", "55 cm", "cut")
    path = tmp_path / "exclusions.csv"
    for text in ("core;section;from [cm];to [cm];reason\n", "", "# mine\ncore,section\n"):
        path.write_text(text)
        with pytest.raises(PanelError, match=r"exclusions\.csv has"):
            panel.write(tmp_path)
        assert path.read_text() == text


def test_a_panel_leaves_the_backend_of_the_session_alone(tmp_path: Path) -> None:
    """A stand-in that makes itself the backend on import, as the real one does."""
    package = tmp_path / "ipympl"
    package.mkdir()
    (package / "__init__.py").write_text("import matplotlib\nmatplotlib.use('svg')\n")
    (package / "backend_nbagg.py").write_text("Canvas = FigureManager = None\n")
    code = (
        "import matplotlib; matplotlib.use('agg')\n"
        "from corephys.notebook.panels import panel\n"
        "assert panel._live().__name__ == 'ipympl.backend_nbagg'\n"
        "print(matplotlib.get_backend()); matplotlib.use('pdf'); print(matplotlib.get_backend())"
    )
    path = os.pathsep.join([str(tmp_path), os.getcwd()])
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert done.stdout.split() == ["agg", "pdf"]


def test_a_control_marks_the_section_that_the_title_names(
    widgets: Any, no_canvas: None, reduced: xr.DataTree
) -> None:
    """The shown section is changed by code, by a control, and by marking another section."""
    panel = cp.panels.exclusions(reduced)
    box = panel.widget
    where = next(d for d in _find(box, widgets.Dropdown) if d.description == "section")
    buttons = {b.description: b for b in _find(box, widgets.Button)}
    _find(box, widgets.Text)[0].value = "soup"
    for move in (
        lambda: panel.show("5", "2"),
        lambda: panel.set("7", "3", "10 cm", "20 cm", "crack"),
        lambda: setattr(where, "value", ("9", "1")),
        lambda: buttons["next section"].click(),
        lambda: buttons["previous section"].click(),
        lambda: panel.undo(),
    ):
        move()
        core, section = where.value
        assert f"core {core}, section {section}, all runs" in panel.title
        assert any(panel.title in one.value for one in _find(box, widgets.HTML))
        buttons["mark interval"].click()
        row = panel.table.iloc[-1]
        assert (row["core"], row["section"]) == (core, section)
    assert where.value == ("9", "1")


def test_a_panel_opens_on_the_newest_core(reduced: xr.DataTree) -> None:
    cores = reduced["cores"]
    newest = cores["core"].values[np.argmax(cores["time_on_deck"].values)]
    assert f"core {newest}, section 1" in cp.panels.exclusions(reduced).title
    tree = reduced.copy()
    cut = cores.to_dataset().assign(time_on_deck=("row", cores["time_on_deck"].values.copy()))
    cut["time_on_deck"].values[:] = np.datetime64("NaT")
    cut["time_on_deck"].values[3] = np.datetime64("2031-01-01")
    tree["cores"] = xr.DataTree(cut)
    assert f"core {cores['core'].values[3]}, " in cp.panels.exclusions(tree).title
    tree["cores"] = xr.DataTree(cut.drop_vars("time_on_deck"))
    deepest = cores["core"].values[np.argmax(cores["top"].values)]
    assert f"core {deepest}, " in cp.panels.exclusions(tree).title


def test_runs_are_shown_one_at_a_time(reduced: xr.DataTree) -> None:
    density = reduced["properties/density"]
    second = np.flatnonzero(density["run"].values == 2)[0]
    core, section = (str(density[name].values[second]) for name in ("core", "section"))
    panel = cp.panels.exclusions(reduced).show(core, section)
    both = panel.figure().caption
    panel.show_run(2)
    assert panel.title.endswith("run 2") and "run 2" in panel.figure().caption != both
    here = (density["core"].values == core) & (density["section"].values == section)
    assert panel._drawn().sum() == (here & (density["run"].values == 2)).sum() < here.sum()
    with pytest.raises(PanelError, match="there is no run '9'; give one of the runs 1, 2"):
        panel.show_run(9)


def test_the_control_of_runs_follows_and_sets_the_run(
    widgets: Any, no_canvas: None, reduced: xr.DataTree
) -> None:
    panel = cp.panels.exclusions(reduced)
    run = next(d for d in _find(panel.widget, widgets.Dropdown) if d.description == "run")
    assert run.label == "all runs"
    run.value = "2"
    assert panel.title.endswith("run 2")
    panel.show_run(None)
    assert run.label == "all runs" and panel.title.endswith("all runs")


def test_rows_of_the_file_are_listed_removed_and_restored(
    widgets: Any, no_canvas: None, tmp_path: Path, demo_hole: Path
) -> None:
    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder)
    header = "core,section,from [m],to [m],reason,sensor\r\n"
    path = folder / "exclusions.csv"
    path.write_bytes(f"{header}5,2,0.1,0.2,crack,\r\n5,2,0.15,0.3,foil,gamma\r\n".encode())
    before = cp.reduce(cp.read_hole(folder))
    panel = cp.panels.exclusions(before)
    assert list(panel.existing["reason"]) == ["crack", "foil"] and panel.table.empty
    rows = _find(panel.widget, widgets.Select)[0]
    buttons = {b.description: b for b in _find(panel.widget, widgets.Button)}
    rows.value = rows.options[0][1]
    buttons["remove selected"].click()
    assert list(panel.existing["reason"]) == ["foil"]
    assert list(panel.removed["reason"]) == ["crack"]
    promised = int(panel.summary_text().split("makes ")[1].split()[0])
    buttons["undo"].click()
    assert list(panel.existing["reason"]) == ["crack", "foil"] and panel.removed.empty
    panel.remove_existing(0).write(folder)
    assert path.read_bytes().decode() == f"{header}5,2,0.15,0.3,foil,gamma\r\n"
    after = cp.reduce(cp.read_hole(folder))
    usable = [
        int(cp.flags.usable(tree["properties/density"]["bulk_density_flag"].values).sum())
        for tree in (before, after)
    ]
    assert usable[1] - usable[0] == promised > 0
    panel.undo()
    with pytest.raises(PanelError, match="there is no change to take back"):
        panel.undo()
    with pytest.raises(PanelError, match="one of the 2 rows of the file"):
        panel.remove_existing(5)


def test_a_window_reaches_the_settings_of_the_hole(
    reduced: xr.DataTree, tmp_path: Path, demo_hole: Path
) -> None:
    folder = tmp_path / "hole"
    shutil.copytree(demo_hole, folder)
    panel = cp.panels.heating_windows(reduced, 10).set("30 s to 120 s")
    change = panel.settings_change(folder)
    assert '+windows = {10 = "30 s to 120 s"}' in change.diff
    change.write()
    again = cp.reduce(cp.read_hole(folder))
    shown = value(panel.result, "thermal_conductivity", "run", "10")
    wanted = value(again["properties/heating_runs"], "thermal_conductivity", "run", "10")
    assert shown == pytest.approx(wanted, rel=LAST_BITS)
    panel.set(None).settings_change(folder).write()
    assert (folder / "hole.toml").read_bytes() == (demo_hole / "hole.toml").read_bytes()
    with pytest.raises(PanelError, match=r"panel\.write\(folder\)"):
        cp.panels.exclusions(reduced).settings_change(folder)
