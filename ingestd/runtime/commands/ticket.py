"""`ingestd ticket`: what a station makes of a job ticket, whatever drive it is to lie on."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator

from ingestd.core import tickets
from ingestd.core.drive import DriveFacts, DriveIdentity, SpoiltTicket, Ticket, VolumeFacts
from ingestd.core.identifiers import normal_serial
from ingestd.core.names import printable
from ingestd.drives.ticket import TICKET_BYTES_MAX, read_small_text, understood
from ingestd.runtime import config
from ingestd.runtime.commands.common import OK, REFUSED, Adder
from ingestd.runtime.show import wrapped

_VOLUME = "this volume"


def add(command: Adder) -> None:
    sub = command("ticket", _ticket, "show what a station makes of a job ticket")
    sub.epilog = (
        "Exit status: 0 for a hint and for a signature that counts, 2 for anything else. The keys are those "
        "of the configuration. That the job exists, and that it is of the ticket's tenant, only a station "
        "can see, when the drive is there."
    )
    sub.add_argument("file", metavar="FILE", help="the ingest-ticket.json")


def _ticket(options: argparse.Namespace) -> int:
    keys = config.read(options.config).ring()
    name = printable(os.fsencode(options.file))
    try:
        fd = os.open(options.file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with open(fd, "rb"):
            body = read_small_text(fd, TICKET_BYTES_MAX)
        ticket = understood(body, _VOLUME, keys)
    except OSError as error:
        print(f"ingestd: {name}: cannot be read: {error.strerror}", file=sys.stderr)
        return REFUSED
    except ValueError:
        print(f'{name}: passed over: not a job ticket, such as {{"job_id": "TW-2041"}}', file=sys.stderr)
        return REFUSED
    doubts = _doubts(ticket)
    for line in (f"the drive would be held: {doubts[0]}",) if doubts else _lines(ticket):
        print("\n".join(wrapped(line, "")))
    return REFUSED if doubts else OK


def _doubts(ticket: Ticket | SpoiltTicket) -> tuple[str, ...]:
    """What a station would object to on the very drive that the ticket is for."""
    good = (ticket,) if isinstance(ticket, Ticket) else ()
    spoilt = (ticket,) if isinstance(ticket, SpoiltTicket) else ()
    uuid = next((one.volume_uuid for one in good), None)
    facts = DriveFacts(
        identity=DriveIdentity(serial=next((normal_serial(one.serial) for one in good), None)),
        interface="",
        volumes=(VolumeFacts(name=_VOLUME, uuid=uuid),),
        tickets=good,
        spoilt_tickets=spoilt,
    )
    return tickets.sorted_out(facts, time.time())[1]


def _lines(ticket: Ticket | SpoiltTicket) -> Iterator[str]:
    assert isinstance(ticket, Ticket), "one that is spoilt is doubted"
    yield f"job        {ticket.job_id}"
    if ticket.key_id is None:
        yield "signed     no: a hint, which counts only where no serial or WWN was announced"
        return
    yield f"signed     with key {ticket.key_id}"
    yield f"tenant     {ticket.tenant or 'whichever the job is of'}"
    bound = [f"serial {ticket.serial}"] if ticket.serial else []
    bound += [f"volume UUID {ticket.volume_uuid}"] if ticket.volume_uuid else []
    yield f"drive      {', '.join(bound) or 'any: the first one that it lies on takes a place of the job'}"
    yield f"valid      {tickets.validity(ticket)}"
