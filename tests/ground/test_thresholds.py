"""Numbers of judgement stand in one table; what stays beside its use is arithmetic, and says so."""

from __future__ import annotations

import ast
import importlib
import inspect
import pickle
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import corephys as cp
from corephys.ground import provenance, thresholds, units
from corephys.ground.constants import CONSTANTS, Constant
from corephys.ground.provenance import SourcedCount, SourcedNumber, SourcedText
from corephys.ground.thresholds import DEFAULTS, THRESHOLDS, Threshold
from corephys.reduction.recipe import Recipe

PACKAGE = Path(cp.__file__).parent

# Numbers at the top of a module that are no judgement, by file, and what they are.
_ROUNDING = "rounding: what is closer is the same"
_BLOCK = "size of a block, for memory and time; no number moves with it"
_ROUNDS = "greatest number of iterations"
_GRID = "points of a grid, a curve or a search"
_NORMAL = "of the normal distribution"
_DRAWING = "size of a drawing"
_SHOWN = "when a bar of progress is shown; no number moves with it"
_STEP = "step of a difference"
_UNITS = "conversion of units"
_FIT = "coefficients of a fitted table, with their source beside them"
_PLACES = "samples or parts of a record that an algorithm looks at"
ARITHMETIC: dict[str, dict[str, str]] = {
    "archive/readings": {"CHUNK": _BLOCK},
    "archive/stores": {"COMPRESS_FROM": _BLOCK, "_CHECKSUM_BYTES": "length of a checksum"},
    "cli": {
        "STAGES_FAILED": "an exit status",
        "ROWS_REFUSED": "an exit status",
        "NOT_INTACT": "an exit status",
        "INTERRUPTED, TERMINATED": "exit statuses",
    },
    "downhole/logs/comparison": {"_MOST": _BLOCK},
    "downhole/logs/las": {
        "_NULLS": "values that stand for none in files",
        "_EXACT": "digits that tell floats apart",
    },
    "downhole/temperature/decay": {
        "STARTS": _PLACES,
        "ENDS": _PLACES,
        "_ROUNDS": _ROUNDS,
        "_SMALL": _ROUNDING,
    },
    "downhole/temperature/motion": {
        "_PLACES": _GRID,
        "_SCALES": _PLACES,
        "_AROUND": _PLACES,
        "_LEVEL": _PLACES,
        "_TANGENT": _PLACES,
    },
    "downhole/temperature/responses": {"_AROUND": _PLACES},
    "downhole/temperature/tradeoff": {"TRIALS": _GRID},
    "export/netcdf": {
        "_COMPRESS_FROM": _BLOCK,
        "_LEVEL": _BLOCK,
        "_READ_AT_ONCE": _BLOCK,
        "_FULL": "bytes left on a disk that counts as full",
    },
    "export/output": {
        "_VERSION": "version of a file format",
        "_LINKED": "files of the user up to which folders are exchanged; none is lost beyond",
        "_HASHED_AT_ONCE": _BLOCK,
        "_WAIT_S": "waiting for another run",
        "_WAIT_OF_READER_S": "waiting for another run",
        "_EXCHANGE": "a constant of the operating system",
        "_HERE": "a constant of the operating system",
    },
    "ground/progress": {"_DELAY": _SHOWN, "_EVERY": _SHOWN},
    "ground/cards": {"_ROUNDING": _ROUNDING},
    "ground/fits": {"_MOST_ROWS": "size of a table that is shown"},
    "ground/fitting": {"_STEPS": _ROUNDS, "_LONGEST": _ROUNDS},
    "ground/flags": {
        "GOOD, NOT_EVALUATED, SUSPECT, BAD, MISSING": "codes of the levels",
        "_BLOCK": _BLOCK,
        "_WIDTH": "bits of an int64",
    },
    "ground/seawater": {"_ALL_SALT": "grams in a kilogram"},
    "hole/checks/columns": {"_PLACEHOLDERS": "values that stand for none in files"},
    "hole/checks/places": {"_YEAR": _UNITS},
    "hole/composite/depth_scales": {"_SAME": _ROUNDING},
    "hole/composite/sequences": {"_SAME": _ROUNDING},
    "hole/composite/ties": {"_SAME": _ROUNDING},
    "hole/placing/depth_uncertainty": {"_MOST": _BLOCK},
    "hole/placing/described": {"_ROUNDING": _ROUNDING},
    "hole/placing/match": {"_ROUNDING": _ROUNDING, "_BLOCK": _BLOCK},
    "hole/reading/csv": {"_BLOCK": _BLOCK},
    "hole/reading/intervals": {"_ROUNDING": _ROUNDING},
    "hole/reading/positions": {"_ROUNDING": _ROUNDING},
    "hole/reading/read": {"_HEAD": _BLOCK},
    "importing/column_facts": {
        "_NULL_NUMBERS": "codes of missing values in files",
        "_SAFE_NULLS": "those of them that are no reading of any sensor",
        "_LOOKED_AT": _BLOCK,
    },
    "importing/drafts": {"_MOST_FILES": "names of files in one line of a draft"},
    "importing/places": {"_LOOKED_AT": _BLOCK},
    "importing/text_layout": {
        "_BYTES": _BLOCK,
        "_ROWS": _BLOCK,
        "_SAME_WIDTH": "share of lines with the same number of fields",
    },
    "importing/files": {"_BLOCK": _BLOCK, "_LINES_OF_A_LOOK": _PLACES},
    "importing/report": {"_SHOWN": _DRAWING},
    "importing/state": {"_FORMAT": "version of a file format"},
    "importing/tables": {"_LINES": _BLOCK, "_LOOSE": _BLOCK},
    "notebook/panels/panel": {"_DOTS": _DRAWING},
    "notebook/panels/ties": {"_STEP": _GRID},
    "notebook/results": {"_DOTS": _DRAWING, "_QUANTITIES": _DRAWING},
    "products/accumulation": {"_PER_RATE": _UNITS},
    "products/compaction/certainty": {"LEVELS": _NORMAL},
    "products/compaction/models": {
        "REFERENCE_DEPTH": "where a curve has its unit",
        "REFERENCE_STRESS": "the same of stress",
        "_LEAST_VOID_RATIO": _ROUNDING,
    },
    "products/compaction/rebounds": {"_BY_DEPTH": _FIT},
    "products/elastic/fluids": {"_WATER_DENSITY": _FIT, "_WATER_VELOCITY": _FIT},
    "products/elastic/models": {"_GRID": _GRID, "_HALVINGS": _ROUNDS},
    "products/elastic/propagation": {"_STEP": _STEP, "_SUM_TOLERANCE": _ROUNDING},
    "products/elastic/reflections": {"_STIFFNESS_OF_A_FLUID": _ROUNDING},
    "products/heat_flow/adjustments": {"_FINE": _GRID, "_LAYERS": _GRID},
    "products/heat_flow/bend": {"_YEAR": _UNITS},
    "products/heat_flow/carriers": {"_BLOCK": _BLOCK},
    "products/heat_flow/station_intervals": {"_QUANTILES": _NORMAL, "_BLOCK": _BLOCK},
    "products/seismic/traces": {"_HIGHEST": "of the formula of a Ricker wavelet"},
    "products/stress/column": {"_STEPS": _GRID, "_MOST": _GRID},
    "products/stress/fluids": {"_MEAN_WATER": "an error of 1 % moves a result by 0.02 %"},
    "products/stress/gaps": {"_NODES": _GRID},
    "quality/checks": {"SCALE": _NORMAL, "ROUNDING": _ROUNDING},
    "quality/equilibration": {"_TERMS": _ROUNDS, "_SOON": _ROUNDING},
    "quality/fill": {"_PASSES": _ROUNDS},
    "quality/scan_index": {"_APART": "keeps sections apart on one axis"},
    "quality/standards": {
        "_RANGE, _WIDE": _NORMAL,
        "_KEPT": _NORMAL,
        "_MIDDLE_RANGE": _NORMAL,
        "_ROUNDS": _ROUNDS,
    },
    "reduction/copies": {"_TABLE": "numbers the rows of several tables"},
    "reduction/kept": {"_DIGEST": "length of a digest", "_LARGEST": _BLOCK},
    "reduction/stages/sediment": {"_GRID": _GRID},
    "report/hole": {"_DOTS": _DRAWING},
    "report/numbers": {"_MOST_PLACES": "layout of a page"},
    "report/page": {"_COLOURS": _DRAWING, "_DOTS_A_PIXEL": _DRAWING},
    "report/site": {
        "_DOTS": "resolution of the pictures of a page",
        "_HOLES_BESIDE": "layout of a page",
    },
    "samples/consolidation/rates": {
        "EARLY": "of the method of Taylor",
        "RATIO": "of the method of Taylor",
        "_PLACES_LOGARITHM": _GRID,
        "_PLACES_ROOT": _GRID,
    },
    "samples/index_properties/outliers": {"_STEPS": _ROUNDS, "SCALE": _NORMAL},
    "samples/index_properties/phases": {"_BLOCK": _BLOCK, "_TINY": _STEP},
    "samples/needle/cylinder": {"ROUNDS": _ROUNDS, "_SPREAD": _GRID, "_BLOCK": _BLOCK},
    "samples/needle/drift": {
        "_NODES": _GRID,
        "_ZOOMS": _ROUNDS,
        "_FAR": "of a likelihood that counts no more",
        "_BLOCK": _BLOCK,
    },
    "samples/needle/__init__": {"USUAL_CONTACT": "where a search begins"},
    "samples/needle/window_choice": {
        "_KNOTS": _GRID,
        "_EDGE": _PLACES,
        "_RISE_TIMES": _GRID,
        "_BLOCK": _BLOCK,
        "_WINDOWS": _BLOCK,
    },
    "samples/strength/methods": {"_SAME_ANGLE": _ROUNDING},
    "sensors/gamma/calibration": {"_DEEPEST": _DRAWING},
    "sensors/gamma/chain": {"BLOCK": _BLOCK},
    "sensors/natural_gamma/stripping": {"_ROUNDS": _ROUNDS},
    "sensors/pwave/picking": {"_READINGS": _BLOCK},
    "sensors/resistivity/calibration": {"_ONE_SIGMA": _NORMAL},
    "sensors/resistivity/pore_water": {
        "_CONCENTRATION": _FIT,
        "_MOLAR": _FIT,
        "_DENSITY_FIT": _FIT,
        "_RANGE": "of the standard PSS-78",
        "_STEP": _STEP,
    },
    "uncertainty/draws": {"_FIRST": _STEP, "_SECOND": _STEP},
    "watch/core": {"_CHECKS_SHOWN": _DRAWING},
    "watch/folder": {"_STEP": "time between two looks"},
    "watch/page": {
        "_REASONS_SHOWN": _DRAWING,
        "_LINES_SHOWN": _DRAWING,
        "_POLL": "time between two looks",
        "_AHEAD": "how far two clocks may differ without a word",
    },
    "watch/results": {"_PARTLY": "an exit status", "_PATIENCE": "limit of time"},
    "watch/tracks": {
        "_WIDTH, _HEIGHT": _DRAWING,
        "_LEFT, _RIGHT, _TOP, _BOTTOM, _BETWEEN": _DRAWING,
        "_SHORTEST": _DRAWING,
        "_DENSE": _DRAWING,
        "_LINEAR_UP_TO": _DRAWING,
        "_STEPS": "round numbers of an axis",
        "_SMALL": _DRAWING,
    },
    "watch/watching": {
        "_TICK": "time between two looks",
        "_ALONE": "time between two looks",
        "_SIGN": "time between two signs of life",
        "_JOIN": "limit of time",
    },
}
# Algorithms know no judgement of the trade; figures hold sizes of drawings; the tables are tables.
_OTHER_FLOORS = ("numerics", "figures")

# Defaults of arguments that are no judgement.
_DRAWS = "draws, and the seed that makes them again"
_REFERENCE = "state that a result is referred to, part of its name"
_OUTPUT = "of what is written or drawn"
CHOICES: dict[str, str] = {
    "archive.reduce.workers": _BLOCK,
    "downhole.logs.las.write.digits": _OUTPUT,
    "downhole.logs.las.write.null": _OUTPUT,
    "products.compaction.certainty.bootstrap.replicates": _DRAWS,
    "products.compaction.column.burial_history.coverage": _NORMAL,
    "products.compaction.column.burial_history.draws": _DRAWS,
    "products.compaction.models.power.reference_depth": _REFERENCE,
    "products.compaction.models.void_ratio_log_stress.reference_stress": _REFERENCE,
    "products.heat_flow.station_intervals.monte_carlo.draws": _DRAWS,
    "products.seismic.traces.reflectivity.time_step": _GRID,
    "products.seismic.traces.synthetic.draws": _DRAWS,
    "products.stress.bounds.fit_reference.at_stress": _REFERENCE,
    "products.stress.bounds.reference_of_indices.at_stress": _REFERENCE,
    "products.stress.profiles.profile.step": _GRID,
    "quality.checks.spikes.passes": _ROUNDS,
    "samples.consolidation.rates.coefficient_from_time.share": "which of two times was read",
    "samples.index_properties.water.pore_water_at.temperature": _REFERENCE,
    "samples.needle.heating_power.wires": "of the instrument",
    "samples.strength.methods.vane.ends": "of the instrument",
    "samples.strength.methods.vane_constant.ends": "of the instrument",
    "sensors.gamma.calibration.calibrate.water_temperature": _REFERENCE,
    "sensors.gamma.calibration.dead_time_from_standards.water_temperature": _REFERENCE,
    "sensors.resistivity.pore_water.to_reference_temperature.reference": _REFERENCE,
    "uncertainty.draws.monte_carlo.draws": _DRAWS,
}


def is_number(node: ast.AST) -> bool:
    """Whether an expression is made of numbers alone."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, (int, float)) and not isinstance(node.value, bool)
    if isinstance(node, ast.UnaryOp):
        return is_number(node.operand)
    if isinstance(node, ast.BinOp):
        return is_number(node.left) and is_number(node.right)
    parts = node.elts if isinstance(node, (ast.Tuple, ast.List)) else []
    return bool(parts) and all(is_number(part) for part in parts)


def numbers_of(source: str) -> set[str]:
    """Names at the top of a module that hold plain numbers."""
    found = set()
    for node in ast.parse(source).body:
        value = getattr(node, "value", None)
        if isinstance(node, (ast.Assign, ast.AnnAssign)) and value is not None and is_number(value):
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            found.add(ast.unparse(target).strip("()"))
    return found


def test_every_number_at_the_top_of_a_module_is_arithmetic_or_in_a_table():
    found = {}
    for file in sorted(PACKAGE.rglob("*.py")):
        name = file.relative_to(PACKAGE).with_suffix("").as_posix()
        if name.split("/")[0] in _OTHER_FLOORS:
            continue
        held = numbers_of(file.read_text(encoding="utf-8"))
        if held:
            found[name] = held
    assert found == {name: set(held) for name, held in ARITHMETIC.items() if held}


def test_a_number_of_judgement_at_the_top_of_a_module_is_found():
    source = "FEWEST = 8\n_WINDOW: float = -3.5e2\nA, B = 1, 2.0\nWORDS = ('a',)\nON = True\n"
    assert numbers_of(source) == {"FEWEST", "_WINDOW", "A, B"}
    assert numbers_of('FEWEST = thresholds.count("needle_window_samples")') == set()


def plain_defaults() -> Iterator[str]:
    """Arguments of public functions whose default is a number of its own, not 0 or 1."""
    for info in pkgutil.walk_packages(cp.__path__, "corephys."):
        if info.name.endswith("__main__") or info.name.split(".")[1] in _OTHER_FLOORS:
            continue
        module = importlib.import_module(info.name)
        for name in getattr(module, "__all__", ()):
            function = getattr(module, name)
            if not inspect.isfunction(function) or function.__module__ != info.name:
                continue
            for key, parameter in inspect.signature(function).parameters.items():
                if states_a_number(parameter.default):
                    yield f"{info.name.removeprefix('corephys.')}.{name}.{key}"


def states_a_number(default: Any) -> bool:
    if isinstance(default, (SourcedText, SourcedNumber, SourcedCount, Constant, bool)):
        return False
    if isinstance(default, str):
        try:
            return units.read_scalar(default)[0] not in (0.0, 1.0) or default == "1 m"
        except units.UnitError:
            return False
    number = isinstance(default, (int, float)) and bool(np.isfinite(default))
    return number and default not in (0, 1)


def test_every_default_of_an_argument_is_a_row_or_no_judgement():
    # What a constant of a module hands to a function as a plain number is in a table already.
    plain = {
        "quality.checks.neighbour_residual.reach",
        "quality.checks.spikes.side_share",
        "quality.standards.cumulative_sums.allowance",
        "quality.standards.cumulative_sums.interval",
        "watch.folder.at_rest.longest",
        "watch.folder.at_rest.quiet",
    }
    assert set(plain_defaults()) - plain == set(CHOICES)


@pytest.mark.parametrize(
    ("default", "stated"),
    [(0.6, True), ("2 cm", True), (3, True), (0.0, False), (True, False), ("linear", False),
     (DEFAULTS["least_fill"], False), (DEFAULTS["match_reach"], False), (float("nan"), False)],
)  # fmt: skip
def test_a_number_in_a_signature_is_found(default: Any, stated: bool):
    assert states_a_number(default) is stated


def named_rows(source: str) -> set[str]:
    return set(re.findall(r"[\"']([a-z_0-9]+)[\"']", source))


def test_every_row_is_used():
    sources = "\n".join(
        file.read_text(encoding="utf-8")
        for file in PACKAGE.rglob("*.py")
        if file.name != "thresholds.py"
    )
    # Rows whose name is put together where they are used.
    joined = {
        f"consistency_{name}"
        for name in ("bulk_density", "dry_density", "grain_density", "porosity", "void_ratio")
    }
    joined |= {f"specimen_{end}_slenderness" for end in ("least", "greatest")}
    joined |= {f"drawn_strength_share_{end}" for end in ("low", "high")}
    joined |= {f"quality_{r}_{w}" for r in ("low", "high") for w in ("good", "fair", "poor")}
    assert set(THRESHOLDS) - named_rows(sources) == joined


@pytest.mark.parametrize("name", sorted(THRESHOLDS))
def test_every_threshold_has_a_unit_says_what_it_decides_and_how_it_was_found(name: str):
    row = thresholds.get(name)
    assert row.name == name and isinstance(row, Threshold)
    assert units.canonical(row.unit) == row.unit
    assert len(row.decides) > 20 and row.decides[0].islower() and not row.decides.endswith(".")
    assert row.status in {"choice", "simulated", "common practice", "memory", "definition"}
    # A standing that names nobody must not look like a source.
    assert (row.citation == "no source") == (row.status in ("choice", "common practice"))
    assert name not in CONSTANTS


def test_a_threshold_comes_as_a_number_a_count_or_a_default():
    assert thresholds.value("void_length") == 18.0
    assert type(thresholds.value("spike_threshold")) is float
    assert thresholds.count("loading_steps") == 5
    assert type(thresholds.count("loading_steps")) is int
    with pytest.raises(ValueError, match="'void_length' is 18 cm; a count must be a whole number"):
        thresholds.count("void_length")
    with pytest.raises(KeyError, match="no threshold named 'void_lenght'; did you mean 'void_len"):
        thresholds.value("void_lenght")
    assert DEFAULTS["void_length"] == "18 cm" and DEFAULTS["least_fill"] == 0.6
    points = DEFAULTS["compression_index_points"]
    assert list(range(points)) == [0, 1, 2]
    for default in (DEFAULTS["void_length"], DEFAULTS["least_fill"], points):
        again = pickle.loads(pickle.dumps(default))
        (found,) = provenance.records(number=again).values()
        assert (found.origin, found.constant) == ("threshold", default.constant.name)
        assert found.source() == f"{found.citation} ({found.status})"


def test_a_threshold_given_by_the_user_is_given():
    (found,) = provenance.records(points=3).values()
    assert (found.origin, found.citation) == ("given", "")
    (found,) = provenance.records(points=thresholds.get("compression_index_points")).values()
    assert found.origin == "threshold"


def test_the_recipe_and_the_tests_of_a_scan_have_the_same_thresholds():
    from corephys.quality import Settings
    from corephys.reduction.stages.quality import quality_settings

    assert quality_settings(Recipe()) == Settings()
