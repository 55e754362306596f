"""A few hundred faulty folders; ``python -m tests.fuzz.run`` makes as many as wanted."""

from __future__ import annotations

import pytest

import corephys as cp
from tests.fuzz.folders import MUTATIONS, mutate, mutate_log, sound, write
from tests.fuzz.run import one, one_log, outcome, rows_of

# Nearly every test of this file reduces a whole hole.
pytestmark = pytest.mark.slow


def test_the_folder_is_sound_to_begin_with():
    files = sound()
    assert outcome(files) == "reduced"
    assert rows_of(files["scan/gamma.csv"]) + rows_of(files["scan/pwave.csv"]) == 60


@pytest.mark.parametrize("block", range(10))
def test_every_outcome_is_a_result_or_a_list_of_problems(block):
    found = [
        (seed, *mutate(seed)[1:], outcome(mutate(seed)[0]))
        for seed in range(block * 30, block * 30 + 30)
    ]
    faults = [(seed, done, word) for seed, done, word in found if word.startswith("FAULT")]
    assert not faults, faults[0]
    assert {word for _, _, word in found} >= {"refused", "reduced"}


@pytest.mark.parametrize("seed", [1650, 2592, 2717, 80, 57, 263])
def test_folders_that_once_broke_something(seed):
    assert not outcome(mutate(seed)[0]).startswith("FAULT")


def test_a_log_without_a_fault_is_read_and_compared(tmp_path):
    files, done = mutate_log(0)
    assert not done and outcome(files) == "reduced"
    result = cp.reduce(cp.read_hole(write(tmp_path, files)))
    assert result["properties/log_run"].sizes["reading"] == 70
    assert "log_comparison_bulk_density" in result["products"].children


@pytest.mark.parametrize("block", range(3))
def test_a_faulty_log_never_stops_the_hole(block):
    found = [one_log(seed) for seed in range(1 + block * 20, 21 + block * 20)]
    faults = [one for one in found if one[2].startswith("FAULT")]
    assert not faults, faults[0]


def test_the_faults_are_all_made():
    done = {fault.split()[0] for seed in range(400) for fault in mutate(seed)[1]}
    assert done == set(MUTATIONS)


def test_a_run_finds_a_planted_loss_of_rows(monkeypatch):
    """The check itself: a reader that drops a row must be caught."""
    real = cp.read_hole

    def careless(folder):
        tree = real(folder)
        tree["scan/gamma"] = tree["scan/gamma"].to_dataset().isel(reading=slice(1, None))
        return tree

    monkeypatch.setattr(cp, "read_hole", careless)
    assert outcome(sound()).startswith("FAULT: scan/gamma.csv holds 36 rows, 35 were read")


# What the words name: the folder is refused, or the stage that reads the faulty table is left out.
FOUND = {
    500626: "P-wave calibration: standards/pwave.csv has no column 'temperature [degC]'",
    503793: "refused",
    500964: "P-wave calibration: a standard of water has no temperature",
    503079: "P-wave calibration: standards/pwave.csv has no column 'temperature [degC]'",
    503201: "P-wave calibration: standards/pwave.csv has no column 'temperature [degC]'",
    505568: "P-wave calibration: standards/pwave.csv has no column 'temperature [degC]'",
    506977: "P-wave calibration: standards/pwave.csv has no column 'temperature [degC]'",
    511829: "refused",
    507158: "P-wave calibration: a standard of water has no temperature",
    500089: "gamma calibration: standard",
}


@pytest.mark.parametrize("seed", FOUND)
def test_faults_that_a_long_run_found_are_named_in_words(seed):
    _, done, word = one(seed)
    assert word.removeprefix("left out: ").startswith(FOUND[seed]), (done, word)
