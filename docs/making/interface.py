"""One page a module of the public interface, from the names that its ``__all__`` lists."""

from __future__ import annotations

import inspect
import re
from collections.abc import Container
from typing import Any

import corephys
from docs.making.tables import table

__all__ = ["GROUPS", "index_page", "page", "pages"]

# How the modules stand together on the first page of the interface.
GROUPS: dict[str, tuple[str, ...]] = {
    "The scan": (
        "gamma", "pwave", "resistivity", "susceptibility", "natural_gamma", "quality", "sensors",
    ),
    "Samples": (
        "index_properties", "needle", "sample_velocity", "strength", "consolidation",
    ),
    "Downhole": ("formation_temperature", "logs"),
    "Products": (
        "porosity", "compaction", "seismic", "elastic", "stress", "accumulation", "heat_flow",
    ),
    "Depth and several holes": ("depth", "composite", "archive"),
    "Pictures, files, panels": ("datasets", "importing", "figures", "export", "panels", "watch"),
    "Ground": (
        "constants", "thresholds", "flags", "mixing", "seawater", "uncertainty", "vocabulary",
    ),
}  # fmt: skip


def _first_line(thing: Any) -> str:
    line = (inspect.getdoc(thing) or "").partition("\n")[0]
    return re.sub(r":\w+:`~?([^`]+)`", r"`\1`", line)  # a role is no Markdown


def _own() -> list[str]:
    """Names that ``corephys`` hands out itself: functions, classes and errors."""
    return [
        name for name in corephys.__all__
        if not name.startswith("_") and not inspect.ismodule(getattr(corephys, name))
    ]  # fmt: skip


def _directive(full: str, thing: Any) -> list[str]:
    if not inspect.isclass(thing):
        return [f".. autofunction:: {full}", ""]
    lines = [f".. autoclass:: {full}"]
    # Without a name the option would list all members, fields of tuples among them.
    if not issubclass(thing, Exception) and _members(thing):
        lines += [f"   :members: {', '.join(_members(thing))}"]
    return [*lines, ""]


def _members(cls: type) -> list[str]:
    """Methods and properties that the class itself defines with words, none that it is lent."""
    found = []
    for name, value in vars(cls).items():
        if isinstance(value, (classmethod, staticmethod)):
            value = value.__func__
        function = value.fget if isinstance(value, property) else value
        here = inspect.isfunction(function) and function.__module__ == cls.__module__
        if here and not name.startswith("_") and inspect.getdoc(function):
            found.append(name)
    return found


def page(title: str, words: str, things: dict[str, Any], elsewhere: Container[str] = ()) -> str:
    """A page in reStructuredText: a list of what there is, then each in full.

    ``elsewhere`` names what another page describes, since nothing can be described twice.
    """
    shown = {
        n: t
        for n, t in things.items()
        if (inspect.isfunction(t) or inspect.isclass(t)) and n not in elsewhere
    }
    plain = [name for name in things if name not in shown]
    module = title.replace("cp.", "corephys.", 1)
    lines = [title, "=" * len(title), "", f".. py:module:: {module}", "   :no-index-entry:", ""]
    lines += [".. py:currentmodule:: None", "", words, ""]
    if shown:
        lines += [".. autosummary::", "   :nosignatures:", ""]
        lines += [f"   ~{full}" for full in shown] + [""]
    if plain:
        said = ", ".join(f"``{name.rpartition('.')[2]}``" for name in plain)
        lines += [f"Tables and numbers: {said}.", ""]
    for full, thing in shown.items():
        lines += _directive(full, thing)
    return "\n".join(lines)


def index_page() -> str:
    """The modules in groups, with the first line of each."""
    parts = [
        "# Interface",
        "`import corephys as cp` is the one idiom. Names are handed out lazily: the import costs "
        "little. What is not listed here is inside and may change.",
        "```{toctree}\n:hidden:\n\ncorephys\n"
        + "\n".join(name for names in GROUPS.values() for name in names)
        + "\n```",
        "## Reading, reducing, looking, writing",
        table(
            ("name", "does"),
            [(f"`cp.{name}`", _first_line(getattr(corephys, name))) for name in _own()],
        ),
    ]
    for group, names in GROUPS.items():
        rows = [(f"[`cp.{n}`]({n}.rst)", _first_line(getattr(corephys, n))) for n in names]
        parts += [f"## {group}", table(("module", "holds"), rows)]
    return "\n\n".join(parts)


def pages() -> dict[str, str]:
    """All pages of the interface by file name."""
    own = {f"corephys.{name}": getattr(corephys, name) for name in _own()}
    found = {
        "index.md": index_page(),
        "corephys.rst": page("corephys", "Names of the package itself.", own),
    }
    every = [name for names in GROUPS.values() for name in names]
    homes = {getattr(corephys, name).__name__: name for name in every}
    for names in GROUPS.values():
        for name in names:
            module = getattr(corephys, name)
            things = {f"corephys.{name}.{n}": getattr(module, n) for n in module.__all__}
            elsewhere = {
                full
                for full, thing in things.items()
                if homes.get(getattr(thing, "__module__", ""), name) != name
            }
            words = inspect.getdoc(module) or ""
            found[f"{name}.rst"] = page(f"cp.{name}", words, things, elsewhere)
    return found
