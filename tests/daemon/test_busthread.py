"""The bus thread: one notice or one event that does not go never stops the others."""

from __future__ import annotations

import json
import queue
from collections.abc import Iterator, Sequence
from typing import Any, cast

import pytest
from structlog.testing import capture_logs

from ingestd.journal.journal import Journal
from ingestd.ports import Bus, BusDown, Delivery, JournalError, OutboxEntry
from ingestd.runtime import busthread
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.clock import Clock
from ingestd.runtime.loop import Inbox, Noticed
from tests.support.daemon import wait_for

SOON_S = 10.0


class FakeBus:
    """Delivers what it is given, once. Notices named in `stuck` cannot be set aside."""

    def __init__(self) -> None:
        self.arriving: queue.SimpleQueue[Delivery] = queue.SimpleQueue()
        self.stuck: set[str] = set()
        self.tries: list[str] = []
        self.set_aside: list[str] = []
        self.published: list[int] = []
        self.polls = 0

    def poll(self, timeout_s: float) -> Sequence[Delivery]:
        self.polls += 1
        try:
            return [self.arriving.get(timeout=timeout_s)]
        except queue.Empty:
            return []

    def acknowledge(self, delivery: Delivery, problems: Sequence[str]) -> None:
        self.tries.append(delivery.name)
        if delivery.name in self.stuck:
            raise BusDown(
                "the spool folder accepted may not be written to; let the daemon's user write there"
            )
        self.set_aside.append(delivery.name)

    def publish(self, entries: Sequence[OutboxEntry]) -> None:
        self.published += [entry.sequence for entry in entries]

    def tidy(self, now: float) -> int:
        return 0

    def close(self) -> None: ...


class FakeJournal:
    def __init__(self) -> None:
        self.unsent: list[OutboxEntry] = []

    def outbox(self, limit: int) -> list[OutboxEntry]:
        return self.unsent[:limit]

    def mark_sent(self, sequences: Sequence[int]) -> None:
        self.unsent = [entry for entry in self.unsent if entry.sequence not in sequences]

    def outbox_depth(self) -> tuple[int, float | None]:
        return len(self.unsent), None


class Post:
    """A bus thread, and a loop that settles every notice at once."""

    def __init__(self) -> None:
        self.bus, self.journal = FakeBus(), FakeJournal()
        self.inbox: Inbox = queue.SimpleQueue()
        self.broken: list[JournalError] = []
        self.thread = BusThread(
            cast(Bus, self.bus),
            station="quay-03",
            inbox=self.inbox,
            journal=cast(Journal, self.journal),
            broken=self.broken.append,
            clock=Clock(),
            poll_s=0.005,
        )

    def deliver(self, name: str) -> None:
        """A notice arrives and is decided on."""
        body = json.dumps({"specversion": "1.0", "id": name}).encode()
        self.bus.arriving.put(Delivery(origin=name, name=name, body=body))
        noticed: Any = self.inbox.get(timeout=SOON_S)
        assert isinstance(noticed, Noticed)
        noticed.done(())

    def wait_set_aside(self, *names: str) -> None:
        wait_for(lambda: set(names) <= set(self.bus.set_aside), SOON_S, f"{names} set aside")


@pytest.fixture
def post(monkeypatch: pytest.MonkeyPatch) -> Iterator[Post]:
    monkeypatch.setattr(busthread, "_LONGEST_PAUSE_S", 0.05)
    post = Post()
    post.thread.start()
    yield post
    assert post.thread.stop(SOON_S)
    assert post.broken == []


def test_a_notice_that_cannot_be_set_aside_stops_nothing_else(post: Post) -> None:
    with capture_logs() as logs:
        post.bus.stuck = {"first.json"}
        post.deliver("first.json")
        wait_for(lambda: post.thread.stuck, SOON_S, "the trouble")
        assert post.thread.stuck.startswith("first.json: the spool folder accepted may not be written to")
        assert post.thread.trouble == "", "the bus itself is up"
        for number in range(5):
            post.deliver(f"later-{number}.json")
        post.wait_set_aside(*(f"later-{number}.json" for number in range(5)))
        post.journal.unsent = [OutboxEntry(7, "id", "subject", "ingest.station.reported", b"{}")]
        wait_for(lambda: post.bus.published == [7], SOON_S, "the event")
        polls = post.bus.polls
        wait_for(lambda: post.bus.polls > polls + 3, SOON_S, "polls")
        assert "first.json" not in post.bus.set_aside
        post.bus.stuck = set()
        post.wait_set_aside("first.json")
        wait_for(lambda: not post.thread.stuck, SOON_S, "the end of the trouble")
    said = [log["event"] for log in logs if log["event"].startswith("notice_") and "stuck" in log["event"]]
    assert said == ["notice_stuck", "notice_not_stuck"]


def test_a_notice_that_cannot_be_set_aside_is_not_tried_at_every_turn(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(busthread, "_LONGEST_PAUSE_S", 60.0)
    post.bus.stuck = {"first.json"}
    post.deliver("first.json")
    wait_for(lambda: post.thread.stuck, SOON_S, "the trouble")
    polls = post.bus.polls
    wait_for(lambda: post.bus.polls > polls + 10, SOON_S, "polls")
    assert post.bus.tries == ["first.json"]


def test_a_stop_does_not_wait_for_a_notice_that_cannot_be_set_aside(post: Post) -> None:
    post.bus.stuck = {"first.json"}
    post.deliver("first.json")
    wait_for(lambda: post.thread.stuck, SOON_S, "the trouble")
    assert post.thread.stop(5.0)
