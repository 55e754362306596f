"""The figure of the audit shows the counts of the flags."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys import figures
from corephys.ground import flags
from tests.reduced_tree import reduced_tree

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow

SCANS = {"properties/density": "bulk_density", "properties/velocity": "p_wave_velocity"}
WORDS = {"bulk_density": "bulk density", "p_wave_velocity": "P-wave velocity"}


@pytest.fixture(scope="module")
def tree() -> xr.DataTree:
    return reduced_tree(600)


def counted(tree: xr.DataTree, path: str, name: str) -> dict[str, list[int]]:
    """Kept, kept or suspect, all but missing, and all readings of each core, from the flags."""
    data = tree[path]
    core, flag = data["core"].values, data[f"{name}_flag"].values
    sets = ((1, 2), (1, 2, 3), (1, 2, 3, 4), (1, 2, 3, 4, 9))
    return {
        label: [int(np.isin(flag[core == label], levels).sum()) for levels in sets]
        for label in dict.fromkeys(core)
    }


def test_bars_reach_as_far_as_the_flags_say(tree: xr.DataTree) -> None:
    table = figures.audit(tree).table()
    for path, name in SCANS.items():
        rows = table[table["panel"] == f"readings of {WORDS[name]} by core"]
        found = rows.pivot_table(index="y", columns="series", values="x_upper")
        order = ["kept", "kept + suspect", "kept + suspect + bad", "kept + suspect + bad + missing"]
        expected = np.array(list(counted(tree, path, name).values()))
        np.testing.assert_array_equal(found[order].to_numpy(), expected)
        assert (rows["x_lower"] == 0).all()


def test_longer_bars_are_drawn_first(tree: xr.DataTree) -> None:
    """A shorter bar would vanish under a longer one."""
    axes = figures.audit(tree).axes[0]
    lengths = np.array([[patch.get_width() for patch in c.patches] for c in axes.containers])
    assert (np.diff(lengths, axis=0) <= 0).all()
    assert len({c.patches[0].get_facecolor() for c in axes.containers}) == 4


def test_reasons_are_counted_for_each_quantity(tree: xr.DataTree) -> None:
    figure = figures.audit(tree)
    table = figure.table()
    table = table[table["panel"] == "readings by reason"]
    words = [label.get_text() for label in figure.axes[-1].get_yticklabels()]
    assert words == ["void", "spike"]
    for path, name in SCANS.items():
        mask = tree[path][f"{name}_reason"].values
        rows = table[table["series"] == WORDS[name]]
        for word, place in zip(words, range(2), strict=True):
            here = rows[np.abs(rows["y"] - place) < 0.5]
            assert here["x"].tolist() == [int(np.count_nonzero(mask & flags.bit(word)))]


def test_symbols_of_equal_counts_do_not_cover_each_other(tree: xr.DataTree) -> None:
    table = figures.audit(tree).table()
    table = table[table["panel"] == "readings by reason"]
    assert not table.duplicated(["x", "y"]).any()


def test_samples_are_left_out(tree: xr.DataTree) -> None:
    titles = [axes.get_title(loc="left") for axes in figures.audit(tree).axes[:-1]]
    assert [title.split("\n")[0] for title in titles] == ["bulk density", "P-wave velocity"]


def test_supplied_readings_have_a_separate_panel(tree: xr.DataTree) -> None:
    changed = tree.copy(deep=True)
    changed["properties/supplied_bulk_density"] = xr.DataTree(
        tree["properties/density"].to_dataset(inherit=False)
    )
    titles = [axes.get_title(loc="left") for axes in figures.audit(changed).axes[:-1]]
    assert [" ".join(title.split("\n")[:-1]) for title in titles] == [
        "bulk density", "bulk density, supplied", "P-wave velocity",
    ]  # fmt: skip


def test_a_hole_without_flags_has_bars_and_no_reasons(tree: xr.DataTree) -> None:
    changed = tree.copy(deep=True)
    for path, name in SCANS.items():
        data = changed[path].to_dataset(inherit=False)
        data[f"{name}_reason"][:] = 0
        data[f"{name}_flag"][:] = flags.GOOD
        changed[path] = xr.DataTree(data)
    figure = figures.audit(changed)
    assert "readings by reason" not in set(figure.table()["panel"])
    assert "kept 100.0 %" in figure.axes[0].get_title(loc="left")
    assert figure.picture().startswith(b"\x89PNG")


def test_cores_without_a_name_and_many_cores_are_drawn(tree: xr.DataTree) -> None:
    for cores in (np.full(600, "", dtype=object), np.arange(600).astype(str).astype(object)):
        changed = tree.copy(deep=True)
        for path in SCANS:
            data = changed[path].to_dataset(inherit=False)
            changed[path] = xr.DataTree(data.assign_coords(core=("reading", cores)))
        figure = figures.audit(changed)
        height = figure.get_size_inches()[1] * 25.4
        named = [label.get_text() for label in figure.axes[0].get_yticklabels()]
        if len(set(cores)) == 1:
            assert named == ["no core named"]
        else:
            assert height < 720  # each core keeps the height of a line that can be seen
            assert 150 < len(named) < 600
            assert named[0] == "0"


def test_nothing_to_draw_without_a_scan(tree: xr.DataTree) -> None:
    scans = tuple(f"/{path}" for path in SCANS)
    bare = tree.filter(lambda node: node.path not in scans)
    with pytest.raises(figures.NothingToDraw, match="the hole has none of bulk_density"):
        figures.audit(bare)


def test_the_words_of_the_demo_hole_fit_on_the_page(demo_reduced) -> None:
    """No tick label of the axis of reasons sticks out of the picture."""
    figure = figures.audit(demo_reduced)
    figure.settle()
    figure.set_dpi(200)
    renderer = figure.canvas.get_renderer()
    for axes in figure.axes:
        for label in axes.get_yticklabels():
            assert label.get_window_extent(renderer).x0 >= 0, label.get_text()
    rows = cp.quality.audit(demo_reduced).by_quantity
    kept = {title.split("\n")[-1] for title in (a.get_title(loc="left") for a in figure.axes[:-1])}
    share = 100 * rows.loc["p_wave_velocity", "share_kept"]
    assert f"kept {share:.1f} %" in kept
