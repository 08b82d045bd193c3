"""The life of one load: what follows from the reports of its effects."""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle, islice

import pytest

from ingestd.core import retry
from ingestd.core.drive import Health, HealthCounter, HealthFacts, VolumeFacts, VolumeFlaw
from ingestd.core.found import FaultKind, FindingCode
from ingestd.core.job import PolicyChange
from ingestd.core.load_events import Admitted, Unmatched
from ingestd.core.load_turns import why_not
from ingestd.core.messages import (
    Close,
    Prove,
    Recheck,
    StartTimer,
    Survey,
    TakeBack,
    Transfer,
)
from ingestd.core.model import (
    Decision,
    Disposition,
    FailureClass,
    FailureKind,
    HoldReason,
    Outcome,
    Phase,
    Policy,
    ProofLevel,
    Severity,
)
from ingestd.core.outgoing import (
    DriveReleased,
    DriveUnclaimed,
    JobFailed,
    LoadHeld,
    LoadProgressed,
    LoadResumed,
    LoadStarted,
)
from tests.support import values as v
from tests.support.life import DOUBT, PLAIN, WORKING, Life, fresh, held, loading, releasing

OTHER = v.survey(items=v.missing("tracks.age"))


# -- the good drive --------------------------------------------------------------------------------


def test_a_good_drive_goes_all_the_way() -> None:
    life = Life().matched()
    assert life.says(LoadStarted).matched_by == "serial HQ7K2M9A"
    assert not life.take(Admitted()).does(Survey).fresh
    assert life.surveyed().does(Transfer).folder == ""
    assert life.transferred().does(Prove).level is ProofLevel.LISTED
    assert life.proved().does(Close).power_down
    told = life.closed(powered_down=True).says(DriveReleased)
    assert (told.outcome, told.disposition, told.powered_down) == (
        Outcome.LOADED,
        Disposition.DISPOSE,
        True,
    )
    assert told.text == "Pull it from bay-1: dispose. Why: 3 files stored and proved (listed)."
    assert [m.TYPE for m in life.told] == ["ingest.load.started", "ingest.drive.released"]


PENDING_16 = HealthFacts(
    verdict=Health.SUSPECT,
    counters=(HealthCounter(name="pending sectors", attribute="197", value=16),),
)


def test_what_has_become_worse_while_reading_is_noted_once() -> None:
    worse = replace(PENDING_16, counters=(replace(PENDING_16.counters[0], value=24),))
    life = Life(load=fresh(facts=replace(v.facts(), health=PENDING_16))).to(Phase.LOADING)
    life.transferred(v.fault(), health=worse).rechecked()
    life.transferred(health=worse)
    found = [finding for finding in life.load.findings if finding.code == "health-worsened"]
    assert [finding.severity for finding in found] == [Severity.NOTED]
    assert "pending sectors (197): 16, now 24" in found[0].sentence
    assert life.load.phase is Phase.PROVING


@pytest.mark.parametrize("after", [None, PENDING_16, HealthFacts()])
def test_what_is_as_it_was_or_unknown_is_not_noted(after: HealthFacts | None) -> None:
    life = Life(load=fresh(facts=replace(v.facts(), health=PENDING_16))).to(Phase.LOADING)
    assert life.transferred(health=after).load.findings == ()


def test_progress_is_told_now_and_then_and_kept_always() -> None:
    life = Life().to(Phase.LOADING)
    told = 0
    for stored in range(1, 61):
        life.progressed(v.ledger(stored=stored, pending=60 - stored), rate=5e6)
        told += len(life.messages)
        assert life.load.ledger.stored_files == stored
        assert life.load.rate_bytes_per_second == 5e6
    assert told == 2
    assert life.load.phase is Phase.LOADING


def test_progress_says_how_far_it_is() -> None:
    told = Life().to(Phase.LOADING).progressed(v.ledger(stored=1, pending=2), rate=1.5).says(LoadProgressed)
    assert (told.ledger.stored_files, told.rate_bytes_per_second, told.phase) == (1, 1, Phase.LOADING)


def test_no_rate_outlives_the_transfer() -> None:
    def moving() -> Life:
        return Life().to(Phase.LOADING).progressed(v.ledger(stored=1, pending=2), rate=5e6)

    assert moving().transferred().load.rate_bytes_per_second == 0
    assert moving().transferred(v.fault()).load.rate_bytes_per_second == 0
    assert moving().failed(FailureKind.STORE_BUSY).load.rate_bytes_per_second == 0
    assert moving().failed(FailureKind.STORE_REFUSED).load.rate_bytes_per_second == 0
    assert moving().pulled().load.rate_bytes_per_second == 0
    assert moving().withdrawn().load.rate_bytes_per_second == 0
    assert moving().restarted().load.rate_bytes_per_second == 0
    amended = v.job(version=2, items=(v.item(),))
    assert moving().amended(amended, again=True).load.rate_bytes_per_second == 0


def test_the_drives_of_one_job_are_kept_apart() -> None:
    life = Life(v.job(v.SONAR, "HQ7K2M9A", "HQ7K2M9B")).to(Phase.SURVEYING)
    assert life.surveyed().does(Transfer).folder == "drive-1"
    assert life.transferred().does(Prove).folder == "drive-1"
    assert life.withdrawn().does(TakeBack).folder == "drive-1"


def test_a_take_back_knows_how_the_transfer_named_its_files() -> None:
    one = Life().to(Phase.LOADING)
    assert not one.withdrawn().does(TakeBack).several_volumes
    two = Life().to(Phase.LOADING)
    volumes = tuple(VolumeFacts(name=f"vol-{n}", problem="unknown" if n == 3 else None) for n in (1, 2, 3))
    two.put(facts=replace(two.load.facts, volumes=volumes))
    assert two.withdrawn().does(TakeBack).several_volumes


def test_encryption_is_looked_for_unless_nobody_minds() -> None:
    assert Life().to(Phase.SURVEYING).does(Survey).sniff
    assert Life().to(Phase.LOADING).does(Transfer).sniff
    noted = v.job(requirements=(PolicyChange(requirement="not-encrypted", policy=Policy.NOTED),))
    assert Life(noted).to(Phase.SURVEYING).does(Survey).sniff
    assert not Life(noted).to(Phase.LOADING).does(Transfer).sniff
    off = tuple(
        PolicyChange(requirement=code, policy=Policy.OFF)
        for code in ("not-encrypted", "encryption-uncertain")
    )
    assert not Life(v.job(requirements=off)).to(Phase.SURVEYING).does(Survey).sniff


# -- two observations ------------------------------------------------------------------------------


def test_two_looks_that_agree_fail_the_job() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(PLAIN)
    assert life.messages == ()
    assert life.does(Survey).fresh
    told = life.surveyed(PLAIN).says(JobFailed)
    assert (told.cause, told.observations, told.data_kept) == (FailureClass.REQUIREMENT, 2, False)
    assert told.text == "vol-1/reef-north.tar is not encrypted: it is a tar archive."
    assert life.does(TakeBack).destination == life.job.destination
    assert releasing(life).outcome is Outcome.FAILED
    assert life.taken_back().closed().outcome is Outcome.FAILED


def test_a_second_look_without_fault_goes_on_and_keeps_a_note() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(PLAIN).surveyed()
    assert life.load.phase is Phase.LOADING
    (note,) = life.load.findings
    assert (note.code, note.severity) == (FindingCode.SEEN_ONCE, Severity.NOTED)
    assert note.sentence.startswith("Seen in one look only: vol-1/reef-north.tar is not encrypted")


def test_two_looks_that_disagree_hold_the_load() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(PLAIN).surveyed(OTHER)
    assert held(life).reason is HoldReason.OBSERVATIONS_DISAGREE
    assert not any(isinstance(message, JobFailed) for message in life.told)
    assert life.says(LoadHeld).text.startswith("two looks at the drive disagree: tracks.age")


def test_a_failure_lists_everything_with_what_one_look_alone_saw_as_a_note() -> None:
    first = v.survey(secrecy=(v.plain("vol-1/a.tar"), v.plain("vol-1/b.tar")))
    second = v.survey(secrecy=(v.plain("vol-1/a.tar"), v.plain("vol-1/c.tar")), unexpected=v.changed())
    told = Life().to(Phase.SURVEYING).surveyed(first).surveyed(second).says(JobFailed)
    assert [(f.code, f.subject) for f in told.findings] == [
        (FindingCode.NOT_ENCRYPTED, "vol-1/a.tar"),
        (FindingCode.UNEXPECTED_ITEM, "drive"),
        (FindingCode.SEEN_ONCE, "vol-1/b.tar"),
        (FindingCode.SEEN_ONCE, "vol-1/c.tar"),
    ]
    assert [f.severity for f in told.findings].count(Severity.BLOCKING) == 1


def test_a_fault_is_read_again_before_it_fails_the_job() -> None:
    life = Life().to(Phase.LOADING).transferred(v.fault())
    assert life.does(Recheck).faults == (v.fault(),)
    assert life.messages == ()
    told = life.rechecked(v.fault()).says(JobFailed)
    assert (told.cause, told.observations) == (FailureClass.DATA, 2)
    assert [f.code for f in told.findings] == [FindingCode.CHECKSUM_MISMATCH]


@pytest.mark.parametrize("kind", [kind for kind in FaultKind if kind is not FaultKind.NOT_SUPPORTED])
def test_every_kind_of_fault_fails_the_job_once_confirmed(kind: FaultKind) -> None:
    life = Life().to(Phase.LOADING).transferred(v.fault(kind=kind)).rechecked(v.fault(kind=kind))
    assert life.says(JobFailed).cause.may_fail_a_job


UNSUPPORTED = v.fault(kind=FaultKind.NOT_SUPPORTED)


def in_doubt() -> Life:
    return Life().to(Phase.LOADING).transferred(UNSUPPORTED).rechecked(UNSUPPORTED)


def test_a_file_that_the_driver_does_not_read_is_for_a_person_to_decide() -> None:
    life = in_doubt()
    state = held(life)
    assert (state.reason, state.cause) == (HoldReason.DOUBTFUL, FailureClass.DATA)
    assert "not read by this station's driver" in state.text
    assert [f.code for f in state.findings] == [FindingCode.FILE_IN_DOUBT]


def test_a_file_that_a_person_accepts_to_do_without_is_left_out_and_told() -> None:
    life = in_doubt().lifted(Decision.ACCEPT).take(Admitted()).surveyed()
    assert life.does(Transfer).without == (UNSUPPORTED.path,)
    life.transferred(UNSUPPORTED, ledger=v.ledger(stored=2, skipped=1))
    assert life.load.phase is Phase.PROVING
    assert [f.code for f in life.load.findings] == [FindingCode.FILE_IN_DOUBT]


def test_a_file_that_was_left_out_and_is_read_by_a_later_pass_is_in_no_doubt() -> None:
    other = v.fault("vol-1/other.docx")
    for second in ((), (UNSUPPORTED,)):
        life = in_doubt().lifted(Decision.ACCEPT).take(Admitted()).surveyed()
        life.transferred(UNSUPPORTED, other, ledger=v.ledger(stored=1, failed=1, skipped=1)).rechecked()
        life.transferred(*second, ledger=v.ledger(stored=3 - len(second), skipped=len(second)))
        assert life.load.phase is Phase.PROVING
        doubts = [f.subject for f in life.load.findings if f.code is FindingCode.FILE_IN_DOUBT]
        assert doubts == [fault.path for fault in second]


def test_another_file_that_the_driver_does_not_read_is_another_doubt() -> None:
    other = v.fault("vol-1/other.docx", FaultKind.NOT_SUPPORTED)
    life = in_doubt().lifted(Decision.ACCEPT).take(Admitted()).surveyed()
    life.transferred(UNSUPPORTED, other, ledger=v.ledger(stored=1, failed=1, skipped=1))
    assert life.does(Recheck).faults == (other,)
    assert [f.subject for f in held(life.rechecked(other)).findings] == [other.path]


def test_a_file_that_is_read_once_the_station_was_mended_is_in_no_doubt() -> None:
    life = in_doubt().lifted(Decision.AGAIN).take(Admitted()).surveyed()
    assert life.does(Transfer).without == ()
    assert life.transferred().load.phase is Phase.PROVING
    assert life.load.findings == ()


def test_a_file_in_doubt_that_a_person_refuses_fails_the_job() -> None:
    told = in_doubt().lifted(Decision.REFUSE).says(JobFailed)
    assert [f.code for f in told.findings] == [FindingCode.FILE_IN_DOUBT]


def test_a_damaged_file_fails_the_job_whatever_else_is_in_doubt() -> None:
    faults = (UNSUPPORTED, v.fault("vol-1/b", FaultKind.UNREADABLE))
    told = Life().to(Phase.LOADING).transferred(*faults).rechecked(*faults).says(JobFailed)
    assert {f.code for f in told.findings} == {FindingCode.FILE_IN_DOUBT, FindingCode.FILE_UNREADABLE}


def test_a_fault_that_is_not_confirmed_is_loaded_again() -> None:
    life = Life().to(Phase.LOADING).transferred(v.fault()).rechecked()
    assert life.messages == ()
    assert life.does_one(Transfer)
    assert loading(life).passes == 2
    (note,) = life.load.findings
    assert note.code is FindingCode.SEEN_ONCE
    assert life.transferred().load.phase is Phase.PROVING


def test_a_fault_that_comes_and_goes_holds_in_the_end() -> None:
    life = Life().to(Phase.LOADING)
    for _ in range(v.LIMITS.passes_max):
        life.transferred(v.fault()).rechecked()
    assert held(life).reason is HoldReason.OBSERVATIONS_DISAGREE
    assert held(life).cause is FailureClass.DATA
    assert held(life).text == "reading the same files gave different results 3 times"
    assert not any(isinstance(message, JobFailed) for message in life.told)


def test_a_pass_that_leaves_files_behind_is_tried_again_and_held_but_never_fails() -> None:
    life = Life().to(Phase.LOADING)
    for _ in range(2):
        assert life.transferred(ledger=v.ledger(stored=2, pending=1)).did == ["StartTimer"]
        life.time_up()
    assert held(life.transferred(ledger=v.ledger(stored=2, pending=1))).reason is HoldReason.STATION_FAULT


# -- whose fault it is -----------------------------------------------------------------------------


@pytest.mark.parametrize("phase", WORKING)
@pytest.mark.parametrize("kind", FailureKind)
def test_only_what_may_fail_a_job_ever_does(phase: Phase, kind: FailureKind) -> None:
    life = Life().to(phase)
    for _ in range(40):
        life.failed(kind)
        if life.load.phase is not phase:
            break
        life.time_up()
    failed = [message for message in life.told if isinstance(message, JobFailed)]
    if not retry.TABLE[kind].cause.may_fail_a_job:
        assert failed == []
        assert life.load.phase in (phase, Phase.HELD)


@pytest.mark.parametrize("kind", [FailureKind.DRIVE_UNREADABLE, FailureKind.READ_STALLED])
@pytest.mark.parametrize("phase", [Phase.SURVEYING, Phase.LOADING])
def test_a_drive_that_cannot_be_read_twice_fails_the_job(phase: Phase, kind: FailureKind) -> None:
    life = Life().to(phase).failed(kind, "input/output error")
    assert life.messages == ()
    told = life.time_up().failed(kind, "input/output error").says(JobFailed)
    assert (told.cause, told.observations) == (FailureClass.DRIVE, 2)
    assert told.text == "The drive cannot be read: input/output error."


@pytest.mark.parametrize("phase", [Phase.SURVEYING, Phase.LOADING])
def test_one_observation_among_other_failures_is_still_one(phase: Phase) -> None:
    life = Life().to(phase)
    for _ in range(5):
        life.failed(FailureKind.STORE_UNREACHABLE).time_up()
    life.failed(FailureKind.DRIVE_UNREADABLE)
    assert life.messages == ()
    life.time_up().failed(FailureKind.STORE_UNREACHABLE).time_up()
    told = life.failed(FailureKind.DRIVE_UNREADABLE).says(JobFailed)
    assert told.observations == 2


def test_kinds_that_take_turns_are_held_as_soon_as_one_has_used_up_its_tries() -> None:
    life = Life().to(Phase.SURVEYING)
    for kind in islice(cycle((FailureKind.TOOL_FAILED, FailureKind.UNKNOWN)), 4):
        life.failed(kind).time_up()
    assert life.load.phase is Phase.SURVEYING
    assert held(life.failed(FailureKind.TOOL_FAILED)).reason is HoldReason.STATION_FAULT


def test_progress_between_two_failures_makes_them_two_firsts() -> None:
    life = Life().to(Phase.LOADING).failed(FailureKind.DRIVE_UNREADABLE).time_up()
    life.progressed(v.ledger(stored=1, pending=2))
    life.failed(FailureKind.DRIVE_UNREADABLE)
    assert life.load.phase is Phase.LOADING
    life.time_up().progressed(v.ledger(stored=1, pending=2))
    assert life.failed(FailureKind.DRIVE_UNREADABLE).said_one(JobFailed)


def test_what_goes_wrong_in_a_proof_is_never_the_drives_fault() -> None:
    life = Life().to(Phase.PROVING)
    for _ in range(2):
        life.failed(FailureKind.READ_STALLED).time_up()
    assert held(life).reason is HoldReason.STATION_FAULT
    assert held(life).cause is FailureClass.STATION


# -- pauses ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", [*WORKING, Phase.RELEASING])
def test_delays_grow_and_are_bounded(phase: Phase) -> None:
    life = Life().to(phase)
    delays = []
    for _ in range(20):
        delays.append(life.failed(FailureKind.STORE_UNREACHABLE).does(StartTimer).after_s)
        life.time_up()
    assert delays[0] <= 2.0
    assert max(delays) <= 300.0
    assert min(delays[-8:]) >= 150.0
    assert all(later > earlier for earlier, later in zip(delays[:6], delays[2:8], strict=True))


def test_a_pause_carries_its_reason_and_ends_with_its_timer() -> None:
    life = Life().to(Phase.LOADING).failed(FailureKind.STORE_BUSY, "slow down, please")
    pause = loading(life).pause
    assert pause is not None
    assert pause.failure.text == "slow down, please"
    assert pause.until == life.at + life.does(StartTimer).after_s
    attempt = life.awaited
    assert life.time_up().does(Transfer).attempt == attempt + 1
    assert loading(life).pause is None


def test_a_second_look_that_fails_is_still_the_second_look() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(PLAIN).failed(FailureKind.TOOL_FAILED).time_up()
    assert life.does(Survey).fresh
    assert life.surveyed(PLAIN).said_one(JobFailed)


def test_a_survey_that_is_tried_again_is_made_on_a_freshly_opened_drive() -> None:
    assert Life().to(Phase.SURVEYING).failed(FailureKind.TOOL_FAILED).time_up().does(Survey).fresh


def test_a_recheck_that_fails_is_tried_again_with_the_same_files() -> None:
    life = Life().to(Phase.LOADING).transferred(v.fault()).failed(FailureKind.TOOL_FAILED).time_up()
    assert life.does(Recheck).faults == (v.fault(),)


@pytest.mark.parametrize("kind", FailureKind)
def test_letting_go_is_tried_until_it_works(kind: FailureKind) -> None:
    life = Life().to(Phase.LOADING).withdrawn()
    for _ in range(30):
        assert life.failed(kind).did == ["StartTimer"]
        assert life.time_up().does_one(TakeBack)
    for _ in range(30):
        life.taken_back() if releasing(life).step == "take-back" else life.failed(kind).time_up()
    assert life.does_one(Close)
    assert life.closed().outcome is Outcome.WITHDRAWN


def test_work_that_a_stopping_station_cancels_is_still_waited_for() -> None:
    life = Life().to(Phase.LOADING)
    before = life.load
    assert life.cancelled().load == before
    assert life.commands == ()


# -- holds -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        (FailureKind.STORE_REFUSED, HoldReason.STORE_REFUSED),
        (FailureKind.STORE_MISSING, HoldReason.STORE_MISSING),
        (FailureKind.STORE_CONFLICT, HoldReason.STORE_CONFLICT),
        (FailureKind.STORE_FULL, HoldReason.STORE_FULL),
    ],
)
@pytest.mark.parametrize("phase", [Phase.LOADING, Phase.PROVING])
def test_what_a_person_has_to_mend_holds_at_once(phase: Phase, kind: FailureKind, reason: HoldReason) -> None:
    life = Life().to(phase).failed(kind, "access denied")
    told = life.says(LoadHeld)
    assert (told.reason, told.cause) == (reason, FailureClass.DEPENDENCY)
    assert told.text == f"{kind}: access denied"
    assert life.did == ["Close"]
    assert not life.does(Close).power_down
    assert life.lifted(Decision.AGAIN).says(LoadResumed).text == "to be looked at again, says m.okafor"
    assert life.take(Admitted()).does_one(Survey)


def test_a_doubtful_finding_holds_until_a_person_accepts_it() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(DOUBT)
    assert held(life).reason is HoldReason.DOUBTFUL
    assert held(life).text == (
        "a person has to decide: vol-1/reef-north.bin may or may not be encrypted: it is too short to tell."
    )
    life.lifted(Decision.ACCEPT).take(Admitted()).surveyed(DOUBT)
    assert life.load.phase is Phase.LOADING
    assert [f.code for f in life.load.findings] == [FindingCode.ENCRYPTION_UNCERTAIN]


def test_a_drive_of_which_nothing_can_be_loaded_is_not_accepted() -> None:
    in_doubt = VolumeFacts(name="vol-1", problem="why is not known", flaw=VolumeFlaw.IN_DOUBT)
    life = Life().to(Phase.SURVEYING).surveyed(v.survey(0, volumes=(in_doubt,)))
    assert held(life).reason is HoldReason.DOUBTFUL
    assert why_not(life.load, Decision.ACCEPT) == (
        "there is nothing to load from this drive as it is: refuse it, or have it looked at again"
    )
    assert why_not(life.load, Decision.AGAIN) is None
    assert life.lifted(Decision.REFUSE).says(JobFailed).refused_by == "m.okafor"


def test_what_a_job_makes_doubtful_holds_and_does_not_fail() -> None:
    doubtful = v.job(requirements=(PolicyChange(requirement="not-encrypted", policy=Policy.DOUBTFUL),))
    life = Life(doubtful).to(Phase.SURVEYING).surveyed(PLAIN)
    assert held(life).reason is HoldReason.DOUBTFUL
    life.lifted(Decision.ACCEPT).take(Admitted()).surveyed(PLAIN)
    assert life.load.phase is Phase.LOADING


def test_accepting_one_doubt_accepts_no_other() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(DOUBT).lifted(Decision.ACCEPT).take(Admitted())
    life.surveyed(v.survey(secrecy=(v.doubtful(), v.doubtful("vol-1/other.bin"))))
    assert [f.subject for f in held(life).findings] == ["vol-1/other.bin"]


def test_a_person_who_refuses_fails_the_job_on_one_observation_and_a_word() -> None:
    life = Life().to(Phase.SURVEYING).surveyed(DOUBT).lifted(Decision.REFUSE)
    told = life.says(JobFailed)
    assert (told.cause, told.observations, told.refused_by) == (
        FailureClass.REQUIREMENT,
        1,
        "m.okafor",
    )
    assert told.text.startswith("Refused by m.okafor: vol-1/reef-north.bin may or may not be encrypted")
    assert [f.severity for f in told.findings] == [Severity.BLOCKING]
    assert life.taken_back().closed().outcome is Outcome.FAILED


def test_a_drive_that_nobody_wants_is_unclaimed() -> None:
    life = Life().unmatched()
    told = life.says(LoadHeld)
    assert (told.reason, told.job_id, told.tried) == (HoldReason.NO_MATCHING_JOB, None, ("serial: no job",))
    assert life.does(StartTimer).after_s == v.LIMITS.unclaimed_after_s
    assert life.expired().says(DriveUnclaimed).tried == ("serial: no job",)
    told_at_last = life.closed().says(DriveReleased)
    assert (told_at_last.outcome, told_at_last.disposition) == (Outcome.UNCLAIMED, None)


def test_a_person_may_let_a_drive_go_that_nobody_wants() -> None:
    life = Life().unmatched().lifted(Decision.REFUSE)
    assert life.said_one(DriveUnclaimed)
    assert (
        life.closed()
        .says(DriveReleased)
        .text.endswith(" Why: let go by m.okafor; no job is known for this drive.")
    )


def test_the_same_reason_is_not_told_twice_and_another_one_is() -> None:
    life = Life().unmatched()
    before = life.load
    assert life.unmatched().load == before
    assert (life.messages, life.commands) == ((), ())
    life.take(Unmatched(reason=HoldReason.SEVERAL_JOBS, text="two jobs claim it", tried=()))
    assert life.says(LoadHeld).reason is HoldReason.SEVERAL_JOBS
    assert held(life).since == v.AT + 1.0


def test_a_hold_for_another_reason_is_no_wait_for_a_job() -> None:
    life = Life().unmatched()
    life.take(Unmatched(reason=HoldReason.SEVERAL_JOBS, text="two jobs claim it", tried=()))
    assert life.did == []
    life.expired()
    assert (life.load.phase, life.messages) == (Phase.HELD, ())


def test_a_wait_for_a_job_does_not_begin_anew_when_more_has_been_tried() -> None:
    life = Life().unmatched()
    life.at += 600.0
    life.unmatched("another label, and no job for it")
    assert life.does(StartTimer).after_s == v.LIMITS.unclaimed_after_s - 601.0
    assert held(life).since == v.AT + 1.0


def test_a_job_that_comes_later_ends_the_wait() -> None:
    life = Life().unmatched().matched()
    assert life.said == ["load.resumed", "load.started"]
    assert life.expired().load.phase is Phase.WAITING


def test_holding_asks_nothing_of_an_effect_that_is_over() -> None:
    assert Life().to(Phase.LOADING).failed(FailureKind.STORE_REFUSED).did == ["Close"]
    assert Life().to(Phase.SURVEYING).surveyed(DOUBT).did == ["Close"]
    assert Life().unmatched().did == ["StartTimer"]
