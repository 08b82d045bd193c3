"""All jobs of a station: kept small, and given back as they came."""

from __future__ import annotations

import dataclasses
import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.awaited import announced_bytes
from ingestd.core.job import Destination, ExpectedDrive, Item, Job, PolicyChange
from ingestd.core.job_record import DriveClaim, JobRecord, JobStatus
from ingestd.core.jobs import Jobs
from ingestd.core.model import JobId, LoadId
from ingestd.core.station import Station
from tests.core.test_forecast import HOUR
from tests.support import values as v


def filled(kind: type, **given: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    """Values of a frozen class with anything in every field, also in those that have a default."""
    return st.builds(kind, **{field.name: given.get(field.name, ...) for field in dataclasses.fields(kind)})


text = st.text(st.characters(), max_size=8)
drives = filled(ExpectedDrive, serial=st.none() | text, volume_label=st.none() | text)
items = filled(Item, name=text, size_bytes=st.none() | st.integers(0, 2**70))
jobs = filled(
    Job,
    job_id=st.sampled_from(["reef-a", "reef-b"]),
    drives=st.lists(drives, max_size=3).map(tuple),
    items=st.lists(items, max_size=3).map(tuple),
    destination=filled(Destination),
    requirements=st.lists(filled(PolicyChange), max_size=2).map(tuple),
    due_at=st.none() | st.floats(allow_nan=False),
)
changes = st.sampled_from(
    [
        {},
        {"status": JobStatus.WITHDRAWN},
        {"failed_version": 3},
        {"asked": 0},
        {"noted": (1,)},
        {"kept": (LoadId("x"),)},
        {"claims": (DriveClaim(drive_index=0, load_id=LoadId("x")),)},
        {"abandoned": (LoadId("x"),)},
    ]
)


def pending(job: Job) -> JobRecord:
    return JobRecord(job_id=job.job_id, job=job)


@given(jobs, changes)
def test_a_record_is_given_back_as_it_came(job: Job, change: dict[str, object]) -> None:
    record = dataclasses.replace(pending(job), **change)  # type: ignore[arg-type]
    assert Jobs([record])[job.job_id] == record
    assert Jobs().put(record).get(job.job_id) == record
    assert Jobs().put(record) == Jobs([record])


@given(jobs)
def test_what_is_told_of_an_untouched_job_is_what_its_values_say(job: Job) -> None:
    known = Jobs([pending(job)])
    assert list(known.untouched()) == [job.job_id]
    assert list(known.begun()) == []
    told = known.told(job.job_id)
    assert told == (len(job.drives), announced_bytes(job), job.due_at, job.destination.store)


@given(jobs, changes.filter(bool))
def test_every_job_is_either_untouched_or_begun(job: Job, change: dict[str, object]) -> None:
    record = dataclasses.replace(pending(job), **change)  # type: ignore[arg-type]
    known = Jobs([record])
    assert list(known.begun()) == [record]
    assert list(known.untouched()) == []
    assert known.put(pending(job)).get(job.job_id) == pending(job)


def test_a_job_that_others_speak_of_before_its_notice_is_kept_as_it_is() -> None:
    record = JobRecord(job_id=JobId("reef-a"), job=None)
    known = Jobs([record])
    assert known["reef-a"] == record  # type: ignore[index]
    assert "reef-a" in known
    assert "reef-b" not in known
    assert known.get(JobId("reef-b")) is None
    assert len(known) == 1


def test_what_a_pending_job_takes_in_memory_is_bounded() -> None:
    """A hundred thousand of them, with their indexes: a fifth of what the daemon may have."""
    count = 2_000
    sizes = [36_000_000_000 + number for number in range(count)]
    tracemalloc.start()
    try:
        station = Station(limits=v.LIMITS)
        for number, size in enumerate(sizes):
            items = (Item(name=f"reef-{number:06}.tar.age", size_bytes=size),)
            job = v.job(f"TW-{number:06}", f"HQ{number:06}", items=items, due_at=v.AT + number * HOUR)
            station = station.with_job(pending(job))
            del job, items
        each = tracemalloc.get_traced_memory()[0] / count
    finally:
        tracemalloc.stop()
    assert station.jobs_pending == count
    assert each < 800, f"{each:.0f} bytes"
