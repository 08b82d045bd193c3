"""Job tickets: a small file that a customer may put on a drive to say whose it is.

A ticket is `ingest-ticket.json` in the root of a volume, `{"job_id": "..."}`, at most 16 KiB. It is a
hint, so a ticket that cannot be read or understood is as good as none.
"""

from __future__ import annotations

import os
from typing import Annotated

import structlog
from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError

from ingestd.core.model import JobId
from ingestd.files import is_regular, open_beneath

TICKET_NAME = b"ingest-ticket.json"
TICKET_BYTES_MAX = 16 * 1024

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class _TicketText(BaseModel):
    """Other keys are passed over: they may mean something to the customer."""

    model_config = ConfigDict(strict=True)

    job_id: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]


def read_ticket(root_fd: int) -> JobId | None:
    """The job id on the ticket in this root folder; None without a ticket that can be understood."""
    try:
        fd = open_beneath(root_fd, TICKET_NAME, os.O_RDONLY | os.O_NONBLOCK)
        try:
            return _job_id(read_small_text(fd, TICKET_BYTES_MAX))
        finally:
            os.close(fd)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        why = "not understood" if isinstance(error, ValidationError) else str(error)
        structlog.get_logger("ingestd.drives").debug("ticket_passed_over", error=why)
        return None


def _job_id(body: bytes) -> JobId:
    text = _TicketText.model_validate_json(body).job_id
    if not text.isprintable():
        raise ValueError("the job id has characters that cannot be shown")
    return JobId(text)


def read_small_text(fd: int, limit_bytes: int) -> bytes:
    """All of a small regular file, without the byte order mark that some editors put first.

    Raises ValueError for a special or a larger file, and OSError.
    """
    if not is_regular(fd):
        raise ValueError("it is not a regular file")
    with open(fd, "rb", closefd=False) as file:
        body = file.read(limit_bytes + 1)
    if len(body) > limit_bytes:
        raise ValueError(f"it is larger than {limit_bytes} bytes")
    return body.removeprefix(_BYTE_ORDER_MARK)
