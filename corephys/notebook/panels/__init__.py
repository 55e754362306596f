"""Interactive panels: windows of heating and cooling, intervals to exclude, ties of holes.

A panel calls public functions only. Its result is a change of the recipe or rows of a table.
"""

from __future__ import annotations

from collections.abc import Mapping

import xarray as xr

from corephys.hole.composite import Site
from corephys.notebook.panels.exclusion_panel import Exclusions
from corephys.notebook.panels.panel import Panel, PanelError
from corephys.notebook.panels.ties import Tie
from corephys.notebook.panels.windows import CoolingWindow, HeatingWindow

__all__ = ["Panel", "PanelError", "cooling_windows", "exclusions", "heating_windows", "tie"]


def heating_windows(reduced: xr.DataTree, run: str | int) -> HeatingWindow:
    """Choose the window of a heating run.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole with ``/samples/needle``.
    run : str or int
        Name of the run.

    Returns
    -------
    HeatingWindow
        ``set("25 s to 90 s")``, ``changes`` for ``cp.reduce``, ``result`` with the thermal
        conductivity [W/(m K)], ``figure()`` and ``widget``.

    Raises
    ------
    PanelError
        If the hole has no heating runs, or none of that name.
    """
    return HeatingWindow(reduced, run)


def cooling_windows(reduced: xr.DataTree, station: str | int) -> CoolingWindow:
    """Choose the window of a station of formation temperature.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole with the tables of ``/downhole``.
    station : str or int
        Name of the station.

    Returns
    -------
    CoolingWindow
        ``set("2 min to 12 min")``, ``changes`` for ``cp.reduce``, ``result`` with the equilibrium
        temperature [degC], ``figure()`` and ``widget``.

    Raises
    ------
    PanelError
        If the hole has no stations, or none of that name.
    """
    return CoolingWindow(reduced, station)


def exclusions(reduced: xr.DataTree, quantity: str = "bulk_density") -> Exclusions:
    """Mark intervals of the cores to exclude, each with a reason.

    Parameters
    ----------
    reduced : DataTree
        Reduced hole with the quantity of a scan.
    quantity : str
        Quantity to show.

    Returns
    -------
    Exclusions
        ``set(core, section, from_, to, reason)``, ``table`` with the columns of
        ``exclusions.csv``, ``write(folder)``, ``figure()`` and ``widget``.

    Raises
    ------
    PanelError
        If the hole has no such quantity by core and section.
    """
    return Exclusions(reduced, quantity)


def tie(
    site: Site,
    properties: Mapping[str, Mapping[str, xr.Dataset]],
    core: tuple[str, str],
    to: tuple[str, str],
    *,
    quantity: str = "bulk_density",
) -> Tie:
    """Slide a core of one hole against a core of another.

    Parameters
    ----------
    site : Site
        Result of ``cp.composite.read_site``.
    properties : mapping of str to mapping of str to Dataset
        Properties by hole and quantity, as for ``cp.composite.suggest``.
    core, to : tuple of str and str
        Hole and core to move, and hole and core that stays.
    quantity : str
        Quantity to compare.

    Returns
    -------
    Tie
        ``set(shift="0.4 m")``, ``correlation``, ``table`` with one more row of ``ties.csv``,
        ``write(folder)``, ``figure()`` and ``widget``.

    Raises
    ------
    PanelError
        If a hole, core or quantity does not exist.
    """
    return Tie(site, properties, core, to, quantity)
