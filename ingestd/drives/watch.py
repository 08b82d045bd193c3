"""Noticing drives that come and go: enumerate, compare with what was believed, tell the difference.

There is no state but what was believed last, so a change that no one announced is found all the same
at the next look.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

import structlog

from ingestd.core.drive import Sighting
from ingestd.core.messages import DriveAppeared, DriveGone
from ingestd.core.model import BayName
from ingestd.ports import Drives

_STOP_S = 5.0
_SLICE_S = 1.0
"""The longest wait before the watch shows that it is alive."""


class Pause(Protocol):
    """What a watch does between two looks."""

    def wait(self, seconds: float) -> bool:
        """Whether it is time for a look before `seconds` are over, which it is after `wake`."""

    def wake(self) -> None:
        """End a wait, that of now or the next; from any thread."""

    def close(self) -> None:
        """Let go of what it listens to."""


class Nap:
    """A pause that only time ends, or whoever wakes it: nothing tells when a drive comes."""

    def __init__(self) -> None:
        self._bell = threading.Event()

    def wait(self, seconds: float) -> bool:
        rung = self._bell.wait(seconds)
        self._bell.clear()
        return rung

    def wake(self) -> None:
        self._bell.set()

    def close(self) -> None: ...


def compare(
    believed: Mapping[BayName, Sighting], seen: Sequence[Sighting]
) -> tuple[list[BayName], list[Sighting]]:
    """The bays whose drive is gone, and the drives that appeared; a bay with another drive is in both.

    Of several drives in one bay the one believed to be there counts, else the first.
    """
    now = one_per_bay(believed, seen)
    gone = [bay for bay, was in believed.items() if not _same_drive(was, now.get(bay))]
    appeared = [found for bay, found in now.items() if not _same_drive(found, believed.get(bay))]
    return gone, appeared


def one_per_bay(believed: Mapping[BayName, Sighting], seen: Sequence[Sighting]) -> dict[BayName, Sighting]:
    """The sighting that counts for each bay."""
    now: dict[BayName, Sighting] = {}
    for sighting in seen:
        if sighting.bay not in now or _same_drive(sighting, believed.get(sighting.bay)):
            now[sighting.bay] = sighting
    return now


def _same_drive(one: Sighting, other: Sighting | None) -> bool:
    return other is not None and one.handle == other.handle


class DriveWatch:
    """A thread that looks at the bays every `interval_s` seconds, or as soon as `pause` says that something
    has happened, and tells what changed.

    `clock` gives the time in seconds since 1970, `tell` takes each event and must not wait for long.
    """

    def __init__(
        self,
        drives: Drives,
        tell: Callable[[DriveAppeared | DriveGone], None],
        interval_s: float,
        clock: Callable[[], float],
        pause: Pause | None = None,
    ) -> None:
        self._drives = drives
        self._pause: Pause = pause or Nap()
        self._tell = tell
        self._interval_s = interval_s
        self._clock = clock
        self._believed: dict[BayName, Sighting] = {}
        self.trouble = ""
        """Why looking at the bays fails, in words; empty while it does not."""
        self._set_aside: frozenset[Sighting] = frozenset()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="drive-watch", daemon=True)
        self._beat = time.monotonic()
        self._log = structlog.get_logger("ingestd.drives")

    def first(self) -> tuple[Sighting, ...] | None:
        """Look once, now, before `start`: what is plugged in, and from then on believed.

        None when the bays cannot be looked at: then it is not known what is there, and not that nothing is.
        """
        seen = self._look()
        if seen is None:
            return None
        self._believed = one_per_bay({}, seen)
        return tuple(self._believed.values())

    def start(self) -> None:
        self._beat = time.monotonic()
        self._thread.start()

    def stop(self, within_s: float = _STOP_S) -> None:
        """Stop looking. Waits `within_s` seconds at most: a look that hangs is left behind."""
        self._stopping.set()
        self._pause.wake()
        if self._thread.is_alive():
            self._thread.join(within_s)

    @property
    def alive(self) -> bool:
        """Whether the thread runs. Once started it ends by `stop` only, or by a mistake of ours."""
        return self._thread.is_alive()

    @property
    def beat(self) -> float:
        """The monotonic time at which the watch last moved on."""
        return self._beat

    def _run(self) -> None:
        try:
            while self._wait():
                self._once()
                self._beat = time.monotonic()
            self._pause.close()
        except Exception:  # noqa: BLE001  never without a word; `alive` tells the rest
            self._log.exception("drive_watch_died")

    def _wait(self) -> bool:
        """Until the next look is due; whether there is to be one."""
        due = time.monotonic() + self._interval_s
        while not self._stopping.is_set():
            left = due - time.monotonic()
            if left <= 0 or self._pause.wait(min(left, _SLICE_S)):
                break
            self._beat = time.monotonic()
        return not self._stopping.is_set()

    def _once(self) -> None:
        seen = self._look()
        if seen is None:
            return
        gone, appeared = compare(self._believed, seen)
        for bay in gone:
            del self._believed[bay]
            self._tell(DriveGone(at=self._clock(), bay=bay))
        for sighting in appeared:
            self._believed[sighting.bay] = sighting
            self._tell(DriveAppeared(at=self._clock(), sighting=sighting))

    def _look(self) -> Sequence[Sighting] | None:
        """All sightings; None when looking failed, which is logged once until it works again."""
        try:
            seen = self._drives.enumerate()
        except Exception as error:  # noqa: BLE001  being deaf is worse, and the next look may work
            if not self.trouble:
                self._log.error("drive_enumeration_failed", error=str(error), kind=type(error).__name__)
            self.trouble = str(error) or type(error).__name__
            return None
        if self.trouble:
            self._log.info("drive_enumeration_works_again")
        self.trouble = ""
        self._report_crowded(seen)
        return seen

    def _report_crowded(self, seen: Sequence[Sighting]) -> None:
        counting = one_per_bay(self._believed, seen)
        set_aside = frozenset(s for s in seen if s is not counting[s.bay])
        for sighting in set_aside - self._set_aside:
            self._log.warning(
                "second_drive_in_bay",
                bay=sighting.bay,
                ignored=sighting.handle.locator,
                kept=counting[sighting.bay].handle.locator,
            )
        self._set_aside = set_aside
