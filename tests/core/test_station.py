"""What concerns several loads and jobs: drives, notices, people, restarts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingestd.core.messages import (
    Cancel,
    Close,
    DriveAppeared,
    HoldLifted,
    Identified,
    Identify,
    IdentifyFailed,
    LimitsChanged,
    NoticeMalformed,
    SaveUplink,
    SetUplink,
    StartTimer,
    Survey,
    TakeBack,
    Transfer,
    UplinkSet,
)
from ingestd.core.model import (
    BayName,
    Decision,
    ExpectedDrive,
    FailureKind,
    HoldReason,
    JobId,
    JobStatus,
    LoadId,
    Outcome,
    Phase,
    Policy,
    PolicyChange,
    ProofLevel,
)
from ingestd.core.outgoing import (
    DriveReleased,
    DriveUnclaimed,
    JobFailed,
    JobLoaded,
    JobWithdrawalCompleted,
    LoadAway,
    LoadHeld,
    LoadResumed,
    LoadStarted,
    NoticeRefused,
    StationReported,
)
from ingestd.core.phases import Held, Load
from ingestd.core.station import reason_of
from ingestd.core.station_jobs import why_not_takeable
from tests.support import values as v
from tests.support.one_station import Quay

ONE, TWO, THREE = "HQ7K2M9A", "HQ7K2M9B", "HQ7K2M9C"
PAIR = v.job(v.SONAR, ONE, TWO)
PLAIN = v.survey(secrecy=(v.plain(),))
DOUBT = v.survey(secrecy=(v.doubtful(),))


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
    assert quay.did["SetWeight"] == 1


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
    assert quay.says(LoadHeld).reason is HoldReason.DUPLICATE_IDENTITY
    assert quay.says(LoadHeld).text == (
        f"the drive in bay-1 gives the same identity ({ONE}); pull one of them, and if it is that one, "
        "lift this hold with 'again'"
    )
    quay.loaded("bay-1")
    assert quay.phase("bay-2") is Phase.HELD
    assert quay.unplug("bay-2").says(DriveReleased).outcome is Outcome.UNCLAIMED


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
        "data.decision: the load in this bay is not held, it is surveying",
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


# -- admission -------------------------------------------------------------------------------------


def queue_of_four() -> Quay:
    """Four jobs and a station that takes two loads at once."""
    quay = Quay()
    for number, (priority, due_at) in enumerate(((5, None), (5, None), (9, None), (1, v.AT + 9000.0))):
        serial = f"HQ7K2M9{number}"
        quay.announce(v.job(f"reef-{number}", serial, priority=priority, due_at=due_at))
        quay.plug(f"bay-{number}", v.facts(serial))
    return quay


def test_no_more_loads_than_the_station_takes() -> None:
    quay = queue_of_four()
    phases = [quay.phase(f"bay-{number}") for number in range(4)]
    assert phases == [Phase.SURVEYING, Phase.SURVEYING, Phase.WAITING, Phase.WAITING]
    assert reason_of(quay.at_bay("bay-2")) == "waits for a free place among the running loads"


def test_the_nearest_due_time_goes_first_then_priority_then_arrival() -> None:
    quay = queue_of_four()
    quay.surveyed("bay-0").transferred("bay-0").proved("bay-0")
    assert (quay.phase("bay-3"), quay.phase("bay-2")) == (Phase.SURVEYING, Phase.WAITING)
    quay.surveyed("bay-1").transferred("bay-1").proved("bay-1")
    assert quay.phase("bay-2") is Phase.SURVEYING


def test_a_hold_and_an_absence_make_room() -> None:
    quay = queue_of_four().surveyed("bay-0", DOUBT)
    assert quay.phase("bay-3") is Phase.SURVEYING
    quay.unplug("bay-1")
    assert quay.phase("bay-2") is Phase.SURVEYING


def test_a_higher_limit_lets_in_at_once_and_a_lower_one_throws_nobody_out() -> None:
    quay = queue_of_four()
    quay.take(LimitsChanged(at=quay.at, limits=replace(v.LIMITS, loads_max=3)))
    assert quay.did["Survey"] == 1
    quay.take(LimitsChanged(at=quay.at, limits=replace(v.LIMITS, loads_max=1)))
    assert quay.commands == ()
    quay.surveyed("bay-0", DOUBT)
    assert quay.phase("bay-2") is Phase.WAITING


# -- nobody's drives -------------------------------------------------------------------------------


def test_a_drive_that_nobody_claims_in_time_is_let_go() -> None:
    quay = Quay().plug("bay-1")
    assert quay.does(StartTimer).after_s == v.LIMITS.unclaimed_after_s
    quay.fire("unclaimed")
    assert quay.says(DriveUnclaimed).tried == (f"serial {ONE}: no job", "WWN 3d5e7f90hq7k2m9a: no job")
    assert quay.closed().says(DriveReleased).text.endswith(" Why: unclaimed: no job is known for this drive.")


def test_a_claim_in_time_outlives_the_timer() -> None:
    quay = Quay().plug("bay-1").announce().fire("unclaimed")
    assert quay.messages == ()
    assert quay.phase() is Phase.SURVEYING


# -- uplink, reports, stop -------------------------------------------------------------------------


def test_the_cap_that_was_set_outlives_a_restart() -> None:
    quay = Quay().take(UplinkSet(at=v.AT, rate_bytes_per_second=250_000_000, burst_bytes=64_000_000))
    cap = SetUplink(rate_bytes_per_second=250_000_000, burst_bytes=64_000_000)
    assert quay.commands == (cap,)
    assert quay.journal.uplink == SaveUplink(rate_bytes_per_second=250_000_000, burst_bytes=64_000_000)
    assert cap in quay.restart().commands


def test_a_station_without_a_cap_of_its_own_sets_none() -> None:
    assert Quay().restart().did == {"StartTimer": 1}


def test_the_station_reports_every_so_often() -> None:
    quay = Quay().announce().restart().plug("bay-1").plug("bay-2", v.facts(TWO), known=False)
    told = quay.fire("report").says(StationReported)
    assert [(bay.bay, bay.phase, bay.reason) for bay in told.bays] == [
        ("bay-1", Phase.SURVEYING, ""),
        ("bay-2", Phase.WAITING, "being identified"),
    ]
    assert (told.jobs_pending, told.draining) == (1, False)
    assert quay.does(StartTimer).after_s == v.LIMITS.report_every_s


def test_the_report_says_why_a_drive_is_not_identified() -> None:
    quay = Quay().restart().plug("bay-1", known=False)
    asked = quay.does(Identify)
    quay.done(BayName("bay-1"), asked.attempt)
    quay.take(
        IdentifyFailed(
            at=quay.at,
            bay=asked.bay,
            attempt=asked.attempt,
            failure=v.failure(FailureKind.TOOL_FAILED, "no blkid"),
        )
    )
    assert quay.fire("report").says(StationReported).bays[0].reason == "tool-failed: no blkid"


def test_a_stopping_station_cancels_its_effects_and_begins_no_load() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().stop()
    assert quay.does(Cancel).attempt == 2
    assert quay.phase() is Phase.LOADING
    quay.announce(v.job("reef-2", TWO)).plug("bay-2", v.facts(TWO))
    assert quay.phase("bay-2") is Phase.WAITING


def test_a_stopping_station_draws_no_conclusion_from_drives_it_cannot_look_at() -> None:
    quay = Quay().plug("bay-1", known=False).stop().unidentified("bay-1")
    assert (quay.messages, len(quay.station.loads)) == ((), 0)


def test_stopping_cancels_nothing_that_is_not_running() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().failed("bay-1", FailureKind.STORE_BUSY)
    assert quay.stop().commands == ()


# -- restarts --------------------------------------------------------------------------------------


def test_a_restart_without_a_change_is_silent() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load = quay.at_bay("bay-1")
    told = len(quay.journal.told)
    quay.restart().identified("bay-1").surveyed().transferred()
    assert len(quay.journal.told) == told
    assert quay.at_bay("bay-1").load_id == load.load_id


def test_a_drive_that_left_while_the_station_was_down() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().restart(without=["bay-1"])
    assert quay.says(LoadAway).bay == "bay-1"
    quay.plug("bay-2").loaded("bay-2")
    assert quay.status() is JobStatus.LOADED


def test_a_drive_that_moved_while_the_station_was_down() -> None:
    quay = Quay().announce().plug("bay-1").surveyed()
    load_id = quay.at_bay("bay-1").load_id
    quay.restart(moved={"bay-1": "bay-2"}).identified("bay-2")
    assert quay.at_bay("bay-2").load_id == load_id


def test_drives_that_changed_places_while_the_station_was_down() -> None:
    quay = pair()
    one, two = quay.at_bay("bay-1").load_id, quay.at_bay("bay-2").load_id
    quay._stand("bay-1", v.facts(TWO))
    quay._stand("bay-2", v.facts(ONE))
    quay.restart().identified("bay-1").identified("bay-2")
    assert (quay.at_bay("bay-1").load_id, quay.at_bay("bay-2").load_id) == (two, one)
    assert [m.load_id for m in quay.told(LoadAway)] == [m.load_id for m in quay.told(LoadResumed)] == [one]


def test_a_job_that_comes_right_after_a_restart_waits_for_the_drive_to_be_known() -> None:
    quay = Quay().plug("bay-1").restart().announce()
    assert quay.said_one(LoadStarted)
    assert quay.did["Survey"] == 0
    assert quay.identified("bay-1").does_one(Survey)


def test_an_amendment_right_after_a_restart_waits_for_the_drive_to_be_known() -> None:
    quay = Quay().announce().plug("bay-1").surveyed("bay-1", DOUBT).restart()
    quay.amend(v.job(version=2, items=(v.item(),)))
    assert quay.said_one(LoadResumed)
    assert quay.did["Survey"] == 0
    assert quay.identified("bay-1").does_one(Survey)


def test_a_word_about_a_hold_right_after_a_restart_is_refused_until_the_drive_is_known() -> None:
    quay = Quay().announce().plug("bay-1").surveyed("bay-1", DOUBT).restart()
    assert quay.lift("bay-1", Decision.AGAIN).said_one(NoticeRefused)
    assert quay.identified("bay-1").lift("bay-1", Decision.AGAIN).does_one(Survey)


@pytest.mark.parametrize("released", [False, True])
def test_a_drive_that_is_let_go_is_not_looked_at_again(released: bool) -> None:
    quay = Quay().announce().plug("bay-1").surveyed().transferred().proved()
    if released:
        quay.closed()
    quay.restart()
    assert quay.did["Identify"] == 0
    assert quay.did["Close"] == (0 if released else 1)
    if not released:
        quay.closed()
    assert quay.unplug("bay-1").station.loads == Quay().station.loads


def test_a_released_drive_that_is_swapped_while_the_station_was_down() -> None:
    quay = Quay().announce().plug("bay-1").loaded()
    quay._stand("bay-1", v.facts(TWO))
    quay.restart().identified("bay-1")
    assert [load.drive.serial for load in quay.station.loads.values()] == [TWO]


def test_a_withdrawal_is_finished_after_a_restart() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().withdraw().restart()
    quay.taken_back().closed()
    assert withdrawals(quay) == [(True, "what was stored has been taken back")]


def test_what_is_over_is_forgotten_by_a_new_process_too() -> None:
    quay = Quay().announce().plug("bay-1").loaded().unplug("bay-1")
    assert len(quay.journal.loads) == 1
    assert len(quay.restart().station.loads) == 0


def test_two_loads_of_one_bay_in_one_moment_have_names_of_their_own() -> None:
    quay = Quay()
    names: set[LoadId] = set()
    for serial in (ONE, TWO, THREE):
        quay.at = v.AT
        quay.plug("bay-1", v.facts(serial), known=False)
        quay.at = v.AT
        quay.take(
            Identified(
                at=v.AT,
                bay=BayName("bay-1"),
                attempt=quay.done(BayName("bay-1"), quay.station.bays[BayName("bay-1")].attempt).attempt,
                facts=v.facts(serial),
            )
        )
        quay.assign("bay-1", "nobody")
        names.add(quay.at_bay("bay-1").load_id)
        job = v.job(f"reef-{serial}", serial)
        quay.announce(job)
    assert len(names) == 3


def test_loads_are_handled_in_the_order_of_their_beginning() -> None:
    quay = Quay()
    for number in range(6):
        quay.plug(f"bay-{number}", v.facts(f"HQ7K2M9{number}", label="KELP"))
    quay.announce(v.job(drives=(ExpectedDrive(volume_label="KELP"),) * 3))
    assert [quay.at_bay(f"bay-{n}").job_id for n in range(6)] == [v.SONAR] * 3 + [None] * 3


def test_a_drive_that_was_pulled_during_its_proof_is_closed_without_powering_down() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().transferred()
    load: Load = quay.at_bay("bay-1")
    quay.unplug("bay-1").proved(load=load)
    assert not quay.does(Close).power_down
    quay.closed(load)
    assert (quay.status(), len(quay.station.loads)) == (JobStatus.LOADED, 0)


def test_a_proof_that_fails_without_its_drive_goes_on_when_it_is_back() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().transferred()
    load = quay.at_bay("bay-1")
    quay.unplug("bay-1").proof_failed(load=load)
    assert quay.says(LoadAway).bay == "bay-1"
    quay.plug("bay-2").loaded("bay-2")
    assert quay.status() is JobStatus.LOADED


def test_jobs_are_counted() -> None:
    quay = Quay().announce().announce(v.job("reef-2", TWO))
    assert quay.station.jobs_pending == 2
    assert quay.withdraw("reef-2").station.jobs_pending == 1
    assert quay.plug("bay-1").loaded().station.jobs_pending == 0
    assert JobId("reef-2") in quay.station.jobs
