"""The lines of the log as the code writes them: names, levels, fields.

`python -m tests.support.log_lines` renews the table in DEVELOPERS.md; the meanings in it are people's.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

TOP = Path(__file__).resolve().parents[2]
GUIDE = TOP / "DEVELOPERS.md"
HEAD = "| event | level | fields | meaning |\n|---|---|---|---|\n"

_LEVELS = {
    **{level: (level,) for level in ("debug", "info", "warning", "error", "critical")},
    "exception": ("error",),
    "broke": ("error",),
    # As grave as where the load has got to.
    "tell": ("info", "warning"),
    "Seldom": ("info",),
}
"""By what a call is of."""
_GIVEN = {
    "broke": ("error", "where"),
    "exception": ("exception",),
    "helper_refused": ("uid", "pid", "more"),
    "notice_accepted": ("notice", "type", "more"),
    "notice_refused": ("notice", "type", "problems", "more"),
    "record_passed_over": ("record", "text", "more"),
}
"""What such a call adds; of lines that may come by the hundred, what they are told of elsewhere."""
_SPREAD = {"_about": ("effect", "attempt", "bay", "load", "job"), "_load_of": ("load",)}
"""What these functions give, spread over a call."""


@dataclass
class Line:
    levels: set[str] = field(default_factory=set)
    fields: set[str] = field(default_factory=set)

    def row(self, name: str, meaning: str) -> str:
        levels = ", ".join(sorted(self.levels, key=list(_LEVELS).index))
        fields = ", ".join(f"`{each}`" for each in sorted(self.fields)) or "-"
        return f"| `{name}` | {levels} | {fields} | {meaning} |\n"


def in_the_code() -> Mapping[str, Line]:
    found: dict[str, Line] = {}
    for path in sorted((TOP / "ingestd").rglob("*.py")):
        if path.parts[-2:] == ("telemetry", "logs.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and (name := _event(node)):
                line = found.setdefault(name, Line())
                line.levels |= set(_levels(node))
                line.fields |= {*_fields(node), *_GIVEN.get(name, ())}
    return found


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _event(call: ast.Call) -> str:
    first = call.args[0] if call.args else None
    if _called(call) in _LEVELS and isinstance(first, ast.Constant) and isinstance(first.value, str):
        return first.value if re.fullmatch(r"[a-z]+(_[a-z]+)+|reloaded", first.value) else ""
    return ""


def _levels(call: ast.Call) -> Iterator[str]:
    chosen = [each.value.value for each in call.keywords if _is_level(call, each)]  # type: ignore[attr-defined]
    yield from chosen or _LEVELS[_called(call)]


def _is_level(call: ast.Call, keyword: ast.keyword) -> bool:
    return _called(call) == "Seldom" and keyword.arg == "level"


def _fields(call: ast.Call) -> Iterator[str]:
    yield from _GIVEN.get(_called(call), ())
    for keyword in call.keywords:
        if _is_level(call, keyword):
            continue
        if keyword.arg is not None:
            yield keyword.arg
        else:
            assert isinstance(keyword.value, ast.Call), "what is spread over a line is a function's"
            yield from _SPREAD[_called(keyword.value)]


def table(text: str) -> tuple[int, int]:
    """Where the table begins and ends in the guide."""
    begin = text.index("| event |", text.index("## Log events\n"))
    return begin, text.index("\n\n", begin) + 1


def renewed(text: str) -> str:
    """The guide with a table that is as the code is: order and meanings stay, what is new comes last."""
    begin, end = table(text)
    meanings = dict(re.findall(r"^\| `(\w+)` \|.* \| ([^|]*) \|$", text[begin:end], re.MULTILINE))
    lines = in_the_code()
    names = [name for name in meanings if name in lines] + [name for name in lines if name not in meanings]
    rows = (lines[name].row(name, meanings.get(name, "")) for name in names)
    return text[:begin] + HEAD + "".join(rows) + text[end:]


if __name__ == "__main__":
    GUIDE.write_text(renewed(GUIDE.read_text()))
