"""The command line: ``python -m corephys reduce FOLDER --out OUT``.

``reduce`` and ``report`` take the folder of a hole or of a site. Of a site they write each hole
into a folder below OUT and a page of the site. They write OUT as a whole: a command that fails or
is stopped leaves the last result as it was (:mod:`corephys.export.output`). ``verify OUT`` compares
the files of OUT with its manifest. ``compare OLD NEW`` prints the changes between two reductions,
``archive FOLDER --out OUT`` reduces many holes, ``import FOLDER`` imports foreign exports by the
mapping of the folder, and ``watch FOLDER --out OUT`` shows the newest core until it is stopped.

``reduce`` of a hole keeps in the hidden file ``.OUT.reuse`` beside OUT what the next call can take
over; ``--afresh`` runs all stages.

Exit status
-----------
0
    Success. ``compare``: with or without changes. ``verify``: every listed file is intact.
1
    The hole, the recipe or the mapping cannot be used; the results cannot be written; input files
    changed meanwhile; another run writes to OUT; no manifest to verify. ``archive``: a hole failed.
2
    Wrong usage.
3
    Part of the work failed and everything else was done: stages of a hole; holes of a site that
    could not be reduced, or were left out with ``--skip-unreadable``; stages of holes of an
    archive; ``import``: files or rows that were refused.
4
    ``verify``: files are missing or damaged.
130, 143
    Stopped by Ctrl-C (SIGINT) or by SIGTERM, with one line on standard error.
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


_STATUS = """\
exit status:
  0    success
  1    hole or recipe cannot be used, results cannot be written, inputs changed meanwhile,
       another run writes to OUT, or nothing to verify
  2    wrong usage
  3    part of the work failed (stages, holes of a site, rows of an import); the rest was done
  4    verify: files are missing or damaged
  130  stopped by Ctrl-C
  143  stopped by SIGTERM
"""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m corephys",
        description="From the readings of a core to its physical properties.",
        epilog=_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", required=True)
    for name, words in (
        ("reduce", "reduce a hole or a site to netCDF files, tables, figures and a report"),
        ("report", "the same by the defaults: files and page of a hole or of a site"),
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
                "--afresh",
                action="store_true",
                help="of a hole: run all stages, also those that the file beside OUT holds",
            )
            command.add_argument(
                "--no-report", action="store_true", help="do not write the HTML report"
            )
            command.add_argument(
                "--no-figures", action="store_true", help="do not write figures and report"
            )
            command.add_argument(
                "--formats",
                type=_formats,
                metavar="png,svg,pdf",
                help="of a hole: kinds of pictures of the figures (default png,svg)",
            )
    _add_archive(commands)
    _add_import(commands)
    _add_watch(commands)
    words = "print what changed between two reductions of one hole, and why"
    command = commands.add_parser("compare", help=words, description=words)
    command.add_argument("old", type=Path, help="file reduced.nc, or the folder that holds it")
    command.add_argument("new", type=Path, help="the same of the later reduction")
    words = "compare every file of an output folder with its manifest"
    command = commands.add_parser("verify", help=words, description=words)
    command.add_argument("folder", type=Path, help="output folder of reduce or report")
    return parser


def _formats(words: str) -> tuple[str, ...]:
    """Kinds of pictures from a list with commas."""
    kinds = tuple(word.strip().lower() for word in words.split(","))
    if not set(kinds) <= {"png", "svg", "pdf"}:
        raise argparse.ArgumentTypeError(
            f"{words!r} is no list of formats; expected png, svg or pdf, or several with commas, "
            "such as png,pdf"
        )
    return tuple(dict.fromkeys(kinds))


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        Arguments without the program's name; by default those of the process.

    Returns
    -------
    int
        Exit status, see the module.

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
    if given.command == "verify":
        return _verify(given.folder)
    if not given.folder.is_dir():
        parser.error(f"{given.folder} is not a folder")
    from corephys.export import output
    from corephys.hole import HoleError
    from corephys.hole.composite.folder import is_site_folder
    from corephys.reduction.recipe import RecipeError

    try:
        with output.transaction(given.out) as staging:
            if is_site_folder(given.folder):
                if getattr(given, "formats", None):
                    parser.error("--formats is for a hole; figures of a site are PNG and SVG")
                lines, failed = _site(given, staging)
            else:
                lines, failed = _reduce(given, staging)
    except (HoleError, RecipeError, tomllib.TOMLDecodeError) as error:
        print(error, file=sys.stderr)
        return 1
    except (OSError, ValueError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    # Printed once the results are in place.
    print("\n".join(lines))
    _print_places(given.out)
    for line in failed:
        print(f"corephys: {line}", file=sys.stderr)
    return STAGES_FAILED if failed else 0


STAGES_FAILED = 3  # exit status


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


def _failed_stages(summary: dict[str, Any]) -> list[str]:
    return [f"the stage {stage!r} failed: {why}" for stage, why in summary["failed"].items()]


def _reduce(given: argparse.Namespace, staging: Path) -> tuple[list[str], list[str]]:
    """Reduce a hole once and write everything from that tree; return what to print."""
    from corephys.export import (
        output,
        save,
        write_report_tables,
        write_summaries,
        write_tables,
    )
    from corephys.figures import write_figures
    from corephys.ground.progress import bar
    from corephys.hole import read_hole
    from corephys.hole.checks import sentences
    from corephys.reduction.kept import keep_for_next, reduce_again
    from corephys.reduction.run import summary_lines

    recipe = getattr(given, "recipe", None)
    changes = tomllib.loads(recipe.read_text(encoding="utf-8")) if recipe else None
    figures = not getattr(given, "no_figures", False)
    page = figures and not getattr(given, "no_report", False)
    pictures = staging / "figures"
    # The page needs PNG alone; the command ``reduce`` prints for papers as well.
    kinds = getattr(given, "formats", None) or (
        ("png",) if given.command == "report" else ("png", "svg")
    )
    with bar("corephys") as step:
        count = 6

        def progress(name: str, done: int, of: int) -> None:
            nonlocal count
            count = of + 6
            step(name, done, count)

        step("reading", 0, count)
        tree = reduce_again(
            read_hole(given.folder),
            changes,
            out=given.out,
            afresh=getattr(given, "afresh", False),
            progress=progress,
        )
        _require_results(tree, given.folder)
        output.describe(staging, tree.attrs)
        writers: list[tuple[str, Callable[[], Any]]] = [
            ("netCDF", lambda: save(tree, staging / "reduced.nc")),
            ("tables", lambda: write_tables(tree, staging / "tables")),
            ("summary tables", lambda: write_summaries(tree, staging / "tables")),
            ("report tables", lambda: write_report_tables(tree, staging / "report_tables")),
        ]
        if figures:
            writers.append(("figures", lambda: write_figures(tree, pictures, kinds=kinds)))
        if page:
            writers.append(("page", lambda: _report(tree, staging, pictures)))
        for number, (words, write) in enumerate(writers):
            step(words, count - 6 + number, count)
            write()
    output.refuse_changed_inputs(given.folder, tree.attrs["input_sha256"])
    # Last, so that results go before it where the disk is nearly full.
    keep_for_next(tree, given.out)
    summary = json.loads(tree.attrs["summary"])
    beware = [f"beware: {sentence}" for sentence in sentences(tree.attrs)]
    return [*summary_lines(summary), *beware], _failed_stages({"failed": {}, **summary})


def _site(given: argparse.Namespace, staging: Path) -> tuple[list[str], list[str]]:
    """Reduce all holes of a site, and write their files and the page of the site."""
    from corephys.export import output, site_summary
    from corephys.ground.progress import bar
    from corephys.hole.composite.folder import hole_names
    from corephys.report import write_site

    recipe = getattr(given, "recipe", None)
    changes = tomllib.loads(recipe.read_text(encoding="utf-8")) if recipe else None
    figures = not getattr(given, "no_figures", False)
    with bar("corephys") as step:
        site = write_site(
            given.folder,
            staging,
            recipe=changes,
            reports=figures and not getattr(given, "no_report", False),
            figures=figures,
            skip_unreadable=given.skip_unreadable,
            progress=step,
        )
    inputs = json.loads(site.attrs["input_sha256"])
    for hole in hole_names(site):
        held = json.loads(site[hole].attrs.get("input_sha256", "{}"))
        inputs |= {f"{hole}/{name}": digest for name, digest in held.items()}
    attributes = {**site.attrs, "input_sha256": json.dumps(inputs)}
    output.describe(staging, attributes)
    output.refuse_changed_inputs(given.folder, attributes["input_sha256"])
    frame = site_summary(site).frame
    summary = json.loads(site.attrs["summary"])
    return [frame.set_index("hole").T.to_string(na_rep="")], _failed_holes(summary)


def _failed_holes(summary: dict[str, Any]) -> list[str]:
    """Holes and stages of a site that failed."""
    lines = [f"hole {name} was not reduced: {why}" for name, why in summary["failed"].items()]
    for name, problems in summary["unreadable"].items():
        lines += [f"hole {name} was not read: {problem}" for problem in problems]
    for name, stages in summary["failed_stages"].items():
        lines += [f"hole {name}: {line}" for line in _failed_stages({"failed": stages})]
    return lines


def _verify(folder: Path) -> int:
    """Compare an output folder with its manifest; return the exit status."""
    from corephys.export import output

    try:
        found = output.verify(folder)
    except OSError as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    print(found)
    return 0 if found.intact else NOT_INTACT


NOT_INTACT = 4  # exit status


def _compare(old: Path, new: Path) -> int:
    from corephys.export import compare

    files = [path / "reduced.nc" if path.is_dir() else path for path in (old, new)]
    try:
        print(compare(*files))
    except (OSError, ValueError) as error:
        print(f"corephys: {error}", file=sys.stderr)
        return 1
    return 0


def _report(tree: Any, out: Path, pictures: Path) -> None:
    """Write the page of a reduced hole from the pictures that were printed for it."""
    from corephys.report import write_report

    write_report(tree, out, pictures=pictures)


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
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
    return 0
