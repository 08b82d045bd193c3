"""Finding what was altered in a record of custody: a line edited, removed, put in, moved, or cut off.

What a record cannot tell by itself is that all of it was written anew. Its head can: the hash of the last
entry, which events and receipt have carried elsewhere.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from ingestd.core.custody import FORMAT, NOTHING_BEFORE, Action, canonical, hash_of
from ingestd.core.drive import CustodyHead
from ingestd.core.names import counted

LINE_BYTES_MAX = 1 << 20
PROBLEMS_MAX = 20
"""So many are told; one that is cut into pieces would have thousands."""

_DIGITS = re.compile("[0-9a-f]{64}")
_TEXTS = ("action", "actor", "at", "daemon", "load_id", "previous", "sha256", "station")


@dataclass(frozen=True, slots=True)
class Checked:
    """What came of looking at a record. Sound when there are no problems."""

    problems: tuple[str, ...]
    entries: int
    head: str
    """The hash that the last entry states; empty where there is none."""
    load_id: str
    closed: bool
    """Whether it ends with the drive's release."""


@dataclass(slots=True)
class _Seen:
    """The line before, as far as the next one is measured by it."""

    number: int = 0
    sha256: str = NOTHING_BEFORE
    load_id: str = ""
    station: str = ""
    action: str = ""
    readable: bool = True


def check(lines: Iterable[bytes], head: str | None = None) -> Checked:
    """Look at a record, given as lines with their ends. `head`: the hash that its last entry must have.

    Without it, a record has to end with the drive's release, and one that was written anew as a whole is
    not noticed.
    """
    before, problems, at, hashes = _Seen(), list[str](), 0, list[str]()
    for at, line in enumerate(lines, 1):
        entry, wrong = _entry_in(line)
        if entry is None:
            problems.append(f"line {at}: {wrong}")
            before.readable, before.number = False, before.number + 1
            continue
        problems += [f"line {at}: {wrong}" for wrong in _problems_of(entry, before)]
        before = _seen(entry)
        hashes.append(entry["sha256"])
    closed = before.readable and before.action == Action.RELEASED
    problems += _end(at, hashes, before, closed, head)
    last = hashes[-1] if hashes else ""
    return Checked(tuple(problems), at, last, before.load_id, closed)


def unharmed(line: bytes, number: int) -> bool:
    """Whether a line with its end is an entry of this number, and its content what its hash was made of."""
    entry, _ = _entry_in(line)
    return entry is not None and entry["number"] == number and hash_of(entry) == entry["sha256"]


def follows(lines: Iterable[bytes], load_id: str, head: CustodyHead) -> bool:
    """Whether these lines with their ends go on with the record of this load that has this head."""
    before = _Seen(head.entries, head.sha256, load_id)
    for line in lines:
        entry, _ = _entry_in(line)
        if entry is None or any(_problems_of(entry, before)):
            return False
        before = _seen(entry)
    return True


def _seen(entry: Mapping[str, Any]) -> _Seen:
    return _Seen(entry["number"], entry["sha256"], entry["load_id"], entry["station"], entry["action"])


def _entry_in(line: bytes) -> tuple[Mapping[str, Any] | None, str]:
    """The entry on a line, or why there is none."""
    if len(line) > LINE_BYTES_MAX:
        return None, f"is longer than {LINE_BYTES_MAX:,} bytes, which no entry is"
    if not line.endswith(b"\n"):
        return None, "does not end as a line does: something was cut off here, or put in"
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None, "is no entry: it was altered, or is no line of such a record"
    if not isinstance(entry, dict) or not _has_all(entry):
        return None, "is no entry: something that every entry has is missing or is of another kind"
    try:
        written = canonical(entry) + b"\n"
    except (TypeError, RecursionError):
        return None, "was altered: an entry holds no such values"
    if written != line:
        return None, "was altered: it is not written as entries are"
    return entry, ""


def _has_all(entry: Mapping[str, Any]) -> bool:
    texts = all(isinstance(entry.get(name), str) for name in _TEXTS)
    number = type(entry.get("number")) is int
    hashes = texts and all(_DIGITS.fullmatch(entry[name]) for name in ("previous", "sha256"))
    return hashes and number and isinstance(entry.get("details"), dict)


def _problems_of(entry: Mapping[str, Any], before: _Seen) -> Iterator[str]:
    if hash_of(entry) != entry["sha256"]:
        yield "was altered: its content is not what its own hash was made of"
    number, expected = entry["number"], before.number + 1
    if number != expected:
        yield _out_of_order(number, expected)
    elif before.readable and entry["previous"] != before.sha256:
        yield "does not follow on the line before it: one of them was altered, put in, or exchanged"
    if (number == 1) != (entry.get("format") == FORMAT and isinstance(entry.get("drive"), dict)):
        yield f"is not as the first entry of a record is, or others are ({FORMAT})"
    for name, known in (("load_id", before.load_id), ("station", before.station)):
        if known and entry[name] != known:
            yield f"belongs to another record: its {name} is not that of the line before"


def _out_of_order(number: int, expected: int) -> str:
    if number > expected:
        missing = counted(number - expected, "entry", "entries")
        return f"is entry {number} where entry {expected} belongs: {missing} removed before it, or moved"
    return f"is entry {number} where entry {expected} belongs: it was put in, doubled or moved"


def _end(lines: int, hashes: list[str], last: _Seen, closed: bool, head: str | None) -> Iterator[str]:
    if not lines:
        yield "there is no entry at all"
    elif head is None:
        if not closed:
            yield (
                f"line {lines}: the record does not end with the drive's release: either it goes no further "
                "yet, or its end was cut off; only its head, given with --head, can tell"
            )
    elif not last.readable or last.sha256 != head:
        yield f"line {lines}: {_other_head(hashes, head)}"


def _other_head(hashes: list[str], head: str) -> str:
    if head in hashes[:-1]:
        number = hashes.index(head) + 1
        return (
            f"the record has the given head at its entry {number} and goes on behind it: "
            "it was added to, or the head is an earlier one of it"
        )
    return "the record does not end with the given head: its end was cut off, or it was written anew"
