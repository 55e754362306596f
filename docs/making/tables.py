"""Pages that are tables of the package: constants, thresholds, vocabulary, flags, recipe keys.

Nothing is copied by hand: a row that is added to the package is a row of the page.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from corephys.ground import flags
from corephys.ground.constants import CONSTANTS, Constant
from corephys.ground.thresholds import THRESHOLDS, Threshold
from corephys.ground.vocabulary import TERMS, Term
from corephys.quality import SEQUENCE
from corephys.reduction.recipe import SCHEMA, Option

__all__ = [
    "MEANINGS", "STANDING", "THRESHOLD_STANDING", "constants_page", "flags_page", "recipe_page",
    "table", "thresholds_page", "vocabulary_page",
]  # fmt: skip

STANDING = {
    "published": "read in the publication named, or in a stored copy of it",
    "definition": "follows from a definition, or from the solution of an equation",
    "library": "computed with the independent library named",
    "memory": "from memory or seen quoted only, not yet read in print",
    "common practice": "a habit of the trade without a source",
}
THRESHOLD_STANDING = {
    "definition": STANDING["definition"],
    "memory": STANDING["memory"],
    "common practice": STANDING["common practice"],
    "simulated": "tried on simulated data whose truth was known",
    "choice": "a choice of this package without a source: question it first",
}
LEVELS = {
    "good": "1: nothing speaks against it",
    "not_evaluated": "2: nobody looked, as with values that came already reduced",
    "suspect": "3: something speaks against it; a product leaves it out unless the recipe says so",
    "bad": "4: not a property of the core",
    "missing": "9: there is no number",
}
# Reasons that are no test of a scan; those stand in quality.SEQUENCE.
ELSEWHERE = {
    "missing_value": "there is no number",
    "supplied": "came already reduced; nobody here has looked at it",
    "inconsistent_masses": "samples: masses and volumes that no wet sediment can have, or a "
    "reported value that its own masses do not give",
    "grain_density_outlier": "samples: grain density apart from that of the neighbours",
    "interpolated_input": "products: an input was taken from between measurements; no doubt",
    "input_bad": "products: an input is bad or missing",
    "poor_fit": "fits: residuals larger, or less white, than the stated uncertainties allow",
    "no_window": "needle: no part of the heating curve is a straight line in log time",
    "drift": "needle: temperature drifted before heating by more than the recipe allows",
    "poor_contact": "needle: heat passed the needle's surface badly",
    "short_record": "formation temperature: the record ends too early",
    "disturbed_decay": "formation temperature: only a part of the record is a decay",
    "no_decay": "formation temperature: the probe did not cool",
    "outlier_among_samples": "samples: porosity apart from that of the neighbours",
    "edge_corrected": "natural gamma: mended for the core missing beside an end; no doubt",
    "likely_mass_error": "samples: a mass, changed alone, would bring the sample among the others",
    "likely_volume_error": "samples: a volume, changed alone, would do so",
    "likely_water_loss": "samples: water lost before weighing would do so",
    "unlikely_saturation": "samples: pores that are emptier or fuller than pores can be",
    "convection": "needle: the slope falls while heating, as where water moves",
    "lost_contact": "needle: the temperature jumps while heating, as where contact is lost",
    "models_disagree": "fits: two ways to the same number differ by more than their errors",
    "second_friction_pulse": "formation temperature: the probe was pushed a second time",
    "late_motion": "formation temperature: the probe moved late in the record",
    "beyond_method_range": "outside of what the method, or its table, was made for",
    "disturbed_sample": "the describer calls the core disturbed, where the recipe asks; "
    "compression: the sample was disturbed, or its slope is of its first load; "
    "supplied values: whoever supplied the value flagged it as suspect",
    "yield_not_bracketed": "compression: too few steps on either side of the yield stress",
    "below_elastic_bounds": "velocity: slower than any mixture of its grains and water",
    "above_elastic_bounds": "velocity: faster than any mixture of its grains and water",
    "extrapolated": "products: beyond the last measurement",
    "tests_failed": "scan: the tests of the series could not be made; the summary has the error",
    "likely_slip": "reading: a slip in a table, such as a length mistyped or a unit mistaken, "
    "changes the depth or the value; the findings name it",
    "few_independent_readings": "fits, ties: the readings repeat each other; distrust their errors",
    "exact_copy": "reading: the row equals an earlier row in every column; kept and not used",
}
MEANINGS: dict[str, str] = {**SEQUENCE, **ELSEWHERE}


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table; a bar inside a cell stays a bar."""
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for row in rows:
        cells = (str(cell).replace("|", "&#124;").replace("\n", " ") for cell in row)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _number(value: float) -> str:
    return "unknown" if math.isnan(value) else f"{value:.10g}"


def constants_page(constants: Mapping[str, Constant] = CONSTANTS) -> str:
    """Every constant with value, unit, standard uncertainty, source and standing."""
    counts = dict.fromkeys(STANDING, 0)
    for constant in constants.values():
        counts[constant.status] += 1
    rows = [
        (f"`{c.name}`", _number(c.value), f"`{c.unit}`", _number(c.uncertainty), c.status,
         c.citation)
        for c in constants.values()
    ]  # fmt: skip
    standing = [(word, str(counts[word]), STANDING[word]) for word in STANDING]
    return "\n\n".join(
        [
            "# Constants",
            "Every number that a formula takes from elsewhere, from "
            "`corephys/ground/constants.py`. Each is a keyword of the functions that use it, "
            "so that yours may stand in its place: "
            '`grain_density="2.65 g/cm^3"`. In code: `cp.constants.get("grain_density")`. '
            "Uncertainties are standard uncertainties, k = 1.",
            table(("standing", "constants", "means"), standing),
            table(("name", "value", "unit", "uncertainty", "standing", "source"), rows),
        ]
    )


def thresholds_page(thresholds: Mapping[str, Threshold] = THRESHOLDS) -> str:
    """Every number of judgement with value, unit, what it decides, standing and source."""
    counts = dict.fromkeys(THRESHOLD_STANDING, 0)
    for threshold in thresholds.values():
        counts[threshold.status] += 1
    rows = [
        (f"`{t.name}`", _number(t.value), f"`{t.unit}`", t.decides, t.status, t.citation)
        for t in thresholds.values()
    ]
    standing = [(word, str(counts[word]), THRESHOLD_STANDING[word]) for word in THRESHOLD_STANDING]
    return "\n\n".join(
        [
            "# Thresholds",
            "Every number of judgement, from `corephys/ground/thresholds.py`: what counts as "
            "doubtful, too few, too far or the same. None of them is a property of the Earth. Many "
            "are keywords of functions or keys of the [recipe](../recipe.md), so that yours may "
            "stand "
            'in their place. In code: `cp.thresholds.get("crack_length")`. Usual and '
            "possible ranges of quantities stand in the [vocabulary](vocabulary.md).",
            table(("standing", "thresholds", "means"), standing),
            table(("name", "value", "unit", "decides", "standing", "source"), rows),
        ]
    )


def _range(limits: tuple[float, float]) -> str:
    low, high = limits
    if math.isinf(low) and math.isinf(high):
        return "any"
    if math.isinf(high):
        return f"from {low:g}"
    return f"to {high:g}" if math.isinf(low) else f"{low:g} to {high:g}"


def vocabulary_page(terms: Mapping[str, Term] = TERMS) -> str:
    """Every quantity with unit, words and ranges."""
    rows = [
        (f"`{t.name}`", f"`{t.unit}`", t.long_name, _range(t.usual), _range(t.possible),
         f"`{t.standard_name}`" if t.standard_name else "")
        for t in terms.values()
    ]  # fmt: skip
    return "\n\n".join(
        [
            "# Vocabulary",
            "Names, units and plausible ranges, from `corephys/ground/vocabulary.py` and the "
            "records of the sensors. A value "
            "outside of the usual range is flagged suspect, outside of the possible one bad; none "
            "is taken out. [A sensor of your own](../own_sensor.md) adds its own.",
            table(("name", "unit", "words", "usual", "possible", "CF standard name"), rows),
        ]
    )


def flags_page(
    reasons: Mapping[str, int] = flags.REASONS, meanings: Mapping[str, str] = MEANINGS
) -> str:
    """The levels, and every reason with its bit, the flag it causes and what it means."""
    scheme = flags.flag_attributes("")
    levels = dict(zip(scheme["flag_values"].tolist(), scheme["flag_meanings"].split(), strict=True))
    rows = [
        (f"`{reason}`", str(position), levels[level].replace("_", " "), meanings[reason])
        for position, (reason, level) in enumerate(reasons.items())
    ]
    return "\n\n".join(
        [
            "# Flags and reasons",
            "A flag says how far a value may be used, its reasons say why: `<name>_flag` and "
            "`<name>_reason` beside each quantity. The worst reason makes the flag. Products use "
            "the levels that `[quality] use` names, else good and not evaluated. The tests of a "
            "scan, in their order and with their thresholds, are in [Cleaning a scan]"
            "(../cleaning.md).",
            table(("flag", "means"), [(k.replace("_", " "), v) for k, v in LEVELS.items()]),
            "## Reasons",
            "Bit n of a mask has the value 2^n; `cp.flags.names(mask)` spells a mask, `cp.flags.bit"
            '("spike")` gives a bit. The order is part of the file format. The mask is full: bit '
            "63 is the sign of the int64, with the value -2^63, so compare a mask with `!= 0`, "
            "never with `> 0`. A further reason needs a second variable, `<name>_reason_2`.",
            table(("reason", "bit", "flag", "means"), rows),
        ]
    )


def _default(value: object) -> str:
    if value is None:
        return "unknown"
    return str(value).lower() if isinstance(value, bool) else str(value)


def recipe_page(schema: Mapping[str, Mapping[str, Option]] = SCHEMA) -> str:
    """Every key of a recipe by stage."""
    parts = [
        "# Recipe keys",
        f"{sum(map(len, schema.values()))} choices in {len(schema)} stages, from "
        "`corephys/reduction/schema.py`; [Recipe](../recipe.md) says what stands behind them. A "
        'default of "unknown" means NaN for an uncertainty, and "found from the data" for a '
        "setting.",
    ]
    for stage, options in schema.items():
        rows = [
            (f"`{key}`", _default(o.default), o.kind.replace("|", " or "), o.meaning)
            for key, o in options.items()
        ]
        parts += [f"## {stage}", table(("key", "default", "kind", "means"), rows)]
    return "\n\n".join(parts)
