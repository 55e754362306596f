"""Nonlinear fits against certified values, and uncertainties that cannot be misread."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from corephys.ground import fitting

FOLDER = Path(__file__).resolve().parents[1] / "reference"


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


# Certified parameters, standard deviations of the parameters, and residual standard deviation, all
# to eleven digits: NIST Statistical Reference Datasets, nonlinear regression (Misra1a, MGH09,
# Thurber), itl.nist.gov/div898/strd.
CASES = {
    "Misra1a": (
        "nist_misra1a.csv", misra, [(500.0, 1e-4), (250.0, 5e-4)],
        (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06), 0.10187876330,
    ),
    "MGH09": (
        "nist_mgh09.csv", mgh, [(25.0, 39.0, 41.5, 39.0), (0.25, 0.39, 0.415, 0.39)],
        (1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01),
        (1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02), 6.6279236551e-03,
    ),
    "Thurber": (
        "nist_thurber.csv", thurber,
        [(1000.0, 1000.0, 400.0, 40.0, 0.7, 0.3, 0.03), (1300.0, 1500.0, 500.0, 75.0, 1.0, 0.4, 0.05)],  # noqa: E501
        (1.2881396800e03, 1.4910792535e03, 5.8323836877e02, 7.5416644291e01, 9.6629502864e-01,
         3.9797285797e-01, 4.9727297349e-02),
        (4.6647963344e00, 3.9571156086e01, 2.8698696102e01, 5.5675370270e00, 3.1333340687e-02,
         1.4984928198e-02, 6.5842344623e-03), 13.714600784,
    ),
}  # fmt: skip
NINE_DIGITS = 5e-10


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
    assert tuple(found.values.values()) == pytest.approx(values, rel=NINE_DIGITS, abs=0.0)
    assert tuple(found.errors.values()) == pytest.approx(errors, rel=NINE_DIGITS, abs=0.0)
    assert np.sqrt(found.reduced_chi_square) == pytest.approx(deviation, rel=NINE_DIGITS)


def test_given_derivatives_and_extrapolated_ones_agree():
    rng = np.random.default_rng(2)
    x = np.linspace(0, 300, 60)

    def curve(x, a, length):
        return a * np.exp(-x / length)

    def slopes(x, a, length):
        e = np.exp(-x / length)
        return np.column_stack([e, a * e * x / length**2])

    y, start = curve(x, 0.7, 900.0) + rng.normal(0, 0.02, 60), {"a": 0.5, "length": 500.0}
    one, two = (
        fitting.fit(curve, x, y, 0.02, start=start, absolute_sigma=True, jacobian=given)
        for given in (slopes, None)
    )
    for name in start:
        assert one.values[name] == pytest.approx(two.values[name], rel=1e-11)
        assert one.errors[name] == pytest.approx(two.errors[name], rel=1e-10)


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
    with pytest.raises(ValueError, match=r"10 of 10 .* missing.*absolute_sigma=False"):
        fitting.fit(line, x, x, np.full(10, np.nan), start=start, absolute_sigma=True)
    with pytest.raises(ValueError, match="1 points cannot fix 2"):
        fitting.fit(line, x[:1], x[:1], start=start, absolute_sigma=False)
    with pytest.raises(ValueError, match="not finite"):
        fitting.fit(line, x, np.full(10, np.nan), start=start, absolute_sigma=False)
