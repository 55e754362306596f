"""Nonlinear fits against certified values, and uncertainties that cannot be misread."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from corephys import fitting

FOLDER = Path(__file__).resolve().parent / "reference"


def _data(name):
    lines = [line for line in (FOLDER / name).read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.reader(lines))[1:]
    return np.array(rows, dtype=float)


def misra(x, b1, b2):
    return b1 * (1.0 - np.exp(-b2 * x))


def mgh(x, b1, b2, b3, b4):
    return b1 * (x**2 + b2 * x) / (x**2 + b3 * x + b4)


def thurber(x, b1, b2, b3, b4, b5, b6, b7):
    return (b1 + b2 * x + b3 * x**2 + b4 * x**3) / (1 + b5 * x + b6 * x**2 + b7 * x**3)


# Certified parameters and standard deviations: NIST Statistical Reference Datasets, nonlinear
# regression (Misra1a, MGH09, Thurber), itl.nist.gov/div898/strd.
CASES = {
    "Misra1a": (
        "nist_misra1a.csv", misra, [(500.0, 1e-4), (250.0, 5e-4)],
        {"b1": 238.94212918, "b2": 5.5015643181e-4},
        {"b1": 2.7070075241, "b2": 7.2668688436e-6}, 0.1018787633,
    ),
    "MGH09": (
        "nist_mgh09.csv", mgh, [(25.0, 39.0, 41.5, 39.0), (0.25, 0.39, 0.415, 0.39)],
        {"b2": 0.19128232873, "b3": 0.12305650693}, {"b1": 0.011435312227}, 0.0066279236551,
    ),
    "Thurber": (
        "nist_thurber.csv", thurber,
        [(1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03), (1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05)],  # noqa: E501
        {"b3": 583.23836877, "b4": 75.416644291, "b5": 0.96629502864}, {"b2": 39.571156086},
        13.714600784,
    ),
}  # fmt: skip


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("name", list(CASES))
def test_certified_values_from_both_starts(name, which):
    file, model, starts, values, errors, deviation = CASES[name]
    table = _data(file)
    start = {f"b{i}": v for i, v in enumerate(starts[which], start=1)}
    columns = (table[:, 0], table[:, 1])
    text = (FOLDER / file).read_text()
    header = next(line for line in text.splitlines() if not line.startswith("#"))
    y, x = columns if header.split(",")[0].strip() == "y" else columns[::-1]
    found = fitting.fit(model, x, y, start=start, absolute_sigma=False)
    for key, expected in values.items():
        assert found.values[key] == pytest.approx(expected, rel=1e-6)
    for key, expected in errors.items():
        assert found.errors[key] == pytest.approx(expected, rel=1e-5)
    assert np.sqrt(found.reduced_chi_square) == pytest.approx(deviation, rel=1e-8)


def line(x, a, b):
    return a + b * x


def test_absolute_and_relative_weights_differ_by_the_scatter():
    rng = np.random.default_rng(0)
    x = np.linspace(0, 1, 40)
    y = 1 + 2 * x + rng.normal(0, 0.1, 40)
    start = {"a": 0.0, "b": 1.0}
    sizes = [
        fitting.fit(line, x, y, sigma, start=start, absolute_sigma=True).errors["b"]
        for sigma in (0.05, 0.5)
    ]
    assert sizes[1] / sizes[0] == pytest.approx(10.0, rel=1e-6)
    relative = [
        fitting.fit(line, x, y, sigma, start=start, absolute_sigma=False).errors["b"]
        for sigma in (0.05, 0.5)
    ]
    assert relative[0] == pytest.approx(relative[1], rel=1e-6)


def test_an_unknown_error_is_nan_never_zero():
    x = np.linspace(0, 1, 10)
    bounded = fitting.fit(
        line, x, 1 + 2 * x, start={"a": 0.5, "b": 1.0}, bounds={"b": (0.0, 1.5)},
        absolute_sigma=False,
    )  # fmt: skip
    assert bounded.at_bound == ("b",)
    assert np.isnan(bounded.errors["b"])
    blind = fitting.fit(
        lambda x, a, b: a + 0.0 * b * x, x, 1 + 2 * x, start={"a": 0.5, "b": 1.0},
        absolute_sigma=False,
    )  # fmt: skip
    assert np.isnan(blind.errors["b"])


def test_errors_teach():
    x = np.linspace(0, 1, 10)
    start = {"a": 0.0, "b": 1.0}
    with pytest.raises(ValueError, match="needs the standard uncertainties"):
        fitting.fit(line, x, x, start=start, absolute_sigma=True)
    with pytest.raises(ValueError, match=r"must not\s+become a weight"):
        fitting.fit(line, x, x, np.full(10, np.nan), start=start, absolute_sigma=True)
    with pytest.raises(ValueError, match="1 points cannot fix 2"):
        fitting.fit(line, x[:1], x[:1], start=start, absolute_sigma=False)
    with pytest.raises(ValueError, match="not finite"):
        fitting.fit(line, x, np.full(10, np.nan), start=start, absolute_sigma=False)
