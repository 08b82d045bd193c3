"""What a station makes of the log that it shares: whose claim holds, what an end means, who says it."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

import pytest

from ingestd.core.custody import Entry
from ingestd.core.job import ExpectedDrive
from ingestd.core.job_record import JobStatus
from ingestd.core.messages import (
    Identify,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
    Prove,
    Survey,
    TakeBack,
    Transfer,
)
from ingestd.core.model import BayName, HoldReason, JobId, Phase
from ingestd.core.outgoing import (
    JobFailed,
    JobLoaded,
    JobWithdrawalCompleted,
    LoadAway,
    LoadClaimed,
    LoadFinished,
    NoticeRefused,
)
from ingestd.core.phases import Held, Load, Releasing
from ingestd.core.station_log import HEARD_MAX, _remember
from ingestd.core.station_turn import Turn
from tests.support import values as v
from tests.support.harbour import LEASE_S, Drive, Harbour, Pier

JOB = JobId("kelp-0412")
BAY = BayName("bay-1")
RNG = random.Random(1)
REPORT_EVERY_S = 60.0
LEASE_REPORTS = int(LEASE_S / REPORT_EVERY_S)


def _read(entry: Entry) -> dict[str, Any]:
    return dict(json.loads(entry.line))


class Pair:
    """Two stations and a job that both know of; nothing moves but what the test moves."""

    def __init__(self, drives: int = 1, *, items: bool = False) -> None:
        self.harbour = Harbour(0, stations=2, jobs=0)
        self.one, self.other = self.harbour.piers
        self.one.skew_s = self.other.skew_s = 0.0
        names = tuple(f"part-{place}.age" for place in range(drives))
        self.job = v.job(
            JOB, *(f"HQ{n}" for n in range(drives)), items=tuple(map(v.item, names)) if items else ()
        )
        self.names = names
        self.harbour.jobs[JOB] = self.job
        self.harbour.log.notices.append(JobAnnounced(at=v.AT, job=self.job))
        self.talk()

    def drive(self, place: int = 0, *, plain: bool = False, has: tuple[str, ...] | None = None) -> Drive:
        here = self.names[place : place + 1] if has is None else has
        return Drive((JOB, place), v.facts(f"HQ{place}"), here, plain)

    def plug(self, pier: Pier, drive: Drive) -> Load:
        pier.plug(BAY, drive)
        self.work(pier, Identify)
        return self.load(pier)

    def load(self, pier: Pier) -> Load:
        load_id = pier.station.bays[BAY].load_id
        assert load_id is not None
        return pier.station.loads[load_id]

    def work(self, pier: Pier, *kinds: type) -> None:
        """The effects of these kinds come to their end, each followed by what it leads to."""
        for kind in kinds:
            (effect,) = [e for e in pier.effects if isinstance(e, kind)]
            pier.work(effect)

    def publish(self, *piers: Pier) -> None:
        """What these have said goes into the log, in this order."""
        for pier in piers:
            while pier.outbox:
                pier.move("publish", RNG)

    def hear(self, *piers: Pier) -> None:
        for pier in piers:
            while "notice" in (moves := list(pier.moves())) or "hear" in moves:
                pier.move("notice" if "notice" in moves else "hear", RNG)

    def talk(self) -> None:
        """Everything said is heard by everybody."""
        while any(pier.outbox for pier in self.harbour.piers) or any(
            move in ("hear", "notice") for pier in self.harbour.piers for move in pier.moves()
        ):
            self.publish(self.one, self.other)
            self.hear(self.one, self.other)

    def later(self, seconds: float) -> None:
        self.harbour.at += seconds
        self.harbour._fire_due()

    def wait(self, reports: int, *live: Pier) -> None:
        """Time passes from report to report, while these stations hear each other."""
        for _ in range(reports):
            self.later(REPORT_EVERY_S)
            self.publish(*live)
            self.hear(*live)

    def told(self, kind: type) -> list[str]:
        """Which stations have published messages of this kind, repeats included."""
        return [station for station, message in self.harbour.log.told if isinstance(message.body, kind)]


def test_nothing_begins_before_the_claim_is_heard() -> None:
    pair = Pair()
    load = pair.plug(pair.one, pair.drive())
    assert (load.phase, pair.one.effects) == (Phase.WAITING, [])
    pair.publish(pair.one)
    assert pair.load(pair.one).phase is Phase.WAITING
    pair.hear(pair.one)
    assert pair.load(pair.one).phase is Phase.SURVEYING


def test_of_two_claims_the_first_in_the_log_holds_whoever_hears_it_first() -> None:
    for first_hears_first in (True, False):
        pair = Pair()
        pair.plug(pair.one, pair.drive())
        pair.plug(pair.other, pair.drive())
        pair.publish(pair.other, pair.one)
        pair.hear(*((pair.other, pair.one) if first_hears_first else (pair.one, pair.other)))
        assert pair.load(pair.other).phase is Phase.SURVEYING
        lost = pair.load(pair.one)
        assert isinstance(lost.state, Held)
        assert lost.state.reason is HoldReason.CLAIMED_ELSEWHERE
        assert pair.load(pair.other).load_id in lost.state.text
        assert not any(isinstance(effect, Survey | Transfer) for effect in pair.one.effects)


def test_a_claim_on_what_is_known_to_be_taken_is_not_even_made() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.plug(pair.other, pair.drive())
    assert isinstance(pair.load(pair.other).state, Held)
    assert not any(isinstance(message.body, LoadClaimed) for message in pair.other.outbox)


@pytest.mark.parametrize(("reports", "holds"), [(LEASE_REPORTS, True), (LEASE_REPORTS + 1, False)])
@pytest.mark.parametrize("skew_s", [-7200.0, 0.0, 7200.0])
def test_a_claim_ends_with_the_silence_of_its_station(reports: int, holds: bool, skew_s: float) -> None:
    """Whatever its clock says, or that of the station that waits."""
    pair = Pair()
    pair.one.skew_s = skew_s
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.plug(pair.other, pair.drive())
    pair.one.cut_off = True
    pair.wait(reports, pair.other)
    phase = pair.load(pair.other).phase
    assert (phase is Phase.HELD) == holds
    # The station that was cut off hears of it, and stops.
    pair.one.cut_off = False
    pair.talk()
    assert (pair.load(pair.one).phase is Phase.SURVEYING) == holds


@pytest.mark.parametrize("whose", ["one", "other"])
@pytest.mark.parametrize("step_s", [-7200.0, 7200.0, 86_400.0])
def test_a_clock_that_is_put_right_makes_nobody_silent(whose: str, step_s: float) -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.plug(pair.other, pair.drive())
    for _ in range(4):
        pair.wait(3, pair.one, pair.other)
        getattr(pair, whose).skew_s += step_s
    pair.wait(3, pair.one, pair.other)
    pair.talk()
    assert pair.told(LoadClaimed) == [pair.one.name]
    assert pair.load(pair.one).phase is Phase.SURVEYING
    assert pair.load(pair.other).phase is Phase.HELD


def test_a_station_that_the_log_does_not_reach_holds_no_other_for_silent() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.plug(pair.other, pair.drive())
    pair.other.cut_off = True
    pair.wait(3 * LEASE_REPORTS, pair.one)
    assert not any(isinstance(message.body, LoadClaimed) for message in pair.other.outbox)
    pair.other.cut_off = False
    pair.talk()
    assert pair.told(LoadClaimed) == [pair.one.name]
    assert pair.load(pair.one).phase is Phase.SURVEYING


def test_a_word_that_comes_before_the_claim_of_who_held_it_for_silent_saves_its_station() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.plug(pair.other, pair.drive())
    pair.wait(LEASE_REPORTS, pair.other)
    pair.later(REPORT_EVERY_S)
    assert any(isinstance(message.body, LoadClaimed) for message in pair.other.outbox)
    pair.publish(pair.one, pair.other)
    pair.hear(pair.one, pair.other)
    assert pair.load(pair.one).phase is Phase.SURVEYING
    assert pair.load(pair.other).phase is Phase.HELD
    # Should it fall silent after all, the other one has the drive then.
    pair.one.cut_off = True
    pair.wait(LEASE_REPORTS + 1, pair.other)
    assert pair.load(pair.other).phase is Phase.SURVEYING


def test_who_judges_a_silence_knows_only_what_the_log_says() -> None:
    """A station that was restarted has not forgotten when the others were heard last."""
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.other.begin()
    assert dict(pair.other.station.seen) == pair.other.seen != {}


def test_a_drive_that_was_pulled_is_free_for_others_and_its_own_load_asks_again() -> None:
    pair = Pair()
    before = pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.one.pull(BAY)
    pair.talk()
    pair.plug(pair.other, pair.drive())
    (claim,) = [m.body for m in pair.other.outbox if isinstance(m.body, LoadClaimed)]
    assert claim.continues == before.load_id
    # Its record of custody takes up that of the load before.
    away = next(m.body for _, m in pair.harbour.log.records if isinstance(m.body, LoadAway))
    matched = next(e for e in map(_read, pair.other.custody) if e["action"] == "matched")
    assert away.custody is not None
    assert matched["details"]["continues"] == before.load_id
    assert matched["details"]["continues_custody"] == {
        "entries": away.custody.entries,
        "sha256": away.custody.sha256,
    }
    assert _read(pair.one.custody[-1])["sha256"] == away.custody.sha256
    pair.talk()
    assert pair.load(pair.other).phase is Phase.SURVEYING
    # It was brought back to the first station all the same: there it waits.
    pair.plug(pair.one, pair.drive())
    pair.talk()
    state = pair.load(pair.one).state
    assert isinstance(state, Held)
    assert state.reason is HoldReason.CLAIMED_ELSEWHERE
    # And goes on when the other one lets go.
    pair.other.pull(BAY)
    pair.talk()
    assert pair.load(pair.one).phase is Phase.SURVEYING


def test_a_failure_takes_nothing_back_before_it_is_heard() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive(plain=True))
    pair.talk()
    pair.work(pair.one, Survey, Survey)
    state = pair.load(pair.one).state
    assert isinstance(state, Releasing)
    assert (state.step, pair.one.effects) == ("verdict", [])
    assert not pair.told(JobFailed)
    pair.talk()
    assert any(isinstance(effect, TakeBack) for effect in pair.one.effects)
    assert pair.told(JobFailed) == [pair.one.name]
    assert pair.other.jobs[JOB].status is JobStatus.FAILED


def test_a_failure_behind_another_stations_proof_fails_nothing_and_keeps_the_data() -> None:
    """The first station had loaded the drive before it fell silent; another one found its copy at fault."""
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.work(pair.one, Survey, Transfer)
    pair.one.cut_off = True
    pair.work(pair.one, Prove)
    pair.plug(pair.other, pair.drive(plain=True))
    pair.wait(LEASE_REPORTS + 1, pair.other)
    pair.work(pair.other, Survey, Survey)
    pair.one.cut_off = False
    pair.publish(pair.one, pair.other)
    pair.talk()
    assert pair.told(JobLoaded) == [pair.one.name]
    assert not pair.told(JobFailed)
    assert not any(isinstance(effect, TakeBack) for effect in pair.other.effects)
    pair.harbour.check_always()


def test_a_place_that_an_amendment_has_taken_away_has_no_namesakes() -> None:
    pair = Pair(drives=2)
    pair.plug(pair.one, pair.drive(1))
    shorter = replace(pair.job, version=2, drives=pair.job.drives[:1])
    pair.harbour.log.notices.append(JobAmended(at=v.AT, job=shorter))
    pair.hear(pair.one)
    known = v.facts("HQ1")
    alike = replace(known, identity=replace(known.identity, size_bytes=5, wwn="0x5000c500bbbbbbbb"))
    pair.one.plug(BayName("bay-2"), Drive((JOB, 1), alike, (), False))
    pair.work(pair.one, Identify)
    load_id = pair.one.station.bays[BayName("bay-2")].load_id
    assert load_id is not None
    state = pair.one.station.loads[load_id].state
    assert isinstance(state, Held)
    assert state.reason is HoldReason.NO_MATCHING_JOB


@pytest.mark.parametrize("replaced", [True, False])
def test_a_place_that_is_another_drives_by_the_time_it_is_claimed_is_for_a_person(replaced: bool) -> None:
    pair = Pair(drives=2)
    pair.plug(pair.one, pair.drive(1))
    drives = pair.job.drives[:1] + ((ExpectedDrive(serial="HQ9"),) if replaced else ())
    amended = JobAmended(at=v.AT, job=replace(pair.job, version=2, drives=drives))
    pair.harbour.log.notices.append(amended)
    pair.hear(pair.one)
    for _ in range(3):
        pair.talk()
    state = pair.load(pair.one).state
    assert isinstance(state, Held), state
    assert ("HQ9" if replaced else "amended") in state.text
    assert not any(isinstance(effect, Survey) for effect in pair.one.effects)


def test_two_stations_that_finish_together_say_so_once() -> None:
    pair = Pair(drives=2)
    for place, pier in enumerate((pair.one, pair.other)):
        pair.plug(pier, pair.drive(place))
    pair.talk()
    for pier in (pair.one, pair.other):
        pair.work(pier, Survey, Transfer, Prove)
    pair.publish(pair.one, pair.other)
    pair.talk()
    pair.later(3 * LEASE_S)
    pair.talk()
    assert pair.told(JobLoaded) == [pair.other.name]


def test_what_the_last_station_should_have_said_another_one_says_when_it_falls_silent() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.work(pair.one, Survey, Transfer, Prove)
    pair.publish(pair.one)
    pair.one.cut_off = True
    pair.hear(pair.other)
    pair.later(LEASE_S / 2)
    pair.publish(pair.other)
    assert pair.told(JobLoaded) == []
    pair.later(2 * LEASE_S)
    pair.publish(pair.other)
    assert pair.told(JobLoaded) == [pair.other.name]
    pair.one.cut_off = False
    pair.talk()
    assert len(pair.harbour.log.ids(JobLoaded, JOB)) == 1


def test_a_lost_journal_says_nothing_again_and_gives_up_what_it_had_claimed() -> None:
    pair = Pair(drives=2)
    pair.plug(pair.one, pair.drive(0))
    pair.talk()
    pair.work(pair.one, Survey, Transfer, Prove)
    pair.talk()
    pair.one.pull(BAY)
    pair.plug(pair.one, pair.drive(1))
    pair.talk()
    _lose_journal(pair.one)
    pair.talk()
    assert pair.told(LoadFinished) == [pair.one.name]
    assert pair.other.jobs[JOB].claims[1].over, "the claim of the lost journal is given up"
    pair.work(pair.one, Identify)
    pair.talk()
    pair.work(pair.one, Survey, Transfer, Prove)
    pair.talk()
    assert pair.told(JobLoaded) == [pair.one.name]
    _lose_journal(pair.one)
    pair.talk()
    pair.later(3 * LEASE_S)
    pair.talk()
    assert pair.told(JobLoaded) == [pair.one.name]


def _lose_journal(pier: Pier) -> None:
    pier.jobs, pier.loads, pier.seen, pier.unsaid, pier.said = {}, {}, {}, {}, set()
    pier.heard = pier.noticed = 0
    pier.outbox.clear()
    pier.harbour.at += 60.0
    pier.begin()


def test_a_withdrawal_is_answered_when_the_last_station_has_let_go() -> None:
    pair = Pair(drives=2)
    for place, pier in enumerate((pair.one, pair.other)):
        pair.plug(pier, pair.drive(place))
    pair.talk()
    for pier in (pair.one, pair.other):
        pair.work(pier, Survey, Transfer)
    pair.harbour.log.notices.append(JobWithdrawn(at=v.AT, job_id=JOB, reason="cancelled"))
    pair.talk()
    _let_go(pair.one)
    pair.talk()
    pair.later(5.0)
    pair.talk()
    assert pair.told(JobWithdrawalCompleted) == []
    _let_go(pair.other)
    pair.talk()
    assert pair.told(JobWithdrawalCompleted) == [pair.other.name]
    assert pair.harbour.store.owner == {}


def _let_go(pier: Pier) -> None:
    while pier.effects:
        pier.work(pier.effects[0])


def test_a_job_that_is_loaded_is_not_taken_back_however_soon_it_is_withdrawn() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.work(pair.one, Survey, Transfer, Prove)
    pair.harbour.log.notices.append(JobWithdrawn(at=v.AT, job_id=JOB, reason="cancelled"))
    pair.publish(pair.one)
    pair.talk()
    pair.later(5.0)
    pair.talk()
    (answer,) = pair.harbour.log.answers(JOB)
    assert not answer.taken_back
    assert "loaded already" in answer.text
    pair.harbour.check_always()


def test_a_withdrawal_before_the_announcement_and_twice_is_answered_each_time() -> None:
    pair = Pair()
    early = JobId("plates-17")
    for _ in range(2):
        pair.harbour.log.notices.append(JobWithdrawn(at=v.AT, job_id=early, reason="cancelled"))
    pair.harbour.log.notices.append(JobAnnounced(at=v.AT, job=v.job(early, "AP1")))
    pair.talk()
    pair.later(5.0)
    pair.talk()
    assert len(pair.harbour.log.answers(early)) == 2
    assert {pier.jobs[early].status for pier in pair.harbour.piers} == {JobStatus.WITHDRAWN}
    assert len(pair.told(JobWithdrawalCompleted)) == 2


def test_what_lies_on_none_of_the_drives_is_missed_by_the_one_that_is_heard_last() -> None:
    pair = Pair(drives=2, items=True)
    pair.plug(pair.one, pair.drive(0))
    pair.plug(pair.other, pair.drive(1, has=()))
    pair.talk()
    for pier in (pair.one, pair.other):
        pair.work(pier, Survey)
    pair.publish(pair.one, pair.other)
    pair.talk()
    assert pair.load(pair.one).phase is Phase.LOADING
    assert pair.load(pair.other).phase is Phase.SURVEYING
    pair.work(pair.other, Survey, Survey)
    pair.talk()
    assert pair.told(JobFailed) == [pair.other.name]


def test_claims_are_heard_before_the_notice_of_their_job() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    newcomer = Pier("quay-07", 0.0, pair.harbour)
    while newcomer.heard < len(pair.harbour.log.records):
        newcomer.move("hear", RNG)
    assert newcomer.station.jobs_pending == 0
    while newcomer.noticed < len(pair.harbour.log.notices):
        newcomer.move("notice", RNG)
    assert newcomer.station.jobs_pending == 1
    newcomer.plug(BAY, pair.drive())
    newcomer.work(newcomer.effects[0])
    load = newcomer.station.loads[newcomer.station.bays[BAY].load_id]  # type: ignore[index]
    assert isinstance(load.state, Held)
    assert load.state.reason is HoldReason.CLAIMED_ELSEWHERE


def test_ids_that_were_heard_are_kept_in_bounds() -> None:
    pair = Pair()
    turn = Turn(pair.one.station, v.AT)
    for number in range(3 * HEARD_MAX):
        _remember(turn, f"event-{number}")
    assert len(turn.station.heard) <= HEARD_MAX
    assert f"event-{3 * HEARD_MAX - 1}" in turn.station.heard


def test_a_refusal_is_said_by_one_station() -> None:
    pair = Pair()
    bad = v.job("kelp-0413", "HQ9", store="nowhere")
    pair.harbour.log.notices.append(JobAnnounced(at=v.AT, job=bad))
    pair.hear(pair.one, pair.other)
    pair.later(0.0)
    pair.later(3.0)
    pair.publish(pair.one)
    pair.hear(pair.other)
    pair.talk()
    assert len({m.event_id for _, m in pair.harbour.log.told if isinstance(m.body, NoticeRefused)}) == 1


def test_a_later_version_waits_until_what_the_failed_one_stored_is_gone() -> None:
    """Else it would find that data in the store, and prove it, just before it is taken back."""
    pair = Pair(drives=2)
    pair.plug(pair.one, pair.drive(0))
    pair.plug(pair.other, pair.drive(1, plain=True))
    pair.talk()
    pair.work(pair.one, Survey, Transfer)
    pair.work(pair.other, Survey, Survey)
    pair.talk()
    _let_go(pair.other)
    pair.other.pull(BAY)
    pair.harbour.log.notices.append(JobAmended(at=v.AT, job=replace(pair.job, version=2)))
    pair.talk()
    assert any(isinstance(effect, TakeBack) for effect in pair.one.effects), "still taking back"
    held = pair.plug(pair.other, pair.drive(1))
    assert isinstance(held.state, Held)
    assert "has yet to take back" in held.state.text
    _let_go(pair.one)
    pair.talk()
    assert pair.load(pair.other).phase is Phase.SURVEYING


def test_a_failure_that_is_read_before_the_amendment_leaves_the_job_failed_until_then() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive(plain=True))
    pair.talk()
    pair.work(pair.one, Survey, Survey)
    pair.talk()
    for version in (2, 3):
        pair.harbour.log.notices.append(JobAmended(at=v.AT, job=replace(pair.job, version=version)))
        pair.talk()
        assert {pier.jobs[JOB].status for pier in pair.harbour.piers} == {JobStatus.PENDING}
    newcomer = Pier("quay-07", 0.0, pair.harbour)
    pair.harbour.piers.append(newcomer)
    while newcomer.heard < len(pair.harbour.log.records):
        newcomer.move("hear", RNG)
    newcomer.move("notice", RNG)
    assert newcomer.jobs[JOB].status is JobStatus.FAILED, "version 1 has failed"
    pair.hear(newcomer)
    assert newcomer.jobs[JOB].status is JobStatus.PENDING


def test_what_got_lost_on_the_way_is_said_again() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    lost = [m for m in pair.one.outbox if isinstance(m.body, LoadClaimed)]
    for message in lost:
        pair.one.outbox.remove(message)
    for _ in range(8):
        pair.later(60.0)
        pair.talk()
    assert pair.load(pair.one).phase is Phase.SURVEYING


def test_a_verdict_that_got_lost_is_asked_for_again() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive(plain=True))
    pair.talk()
    pair.work(pair.one, Survey, Survey)
    for message in [m for m in pair.one.outbox if isinstance(m.body, LoadFinished)]:
        pair.one.outbox.remove(message)
    for _ in range(8):
        pair.later(60.0)
        pair.talk()
    assert pair.told(JobFailed) == [pair.one.name]


def test_a_station_that_does_not_hear_itself_repeats_nothing() -> None:
    """The broker is away: what is said waits in the outbox, once."""
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.one.cut_off = True
    for _ in range(20):
        pair.later(60.0)
    assert sum(isinstance(m.body, LoadClaimed) for m in pair.one.outbox) == 1


def test_a_lost_journal_makes_no_withdrawal_seem_clean() -> None:
    pair = Pair()
    pair.plug(pair.one, pair.drive())
    pair.talk()
    pair.work(pair.one, Survey, Transfer)
    pair.one.pull(BAY)
    pair.talk()
    _lose_journal(pair.one)
    pair.talk()
    pair.harbour.log.notices.append(JobWithdrawn(at=v.AT, job_id=JOB, reason="cancelled"))
    pair.talk()
    pair.later(5.0)
    pair.talk()
    (answer,) = pair.harbour.log.answers(JOB)
    assert not answer.taken_back
    assert "remove what it stored by hand" in answer.text
