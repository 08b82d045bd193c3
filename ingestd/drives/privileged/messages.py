"""What goes over the helper's socket: one JSON object a message, at most one descriptor with it.

The socket keeps messages apart (SOCK_SEQPACKET), so a request is exactly one packet. Everything is
validated strictly before it is looked at: an unknown verb or field, a wrong type, a packet that is too
long or comes with descriptors that its verb does not take ends the connection.
"""

from __future__ import annotations

import array
import os
import socket
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from ingestd import ports
from ingestd.core.drive import VolumeFacts
from ingestd.core.model import FailureKind
from ingestd.drives.privileged.verbs import DeviceName
from ingestd.ports import PortError, Problem

REQUEST_BYTES_MAX = 4096
REPLY_BYTES_MAX = 128 * 1024
NAME_BYTES_MAX = 255


class Garbled(Exception):
    """What came over the socket is no message of ours."""


def _device(text: str) -> str:
    DeviceName.parse(text)
    return text


def _single_name(text: str) -> str:
    name = bytes.fromhex(text)
    if not 0 < len(name) <= NAME_BYTES_MAX or b"/" in name or b"\0" in name or name == b"..":
        raise ValueError("is not a single name")
    return text


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


_Device = Annotated[str, Field(max_length=40), AfterValidator(_device)]


class Seal(_Message):
    verb: Literal["seal"] = "seal"
    device: _Device


class Probe(_Message):
    verb: Literal["probe"] = "probe"


class Mount(_Message):
    verb: Literal["mount"] = "mount"
    volume: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,40}$")]


class OpenBelow(_Message):
    """Comes with the descriptor of the folder; the name `.` opens it anew."""

    verb: Literal["open"] = "open"
    name: Annotated[
        str, Field(pattern=r"^([0-9a-f]{2})+$", max_length=2 * NAME_BYTES_MAX), AfterValidator(_single_name)
    ]
    look: bool = False


class DropCaches(_Message):
    verb: Literal["drop-caches"] = "drop-caches"


class Release(_Message):
    verb: Literal["release"] = "release"


class Health(_Message):
    verb: Literal["health"] = "health"
    device: _Device
    device_type: Annotated[str, Field(max_length=40)] | None = None


class PowerOff(_Message):
    verb: Literal["power-off"] = "power-off"
    device: _Device


class Revive(_Message):
    verb: Literal["revive"] = "revive"
    device: _Device


class Problems(_Message):
    verb: Literal["problems"] = "problems"


Request = Seal | Probe | Mount | OpenBelow | DropCaches | Release | Health | PowerOff | Revive | Problems

_REQUESTS: TypeAdapter[Request] = TypeAdapter(Annotated[Request, Field(discriminator="verb")])


class Reply(_Message):
    """What a verb gave; which of the fields are set depends on the verb, all of none on the error."""

    error: str | None = None
    """The kind of failure, or `os` for an error of the system with its number."""
    number: int = 0
    text: str = ""
    volumes: tuple[VolumeFacts, ...] = ()
    problems: tuple[tuple[str, str, str, bool], ...] = ()
    done: bool = False


_REPLIES: TypeAdapter[Reply] = TypeAdapter(Reply)

_ERRORS: dict[str, type[PortError]] = {
    kind.kind.value: kind
    for kind in (
        ports.DriveUnreadable,
        ports.DriveGoneError,
        ports.DriveSwapped,
        ports.ReadStalled,
        ports.ToolFailed,
        ports.ResourcesExhausted,
    )
}


def parse_request(packet: bytes) -> Request:
    """The request in a packet. Raises Garbled."""
    try:
        return _REQUESTS.validate_json(packet)
    except ValidationError as error:
        where = ", ".join(".".join(map(str, e["loc"])) or "the message" for e in error.errors()[:5])
        raise Garbled(f"not a request that is understood: {where}") from error


def parse_reply(packet: bytes) -> Reply:
    """The reply in a packet. Raises Garbled."""
    try:
        return _REPLIES.validate_json(packet)
    except ValidationError as error:
        raise Garbled("not a reply that is understood") from error


def packed(message: BaseModel) -> bytes:
    return message.model_dump_json(exclude_defaults=False).encode()


def reply_of(error: Exception) -> Reply:
    """A failure as a reply."""
    if isinstance(error, PortError):
        kind = error.kind if error.kind.value in _ERRORS else FailureKind.TOOL_FAILED
        return Reply(error=kind.value, text=str(error)[:4000])
    if isinstance(error, OSError):
        return Reply(error="os", number=error.errno or 0, text=(error.strerror or "")[:4000])
    return Reply(error=FailureKind.TOOL_FAILED.value, text=f"a mistake in the helper: {type(error).__name__}")


def raise_for(reply: Reply) -> None:
    """Raise what the reply is about, if it is about a failure."""
    if reply.error == "os":
        raise OSError(reply.number, reply.text)
    if reply.error is not None:
        raise _ERRORS.get(reply.error, ports.ToolFailed)(reply.text)


def told(problems: tuple[tuple[str, str, str, bool], ...]) -> list[Problem]:
    return [Problem(*fields) for fields in problems]


# -- packets ---------------------------------------------------------------------------------------


def send(connection: socket.socket, packet: bytes, fd: int | None = None) -> None:
    """Send one packet, with a descriptor if one is given. Raises OSError."""
    fds = [] if fd is None else [fd]
    socket.send_fds(connection, [packet], fds, socket.MSG_NOSIGNAL)


def receive(connection: socket.socket, bytes_max: int) -> tuple[bytes, int | None]:
    """One packet and the descriptor that came with it; an empty one when the other side has gone.

    Raises Garbled, with every descriptor closed, for a packet that is longer or brings more than one.
    """
    packet, ancillary, flags, _ = connection.recvmsg(
        bytes_max, socket.CMSG_SPACE(8 * array.array("i").itemsize), socket.MSG_CMSG_CLOEXEC
    )
    fds = _descriptors(ancillary)
    if flags & (socket.MSG_TRUNC | socket.MSG_CTRUNC) or len(fds) > 1:
        close_all(fds)
        raise Garbled("a packet that is too long, or comes with too much")
    return packet, fds[0] if fds else None


def _descriptors(ancillary: list[tuple[int, int, bytes]]) -> list[int]:
    fds = array.array("i")
    for level, kind, data in ancillary:
        if (level, kind) == (socket.SOL_SOCKET, socket.SCM_RIGHTS):
            fds.frombytes(data[: len(data) - len(data) % fds.itemsize])
    return list(fds)


def close_all(fds: list[int]) -> None:
    for fd in fds:
        os.close(fd)


def as_problems(found: Any) -> tuple[tuple[str, str, str, bool], ...]:
    return tuple((p.where, p.text, p.remedy, p.fatal) for p in found)
