"""Whose drive is it, and if nobody's, why."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from immutables import Map

from ingestd.core.drive import DriveFacts, DriveIdentity, Ticket, VolumeFacts
from ingestd.core.identifiers import normal_serial, normal_wwn
from ingestd.core.job import ExpectedDrive, Job
from ingestd.core.job_record import DriveClaim, JobRecord, JobStatus
from ingestd.core.matching import Found, JobIndex, NotFound, is_free, match
from ingestd.core.model import BayName, HoldReason, JobId, LoadId, Outcome, UnsignedTickets
from tests.support import values as v

LOAD = LoadId("quay-03.bay-7.20310517T070000000Z")


def job(job_id: str, *drives: ExpectedDrive) -> Job:
    return v.job(job_id, drives=drives)


def looked_up(
    facts: DriveFacts, *jobs: Job | JobRecord, unsigned: UnsignedTickets = UnsignedTickets.HINT
) -> Found | NotFound:
    """The outcome among these jobs, all pending unless given as records."""
    records = [one if isinstance(one, JobRecord) else JobRecord(job_id=one.job_id, job=one) for one in jobs]
    index = JobIndex()
    for record in records:
        if record.job is not None:
            index = index.with_job(record.job)
    return match(facts, Map({record.job_id: record for record in records}), index, at=v.AT, unsigned=unsigned)


def claimed(drive_index: int = 0, outcome: Outcome | None = None, *, over: bool = False) -> DriveClaim:
    return DriveClaim(drive_index=drive_index, load_id=LOAD, bay=BayName("bay-7"), outcome=outcome, over=over)


BY_SERIAL = job("reef-a", ExpectedDrive(serial=v.SERIAL))
BY_LABEL = job("reef-b", ExpectedDrive(volume_label="KELP"))


# -- the ways, and their order ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("expected", "facts", "by"),
    [
        (ExpectedDrive(serial=v.SERIAL), v.facts(), f"serial {v.SERIAL}"),
        (ExpectedDrive(serial=f"  {v.SERIAL} "), v.facts(), f"serial {v.SERIAL}"),
        (ExpectedDrive(serial=v.SERIAL), v.facts(f" {v.SERIAL}  "), f"serial {v.SERIAL}"),
        (
            ExpectedDrive(wwn="0x3D5E7F90A1B2C3D4"),
            v.facts(wwn="naa.3d5e7f90a1b2c3d4"),
            "WWN 3d5e7f90a1b2c3d4",
        ),
        (ExpectedDrive(volume_label="KELP"), v.facts(label="KELP"), "label KELP of vol-1"),
        (ExpectedDrive(volume_uuid="4A-B1"), v.facts(uuid="4a-b1"), "UUID 4a-b1 of vol-1"),
    ],
)
def test_each_announced_fact_finds_its_job(expected: ExpectedDrive, facts: DriveFacts, by: str) -> None:
    found = looked_up(facts, job("reef-a", expected), job("reef-z", ExpectedDrive(serial="ANOTHER")))
    assert found == Found(job_id=JobId("reef-a"), drive_index=0, by=by)


def test_a_ticket_finds_its_job() -> None:
    found = looked_up(v.facts(ticket="reef-a"), job("reef-a", ExpectedDrive(volume_label="NO SUCH")))
    assert found == Found(job_id=JobId("reef-a"), drive_index=0, by="job ticket reef-a on vol-1")


def test_what_is_announced_outright_goes_before_tickets_and_labels() -> None:
    found = looked_up(v.facts(label="KELP", ticket="reef-b"), BY_LABEL, BY_SERIAL)
    assert isinstance(found, Found)
    assert found.job_id == "reef-a"


def test_a_ticket_goes_before_a_label() -> None:
    ticketed = job("reef-c", ExpectedDrive(volume_uuid="4A-B1"))
    found = looked_up(v.facts(label="KELP", ticket="reef-c"), BY_LABEL, ticketed)
    assert isinstance(found, Found)
    assert found.job_id == "reef-c"


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (ExpectedDrive(volume_label="DUNES"), "the label DUNES, its volumes have KELP"),
        (ExpectedDrive(volume_uuid="77-07"), "the UUID 77-07, its volumes have 4a-b1"),
        (ExpectedDrive(volume_label="KELP", volume_uuid="77-07"), "the UUID 77-07, its volumes have 4a-b1"),
    ],
)
def test_neither_an_unsigned_ticket_nor_a_label_takes_a_job_that_announced_another_volume(
    expected: ExpectedDrive, words: str
) -> None:
    found = looked_up(v.facts(label="KELP", uuid="4a-b1", ticket="reef-c"), job("reef-c", expected))
    assert isinstance(found, NotFound)
    assert found.reason is HoldReason.NO_MATCHING_JOB
    assert f"job reef-c announced {words}" in found.tried


@pytest.mark.parametrize("labels", [("KELP FOREST",), ("EFI", None), (None,)])
def test_a_label_that_was_cut_or_is_not_told_is_no_other_one(labels: tuple[str | None, ...]) -> None:
    volumes = tuple(VolumeFacts(name=f"vol-{n}", label=label) for n, label in enumerate(labels, 1))
    facts = replace(v.facts(ticket="reef-c"), volumes=volumes)
    found = looked_up(facts, job("reef-c", ExpectedDrive(volume_label="Kelp forest, west slope")))
    assert isinstance(found, Found)


def test_where_tickets_are_signed_an_unsigned_one_is_for_a_person_unless_a_volume_says_the_same() -> None:
    ticketed = job("reef-c", ExpectedDrive(serial=v.SERIAL, volume_label="KELP"))
    shy = replace(v.facts(label="", ticket="reef-c"), identity=DriveIdentity())
    assert isinstance(looked_up(shy, ticketed), Found)
    held = looked_up(shy, ticketed, unsigned=UnsignedTickets.HOLD)
    assert isinstance(held, NotFound)
    assert (held.reason, held.text) == (
        HoldReason.TICKET_IN_DOUBT,
        "the job ticket reef-c on vol-1, is not signed, and nothing else says that it is right",
    )
    ignored = looked_up(shy, ticketed, unsigned=UnsignedTickets.IGNORE)
    assert isinstance(ignored, NotFound)
    assert ignored.reason is HoldReason.NO_MATCHING_JOB
    labelled = replace(v.facts(label="KELP", ticket="reef-c"), identity=DriveIdentity())
    found = looked_up(labelled, ticketed, unsigned=UnsignedTickets.HOLD)
    assert isinstance(found, Found)
    assert found.by == "label KELP of vol-1"


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (
            ExpectedDrive(serial="ANOTHER", volume_label="KELP"),
            f"announced serial ANOTHER, the drive says {v.SERIAL}",
        ),
        (
            ExpectedDrive(wwn="0xdead", volume_label="KELP"),
            "announced WWN dead, the drive says 3d5e7f90hq7k2m9a",
        ),
    ],
)
def test_a_job_that_announced_another_drive_is_no_candidate(expected: ExpectedDrive, words: str) -> None:
    found = looked_up(v.facts(label="KELP", ticket="reef-a"), job("reef-a", expected))
    assert isinstance(found, NotFound)
    assert found.reason is HoldReason.NO_MATCHING_JOB
    assert f"job reef-a {words}" in found.tried


def test_a_fact_that_the_drive_does_not_tell_contradicts_nothing() -> None:
    shy = replace(v.facts(label="KELP"), identity=DriveIdentity(size_bytes=1_000))
    found = looked_up(shy, job("reef-a", ExpectedDrive(serial=v.SERIAL, volume_label="KELP")))
    assert isinstance(found, Found)


def test_each_volume_and_ticket_is_tried() -> None:
    facts = replace(
        v.facts(),
        volumes=(VolumeFacts(name="vol-1", label="DUNES"), VolumeFacts(name="vol-2", label="KELP")),
        tickets=(Ticket(volume="vol-1", job_id=JobId("nobody")),),
    )
    found = looked_up(facts, BY_LABEL)
    assert isinstance(found, Found)
    assert found.by == "label KELP of vol-2"


def test_the_drives_of_a_job_are_told_apart() -> None:
    both = job("reef-a", ExpectedDrive(serial="FIRST"), ExpectedDrive(serial=v.SERIAL))
    found = looked_up(v.facts(ticket="reef-a"), both)
    assert isinstance(found, Found)
    assert found.drive_index == 1


# -- why not ---------------------------------------------------------------------------------------


def test_nobody_knows_the_drive_and_everything_that_was_tried_is_named() -> None:
    found = looked_up(v.facts(label="KELP", uuid="4a-b1", ticket="reef-x"))
    assert isinstance(found, NotFound)
    assert (found.reason, found.text) == (HoldReason.NO_MATCHING_JOB, "no job is known for this drive")
    assert found.tried == (
        f"serial {v.SERIAL}: no job",
        "WWN 3d5e7f90hq7k2m9a: no job",
        "job ticket reef-x on vol-1: no job",
        "label KELP of vol-1: no job",
        "UUID 4a-b1 of vol-1: no job",
    )


def test_a_drive_without_a_serial_is_not_matched_by_that() -> None:
    nameless = replace(v.facts(), identity=DriveIdentity())
    found = looked_up(nameless, BY_SERIAL)
    assert isinstance(found, NotFound)
    assert found.tried == ("serial (none): no job", "WWN (none): no job")


def test_several_jobs_are_for_a_person_to_choose_from() -> None:
    found = looked_up(v.facts(label="KELP"), BY_LABEL, job("reef-c", ExpectedDrive(volume_label="KELP")))
    assert isinstance(found, NotFound)
    assert found.reason is HoldReason.SEVERAL_JOBS
    assert found.text == "several jobs claim this drive by label KELP of vol-1: reef-b, reef-c"


def test_a_new_job_for_a_drive_that_was_used_before_is_no_conflict() -> None:
    old = JobRecord(job_id=JobId("reef-old"), job=job("reef-old", ExpectedDrive(serial=v.SERIAL)))
    found = looked_up(v.facts(), replace(old, status=JobStatus.LOADED), BY_SERIAL)
    assert isinstance(found, Found)
    assert found.job_id == "reef-a"


@pytest.mark.parametrize(
    ("record", "text"),
    [
        (
            JobRecord(job_id=BY_SERIAL.job_id, job=BY_SERIAL, status=JobStatus.LOADED),
            "job reef-a is loaded already",
        ),
        (
            JobRecord(job_id=BY_SERIAL.job_id, job=BY_SERIAL, claims=(claimed(),)),
            f"this drive of job reef-a is with load {LOAD} in bay-7",
        ),
        (
            JobRecord(job_id=BY_SERIAL.job_id, job=BY_SERIAL, claims=(claimed(outcome=Outcome.LOADED),)),
            f"this drive of job reef-a is loaded already (load {LOAD})",
        ),
    ],
)
def test_a_place_that_is_taken_says_by_whom(record: JobRecord, text: str) -> None:
    found = looked_up(v.facts(), record)
    assert isinstance(found, NotFound)
    assert (found.reason, found.text) == (HoldReason.ALREADY_DONE, text)


@pytest.mark.parametrize("status", JobStatus)
@pytest.mark.parametrize("outcome", [None, *Outcome])
@pytest.mark.parametrize("over", [False, True])
def test_when_a_place_is_free(status: JobStatus, outcome: Outcome | None, over: bool) -> None:
    record = JobRecord(job_id=BY_SERIAL.job_id, job=BY_SERIAL, status=status)
    assert is_free(record, 0) == (status is JobStatus.PENDING)
    record = replace(record, claims=(claimed(outcome=outcome, over=over),))
    gone = outcome in (Outcome.WITHDRAWN, Outcome.FAILED, Outcome.UNCLAIMED) and over
    assert is_free(record, 0) == (status is JobStatus.PENDING and gone)


def test_a_withdrawal_of_an_unknown_job_matches_no_ticket() -> None:
    withdrawn = JobRecord(job_id=JobId("reef-a"), job=None, status=JobStatus.WITHDRAWN)
    found = looked_up(v.facts(ticket="reef-a"), withdrawn)
    assert isinstance(found, NotFound)
    assert found.reason is HoldReason.NO_MATCHING_JOB


# -- the index -------------------------------------------------------------------------------------

expected_drives = st.builds(
    ExpectedDrive,
    serial=st.sampled_from([None, "A", "B", " A "]),
    wwn=st.sampled_from([None, "0x1", "naa.1", "0x2"]),
    volume_label=st.sampled_from([None, "KELP", "DUNES"]),
    volume_uuid=st.sampled_from([None, "4a-b1", "4A-B1"]),
)
jobs = st.builds(
    lambda name, drives: job(name, *drives),
    st.sampled_from(["reef-a", "reef-b", "reef-c"]),
    st.lists(expected_drives, min_size=1, max_size=3),
)


@given(st.lists(jobs, max_size=3, unique_by=lambda one: one.job_id), jobs)
def test_a_job_that_leaves_the_index_leaves_no_trace(those: list[Job], one: Job) -> None:
    index = JobIndex()
    for other in those:
        if other.job_id != one.job_id:
            index = index.with_job(other)
    assert index.with_job(one).without_job(one) == index


@given(st.lists(jobs, max_size=3, unique_by=lambda one: one.job_id), st.randoms(use_true_random=False))
def test_the_index_does_not_depend_on_the_order_of_announcements(those: list[Job], random: Random) -> None:
    def built(order: list[Job]) -> JobIndex:
        index = JobIndex()
        for one in order:
            index = index.with_job(one)
        return index

    assert built(random.sample(those, len(those))) == built(those)


@given(st.lists(jobs, max_size=3, unique_by=lambda one: one.job_id))
def test_whoever_is_found_announced_nothing_else(those: list[Job]) -> None:
    facts = v.facts("A", wwn="0x1", label="KELP", uuid="4a-b1", ticket="reef-b")
    found = looked_up(facts, *those)
    if isinstance(found, Found):
        (one,) = [one for one in those if one.job_id == found.job_id]
        expected = one.drives[found.drive_index]
        assert normal_serial(expected.serial) in (None, "A")
        assert normal_wwn(expected.wwn) in (None, "1")
    else:
        assert found.text
        assert found.tried


# -- identity --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "agrees"),
    [
        (v.identity(), True),
        (v.identity(wwn=None), True),
        (v.identity(model=None, size_bytes=None), True),
        (v.identity(wwn=None, model=None), False),
        (DriveIdentity(serial=v.SERIAL), False),
        (DriveIdentity(wwn=v.identity().wwn), False),
        (v.identity(size_bytes=1), False),
        (v.identity("OTHER"), False),
        (DriveIdentity(), False),
    ],
)
def test_a_drive_is_known_by_at_least_two_facts(other: DriveIdentity, agrees: bool) -> None:
    assert v.identity().agrees_with(other) == agrees
    assert other.agrees_with(v.identity()) == agrees


@given(st.sampled_from(["A", " A", "A  ", "\tA\n"]))
def test_padding_is_no_part_of_a_serial(serial: str) -> None:
    assert normal_serial(serial) == "A"


@pytest.mark.parametrize("empty", [None, "", "   "])
def test_an_empty_fact_is_unknown(empty: str | None) -> None:
    assert normal_serial(empty) is None
    assert normal_wwn(empty) is None


@pytest.mark.parametrize(
    "wwn",
    [
        "0x3d5e7f90a1b2c3d4",
        "naa.3D5E7F90A1B2C3D4",
        "wwn-0x3d5e7f90a1b2c3d4",
        "3d5e7f:90:a1-b2 c3d4",
        "eui.3d5e7f90a1b2c3d4",
    ],
)
def test_the_usual_ways_to_write_a_wwn(wwn: str) -> None:
    assert normal_wwn(wwn) == "3d5e7f90a1b2c3d4"


@pytest.mark.parametrize(
    ("identity", "label"),
    [(v.identity(), v.SERIAL), (DriveIdentity(wwn="0x1"), "0x1"), (DriveIdentity(), "no serial")],
)
def test_what_a_person_calls_a_drive(identity: DriveIdentity, label: str) -> None:
    assert identity.label == label
