"""Written files are whole: after a kill in the middle, on a full disk, by two runs at once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import xarray as xr

import corephys as cp

SAVE_FOR_EVER = """
import sys
import numpy as np, xarray as xr
import corephys as cp
number = 0
while True:
    number += 1
    values = np.full(200_000, float(number))
    tree = xr.DataTree.from_dict({"/scan/gamma": xr.Dataset({"counts": ("reading", values)})})
    cp.save(tree, sys.argv[1])
    print(number, flush=True)
"""
RUN = [sys.executable, "-c"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.getcwd()}


def numbers_in(path):
    return np.unique(cp.load(path)["scan/gamma"]["counts"].values)


def started(code, *arguments):
    process = subprocess.Popen(
        [*RUN, code, *map(str, arguments)], stdout=subprocess.PIPE, env=ENVIRONMENT, text=True
    )
    assert process.stdout.readline().strip() == "1"
    return process


@pytest.mark.slow
def test_a_kill_in_the_middle_of_a_save_leaves_a_whole_file(tmp_path):
    path = tmp_path / "x.nc"
    rng = random.Random(3)
    for _ in range(4):
        process = started(SAVE_FOR_EVER, path)
        time.sleep(rng.uniform(0.02, 0.4))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        assert numbers_in(path).size == 1  # one save, from its first value to its last


def test_two_runs_that_write_to_one_file_leave_that_of_one(tmp_path):
    path = tmp_path / "x.nc"
    processes = [started(SAVE_FOR_EVER, path) for _ in range(2)]
    for _ in range(10):
        assert numbers_in(path).size == 1
        time.sleep(0.05)
    for process in processes:
        process.kill()
        process.wait()
        process.stdout.close()
    assert numbers_in(path).size == 1


FULL = """
import resource, sys
import numpy as np, xarray as xr
import corephys as cp
def tree(value, size):
    values = np.random.default_rng(0).normal(size=size) + value
    return xr.DataTree.from_dict({"/scan/gamma": xr.Dataset({"counts": ("reading", values)})})
cp.save(tree(0.0, 1000), sys.argv[1])
before = open(sys.argv[1], "rb").read()
import signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
try:
    cp.save(tree(1.0, 200_000), sys.argv[1])
except (OSError, RuntimeError) as error:
    print("refused", type(error).__name__)
else:
    print("saved")
assert open(sys.argv[1], "rb").read() == before, "the old file is gone"
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_disk_that_runs_full_leaves_the_old_file(tmp_path):
    done = subprocess.run(
        [*RUN, FULL, str(tmp_path / "x.nc")], capture_output=True, text=True, env=ENVIRONMENT,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("refused")
    assert [p.name for p in tmp_path.iterdir()] == ["x.nc"]


def test_a_folder_that_cannot_be_written_is_said(tmp_path):
    tree = xr.DataTree.from_dict({"/a": xr.Dataset({"x": ("reading", [1.0])})})
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(OSError, match="file"):
        cp.save(tree, tmp_path / "file" / "x.nc")
    with pytest.raises(FileNotFoundError):
        cp.save(tree, tmp_path / "nowhere" / "x.nc")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes anywhere")
def test_a_read_only_folder_is_refused(tmp_path):
    tree = xr.DataTree.from_dict({"/a": xr.Dataset({"x": ("reading", [1.0])})})
    tmp_path.chmod(0o500)
    with pytest.raises(PermissionError):
        cp.save(tree, tmp_path / "x.nc")
    tmp_path.chmod(0o700)
