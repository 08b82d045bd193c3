"""What signed job tickets decide, and what they stop."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from ingestd.core.drive import DriveFacts, DriveIdentity, SpoiltTicket, Ticket, VolumeFacts
from ingestd.core.job import ExpectedDrive, Job
from ingestd.core.job_record import JobRecord, JobStatus
from ingestd.core.matching import Found, NotFound
from ingestd.core.model import HoldReason, JobId
from ingestd.core.tickets import validity
from tests.core.test_matching import BY_LABEL, BY_SERIAL, claimed, job, looked_up
from tests.support import values as v

UUID = "4a-b1"
REEF_A = "job ticket reef-a on vol-1, signed with key orders-2031"
UNNAMED = job("reef-a", ExpectedDrive(volume_label="NO SUCH"))


def signed(job_id: str = "reef-a", **more: Any) -> Ticket:
    return Ticket(**{"volume": "vol-1", "job_id": JobId(job_id), "key_id": "orders-2031", **more})


def with_tickets(*tickets: Ticket | SpoiltTicket, facts: DriveFacts | None = None) -> DriveFacts:
    return replace(
        facts or v.facts(uuid=UUID),
        tickets=tuple(ticket for ticket in tickets if isinstance(ticket, Ticket)),
        spoilt_tickets=tuple(ticket for ticket in tickets if isinstance(ticket, SpoiltTicket)),
    )


FORGED = SpoiltTicket(volume="vol-1", why="has a signature that is not that of the key orders-2031")


def held(found: Found | NotFound, reason: HoldReason = HoldReason.TICKET_IN_DOUBT) -> str:
    assert isinstance(found, NotFound), found
    assert found.reason is reason
    return found.text


# -- proof of origin -------------------------------------------------------------------------------


def test_a_signed_ticket_finds_its_job_although_no_serial_was_announced() -> None:
    found = looked_up(with_tickets(signed()), UNNAMED)
    assert found == Found(job_id=JobId("reef-a"), drive_index=0, by=REEF_A)


def test_it_goes_before_a_hint_and_before_a_label() -> None:
    facts = with_tickets(
        signed(), Ticket(volume="vol-2", job_id=JobId("reef-b")), facts=v.facts(label="KELP")
    )
    found = looked_up(facts, UNNAMED, BY_LABEL)
    assert isinstance(found, Found)
    assert found.job_id == "reef-a"


def test_it_agrees_with_an_announced_serial() -> None:
    found = looked_up(with_tickets(signed()), BY_SERIAL)
    assert isinstance(found, Found)
    assert found.by == f"serial {v.SERIAL}"


@pytest.mark.parametrize(
    "binding",
    [
        {"serial": v.SERIAL},
        {"serial": f" {v.SERIAL} "},
        {"volume_uuid": "4A-B1"},
        {"serial": v.SERIAL, "volume_uuid": UUID},
        {"tenant": UNNAMED.tenant},
        {"valid_from": v.AT},
        {"valid_until": v.AT + 1},
    ],
)
def test_what_it_names_may_agree(binding: dict[str, Any]) -> None:
    assert isinstance(looked_up(with_tickets(signed(**binding)), UNNAMED), Found)


# -- proof of something else -----------------------------------------------------------------------


def test_one_against_an_announced_serial_is_for_a_person() -> None:
    found = looked_up(with_tickets(signed("reef-b")), BY_SERIAL, BY_LABEL)
    words = "the job ticket reef-b on vol-1, signed with key orders-2031, is not for job reef-a"
    assert held(found) == f"{words}, which announced serial {v.SERIAL}"


def test_one_whose_job_announced_another_serial_is_for_a_person() -> None:
    found = looked_up(with_tickets(signed()), job("reef-a", ExpectedDrive(serial="ANOTHER")))
    words = f"job reef-a announced serial ANOTHER, the drive says {v.SERIAL}"
    assert held(found) == f"{words}, on which there is a signed job ticket for that job"


def test_one_whose_job_is_not_known_waits_for_it_and_lets_no_label_decide() -> None:
    found = looked_up(with_tickets(signed("reef-x"), facts=v.facts(label="KELP")), BY_LABEL)
    text = held(found, HoldReason.NO_MATCHING_JOB)
    assert (
        text
        == "the job ticket reef-x on vol-1, signed with key orders-2031, names a job that is not known here"
    )


@pytest.mark.parametrize("announced", [UNNAMED, BY_SERIAL])
def test_one_for_another_tenant_is_for_a_person(announced: Job) -> None:
    found = looked_up(with_tickets(signed(tenant="lumen-dome")), announced)
    words = f"the {REEF_A}, is for tenant lumen-dome; the job is of tenant {UNNAMED.tenant}"
    assert held(found).startswith(words)


def test_two_that_name_different_jobs_are_for_a_person() -> None:
    found = looked_up(with_tickets(signed(), signed("reef-b", volume="vol-2")), UNNAMED, BY_LABEL)
    assert held(found, HoldReason.SEVERAL_JOBS).startswith("several jobs claim this drive: reef-a by ")


def test_a_copy_finds_the_place_taken() -> None:
    """A ticket that names no drive is good for the first one only."""
    record = JobRecord(job_id=UNNAMED.job_id, job=UNNAMED, claims=(claimed(),))
    assert "is with load" in held(looked_up(with_tickets(signed()), record), HoldReason.ALREADY_DONE)
    over = JobRecord(job_id=UNNAMED.job_id, job=UNNAMED, status=JobStatus.LOADED)
    assert (
        held(looked_up(with_tickets(signed()), over), HoldReason.ALREADY_DONE)
        == "job reef-a is loaded already"
    )


# -- proof of nothing ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ticket", "words"),
    [
        (
            signed(serial="ANOTHER"),
            f"was written for the drive with serial ANOTHER; this drive has {v.SERIAL}",
        ),
        (
            signed(volume_uuid="77-aa"),
            "was written for the volume with UUID 77-aa; this volume has 4a-b1",
        ),
        (signed(valid_until=v.AT), "has expired: it was valid until 2031-05-17T08:20:00Z"),
        (signed(valid_from=v.AT + 60), "is not valid yet: it is from 2031-05-17T08:21:00Z on"),
    ],
)
def test_each_doubt_has_its_own_words_and_no_label_decides_then(ticket: Ticket, words: str) -> None:
    facts = with_tickets(ticket, facts=v.facts(label="KELP", uuid=UUID))
    assert held(looked_up(facts, UNNAMED, BY_LABEL)) == f"the {REEF_A}, {words}"


def test_a_drive_that_does_not_tell_what_the_ticket_names_is_not_that_drive() -> None:
    shy = replace(v.facts(), identity=DriveIdentity(size_bytes=1_000))
    text = held(looked_up(with_tickets(signed(serial=v.SERIAL, volume_uuid=None), facts=shy), UNNAMED))
    assert text.endswith("this drive has none that is known")


def test_the_uuid_is_that_of_the_volume_on_which_the_ticket_lies() -> None:
    volumes = (VolumeFacts(name="vol-1"), VolumeFacts(name="vol-2", uuid=UUID))
    facts = with_tickets(signed(volume_uuid=UUID), facts=replace(v.facts(), volumes=volumes))
    assert held(looked_up(facts, UNNAMED)).endswith("this volume has none that is known")


def test_a_forged_one_is_never_taken_for_a_hint() -> None:
    facts = with_tickets(FORGED, Ticket(volume="vol-2", job_id=JobId("reef-a")))
    assert held(looked_up(facts, UNNAMED)) == f"the job ticket on vol-1 {FORGED.why}"


def test_a_forged_one_beside_a_good_one_is_for_a_person() -> None:
    assert "the job ticket on vol-1" in held(looked_up(with_tickets(FORGED, signed(volume="vol-2")), UNNAMED))


@pytest.mark.parametrize("ticket", [FORGED, signed("reef-b", valid_until=v.AT), signed(serial="ANOTHER")])
def test_where_the_announced_serial_decides_it_counts_for_nothing_and_is_named(
    ticket: Ticket | SpoiltTicket,
) -> None:
    """Not even a drive from the last order, whose ticket was left on it, is in doubt."""
    found = looked_up(with_tickets(ticket), BY_SERIAL, BY_LABEL)
    assert isinstance(found, Found)
    assert found.job_id == "reef-a"
    assert found.by.startswith(f"serial {v.SERIAL} (counted for nothing: the job ticket ")


# -- hints, and signs of one rank ------------------------------------------------------------------


def test_hints_that_name_different_jobs_are_for_a_person() -> None:
    hints = (Ticket(volume="vol-1", job_id=JobId("reef-a")), Ticket(volume="vol-2", job_id=JobId("reef-b")))
    text = held(looked_up(with_tickets(*hints), UNNAMED, BY_LABEL), HoldReason.SEVERAL_JOBS)
    assert text == (
        "several jobs claim this drive: "
        "reef-a by job ticket reef-a on vol-1, reef-b by job ticket reef-b on vol-2"
    )


def test_labels_of_different_jobs_are_for_a_person() -> None:
    volumes = (VolumeFacts(name="vol-1", label="KELP"), VolumeFacts(name="vol-2", label="DUNES"))
    facts = replace(v.facts(), volumes=volumes)
    dunes = job("reef-c", ExpectedDrive(volume_label="DUNES"))
    assert "reef-b by label KELP of vol-1" in held(looked_up(facts, BY_LABEL, dunes), HoldReason.SEVERAL_JOBS)


def test_a_serial_and_a_wwn_of_different_jobs_are_for_a_person() -> None:
    other = job("reef-c", ExpectedDrive(wwn=v.identity().wwn))
    assert "reef-c by WWN" in held(looked_up(v.facts(), BY_SERIAL, other), HoldReason.SEVERAL_JOBS)


def test_a_hint_from_an_earlier_order_is_in_nobodys_way() -> None:
    hints = (Ticket(volume="vol-1", job_id=JobId("reef-old")), Ticket(volume="vol-2", job_id=JobId("reef-a")))
    found = looked_up(with_tickets(*hints), UNNAMED)
    assert isinstance(found, Found)


@pytest.mark.parametrize(
    ("ticket", "words"),
    [
        (signed(), "without an end"),
        (signed(valid_until=v.AT), "until 2031-05-17T08:20:00Z"),
        (
            signed(valid_from=v.AT, valid_until=v.AT + 1),
            "from 2031-05-17T08:20:00Z until 2031-05-17T08:20:01Z",
        ),
    ],
)
def test_how_long_it_is_valid(ticket: Ticket, words: str) -> None:
    assert validity(ticket) == words
