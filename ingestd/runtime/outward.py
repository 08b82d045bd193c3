"""From the outbox to the bus: in order for each subject, and one subject's trouble is its own.

An event that the bus does not take stays in the outbox, and what follows it on the same subject waits
behind it. It is told of, and tried again with growing pauses; all other subjects go on.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingestd.journal.journal import Journal
from ingestd.ports import Bus, OutboxEntry, Published
from ingestd.runtime.clock import Clock
from ingestd.runtime.lane import step_s
from ingestd.telemetry import logs
from ingestd.telemetry.counts import Counts

AT_ONCE = 512
"""Events that are given to the bus in one call."""

_ROUNDS = 4
"""Calls in a row, after which notices have their turn."""


@dataclass(slots=True)
class _Refusal:
    """A subject whose next event the bus does not take."""

    entry: OutboxEntry
    reason: str
    failures: int
    again_at: float


class Outward:
    """Owned by the bus thread; `trouble` and the counts may be read from anywhere."""

    def __init__(
        self, bus: Bus, journal: Journal, clock: Clock, moved: Callable[[], None], counts: Counts
    ) -> None:
        self._bus = bus
        self._journal = journal
        self._clock = clock
        self._moved = moved
        self._counts = counts
        self._refused: dict[str, _Refusal] = {}
        self.trouble = ""
        """Which event is not taken, and why, in words; empty while all are."""

    @property
    def refused_subjects(self) -> int:
        """How many subjects wait behind an event that is not taken."""
        return len(self._refused)

    def send(self) -> None:
        """Publish what is in the outbox, so much of it that nothing else waits long. Raises BusDown."""
        for _ in range(_ROUNDS):
            entries = self._next(AT_ONCE)
            if not entries:
                break
            began = self._clock.monotonic()
            published = self._bus.publish(entries)
            self._counts.taken(
                len(published.taken),
                len(published.refused),
                self._clock.monotonic() - began,
                self._clock.now(),
            )
            self._settle(entries, published)
            self._moved()

    def has_more(self) -> bool:
        """Whether there is something to publish now."""
        return bool(self._next(1))

    def _next(self, limit: int) -> Sequence[OutboxEntry]:
        if not self._journal.outbox_depth()[0]:
            # The journal itself is not asked at every turn: whoever commits to it would be waited for.
            return ()
        now = self._clock.monotonic()
        resting = [subject for subject, refusal in self._refused.items() if refusal.again_at > now]
        return self._journal.outbox(limit, resting)

    def _settle(self, entries: Sequence[OutboxEntry], published: Published) -> None:
        self._journal.mark_sent(sorted(published.taken))
        for entry in entries:
            if entry.sequence in published.refused:
                self._refuse(entry, published.refused[entry.sequence])
            elif self._refused and entry.sequence in published.taken:
                self._accept(entry)

    def _refuse(self, entry: OutboxEntry, reason: str) -> None:
        before = self._refused.get(entry.subject)
        failures = before.failures + 1 if before and before.entry.sequence == entry.sequence else 1
        again_at = self._clock.monotonic() + step_s(failures)
        self._refused[entry.subject] = _Refusal(entry, reason, failures, again_at)
        if failures == 1:
            logs.get().error(
                "event_not_taken", type=entry.type, subject=entry.subject, text=reason, **_load_of(entry)
            )
        self._say()

    def _accept(self, entry: OutboxEntry) -> None:
        refusal = self._refused.get(entry.subject)
        if refusal is not None and refusal.entry.sequence == entry.sequence:
            del self._refused[entry.subject]
            logs.get().info(
                "event_taken", subject=entry.subject, failures=refusal.failures, **_load_of(entry)
            )
            self._say()

    def _say(self) -> None:
        first = next(iter(self._refused.values()), None)
        if first is None:
            self.trouble = ""
            return
        others = len(self._refused) - 1
        more = f" (and {others} more)" if others else ""
        self.trouble = f"{first.entry.type} about {first.entry.subject}{more}: {first.reason}"


def _load_of(entry: OutboxEntry) -> Mapping[str, str]:
    """The load that an event is about, for the log."""
    load_id = json.loads(entry.body).get("data", {}).get("load_id")
    return {"load": load_id} if load_id else {}
