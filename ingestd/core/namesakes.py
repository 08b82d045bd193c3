"""Two drives with one serial number that are not one drive: which of them a job means.

A job may have announced nothing but that number. Then the WWN does not tell them apart, as it would where it
was announced (`matching.contradiction`), and the size does only where it was announced and is that of one of
them. What nothing tells apart is for a person.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from ingestd.core.drive import DriveFacts
from ingestd.core.identifiers import normal_serial
from ingestd.core.job import Job
from ingestd.core.matching import contradiction
from ingestd.core.model import HoldReason
from ingestd.core.phases import Held, Load, Loading, Surveying, Waiting

PlaceOf = Callable[[Load], tuple[Job, int] | None]
"""The job that a load has or would be given, and the number of the drive in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Namesake:
    """Another drive that is plugged in and may be the one that is meant by this one's serial number."""

    load: Load
    job: Job
    is_meant: bool
    """It is: it has the announced size, and this one has not."""


def namesake_of(load: Load, others: Iterable[Load], place_of: PlaceOf) -> Namesake | None:
    """What keeps this load from being given its job; None when it is the one that is meant, or has no
    namesake."""
    serial = normal_serial(load.drive.serial)
    for other in others if serial is not None else ():
        alike = other.load_id != load.load_id and normal_serial(other.drive.serial) == serial
        if not alike or not _is_undecided(other) or other.drive.agrees_with(load.drive):
            continue
        place = place_of(other)
        if place is None or not _may_mean_both(*place, load.facts, other.facts):
            continue
        mine, theirs = _has_size(*place, load.facts), _has_size(*place, other.facts)
        if not mine or theirs or other.job_id is not None:
            return Namesake(load=other, job=place[0], is_meant=theirs and not mine)
    return None


def in_words(load: Load, found: Namesake, *, where: str) -> str:
    """Why a load is held, whose namesake is in the bay `where`."""
    alike = f"the drive in {where} has the same serial number ({load.drive.label})"
    if found.is_meant:
        return f"{alike}, and the size that job {found.job.job_id} announced"
    return (
        f"{alike}, and nothing else that job {found.job.job_id} announced tells them apart; pull one of "
        "them, and if it is that one, lift this hold with 'again'"
    )


def _is_undecided(load: Load) -> bool:
    """Whether a drive is plugged in that has not been read yet, and that no person has been asked about."""
    if isinstance(load.state, Held):
        return load.bay is not None and load.state.reason is not HoldReason.DUPLICATE_IDENTITY
    return load.bay is not None and isinstance(load.state, Waiting | Surveying | Loading)


def _may_mean_both(job: Job, drive_index: int, *drives: DriveFacts) -> bool:
    serial = normal_serial(job.drives[drive_index].serial)
    return all(
        normal_serial(drive.identity.serial) == serial and contradiction(drive, job, drive_index) is None
        for drive in drives
    )


def _has_size(job: Job, drive_index: int, drive: DriveFacts) -> bool:
    announced = job.drives[drive_index].size_bytes
    return announced is not None and announced == drive.identity.size_bytes
