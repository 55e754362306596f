"""Make the kernels wrong, one place at a time, and count what their tests notice.

Run ``python -m tests.mutation [kernels]`` where the extra ``mutation`` is installed. mutmut makes
the mutants and forks a process with everything imported for each; this only hands it a copy of
the project, one kernel at a time with the tests that concern it, and sums up.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("corephys", "tests", "data_demo", "pyproject.toml")
# Beside tests/test_numerics_<kernel>.py: the files whose tests hold a kernel directly.
TESTS = {
    "arrival": ("test_numerics_arrival_bounds",),
    "correlated": (),
    "cylinder": ("test_numerics",),
    "exponential": (),
    "exponential_batch": ("test_numerics_exponential",),
    "information": ("test_numerics_limits",),
    "line": ("test_numerics",),
    "line_batch": ("test_numerics_limits",),
    "masked_correlation": (),
    "polynomial": ("test_numerics", "test_numerics_limits"),
    "rolling": ("test_numerics",),
    "window_regression": ("test_numerics",),
    "yield_point": (),
}
# Right but long: they would run once a mutant, and quicker ones beside them see as much.
LEFT_OUT = "not ten_digits and not long_window and not correlated_errors_in_x_are_covered"
# A mutant that does not end was noticed; one that no test reaches was not.
NOTICED = ("killed", "timeout", "segfault")

# A forked process would take from its parent what the kernel as it is had worked out.
FORGET = """

def pytest_runtest_setup(item):
    import sys

    for name, module in list(sys.modules.items()):
        if name.startswith("corephys.numerics."):
            for value in list(vars(module).values()):
                if hasattr(value, "cache_clear"):
                    value.cache_clear()
"""


def settings(kernel: str) -> str:
    """What mutmut is told of one kernel, as a table of TOML."""
    files = {f"test_numerics_{kernel}", *TESTS[kernel]}
    paths = [f"tests/{name}.py" for name in sorted(files)]
    found = [path for path in paths if (ROOT / path).is_file()]
    arguments = ["-p", "no:cacheprovider", "--hypothesis-seed=0", "-k", LEFT_OUT]
    return "\n".join([
        "", "[tool.mutmut]", 'source_paths = ["corephys"]',
        f'only_mutate = ["corephys/numerics/{kernel}.py"]', 'also_copy = ["data_demo"]',
        f"pytest_add_cli_args = {json.dumps(arguments)}",
        f"pytest_add_cli_args_test_selection = {json.dumps(found)}",
        # The words of errors, and what only type checkers read.
        'do_not_mutate_patterns = ["raise ValueError", "raise RuntimeError", "f\\"", "assert "]',
        "timeout_multiplier = 4.0", "timeout_constant = 2.0", "",
    ])  # fmt: skip


def measure(kernel: str, folder: Path) -> dict[str, str]:
    """Outcome of every mutant of one kernel, worked out in a copy of the project."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            ignored = shutil.ignore_patterns("__pycache__", ".*")
            shutil.copytree(source, folder / name, ignore=ignored)
        else:
            shutil.copy(source, folder / name)
    with (folder / "pyproject.toml").open("a") as file:
        file.write(settings(kernel))
    with (folder / "tests" / "conftest.py").open("a") as file:
        file.write(FORGET)
    done = _mutmut(folder, "run", "--max-children", "1")
    states = dict(
        line.strip().split(": ", 1)
        for line in _mutmut(folder, "results", "--all", "true").stdout.splitlines()
        if line.strip().startswith(f"corephys.numerics.{kernel}.")
    )
    if done.returncode or not states or "not checked" in states.values():
        raise RuntimeError(f"mutmut stopped on {kernel}:\n{done.stdout[-3000:]}\n{done.stderr}")
    return states


def _mutmut(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mutmut", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def differences(mutant: str, folder: Path) -> Iterator[str]:
    """Lines of a mutant that are not those of the kernel."""
    for line in _mutmut(folder, "show", mutant).stdout.splitlines():
        if line[:1] in "+-" and line[:3] not in ("+++", "---"):
            yield line


def main() -> None:
    """Print one row a kernel, then every mutant that lived."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("kernels", nargs="*", default=sorted(TESTS), help="all where not given")
    kernels = parser.parse_args().kernels
    if unknown := set(kernels) - set(TESTS):
        parser.error(f"no kernel {sorted(unknown)}; there are {', '.join(sorted(TESTS))}")
    print("| kernel | mutants | killed | survived | % |\n|---|---|---|---|---|", flush=True)
    whole, lived = [0, 0], []
    for kernel in kernels:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            outcomes = measure(kernel, folder)
            alive = [mutant for mutant, state in outcomes.items() if state not in NOTICED]
            row = (len(outcomes), len(outcomes) - len(alive))
            for mutant in alive:
                lived += [f"{mutant} ({outcomes[mutant]})", *differences(mutant, folder)]
        whole = [a + b for a, b in zip(whole, row, strict=True)]
        print(_row(kernel, *row), flush=True)
    print(_row("all", *whole), *["", *lived], sep="\n")


def _row(name: str, mutants: int, killed: int) -> str:
    return f"| {name} | {mutants} | {killed} | {mutants - killed} | {100 * killed / mutants:.0f} |"


if __name__ == "__main__":
    main()
