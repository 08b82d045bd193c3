"""What people see while it runs."""

from __future__ import annotations

import sys
import time
from typing import Any

from ingestd.runtime import show


class Screen:
    """A live line per drive on a terminal; elsewhere a line for each change."""

    def __init__(self) -> None:
        self._live = sys.stdout.isatty()
        self._drawn = 0
        self._before: dict[str, str] = {}
        self._began = time.monotonic()

    def show(self, picture: dict[str, Any]) -> None:
        lines = [self._line(load) for load in picture["loads"]]
        if self._live:
            self._wipe()
            print("\n".join(lines), flush=True)
            self._drawn = len(lines)
            return
        for load in picture["loads"]:
            state = f"{load['phase']} {load['outcome'] or ''} {load['reason']}"
            if self._before.get(load["drive"]) != state:
                self._before[load["drive"]] = state
                print(f"{time.monotonic() - self._began:5.1f} s  {self._line(load)}", flush=True)

    def say(self, text: str) -> None:
        self._wipe()
        print(f"{time.monotonic() - self._began:5.1f} s  {text}", flush=True)

    def _wipe(self) -> None:
        if self._drawn:
            print(f"\x1b[{self._drawn}A\x1b[J", end="")
            self._drawn = 0

    def _line(self, load: dict[str, Any]) -> str:
        ledger = load["ledger"]
        wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
        there = ledger["stored_bytes"] + ledger["arrived_bytes"]
        done = f"{100 * there / wanted:3.0f} %" if wanted else "    -"
        rate = f"{show.size(load['rate_bytes_per_second'])}/s" if load["rate_bytes_per_second"] else ""
        words = load["outcome"] or load["doing"]
        line = f"{load['bay'] or 'away':6} {load['drive']:10} {words:26} {done} {rate:>10}"
        return show.cut(f"{line}  {load['reason']}".rstrip(), show.WIDTH - (0 if self._live else 9))
