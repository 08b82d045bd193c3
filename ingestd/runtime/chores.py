"""Chores: what a station that runs for years has to do now and then, so that nothing grows without end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Container

from ingestd.core.model import LoadId
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError
from ingestd.runtime.clock import Clock
from ingestd.telemetry import logs

_EVERY_S = 3600.0
_BREATH_S = 0.2
"""Between two bounded pieces of work, so that loads get at the journal."""


class Chores:
    """Removes records that have been kept long enough, from a thread of its own."""

    def __init__(
        self,
        journal: Journal,
        *,
        keep_days: Callable[[], float],
        keep_loads: Callable[[], Container[LoadId]],
        broken: Callable[[JournalError], None],
        clock: Clock,
        pruned: Callable[[], None] = lambda: None,
        every_s: float = _EVERY_S,
    ) -> None:
        """`pruned` is told after loads were removed."""
        self._journal = journal
        self._keep_days = keep_days
        self._keep_loads = keep_loads
        self._broken = broken
        self._clock = clock
        self._pruned = pruned
        self._every_s = every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="chores", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5)

    def _run(self) -> None:
        try:
            while not self._stop.wait(self._every_s):
                self._round()
        except JournalError as error:
            self._broken(error)

    def _round(self) -> None:
        try:
            self._prune()
        except JournalError:
            raise
        except Exception as error:  # noqa: BLE001 - a thread that died without a word would let all grow
            logs.broke("chores_broke", error)

    def _prune(self) -> None:
        before = self._clock.now() - self._keep_days() * 86_400
        loads = 0
        while (pruned := self._journal.prune(before, self._keep_loads())).anything:
            loads += pruned.loads
            if self._stop.wait(_BREATH_S):
                return
        if loads:
            self._pruned()
            logs.get().info("records_pruned", loads=loads)
