"""The conformance table: `python -m pytest tests/eip/test_eip_conformance.py -v` reads as the list.

The rows stand in eip_rules_explicit, eip_rules_opens and eip_rules_cyclic.
"""

from __future__ import annotations

import pytest
from eip_rules import Rule, run_rule
from eip_rules_explicit import EXPLICIT
from eip_rules_opens import OPENS

TABLE = {**EXPLICIT, **OPENS}
ROWS = [row for group in TABLE.values() for row in group]


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_rule(row: Rule) -> None:
    run_rule(row)


def test_every_row_has_a_name_of_its_own() -> None:
    names = [row.id for row in ROWS]
    assert sorted(names) == sorted(set(names))
