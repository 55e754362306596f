"""Every public fit and calibration has a Dataset, a table, a plot and a card of one form."""

from __future__ import annotations

import dataclasses
import inspect
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import corephys as cp
from corephys.ground import fits, units

Q = units.quantity
RNG = np.random.default_rng(5)
ROOMS = ("corephys.sensors.", "corephys.samples.", "corephys.downhole.", "corephys.products.")
COLUMNS = ["parameter", "value", "unit", "u_random", "u_systematic"]

# Public classes of measurements and products that are not the result of a fit.
NOT_FITS = {
    "compaction.Model": "an equation with the names of its parameters",
    "compaction.ReferenceCurve": "a published curve of the table of curves",
    "elastic.Material": "moduli of a mineral or fluid from a table",
    "logs.LogError": "an error",
}


def _gamma(**given: Any) -> Any:
    thick = np.arange(7.0)
    x = 2.699 * thick + 0.998 * (6.6 - thick)
    counts = RNG.poisson(1e5 * np.exp(-0.0746 * x - 0.0002 * x**2))
    return cp.gamma.calibrate(Q(counts, "count"), "10 s", Q(thick, "cm"), "6.6 cm", **given)


def _gamma_in_time() -> Any:
    sets = {name: _gamma(order=2) for name in ("A", "B")}
    return cp.gamma.interpolate_calibrations(
        sets, Q(np.array([0.0, 100.0]), "s"), Q(np.arange(5.0) * 25.0, "s")
    )


def _dead_time() -> Any:
    thick = np.arange(7.0)
    rate = 4e5 * np.exp(-0.0746 * (2.699 * thick + 0.998 * (6.6 - thick)))
    counts = RNG.poisson(10.0 * rate / (1.0 + rate * 2e-6))
    return cp.gamma.dead_time_from_standards(Q(counts, "count"), "10 s", Q(thick, "cm"), "6.6 cm")


def _pwave(liner: str = "full", alike: bool = False, **given: Any) -> Any:
    length = np.array([40.0, 60.0, 66.0, 25.0, 50.0])
    medium = ["water", "water", "water", "steel", "steel"]
    walls = np.array([liner] * 5 if alike else [liner, liner, liner, "none", "none"])
    speed = np.array([1482.0] * 3 + [5900.0] * 2)
    time = 8.0 + 2.3 * (walls == "full") + 1e3 * length / speed + RNG.normal(0.0, 0.02, 5)
    return cp.pwave.calibrate(
        Q(length, "mm"),
        Q(time, "us"),
        temperature="20 degC",
        medium=medium,
        liner=walls,
        wall="2.6 mm",
        **given,
    )


def _velocity(**given: Any) -> Any:
    length = np.array([10.0, 20.0, 30.0, 40.0, 50.0])
    time = 4.2 + 1.01 * 1e3 * length / 2700.0 + RNG.normal(0.0, 0.03, 5)
    return cp.sample_velocity.calibrate(Q(length, "mm"), Q(time, "us"), **given)


def _resistivity(**given: Any) -> Any:
    sigma = np.array([0.5, 1.0, 2.0, 3.5, 5.0])
    response = 20.0 * sigma**0.9 * np.exp(RNG.normal(0.0, 0.01, 5)) + 3.0
    return cp.resistivity.calibrate(
        Q(response, "mV"), conductivity=Q(sigma, "S/m"), baseline="3 mV", **given
    )


def _air(**given: Any) -> Any:
    air, time = np.array([0.0, 600.0, 1200.0, 1800.0]), np.linspace(0.0, 90000.0, 31)
    return cp.resistivity.air_baseline(
        Q(air, "s"), Q(time, "s"), Q(np.array([3.0, 3.2, 3.1, 3.5]), "mV"), **given
    )


def _drift(**given: Any) -> Any:
    air, time = np.array([0.0, 600.0, 1200.0, 1800.0]), np.linspace(0.0, 90000.0, 31)
    return cp.susceptibility.drift_baseline(
        Q(time, "s"), Q(air, "s"), np.array([0.1, 0.3, 0.2, 0.6]), **given
    )


def _pores(u: float = np.nan, effect: float = np.nan) -> tuple[xr.Dataset, xr.Dataset]:
    phi = np.linspace(0.4, 0.8, 30)
    factor = 1.1 * phi**-2.1 * np.exp(RNG.normal(0.0, 0.03, 30))
    factor[11] *= 4.0  # far off the line
    made = []
    for name, values in (("formation_factor", factor), ("porosity", phi)):
        part = {name: ("reading", values, {"units": "1"})}
        part[f"{name}_u_random"] = ("reading", u * values, {"units": "1"})
        part[f"{name}_effects"] = (("source", "reading"), [effect * values], {"units": "1"})
        made.append(xr.Dataset(part, coords={"source": ["core_diameter"]}))
    return made[0], made[1]


def _surface(**given: Any) -> Any:
    phi, water = np.linspace(0.3, 0.8, 24), np.tile([0.2, 0.8, 2.0], 8)
    sigma = phi**2.0 / water + 0.05
    rho = np.exp(RNG.normal(0.0, 0.01, 24)) / sigma
    return cp.resistivity.surface_conduction_fit(
        Q(rho, "ohm m"), Q(water, "ohm m"), Q(phi, "1"), **given
    )


def _cell(repeats: int = 4, **given: Any) -> Any:
    voltage = 0.02 + 0.0002 * np.arange(repeats)
    return cp.resistivity.cell_constant(
        Q(voltage, "V"), Q(np.full(repeats, 0.005), "A"), "4.8 S/m", **given
    )


def _stripping() -> Any:
    seen = np.array([[3.0, 0.5, 0.2], [0.4, 2.0, 0.3], [0.1, 0.3, 1.5], [0.5, 0.5, 0.5]])
    content = np.array([[5.0, 0.1, 0.1], [0.1, 20.0, 0.2], [0.1, 0.3, 40.0], [2.0, 3.0, 10.0]])
    rate = 30.0 * seen @ content.T * 0.01 + 1.0
    counts = {f"w{i}": Q(RNG.poisson(1e3 * row), "count") for i, row in enumerate(rate)}
    return cp.natural_gamma.calibrate(
        counts,
        Q(np.full(4, 1e3), "s"),
        mass=Q(np.full(4, 30.0), "g/cm"),
        potassium=Q(content[:, 0], "%"),
        uranium=Q(content[:, 1], "mg/kg"),
        thorium=Q(content[:, 2], "mg/kg"),
        background_counts=dict.fromkeys(counts, "1000 count"),
        background_time="1000 s",
    )


def _spring(**given: Any) -> Any:
    turn = np.array([10.0, 30.0, 60.0, 90.0])
    torque = 0.02 + 0.011 * turn + RNG.normal(0.0, 0.005, 4)
    return cp.strength.calibrate_spring(Q(turn, "degree"), Q(torque, "N m"), **given)


def _sediment(u: float = 0.01) -> xr.Dataset:
    z = np.linspace(5.0, 400.0, 50)
    phi = 0.72 * np.exp(-z / 900.0) + RNG.normal(0.0, 0.01, 50)
    flag = np.where(np.arange(50) % 12 == 5, 4, 1).astype(np.int8)
    phi[flag == 4] = 0.95
    return xr.Dataset(
        {
            "porosity": ("reading", phi, {"units": "1"}),
            "porosity_u_random": ("reading", np.full(50, u), {"units": "1"}),
            "porosity_flag": ("reading", flag),
        },
        coords={"depth": ("reading", z, {"units": "m"})},
    )


def _load(data: xr.Dataset) -> xr.Dataset:
    stress = data["depth"].values * 7.0
    return xr.Dataset(
        {"vertical_effective_stress": ("reading", stress, {"units": "kPa"})}, coords=data.coords
    )


def _compaction(model: str = "exponential", **given: Any) -> Any:
    data = _sediment()
    return cp.compaction.fit(data, stress=_load(data), model=model, **given)


def _reference(model: str = "logarithmic") -> Any:
    data = _sediment()
    return cp.stress.fit_reference(data, _load(data), model=model)


LAYERS = {"mud": ("0 m", "200 m"), "ooze": ("200 m", "500 m")}
EXAMPLES: dict[str, dict[str, Callable[[], Any]]] = {
    "gamma.Calibration": {
        "standards": lambda: _gamma(dead_time_uncertainty="1 us"),
        "without uncertainties": lambda: _gamma(),
        "sets": _gamma_in_time,
        "nominal": cp.gamma.Calibration.nominal,
    },
    "gamma.DeadTime": {"standards": _dead_time},
    "pwave.Calibration": {
        "standards": _pwave,
        "wall": lambda: _pwave(alike=True, liner_velocity_uncertainty="100 m/s"),
        "wall, uncertainty unknown": lambda: _pwave(alike=True, liner_velocity="2700 m/s"),
        "given": lambda: cp.pwave.Calibration(7.1, 2.2, np.full((2, 2), np.nan)),
    },
    "resistivity.Calibration": {
        "scatter": _resistivity,
        "uncertainty": lambda: _resistivity(response_uncertainty="0.2 mV"),
    },
    "resistivity.Baseline": {
        "readings in air": lambda: _air(response_uncertainty="0.05 mV"),
        "uncertainty unknown": _air,
    },
    "resistivity.Archie": {
        "known": lambda: cp.resistivity.archie_fit(*_pores(0.03, 0.01))["all"],
        "scatter": lambda: cp.resistivity.archie_fit(*_pores())["all"],
        "given": lambda: cp.resistivity.Archie(1.0, 2.0, np.full((2, 2), np.nan)),
    },
    "resistivity.SurfaceConduction": {
        "scatter": _surface,
        "known": lambda: _surface(
            resistivity_uncertainty=Q(np.full(24, 0.02), "ohm m"),
            porosity_uncertainty=Q(np.full(24, 0.01), "1"),
        ),
    },
    "resistivity.CellConstant": {
        "repeats": lambda: _cell(conductivity_uncertainty="0.02 S/m"),
        "one reading, uncertainty unknown": lambda: _cell(1),
        "geometry": lambda: cp.resistivity.wenner_constant(
            "5 mm", spacing_uncertainty="0.1 mm", geometry_factor_uncertainty=0.01
        ),
    },
    "susceptibility.Baseline": {
        "readings in air": _drift,
        "one reading in air": lambda: cp.susceptibility.drift_baseline(
            Q(np.arange(5.0), "s"), Q(np.array([2.0]), "s"), np.array([0.1])
        ),
    },
    "natural_gamma.Stripping": {"standards": _stripping},
    "sample_velocity.Calibration": {
        "velocity known": lambda: _velocity(velocity="2700 m/s", velocity_uncertainty="5 m/s"),
        "velocity fitted": _velocity,
        "uncertainty unknown": lambda: _velocity(velocity="2700 m/s"),
    },
    "strength.Spring": {
        "scatter": _spring,
        "uncertainty": lambda: _spring(torque_uncertainty="0.005 N m"),
        "given": lambda: cp.strength.Spring(0.011),
    },
    "stress.CompactionReference": {
        "logarithmic": _reference,
        "exponential": lambda: _reference("exponential"),
        "indices": lambda: cp.stress.reference_of_indices(void_ratio=2.0, compression_index=0.5),
    },
    "compaction.CompactionFit": {
        "depth": lambda: _compaction(absolute_sigma=True),
        "scatter": lambda: _compaction("linear", absolute_sigma=False),
        "stress": lambda: _compaction("void_ratio_in_log_stress", absolute_sigma=True),
        "forced": lambda: _compaction(absolute_sigma=True, fixed={"surface_porosity": 0.7}),
    },
    "compaction.LayerFits": {
        "layers": lambda: cp.compaction.fit_by_layer(_sediment(), LAYERS, absolute_sigma=True)
    },
    "compaction.Comparison": {
        "models": lambda: cp.compaction.compare_models(
            _sediment(), models=("exponential", "linear", "power"), absolute_sigma=True
        )
    },
}
CASES = [(name, case) for name, cases in EXAMPLES.items() for case in cases]


@pytest.fixture(scope="module")
def made() -> Callable[[str, str], Any]:
    held: dict[tuple[str, str], Any] = {}

    def get(name: str, case: str) -> Any:
        if (name, case) not in held:
            held[name, case] = EXAMPLES[name][case]()
        return held[name, case]

    return get


def public_classes() -> dict[str, type]:
    """Classes of measurements and products that users reach, by ``module.Class`` after ``cp.``."""
    found: dict[str, type] = {}
    for name in cp.__all__:
        module = getattr(cp, name)
        if inspect.ismodule(module) and module.__name__.startswith(ROOMS):
            for entry in module.__all__:
                if inspect.isclass(getattr(module, entry)):
                    found[f"{name}.{entry}"] = getattr(module, entry)
    return found


def test_every_public_class_is_a_fit_or_listed_with_a_reason() -> None:
    classes = public_classes()
    unplaced = {
        name
        for name, one in classes.items()
        if not issubclass(one, fits.FitResult) and name not in NOT_FITS
    }
    assert not unplaced, "derive from FitResult, or give a reason in NOT_FITS"
    assert set(NOT_FITS) <= set(classes)
    assert {n for n, one in classes.items() if issubclass(one, fits.FitResult)} == set(EXAMPLES)


def test_a_class_without_the_three_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    class Planted:
        """A calibration of its own form."""

    monkeypatch.setattr(cp.strength, "Spring", Planted)
    with pytest.raises(AssertionError, match="derive from FitResult"):
        test_every_public_class_is_a_fit_or_listed_with_a_reason()


@pytest.mark.parametrize(("name", "case"), CASES)
def test_table_holds_the_numbers_of_the_dataset(name: str, case: str, made: Any) -> None:
    fit = made(name, case)
    data, table = fit.dataset, fit.table()
    assert isinstance(data, xr.Dataset) and isinstance(table, pd.DataFrame) and len(table)
    if name == "compaction.Comparison":  # a comparison has one row a model
        assert list(table.index) == list(fit.fits)
        assert list(table["aicc"]) == [one.found.aicc for one in fit.fits.values()]
        return
    assert [c for c in table if c in COLUMNS] == COLUMNS
    assert data.attrs["constants"] and (name == "compaction.LayerFits" or data.attrs["steps"])
    json.loads(data.attrs["constants"])
    for key, rows in table.groupby("parameter"):
        for column, variable in (
            ("value", key),
            ("u_random", f"{key}_u_random"),
            ("u_systematic", f"{key}_u_systematic"),
        ):
            np.testing.assert_array_equal(rows[column], np.ravel(data[variable].values))
        assert set(rows["unit"]) == {units.canonical(data[key].attrs["units"])}
        if f"{key}_effects" in data and "source" in data[f"{key}_effects"].dims:
            whole = np.sqrt((data[f"{key}_effects"] ** 2).sum("source", skipna=False))
            np.testing.assert_allclose(np.ravel(whole), rows["u_systematic"], rtol=1e-12)


def _numbers(fit: Any) -> dict[str, float]:
    """Values and uncertainties of the attributes, by parameter."""
    if isinstance(fit, cp.gamma.Calibration | cp.resistivity.Calibration):
        return {f"c{i}": fit.coefficients[i] for i in range(len(fit.covariance))}
    if isinstance(fit, cp.gamma.DeadTime):
        return {"dead_time": fit.value}
    if isinstance(fit, cp.resistivity.CellConstant):
        return {"cell_constant": fit.value}
    if isinstance(fit, cp.stress.CompactionReference):
        return dict(zip(fit.table()["parameter"], (fit.first, fit.second), strict=True))
    if isinstance(fit, cp.compaction.CompactionFit):
        return dict(fit.found.values)
    names = [f.name for f in dataclasses.fields(fit)]
    return {p: getattr(fit, p) for p in dict.fromkeys(fit.table()["parameter"]) if p in names}


@pytest.mark.parametrize(
    ("name", "case"), [(n, c) for n, c in CASES if n != "compaction.Comparison" and c != "sets"]
)
def test_table_holds_the_numbers_of_the_attributes(name: str, case: str, made: Any) -> None:
    fit = made(name, case)
    table = fit.table()
    one = table.drop_duplicates("parameter", keep=False).set_index("parameter")
    for key, value in _numbers(fit).items():
        if np.ndim(value) == 0:
            assert one.loc[key, "value"] == value or value != value
            if hasattr(fit, f"{key}_uncertainty"):
                parts = one.loc[key, ["u_random", "u_systematic"]].astype(float)
                known = float(np.hypot(*parts.fillna(0.0)))
                u = float(getattr(fit, f"{key}_uncertainty"))
                assert known == pytest.approx(u, rel=1e-9, abs=1e-12) or (
                    u != u and parts.isna().any()
                )
    if isinstance(fit, cp.resistivity.Baseline | cp.susceptibility.Baseline):
        rows = table[table["parameter"].str.startswith("air")]
        np.testing.assert_array_equal(rows["value"], np.ravel(fit.values))
        np.testing.assert_array_equal(rows["u_random"], np.ravel(fit.uncertainty))
    if isinstance(fit, cp.natural_gamma.Stripping):
        for i, element in enumerate(("potassium", "uranium", "thorium")):
            rows = table[table["parameter"] == f"sensitivity_{element}"]
            np.testing.assert_array_equal(rows["value"], fit.sensitivity[:, i])
            np.testing.assert_array_equal(rows["u_random"], np.sqrt(fit.covariance[:, i, i]))
    if isinstance(fit, cp.compaction.LayerFits):
        for layer, part in fit.fits.items():
            rows = table[table["layer"] == layer].set_index("parameter")
            assert rows["value"].to_dict() == part.found.values
            assert rows["u_random"].to_dict() == part.found.errors


@pytest.mark.parametrize(("name", "case"), CASES)
def test_plot_draws_data_and_curve_with_labels(name: str, case: str, made: Any) -> None:
    from matplotlib import pyplot
    from matplotlib.axes import Axes

    _, given = pyplot.subplots()
    try:
        fit = made(name, case)
        ax = fit.plot(given)
        assert ax is given and isinstance(fit.plot(), Axes)
        assert ax.get_xlabel() and ax.get_ylabel()
        points = [line for line in ax.lines if line.get_marker() in ("o", "x")]
        drawn = sum(np.isfinite(line.get_ydata()).sum() for line in points)
        assert drawn > 0 or case in ("nominal", "given", "geometry", "indices")
        assert any(len(line.get_xdata()) > 1 and line.get_linestyle() == "-" for line in ax.lines)
        ax.figure.canvas.draw()
    finally:
        pyplot.close("all")


@pytest.mark.parametrize(
    ("name", "case"),
    [
        ("resistivity.Archie", "known"),
        ("compaction.CompactionFit", "depth"),
        ("resistivity.Baseline", "readings in air"),
        ("stress.CompactionReference", "logarithmic"),
    ],
)
def test_data_that_were_left_out_are_open_symbols(name: str, case: str, made: Any) -> None:
    from matplotlib import pyplot

    ax = made(name, case).plot()
    held = [line for line in ax.lines if line.get_marker() == "o"]
    opened = [line for line in held if line.get_markerfacecolor() == "none"]
    assert sum(len(line.get_xdata()) for line in opened) >= 1 and len(opened) < len(held)
    pyplot.close("all")


@pytest.mark.parametrize(("name", "case"), CASES)
def test_card_shows_every_parameter(name: str, case: str, made: Any) -> None:
    card = made(name, case).card()
    assert card.title and card.rows and "<" in card._repr_html_()
    assert cp.overview(made(name, case)) == card


@pytest.mark.parametrize(
    ("name", "case"),
    [("stress.CompactionReference", "logarithmic"), ("gamma.DeadTime", "standards")],
)
def test_a_caution_stands_on_result_table_picture_and_card(name: str, case: str, made: Any) -> None:
    from matplotlib import pyplot

    fit = made(name, case)
    caution = fit.dataset.attrs["safety"]
    assert caution.startswith("Research estimate") and caution in fit.card().warnings
    assert fit.table().attrs["safety"] == caution
    assert fit.plot().get_title("left").replace("\n", " ") == caution
    pyplot.close("all")


def test_errors_that_calibration_and_readings_share_have_their_sources(made: Any) -> None:
    gamma = made("gamma.Calibration", "standards").dataset
    assert {"dead_time", "aluminium_density"} <= set(gamma["source"].values)
    assert np.isnan(gamma["c1_effects"].sel(source="background_rate"))
    wall = made("pwave.Calibration", "wall")
    shifts = wall.dataset["delay_effects"].item(), wall.dataset["liner_delay_effects"].item()
    # All standards have two walls: what the walls take longer, the electronics take less.
    assert shifts[1] == pytest.approx(wall.liner_delay_uncertainty, rel=1e-9)
    assert shifts[0] == pytest.approx(-shifts[1], rel=1e-9)
