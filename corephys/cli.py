"""The command line: ``python -m corephys reduce FOLDER --out OUT``.

Exit status: 0 for success; 1 when the hole or the recipe cannot be used, with a list of all
problems; 2 for wrong usage; 3 when stages failed and everything else was reduced, with a list of
these stages. ``compare OLD NEW`` prints the changes between two reductions; its status is 0 with or
without changes. ``archive FOLDER --out OUT`` reduces many holes; its status is 1 when a hole
failed, 3 when only stages of holes failed. ``import FOLDER`` imports foreign exports by the
mapping of the folder; its status is 1 when the mapping has faults, 3 when a file was refused or
rows were. ``watch FOLDER --out OUT`` shows the newest core until it is stopped; its status is 130
after an interrupt and 143 when the system ends it.

``reduce`` and ``report`` take the folder of a site too: they write each hole into a folder below
OUT and a page of the site. There the status is 3 as well when a hole could not be reduced, or was
left out with ``--skip-unreadable``.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["main"]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m corephys",
        description="From the readings of a core to its physical properties.",
    )
    commands = parser.add_subparsers(dest="command", required=True)
    for name, words in (
        ("reduce", "reduce a hole or a site to netCDF files, tables, figures and a report"),
        ("report", "run the main notebook on a hole, or on every hole of a site"),
    ):
        command = commands.add_parser(name, help=words, description=words)
        command.add_argument("folder", type=Path, help="folder of a hole or of a site")
        command.add_argument("--out", type=Path, required=True, help="folder for the results")
        command.add_argument(
            "--skip-unreadable",
            action="store_true",
            help="of a site: leave out holes that cannot be read",
        )
        if name == "reduce":
            command.add_argument("--recipe", type=Path, help="TOML file of changes to the recipe")
            command.add_argument(
                "--no-report", action="store_true", help="do not write the HTML report"
            )
            command.add_argument(
                "--no-figures", action="store_true", help="do not write figures and report"
            )
    _add_archive(commands)
    _add_import(commands)
    _add_watch(commands)
    words = "print what changed between two reductions of one hole, and why"
    command = commands.add_parser("compare", help=words, description=words)
    command.add_argument("old", type=Path, help="file reduced.nc, or the folder that holds it")
    command.add_argument("new", type=Path, help="the same of the later reduction")
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        Arguments without the program's name; by default those of the process.

    Returns
    -------
    int
        Exit status: 0; 1 for a hole or recipe that cannot be used; 3 when stages failed.

    Raises
    ------
    SystemExit
        With status 2 for wrong usage.
    """
    parser = _parser()
    given = parser.parse_args(arguments)
    if given.command == "compare":
        return _compare(given.old, given.new)
    if given.command == "watch":
        return _watch(given)
    if given.command == "archive":
        return _archive(given)
    if given.command == "import":
        return _import(given)
    if not given.folder.is_dir():
        parser.error(f"{given.folder} is not a folder")
    from corephys.hole import HoleError
    from corephys.hole.composite.folder import is_site_folder
    from corephys.reduction.recipe import RecipeError

    site = is_site_folder(given.folder)
    try:
        given.out.mkdir(parents=True, exist_ok=True)
        if site:
            _site(given)
        elif given.command == "reduce":
            _reduce(given)
        else:
            _report_or_why(given.folder, given.out)
    except (HoleError, RecipeError, tomllib.TOMLDecodeError) as error:
        print(error, file=sys.stderr)
        return 1
    except (OSError, ValueError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    _print_places(given.out)
    return _failed_holes(given.out) if site else _failed_stages(given.out / "reduced.nc")


STAGES_FAILED = 3  # exit status


def _failed_stages(file: Path) -> int:
    """Print failed stages to standard error, and return the exit status."""
    import netCDF4

    with netCDF4.Dataset(file) as results:
        failed = json.loads(results.summary).get("failed", {})
    for stage, error in failed.items():
        print(f"corephys: the stage {stage!r} failed: {error}", file=sys.stderr)
    return STAGES_FAILED if failed else 0


class _NothingReducedError(ValueError):
    """No property or product came out of a hole; the message holds the reasons of all stages."""


def _require_results(tree: Any, folder: Path) -> None:
    """Refuse a reduced hole without a result, with the words of every stage that was left out."""
    from corephys.hole.checks import sentences
    from corephys.reduction.run import summary_lines

    summary = json.loads(tree.attrs["summary"])
    if any(leaf.path.startswith(("/properties/", "/products/")) for leaf in tree.leaves):
        return
    raw = ("scan/", "samples/", "downhole/")
    held = sorted(p for p in (leaf.path.strip("/") for leaf in tree.leaves) if p.startswith(raw))
    why = "it holds no table under scan, samples or downhole. Give it readings"
    if held:
        why = (
            f"its tables {', '.join(held)} lack what their stages need. The lines above name it; "
            "look at the failed stages and at those of these tables"
        )
    lines = [*summary_lines(summary)[1:], *(f"beware: {words}" for words in sentences(tree.attrs))]
    raise _NothingReducedError(
        "\n".join([*lines, f"nothing was reduced from {folder}: {why}. No results were written"])
    )


def _report_or_why(folder: Path, out: Path) -> None:
    """Write the report; where it fails since nothing can be reduced, give the reasons for that."""
    from corephys.hole import read_hole
    from corephys.reduction.run import reduce
    from corephys.report import ReportError

    file = out / "reduced.nc"
    before = file.stat().st_mtime_ns if file.exists() else None
    try:
        _report(folder, out)
    except ReportError:
        try:
            _require_results(reduce(read_hole(folder)), folder)
        except _NothingReducedError:
            # The notebook stores the hole before it writes the tables, which then fail.
            if file.exists() and file.stat().st_mtime_ns != before:
                file.unlink()
            raise
        raise


def _reduce(given: argparse.Namespace) -> None:
    from tqdm import tqdm

    from corephys.export import save, write_report_tables, write_summaries, write_tables
    from corephys.figures import write_figures
    from corephys.hole import read_hole
    from corephys.hole.checks import sentences
    from corephys.reduction.run import reduce, summary_lines

    changes: dict[str, Any] = {}
    if given.recipe:
        changes = tomllib.loads(given.recipe.read_text(encoding="utf-8"))
    with tqdm(total=1, bar_format="{desc:<24}{percentage:3.0f}% |{bar}|") as bar:

        def progress(name: str, done: int, of: int) -> None:
            bar.total = of + 6
            bar.n = done + 1
            bar.set_description_str(name)

        bar.set_description_str("reading")
        tree = reduce(read_hole(given.folder), changes or None, progress=progress)
        _require_results(tree, given.folder)
        writers: list[tuple[str, Callable[[], Any]]] = [
            ("netCDF", lambda: save(tree, given.out / "reduced.nc")),
            ("tables", lambda: write_tables(tree, given.out / "tables")),
            ("summary tables", lambda: write_summaries(tree, given.out / "tables")),
            ("report tables", lambda: write_report_tables(tree, given.out / "report_tables")),
        ]
        if not given.no_figures:
            writers.append(("figures", lambda: write_figures(tree, given.out / "figures")))
        for words, write in writers:
            bar.set_description_str(words)
            write()
            bar.update()
    print("\n".join(summary_lines(json.loads(tree.attrs["summary"]))))
    for sentence in sentences(tree.attrs):
        print(f"beware: {sentence}")
    if not (given.no_report or given.no_figures):
        _report(given.folder, given.out, given.recipe)


def _site(given: argparse.Namespace) -> None:
    """Reduce all holes of a site, and write their files and the page of the site."""
    from tqdm import tqdm

    from corephys.export import site_summary
    from corephys.report import write_site

    recipe = getattr(given, "recipe", None)
    changes = tomllib.loads(recipe.read_text(encoding="utf-8")) if recipe else None
    figures = not getattr(given, "no_figures", False)
    with tqdm(total=1, bar_format="{desc:<24}{percentage:3.0f}% |{bar}|") as bar:

        def progress(name: str, done: int, of: int) -> None:
            bar.total, bar.n = of, done
            bar.set_description_str(name)

        site = write_site(
            given.folder,
            given.out,
            recipe=changes,
            reports=figures and not getattr(given, "no_report", False),
            figures=figures,
            skip_unreadable=given.skip_unreadable,
            progress=progress,
        )
    frame = site_summary(site).frame
    print(frame.set_index("hole").T.to_string(na_rep=""))


def _failed_holes(out: Path) -> int:
    """Print holes and stages of a site that failed to standard error; return the exit status."""
    import netCDF4

    with netCDF4.Dataset(out / "site.nc") as results:
        summary = json.loads(results.summary)
    for name, why in summary["failed"].items():
        print(f"corephys: hole {name} was not reduced: {why}", file=sys.stderr)
    for name, problems in summary["unreadable"].items():
        for problem in problems:
            print(f"corephys: hole {name} was not read: {problem}", file=sys.stderr)
    for name, stages in summary["failed_stages"].items():
        for stage, why in stages.items():
            print(f"corephys: hole {name}: the stage {stage!r} failed: {why}", file=sys.stderr)
    parts = (summary[kind] for kind in ("failed", "unreadable", "failed_stages"))
    return STAGES_FAILED if any(parts) else 0


def _compare(old: Path, new: Path) -> int:
    from corephys.export import compare

    files = [path / "reduced.nc" if path.is_dir() else path for path in (old, new)]
    try:
        print(compare(*files))
    except (OSError, ValueError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    return 0


def _report(folder: Path, out: Path, recipe: Path | None = None) -> None:
    from corephys.report import write_report

    write_report(folder, out, recipe=recipe)


def _print_places(out: Path) -> None:
    """Print where the results are."""
    print("\nresults:")
    for name in ("report.html", "reduced.nc", "site.nc"):
        if (out / name).exists():
            print(f"  {out / name}")
    for name, kinds in (
        ("tables", "csv"),
        ("report_tables", "csv md tex xlsx"),
        ("figures", "svg pdf png csv"),
    ):
        found = [p for kind in kinds.split() for p in (out / name).glob(f"*.{kind}")]
        if found:
            print(f"  {out / name}  ({len(found)} files)")


# --------------------------------------------------------------------------------------------------
# The command ``archive FOLDER --out OUT``.


def _add_archive(commands: Any) -> None:
    """Add the command ``archive`` to the parser."""
    words = "reduce many holes into one archive; a new run continues one that was stopped"
    command = commands.add_parser("archive", help=words, description=words)
    command.add_argument("folder", help="folder or URL of the holes, or a store of readings")
    command.add_argument("--out", required=True, help="folder or URL of the archive")
    command.add_argument("--recipe", type=Path, help="TOML file of changes to every hole's recipe")
    command.add_argument(
        "--workers", type=int, default=2, help="holes at the same time (default 2)"
    )
    command.add_argument(
        "--scheduler",
        choices=("threads", "processes"),
        default="processes",
        help="how holes are run side by side (default processes)",
    )
    command.add_argument("--sensors", help="scans to use, such as gamma,pwave (default all)")
    command.add_argument("--effects", action="store_true", help="keep the effects by source")
    command.add_argument("--anew", action="store_true", help="reduce finished holes again")


def _archive(given: argparse.Namespace) -> int:
    """Make the archive and print its table, failed holes, and holes with failed stages.

    The exit status is 0; 1 when no archive could be made or a hole failed; 3 when stages failed.
    """
    from corephys import archive

    try:
        changes: dict[str, Any] | None = None
        if given.recipe:
            changes = tomllib.loads(given.recipe.read_text(encoding="utf-8"))
        table = archive.reduce(
            given.folder,
            given.out,
            changes,
            workers=given.workers,
            scheduler=given.scheduler,
            resume=not given.anew,
            effects=given.effects,
            sensors=tuple(given.sensors.split(",")) if given.sensors else None,
        )
    except (ValueError, OSError, RuntimeError, ModuleNotFoundError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    shown = [c for c in ("name", "status", "readings", "kept", "left_out", "missing") if c in table]
    print(table[shown].to_string(index=False))
    failed = table[table["status"] == "failed"]
    for name, error in zip(failed["name"], failed["error"], strict=True):
        print(f"\n{name} failed: {error}", file=sys.stderr)
    print(f"\n{len(table) - len(failed)} of {len(table)} holes complete in {given.out}")
    partly = table[table["failed_stages"].fillna(0) > 0]
    if len(partly):
        names = ", ".join(partly["name"].astype(str))
        print(f"stages failed in {len(partly)} of them: {names}", file=sys.stderr)
    return 1 if len(failed) else STAGES_FAILED if len(partly) else 0


# --------------------------------------------------------------------------------------------------
# The command ``import FOLDER``.


def _add_import(commands: Any) -> None:
    """Add the command ``import`` to the parser."""
    words = "import foreign exports into a hole folder by its import.toml; again: what is new"
    command = commands.add_parser("import", help=words, description=words)
    command.add_argument("folder", type=Path, help="hole folder that holds import.toml")
    command.add_argument("--dry-run", action="store_true", help="report, and write nothing")
    command.add_argument(
        "--suggest",
        nargs="+",
        metavar="FILE",
        help="print a draft of import.toml for these exports, and write nothing",
    )


ROWS_REFUSED = 3  # exit status


def _import(given: argparse.Namespace) -> int:
    """Import, print the report, and return the exit status."""
    from corephys import importing

    try:
        if given.suggest:
            print(importing.suggest(*given.suggest, folder=given.folder), end="")
            return 0
        report = importing.run(given.folder, dry_run=given.dry_run)
    except (OSError, ValueError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    print(report)
    return ROWS_REFUSED if report.refused or report.refused_files else 0


# --------------------------------------------------------------------------------------------------
# The command ``watch FOLDER --out OUT``.


def _add_watch(commands: Any) -> None:
    """Add the command ``watch`` to the parser."""
    words = "reduce a hole whenever its files change, and show its newest core on a page"
    command = commands.add_parser("watch", help=words, description=words)
    command.add_argument("folder", type=Path, help="folder of a hole")
    command.add_argument("--out", type=Path, required=True, help="folder of the page newest.html")
    command.add_argument("--recipe", type=Path, help="TOML file of changes to the recipe")
    command.add_argument("--site", type=Path, help="folder of the site of the hole")
    command.add_argument(
        "--results",
        action="store_true",
        help="after each page, write the complete output of reduce into OUT as well",
    )


INTERRUPTED, TERMINATED = 130, 143  # exit status


def _watch(given: argparse.Namespace) -> int:
    """Watch until the process is stopped, and return the exit status."""
    import signal

    def terminate(*_: object) -> None:
        raise SystemExit(TERMINATED)

    # Both signals arrive as exceptions, whatever was set before: the watch ends its step, marks
    # its page as stopped and ends the process that writes results.
    before = {signal.SIGTERM: signal.signal(signal.SIGTERM, terminate)}
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        before[signal.SIGINT] = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        from corephys.watch import watch

        print(f"watching {given.folder}; the page is {given.out / 'newest.html'}", flush=True)
        watch(
            given.folder,
            given.out,
            recipe=given.recipe,
            site=given.site,
            results=given.results,
            block=True,
            tell=lambda line: print(line, flush=True),
        )
    except (KeyboardInterrupt, SystemExit) as stop:
        print("corephys: the watch was stopped; its page stays", file=sys.stderr)
        return INTERRUPTED if isinstance(stop, KeyboardInterrupt) else TERMINATED
    except (OSError, ValueError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return 0


if __name__ == "__main__":
    sys.exit(main())
