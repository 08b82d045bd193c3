"""The life of one load: what follows from outside, and from a new process."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingestd.core.load_events import Admitted, Freed, Outbid
from ingestd.core.messages import (
    Cancel,
    Close,
    Prove,
    StartTimer,
    Survey,
    TakeBack,
    Transfer,
)
from ingestd.core.model import FailureClass, FailureKind, HoldReason, Outcome, Phase, ProofLevel
from ingestd.core.outgoing import (
    DriveReleased,
    JobFailed,
    LoadAway,
    LoadHeld,
    LoadResumed,
)
from ingestd.core.phases import Away, Surveying
from tests.support import values as v
from tests.support.life import DOUBT, PLAIN, WORKING, Life, held, loading, releasing

AT_THE_DRIVE = (Phase.WAITING, Phase.SURVEYING, Phase.LOADING)


# -- taking back -----------------------------------------------------------------------------------


def test_a_failed_drive_is_kept_locked_and_no_name_on_it_is_changed() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(PLAIN).surveyed(PLAIN).taken_back().closed()
    assert life.says(DriveReleased).text == (
        "Pull it from bay-1: keep it locked until support has closed the case, then dispose. "
        "Why: vol-1/reef-north.tar is not encrypted: it is a tar archive."
    )


def test_a_failure_says_how_many_findings_there_are_besides() -> None:
    both = v.survey(secrecy=(v.plain("vol-1/a.tar"), v.plain("vol-1/b.tar")))
    told = Life().to(Phase.SURVEYING).surveyed(both).surveyed(both).says(JobFailed)
    assert told.text == "vol-1/a.tar is not encrypted: it is a tar archive; and 1 more finding."


def test_a_failed_load_is_kept_if_the_job_says_so() -> None:
    life = Life(v.job(keep_on_failure=True)).to(Phase.LOADING).transferred(v.fault()).rechecked(v.fault())
    assert life.says(JobFailed).data_kept
    assert life.did == ["Close"]
    assert life.closed().outcome is Outcome.FAILED


@pytest.mark.parametrize("phase", [*AT_THE_DRIVE, Phase.PROVING, Phase.AWAY])
def test_a_withdrawal_stops_a_load_in_any_phase(phase: Phase) -> None:
    life = Life().to(phase)
    running = getattr(life.load.state, "attempt", None)
    life.withdrawn()
    assert [c.attempt for c in life.commands if isinstance(c, Cancel)] == ([running] if running else [])
    assert life.does_one(TakeBack)
    assert life.taken_back().does(Close).power_down == (phase is not Phase.AWAY)
    assert "withdrawn: the order was cancelled" in life.closed().says(DriveReleased).text
    assert life.outcome is Outcome.WITHDRAWN


def test_a_withdrawal_during_a_pause_cancels_nothing() -> None:
    life = Life().to(Phase.LOADING).failed(FailureKind.STORE_BUSY).withdrawn()
    assert life.did == ["TakeBack"]


def test_what_was_taken_back_is_no_longer_counted_as_stored() -> None:
    life = Life().to(Phase.LOADING).progressed(replace(v.ledger(stored=2, pending=1), arrived_bytes=400))
    ledger = life.withdrawn().taken_back().load.ledger
    assert ledger == v.ledger(pending=3)


def test_a_withdrawal_ends_a_hold() -> None:
    life = Life().to(Phase.LOADING).failed(FailureKind.STORE_REFUSED).withdrawn()
    assert life.taken_back().closed().outcome is Outcome.WITHDRAWN


def test_one_drive_that_was_loaded_is_taken_back_while_it_is_let_go() -> None:
    life = Life().to(Phase.RELEASING).withdrawn()
    assert life.did == ["Cancel", "TakeBack"]
    assert life.taken_back().closed().outcome is Outcome.WITHDRAWN


def test_one_drive_that_was_loaded_is_taken_back_after_it_was_released() -> None:
    life = Life().to(Phase.RELEASED).withdrawn()
    assert life.did == ["TakeBack"]
    assert life.taken_back().closed().outcome is Outcome.WITHDRAWN
    gone = Life().to(Phase.RELEASED).pulled().withdrawn().taken_back()
    assert not gone.does(Close).power_down
    assert gone.closed().outcome is Outcome.WITHDRAWN


@pytest.mark.parametrize("phase", [*AT_THE_DRIVE, Phase.PROVING, Phase.AWAY])
def test_a_load_that_stops_with_its_data_kept_takes_nothing_back(phase: Phase) -> None:
    life = Life().to(phase).withdrawn(keep=True)
    assert "TakeBack" not in life.did
    assert life.closed().outcome is Outcome.WITHDRAWN


@pytest.mark.parametrize("phase", [Phase.RELEASING, Phase.RELEASED])
def test_a_loaded_drive_whose_data_is_kept_stays_loaded(phase: Phase) -> None:
    life = Life().to(phase)
    before = life.load
    assert life.withdrawn(keep=True).load == before


def test_a_second_withdrawal_changes_nothing() -> None:
    life = Life().to(Phase.LOADING).withdrawn()
    before = life.load
    assert life.withdrawn().load == before
    assert life.commands == ()


# -- amendments ------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", WORKING)
def test_other_demands_begin_the_survey_again(phase: Phase) -> None:
    life = Life().to(phase)
    running = life.awaited
    life.amended(v.job(version=2, items=(v.item(),)), again=True)
    assert life.does(Cancel).attempt == running
    assert life.does(Survey).job.version == 2
    assert isinstance(life.load.state, Surveying)


@pytest.mark.parametrize("phase", WORKING)
def test_another_urgency_changes_nothing_here(phase: Phase) -> None:
    life = Life().to(phase)
    state = life.load.state
    assert life.amended(v.job(version=2, priority=9), again=False).did == []
    assert life.load.state == state


def test_other_demands_end_a_hold() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(DOUBT).amended(v.job(version=2, items=(v.item(),)), again=True)
    assert life.says(LoadResumed).text == "the job was amended"
    assert life.load.phase is Phase.WAITING


def test_another_urgency_ends_no_hold() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(DOUBT).amended(v.job(version=2, priority=9), again=False)
    assert life.load.phase is Phase.HELD


def test_other_demands_on_a_drive_that_was_pulled_wait_for_it() -> None:
    life = Life().to(Phase.PROVING).pulled()
    running = life.awaited
    life.amended(v.job(version=2, proof=ProofLevel.FULL), again=True)
    assert life.does(Cancel).attempt == running
    assert life.says(LoadAway).bay == "bay-1"
    assert isinstance(life.load.state, Away)
    assert life.back().take(Admitted()).does_one(Survey)


def test_a_hold_without_its_drive_that_is_amended_waits_for_the_drive() -> None:
    life = Life().to(Phase.PROVING).pulled().failed(FailureKind.STORE_REFUSED)
    life.amended(v.job(version=2, items=(v.item(),)), again=True)
    assert isinstance(life.load.state, Away)
    assert life.says(LoadAway).bay == "bay-1"
    assert life.back().load.phase is Phase.WAITING


# -- the drive comes and goes ----------------------------------------------------------------------


@pytest.mark.parametrize("phase", AT_THE_DRIVE)
def test_a_drive_that_is_pulled_is_waited_for(phase: Phase) -> None:
    life = Life().to(phase)
    running = getattr(life.load.state, "attempt", None)
    told = life.pulled().says(LoadAway)
    assert (told.bay, told.job_id) == ("bay-1", life.job.job_id)
    assert [c.attempt for c in life.commands if isinstance(c, Cancel)] == ([running] if running else [])
    assert isinstance(life.load.state, Away)
    assert life.back("bay-2").says(LoadResumed).text == "the drive is back in bay-2"
    assert life.take(Admitted()).does(Survey).handle == v.handle("bay-2", 2)


def test_a_drive_that_is_pulled_in_a_pause_has_nothing_to_cancel() -> None:
    assert Life().to(Phase.LOADING).failed(FailureKind.STORE_BUSY).pulled().did == ["Close"]


def test_a_drive_that_is_pulled_before_its_job_is_known_ends_its_load() -> None:
    told = Life().unmatched().pulled().says(DriveReleased)
    assert told.outcome is Outcome.UNCLAIMED
    assert told.text == "pulled before a job was found for it"


def test_a_drive_that_is_pulled_from_a_hold_goes_on_when_it_is_back() -> None:
    life = Life().to(Phase.LOADING).failed(FailureKind.STORE_REFUSED).pulled()
    assert isinstance(life.load.state, Away)
    assert life.back().take(Admitted()).load.phase is Phase.SURVEYING


def test_a_proof_does_not_need_the_drive() -> None:
    life = Life().to(Phase.PROVING).pulled()
    assert (life.messages, life.commands) == ((), ())
    assert life.load.phase is Phase.PROVING
    assert not life.proved().does(Close).power_down
    assert life.closed().says(DriveReleased).bay is None


def test_a_drive_may_come_back_during_a_proof() -> None:
    life = Life().to(Phase.PROVING).pulled().back("bay-2")
    assert (life.load.phase, life.load.bay) == (Phase.PROVING, "bay-2")
    assert life.proof_failed("vol-1/a.age").does(Transfer).handle == v.handle("bay-2", 2)


@pytest.mark.parametrize("phase", [Phase.WAITING, Phase.SURVEYING, Phase.LOADING, Phase.RELEASED])
def test_a_drive_that_is_identified_once_more_disturbs_nothing(phase: Phase) -> None:
    life = Life().to(phase)
    state = life.load.state
    life.back("bay-1", generation=1)
    assert (life.load.state, life.messages, life.commands) == (state, (), ())


# -- proofs that fail ------------------------------------------------------------------------------


def test_what_the_store_has_lost_is_loaded_again() -> None:
    life = Life().to(Phase.PROVING).proof_failed("vol-1/a.age")
    assert life.does_one(Transfer)
    assert loading(life).passes == 2
    assert life.load.ledger.pending_files == 1


def test_a_store_that_loses_everything_holds_the_load() -> None:
    life = Life().to(Phase.PROVING)
    for _ in range(v.LIMITS.passes_max - 1):
        life.proof_failed("vol-1/a.age").transferred()
    assert held(life.proof_failed("vol-1/a.age")).reason is HoldReason.RETRIES_EXHAUSTED
    assert held(life).text == "the store did not hold what was stored, for example vol-1/a.age"


def test_a_proof_that_names_no_file_still_says_why_it_holds() -> None:
    life = Life(limits=replace(v.LIMITS, passes_max=1)).to(Phase.PROVING).proof_failed()
    assert life.says(LoadHeld).text == "the store did not hold what was stored"


def test_a_proof_that_fails_without_the_drive_says_that_it_waits_for_it() -> None:
    life = Life().to(Phase.PROVING).pulled().proof_failed("vol-1/a.age")
    told = life.says(LoadAway)
    assert (told.bay, told.ledger.pending_files) == ("bay-1", 1)
    assert isinstance(life.load.state, Away)
    assert life.back().take(Admitted()).surveyed().does_one(Transfer)


def test_a_proof_remembers_the_bay_of_its_drive_through_failures_and_restarts() -> None:
    life = Life().to(Phase.PROVING).pulled().failed(FailureKind.STORE_BUSY).time_up().restarted()
    assert life.proof_failed("vol-1/a.age").says(LoadAway).bay == "bay-1"


# -- a new process ---------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", AT_THE_DRIVE)
def test_a_restart_counts_the_drive_as_away_without_a_word(phase: Phase) -> None:
    life = Life().to(phase).restarted()
    assert (life.load.state, life.messages, life.commands) == (Away(since=life.at, told=False), (), ())
    assert life.back().messages == ()
    assert life.load.phase is Phase.WAITING


@pytest.mark.parametrize("phase", AT_THE_DRIVE)
def test_a_drive_that_left_meanwhile_is_told_as_away(phase: Phase) -> None:
    life = Life().to(phase).restarted().pulled()
    assert life.says(LoadAway).bay == "bay-1"
    assert life.load.bay is None
    assert life.back().said_one(LoadResumed)


def test_a_drive_that_is_told_as_away_is_not_told_again() -> None:
    life = Life().to(Phase.AWAY).restarted()
    assert (life.messages, life.commands) == ((), ())
    life.put(bay="bay-1")
    assert life.pulled().messages == ()


@pytest.mark.parametrize(("phase", "effect"), [(Phase.PROVING, Prove), (Phase.RELEASING, Close)])
def test_a_restart_takes_up_what_needs_no_drive(phase: Phase, effect: type[Prove] | type[Close]) -> None:
    life = Life().to(phase)
    attempt = life.awaited
    assert life.restarted().does(effect).attempt == attempt + 1
    assert life.load.phase is phase


def test_a_proof_that_fails_after_a_restart_waits_until_its_drive_is_known() -> None:
    life = Life().to(Phase.PROVING).restarted().proof_failed("vol-1/a.age")
    assert (life.load.state, life.did) == (Away(since=life.at, told=False), [])
    assert life.back().load.phase is Phase.WAITING


def test_new_demands_after_a_restart_wait_until_the_drive_is_known() -> None:
    life = Life().to(Phase.PROVING).restarted()
    life.amended(v.job(version=2, proof=ProofLevel.FULL), again=True)
    assert (life.load.state, life.did) == (Away(since=life.at, told=False), ["Cancel"])


def test_a_restart_takes_up_a_take_back() -> None:
    life = Life().to(Phase.LOADING).withdrawn().failed(FailureKind.STORE_BUSY).restarted()
    assert life.does_one(TakeBack)
    assert releasing(life).pause is None


def test_a_restart_forgets_no_hold() -> None:
    life = Life().to(Phase.LOADING).failed(FailureKind.STORE_REFUSED)
    state = life.load.state
    assert life.restarted().load.state == state
    assert life.load.handle is None
    assert life.commands == ()


def test_a_restart_waits_for_a_job_no_longer_than_the_rest() -> None:
    life = Life().unmatched()
    life.at += 600.0
    assert life.restarted().does(StartTimer).after_s == v.LIMITS.unclaimed_after_s - 601.0
    life.at += 86_400.0
    assert life.restarted().does(StartTimer).after_s == 0.0


def test_a_restart_leaves_a_released_load_as_it_is() -> None:
    life = Life().to(Phase.RELEASED)
    before = life.load
    assert life.restarted().load == before


def test_a_place_that_is_free_again_waits_for_a_drive_that_was_pulled() -> None:
    life = Life(limits=v.SHARED).begun().surveyed().transferred().pulled()
    life.take(Outbid(text="another station has it")).take(Freed())
    assert life.says(LoadAway).bay == "bay-1"
    assert life.back("bay-2").load.phase is Phase.WAITING


def test_a_take_back_that_fails_again_and_again_is_told_of_once_and_goes_on() -> None:
    life = Life().to(Phase.LOADING).withdrawn()
    said: list[int] = []
    for count in range(1, 31):
        life.failed(FailureKind.STORE_REFUSED, "no right to delete")
        assert life.does_one(StartTimer), "it is tried until it works"
        if life.messages:
            said.append(count)
            told = life.says(LoadHeld)
            assert (told.reason, told.cause) == (HoldReason.STORE_REFUSED, FailureClass.DEPENDENCY)
            assert told.text == (
                "what was stored cannot be taken back (10 tries, and on until it works; there is no hold to "
                "lift): store-refused: no right to delete"
            )
        life.time_up()
    assert said == [10]
    assert life.taken_back().closed().outcome is Outcome.WITHDRAWN


def test_a_take_back_for_which_the_store_is_waited_for_is_not_told_of() -> None:
    life = Life().to(Phase.LOADING).withdrawn()
    for _ in range(30):
        assert life.failed(FailureKind.STORE_UNREACHABLE).messages == ()
        life.time_up()
