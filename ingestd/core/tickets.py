"""What signed job tickets are worth for the drive that they lie on, now.

A signature proves who wrote a ticket. It does not prove that the drive is the one it was written for,
since a file can be copied: so a ticket may name the drive's serial or its volume's UUID, and then speaks
for that one alone. One that names neither is good for whatever drive it lies on, until its job has all
of its drives.
"""

from __future__ import annotations

from datetime import UTC, datetime

from ingestd.core.drive import DriveFacts, Ticket
from ingestd.core.identifiers import normal_serial, normal_uuid
from ingestd.core.job import Job


def in_words(ticket: Ticket) -> str:
    signed = "" if ticket.key_id is None else f", signed with key {ticket.key_id}"
    return f"job ticket {ticket.job_id} on {ticket.volume}{signed}"


def sorted_out(facts: DriveFacts, at: float) -> tuple[tuple[Ticket, ...], tuple[str, ...]]:
    """The signed tickets that speak for this drive now, and why the others do not, in words."""
    good: list[Ticket] = []
    doubts = [f"the job ticket on {spoilt.volume} {spoilt.why}" for spoilt in facts.spoilt_tickets]
    for ticket in facts.tickets:
        if ticket.key_id is not None:
            why = _doubt(ticket, facts, at)
            if why is None:
                good.append(ticket)
            else:
                doubts.append(f"the {in_words(ticket)}, {why}")
    return tuple(good), tuple(doubts)


def against(ticket: Ticket, job: Job) -> str | None:
    """What in a signed ticket says that it is not about this job; None when nothing does."""
    if ticket.job_id != job.job_id:
        return f"the {in_words(ticket)}, is not for job {job.job_id}"
    if ticket.tenant is not None and ticket.tenant != job.tenant:
        return f"the {in_words(ticket)}, is for tenant {ticket.tenant}; the job is of tenant {job.tenant}"
    return None


def validity(ticket: Ticket) -> str:
    begin = "" if ticket.valid_from is None else f"from {_moment(ticket.valid_from)} "
    end = "without an end" if ticket.valid_until is None else f"until {_moment(ticket.valid_until)}"
    return f"{begin}{end}"


def _doubt(ticket: Ticket, facts: DriveFacts, at: float) -> str | None:
    if ticket.valid_until is not None and at >= ticket.valid_until:
        return f"has expired: it was valid until {_moment(ticket.valid_until)}"
    if ticket.valid_from is not None and at < ticket.valid_from:
        return f"is not valid yet: it is from {_moment(ticket.valid_from)} on"
    uuid = next((one.uuid for one in facts.volumes if one.name == ticket.volume), None)
    serial = facts.identity.serial
    return _written_for("drive", "serial", normal_serial(ticket.serial), normal_serial(serial)) or (
        _written_for("volume", "UUID", normal_uuid(ticket.volume_uuid), normal_uuid(uuid))
    )


def _written_for(what: str, fact: str, named: str | None, found: str | None) -> str | None:
    """A fact that the ticket names has to be there: one that is not known may be any."""
    if named is None or named == found:
        return None
    return f"was written for the {what} with {fact} {named}; this {what} has {found or 'none that is known'}"


def _moment(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%SZ}"
