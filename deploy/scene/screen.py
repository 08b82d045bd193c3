"""What people see while it runs."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Iterator
from typing import Any

from ingestd.runtime import show

_INDENT = " " * 9
"""As wide as the time before a line."""


class Screen:
    """A live line for each drive on a terminal; elsewhere a line for each change, and one for its reason."""

    def __init__(self) -> None:
        self._live = sys.stdout.isatty()
        self._drawn = 0
        self._before: dict[str, str] = {}
        self._began = time.monotonic()

    def show(self, picture: dict[str, Any]) -> None:
        if self._live:
            self._wipe()
            width = shutil.get_terminal_size().columns
            lines = [
                show.cut(f"{_line(load)}  {load['reason']}".rstrip(), width) for load in picture["loads"]
            ]
            print("".join(f"{line}\n" for line in lines), end="", flush=True)
            self._drawn = len(lines)
            return
        for load in picture["loads"]:
            state = f"{load['phase']} {load['outcome'] or ''} {load['reason']}"
            if self._before.get(load["drive"]) != state:
                self._before[load["drive"]] = state
                self._print_change(load)

    def say(self, text: str) -> None:
        self._wipe()
        self._stamped(text)

    def _print_change(self, load: dict[str, Any]) -> None:
        self._stamped(_line(load))
        for line in show.wrapped(load["reason"], _INDENT):
            print(line, flush=True)

    def _stamped(self, text: str) -> None:
        print(f"{time.monotonic() - self._began:5.1f} s  {text}", flush=True)

    def _wipe(self) -> None:
        if self._drawn:
            print(f"\x1b[{self._drawn}A\x1b[J", end="")
            self._drawn = 0


def _line(load: dict[str, Any]) -> str:
    words = load["outcome"] or load["doing"]
    return f"{load['bay'] or 'away':6} {load['drive']:10} {words:23} {' '.join(_figures(load))}".rstrip()


def _figures(load: dict[str, Any]) -> Iterator[str]:
    ledger, rate = load["ledger"], load["rate_bytes_per_second"]
    wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
    there = ledger["stored_bytes"] + ledger["arrived_bytes"]
    yield f"{100 * there / wanted:3.0f} %" if wanted else "    -"
    yield f"{show.size(rate)}/s".rjust(10) if rate else ""
