"""The bus thread: one notice or one event that does not go never stops the others."""

from __future__ import annotations

import json
import queue
import random
import time
from collections.abc import Collection, Iterator, Sequence
from typing import Any, cast

import pytest
from structlog.testing import capture_logs

from ingestd.journal.journal import Journal
from ingestd.ports import Bus, BusDown, Delivery, JournalError, OutboxEntry, Position, Published
from ingestd.runtime import busthread, lane
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.clock import Clock
from ingestd.runtime.loop import Inbox, Noticed
from ingestd.runtime.outward import AT_ONCE
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
        self.refusing: dict[str, str] = {}
        self.down = ""
        self.polls = 0
        self.prefetch = 1_000_000
        """Notices that are handed out without being acknowledged, at most."""
        self.handed_out = 0

    def poll(self, timeout_s: float) -> Sequence[Delivery]:
        self.polls += 1
        if "in" in self.down:
            raise BusDown("the broker has hung up; look at its log")
        if self.handed_out - len(self.set_aside) >= self.prefetch:
            time.sleep(timeout_s)
            return []
        try:
            found = [self.arriving.get(timeout=timeout_s)]
        except queue.Empty:
            return []
        self.handed_out += 1
        return found

    def acknowledge(self, delivery: Delivery, problems: Sequence[str]) -> None:
        self.tries.append(delivery.name)
        if delivery.name in self.stuck:
            raise BusDown(
                "the spool folder accepted may not be written to; let the daemon's user write there"
            )
        self.set_aside.append(delivery.name)

    def publish(self, entries: Sequence[OutboxEntry]) -> Published:
        """Takes all but the subjects that it refuses, as the port says."""
        if "out" in self.down:
            raise BusDown("the broker takes nothing at the moment; give it memory")
        stopped: dict[str, OutboxEntry] = {}
        taken = []
        for entry in entries:
            if entry.subject in self.refusing:
                stopped.setdefault(entry.subject, entry)
            else:
                taken.append(entry.sequence)
        self.published += taken
        return Published(taken, {e.sequence: self.refusing[subject] for subject, e in stopped.items()})

    def tidy(self, now: float) -> int:
        return 0

    def close(self) -> None: ...


class FakeJournal:
    def __init__(self) -> None:
        self.unsent: list[OutboxEntry] = []

    def outbox(self, limit: int, without: Collection[str] = ()) -> list[OutboxEntry]:
        return [entry for entry in self.unsent if entry.subject not in without][:limit]

    def mark_sent(self, sequences: Sequence[int]) -> None:
        self.unsent = [entry for entry in self.unsent if entry.sequence not in sequences]

    def outbox_depth(self) -> tuple[int, float | None]:
        return len(self.unsent), None


class Post:
    """A bus thread, and a loop that settles every notice at once."""

    def __init__(self, poll_s: float = 0.005) -> None:
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
            poll_s=poll_s,
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


def entry(sequence: int, subject: str) -> OutboxEntry:
    return OutboxEntry(sequence, f"id-{sequence}", subject, "ingest.load.progressed", b"{}")


@pytest.fixture
def post(monkeypatch: pytest.MonkeyPatch) -> Iterator[Post]:
    monkeypatch.setattr(lane, "LONGEST_PAUSE_S", 0.05)
    post = Post()
    post.thread.start()
    yield post
    assert post.thread.stop(SOON_S)
    assert post.broken == []


def test_a_notice_that_cannot_be_set_aside_stops_nothing_else(post: Post) -> None:
    with capture_logs() as logs:
        post.bus.stuck = {"first.json"}
        post.deliver("first.json")
        (trouble,) = wait_for(lambda: post.thread.trouble, SOON_S, "the trouble")
        assert "first.json: the spool folder accepted may not be written to" in trouble
        for number in range(5):
            post.deliver(f"later-{number}.json")
        post.wait_set_aside(*(f"later-{number}.json" for number in range(5)))
        post.journal.unsent = [entry(7, "quay-03")]
        wait_for(lambda: post.bus.published == [7], SOON_S, "the event")
        polls = post.bus.polls
        wait_for(lambda: post.bus.polls > polls + 3, SOON_S, "polls")
        assert "first.json" not in post.bus.set_aside
        post.bus.stuck = set()
        post.wait_set_aside("first.json")
        wait_for(lambda: not post.thread.trouble, SOON_S, "the end of the trouble")
    said = [log["event"] for log in logs if log["event"].startswith("notice_") and "stuck" in log["event"]]
    assert said == ["notice_stuck", "notice_not_stuck"]


def test_notices_that_cannot_be_set_aside_do_not_keep_out_what_comes_after_them(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(busthread, "WINDOW", 3)
    stuck = [f"stuck-{number}.json" for number in range(6)]
    post.bus.stuck = set(stuck)
    for name in stuck:
        post.deliver(name)
    wait_for(lambda: set(stuck) <= set(post.bus.tries), SOON_S, "a try at each")
    post.deliver("later.json")
    post.wait_set_aside("later.json")
    post.bus.stuck = set()
    post.wait_set_aside(*stuck)


def test_a_notice_that_cannot_be_set_aside_is_not_tried_at_every_turn(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lane, "LONGEST_PAUSE_S", 60.0)
    post.bus.stuck = {"first.json"}
    post.deliver("first.json")
    wait_for(lambda: post.thread.trouble, SOON_S, "the trouble")
    polls = post.bus.polls
    wait_for(lambda: post.bus.polls > polls + 10, SOON_S, "polls")
    assert post.bus.tries == ["first.json"]


def test_a_stop_does_not_wait_for_a_notice_that_cannot_be_set_aside(post: Post) -> None:
    post.bus.stuck = {"first.json"}
    post.deliver("first.json")
    wait_for(lambda: post.thread.trouble, SOON_S, "the trouble")
    assert post.thread.stop(5.0)


def test_an_event_that_is_not_taken_holds_back_its_own_subject_only(post: Post) -> None:
    with capture_logs() as logs:
        post.bus.refusing = {"load-1": "no queue takes it: bind one"}
        post.journal.unsent = [entry(n, f"load-{n % 3}") for n in range(1, 2 * AT_ONCE)]
        others = [n for n in range(1, 2 * AT_ONCE) if n % 3 != 1]
        wait_for(lambda: len(post.bus.published) >= len(others), SOON_S, "the others")
        assert post.bus.published == others
        (trouble,) = post.thread.trouble
        assert "ingest.load.progressed about load-1: no queue takes it: bind one" in trouble
        assert post.thread.outward.refused_subjects == 1
        post.bus.refusing = {}
        wait_for(lambda: not post.journal.unsent, SOON_S, "the rest")
        wait_for(lambda: not post.thread.trouble, SOON_S, "the end of the trouble")
    assert post.bus.published[len(others) :] == [n for n in range(1, 2 * AT_ONCE) if n % 3 == 1]
    assert [log["event"] for log in logs] == ["event_not_taken", "event_taken"]


def test_a_stop_does_not_wait_for_an_event_that_is_not_taken(post: Post) -> None:
    post.bus.refusing = {"load-1": "no queue takes it"}
    post.journal.unsent = [entry(1, "load-1"), entry(2, "load-2")]
    wait_for(lambda: post.bus.published == [2], SOON_S, "the other")
    assert post.thread.stop(5.0)


@pytest.mark.parametrize(("down", "words"), [("out", "no events go out"), ("in", "no notices come in")])
def test_one_direction_goes_on_without_the_other(post: Post, down: str, words: str) -> None:
    post.bus.down = down
    if down == "out":
        post.journal.unsent = [entry(1, "load-1")]
    (trouble,) = wait_for(lambda: post.thread.trouble, SOON_S, "the trouble")
    assert trouble.startswith(f"{words}: the broker ")
    if down == "out":
        post.deliver("first.json")
        post.wait_set_aside("first.json")
    else:
        post.journal.unsent = [entry(1, "load-1")]
        wait_for(lambda: post.bus.published == [1], SOON_S, "the event")
    post.bus.down = ""
    wait_for(lambda: not post.thread.trouble, SOON_S, "the end of the trouble")


def test_a_direction_that_works_again_has_the_other_tried_at_once(
    post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    pauses = [3600.0]
    monkeypatch.setattr(random, "uniform", lambda *_: pauses[-1])
    post.bus.down = "out"
    post.journal.unsent = [entry(1, "load-1")]
    wait_for(lambda: post.thread.trouble, SOON_S, "the trouble")
    pauses.append(0.05)
    post.bus.down = "out and in"
    wait_for(lambda: len(post.thread.trouble) == 2, SOON_S, "the trouble of both")
    post.bus.down = ""
    wait_for(lambda: post.bus.published == [1], SOON_S, "the event, long before its time")


def test_what_is_wrong_with_a_message_before_its_body_is_looked_at_sets_it_aside(post: Post) -> None:
    body = json.dumps({"specversion": "1.0", "id": "n-1", "source": "/orders", "type": "x"}).encode()
    post.bus.arriving.put(
        Delivery("origin", "name", body, flaws=("notice: has the content type 'text/html'",))
    )
    noticed: Any = post.inbox.get(timeout=SOON_S)
    assert noticed.event.problems[0] == "notice: has the content type 'text/html'"
    assert len(noticed.event.problems) > 1, "what is wrong with the body is told as well"


def test_notices_behind_what_a_broker_hands_out_at_once_are_not_waited_for() -> None:
    post = Post(poll_s=1.0)
    post.bus.prefetch = 1
    post.thread.start()
    began = time.monotonic()
    for number in range(8):
        post.deliver(f"n-{number}")
    post.wait_set_aside("n-7")
    took_s = time.monotonic() - began
    assert post.thread.stop(SOON_S)
    assert took_s < 4.0, "each was acknowledged when it was decided on, not when the next was given up"


def test_records_that_cannot_be_read_are_counted_where_they_come_in_floods() -> None:
    post = Post()
    post.thread = BusThread(
        cast(Bus, post.bus),
        station="quay-03",
        inbox=post.inbox,
        journal=cast(Journal, post.journal),
        broken=post.broken.append,
        clock=Clock(),
        poll_s=0.005,
        log="ingest.audit",
    )
    with capture_logs() as logs:
        post.thread.start()
        for offset in range(300):
            where = Position("ingest.audit", offset)
            post.bus.arriving.put(Delivery(f"audit-{offset}", f"audit-{offset}", b"no JSON", where))
        for _ in range(300):
            post.inbox.get(timeout=SOON_S).done(())  # type: ignore[union-attr]
        wait_for(lambda: counted(logs) == 300, SOON_S, "all of them counted")
        assert post.thread.stop(SOON_S)
    told = [log for log in logs if log["event"] == "record_passed_over"]
    assert len(told) < 100
    assert {log["log_level"] for log in told} == {"error"}


def counted(logs: Sequence[Any]) -> int:
    return sum(log.get("more", 1) for log in logs if log["event"] == "record_passed_over")
