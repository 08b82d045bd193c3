"""What becomes of jobs: several drives, withdrawals, versions, and what cannot be taken."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingestd.core.job import ExpectedDrive, Job, PolicyChange
from ingestd.core.job_record import JobStatus
from ingestd.core.messages import (
    Cancel,
    NoticeMalformed,
    Survey,
    TakeBack,
)
from ingestd.core.model import FailureKind, HoldReason, Outcome, Phase, Policy, ProofLevel
from ingestd.core.outgoing import (
    DriveReleased,
    JobFailed,
    JobLoaded,
    JobWithdrawalCompleted,
    LoadStarted,
    NoticeRefused,
)
from ingestd.core.phases import Held
from ingestd.core.station_jobs import why_not_takeable
from tests.support import values as v
from tests.support.one_station import Quay

ONE, TWO, THREE = "HQ7K2M9A", "HQ7K2M9B", "HQ7K2M9C"
PAIR = v.job(v.SONAR, ONE, TWO)
PLAIN = v.survey(secrecy=(v.plain(),))


def pair(**changes: object) -> Quay:
    """A job of two drives, both in their bays and surveyed."""
    quay = Quay().announce(replace(PAIR, **changes))  # type: ignore[arg-type]
    return quay.plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO)).surveyed("bay-1").surveyed("bay-2")


def hold_of(quay: Quay, bay: str = "bay-1") -> Held:
    state = quay.at_bay(bay).state
    assert isinstance(state, Held), state
    return state


def withdrawals(quay: Quay) -> list[tuple[bool, str]]:
    return [(m.taken_back, m.text) for m in quay.told(JobWithdrawalCompleted)]


# -- a job of one drive ----------------------------------------------------------------------------


def test_a_job_of_one_drive_is_loaded() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().transferred().proved()
    told = quay.says(JobLoaded)
    assert (told.job_id, len(told.receipts), quay.status()) == (v.SONAR, 1, JobStatus.LOADED)
    quay.closed()
    assert quay.says(DriveReleased).outcome is Outcome.LOADED
    quay.unplug("bay-1")
    assert (len(quay.station.loads), len(quay.station.bays)) == (0, 0)


def test_a_job_that_comes_after_its_drive_is_matched_at_once() -> None:
    quay = Quay().plug("bay-1")
    assert hold_of(quay).reason is HoldReason.NO_MATCHING_JOB
    quay.announce()
    assert quay.said == ["load.resumed", "load.started"]
    assert quay.phase() is Phase.SURVEYING


def test_a_job_of_no_drive_that_is_here_disturbs_nobody() -> None:
    quay = Quay().plug("bay-1")
    quay.announce(v.job("lumen-0031", THREE, tenant="lumen-dome"))
    assert quay.messages == ()


# -- several drives --------------------------------------------------------------------------------


def test_a_job_of_several_drives_is_loaded_once_all_of_them_are() -> None:
    quay = pair().transferred("bay-2").proved("bay-2").closed("bay-2")
    assert quay.told(JobLoaded) == []
    quay.transferred("bay-1").proved("bay-1")
    told = quay.says(JobLoaded)
    assert [receipt.load_id for receipt in told.receipts] == [
        quay.at_bay("bay-1").load_id,
        quay.at_bay("bay-2").load_id,
    ]
    quay.closed("bay-1")
    assert len(quay.told(JobLoaded)) == 1


def test_a_loaded_job_tells_what_was_noted_on_each_of_its_drives() -> None:
    quay = Quay().announce(PAIR).plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO))
    quay.surveyed("bay-1", v.survey(unexpected=v.changed())).surveyed("bay-2", v.survey(links=v.changed()))
    quay.transferred("bay-1").proved("bay-1").closed("bay-1").unplug("bay-1")
    told = quay.transferred("bay-2").proved("bay-2").says(JobLoaded)
    assert [finding.code for finding in told.findings] == ["unexpected-item", "symbolic-link"]


def test_drives_of_a_job_may_be_loaded_one_after_the_other_in_one_bay() -> None:
    quay = Quay().announce(PAIR)
    quay.plug("bay-1", v.facts(ONE)).loaded("bay-1").unplug("bay-1")
    quay.plug("bay-1", v.facts(TWO)).loaded("bay-1").unplug("bay-1")
    assert quay.status() is JobStatus.LOADED
    assert len(quay.station.loads) == 0


def test_items_may_lie_on_either_drive() -> None:
    quay = Quay().announce(replace(PAIR, items=(v.item("a.age"), v.item("b.age"))))
    quay.plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO))
    quay.surveyed("bay-1", v.survey(items=v.found("a.age") + v.missing("b.age")))
    quay.surveyed("bay-2", v.survey(items=v.missing("a.age") + v.found("b.age")))
    assert (quay.phase("bay-1"), quay.phase("bay-2")) == (Phase.LOADING, Phase.LOADING)


def test_an_item_on_no_drive_fails_with_the_last_survey() -> None:
    quay = Quay().announce(replace(PAIR, items=(v.item("a.age"), v.item("b.age"))))
    quay.plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO))
    nothing_of_b = v.survey(items=v.missing("b.age") + v.found("a.age"))
    quay.surveyed("bay-1", nothing_of_b).looks("bay-2", nothing_of_b)
    assert quay.says(JobFailed).text == "b.age was announced and is not on the drive."


def test_one_drive_that_fails_takes_the_others_back() -> None:
    quay = pair().transferred("bay-2").proved("bay-2").closed("bay-2")
    quay.transferred("bay-1", v.fault()).rechecked("bay-1", v.fault())
    assert quay.says(JobFailed).load_id == quay.at_bay("bay-1").load_id
    assert quay.did["TakeBack"] == 2
    quay.taken_back("bay-1").taken_back("bay-2").closed("bay-1").closed("bay-2")
    assert [m.outcome for m in quay.told(DriveReleased)] == [
        Outcome.LOADED,
        Outcome.FAILED,
        Outcome.WITHDRAWN,
    ]
    assert withdrawals(quay) == []
    assert quay.status() is JobStatus.FAILED


def test_a_drive_that_is_just_being_let_go_is_taken_back_too() -> None:
    quay = pair().transferred("bay-2").proved("bay-2")
    quay.transferred("bay-1", v.fault()).rechecked("bay-1", v.fault())
    quay.taken_back("bay-2").closed("bay-2")
    assert quay.says(DriveReleased).outcome is Outcome.WITHDRAWN


def test_a_drive_that_was_loaded_and_pulled_is_taken_back_too() -> None:
    quay = pair().transferred("bay-2").proved("bay-2").closed("bay-2")
    first = quay.at_bay("bay-2")
    quay.unplug("bay-2").restart().identified("bay-1").surveyed("bay-1")
    quay.transferred("bay-1", v.fault()).rechecked("bay-1", v.fault())
    assert quay.did["TakeBack"] == 2
    quay.taken_back(first).closed(first)
    assert quay.says(DriveReleased).outcome is Outcome.WITHDRAWN


def test_a_failure_is_told_once_and_stops_the_others_even_if_data_is_kept() -> None:
    quay = pair(keep_on_failure=True)
    quay.transferred("bay-1", v.fault()).rechecked("bay-1", v.fault())
    assert quay.did["TakeBack"] == 0
    quay.closed("bay-1").closed("bay-2")
    assert [m.outcome for m in quay.told(DriveReleased)] == [Outcome.FAILED, Outcome.WITHDRAWN]
    assert len(quay.told(JobFailed)) == 1


# -- withdrawals -----------------------------------------------------------------------------------


def test_a_withdrawal_before_the_announcement_is_remembered() -> None:
    quay = Quay().withdraw()
    assert withdrawals(quay) == [(False, "no load had begun")]
    quay.announce().plug("bay-1")
    assert hold_of(quay).reason is HoldReason.NO_MATCHING_JOB
    assert quay.told(LoadStarted) == []


def test_a_withdrawal_before_the_drive_comes() -> None:
    quay = Quay().announce().withdraw()
    assert withdrawals(quay) == [(False, "no load had begun")]
    quay.plug("bay-1")
    assert hold_of(quay).reason is HoldReason.ALREADY_DONE
    assert hold_of(quay).text == f"job {v.SONAR} is withdrawn already"


def test_a_withdrawal_in_mid_load_is_answered_when_the_drive_is_let_go() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().withdraw()
    assert quay.does(Cancel).attempt == 2
    assert quay.does(TakeBack).destination == v.job().destination
    assert withdrawals(quay) == []
    quay.taken_back()
    assert withdrawals(quay) == []
    quay.closed()
    assert quay.said == ["drive.released", "job.withdrawal-completed"]
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]


def test_a_withdrawal_of_several_drives_is_answered_with_the_last_one() -> None:
    quay = pair().transferred("bay-2").proved("bay-2").closed("bay-2").withdraw()
    quay.taken_back("bay-1").closed("bay-1")
    assert withdrawals(quay) == []
    quay.taken_back("bay-2").closed("bay-2")
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]


def test_a_withdrawal_while_one_drive_is_being_let_go_is_answered() -> None:
    quay = pair().transferred("bay-2").proved("bay-2").withdraw()
    quay.taken_back("bay-1").closed("bay-1").taken_back("bay-2").closed("bay-2")
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]
    assert quay.station.jobs[v.SONAR].claims[0].outcome is Outcome.WITHDRAWN


def test_a_withdrawal_after_one_drive_was_loaded_pulled_and_forgotten_by_the_process() -> None:
    quay = pair().transferred("bay-2").proved("bay-2").closed("bay-2")
    first = quay.at_bay("bay-2")
    quay.unplug("bay-2").restart().identified("bay-1").withdraw()
    quay.taken_back("bay-1").taken_back(first).closed("bay-1").closed(first)
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]


def test_a_withdrawal_after_the_end_takes_nothing_back() -> None:
    quay = Quay().announce().plug("bay-1").loaded().withdraw()
    assert withdrawals(quay) == [(False, "the job is loaded already; nothing was taken back")]
    assert quay.status() is JobStatus.LOADED


def test_a_withdrawal_of_a_job_that_failed_is_answered_when_its_data_is_gone() -> None:
    quay = Quay().announce().plug("bay-1").looks("bay-1", PLAIN).withdraw()
    assert withdrawals(quay) == []
    quay.taken_back().closed()
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]
    late = Quay().announce().plug("bay-1").looks("bay-1", PLAIN).taken_back().closed().withdraw()
    assert withdrawals(late) == [(True, "what was stored has been taken back")]
    assert late.amend(v.job(version=2)).said_one(NoticeRefused)


def test_a_second_withdrawal_is_answered_once_there_is_an_answer() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().withdraw().withdraw()
    assert withdrawals(quay) == []
    quay.taken_back().closed()
    assert len(withdrawals(quay)) == 1
    quay.withdraw()
    assert withdrawals(quay) == [(True, "what was stored has been taken back")] * 2


def test_a_withdrawal_of_a_job_whose_only_load_failed_before_is_answered() -> None:
    quay = Quay().announce().plug("bay-1").looks("bay-1", PLAIN).amend(v.job(version=2)).withdraw()
    assert withdrawals(quay) == []
    quay.taken_back().closed()
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]
    assert len(withdrawals(quay.withdraw())) == 2


def test_a_withdrawal_says_what_stays_in_the_store() -> None:
    quay = Quay().announce(v.job(keep_on_failure=True)).plug("bay-1").looks("bay-1", PLAIN).closed()
    load_id = quay.at_bay("bay-1").load_id
    quay.amend(v.job(version=2, keep_on_failure=True)).withdraw()
    assert withdrawals(quay) == [(False, f"kept, as the job demanded: what load {load_id} stored")]


def test_what_was_kept_stays_known_whatever_the_job_demands_later() -> None:
    quay = Quay().announce(v.job(keep_on_failure=True)).plug("bay-1").looks("bay-1", PLAIN).closed()
    load_id = quay.at_bay("bay-1").load_id
    quay.amend(v.job(version=2)).unplug("bay-1").plug("bay-1").surveyed().withdraw().taken_back().closed()
    assert withdrawals(quay) == [(False, f"kept, as the job demanded: what load {load_id} stored")]


def test_a_drive_that_is_away_is_no_obstacle_to_a_withdrawal() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load = quay.at_bay("bay-1")
    quay.unplug("bay-1").withdraw().taken_back(load).closed(load)
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]
    assert len(quay.station.loads) == 0


# -- announcements and versions --------------------------------------------------------------------


def test_a_job_is_taken_once() -> None:
    quay = Quay().announce()
    before = quay.station
    quay.announce().announce()
    assert quay.station == before
    assert quay.messages == ()


def test_one_version_has_one_content() -> None:
    quay = Quay().announce().announce(v.job(priority=9))
    assert quay.says(NoticeRefused).problems == (
        f"data.version: job {v.SONAR} version 1 is known with other content; give it version 2",
    )
    assert quay.station.jobs[v.SONAR].job == v.job()


def test_checksums_cannot_change_once_files_have_been_stored() -> None:
    def expecting(version: int, sha256: str) -> Job:
        return v.job(version=version, items=(v.item("a.age", sha256=sha256),))

    quay = Quay().announce(expecting(1, "aa" * 32)).plug("bay-1").surveyed()
    quay.amend(expecting(2, "bb" * 32)).surveyed().progressed("bay-1", v.ledger(stored=1, pending=2))
    quay.amend(expecting(3, "cc" * 32))
    assert quay.says(NoticeRefused).problems == (
        "data.items: checksums cannot change once files have been stored; withdraw the job instead",
    )


def test_an_older_version_changes_nothing() -> None:
    quay = Quay().amend(v.job(version=3, priority=7))
    for version in (1, 2, 3):
        quay.announce(v.job(version=version)).amend(v.job(version=version))
    assert quay.station.jobs[v.SONAR].job == v.job(version=3, priority=7)


def test_a_newer_announcement_amends() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().announce(v.job(version=2, items=(v.item(),)))
    assert quay.does(Survey).job.version == 2


def test_a_job_that_has_ended_cannot_be_amended() -> None:
    quay = Quay().announce().plug("bay-1").loaded().amend(v.job(version=2))
    assert quay.says(NoticeRefused).problems == (
        f"data.job_id: job {v.SONAR} is loaded already; announce a new job",
    )
    withdrawn = Quay().announce().withdraw().amend(v.job(version=2))
    assert withdrawn.says(NoticeRefused).notice == f"job {v.SONAR} version 2"


def test_a_job_that_failed_is_pending_again_once_amended() -> None:
    quay = Quay().announce().plug("bay-1").looks("bay-1", PLAIN)
    quay.amend(v.job(version=2)).taken_back().closed()
    assert quay.status() is JobStatus.PENDING
    quay.unplug("bay-1").plug("bay-2").loaded("bay-2")
    assert quay.status() is JobStatus.LOADED


def test_destination_and_drives_cannot_change_once_a_load_has_begun() -> None:
    quay = Quay().announce().plug("bay-1")
    quay.amend(
        replace(v.job(v.SONAR, TWO, version=2), destination=v.job(prefix="tidewrack-survey/x").destination)
    )
    assert [problem.split(":")[0] for problem in quay.says(NoticeRefused).problems] == [
        "data.destination",
        "data.drives",
    ]
    assert quay.station.jobs[v.SONAR].job == v.job()


def test_new_demands_are_refused_once_a_drive_is_loaded() -> None:
    quay = pair().transferred("bay-2").proved("bay-2")
    quay.amend(replace(PAIR, version=2, proof=ProofLevel.FULL))
    assert quay.says(NoticeRefused).problems == (
        "data: items, requirements and proof cannot change once a drive of the job is loaded; "
        "withdraw the job instead",
    )
    quay.amend(replace(PAIR, version=2, priority=9))
    assert quay.station.jobs[PAIR.job_id].job == replace(PAIR, version=2, priority=9)


def test_kept_data_of_other_drives_does_not_count_for_new_ones() -> None:
    quay = pair(keep_on_failure=True).transferred("bay-1").proved("bay-1").closed("bay-1")
    quay.transferred("bay-2", v.fault()).rechecked("bay-2", v.fault()).closed("bay-2")
    quay.unplug("bay-1").unplug("bay-2")
    quay.amend(replace(PAIR, version=2, drives=v.job(v.SONAR, ONE, THREE).drives, keep_on_failure=True))
    assert quay.said_one(NoticeRefused)
    assert quay.status() is JobStatus.FAILED


def test_other_drives_after_a_failure_are_all_expected() -> None:
    quay = pair().transferred("bay-1", v.fault()).rechecked("bay-1", v.fault())
    quay.taken_back("bay-1").taken_back("bay-2").closed("bay-1").closed("bay-2")
    quay.unplug("bay-1").unplug("bay-2")
    quay.amend(replace(v.job(v.SONAR, THREE), version=2))
    quay.plug("bay-1", v.facts(THREE)).loaded("bay-1")
    assert quay.status() is JobStatus.LOADED


def test_a_place_is_free_only_once_its_data_is_taken_back() -> None:
    label = v.job(drives=(ExpectedDrive(volume_label="KELP"),))
    quay = Quay().announce(label).plug("bay-1", v.facts(ONE, label="KELP")).looks("bay-1", PLAIN)
    quay.amend(replace(label, version=2)).plug("bay-2", v.facts(TWO, label="KELP"))
    assert hold_of(quay, "bay-2").reason is HoldReason.ALREADY_DONE
    quay.taken_back("bay-1").closed("bay-1")
    assert quay.phase("bay-2") is Phase.SURVEYING


def test_a_drive_that_is_to_be_sent_again_is_not_missed_before_it_comes() -> None:
    wanted = replace(PAIR, items=(v.item("a.age"), v.item("b.age")))
    quay = Quay().announce(wanted).plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO))
    quay.failed("bay-1", FailureKind.DRIVE_UNREADABLE).fire("retry")
    quay.failed("bay-1", FailureKind.DRIVE_UNREADABLE)
    quay.taken_back("bay-1").taken_back("bay-2").closed("bay-1").closed("bay-2")
    quay.amend(replace(wanted, version=2)).unplug("bay-2").plug("bay-2", v.facts(TWO))
    quay.surveyed("bay-2", v.survey(items=v.missing("a.age") + v.found("b.age")))
    assert quay.phase("bay-2") is Phase.LOADING


# -- what a station cannot take --------------------------------------------------------------------


def test_every_reason_why_a_job_cannot_be_taken() -> None:
    bad = v.job(
        store="nowhere",
        prefix="lumen-dome/x",
        requirements=(PolicyChange(requirement="file-unreadable", policy=Policy.OFF),),
    )
    problems = Quay().announce(bad).says(NoticeRefused).problems
    assert problems == why_not_takeable(bad, v.LIMITS)
    assert problems[0] == (
        "data.destination.store: no store named 'nowhere' here; configured: harrow-archive, quay-shelf"
    )
    assert problems[1].startswith("data.destination.prefix: must begin with the tenant's name")
    assert problems[2] == "data.requirements.file-unreadable: not a requirement that a job may change"


@pytest.mark.parametrize(
    ("prefix", "store", "taken"),
    [
        ("tidewrack-survey", v.STORE, True),
        ("tidewrack-survey/2031/reef", v.STORE, True),
        ("tidewrack-surveyors/reef", v.STORE, False),
        ("reef", v.STORE, False),
        ("reef", v.SHARED_STORE, True),
    ],
)
def test_a_destination_lies_below_its_tenants_name(prefix: str, store: str, taken: bool) -> None:
    quay = Quay().announce(v.job(prefix=prefix, store=store))
    assert (v.SONAR in quay.station.jobs) == taken


@pytest.mark.parametrize(
    ("prefix", "store", "taken"),
    [
        ("tidewrack-survey/reef", v.STORE, False),
        ("tidewrack-survey/reef/north", v.STORE, False),
        ("tidewrack-survey", v.STORE, False),
        ("tidewrack-survey/reef-2", v.STORE, True),
        ("tidewrack-survey/ree", v.STORE, True),
        ("tidewrack-survey/reef", v.SHARED_STORE, True),
    ],
)
def test_two_jobs_never_share_a_folder(prefix: str, store: str, taken: bool) -> None:
    quay = Quay().announce(v.job(prefix="tidewrack-survey/reef"))
    quay.announce(v.job("tidewrack-0118", TWO, prefix=prefix, store=store))
    assert ("tidewrack-0118" in quay.station.jobs) == taken
    if not taken:
        assert quay.says(NoticeRefused).problems == (
            f"data.destination.prefix: {prefix!r} overlaps with 'tidewrack-survey/reef' of job {v.SONAR}, "
            "which may still be taken back; give each job a folder of its own, or wait for that job's end",
        )


def test_a_folder_is_free_again_once_nothing_of_its_job_is_left_there() -> None:
    other = v.job("tidewrack-0118", TWO, prefix="tidewrack-survey/reef")
    mine = v.job(prefix="tidewrack-survey/reef")
    assert Quay().announce(mine).withdraw().announce(other).status("tidewrack-0118") is JobStatus.PENDING
    loaded = Quay().announce(mine).plug("bay-1").loaded().announce(other)
    assert loaded.said_one(NoticeRefused), "what is loaded lies there for good"
    failing = Quay().announce(mine).plug("bay-1").looks("bay-1", PLAIN).announce(other)
    assert failing.said_one(NoticeRefused)
    failing.taken_back().closed().announce(other)
    assert failing.status("tidewrack-0118") is JobStatus.PENDING


def test_an_amendment_may_not_move_into_another_jobs_folder() -> None:
    quay = Quay().announce(v.job(prefix="tidewrack-survey/reef"))
    quay.announce(v.job("tidewrack-0118", TWO)).amend(
        v.job("tidewrack-0118", TWO, version=2, prefix="tidewrack-survey/reef")
    )
    assert quay.said_one(NoticeRefused)
    quay.amend(v.job(version=2, prefix="tidewrack-survey/reef"))
    assert quay.messages == ()


def test_a_malformed_notice_is_set_aside_with_every_reason() -> None:
    quay = Quay()
    event = NoticeMalformed(at=v.AT, name="0001.json", problems=("data.job_id: is missing", "time: bad"))
    told = quay.take(event).says(NoticeRefused)
    assert (told.notice, told.problems) == (event.name, event.problems)


def test_messages_of_the_station_in_one_moment_are_told_apart() -> None:
    quay = Quay()
    for name in ("0001.json", "0002.json", "0003.json"):
        quay.take(NoticeMalformed(at=v.AT, name=name, problems=("type: is missing",)))
    quay.take(NoticeMalformed(at=v.AT - 3600.0, name="0004.json", problems=("type: is missing",)))
    numbers = [record.number for record in quay.journal.told]
    assert numbers == sorted(set(numbers))


def test_two_withdrawals_in_one_moment_are_told_apart() -> None:
    quay = Quay().announce()
    for _ in range(2):
        quay.at = v.AT
        quay.withdraw()
    assert len(quay.told(JobWithdrawalCompleted)) == 2
