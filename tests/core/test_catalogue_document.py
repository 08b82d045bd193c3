"""The guide lists every code of a finding, as the code has it."""

from __future__ import annotations

from tests.support import catalogue


def test_the_guide_has_the_table_of_codes() -> None:
    """`python -m tests.support.catalogue` rewrites it."""
    assert catalogue.written().endswith(catalogue.table())
