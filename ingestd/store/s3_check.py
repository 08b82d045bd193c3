"""What stands in the way of an S3 store, for people who set up a station."""

from __future__ import annotations

import time
import uuid

from ingestd.ports import PortError, Problem, StoreRefused
from ingestd.store.s3_client import Request
from ingestd.store.s3_errors import clock_ahead_s
from ingestd.store.s3_keys import RESERVED
from ingestd.store.s3_listing import objects as listed
from ingestd.store.s3_notes import Notes
from ingestd.store.s3_objects import Objects
from ingestd.store.s3_upload import S3Upload

_CLOCK_OFF_S = 60.0
"""Requests are refused at 15 minutes; a clock that is off by one is wrong already."""


def problems(objects: Objects, notes: Notes) -> list[Problem]:
    """Everything that is wrong with the store now, found by trying it out."""
    where = f"store {objects.settings.name}"
    for step, act in _STEPS:
        try:
            act(objects, notes)
        except PortError as error:
            what, _, remedy = str(error).removeprefix(f"{objects.client}: ").partition("; ")
            return [Problem(where, f"{objects.client.url}: {step}: {what}", remedy or "look at the store")]
    return [*_notes_on_clock(objects, where), *_notes_on_abilities(objects, where)]


def _reach(objects: Objects, notes: Notes) -> None:
    del notes
    answer = objects.client.ask(Request(method="GET", query=[("list-type", "2"), ("max-keys", "1")]))
    ahead = clock_ahead_s(answer, time.time())
    if answer.status == 403 and ahead is not None and abs(ahead) > 15 * 60:
        raise StoreRefused(
            f"the station's clock is {abs(ahead):.0f} s {'behind' if ahead > 0 else 'ahead'}; set it by NTP"
        )
    if answer.status != 403:
        objects.client.judged(answer)


def _write(objects: Objects, notes: Notes) -> None:
    del notes
    objects.probe.abilities()


def _list(objects: Objects, notes: Notes) -> None:
    del notes
    next(iter(listed(objects.client, RESERVED.decode())), None)


def _abort(objects: Objects, notes: Notes) -> None:
    path = RESERVED + b"/scratch/" + uuid.uuid4().hex.encode()
    key = f"{objects.settings.prefix}/{path.decode()}".lstrip("/")
    S3Upload.begun(objects, notes, path, key).abort()


_STEPS = (
    ("it cannot be reached or does not let us in", _reach),
    ("objects cannot be written and removed", _write),
    ("objects cannot be listed", _list),
    ("uploads cannot be begun, listed and aborted", _abort),
)


def _notes_on_clock(objects: Objects, where: str) -> list[Problem]:
    answer = objects.client.ask(Request(method="HEAD"))
    ahead = clock_ahead_s(answer, time.time())
    if ahead is None or abs(ahead) < _CLOCK_OFF_S:
        return []
    text = f"the station's clock and the store's differ by {abs(ahead):.0f} s"
    return [Problem(where, text, "set the station's clock by NTP", fatal=False)]


def _notes_on_abilities(objects: Objects, where: str) -> list[Problem]:
    able = objects.probe.abilities()
    found = []
    if not (able.conditional_put and able.conditional_complete):
        text = "it cannot refuse to overwrite (If-None-Match), so the station looks before it puts"
        remedy = "let nobody else write below the prefixes of jobs"
        found.append(Problem(where, text, remedy, fatal=False))
    if not able.signed and not objects.client.url.startswith("https:"):
        text = "payload is unsigned on a line without TLS: what is sent could be altered on its way"
        found.append(Problem(where, text, 'use https, or payload = "signed"', fatal=False))
    return found
