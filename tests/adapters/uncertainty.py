"""Adapters of the propagation of uncertainty: the examples of the GUM through the library."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

import corephys as cp
from tests.adapters.registry import Inputs, adapter, table

_LINES = {
    "R": lambda voltage, current, phi: voltage / current * np.cos(phi),
    "X": lambda voltage, current, phi: voltage / current * np.sin(phi),
    "Z": lambda voltage, current, phi: voltage / current + 0.0 * phi,
}
_NAMES = ("voltage", "current", "phi")
_PAIRS = (("R", "X"), ("R", "Z"), ("X", "Z"))


def _gauge(g: Inputs) -> dict[str, Any]:
    """The end gauge of annex H.1; lengths in nm."""
    measured = cp.uncertainty.Measured
    return {
        name: measured(g[name], g[f"u_{name}"])
        for name in ("l_s", "d", "alpha", "theta", "delta_alpha", "delta_theta")
    }


def _length(l_s: Any, d: Any, alpha: Any, theta: Any, delta_alpha: Any, delta_theta: Any) -> Any:
    return l_s + d - l_s * (delta_alpha * theta + alpha * delta_theta)


@adapter("uncertainty.propagate", "corephys.uncertainty.draws.propagate")
def first_order(inputs: Inputs) -> float:
    return float(cp.uncertainty.propagate(_length, _gauge(inputs)).u_random)


@adapter("uncertainty.second_order", "corephys.uncertainty.draws.second_order")
def second_order(inputs: Inputs) -> float:
    return float(cp.uncertainty.second_order(_length, _gauge(inputs)))


@adapter(
    "uncertainty.effective_degrees_of_freedom",
    "corephys.uncertainty.measured.effective_degrees_of_freedom",
)
def degrees(inputs: Inputs) -> float:
    """Each input alone through the formula, then Welch and Satterthwaite."""
    gauge, measured = _gauge(inputs), cp.uncertainty.Measured
    parts = [
        cp.uncertainty.propagate(
            _length,
            {n: part if n == one else measured(part.values, 0.0) for n, part in gauge.items()},
        ).u_random
        for one in gauge
    ]
    known = {
        "l_s": "dof_l_s",
        "d": "dof_d",
        "delta_alpha": "dof_delta_alpha",
        "delta_theta": "dof_delta_theta",
    }
    nu = [inputs[known[name]] if name in known else np.inf for name in gauge]
    return cp.uncertainty.effective_degrees_of_freedom(parts, nu)


def _through(inputs: Mapping[str, Any]) -> dict[str, float]:
    found = {name: cp.uncertainty.propagate(line, inputs) for name, line in _LINES.items()}
    answer = {name: float(part.values) for name, part in found.items()}
    answer |= {
        f"u_{name}": float(cp.uncertainty.norm(part.effects)) for name, part in found.items()
    }
    answer |= {
        f"r_{a}{b}": float(cp.uncertainty.correlation(found[a], found[b])) for a, b in _PAIRS
    }
    return answer


@adapter("uncertainty.simultaneous", "corephys.uncertainty.measured.simultaneous")
def from_observations(inputs: Inputs) -> Mapping[str, float]:
    data = table(inputs["file"])
    columns = dict(zip(_NAMES, (data["V_volt"], data["I_ampere"], data["phi_rad"]), strict=True))
    means = cp.uncertainty.simultaneous(columns, "readings")
    return _through(means)


@adapter("uncertainty.correlated", "corephys.uncertainty.measured.correlated")
def from_summary(g: Inputs) -> Mapping[str, float]:
    letters = dict(zip(_NAMES, ("V", "I", "phi"), strict=True))
    r = np.eye(3)
    for i, j, key in ((0, 1, "r_VI"), (0, 2, "r_Vphi"), (1, 2, "r_Iphi")):
        r[i, j] = r[j, i] = g[key]
    given = cp.uncertainty.correlated(
        {n: g[x] for n, x in letters.items()},
        {n: g[f"u_{x}"] for n, x in letters.items()},
        r,
        "readings",
    )
    return _through(given)
