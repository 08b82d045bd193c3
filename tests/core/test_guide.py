"""The guides name what is there: modules, files, and every event of the log."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.support import log_lines

TOP = Path(__file__).resolve().parents[2]
GUIDE = TOP / "DEVELOPERS.md"


def test_the_guide_lists_every_line_of_the_log_with_its_level_and_fields() -> None:
    text = GUIDE.read_text()
    assert len(log_lines.in_the_code()) > 50, "the search finds what it looks for"
    begin, end = log_lines.table(text)
    assert text == log_lines.renewed(text), "python -m tests.support.log_lines"
    for row in text[begin:end].splitlines()[2:]:
        assert len(row.split(" | ")[-1]) > 5, f"says what it means: {row}"


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_files_that_a_guide_names_are_there(name: str) -> None:
    text = (TOP / name).read_text()
    known = {path.name for top in ("ingestd", "tests") for path in (TOP / top).rglob("*.py")}
    modules = {path.rpartition("/")[2] for path in re.findall(r"`([a-z_/]+\.py)`", text)}
    assert modules - known == set()
    places = set(re.findall(r"\]\((?!http)([^)#]+)\)", text))
    places |= set(re.findall(r"\b(?:deploy|ingestd/bus|tests)/[\w./-]*[\w/]", text))
    assert {place for place in places if not (TOP / place).exists()} == set()
