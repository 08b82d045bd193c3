"""The station as people and metrics see it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingestd.core.line import Cap
from ingestd.core.model import FailureKind, HoldReason, Phase
from ingestd.core.phases import Load
from ingestd.core.snapshot import WAITS, LoadPicture, Picture, picture
from ingestd.core.uplink import UplinkSettings
from tests.support import values as v
from tests.support.one_station import Quay

TWO = "HQ7K2M9B"


def look(quay: Quay) -> Picture:
    return with_cap(quay, 1_000)


def with_cap(quay: Quay, rate: int | None) -> Picture:
    limits = replace(quay.station.limits, uplink=UplinkSettings(cap=Cap(rate)))
    return picture(replace(quay.station, limits=limits), quay.at)


def bay(quay: Quay, name: str = "bay-1") -> LoadPicture:
    (one,) = [load for load in look(quay).loads if load.bay == name]
    return one


def surveyed() -> Quay:
    return Quay().announce(v.job(due_at=v.AT + 3600.0)).plug("bay-1").surveyed()


def test_an_empty_station() -> None:
    seen = look(Quay())
    assert (seen.station, seen.loads, seen.jobs_pending, seen.jobs_ended) == ("quay-03", (), 0, 0)
    assert (seen.draining, seen.uplink_bytes_per_second, seen.rate_bytes_per_second) == (
        False,
        1_000,
        0.0,
    )


def test_a_load_on_its_way() -> None:
    quay = surveyed().progressed("bay-1", v.ledger(stored=1, pending=2), rate=500.0)
    seen = bay(quay)
    assert (seen.drive, seen.tenant, seen.job_id) == (v.SERIAL, "tidewrack-survey", v.SONAR)
    assert (seen.phase, seen.doing, seen.reason) == (Phase.LOADING, "loading", "")
    assert (seen.rate_bytes_per_second, seen.share, seen.seconds_left) == (500.0, 0.5, 4.0)
    assert (seen.due_at, seen.disposition, seen.outcome) == (v.AT + 3600.0, "dispose", None)


def test_what_has_arrived_of_unfinished_files_is_not_left_to_send() -> None:
    arrived = replace(v.ledger(stored=1, pending=2), arrived_bytes=1_500)
    assert bay(surveyed().progressed("bay-1", arrived, rate=500.0)).seconds_left == 1.0


def test_shares_of_the_line_add_up() -> None:
    quay = surveyed().announce(v.job("reef-2", TWO)).plug("bay-2", v.facts(TWO)).surveyed("bay-2")
    quay.progressed("bay-1", v.ledger(pending=3), rate=300.0)
    quay.progressed("bay-2", v.ledger(pending=3), rate=100.0)
    assert [load.share for load in look(quay).loads] == [0.3, 0.1]
    assert [load.share for load in with_cap(quay, None).loads] == [0.75, 0.25]
    assert look(quay).rate_bytes_per_second == 400.0


def test_a_share_is_one_of_the_cap_where_there_is_one() -> None:
    quay = surveyed().progressed("bay-1", v.ledger(pending=3), rate=300.0)
    (seen,) = with_cap(quay, 1_200).loads
    assert seen.share == 0.25
    (seen,) = with_cap(quay, 100).loads
    assert seen.share == 1.0


def test_jobs_that_wait_are_shown_while_a_drive_waits_for_one() -> None:
    quay = Quay().announce(v.job("reef-2", TWO)).announce(v.job("reef-1", "HQ7K2M9C"))
    assert look(quay).jobs_waiting == ()
    quay.plug("bay-1")
    assert look(quay).jobs_waiting == ("reef-1 (HQ7K2M9C)", f"reef-2 ({TWO})")


def test_a_hold_says_why_in_a_code_and_how_a_job_was_looked_for() -> None:
    seen = bay(Quay().plug("bay-1"))
    assert seen.hold == "no-matching-job"
    assert seen.tried[0] == f"serial {v.SERIAL}: no job"
    assert bay(surveyed()).hold is None


def test_no_rate_no_share_and_no_time_left() -> None:
    seen = bay(surveyed())
    assert (seen.share, seen.seconds_left) == (None, None)


@pytest.mark.parametrize(
    ("steps", "doing"),
    [
        ((), "surveying"),
        (("plain",), "surveying a second time"),
        (("surveyed",), "loading"),
        (("surveyed", "faulty"), "reading files at fault again"),
        (("surveyed", "transferred"), "proving"),
        (("surveyed", "transferred", "proved"), "letting go of the drive"),
        (("surveyed", "transferred", "proved", "closed"), "released"),
        (("surveyed", "withdrawn"), "taking data back"),
        (("surveyed", "busy"), "loading, waits to try again"),
        (("surveyed", "refused"), "held"),
    ],
)
def test_what_a_load_is_doing(steps: tuple[str, ...], doing: str) -> None:
    quay = Quay().announce().plug("bay-1")
    for step in steps:
        match step:
            case "plain":
                quay.surveyed("bay-1", v.survey(secrecy=(v.plain(),)))
            case "faulty":
                quay.transferred("bay-1", v.fault())
            case "withdrawn":
                quay.withdraw()
            case "busy":
                quay.failed("bay-1", FailureKind.STORE_BUSY)
            case "refused":
                quay.failed("bay-1", FailureKind.STORE_REFUSED)
            case _:
                getattr(quay, step)()
    assert bay(quay).doing == doing


@pytest.mark.parametrize(
    ("quay", "code"),
    [
        (surveyed().failed("bay-1", FailureKind.STORE_BUSY), "store-busy"),
        (surveyed().failed("bay-1", FailureKind.STORE_REFUSED), "store-refused"),
        (Quay().plug("bay-1"), "no-matching-job"),
        (surveyed(), ""),
        (surveyed().unplug("bay-1"), "drive"),
    ],
    ids=["paused", "held", "unknown", "moving", "away"],
)
def test_what_it_waits_for_has_a_code(quay: Quay, code: str) -> None:
    (seen,) = look(quay).loads
    assert seen.waits == code
    assert code in {"", *WAITS, *FailureKind, *HoldReason}


def test_a_wait_has_its_reason() -> None:
    assert (
        bay(surveyed().failed("bay-1", FailureKind.STORE_BUSY)).reason == "store-busy: as the test wants it"
    )
    assert bay(Quay().plug("bay-1")).reason == "no job is known for this drive"
    away = surveyed().unplug("bay-1")
    (seen,) = look(away).loads
    assert (seen.bay, seen.doing, seen.reason) == (None, "away", "the drive is not plugged in")
    assert seen.last_bay == "bay-1"
    assert seen.since == away.at


def test_a_drive_that_is_not_identified_yet_is_there() -> None:
    quay = Quay().plug("bay-1", known=False)
    seen = bay(quay)
    assert (seen.load_id, seen.phase, seen.doing, seen.reason) == (None, Phase.WAITING, "identifying", "")
    quay.unidentified("bay-1")
    assert bay(quay).load_id is not None


def test_findings_are_counted_by_weight() -> None:
    quay = Quay().announce().plug("bay-1")
    quay.surveyed("bay-1", v.survey(links=v.changed(), secrecy=(v.doubtful(),)))
    seen = bay(quay)
    assert (seen.findings_blocking, seen.findings_noted) == (0, 1)
    failed = Quay().announce().plug("bay-1")
    failed.looks("bay-1", v.survey(links=v.changed(), secrecy=(v.plain(),)))
    seen = bay(failed)
    assert (seen.findings_blocking, seen.findings_noted, seen.outcome) == (1, 1, "failed")


def test_bays_come_first_by_name_then_drives_that_are_away() -> None:
    quay = Quay().announce().plug("bay-3").unplug("bay-3")
    quay.plug("bay-10", v.facts(TWO)).plug("bay-2", v.facts("HQ7K2M9C"))
    assert [load.bay for load in look(quay).loads] == ["bay-2", "bay-10", None]


def test_a_released_drive_is_shown_while_it_is_in_its_bay() -> None:
    quay = Quay().announce(v.job(v.SONAR, v.SERIAL, TWO)).plug("bay-1").loaded()
    assert bay(quay).outcome == "loaded"
    quay.unplug("bay-1")
    load: Load = next(iter(quay.station.loads.values()))
    assert load.phase is Phase.RELEASED
    assert look(quay).loads == ()


def test_jobs_are_counted() -> None:
    quay = Quay().announce().announce(v.job("reef-2", TWO)).withdraw("reef-2")
    assert (look(quay).jobs_pending, look(quay).jobs_ended) == (1, 1)


def test_a_take_back_that_does_not_succeed_says_how_often_it_was_tried() -> None:
    quay = Quay().announce().plug("bay-1").surveyed().withdraw()
    for _ in range(3):
        quay.failed("bay-1", FailureKind.STORE_REFUSED).fire("retry")
    (load,) = picture(quay.failed("bay-1", FailureKind.STORE_REFUSED).station, quay.at).loads
    assert load.doing == "taking data back, tried 4 times in vain and tried again until it works"
