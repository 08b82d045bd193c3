"""The loop: step, commit, perform, acknowledge, in that order, whatever comes in."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pytest

from ingestd.core import station as core
from ingestd.core.line import Cap
from ingestd.core.messages import (
    DriveAppeared,
    Event,
    Identified,
    Identify,
    JobAnnounced,
    LimitsChanged,
    NoticeMalformed,
    Record,
    StationStarted,
    StopRequested,
    Survey,
    UplinkSet,
)
from ingestd.core.model import Attempt, BayName, LoadId
from ingestd.core.outgoing import NoticeRefused, Publish
from ingestd.core.plan import Plan
from ingestd.core.uplink import UplinkOrder
from ingestd.ports import JournalError
from ingestd.runtime.loop import BATCH, Inbox, Loop, Noticed
from tests.support import values
from tests.support.at_work import FakeClock

STARTED = StationStarted(at=values.AT, sightings=())
STOP = StopRequested(at=values.AT)


class FakeJournal:
    def __init__(self, done: list[str]) -> None:
        self.records: list[Record] = []
        self.commits = 0
        self._acted_on: set[str] = set()
        self.committed: dict[str, int] = {}
        self.fails_at: int | None = None
        self._done = done

    def commit(
        self,
        records: Sequence[Record],
        *,
        at: float,
        identities: Sequence[str] = (),
        positions: Mapping[str, int],
    ) -> None:
        if not records and not identities and not positions:
            return
        self.commits += 1
        if self.commits == self.fails_at:
            raise JournalError("the disk is full")
        self.records += records
        self._acted_on.update(identities)
        self.committed.update(positions)
        self._done.append("commit")

    def knows(self, identity: str) -> bool:
        return identity in self._acted_on

    def known(self, identities: Sequence[str]) -> set[str]:
        return self._acted_on & set(identities)

    def positions(self) -> dict[str, int]:
        return dict(self.committed)


class FakeEffects:
    def __init__(self, done: list[str]) -> None:
        self.commands: list[Any] = []
        self.cancelled: list[tuple[str, Attempt]] = []
        self.busy = 0
        self.stopped = False
        self._done = done

    def perform(self, command: Any) -> None:
        self.commands.append(command)
        self._done.append("perform")

    def cancel(self, owner: str, attempt: Attempt) -> None:
        self.cancelled.append((owner, attempt))

    def stop(self) -> None:
        self.stopped = True

    def give_up_stalled(self) -> None: ...


class FakeGovernor:
    def __init__(self) -> None:
        self.plans: list[Plan] = []

    def follow(self, plan: Plan) -> None:
        self.plans.append(plan)


class World:
    """A loop with fakes around it. `play` runs it through a script, one step at each look for signals."""

    def __init__(self) -> None:
        self.done: list[str] = []
        self.refused: dict[str, list[str]] = {}
        """What was wrong with each notice that was acknowledged, as it was told the last time."""
        self.journal = FakeJournal(self.done)
        self.effects = FakeEffects(self.done)
        self.governor = FakeGovernor()
        self.clock = FakeClock()
        self.inbox: Inbox = queue.SimpleQueue()
        self._script: Iterator[Event | None] = iter(())
        self.loop = Loop(
            core.empty(values.LIMITS),
            inbox=self.inbox,
            journal=self.journal,  # type: ignore[arg-type]
            effects=self.effects,  # type: ignore[arg-type]
            governor=self.governor,  # type: ignore[arg-type]
            clock=self.clock,
            tick=lambda: next(self._script, STOP),
        )

    def play(self, *steps: Callable[[], Event | None], stop_within_s: float = 5.0) -> bool:
        """Run until the script is at its end, which asks for a stop."""
        self._script = (step() for step in steps)
        return self.loop.run(STARTED, lambda: stop_within_s)

    def notice(self, event: Event, identity: str) -> None:
        def over(problems: Sequence[str]) -> None:
            self.done.append(f"acknowledge {identity}")
            self.refused[identity] = list(problems)

        self.inbox.put(Noticed(event, identity, over, known_as=identity))

    def put(self, *events: Event) -> Callable[[], None]:
        def step() -> None:
            for event in events:
                self.inbox.put(event)

        return step

    def said(self) -> list[str]:
        return [r.body.TYPE for r in self.journal.records if isinstance(r, Publish)]


@pytest.fixture
def world() -> World:
    return World()


def announced(number: int) -> JobAnnounced:
    return JobAnnounced(at=values.AT + number, job=values.job(f"tidewrack-{number}", f"KELP-{number}"))


def appeared(bay: str = "bay-1") -> DriveAppeared:
    return DriveAppeared(at=values.AT, sighting=values.sighting(bay))


# -- the order -------------------------------------------------------------------------------------


def test_nothing_is_performed_or_acknowledged_before_the_commit(world: World) -> None:
    world.inbox.put(appeared())
    world.notice(announced(1), "orders 1")
    assert world.play()
    assert world.done == ["commit", "perform", "acknowledge orders 1"]
    assert [type(command) for command in world.effects.commands] == [Identify]


def test_a_commit_that_fails_stops_the_loop_with_nothing_done(world: World) -> None:
    world.journal.fails_at = 1
    world.inbox.put(appeared())
    world.notice(announced(1), "orders 1")
    with pytest.raises(JournalError, match="the disk is full"):
        world.play()
    assert world.done == []


def test_a_journal_that_another_thread_found_broken_stops_the_loop(world: World) -> None:
    def broke() -> None:
        world.loop.broken(JournalError("the disk is gone"))

    with pytest.raises(JournalError, match="the disk is gone"):
        world.play(broke, lambda: None)


# -- batches ---------------------------------------------------------------------------------------


def test_what_waits_shares_commits(world: World) -> None:
    for number in range(1_000):
        world.notice(announced(number), f"orders {number}")
    assert world.play(*[lambda: None] * 4)
    assert world.loop.station.jobs_pending == 1_000
    assert world.journal.commits == -(-1_000 // BATCH)
    acknowledged = [what for what in world.done if what.startswith("acknowledge")]
    assert acknowledged == [f"acknowledge orders {n}" for n in range(1_000)]


def test_a_notice_is_acted_on_once_and_acknowledged_each_time(world: World) -> None:
    refused = NoticeMalformed(at=values.AT, name="a.json", problems=("no JSON",))
    for _ in range(2):
        world.notice(refused, "a.json")
    assert world.play(lambda: world.notice(refused, "a.json"), lambda: None)
    assert world.said() == ["ingest.notice.refused"]
    assert world.done.count("acknowledge a.json") == 3


def test_who_put_a_notice_is_told_why_it_was_refused(world: World) -> None:
    elsewhere = values.job("tidewrack-1", store="nowhere")
    world.notice(announced(2), "orders 2")
    world.notice(JobAnnounced(at=values.AT, job=elsewhere), "orders 1")
    assert world.play()
    assert world.refused["orders 2"] == []
    (problem,) = world.refused["orders 1"]
    assert problem.startswith("data.destination.store: no store named 'nowhere' here")
    (event,) = [r.body for r in world.journal.records if isinstance(r, Publish)]
    assert isinstance(event, NoticeRefused)
    assert (event.identity, event.problems) == ("orders 1", (problem,))


def test_a_refused_notice_that_comes_again_is_refused_again_and_told_once(world: World) -> None:
    elsewhere = JobAnnounced(at=values.AT, job=values.job("tidewrack-1", store="nowhere"))
    world.notice(elsewhere, "orders 1")
    world.notice(elsewhere, "orders 1")
    assert world.play(lambda: world.notice(elsewhere, "orders 1"), lambda: None)
    assert world.said() == ["ingest.notice.refused"]
    assert world.done.count("acknowledge orders 1") == 3
    assert "was refused before" in world.refused["orders 1"][0]


# -- bugs ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Unforeseen:
    """An event that the core has no handler for."""

    at: float = values.AT


@dataclass(frozen=True)
class _UnforeseenCompletion(_Unforeseen):
    load_id: LoadId = LoadId("")
    attempt: Attempt = Attempt(0)


def test_a_bug_in_the_core_costs_one_event_only(world: World) -> None:
    world.notice(announced(1), "orders 1")
    world.notice(_Unforeseen(), "orders 2")  # type: ignore[arg-type]
    world.notice(announced(3), "orders 3")
    assert world.play()
    assert world.loop.station.jobs_pending == 2
    assert world.said() == ["ingest.notice.refused"]
    assert [what for what in world.done if what.startswith("ack")] == [
        f"acknowledge orders {n}" for n in (1, 2, 3)
    ]


def test_a_bug_about_a_completion_counts_as_a_failure_of_that_effect(world: World) -> None:
    def identified() -> None:
        (identify,) = world.effects.commands
        world.inbox.put(
            Identified(at=values.AT, bay=BayName("bay-1"), attempt=identify.attempt, facts=values.facts())
        )

    def unforeseen() -> None:
        survey = world.effects.commands[-1]
        assert isinstance(survey, Survey)
        world.inbox.put(_UnforeseenCompletion(load_id=survey.load_id, attempt=survey.attempt))  # type: ignore[arg-type]

    job = JobAnnounced(at=values.AT, job=values.job())
    assert world.play(world.put(job, appeared()), identified, unforeseen, lambda: None)
    (load,) = world.loop.station.loads.values()
    assert "internal error while handling _UnforeseenCompletion" in core.reason_of(load)


# -- commands that are the loop's own --------------------------------------------------------------


def test_timers_fire_when_their_time_has_come_and_not_before(world: World) -> None:
    every = values.LIMITS.report_every_s

    def move(seconds: float) -> Callable[[], None]:
        def step() -> None:
            world.clock.seconds += seconds

        return step

    assert world.play(move(every - 1), lambda: None, move(1), lambda: None, move(every), lambda: None)
    assert world.said() == ["ingest.station.reported"] * 2


def test_a_new_cap_is_committed_and_reaches_the_governor(world: World) -> None:
    change = UplinkSet(at=values.AT, order=UplinkOrder(cap=Cap(5_000_000)))
    assert world.play(world.put(change), lambda: None)
    assert [plan.site for plan in world.governor.plans] == [Cap(5_000_000)]
    assert len(world.journal.records) == 1


def test_what_the_tick_asks_for_is_handled_like_any_event(world: World) -> None:
    limits = LimitsChanged(at=values.AT, limits=values.LIMITS)
    assert world.play(lambda: limits)
    assert world.loop.station.limits is values.LIMITS


# -- stopping --------------------------------------------------------------------------------------


def test_a_stop_cancels_what_runs_and_waits_for_its_completion(world: World) -> None:
    def identified() -> None:
        attempt = world.effects.commands[0].attempt
        world.inbox.put(Identified(at=values.AT, bay=BayName("bay-1"), attempt=attempt, facts=values.facts()))

    job = JobAnnounced(at=values.AT, job=values.job())
    assert world.play(world.put(job, appeared()), identified, lambda: None)
    survey = world.effects.commands[-1]
    assert world.effects.cancelled == [(survey.load_id, survey.attempt)]
    assert world.effects.stopped


def test_a_stop_does_not_wait_for_ever(world: World) -> None:
    def hung() -> StopRequested:
        world.effects.busy = 1
        return STOP

    def later() -> None:
        world.clock.seconds += 3.0

    assert not world.play(hung, later, later, stop_within_s=5.0)


def test_what_ends_while_it_stops_is_still_taken_in(world: World) -> None:
    def stop() -> StopRequested:
        world.effects.busy = 1
        return STOP

    def last_word() -> None:
        world.inbox.put(NoticeMalformed(at=values.AT, name="late.json", problems=("late",)))
        world.effects.busy = 0

    assert world.play(stop, last_word, lambda: None)
    assert world.said() == ["ingest.notice.refused"]
