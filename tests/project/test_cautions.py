"""Who must carry which line of caution: results, cards, figures, tables, files and pages."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import corephys as cp
from corephys.export.report_tables import REPORT_TABLES
from corephys.figures.reading import NothingToDraw
from corephys.ground import series
from corephys.ground.cards import RESEARCH_ONLY, SEALED_SOURCE
from data_demo.simulator.hole import simulate_tables
from tests.invariants import results

# Every result of a reduced hole is in one of three lists; a new one fails until it is given one.
SOURCE = ("gamma_calibration", "density", "control_gamma", "density_tie", "density_tied")
DECISIONS = (
    "strength", "sensitivity", "consolidation_curve", "compression_indices", "consolidation_rate",
    "yield_stress", "sample_quality", "effective_stress", "strength_ratio", "overconsolidation",
    "overpressure_bound", "stress_profile", "fluid_column", "fluid_column_margins",
    "overpressure_bound_of_porosity", "velocity_models",
)  # fmt: skip
NEITHER = (
    "index_properties", "sample_culprits", "pycnometer_cells", "arrivals", "velocity",
    "velocity_in_situ", "resistivity_calibration", "resistivity", "resistivity_in_situ",
    "susceptibility", "natural_gamma", "radioelements", "control_pwave", "control_resistivity",
    "control_susceptibility", "control_natural_gamma", "sample_velocity",
    "sample_s_wave_velocity", "sample_anisotropy", "heating_runs", "thermal_conductivity",
    "formation_temperature", "formation_factor", "archie", "heat_production", "porosity",
    "porosity_from_resistivity", "elastic_moduli", "elastic_bounds",
    "porosity_from_velocity", "impedance",
    "reflection_coefficient", "two_way_time", "seismic_profile", "averaged_profile",
    "reflectivity", "synthetic", "time_depth", "time_depth_from_sea_level", "check_shot_times",
    "times_compared", "compaction", "compaction_curve", "compaction_bootstrap",
    "compaction_models", "compaction_by_layer", "compaction_by_lithology", "thermal_resistance",
    "heat_flow", "heat_flow_by_carrier", "heat_flow_intervals", "heat_flow_curvature",
    "heat_flow_corrections", "heat_flow_monte_carlo", "temperature_below", "accumulation",
)  # fmt: skip
# Figure -> lines of its caption; those not named here carry none.
FIGURES = {
    "gamma_calibration": (SEALED_SOURCE,), "density_comparison": (SEALED_SOURCE,),
    "scan": (SEALED_SOURCE,), "summary": (SEALED_SOURCE,), "control_charts": (SEALED_SOURCE,),
    "strength_depth": (RESEARCH_ONLY,), "consolidation_curves": (RESEARCH_ONLY,),
    "stress_depth": (RESEARCH_ONLY,), "velocity_porosity": (RESEARCH_ONLY,),
    "velocity_density": (SEALED_SOURCE,), "description": (SEALED_SOURCE,),
    "core_description": (SEALED_SOURCE,),
}  # fmt: skip
TABLES = {
    "calibration": SEALED_SOURCE, "strength": RESEARCH_ONLY, "consolidation": RESEARCH_ONLY,
}  # fmt: skip
PAGES = {
    "docs/formulas.md": {
        "Density from gamma attenuation": SEALED_SOURCE, "Strength and compression": RESEARCH_ONLY,
        "Stress": RESEARCH_ONLY, "Columns, burial, rebound": RESEARCH_ONLY,
    },
    "docs/recipe.md": {
        "gamma": SEALED_SOURCE, "strength": RESEARCH_ONLY, "consolidation": RESEARCH_ONLY,
        "stress": RESEARCH_ONLY,
    },
}  # fmt: skip
OPTIONS = {
    "gamma": {"tie_to_samples": True},
    "stress": {"drilling_fluid_density": "1.10 g/cm^3", "reference_void_ratio": 2.0,
               "reference_compression_index": 0.5},
    "heat_flow": {"heat_production": "constant", "heat_production_value": "1 uW/m^3",
                  "monte_carlo_draws": 200, "extrapolate_to": "400 m"},
    "hole": {"water_depth": "2500 m", "bottom_water_temperature": "2 degC"},
    "pwave": {"in_situ": "ratio"}, "resistivity": {"in_situ": True},
}  # fmt: skip


@pytest.fixture(scope="module")
def reduced():
    tables, settings, _ = simulate_tables(3001, small=True)
    return cp.reduce(cp.hole_from_tables(tables, settings), OPTIONS)


def test_every_result_carries_its_line(reduced):
    wrong = []
    for path, dataset in results(reduced):
        name = path.rpartition("/")[2]
        expected = {SOURCE: SEALED_SOURCE, DECISIONS: RESEARCH_ONLY, NEITHER: None}
        lists = [line for names, line in expected.items() if name in names]
        if len(lists) != 1:
            wrong.append(f"{name} stands in {len(lists)} of the lists")
        elif dataset.attrs.get("safety") != lists[0]:
            wrong.append(f"{name}: {dataset.attrs.get('safety')}")
    assert not wrong, wrong


def test_a_card_shows_the_line(reduced):
    assert SEALED_SOURCE in repr(cp.overview(reduced["properties/density"]))
    assert RESEARCH_ONLY in repr(cp.overview(reduced["products/stress_profile"]))


def test_calibrations_show_the_line():
    fit = cp.gamma.calibrate(
        cp.quantity(np.array([9e4, 6.5e4, 4.6e4, 3.3e4]), "count"), "60 s",
        cp.quantity(np.array([1.0, 2.0, 3.0, 4.0]), "cm"), "6.6 cm",
    )  # fmt: skip
    assert SEALED_SOURCE in repr(fit.card())


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(cp.figures.FIGURES))
def test_every_figure_carries_its_lines(reduced, name):
    try:
        caption = cp.figures.FIGURES[name](reduced).caption
    except NothingToDraw as reason:
        assert name not in FIGURES, f"{name} must be drawn here: {reason}"
        return
    found = [line for line in (SEALED_SOURCE, RESEARCH_ONLY) if line in caption]
    assert found == list(FIGURES.get(name, ())), name


@pytest.mark.parametrize("name", sorted(REPORT_TABLES))
def test_every_report_table_carries_its_line(reduced, name):
    notes = " ".join(cp.export.report_table(reduced, name).notes)
    found = [line for line in (SEALED_SOURCE, RESEARCH_ONLY) if line in notes]
    assert found == [TABLES[name]] if name in TABLES else not found


def test_files_carry_the_lines(reduced, tmp_path):
    cp.export.write_tables(reduced, tmp_path / "tables")
    about = (tmp_path / "tables" / "about.txt").read_text(encoding="utf-8")
    assert SEALED_SOURCE in about and RESEARCH_ONLY in about
    cp.export.write_las(reduced["properties/density"], tmp_path / "density.las")
    assert SEALED_SOURCE in (tmp_path / "density.las").read_text(encoding="utf-8")
    back = cp.logs.read(tmp_path / "density.las", columns={"BULK_DENSITY": "bulk_density"})
    expected = series.leaf(reduced, "properties/density")["bulk_density"]
    usable = np.isfinite(back["bulk_density"].values)
    assert 0 < usable.sum() <= expected.size


@pytest.mark.parametrize("page", sorted(PAGES))
def test_pages_carry_the_lines_in_their_sections(project_root: Path, page: str):
    sections = (project_root / page).read_text(encoding="utf-8").split("\n## ")
    by_title = {part.partition("\n")[0].strip(): part for part in sections}
    for title, line in PAGES[page].items():
        assert line in by_title[title], title
