"""A fit without stated errors, depths that count upwards, and a model that is far better."""

from __future__ import annotations

import numpy as np
import pytest

import corephys as cp

Z = np.linspace(1.0, 800.0, 160)
DEPTH = cp.quantity(Z, "m")


def noisy(curve: np.ndarray, seed: int = 0) -> np.ndarray:
    return np.asarray(curve + np.random.default_rng(seed).normal(0.0, 0.01, curve.size))


def test_uncertainties_are_used_if_all_porosities_have_them() -> None:
    phi = noisy(0.7 * np.exp(-Z / 900.0))
    data = cp.compaction.fit(phi, DEPTH)
    assert data.data.sigma is None
    same = cp.compaction.fit(phi, DEPTH, absolute_sigma=False)
    assert data.values == same.values and data.table().equals(same.table())
    import pandas as pd

    table = pd.DataFrame({"depth [m]": Z, "porosity [1]": phi, "u": 0.012})
    given = cp.series_from_table(table, "porosity", uncertainty="u")
    weighted = cp.compaction.fit(given)
    assert weighted.values == cp.compaction.fit(given, absolute_sigma=True).values
    assert weighted.data.sigma is not None
    table.loc[7, "u"] = np.nan
    with pytest.raises(ValueError, match="159 of 160 usable porosities have a random uncertainty"):
        cp.compaction.fit(cp.series_from_table(table, "porosity", uncertainty="u"))


def test_depths_that_count_upwards_are_refused() -> None:
    phi = noisy(0.7 * np.exp(-Z / 900.0))
    for call in (cp.compaction.fit, cp.compaction.compare_models):
        with pytest.raises(ValueError, match="give them with the opposite sign"):
            call(phi, cp.quantity(-Z, "m"))


def test_a_fit_names_a_model_that_is_far_better() -> None:
    phi = noisy(0.2 + 0.55 * np.exp(-Z / 90.0))
    poor = cp.compaction.fit(phi, DEPTH)
    better = poor.better_model()
    assert better is not None and better[0] == "offset_exponential" and better[1] > 10.0
    assert "model='offset_exponential' fits it" in repr(poor) and "no rule" not in repr(poor)
    right = cp.compaction.fit(phi, DEPTH, model="offset_exponential")
    assert right.better_model() is None and "far better" not in repr(right)
    forced = cp.compaction.fit(phi, DEPTH, fixed={"surface_porosity": 0.7})
    assert forced.better_model() is None


@pytest.mark.slow
def test_the_right_model_is_rarely_called_worse() -> None:
    """Scatter of beds from an autoregressive sequence, which the fit does not assume."""
    rng = np.random.default_rng(5)
    called = 0
    for _ in range(200):
        noise = np.empty(Z.size)
        noise[0] = rng.normal()
        for i in range(1, Z.size):
            noise[i] = 0.6 * noise[i - 1] + 0.8 * rng.normal()
        phi = 0.7 * np.exp(-Z / 700.0) + 0.015 * noise
        called += cp.compaction.fit(phi, DEPTH).better_model() is not None
    assert called <= 4  # two in a hundred


def test_the_difference_is_that_of_the_residuals() -> None:
    """AICc from numpy alone, for a straight line against an exponential without correlation."""
    phi = noisy(0.2 + 0.55 * np.exp(-Z / 90.0), seed=3)
    line = np.polyval(np.polyfit(Z, phi, 1), Z)
    fit = cp.compaction.fit(phi, DEPTH, model="linear")
    better = fit.better_model()
    assert better is not None
    curve = cp.compaction.fit(phi, DEPTH, model=better[0])
    n = Z.size

    def aicc(residual: np.ndarray, k: int) -> float:
        deviance = n * np.log(float(residual @ residual) / n)
        return float(deviance + 2 * k + 2 * k * (k + 1) / (n - k - 1))

    own = phi - curve.model.curve(Z, *curve.values)
    residual = phi - line
    r = float(residual[1:] @ residual[:-1]) / float(residual @ residual)
    wanted = (aicc(residual, 3) - aicc(own, 4)) * (1.0 - r) / (1.0 + r)
    assert better[1] == pytest.approx(wanted, rel=0.05)
