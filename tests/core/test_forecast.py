"""When jobs will be done: by hand for small cases, and by what must hold for any."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.awaited import AwaitedJob, AwaitedPicture, awaited
from ingestd.core.forecast import BayFigures, Expected, Forecast, by_bay, forecast
from ingestd.core.found import Ledger
from ingestd.core.job import Item
from ingestd.core.job_record import JobRecord
from ingestd.core.jobs import Jobs
from ingestd.core.line import Cap
from ingestd.core.model import BayName, JobId, LoadId, Phase
from ingestd.core.schedule import Schedule
from ingestd.core.snapshot import CapPicture, LoadPicture, Picture, UplinkPicture, picture
from ingestd.core.station_state import Station
from ingestd.core.uplink import Limit, UplinkSettings
from tests.support import values as v
from tests.support.one_station import Quay

MB = 1_000_000
HOUR, DAY = 3_600.0, 86_400.0


def load(
    job: str = "reef-1", bay: str | None = "bay-1", left_mb: int | None = 100, **more: object
) -> LoadPicture:
    """A load that is at work; without `left_mb` it has not been surveyed."""
    ledger = Ledger()
    if left_mb is not None:
        ledger = Ledger(
            discovered_bytes=left_mb * MB, pending_bytes=left_mb * MB, discovered_files=1, pending_files=1
        )
    known: dict[str, object] = {
        "bay": None if bay is None else BayName(bay),
        "drive": "HQ7K2M9A",
        "model": None,
        "drive_bytes": None,
        "interface": "usb3",
        "load_id": LoadId(f"{job}.{bay}"),
        "job_id": job,
        "tenant": "tidewrack-survey",
        "phase": Phase.LOADING,
        "doing": "loading",
        "reason": "",
        "waits": "",
        "hold": None,
        "tried": (),
        "last_bay": None,
        "since": None,
        "ledger": ledger,
        "rate_bytes_per_second": 0.0,
        "share": None,
        "seconds_left": None,
        "due_at": None,
        "outcome": None,
        "disposition": None,
        "findings_blocking": 0,
        "findings_noted": 0,
        "facts": v.facts(),
        "store": "harrow-archive",
        "weight": 5.0,
        "announced_bytes": None,
    }
    return LoadPicture(**{**known, **more})  # type: ignore[arg-type]


def cap(at: float, rate_mb: int | None) -> CapPicture:
    rate = None if rate_mb is None else rate_mb * MB
    return CapPicture(at=at, rate_bytes_per_second=rate, burst_bytes=None, source="configuration", entry="")


def seen(
    *loads: LoadPicture,
    rate_mb: int | None = 10,
    changes: Iterable[tuple[float, int | None]] = (),
    bays: tuple[Limit, ...] = (),
    guard: tuple[float, float] = (0.0, 1.0),
    places: int = 8,
    waiting: tuple[AwaitedJob, ...] = (),
) -> Picture:
    """The station at moment 0, with a cap and when it changes."""
    uplink = UplinkPicture(
        cap=cap(0.0, rate_mb),
        until=None,
        ordered=False,
        stores=(),
        bays=bays,
        changes=tuple(cap(at, rate) for at, rate in changes),
        due_guard_s=guard[0],
        due_guard_factor=guard[1],
    )
    return Picture(
        station="quay-03",
        at=0.0,
        draining=False,
        uplink_bytes_per_second=None,
        uplink=uplink,
        rate_bytes_per_second=0.0,
        loads_max=places,
        jobs_pending=len(loads),
        jobs_ended=0,
        jobs_waiting=(),
        awaited=AwaitedPicture(at=0.0, count=len(waiting), jobs=waiting),
        loads=loads,
    )


def done(told: Forecast) -> dict[str, float | None]:
    return {job.job_id: job.done_at for job in told.here}


def only(told: Forecast) -> Expected:
    (job,) = told.here
    return job


# -- by hand --------------------------------------------------------------------------------------


def test_one_load_takes_its_size_over_the_cap() -> None:
    assert only(forecast(seen(load()))) == Expected(
        job_id="reef-1",
        bays=("bay-1",),
        bytes_left=100 * MB,
        done_at=10.0,
        due_at=None,
        late_s=None,
        why="",
    )


def test_loads_share_by_weight_and_the_rest_goes_to_who_is_left() -> None:
    # 10 MB/s as 8 to 2: after 10 s the first is done, the other has had 20 MB and then all.
    loads = [load("a", "bay-1", 80, weight=8.0), load("b", "bay-2", 80, weight=2.0)]
    assert done(forecast(seen(*loads))) == pytest.approx({"a": 10.0, "b": 16.0})


def test_a_drive_that_is_slower_than_its_share_stays_so() -> None:
    loads = [load("a", "bay-1", 80), load("b", "bay-2", 80, rate_bytes_per_second=2.0 * MB)]
    assert done(forecast(seen(*loads))) == pytest.approx({"a": 10.0, "b": 40.0})


def test_a_limited_bay_leaves_the_rest_to_the_others() -> None:
    loads = [load("a", "bay-1", 80), load("b", "bay-2", 80)]
    told = forecast(seen(*loads, bays=(Limit("bay-2", 2 * MB),)))
    assert done(told) == pytest.approx({"a": 10.0, "b": 40.0})


def test_the_timetable_counts() -> None:
    assert only(forecast(seen(load(), changes=[(4.0, 1), (34.0, 30)]))).done_at == pytest.approx(35.0)


def test_what_has_arrived_already_is_not_sent_again() -> None:
    here = load()
    here = replace(here, ledger=replace(here.ledger, arrived_bytes=40 * MB))
    assert only(forecast(seen(here))).done_at == pytest.approx(6.0)


def test_a_job_nearing_its_due_time_weighs_more_from_then_on() -> None:
    # Half each for 4 s; then 8 to 2 until the first is done.
    loads = [load("a", "bay-1", 60, due_at=10.0), load("b", "bay-2", 80)]
    told = forecast(seen(*loads, guard=(6.0, 4.0)))
    assert done(told) == pytest.approx({"a": 9.0, "b": 14.0})
    assert told.at_risk == 0


def test_who_waits_for_a_place_begins_in_the_order_of_due_times() -> None:
    waiting = {"phase": Phase.WAITING, "ledger": Ledger(), "announced_bytes": 50 * MB}
    loads = [
        load("a", "bay-1", 50),
        load("late", "bay-2", None, **waiting, due_at=90.0),
        load("soon", "bay-3", None, **waiting, due_at=9.0),
    ]
    told = forecast(seen(*loads, places=1))
    assert done(told) == pytest.approx({"soon": 10.0, "late": 15.0, "a": 5.0})
    assert [(job.job_id, job.late_s) for job in told.here] == [("soon", 1.0), ("late", None), ("a", None)]
    assert told.at_risk == 1


def test_a_job_of_several_drives_is_done_with_the_last() -> None:
    told = only(forecast(seen(load("a", "bay-1", 40), load("a", "bay-2", 60))))
    assert (told.bays, told.bytes_left) == (("bay-1", "bay-2"), 100 * MB)
    assert told.done_at == pytest.approx(10.0)


def test_without_a_cap_a_load_goes_on_as_it_was_measured_and_the_next_as_the_others() -> None:
    running = load("a", "bay-1", 100, rate_bytes_per_second=20.0 * MB)
    waiting = load("b", "bay-2", None, phase=Phase.WAITING, announced_bytes=100 * MB)
    assert done(forecast(seen(running, waiting, rate_mb=None, places=1))) == pytest.approx(
        {"a": 5.0, "b": 10.0}
    )


@pytest.mark.parametrize(
    ("here", "why"),
    [
        (load(left_mb=None, phase=Phase.SURVEYING), "its size is not known before the survey"),
        (load(phase=Phase.HELD), "is held until a person decides"),
        (load(bay=None, phase=Phase.AWAY), "waits for its drive to come back"),
        (load(left_mb=0, phase=Phase.PROVING), "is being proved"),
        (load(left_mb=100 * 15 * 86_400), "takes longer than the days looked at"),
    ],
)
def test_what_cannot_be_told_is_said(here: LoadPicture, why: str) -> None:
    told = only(forecast(seen(here)))
    assert (told.done_at, told.late_s) == (None, None)
    assert why in told.why


def test_without_a_cap_and_a_measured_rate_nothing_is_guessed() -> None:
    assert "no rate is known yet" in only(forecast(seen(load(), rate_mb=None))).why


def test_a_job_that_lacks_a_drive_cannot_be_told() -> None:
    missing = AwaitedJob(
        job_id="reef-1", drives=1, size_bytes=None, due_at=None, begin_by=None, too_late=False
    )
    assert only(forecast(seen(load(), waiting=(missing,)))).why == "waits for a drive"


def test_figures_by_bay() -> None:
    told = forecast(seen(load("a", "bay-1", 100, due_at=4.0), load("b", "bay-2", phase=Phase.HELD)))
    figures = dict(by_bay(seen(*[load("a", "bay-1"), load("b", "bay-2")]), told))
    assert figures == {"bay-1": BayFigures(10.0, 6.0), "bay-2": BayFigures(None, None)}


# -- what holds for any ---------------------------------------------------------------------------

loads = st.lists(
    st.tuples(
        st.integers(0, 10**6), st.integers(1, 9), st.booleans(), st.one_of(st.none(), st.integers(0, 10**5))
    ),
    max_size=12,
)
changing = st.lists(
    st.tuples(st.floats(1, 15 * DAY), st.integers(1, 1000)), max_size=6, unique_by=lambda change: change[0]
).map(sorted)


@settings(max_examples=80, deadline=None)
@given(loads, changing, st.integers(1, 4))
def test_the_line_is_neither_idle_nor_overfull(
    some: list[tuple[int, int, bool, int | None]], changes: list[tuple[float, int]], places: int
) -> None:
    """The last one is done when the line, always full, has carried all of it; and no set of jobs is done
    before the line could have carried just them."""
    here = [
        load(
            str(number),
            f"bay-{number}",
            size,
            weight=float(weight),
            due_at=None if due is None else float(due),
            phase=Phase.WAITING if waits else Phase.LOADING,
        )
        for number, (size, weight, waits, due) in enumerate(some)
    ]
    told = forecast(seen(*here, changes=changes, places=places))
    ends = sorted((job.done_at, job.bytes_left or 0) for job in told.here if job.done_at is not None)
    if len(ends) < len(here):
        assert sum(size for size, *_ in some) * MB > carried(changes, 15 * DAY) * (1 - 1e-9)
        return
    sent = 0
    for end, size in ends:
        sent += size
        assert sent <= carried(changes, end) * (1 + 1e-6) + 1
    if ends:
        assert sent == pytest.approx(carried(changes, ends[-1][0]), rel=1e-6, abs=1)


def carried(changes: list[tuple[float, int]], until: float) -> float:
    total, at, rate = 0.0, 0.0, 10.0
    for moment, following in [*changes, (until, 0)]:
        total += max(0.0, min(moment, until) - at) * rate * MB
        at, rate = min(max(at, moment), until), float(following)
    return total


@given(st.integers(0, 10**7), st.integers(1, 10**6), changing)
def test_begun_by_then_a_job_is_done_in_time_and_not_much_earlier(
    size_mb: int, due_s: int, changes: list[tuple[float, int]]
) -> None:
    steps = ((0.0, 10.0 * MB), *((at, float(rate) * MB) for at, rate in changes))
    begin = Schedule(steps, 15 * DAY).begin_by(size_mb * MB, float(due_s))
    if begin == float("-inf"):
        assert carried(changes, float(due_s)) <= size_mb * MB * (1 + 1e-9)
    else:
        between = carried(changes, float(due_s)) - carried(changes, begin)
        assert between == pytest.approx(size_mb * MB, rel=1e-6, abs=1e4)


def test_a_limit_of_the_store_counts_too_and_without_any_there_is_nothing_to_go_by() -> None:
    open_line = Schedule(((0.0, None),), DAY)
    assert open_line.begin_by(100.0, 50.0) == float("inf")
    assert open_line.begin_by(100.0, 50.0, most=10.0) == 40.0


# -- jobs that wait for drives --------------------------------------------------------------------


def test_jobs_that_wait_for_drives_are_counted_and_the_most_urgent_listed() -> None:
    items = (Item(name="reef.tar.age", size_bytes=36_000 * MB),)
    quay = Quay()
    for number in range(60):
        quay.announce(v.job(f"reef-{number:02}", f"HQ{number}", items=items, due_at=v.AT + number * HOUR))
    quay.announce(v.job("kelp-1", "HQ99"))
    limits = replace(quay.station.limits, uplink=UplinkSettings(cap=Cap(10 * MB)))
    told = picture(replace(quay.station, limits=limits), v.AT).awaited
    assert (told.count, told.size_bytes, told.unknown) == (61, 60 * 36_000 * MB, 1)
    # An hour's worth: those due within the hour are too late.
    assert told.too_late == 1
    assert len(told.jobs) == 50
    assert told.jobs[2] == AwaitedJob(
        job_id="reef-02",
        drives=1,
        size_bytes=36_000 * MB,
        due_at=v.AT + 2 * HOUR,
        begin_by=v.AT + HOUR,
        too_late=False,
    )


def test_a_hundred_thousand_pending_jobs_are_looked_over_in_bounded_time() -> None:
    items = (Item(name="reef.tar.age", size_bytes=36_000 * MB),)
    due = [v.job(f"j{n}", items=items, due_at=v.AT + 10.0 * n) for n in range(1_000)]
    jobs = (replace(due[n % 1_000], job_id=JobId(f"r{n}")) for n in range(100_000))
    records = (JobRecord(job_id=job.job_id, job=job) for job in jobs)
    station = Station(limits=v.LIMITS, jobs=Jobs(records))
    schedule = Schedule(tuple((v.AT + n * HOUR, 10.0 * MB) for n in range(60)), v.AT + 15 * DAY)
    began = time.process_time()
    told = awaited(station, schedule, v.AT)
    assert time.process_time() - began < 5.0
    assert (told.count, len(told.jobs), told.too_late) == (100_000, 50, 36_000)


def test_a_full_house_is_foretold_in_bounded_time() -> None:
    here = [
        load(
            f"j{n}", f"bay-{n}", 1_000 + n, phase=Phase.WAITING if n > 64 else Phase.LOADING, due_at=n * 100.0
        )
        for n in range(200)
    ]
    changes = [(600.0 * (n + 1), 10 + n % 3) for n in range(63)]
    began = time.process_time()
    told = forecast(seen(*here, changes=changes, places=64, guard=(7_200.0, 4.0)))
    assert time.process_time() - began < 5.0
    assert all(job.done_at is not None for job in told.here)
