"""Imports go down only: runtime, then the adapters, then the ports, then the core."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "ingestd"

ADAPTERS = ("bus", "drives", "content", "store", "transfer", "journal", "telemetry")
FLOORS = {"__main__": 3, "runtime": 3, **dict.fromkeys(ADAPTERS, 2), "ports": 1, "files": 1, "core": 0}
"""Each part of the package and the floor it stands on. Whoever adds a part says where it belongs."""

PURE = frozenset(
    {
        "__future__",
        "collections",
        "dataclasses",
        "datetime",
        "enum",
        "functools",
        "hashlib",
        "immutables",
        "itertools",
        "json",
        "marshal",
        "math",
        "operator",
        "re",
        "string",
        "typing",
        "unicodedata",
        "uuid",
        "zlib",
    }
)
"""What the core may import beside itself: nothing that reads a clock, a device or a random number."""

IMPURE = frozenset(
    {
        ("datetime", "now"),
        ("datetime", "utcnow"),
        ("datetime", "today"),
        ("date", "today"),
        ("uuid", "uuid1"),
        ("uuid", "uuid4"),
    }
)
"""Calls into pure modules that read a clock or draw a random number after all."""


def imports(source: str) -> Iterator[str]:
    """Dotted names of the modules that a source imports, wherever in it the statement stands."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute here"
            name = node.module or ""
            if name == "ingestd":
                yield from (f"ingestd.{alias.name}" for alias in node.names)
            else:
                yield name


def part_of(module: str) -> str | None:
    """The part of the package that a module belongs to; None for what is not ours."""
    names = module.split(".")
    if names[0] != "ingestd":
        return None
    return names[1] if len(names) > 1 and names[1] in FLOORS else ""


def violations(module: str, source: str) -> list[str]:
    """What is wrong with the imports of one module, as sentences."""
    here = part_of(module)
    wrong = []
    for name in imports(source):
        there = part_of(name)
        if there is None:
            if here == "core" and name.split(".")[0] not in PURE:
                wrong.append(f"{module} imports {name}, which is not pure")
        elif there and here and FLOORS[there] > FLOORS[here]:
            wrong.append(f"{module} imports {name}, which stands above it")
        elif there != here and there in ADAPTERS and here in ADAPTERS:
            wrong.append(f"{module} imports {name}, another adapter")
        elif there == "" and here == "core":
            wrong.append(f"{module} imports {name} from the package itself")
    return wrong


def named(source: str) -> Iterator[tuple[str, str]]:
    """Pairs of a module or class and what is taken from it, by attribute or by import."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            yield node.value.id, node.attr
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.module or "", alias.name) for alias in node.names)


def impure_calls(source: str) -> list[str]:
    return [".".join(pair) for pair in named(source) if pair in IMPURE]


def modules() -> Iterator[tuple[str, Path]]:
    for path in sorted(ROOT.rglob("*.py")):
        names = path.relative_to(ROOT.parent).with_suffix("").parts
        yield ".".join(names).removesuffix(".__init__"), path


MODULES = dict(modules())


def test_every_part_of_the_package_has_its_floor() -> None:
    parts = {path.relative_to(ROOT).parts[0].removesuffix(".py") for path in MODULES.values()}
    assert parts - {"__init__"} == set(FLOORS)


@pytest.mark.parametrize("module", MODULES)
def test_imports_go_down_only(module: str) -> None:
    assert violations(module, MODULES[module].read_text()) == []


@pytest.mark.parametrize("module", [name for name in MODULES if part_of(name) == "core"])
def test_the_core_reads_no_clock_and_draws_no_random_number(module: str) -> None:
    assert impure_calls(MODULES[module].read_text()) == []


@pytest.mark.parametrize(
    ("module", "source", "words"),
    [
        ("ingestd.core.made_up", "import os", "not pure"),
        ("ingestd.core.made_up", "from random import random", "not pure"),
        ("ingestd.core.made_up", "def f():\n    import time", "not pure"),
        ("ingestd.core.made_up", "if TYPE_CHECKING:\n    import structlog", "not pure"),
        ("ingestd.core.made_up", "from ingestd.ports import Store", "stands above it"),
        ("ingestd.core.made_up", "from ingestd import files", "stands above it"),
        ("ingestd.core.made_up", "from ingestd import __version__", "the package itself"),
        ("ingestd.ports", "from ingestd.journal.journal import Journal", "stands above it"),
        ("ingestd.store.made_up", "import ingestd.bus.codec", "another adapter"),
        ("ingestd.telemetry.made_up", "from ingestd.runtime.loop import Loop", "stands above it"),
    ],
)
def test_a_made_up_violation_is_found(module: str, source: str, words: str) -> None:
    (wrong,) = violations(module, source)
    assert words in wrong


def test_what_is_allowed_is_no_violation() -> None:
    assert violations("ingestd.runtime.made_up", "from ingestd.bus import codec\nimport os") == []
    assert violations("ingestd.bus.made_up", "from ingestd.core.job import Job\nimport pika") == []
    assert violations("ingestd.bus.made_up", "from ingestd.bus.codec import encode") == []
    assert violations("ingestd.core.made_up", "from ingestd.core import retry\nimport zlib") == []


def test_a_clock_that_is_read_is_found() -> None:
    assert impure_calls("from datetime import datetime\nx = datetime.now()") == ["datetime.now"]
    assert impure_calls("import uuid\nx = uuid.uuid4()") == ["uuid.uuid4"]
    assert impure_calls("from uuid import uuid4") == ["uuid.uuid4"]
    assert impure_calls("from datetime import datetime\nx = datetime.fromtimestamp(0)") == []
