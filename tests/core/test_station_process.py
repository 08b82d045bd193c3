"""Who may begin and when, what a station says of itself, and what a new process makes of it all."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingestd.core.drive import DriveFacts, Health, HealthFacts, SpoiltTicket
from ingestd.core.job import ExpectedDrive
from ingestd.core.job_record import JobStatus
from ingestd.core.line import Cap
from ingestd.core.messages import (
    Cancel,
    Close,
    Identified,
    Identify,
    IdentifyFailed,
    LimitsChanged,
    StartTimer,
    Survey,
    UplinkSet,
)
from ingestd.core.model import BayName, Decision, FailureKind, HoldReason, JobId, LoadId, Phase
from ingestd.core.outgoing import (
    DriveReleased,
    DriveUnclaimed,
    JobWithdrawalCompleted,
    LoadAway,
    LoadResumed,
    LoadStarted,
    NoticeRefused,
    StationReported,
)
from ingestd.core.phases import Held, Load
from ingestd.core.station import reason_of
from ingestd.core.uplink import Limit, UplinkOrder, UplinkSettings
from tests.support import values as v
from tests.support.one_station import Quay

ONE, TWO, THREE = "HQ7K2M9A", "HQ7K2M9B", "HQ7K2M9C"
PAIR = v.job(v.SONAR, ONE, TWO)
DOUBT = v.survey(secrecy=(v.doubtful(),))


def pair(**changes: object) -> Quay:
    """A job of two drives, both in their bays and surveyed."""
    quay = Quay().announce(replace(PAIR, **changes))  # type: ignore[arg-type]
    return quay.plug("bay-1", v.facts(ONE)).plug("bay-2", v.facts(TWO)).surveyed("bay-1").surveyed("bay-2")


def withdrawals(quay: Quay) -> list[tuple[bool, str]]:
    return [(m.taken_back, m.text) for m in quay.told(JobWithdrawalCompleted)]


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


def test_a_drive_that_may_not_last_goes_before_all_others() -> None:
    quay = queue_of_four()
    quay.announce(v.job("reef-old", "HQ7K2M9X", priority=1))
    suspect = HealthFacts(verdict=Health.SUSPECT, reasons=("pending sectors (197: 16)",))
    quay.plug("bay-4", replace(v.facts("HQ7K2M9X"), health=suspect))
    quay.surveyed("bay-0").transferred("bay-0").proved("bay-0")
    assert (quay.phase("bay-4"), quay.phase("bay-3")) == (Phase.SURVEYING, Phase.WAITING)


def test_a_pause_makes_room_and_waits_for_a_place_when_it_is_over() -> None:
    quay = queue_of_four().failed("bay-0", FailureKind.STORE_UNREACHABLE)
    assert quay.phase("bay-3") is Phase.SURVEYING
    quay.fire("retry")
    assert quay.did == {"StartTimer": 1}
    quay.unplug("bay-1").unplug("bay-2").unplug("bay-3").fire("retry")
    assert quay.did == {"Survey": 1}


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


def test_only_a_drive_that_no_job_asks_for_is_let_go_by_the_clock() -> None:
    """Whatever else holds a drive without a job, somebody may want it: that lasts until a person decides."""
    by_label = [v.job(name, drives=(ExpectedDrive(volume_label="KELP"),)) for name in ("reef-a", "reef-b")]
    spoilt = SpoiltTicket(volume="vol-1", why="was altered, or forged")
    held = {
        HoldReason.SEVERAL_JOBS: Quay()
        .announce(by_label[0])
        .announce(by_label[1])
        .plug("bay-1", v.facts(label="KELP")),
        HoldReason.ALREADY_DONE: Quay()
        .announce()
        .plug("bay-2")
        .loaded("bay-2")
        .unplug("bay-2")
        .plug("bay-1"),
        HoldReason.TICKET_IN_DOUBT: Quay().plug("bay-1", replace(v.facts(), spoilt_tickets=(spoilt,))),
        HoldReason.NOT_IDENTIFIED: Quay().plug("bay-1", known=False).unidentified("bay-1"),
        HoldReason.DUPLICATE_IDENTITY: Quay().announce().plug("bay-2").plug("bay-1"),
    }
    for reason, quay in held.items():
        state = quay.at_bay("bay-1").state
        assert isinstance(state, Held)
        assert (state.reason, quay.at_bay("bay-1").job_id) == (reason, None)
        owner = quay.at_bay("bay-1").load_id
        for each in (quay, quay.restart()):
            assert ("unclaimed", owner) not in [(t.purpose, t.owner) for _, t in each.timers], reason


def looked_at_again(quay: Quay, facts: DriveFacts) -> Quay:
    """The drive in bay-1 is identified anew, and this is what it says now."""
    quay.lift("bay-1", Decision.AGAIN).facts[BayName("bay-1")] = facts
    return quay.identified("bay-1")


EXPIRED = replace(v.facts(ONE), spoilt_tickets=(SpoiltTicket(volume="vol-1", why="has expired"),))


def test_a_wait_for_a_job_ends_nothing_once_the_drive_is_held_for_something_else() -> None:
    quay = looked_at_again(Quay().plug("bay-1", v.facts(ONE)), EXPIRED)
    quay.fire("unclaimed")
    assert quay.messages == ()
    assert quay.phase() is Phase.HELD


def test_a_wait_for_a_job_begins_when_no_job_asks_for_the_drive_any_more() -> None:
    quay = Quay().plug("bay-1", v.facts(ONE))
    for facts in (EXPIRED, v.facts(ONE)):
        quay.at += 600.0
        looked_at_again(quay, facts)
    assert quay.does(StartTimer).after_s == v.LIMITS.unclaimed_after_s
    quay.fire("unclaimed")
    assert quay.phase() is Phase.HELD, "that was the timer of the first wait"
    quay.fire("unclaimed")
    assert quay.said_one(DriveUnclaimed)


# -- uplink, reports, stop -------------------------------------------------------------------------


def test_the_cap_that_was_set_outlives_a_restart() -> None:
    order = UplinkOrder(cap=Cap(250_000_000, 64_000_000), bays=(Limit("bay-2", None),), until=v.AT + 9.0)
    quay = Quay().take(UplinkSet(at=v.AT, order=order))
    assert quay.station.uplink_order == order
    assert quay.journal.uplink is not None
    assert quay.journal.uplink.order == order
    assert quay.restart().station.uplink_order == order


def test_a_changed_configuration_ends_the_cap_that_was_set() -> None:
    quay = Quay().take(UplinkSet(at=v.AT, order=UplinkOrder(cap=Cap(1_000))))
    changed = UplinkSettings(cap=Cap(5_000))
    assert quay.with_limits(uplink=changed).station.uplink_order == UplinkOrder()
    # And stays ended when it is changed back.
    assert quay.with_limits(uplink=UplinkSettings()).station.uplink_order == UplinkOrder()


def test_it_ends_also_when_the_configuration_is_read_again() -> None:
    quay = Quay().take(UplinkSet(at=v.AT, order=UplinkOrder(cap=Cap(1_000))))
    limits = replace(quay.station.limits, uplink=UplinkSettings(bays=(Limit("bay-1", 70_000),)))
    quay.take(LimitsChanged(at=v.AT, limits=replace(limits, uplink=replace(limits.uplink, bays=()))))
    assert quay.station.uplink_order == UplinkOrder(cap=Cap(1_000))
    quay.take(LimitsChanged(at=v.AT, limits=limits))
    assert quay.station.uplink_order == UplinkOrder()
    assert quay.journal.uplink is not None
    assert quay.journal.uplink.order == UplinkOrder()


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


def test_progress_that_ends_a_row_of_failures_is_written_down_though_nobody_is_told() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().progressed("bay-1", v.ledger(stored=1, pending=2))
    quay.failed("bay-1", FailureKind.STORE_BUSY).fire("retry")
    quay.progressed("bay-1", v.ledger(stored=2, pending=1))
    assert quay.messages == ()
    assert quay.journal.loads == dict(quay.station.loads)


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


@pytest.mark.parametrize("rebooted", [False, True])
def test_a_drive_that_is_released_while_it_is_looked_at_begins_no_second_load(rebooted: bool) -> None:
    quay = Quay().announce().plug("bay-1").surveyed().transferred()
    if rebooted:
        quay._stand("bay-1", v.facts())
    quay.restart()
    load = next(iter(quay.station.loads.values()))
    quay.proved(load=load).closed(load).identified("bay-1")
    assert [(x.load_id, x.phase) for x in quay.station.loads.values()] == [(load.load_id, Phase.RELEASED)]
    assert quay.messages == ()


def test_a_released_drive_that_stayed_while_the_station_was_switched_off_is_still_released() -> None:
    quay = Quay().announce().plug("bay-1").loaded()
    quay._stand("bay-1", v.facts())
    quay.restart().identified("bay-1")
    assert quay.phase() is Phase.RELEASED
    assert quay.messages == ()
    assert quay.unplug("bay-1").plug("bay-1").phase() is Phase.HELD


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
