"""Drives that come and go, that cannot be told apart or identified, and what people say of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from ingestd.core.drive import DriveFacts, VolumeFacts, VolumeFlaw
from ingestd.core.job import ExpectedDrive, Job
from ingestd.core.job_record import JobStatus
from ingestd.core.messages import (
    DriveAppeared,
    HoldLifted,
    Identified,
    Identify,
    Prove,
    Survey,
    Transfer,
)
from ingestd.core.model import BayName, Decision, FailureKind, HoldReason, LoadId, Outcome, Phase
from ingestd.core.outgoing import (
    DriveReleased,
    DriveUnclaimed,
    JobFailed,
    LoadAway,
    LoadHeld,
    LoadResumed,
    LoadStarted,
    NoticeRefused,
)
from ingestd.core.phases import Held, Load
from tests.support import values as v
from tests.support.one_station import Quay

ONE, TWO, THREE = "HQ7K2M9A", "HQ7K2M9B", "HQ7K2M9C"
DOUBT = v.survey(secrecy=(v.doubtful(),))


def hold_of(quay: Quay, bay: str = "bay-1") -> Held:
    state = quay.at_bay(bay).state
    assert isinstance(state, Held), state
    return state


# -- drives come and go ----------------------------------------------------------------------------


@pytest.mark.parametrize("bay", ["bay-1", "bay-2"])
def test_a_drive_that_comes_back_goes_on_in_whatever_bay(bay: str) -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay.unplug("bay-1")
    assert quay.says(LoadAway).bay == "bay-1"
    quay.plug(bay)
    assert quay.says(LoadResumed).bay == bay
    assert quay.at_bay(bay).load_id == load_id
    quay.loaded(bay)
    assert quay.status() is JobStatus.LOADED


def test_another_drive_in_the_same_bay_is_another_load() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay.plug("bay-1", v.facts(TWO))
    assert quay.told(LoadAway)[0].load_id == load_id
    assert quay.at_bay("bay-1").load_id != load_id
    assert hold_of(quay).reason is HoldReason.NO_MATCHING_JOB


def test_the_same_sighting_twice_changes_nothing() -> None:
    quay = Quay().announce().plug("bay-1")
    before = quay.station
    sighting = quay.plugged[BayName("bay-1")]
    quay.take(DriveAppeared(at=quay.at, sighting=sighting))
    assert quay.station == before


def test_a_bay_that_is_emptied_before_its_drive_is_known() -> None:
    quay = Quay().announce().plug("bay-1", known=False)
    asked = quay.does(Identify)
    quay.unplug("bay-1")
    late = Identified(at=quay.at, bay=asked.bay, attempt=asked.attempt, facts=v.facts())
    quay.take(late)
    assert (len(quay.station.loads), len(quay.station.bays)) == (0, 0)


def test_two_drives_of_one_identity_are_not_mixed_up() -> None:
    quay = Quay().announce().plug("bay-1").plug("bay-2")
    told = [message for message in quay.messages if isinstance(message, LoadHeld)]
    assert {message.reason for message in told} == {HoldReason.DUPLICATE_IDENTITY}
    assert {message.bay: message.text for message in told} == {
        mine: f"the drive in {other} gives the same identity ({ONE}); pull one of them, and if it is that "
        "one, lift this hold with 'again'"
        for mine, other in (("bay-1", "bay-2"), ("bay-2", "bay-1"))
    }
    quay.lift("bay-1", Decision.AGAIN).loaded("bay-1")
    assert quay.phase("bay-2") is Phase.HELD
    assert quay.unplug("bay-2").says(DriveReleased).outcome is Outcome.UNCLAIMED


def test_work_on_a_drive_stops_when_another_says_that_it_is_this_one() -> None:
    """Which of the two was announced is not known, so what has been read may be the wrong one's."""
    for work in ("surveying", "loading"):
        quay = Quay().announce().plug("bay-1")
        if work == "loading":
            quay.surveyed("bay-1")
        assert quay.phase("bay-1") == work
        quay.plug("bay-2")
        assert quay.did["Cancel"] == 1
        assert (quay.phase("bay-1"), quay.phase("bay-2")) == (Phase.HELD, Phase.HELD)


def test_a_drive_that_has_been_read_is_not_held_for_another() -> None:
    quay = Quay().announce().plug("bay-1").surveyed("bay-1").transferred("bay-1").plug("bay-2")
    assert (quay.phase("bay-1"), quay.phase("bay-2")) == (Phase.PROVING, Phase.HELD)


def test_of_two_drives_of_one_identity_the_one_that_stays_goes_on_when_a_person_says_so() -> None:
    quay = Quay().announce().plug("bay-1").surveyed("bay-1").plug("bay-2")
    load_id, twin = quay.at_bay("bay-1").load_id, quay.at_bay("bay-2").load_id
    quay.unplug("bay-1")
    assert quay.phase("bay-2") is Phase.HELD
    quay.lift("bay-2", Decision.AGAIN).identified("bay-2")
    assert quay.at_bay("bay-2").load_id == load_id
    assert quay.says(DriveReleased).load_id == twin
    assert quay.says(DriveReleased).text == f"the drive in bay-2 is that of load {load_id}, which goes on"
    quay.loaded("bay-2")
    assert quay.status() is JobStatus.LOADED


def test_a_twin_may_be_assigned_to_a_job_of_its_own() -> None:
    by_label = v.job("tidewrack-0118", drives=(ExpectedDrive(volume_label="REEF-2"),))
    quay = Quay().announce().announce(by_label).plug("bay-1").plug("bay-2")
    quay.assign("bay-2", "tidewrack-0118").loaded("bay-2")
    assert quay.status("tidewrack-0118") is JobStatus.LOADED


# -- one serial number, two drives ------------------------------------------------------------------


def named_alike(size_bytes: int, wwn: str) -> DriveFacts:
    known = v.facts(ONE)
    return replace(known, identity=replace(known.identity, size_bytes=size_bytes, wwn=wwn))


SMALL = named_alike(1_000_000, "0x5000c500aaaaaaaa")
LARGE = named_alike(2_000_000, "0x5000c500bbbbbbbb")


def announced(**more: Any) -> Job:
    return v.job(drives=(ExpectedDrive(serial=ONE, **more),))


@pytest.mark.parametrize("first", [SMALL, LARGE])
def test_of_two_drives_with_one_serial_the_announced_wwn_tells_which(first: DriveFacts) -> None:
    other = SMALL if first is LARGE else LARGE
    quay = Quay().announce(announced(wwn=LARGE.identity.wwn)).plug("bay-1", first).plug("bay-2", other)
    right, wrong = ("bay-1", "bay-2") if first is LARGE else ("bay-2", "bay-1")
    assert quay.at_bay(right).job_id == v.SONAR
    assert hold_of(quay, wrong).reason is HoldReason.NO_MATCHING_JOB


def test_of_two_drives_with_one_serial_the_announced_size_tells_which() -> None:
    quay = Quay().plug("bay-1", SMALL).plug("bay-2", LARGE).announce(announced(size_bytes=2_000_000))
    assert quay.at_bay("bay-2").job_id == v.SONAR
    assert hold_of(quay, "bay-1").reason is HoldReason.DUPLICATE_IDENTITY
    quay.loaded("bay-2")


def test_work_on_the_drive_of_the_announced_size_is_not_stopped_by_another() -> None:
    quay = Quay().announce(announced(size_bytes=2_000_000)).plug("bay-1", LARGE).plug("bay-2", SMALL)
    assert quay.phase("bay-1") is Phase.SURVEYING
    assert hold_of(quay, "bay-2").text == (
        f"the drive in bay-1 has the same serial number ({ONE}), and the size that job {v.SONAR} announced"
    )


@pytest.mark.parametrize("more", [{}, {"size_bytes": 3_000_000}])
@pytest.mark.parametrize("late", [False, True])
def test_two_drives_with_one_serial_that_nothing_announced_tells_apart_are_both_held(
    more: dict[str, int], late: bool
) -> None:
    quay = Quay() if late else Quay().announce(announced(**more))
    quay.plug("bay-1", SMALL).plug("bay-2", LARGE)
    if late:
        quay.announce(announced(**more))
    assert {hold_of(quay, bay).reason for bay in ("bay-1", "bay-2")} == {HoldReason.DUPLICATE_IDENTITY}
    assert "nothing else" in hold_of(quay, "bay-1").text
    quay.lift("bay-1", Decision.AGAIN)
    if late:
        quay.identified("bay-1")
    quay.loaded("bay-1")
    assert quay.phase("bay-2") is Phase.HELD


def test_the_wrong_one_of_two_drives_with_one_serial_that_came_first_is_stopped() -> None:
    quay = Quay().announce(announced(size_bytes=2_000_000)).plug("bay-1", SMALL).plug("bay-2", LARGE)
    assert (quay.phase("bay-1"), quay.phase("bay-2")) == (Phase.HELD, Phase.HELD)
    assert quay.did["Cancel"] == 1


@pytest.mark.parametrize("job", [announced(), announced(size_bytes=2_000_000)])
@pytest.mark.parametrize("second", [LARGE, SMALL])
def test_what_a_person_decided_of_two_drives_with_one_serial_outlives_the_process(
    job: Job, second: DriveFacts
) -> None:
    quay = Quay().announce(job).plug("bay-1", SMALL).plug("bay-2", second)
    quay.lift("bay-1", Decision.AGAIN)
    assert quay.phase("bay-1") is Phase.SURVEYING
    quay.restart().identified("bay-1").identified("bay-2").announce(
        v.job("tidewrack-0118", drives=(ExpectedDrive(serial=TWO),))
    )
    assert (quay.phase("bay-1"), hold_of(quay, "bay-2").reason) == (
        Phase.SURVEYING,
        HoldReason.DUPLICATE_IDENTITY,
    )
    quay.loaded("bay-1")


# -- identification --------------------------------------------------------------------------------


def test_a_drive_that_cannot_be_identified_is_held() -> None:
    quay = Quay().plug("bay-1", known=False).unidentified("bay-1")
    (told,) = quay.told(LoadHeld)
    assert (told.reason, told.text) == (
        HoldReason.NOT_IDENTIFIED,
        "the drive could not be identified: no answer",
    )
    assert told.tried


def test_what_the_watch_knows_may_be_enough() -> None:
    quay = Quay().announce().plug("bay-1", known=False).unidentified("bay-1")
    assert quay.phase() is Phase.SURVEYING
    assert quay.told(LoadHeld) == []


def test_a_job_that_comes_later_finds_a_drive_that_could_not_be_identified() -> None:
    quay = Quay().plug("bay-1", known=False).unidentified("bay-1")
    quay.announce(v.job("lumen-0031", THREE, tenant="lumen-dome"))
    assert hold_of(quay).reason is HoldReason.NOT_IDENTIFIED
    assert quay.messages == ()
    assert quay.announce().phase() is Phase.SURVEYING


def test_looking_again_in_vain_makes_no_second_load() -> None:
    quay = Quay().plug("bay-1", known=False).unidentified("bay-1")
    load_id = quay.at_bay("bay-1").load_id
    quay.lift("bay-1", Decision.AGAIN).unidentified("bay-1")
    assert list(quay.station.loads) == [load_id]


def test_looking_again_may_find_out_more() -> None:
    quay = Quay().announce(v.job(drives=(ExpectedDrive(volume_label="KELP"),)))
    quay.plug("bay-1", v.facts(label="KELP"), known=False).unidentified("bay-1")
    quay.lift("bay-1", Decision.AGAIN).identified("bay-1")
    assert quay.phase() is Phase.SURVEYING


def test_looking_again_may_find_the_load_that_waits_for_this_drive() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay.unplug("bay-1")
    shy = v.facts(None, wwn=None)
    quay.plug("bay-1", shy, known=False).unidentified("bay-1")
    assert hold_of(quay).reason is HoldReason.NOT_IDENTIFIED
    quay.facts[BayName("bay-1")] = v.facts()
    quay.lift("bay-1", Decision.AGAIN).identified("bay-1")
    assert quay.at_bay("bay-1").load_id == load_id


def test_a_job_that_comes_while_a_drive_is_looked_at_again() -> None:
    quay = Quay().plug("bay-1").lift("bay-1", Decision.AGAIN).announce()
    assert quay.phase() is Phase.SURVEYING
    quay.identified("bay-1")
    assert quay.phase() is Phase.SURVEYING
    quay.loaded()
    assert quay.status() is JobStatus.LOADED


def test_a_wait_that_ends_while_a_drive_is_looked_at_again() -> None:
    quay = Quay().plug("bay-1").lift("bay-1", Decision.AGAIN).fire("unclaimed")
    quay.closed().identified("bay-1")
    assert quay.phase() is Phase.RELEASED
    assert quay.unplug("bay-1").station.loads == Quay().station.loads


@pytest.mark.parametrize("phase", [Phase.LOADING, Phase.PROVING, Phase.RELEASING, Phase.HELD])
def test_a_drive_that_cannot_be_identified_after_a_restart_is_one_load_still(phase: Phase) -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    if phase in (Phase.PROVING, Phase.RELEASING):
        quay.transferred()
    if phase is Phase.RELEASING:
        quay.proved()
    if phase is Phase.HELD:
        quay.failed("bay-1", FailureKind.STORE_REFUSED)
    assert quay.phase() is phase
    quay.restart()
    if BayName("bay-1") in quay.effects:
        quay.unidentified("bay-1")
    assert len(quay.station.loads) == 1


def test_a_stranger_that_cannot_be_identified_leaves_the_load_of_its_bay_alone() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay._stand("bay-1", v.facts(None, wwn=None))
    quay.restart().unidentified("bay-1")
    assert quay.told(LoadAway)[0].load_id == load_id
    assert hold_of(quay).reason is HoldReason.NOT_IDENTIFIED


# -- matching again --------------------------------------------------------------------------------


def test_a_drive_that_several_jobs_claim_goes_on_when_one_is_left() -> None:
    jobs = [v.job(name, drives=(ExpectedDrive(volume_label="KELP"),)) for name in ("reef-a", "reef-b")]
    quay = Quay().announce(jobs[0]).announce(jobs[1]).plug("bay-1", v.facts(label="KELP"))
    assert hold_of(quay).reason is HoldReason.SEVERAL_JOBS
    quay.withdraw("reef-a")
    assert quay.at_bay("bay-1").job_id == "reef-b"


def test_a_drive_that_several_jobs_claim_goes_on_when_another_drive_completes_one() -> None:
    first = v.job("reef-a", drives=(ExpectedDrive(volume_label="KELP", serial=None),))
    second = v.job("reef-b", drives=(ExpectedDrive(volume_label="KELP"),))
    quay = Quay().announce(first).announce(second).plug("bay-1", v.facts(ONE, label="KELP"))
    quay.plug("bay-2", v.facts(TWO, label="KELP")).assign("bay-2", "reef-a")
    quay.loaded("bay-2")
    assert quay.at_bay("bay-1").job_id == "reef-b"


def test_only_one_of_two_drives_gets_the_one_place() -> None:
    quay = Quay().plug("bay-1", v.facts(ONE, label="KELP")).plug("bay-2", v.facts(TWO, label="KELP"))
    quay.announce(v.job(drives=(ExpectedDrive(volume_label="KELP"),)))
    assert quay.at_bay("bay-1").job_id == v.SONAR
    assert hold_of(quay, "bay-2").reason is HoldReason.ALREADY_DONE


# -- people ----------------------------------------------------------------------------------------


def test_a_person_assigns_a_drive() -> None:
    by_label = v.job(drives=(ExpectedDrive(volume_label="REEF-2"),))
    quay = Quay().announce(by_label).plug("bay-1", v.facts(ONE)).assign("bay-1")
    assert quay.says(LoadStarted).matched_by == "assigned by m.okafor"
    quay.loaded()
    assert quay.status() is JobStatus.LOADED


def test_a_person_may_not_assign_a_drive_that_the_notice_contradicts() -> None:
    quay = Quay().announce(v.job(v.SONAR, THREE)).plug("bay-1", v.facts(ONE)).assign("bay-1")
    assert quay.says(NoticeRefused).problems == (
        f"data.job_id: job {v.SONAR} announced serial {THREE}, the drive says {ONE}; "
        "if this is its drive, have the job amended",
    )


def test_a_drive_that_says_little_of_itself_is_given_back_to_its_load_by_a_person() -> None:
    shy = v.facts(None, wwn=None, model=None, size_bytes=None, label="REEF-2")
    by_label = v.job(drives=(ExpectedDrive(volume_label="REEF-2"),))
    quay = Quay().announce(by_label).plug("bay-1", shy).surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay.unplug("bay-1").plug("bay-2", shy)
    assert quay.phase("bay-2") is Phase.HELD
    quay.assign("bay-2")
    assert quay.at_bay("bay-2").load_id == load_id
    assert quay.loaded("bay-2").status() is JobStatus.LOADED


def test_another_version_of_the_same_number_is_refused() -> None:
    quay = Quay().announce().announce(v.job(priority=9))
    assert quay.says(NoticeRefused).problems == (
        f"data.version: job {v.SONAR} version 1 is known with other content; give it version 2",
    )


def test_a_word_about_the_drive_before_does_not_hit_the_next_one() -> None:
    quay = Quay().plug("bay-1", v.facts(ONE))
    before = quay.at_bay("bay-1").load_id
    quay.unplug("bay-1").plug("bay-1", v.facts(TWO))
    late = HoldLifted(
        at=quay.at, bay=BayName("bay-1"), decision=Decision.REFUSE, by="m.okafor", load_id=before
    )
    assert quay.take(late).says(NoticeRefused).problems == (
        "data.load_id: the drive in bay-1 is another one by now; look again",
    )


@pytest.mark.parametrize(
    ("bay", "job_id", "problem"),
    [
        ("bay-9", v.SONAR, "data.bay: there is no drive in bay-9"),
        (
            "bay-2",
            v.SONAR,
            f"data.bay: the drive in bay-2 is that of job {v.SONAR} already; withdraw that job to free it",
        ),
        ("bay-1", "nobody", "data.job_id: no job nobody is known here; announce it first"),
        (
            "bay-1",
            v.SONAR,
            f"data.job_id: job {v.SONAR} has no drive left to load; amend it to expect another",
        ),
    ],
)
def test_an_assignment_that_makes_no_sense_is_refused(bay: str, job_id: str, problem: str) -> None:
    quay = Quay().announce(v.job(v.SONAR, TWO)).plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO))
    assert quay.assign(bay, job_id).says(NoticeRefused).problems == (problem,)


def test_a_person_may_name_the_place_that_nothing_contradicts() -> None:
    mixed = v.job("reef-2", drives=(ExpectedDrive(serial=THREE), ExpectedDrive(volume_label="KELP")))
    quay = Quay().announce(mixed).plug("bay-1", v.facts(ONE)).assign("bay-1", "reef-2")
    assert quay.at_bay("bay-1").drive_index == 1


def test_a_person_may_say_that_a_drive_is_the_one_that_a_load_waits_for() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay.unplug("bay-1").plug("bay-2", v.facts(None, wwn=None))
    nobodys = quay.at_bay("bay-2").load_id
    quay.assign("bay-2")
    assert quay.at_bay("bay-2").load_id == load_id
    assert quay.says(DriveReleased).load_id == nobodys
    quay.loaded("bay-2")
    assert quay.status() is JobStatus.LOADED


def test_a_word_that_is_meant_for_another_drive_is_refused() -> None:
    quay = Quay().announce().plug("bay-1").surveyed("bay-1", DOUBT)
    gone = quay.at_bay("bay-1").load_id
    quay.plug("bay-1", v.facts(TWO))
    late = HoldLifted(at=quay.at, bay=BayName("bay-1"), decision=Decision.REFUSE, by="m.okafor", load_id=gone)
    problem = "data.load_id: the drive in bay-1 is another one by now; look again"
    assert quay.take(late).says(NoticeRefused).problems == (problem,)
    meant = replace(late, load_id=quay.at_bay("bay-1").load_id)
    assert quay.take(meant).said_one(DriveUnclaimed)


def test_each_decision_about_a_hold() -> None:
    def doubtful() -> Quay:
        return Quay().announce().plug("bay-1").surveyed("bay-1", DOUBT)

    again = doubtful().lift("bay-1", Decision.AGAIN)
    assert again.does_one(Survey)
    accepted = doubtful().lift("bay-1", Decision.ACCEPT)
    assert accepted.surveyed("bay-1", DOUBT).does_one(Transfer)
    refused = doubtful().lift("bay-1", Decision.REFUSE)
    assert refused.says(JobFailed).observations == 1
    assert refused.taken_back().closed().status() is JobStatus.FAILED


@pytest.mark.parametrize(
    ("decision", "problem"),
    [
        (Decision.ACCEPT, "data.decision: there is nothing to accept: it is held for store-refused"),
        (
            Decision.REFUSE,
            "data.decision: the drive is not at fault (store-refused): withdraw the job instead",
        ),
    ],
)
def test_a_decision_that_does_not_fit_the_hold_is_refused(decision: Decision, problem: str) -> None:
    quay = Quay().announce().plug("bay-1").surveyed().failed("bay-1", FailureKind.STORE_REFUSED)
    assert quay.lift("bay-1", decision).says(NoticeRefused).problems == (problem,)


def test_decisions_about_what_is_not_held_are_refused() -> None:
    quay = Quay().announce().plug("bay-1")
    assert quay.lift("bay-1", Decision.AGAIN).says(NoticeRefused).problems == (
        f"data.decision: load {quay.at_bay('bay-1').load_id} is not held, it is surveying",
    )
    assert quay.lift("bay-7", Decision.AGAIN).says(NoticeRefused).problems == (
        "data.bay: there is no drive in bay-7",
    )
    quay.plug("bay-8", v.facts(TWO), known=False)
    assert quay.lift("bay-8", Decision.AGAIN).says(NoticeRefused).problems == (
        "data.bay: the drive in bay-8 is still being identified; say it again in a moment",
    )
    nobodys = Quay().plug("bay-1")
    assert nobodys.lift("bay-1", Decision.ACCEPT).says(NoticeRefused).problems == (
        "data.decision: no job is known for this drive; say whose it is: ingestd assign BAY JOB",
    )
    assert nobodys.lift("bay-1", Decision.REFUSE).said_one(DriveUnclaimed)
    letting_go = (
        "data.bay: the drive in bay-1 is let go (unclaimed); pull it and plug it in again to begin anew",
    )
    assert nobodys.assign("bay-1").says(NoticeRefused).problems == letting_go
    released = nobodys.closed().lift("bay-1", Decision.AGAIN)
    assert released.says(NoticeRefused).problems == letting_go


def pulled_while_proved(quay: Quay, reason: FailureKind = FailureKind.STORE_REFUSED) -> Load:
    """A load whose proof the store refuses, while its drive is not plugged in any more."""
    quay.announce().plug("bay-1").surveyed().transferred()
    load = quay.at_bay("bay-1")
    quay.unplug("bay-1").failed(load, reason)
    load = quay.station.loads[load.load_id]
    assert (load.phase, load.bay) == (Phase.HELD, None)
    return load


@pytest.mark.parametrize("restarted", [False, True])
def test_a_hold_without_a_drive_is_lifted_by_the_loads_id_and_the_proof_goes_on(restarted: bool) -> None:
    quay = Quay()
    load = pulled_while_proved(quay)
    if restarted:
        quay.restart()
    quay.lift_load(load)
    assert quay.says(LoadResumed).text == "to be looked at again, says m.okafor"
    assert quay.does_one(Prove)
    load = quay.station.loads[load.load_id]
    quay.proved(load=load).closed(load)
    assert quay.status() is JobStatus.LOADED


def test_a_proof_that_finds_something_missing_still_wants_the_drive_back() -> None:
    quay = Quay()
    load = pulled_while_proved(quay)
    quay.lift_load(load).proof_failed(load=load)
    assert quay.says(LoadAway).bay == "bay-1"
    assert quay.plug("bay-2").loaded("bay-2").status() is JobStatus.LOADED


def test_a_hold_may_be_lifted_by_the_loads_id_while_its_drive_is_plugged_in_too() -> None:
    quay = Quay().announce().plug("bay-1").surveyed("bay-1", DOUBT)
    assert quay.lift_load(quay.at_bay("bay-1"), Decision.ACCEPT).does_one(Survey)


def test_what_cannot_be_decided_by_a_loads_id_is_refused() -> None:
    quay = Quay().announce().plug("bay-1")
    load = quay.at_bay("bay-1")
    assert quay.lift_load(load).says(NoticeRefused).problems == (
        f"data.decision: load {load.load_id} is not held, it is surveying",
    )
    assert quay.lift_load(replace(load, load_id=LoadId("nobody"))).says(NoticeRefused).problems == (
        "data.load_id: no load nobody is known here",
    )
    assert quay.says(NoticeRefused).notice == "lifting the hold of load nobody"
    quay.loaded()
    assert quay.lift_load(load).says(NoticeRefused).problems == (
        f"data.load_id: load {load.load_id} is over (loaded); pull its drive and plug it in again to begin "
        "anew",
    )


def test_a_drive_with_a_volume_in_doubt_that_no_job_asks_for_is_not_let_go_by_the_clock() -> None:
    """What says whose it is may lie there."""
    in_doubt = VolumeFacts(name="vol-1", problem="it cannot be mounted", flaw=VolumeFlaw.IN_DOUBT)
    quay = Quay().plug("bay-1", replace(v.facts(), volumes=(in_doubt,)))
    assert hold_of(quay).reason is HoldReason.NOT_IDENTIFIED
    assert hold_of(quay).text == "the drive could not be identified: vol-1: it cannot be mounted"
    assert quay.announce().phase() is Phase.SURVEYING
