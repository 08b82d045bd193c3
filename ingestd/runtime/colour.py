"""Colour for those who want it: by what was asked for, else where a person looks on and has not declined.

What a colour says, a word says too: without it nothing is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, TextIO

Choice = Literal["auto", "always", "never"]
CHOICES: tuple[Choice, ...] = ("auto", "always", "never")

Paint = Callable[[str, str], str]
"""A line, and the kind of thing that it says: one of `STYLES`, or anything else for none."""

STYLES: Mapping[str, str] = {
    "bad": "1;31",
    "warning": "33",
    "good": "32",
    "done": "1",
}
"""As ECMA-48 numbers them (SGR): bold red, yellow, green, bold."""


def wanted(choice: Choice, stream: TextIO, environment: Mapping[str, str]) -> bool:
    """An argument counts for more than the environment, of which NO_COLOR (https://no-color.org) is asked
    whether it is there and not empty, and TERM whether the terminal is one that knows no colours."""
    if choice != "auto":
        return choice == "always"
    return stream.isatty() and not environment.get("NO_COLOR") and environment.get("TERM") != "dumb"


def plain(line: str, _kind: str) -> str:
    return line


def painted(line: str, kind: str) -> str:
    style = STYLES.get(kind)
    return f"\x1b[{style}m{line}\x1b[0m" if style else line
