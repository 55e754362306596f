"""The demo site as a folder: read, reduced, tied, put in sequence and written again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import corephys as cp
from data_demo.site import HERE, STEP, simulate_site, write_site

NAMES = ("bulk_density", "magnetic_susceptibility")
HOMES = {
    "bulk_density": "properties/density",
    "magnetic_susceptibility": "properties/susceptibility",
}


@pytest.fixture(scope="module")
def site():
    return cp.composite.read_site(HERE / "site")


@pytest.fixture(scope="module")
def properties(site):
    reduced = {
        hole: cp.reduce(tree, {"quality": {"evaluate": False}}) for hole, tree in site.holes.items()
    }
    return {
        hole: {name: tree[HOMES[name]].to_dataset() for name in NAMES}
        for hole, tree in reduced.items()
    }


@pytest.fixture(scope="module")
def shifts(site, properties):
    ties = cp.composite.suggest(properties, site.cores, spacing="5 cm")
    for name in list(ties["tie"]):
        ties = cp.composite.change(ties, name, state="accepted", note="two properties agree")
    return cp.composite.shifts(ties, site.cores, reference="A"), ties


def test_the_written_site_is_the_simulated_one(tmp_path):
    write_site(tmp_path)
    for path in sorted((HERE / "site").rglob("*.*")):
        assert (tmp_path / path.relative_to(HERE / "site")).read_bytes() == path.read_bytes()


def test_known_shifts_are_recovered_to_one_sample(shifts):
    found, _ = shifts
    truth = pd.read_csv(HERE / "site" / "truth" / "shifts.csv", dtype={"core": str})
    true = {(r.hole, r.core): r[2] for r in truth.itertuples(index=False)}
    miss = [
        float(s) - true[(h, c)]
        for h, c, s in zip(found.hole.values, found.core.values, found["shift"].values, strict=True)
    ]
    assert set(found["tied"].values) == {"datum", "tied"}
    assert np.abs(miss).max() < STEP


def test_the_sequence_of_the_site_is_whole(site, shifts, properties):
    found, _ = shifts
    sections = {
        hole: cp.depth.section_tops(sections=tree["sections"], cores=tree["cores"])
        for hole, tree in site.holes.items()
    }
    table = cp.composite.suggest_sequence(sections, found)
    sequence = cp.composite.checked_sequence(table, found)
    assert (sequence["joint_gap"].values == 0.0).all()
    taken = cp.composite.take(
        sequence, {hole: held["bulk_density"] for hole, held in properties.items()}, found
    )
    assert np.diff(taken["depth_composite"].values).max() < 2.5 * STEP
    growth = cp.composite.growth_factor(found)
    # 0.3 to 1.1 m a core of 9.0 m
    assert float(growth["growth_factor"]) == pytest.approx(1.0 + 0.7 / 9.0, abs=0.02)


def test_ties_and_site_go_through_files(tmp_path, shifts, site):
    _, ties = shifts
    write_site(tmp_path)
    cp.composite.write_ties(ties, tmp_path / "ties.csv")
    again = cp.composite.read_site(tmp_path)
    assert again.ties["tie"].tolist() == ties["tie"].tolist()
    np.testing.assert_allclose(again.ties["depth"], ties["depth"].astype(float), rtol=1e-9)
    assert (again.ties["note"] == ties["note"]).all()
    assert again.settings["site"]["reference"] == "A"
    a, b = (cp.composite.shifts(t, site.cores, reference="A") for t in (ties, again.ties))
    np.testing.assert_allclose(a["shift"].values, b["shift"].values, atol=1e-8)


def test_faults_of_all_holes_are_listed_with_their_hole(tmp_path):
    write_site(tmp_path)
    for hole in ("A", "C"):
        path = tmp_path / hole / "sections.csv"
        path.write_text(path.read_text().replace("length [m]", "length"))
    with pytest.raises(cp.HoleError) as error:
        cp.composite.read_site(tmp_path)
    assert {p.file.split("/")[0] for p in error.value.problems} == {"A", "C"}
    with pytest.raises(cp.HoleError, match="no hole folder is there"):
        cp.composite.read_site(tmp_path / "truth")
    with pytest.raises(FileNotFoundError):
        cp.composite.read_site(tmp_path / "nowhere")


def test_ties_without_units_are_refused(tmp_path):
    path = tmp_path / "ties.csv"
    path.write_text("hole,core,depth,to_hole,to_core,to_depth [m]\nA,1,1,B,1,1\n")
    with pytest.raises(cp.composite.TieError, match="'depth' has no unit"):
        cp.composite.read_ties(path)


def test_other_seeds_are_recovered_too():
    for seed in (101, 102):
        holes, truth = simulate_site(seed)
        trees = {hole: cp.hole_from_tables(*held) for hole, held in holes.items()}
        series = {
            hole: {
                name: cp.reduce(tree, {"quality": {"evaluate": False}})[HOMES[name]].to_dataset()
                for name in NAMES
            }
            for hole, tree in trees.items()
        }
        cores = {hole: tree["cores"].to_dataset() for hole, tree in trees.items()}
        ties = cp.composite.suggest(series, cores, spacing="5 cm")
        found = cp.composite.shifts(ties, cores, reference="A", use=("suggested",))
        true = {(r.hole, r.core): r[2] for r in truth.itertuples(index=False)}
        for tie in ties.itertuples():
            between = true[(tie.to_hole, tie.to_core)] - true[(tie.hole, tie.core)]
            assert abs(tie.depth - tie.to_depth - between) < STEP  # each tie, to one sample
        # Errors of ties add up from core to core down the site.
        miss = found["shift"].values - truth["shift [m]"].values
        tied = np.isin(found["tied"].values.astype(str), ("datum", "tied"))
        assert tied.mean() > 0.9 and np.abs(miss[tied]).max() < 2 * STEP
