"""Results show themselves: numbers to the right digits, warnings, next steps, escaped text."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import corephys as cp
from corephys.figures.sketch import sketch, sketch_hole
from corephys.ground import fitting
from corephys.ground.cards import Card, fit_warnings, picture_html, with_uncertainty
from tests.archive_holes import small_hole
from tests.reduced_tree import reduced_tree

HOSTILE = "<img src=x onerror=alert(1)>&\"'"


@pytest.fixture(scope="module")
def reduced(demo_reduced: xr.DataTree) -> xr.DataTree:
    return demo_reduced


# Worked by hand: two digits of the uncertainty, the value to the same place.
@pytest.mark.parametrize(
    ("value", "u", "unit", "words"),
    [
        (50.4321, 0.6123, "mW/m^2", "50.43 ± 0.61 mW/m^2"),
        (958.7, 49.6, "m", "959 ± 50 m"),
        (1523.4, 0.0996, "m/s", "1523.40 ± 0.10 m/s"),
        (123456.0, 2345.0, "kPa", "123500 ± 2300 kPa"),
        (-0.00123, 0.0000456, "1", "-0.001230 ± 0.000046"),
        (1.1664e-4, 4.62e-6, "1", "(1.166 ± 0.046) × 10^-4"),
        (3.3e-9, 2.1e-10, "m/s", "(3.30 ± 0.21) × 10^-9 m/s"),
        (2.7, float("nan"), "g/cm^3", "2.7 g/cm^3 (uncertainty unknown)"),
        (2.7, 0.0, "g/cm^3", "2.7 g/cm^3 (uncertainty unknown)"),
        (-0.004, 0.1, "m", "0.00 ± 0.10 m"),
        (float("nan"), 1.0, "m", "no number"),
        (float("inf"), float("nan"), "m", "no number"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u: float, unit: str, words: str) -> None:
    assert with_uncertainty(value, u, unit) == words


def test_no_text_of_a_card_is_markup() -> None:
    card = Card(
        HOSTILE, ((HOSTILE, HOSTILE),), (HOSTILE,), (HOSTILE,), ((HOSTILE, "1"),), (HOSTILE,)
    )
    shown = card._repr_html_()
    assert "<img" not in shown
    assert shown.count(html.escape(HOSTILE, quote=True)) == 7
    assert repr(card).count(HOSTILE) == 7


def test_a_hole_shows_numbers_warnings_and_a_picture(reduced: xr.DataTree) -> None:
    card = cp.overview(reduced)
    assert dict(card.rows)["heat flow"].endswith("mW/m^2")
    assert any("control susceptibility: out of control" in words for words in card.warnings)
    assert any("few independent readings" in words for words in card.warnings)
    assert "data:image/png;base64," in card._repr_html_()
    assert dict(card.more)["scan/gamma"].startswith("11965 rows")


def test_a_result_shows_its_numbers_as_its_record_has_them(reduced: xr.DataTree) -> None:
    flow = reduced["products/heat_flow"].to_dataset()
    u = float(np.hypot(flow["heat_flow_u_random"], flow["heat_flow_u_systematic"]))
    rows = dict(cp.overview(flow).rows)
    assert rows["heat flow"] == with_uncertainty(float(flow["heat_flow"]), u, "mW/m^2")
    assert f"temperatures left out {flow.attrs['temperatures_left_out']}" in rows["points"]
    density = reduced["properties/density"].to_dataset()
    n = int((density["bulk_density_flag"] <= 2).sum())
    assert (
        f"{n} of {density.sizes['reading']} usable"
        in dict(cp.overview(density).rows)["bulk density"]
    )


def test_a_leaf_of_the_hole_shows_the_figure_that_needs_the_hole(reduced: xr.DataTree) -> None:
    leaf = cp.overview(reduced["products/heat_flow"])
    assert (
        leaf.picture.startswith(b"\x89PNG")
        and cp.overview(reduced["products/heat_flow"].to_dataset()).picture == b""
    )
    assert cp.overview(reduced["properties/gamma_calibration"].to_dataset()).picture


def test_strength_carries_the_line_of_caution(reduced: xr.DataTree) -> None:
    assert any(
        "not for well control" in words
        for words in cp.overview(reduced["properties/strength"]).warnings
    )
    assert not any(
        "well control" in words for words in cp.overview(reduced["products/heat_flow"]).warnings
    )


def test_a_planted_verdict_and_scatter_are_warnings(reduced: xr.DataTree) -> None:
    flow = reduced["products/heat_flow"].to_dataset()
    assert not any("scatter" in words for words in cp.overview(flow).warnings)
    flow.attrs["chi_square_probability"] = 0.01
    flow.attrs["verdict"] = HOSTILE
    card = cp.overview(flow)
    assert any("scatter" in words for words in card.warnings) and HOSTILE in card.warnings
    assert "<img src=x" not in card._repr_html_()


def test_unknown_uncertainty_is_said_and_not_zero(reduced: xr.DataTree) -> None:
    flow = reduced["products/heat_flow"].to_dataset()
    flow["heat_flow_u_systematic"] = flow["heat_flow_u_systematic"] * np.nan
    card = cp.overview(flow)
    assert "uncertainty unknown" in dict(card.rows)["heat flow"]
    assert any("part of the uncertainty is unknown (NaN) of heat flow" in w for w in card.warnings)


def test_calibrations_and_fits_show_themselves() -> None:
    thick = np.arange(7.0)
    counts = np.round(1e6 * np.exp(-0.0746 * (2.699 * thick + 0.998 * (6.6 - thick))))
    made = cp.gamma.calibrate(
        cp.quantity(counts, "count"), "10 s", cp.quantity(thick, "cm"), "6.6 cm"
    )
    rows = dict(made.card().rows)
    u = float(np.sqrt(made.covariance[1, 1]))
    assert rows["c1"] == with_uncertainty(float(made.coefficients[1]), u, "cm^2/g")
    assert rows["standards"].startswith("7,")
    assert "Gamma calibration" in made._repr_html_() and cp.overview(made) == made.card()
    x = np.arange(20.0)
    y = 2.0 * x + np.random.default_rng(3).normal(0.0, 1.0, 20)
    y[7] += 40.0
    fit = fitting.fit(lambda x, a: a * x, x, y, sigma=1.0, start={"a": 1.0}, absolute_sigma=True)
    assert [words.partition(" ")[0] for words in fit.card().warnings] == ["reduced", "one"]


def test_warnings_of_a_fit_are_its_own() -> None:
    even = [0.9, -1.1, 1.0, -0.8, 1.2, -1.0]
    assert fit_warnings(1.1, even, "us") == ()
    assert "3.20" in fit_warnings(3.2, even, "us")[0]
    assert fit_warnings(float("nan"), [*even, 9.0], "us") == (
        "one residual of 9 us stands apart from the usual 1.5",
    )


def test_a_recipe_shows_what_was_changed() -> None:
    recipe = cp.Recipe({"gamma": {"dead_time": "5 us"}})
    card = recipe.card()
    default = cp.Recipe()["gamma"]["dead_time"]
    assert card.rows == (("gamma.dead_time", f"5 us (default {default})"),)
    assert "1 of " in card.title and cp.overview(recipe) == card
    assert "gamma.dead_time" in recipe._repr_html_()
    assert cp.Recipe().card().rows == ()


def test_overview_of_something_else_teaches() -> None:
    with pytest.raises(TypeError, match=r"overview got int; give a hole .*, a result"):
        cp.overview(3)


def test_explain_names_the_source_of_a_constant(reduced: xr.DataTree) -> None:
    text = cp.explain(reduced["properties/density"])
    assert re.search(
        r"electron ratio.*Schoonjans et al\. \(2011\).*computed with that library", text
    )


def test_a_sketch_draws_the_numbers_of_the_result() -> None:
    tree = reduced_tree(50)
    density = tree["properties/density"].to_dataset()
    table = sketch(density, "bulk_density").table()
    assert len(table) == int(np.isfinite(density["bulk_density"]).sum())
    np.testing.assert_allclose(np.sort(table["x"]), np.sort(density["bulk_density"]))
    with pytest.raises(cp.figures.NothingToDraw, match="a sketch needs numbers of"):
        sketch(density.drop_vars("depth"), "bulk_density")
    assert {"cores"} < set(sketch_hole(tree).table()["panel"])
    with pytest.raises(cp.figures.NothingToDraw):
        sketch_hole(xr.DataTree.from_dict({"/scan/gamma": xr.Dataset()}))


def test_numbers_of_a_card_are_those_of_usable_readings(reduced: xr.DataTree) -> None:
    data = reduced["properties/strength"].to_dataset()
    name = "undrained_shear_strength"
    use = cp.flags.usable(data[f"{name}_flag"].values) & np.isfinite(data[name].values)
    u = float(np.nanmedian(cp.uncertainty.total(data, name).values[use]))
    middle = float(np.median(data[name].values[use]))
    text = str(cp.overview(reduced["properties/strength"]))
    assert f"median {with_uncertainty(middle, u, 'kPa')}" in text
    resistivity = reduced["properties/resistivity"].to_dataset()
    name = "electrical_resistivity"
    use = cp.flags.usable(resistivity[f"{name}_flag"].values)
    rms = float(np.sqrt(np.nanmean(resistivity[f"{name}_u_random"].values[use] ** 2)))
    (line,) = (
        s
        for s in cp.explain(resistivity).split("\n")
        if s.startswith("uncertainty of electrical resistivity [")
    )
    assert f"random {rms:.2g}" in line


def test_what_is_partly_unknown_is_said(reduced: xr.DataTree) -> None:
    data = reduced["properties/index_properties"].to_dataset().copy(deep=True)
    data["bulk_density_u_random"].values[:50] = np.nan
    warnings = " ".join(cp.overview(data).warnings)
    assert re.search(r"unknown \(NaN\) of .*bulk density \(8\d % of its values\)", warnings)


def test_all_flagged_quantities_are_named(reduced: xr.DataTree) -> None:
    (words,) = (
        w for w in cp.overview(reduced["products/compaction"]).warnings if "not usable" in w
    )
    assert "surface porosity" in words and "e-folding depth" in words


def test_odd_things_have_a_card(reduced: xr.DataTree) -> None:
    branch = str(cp.overview(reduced["properties"]))
    assert "cp.reduce" not in branch and "index_properties" in branch
    assert str(cp.overview(reduced["products/times_compared"]))  # two dimensions
    leaf = reduced["properties/index_properties"].to_dataset().copy(deep=True)
    leaf["depth"].values[:] = np.nan
    assert str(cp.overview(leaf))
    alone = leaf.drop_vars([n for n in leaf.data_vars if str(n).endswith("_u_random")])
    assert "random" not in cp.explain(alone).rpartition("k = 1")[2]
    assert fit_warnings(float("nan"), [0.0, 0.0, 0.0, 0.0, 0.0, 1e-17], "1") == ()
    chi = json.loads(
        reduced["properties/resistivity_calibration"].attrs["fitted_constants"]
    )["reduced_chi_square"]  # fmt: skip
    assert chi > 2.0
    warnings = cp.overview(reduced["properties/resistivity_calibration"]).warnings
    assert any("reduced chi-square" in words for words in warnings)


def test_the_next_step_of_any_hole_can_be_taken(tmp_path: Path) -> None:
    hole = small_hole(tmp_path / "hole", 1)
    reduced = cp.reduce(cp.read_hole(hole))
    (step,) = re.findall(r'cp\.overview\(reduced\["(.+?)"\]\)', str(cp.overview(reduced)))
    assert str(cp.overview(reduced[step]))


def test_pictures_stand_in_a_page_with_their_words():
    png = b"\x89PNG\r\n\x1a\n123"
    assert picture_html(png, 'a "figure"') == (
        '<img src="data:image/png;base64,iVBORw0KGgoxMjM=" alt="a &quot;figure&quot;">'
    )
    with pytest.raises(ValueError, match="is no PNG picture; give the bytes"):
        picture_html(b"GIF89a", "x")
