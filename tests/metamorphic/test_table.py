"""Every public function stands in the table of relations, and the page shows the table."""

from __future__ import annotations

import pytest

from tests.metamorphic import table
from tests.metamorphic.case import CASES
from tests.metamorphic.cases import NOT_MEASURED, load

load()


def test_every_public_function_is_under_a_relation_or_has_a_reason():
    assert table.uncovered() == []


def test_no_reason_is_left_of_a_function_that_is_gone_or_under_a_relation():
    public = set(table.public_functions())
    assert set(NOT_MEASURED) <= public
    assert {name.partition("#")[0] for name in CASES} <= public
    assert not [name for name in NOT_MEASURED if table.relations_of(name)]
    assert all(reason.strip() for reason in NOT_MEASURED.values())


def test_a_function_under_no_relation_is_found(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delitem(CASES, "porosity.from_density")
    assert "porosity.from_density" in table.uncovered()


def test_the_page_is_the_table():
    shown = table.PAGE.read_text(encoding="utf-8")
    assert shown == table.page(), "write it anew: python -m tests.metamorphic.table"
