"""The record of custody: what was done with a drive, entry by entry, each bearing the hash of the one before.

An entry is one line: a JSON object in the canonical form of RFC 8785 (no spaces, keys in order), of texts,
whole numbers, truth values, lists and objects alone. Its `sha256` is that of the same form of everything
else in it, `previous` among that. So the hash of the last entry stands for all of them, and any program
that knows JSON and SHA-256 can follow the chain. `custody_deeds.py` says what is recorded,
`custody_check.py` finds what was altered.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

from ingestd.core.drive import CustodyHead, DriveIdentity
from ingestd.core.model import BayName, LoadId

FORMAT = "ingestd-custody-1"
"""What the first entry of a record says it is."""

NOTHING_BEFORE = "0" * 64
"""What the first entry has for the hash of the one before."""

WHOLE_MAX = (1 << 53) - 1
"""The largest number that every reader of JSON takes exactly (RFC 8785, section 3.2.2.3)."""

Content = str | int | bool | Sequence["Content"] | Mapping[str, "Content"]


class Action(StrEnum):
    PLUGGED_IN = "plugged-in"
    IDENTIFIED = "identified"
    NOT_IDENTIFIED = "not-identified"
    ASSIGNED = "assigned"
    MATCHED = "matched"
    SURVEY_BEGUN = "survey-begun"
    SURVEYED = "surveyed"
    LOADING_BEGUN = "loading-begun"
    READ = "read"
    SECOND_READING_BEGUN = "second-reading-begun"
    READ_AGAIN = "read-again"
    PROOF_BEGUN = "proof-begun"
    PROVED = "proved"
    PROOF_FAILED = "proof-failed"
    WORK_FAILED = "work-failed"
    HELD = "held"
    DECIDED = "decided"
    RESUMED = "resumed"
    UNPLUGGED = "unplugged"
    AWAY = "away"
    WITHDRAWN = "withdrawn"
    AMENDED = "amended"
    DAEMON_STARTED = "daemon-started"
    CONCLUDED = "concluded"
    TAKING_BACK_BEGUN = "taking-back-begun"
    TAKEN_BACK = "taken-back"
    RELEASED = "released"


class Actor(StrEnum):
    """Who did it: the station by itself, or a person whose word arrived."""

    STATION = "station"
    OPERATOR = "operator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """A program of the station that has to do with drives."""

    name: str
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What runs here: versions of the daemon, of the kernel whose drivers read, and of programs."""

    daemon: str = "unknown"
    kernel: str = "unknown"
    tools: tuple[Tool, ...] = ()

    def in_words(self) -> Mapping[str, Content]:
        return {"kernel": self.kernel, "tools": {tool.name: tool.version for tool in self.tools}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """Something that is to be recorded. Its details name no file of a customer's."""

    action: Action
    operator: str | None = None
    """The person whose word it was, as the word names them."""
    details: Mapping[str, Content] = field(default_factory=dict)
    at: float | None = None
    """When it was, if not now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a record, without its end."""

    load_id: LoadId
    number: int
    sha256: str
    line: bytes

    @property
    def head(self) -> CustodyHead:
        return CustodyHead(entries=self.number, sha256=self.sha256)


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What an entry is about, and under whose hands."""

    load_id: LoadId
    drive: DriveIdentity
    bay: BayName | None
    station: str
    surroundings: Surroundings


def entry_after(head: CustodyHead | None, deed: Deed, about: About, at: float) -> Entry:
    """The entry that follows on `head`, or begins a record; the first one binds load, drive and station."""
    content: dict[str, Content] = {
        "action": deed.action.value,
        "actor": (Actor.STATION if deed.operator is None else Actor.OPERATOR).value,
        "at": _stamp(at if deed.at is None else deed.at),
        "daemon": about.surroundings.daemon,
        "details": deed.details,
        "load_id": about.load_id,
        "number": 1 if head is None else head.entries + 1,
        "previous": NOTHING_BEFORE if head is None else head.sha256,
        "station": about.station,
    }
    if head is None:
        content |= {"format": FORMAT, "drive": drive_in_words(about.drive)}
    if about.bay is not None:
        content["bay"] = about.bay
    if deed.operator is not None:
        content["operator"] = deed.operator
    sha256 = hash_of(content)
    number = 1 if head is None else head.entries + 1
    line = canonical({**content, "sha256": sha256})
    return Entry(load_id=about.load_id, number=number, sha256=sha256, line=line)


def drive_in_words(drive: DriveIdentity) -> Mapping[str, Content]:
    """What is known of a drive; what is not known is not there."""
    facts = {"serial": drive.serial, "wwn": drive.wwn, "model": drive.model, "size_bytes": drive.size_bytes}
    return {name: fact for name, fact in facts.items() if fact is not None}


def hash_of(content: Mapping[str, Content]) -> str:
    """What an entry with this content has as its `sha256`."""
    rest = {name: value for name, value in content.items() if name != "sha256"}
    return hashlib.sha256(canonical(rest)).hexdigest()


def canonical(content: Content) -> bytes:
    """The one form of RFC 8785. Raises TypeError for a value that has none here: a fraction, or null.

    Half a surrogate pair, which no UTF-8 can hold, becomes a question mark. A number that readers of JSON
    may round is written as the text of its digits.
    """
    return json.dumps(_ordered(content), ensure_ascii=False, separators=(",", ":")).encode()


def _ordered(content: Content) -> object:
    if isinstance(content, bool):
        return content
    if isinstance(content, str):
        return content.encode("utf-8", "replace").decode()
    if isinstance(content, int):
        return int(content) if abs(content) <= WHOLE_MAX else str(content)
    if isinstance(content, Mapping):
        # RFC 8785, section 3.2.3: by the UTF-16 code units of the keys.
        members = {str(_ordered(name)): value for name, value in content.items()}
        ordered = sorted(members, key=lambda name: name.encode("utf-16-be"))
        return {name: _ordered(members[name]) for name in ordered}
    if isinstance(content, Sequence):
        return [_ordered(value) for value in content]
    raise TypeError(f"no canonical form for a {type(content).__name__} here")


def _stamp(at: float) -> str:
    """RFC 3339 in UTC, to the millisecond."""
    moment = datetime.fromtimestamp(at, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
