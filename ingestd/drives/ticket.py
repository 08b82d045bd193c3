"""Job tickets: a small file that a customer may put on a drive to say whose it is.

A ticket is `ingest-ticket.json` in the root of a volume, at most 16 KiB. `{"job_id": "..."}` is a hint,
so one that cannot be read or understood is as good as none. `{"signed": "..."}` is a compact JWS over
such a ticket, made by whoever takes the orders; what is wrong with one of these is always told.
"""

from __future__ import annotations

import os
from typing import Annotated, Any

import structlog
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from pydantic_core import from_json

from ingestd.core.drive import SpoiltTicket, Ticket
from ingestd.core.model import JobId
from ingestd.drives import jws
from ingestd.files import is_regular, open_beneath

TICKET_NAME = b"ingest-ticket.json"
TICKET_BYTES_MAX = 16 * 1024

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_YEAR_10000 = 253_402_300_800.0

NO_KEYS: jws.PublicKeys = {}


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("has characters that cannot be shown")
    return text


_Text = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=200),
    AfterValidator(_printable),
]
_Moment = Annotated[float, Field(ge=0, lt=_YEAR_10000, allow_inf_nan=False)]


class _Hint(BaseModel):
    """Other keys are passed over: they may mean something to the customer."""

    model_config = ConfigDict(strict=True)

    job_id: _Text


class _Signed(_Hint):
    """`exp` and `nbf` are those of RFC 7519: seconds since 1970."""

    tenant: _Text | None = None
    serial: _Text | None = None
    volume_uuid: _Text | None = None
    nbf: _Moment | None = None
    exp: _Moment | None = None


def read_ticket(root_fd: int, volume: str, keys: jws.PublicKeys = NO_KEYS) -> Ticket | SpoiltTicket | None:
    """The ticket in this root folder; None without one, or one that is unsigned and not understood."""
    try:
        fd = open_beneath(root_fd, TICKET_NAME, os.O_RDONLY | os.O_NONBLOCK)
        try:
            return understood(read_small_text(fd, TICKET_BYTES_MAX), volume, keys)
        finally:
            os.close(fd)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        why = "not understood" if isinstance(error, ValidationError) else str(error)
        structlog.get_logger("ingestd.drives").debug("ticket_passed_over", error=why)
        return None


def understood(body: bytes, volume: str, keys: jws.PublicKeys) -> Ticket | SpoiltTicket:
    """What a ticket says. Raises ValueError for one that is unsigned and not understood.

    What stands beside a signed text counts for nothing.
    """
    ticket = from_json(body)
    if not isinstance(ticket, dict) or "signed" not in ticket:
        return Ticket(volume=volume, job_id=JobId(_Hint.model_validate(ticket).job_id))
    try:
        return _proven(ticket["signed"], volume, keys)
    except jws.NotProven as error:
        return SpoiltTicket(volume=volume, why=str(error))


def _proven(text: Any, volume: str, keys: jws.PublicKeys) -> Ticket:
    """Raises NotProven."""
    if not isinstance(text, str):
        raise jws.NotProven("is not signed as it says: `signed` must be a compact JWS, as text")
    proven = jws.verified(text.strip(), keys)
    try:
        said = _Signed.model_validate(jws.json_object(proven.payload))
    except ValidationError as error:
        fields = sorted({str(each["loc"][0]) for each in error.errors() if each["loc"]})
        raise jws.NotProven(f"is signed, and not as tickets are: {', '.join(fields)}") from None
    except ValueError:
        raise jws.NotProven("is signed, and what is signed is not one JSON object") from None
    return Ticket(
        volume=volume,
        job_id=JobId(said.job_id),
        key_id=proven.key_id,
        tenant=said.tenant,
        serial=said.serial,
        volume_uuid=said.volume_uuid,
        valid_from=said.nbf,
        valid_until=said.exp,
    )


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
