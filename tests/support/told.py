"""What must hold for everything that a station says, whatever it has been through."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

import ingestd.bus

Event = Mapping[str, Any]

_SCHEMAS = Path(ingestd.bus.__file__).parent / "schemas"
_BYTES = ("stored_bytes", "skipped_bytes", "failed_bytes", "pending_bytes")
_FILES = ("stored_files", "skipped_files", "failed_files", "pending_files")


def complaints(events: Sequence[Event], pictures: Sequence[Mapping[str, Any]] = ()) -> list[str]:
    """Everything that is wrong with the events of one station, in the order of their publication, and
    with the status pictures that were seen of it."""
    return [*_of_form(events), *_of_order(events), *_of_ledgers(events, pictures)]


def _of_form(events: Sequence[Event]) -> Iterator[str]:
    for event in events:
        for error in _validator(event["type"]).iter_errors(event["data"]):
            yield f"{event['type']} {event['id']}: {error.json_path}: {error.message}"


@cache
def _validator(kind: str) -> Draft202012Validator:
    schema = json.loads((_SCHEMAS / f"{kind}.json").read_text())
    return Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)


def _of_order(events: Sequence[Event]) -> Iterator[str]:
    ids = [event["id"] for event in events]
    if len(set(ids)) != len(ids):
        yield "an event id was given twice"
    last: dict[str, int] = {}
    seen: set[tuple[str, int, str]] = set()
    for event in events:
        subject, number, kind = event["subject"], int(event["sequence"]), event["type"]
        if number < last.get(subject, 0) or (subject, number, kind) in seen:
            yield f"{kind} of {subject} has number {number} after {last[subject]}"
        if event["data"].get("load_id") == subject and number != last.get(subject, 0) + 1:
            yield f"{kind} of {subject} has number {number}: there is a gap before it, or it is another's"
        last[subject] = number
        # What stations say together about a job goes by its place in the log: a word and the answer to it
        # have the same.
        seen.add((subject, number, kind))


def _of_ledgers(events: Sequence[Event], pictures: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for event in events:
        if not balanced(event["data"].get("ledger")):
            yield f"{event['type']} {event['id']}: the ledger does not balance"
    for picture in pictures:
        for load in picture["loads"]:
            if not balanced(load["ledger"]):
                yield f"status at {picture['at']}: the ledger of {load['drive']} does not balance"


def balanced(ledger: Mapping[str, int] | None) -> bool:
    """Whether discovered = stored + skipped + failed + pending, in bytes and in files."""
    if ledger is None:
        return True
    in_bytes = sum(ledger[name] for name in _BYTES) == ledger["discovered_bytes"]
    return in_bytes and sum(ledger[name] for name in _FILES) == ledger["discovered_files"]
