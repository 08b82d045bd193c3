"""The table of `ingestd forecast`, 80 columns wide, fine without colour."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ingestd.core.awaited import AwaitedJob
from ingestd.core.forecast import Expected, Forecast
from ingestd.runtime.show import cut, duration, moment, size, table, wrapped

AWAITED_LISTED = 20


def forecast(told: Forecast, now: float) -> Iterator[str]:
    """The lines: jobs with drives here, jobs that wait for drives, and what all of it rests on."""
    yield from _here(told.here, now)
    yield from _awaited(told, now)
    yield ""
    if told.at_risk:
        yield f"{told.at_risk:,} of them will miss the due time"
    yield from wrapped(f"taken for granted: {'; '.join(told.assumptions)}.", "")


def _here(jobs: Sequence[Expected], now: float) -> Iterator[str]:
    if not jobs:
        yield "no job has a drive here"
        return
    lines = table(("JOB", "BAY", "LEFT", "DONE", "DUE"), [_row(job, now) for job in jobs], right=(2,))
    yield next(lines)
    for line, job in zip(lines, jobs, strict=True):
        yield line
        if job.late_s is not None:
            yield from wrapped(f"LATE by {duration(job.late_s)}", "    ")
        if job.why:
            yield from wrapped(job.why, "    ")


def _row(job: Expected, now: float) -> tuple[str, ...]:
    return (
        cut(job.job_id, 20),
        cut(", ".join(job.bays), 10),
        _size(job.bytes_left),
        "unknown" if job.done_at is None else moment(job.done_at, now),
        "-" if job.due_at is None else moment(job.due_at, now),
    )


def _size(count: int | None) -> str:
    return "unknown" if count is None else size(count)


def _awaited(told: Forecast, now: float) -> Iterator[str]:
    awaited = told.awaited
    if not awaited.count:
        return
    yield ""
    unknown = f" and {awaited.unknown:,} of unknown size" if awaited.unknown else ""
    known = f"{size(awaited.size_bytes)}{unknown}"
    yield from wrapped(f"{awaited.count:,} jobs wait for their drives, {known}; the most urgent of them:", "")
    listed = awaited.jobs[:AWAITED_LISTED]
    head = ("JOB", "DRIVES", "SIZE", "BEGIN BY", "DUE")
    lines = table(head, [_awaited_row(job, now) for job in listed], right=(1, 2))
    yield next(lines)
    for line, job in zip(lines, listed, strict=True):
        yield line
        if job.too_late:
            yield "    TOO LATE, even if it began now and had the line to itself"


def _awaited_row(job: AwaitedJob, now: float) -> tuple[str, ...]:
    return (
        cut(job.job_id, 20),
        str(job.drives),
        _size(job.size_bytes),
        "-" if job.begin_by is None or job.too_late else moment(job.begin_by, now),
        "-" if job.due_at is None else moment(job.due_at, now),
    )
