"""A series from columns of a table: units, missing cells, and refusals that name the cure."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import corephys as cp

Z = [3.0, 10.0, 22.0, 35.0]
TABLE = pd.DataFrame({"z [m]": Z, "porosity [%]": [70.0, 68.0, 66.5, 65.0]})


def read(table: Any = TABLE, **words: Any) -> Any:
    return cp.series_from_table(table, "porosity", **{"depth": "z", **words})


def test_units_of_the_header_and_of_the_argument_give_the_same() -> None:
    one = read()
    bare = TABLE.rename(columns={"z [m]": "z", "porosity [%]": "phi"})
    for other in (
        read(bare, values="phi", unit="%", depth_unit="m"),
        read(
            bare.assign(phi=bare["phi"] / 100, z=bare["z"] * 100),
            values="phi", unit="1", depth_unit="cm",
        ),
        read(TABLE.astype(str)),
    ):  # fmt: skip
        np.testing.assert_allclose(other["porosity"], one["porosity"], rtol=1e-14)
        np.testing.assert_allclose(other["depth"], Z, rtol=1e-14)
    assert one["porosity"].attrs["units"] == "1" and one["depth"].attrs["units"] == "m"
    assert (one["porosity_flag"] == 2).all()
    assert one["porosity_u_random"].isnull().all() and one["porosity_u_systematic"].isnull().all()


def test_all_rows_stay_and_doubtful_ones_are_flagged() -> None:
    table = pd.DataFrame(
        {"z [m]": [1.0, -0.5, 5.0, np.nan], "porosity [%]": ["70", "68", "n/a", "140"]}
    )
    data = read(table)
    assert data.sizes["reading"] == 4
    assert list(data["porosity_flag"].values) == [2, 4, 9, 4]
    reasons = [set(cp.flags.names(int(mask))) for mask in data["porosity_reason"].values]
    assert "above_seafloor" in reasons[1] and "missing_value" in reasons[2]
    assert {"bad_cell", "impossible_value"} <= reasons[3]


def test_uncertainties_are_in_the_unit_of_the_values() -> None:
    data = read(TABLE.assign(sd=[1.0, 2.0, np.nan, 1.0]), uncertainty="sd")
    np.testing.assert_allclose(data["porosity_u_random"], [0.01, 0.02, np.nan, 0.01])
    with pytest.raises(ValueError, match="1 uncertainties in the column 'sd' are zero or negative"):
        read(TABLE.assign(sd=[1.0, 0.0, 1.0, 1.0]), uncertainty="sd")
    temperature = pd.DataFrame({"z [m]": Z, "T [degC]": [2.0, 2.5, 3.0, 3.5], "u": [0.1] * 4})
    warm = cp.series_from_table(
        temperature, "equilibrium_temperature", values="T", depth="z", uncertainty="u"
    )
    np.testing.assert_allclose(warm["equilibrium_temperature_u_random"], 0.1)


@pytest.mark.parametrize(
    ("table", "words", "cure"),
    [
        (TABLE, {"values": "phi"}, r"give one of 'z \[m\]', 'porosity \[%\]'"),
        (TABLE.rename(columns={"z [m]": "z"}), {}, 'write depth_unit="m"'),
        (TABLE.rename(columns={"porosity [%]": "porosity"}), {}, 'write unit="%"'),
        (TABLE.rename(columns={"porosity [%]": "porosity [1]"}), {}, 'write unit="%"'),
        (TABLE.rename(columns={"porosity [%]": "porosity [g]"}), {}, "different dimensions"),
        (TABLE, {"unit": "1"}, "leave one of them out"),
        (TABLE.assign(**{"porosity [%]": [0.7, 0.68, 0.66, 0.65]}), {}, 'write unit="1"'),
        (TABLE.assign(**{"z [m]": [-z for z in Z]}), {}, "Change the sign of the column"),
        (TABLE.assign(**{"porosity [%]": ["70,1", "68,0", "66,5", "65"]}), {}, "decimal=','"),
    ],
)
def test_usual_stumbles_are_refused_with_the_cure(table: Any, words: Any, cure: str) -> None:
    with pytest.raises(ValueError, match=cure):
        read(table, **words)


def test_a_file_with_semicolons_is_refused_with_the_cure(tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    TABLE.to_csv(path, index=False)
    assert read(path).sizes["reading"] == 4
    TABLE.to_csv(path, index=False, sep=";")
    with pytest.raises(ValueError, match=r"sep=';'"):
        read(path)


def test_a_column_of_a_table_is_taken_where_no_unit_is_needed() -> None:
    depth = cp.quantity(np.linspace(1.0, 90.0, 30), "m")
    phi = 0.7 * np.exp(-np.linspace(1.0, 90.0, 30) / 300.0)
    fits = [cp.compaction.fit(values, depth).values for values in (phi, pd.Series(phi))]
    assert fits[0] == fits[1]
    with pytest.raises(cp.UnitError, match="series_from_table reads columns"):
        cp.compaction.fit(phi, pd.Series(np.linspace(1.0, 90.0, 30)))  # type: ignore[arg-type]
