"""The guides name what is there: modules, files, and every event of the log."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
GUIDE = TOP / "DEVELOPERS.md"
_LEVELS = ("debug", "info", "warning", "error", "critical", "exception", "broke")


def listed() -> set[str]:
    """The events that the guide lists."""
    section = GUIDE.read_text().split("## Log events\n", 1)[1].split("\n## ", 1)[0]
    return set(re.findall(r"^\| `([a-z_]+)` \|", section, re.MULTILINE))


def calls() -> Iterator[ast.Call]:
    for path in (TOP / "ingestd").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and node.args:
                yield node


def first_words(call: ast.Call) -> str:
    """The text that is the first argument of a call, empty if that is none."""
    first = call.args[0]
    return first.value if isinstance(first, ast.Constant) and isinstance(first.value, str) else ""


def logged() -> set[str]:
    """The events that are logged by a method of a logger."""
    return {
        first_words(call)
        for call in calls()
        if isinstance(call.func, ast.Attribute) and call.func.attr in _LEVELS and first_words(call)
    }


def test_every_event_that_is_logged_is_in_the_guide() -> None:
    assert logged(), "the search finds what it looks for"
    assert logged() - listed() == set()


def test_every_event_in_the_guide_is_logged() -> None:
    assert listed() - {first_words(call) for call in calls()} == set()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_files_that_a_guide_names_are_there(name: str) -> None:
    text = (TOP / name).read_text()
    known = {path.name for top in ("ingestd", "tests") for path in (TOP / top).rglob("*.py")}
    modules = {path.rpartition("/")[2] for path in re.findall(r"`([a-z_/]+\.py)`", text)}
    assert modules - known == set()
    places = set(re.findall(r"\]\((?!http)([^)#]+)\)", text))
    places |= set(re.findall(r"\b(?:deploy|ingestd/bus|tests)/[\w./-]*[\w/]", text))
    assert {place for place in places if not (TOP / place).exists()} == set()
