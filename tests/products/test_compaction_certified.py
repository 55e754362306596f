"""Digits that the fits reach on certified data: every row, from every certified start."""

from __future__ import annotations

import math

import numpy as np
import pytest

from corephys.ground import fitting
from tests.adapters.registry import table
from tests.project.test_reference_rows import VALUES, agrees, compute

ROWS = [row for row in VALUES if row["area"] == "certified fits"]


def digits(value: float, expected: float) -> float:
    """Number of leading digits that agree, fifteen at most."""
    if value == expected:
        return 15.0
    return min(15.0, -math.log10(abs(value - expected) / abs(expected)))


def test_digits_of_every_certified_row(capsys: pytest.CaptureFixture[str]) -> None:
    lines, missed = [], []
    for row in ROWS:
        value = compute(row)
        needed = -math.log10(float(row["tolerance"]) / abs(float(row["expected"])))
        got = digits(value, float(row["expected"]))
        lines.append(f"{row['id']:34s}{row['result']:20s}{got:5.1f} digits, needed {needed:4.1f}")
        if not agrees(row, value):
            missed.append(row["id"])
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert len(ROWS) > 40
    assert missed == []


def test_both_certified_starts_are_among_the_rows() -> None:
    starts: dict[str, set[str]] = {}
    for row in ROWS:
        if row["function"] == "fitting.fit":
            name = row["inputs"].split('"file": "')[1].split('"')[0]
            starts.setdefault(name, set()).add(row["inputs"])
    assert {name: len(found) for name, found in starts.items()} == {
        "nist_misra1a.csv": 2, "nist_thurber.csv": 2, "nist_mgh09.csv": 2,
    }  # fmt: skip


def test_the_columns_of_longley_are_as_close_to_dependent_as_they_are_said_to_be() -> None:
    columns = table("nist_longley.csv")
    design = np.column_stack([np.ones(16), *(v for k, v in columns.items() if k[0] == "x")])
    assert np.linalg.cond(design) == pytest.approx(4.86e9, rel=0.01)


def test_dependent_columns_have_no_errors() -> None:
    x = np.arange(9.0)
    fit = fitting.linear({"a": 1.0, "b": x, "c": 2 * x - 1}, x**2, absolute_sigma=False)
    assert all(math.isnan(error) for error in fit.errors.values())
    assert "depend on each other" in fit.message


def test_linear_and_nonlinear_paths_agree() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(0, 5, 40)
    sigma = rng.uniform(0.05, 0.2, 40)
    y = 1 + 0.5 * x + rng.normal(0, sigma)
    one = fitting.linear({"a": 1.0, "b": x}, y, sigma, absolute_sigma=True)
    two = fitting.fit(lambda x, a, b: a + b * x, x, y, sigma, start={"a": 0.0, "b": 1.0},
                      absolute_sigma=True)  # fmt: skip
    for name in "ab":
        assert one.values[name] == pytest.approx(two.values[name], rel=1e-8)
        assert one.errors[name] == pytest.approx(two.errors[name], rel=1e-8)
    assert one.aicc == pytest.approx(two.aicc, rel=1e-10)


def test_errors_teach() -> None:
    x = np.arange(3.0)
    with pytest.raises(ValueError, match="3 points cannot fix 4 parameters"):
        fitting.linear({"a": 1.0, "b": x, "c": x**2, "d": x**3}, x, absolute_sigma=False)
    with pytest.raises(ValueError, match="not finite; leave them out first"):
        fitting.linear({"a": 1.0, "b": x * np.nan}, x, absolute_sigma=False)
    with pytest.raises(ValueError, match="needs the standard uncertainties"):
        fitting.linear({"a": 1.0}, x, absolute_sigma=True)
