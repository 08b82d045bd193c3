"""Keeping an eye on the daemon itself: threads that hang, and a stop that does not come to an end."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingestd.runtime.clock import Clock
from ingestd.runtime.host import Signals
from ingestd.telemetry import logs

HUNG_S = 60.0
LOOP_HUNG_S = 30.0
"""The loop turns ten times a second; a commit on a disk in trouble may take seconds."""
_SUSPENDED_S = 5.0
"""The loop comes by many times a second; after a longer absence, old beats say nothing."""

STOP_SPARE_S = 1.5
"""What letting go and writing down may take beyond the time that a stop is granted."""

_LOOK_S = 0.2


@dataclass(frozen=True, slots=True)
class Pulse:
    """When a thread moved last, in monotonic seconds, and for how long it may stand still."""

    beat: float
    limit_s: float
    means: str
    """What it means for people that it hangs."""


class Vigil:
    """Compares the threads' beats with their limits, and says so, once, when one hangs."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._looked_at = self._since = clock.monotonic()
        self._hung: Mapping[str, Pulse] = {}
        self._pulses: Mapping[str, Pulse] = {}
        self.stalled: Mapping[str, bool] = {}
        """Whether it hangs now, for each thread that is watched."""

    def look(self, pulses: Mapping[str, Pulse]) -> None:
        """Called at every turn of the loop."""
        now = self._clock.monotonic()
        if now - self._looked_at > _SUSPENDED_S:
            self._since = now
        self._looked_at = now
        hung = {n: p for n, p in pulses.items() if now - max(p.beat, self._since) > p.limit_s}
        for name in hung.keys() - self._hung.keys():
            logs.get().error("thread_hung", thread=name, limit_seconds=hung[name].limit_s)
        for name in self._hung.keys() - hung.keys():
            logs.get().info("thread_moves_again", thread=name)
        self._hung, self._pulses = hung, pulses
        self.stalled = {name: name in hung for name in pulses}

    def moves(self, within_s: float) -> bool:
        """Whether every thread has moved within so many seconds of the last look."""
        return all(self._looked_at - max(p.beat, self._since) <= within_s for p in self._pulses.values())

    @property
    def trouble(self) -> Sequence[str]:
        """What hangs now, in words."""
        return [
            f"{pulse.means}: the thread {name} has not moved for {pulse.limit_s:.0f} seconds; "
            "look into the station's kernel log for a disk that hangs, then restart the daemon"
            for name, pulse in sorted(self._hung.items())
        ]


class Backstop:
    """Ends the process when a stop that was asked for has not come to an end in time.

    What it cuts short is what a power cut would; the journal is made for that.
    """

    def __init__(
        self,
        signals: Signals,
        within_s: Callable[[], float],
        clock: Clock,
        end: Callable[[int], None] = os._exit,
    ) -> None:
        """`within_s`: what a stop is granted; the end comes STOP_SPARE_S later."""
        self._signals = signals
        self._within_s = within_s
        self._clock = clock
        self._end = end
        self._asked_at: float | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="backstop", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._over.set()

    @property
    def stop_asked(self) -> bool:
        """Whether a stop was asked for, and its time is running."""
        return self._asked_at is not None

    def left_s(self) -> float:
        """How long whatever is still to be done may take."""
        begun = self._asked_at if self._asked_at is not None else self._clock.monotonic()
        return max(0.0, begun + self._within_s() + STOP_SPARE_S - self._clock.monotonic())

    def _run(self) -> None:
        while not self._over.wait(_LOOK_S):
            if self._signals.stop and self._asked_at is None:
                self._asked_at = self._clock.monotonic()
            if self._asked_at is not None and self.left_s() == 0.0:
                logs.get().error("stop_cut_short", within_seconds=self._within_s() + STOP_SPARE_S)
                self._end(0)
                return
