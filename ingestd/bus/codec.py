"""Between bytes on the wire and the core's values: CloudEvents 1.0 in structured JSON.

Coming in, `decode` makes a notice of a message, or says everything that is wrong with it. Going out,
`encode` writes a published event; the same event gives the same bytes, so that a repeat is
recognisable as one.

Format: https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/formats/json-format.md
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, get_args
from urllib.parse import quote, unquote

from pydantic import BaseModel, ValidationError

from ingestd.bus.complaints import complaints
from ingestd.bus.envelope import DATA_TYPE, Envelope, attribute_flaws, identity_of, model_of, schema_urn
from ingestd.bus.fields import is_identifier
from ingestd.bus.shapes import read_back, written
from ingestd.bus.stamps import rfc3339, seconds
from ingestd.bus.strict import Flaw, NotJson, Place, is_unicode, read
from ingestd.bus.wire import NoticeData, OperatorData
from ingestd.core.job import ExpectedDrive, Item, Job
from ingestd.core.messages import Heard, Notice
from ingestd.core.outgoing import Outgoing, Publish
from ingestd.core.station_log import HEEDED

PROBLEMS_MAX = 100
"""So many problems are told of one notice, and how many more there are."""

SEQUENCE_DIGITS = 12

_SOURCE = "/stations/"


_M = TypeVar("_M", bound=BaseModel)


class Malformed(Exception):
    """A message that cannot be understood, with everything that is wrong with it, a sentence each."""

    def __init__(self, problems: Iterable[str], identity: str | None = None) -> None:
        self.problems = tuple(problems)
        self.identity = identity
        super().__init__("; ".join(self.problems))


@dataclass(frozen=True, slots=True)
class Decoded:
    """A message that was understood."""

    type: str
    identity: str
    """Source and id of the event: the same again is the same event again."""
    notice: Notice | None
    """None: it is meant for another station."""


# -- in -------------------------------------------------------------------------------------------


def decode(body: bytes, *, at: float, station: str, offset: int | None = None) -> Decoded:
    """The notice in a message that arrived `at`, from this place of a stream that all stations read. Raises
    Malformed, and nothing else, whatever the bytes.

    A message that an operator addressed to another station is that station's to judge: it counts as
    understood as soon as that much can be told.
    """
    document, flaws = _document(body)
    valid, more = _validated(document)
    if more:
        unreadable = {flaw.place for flaw in flaws}
        flaws += [flaw for flaw in more if flaw.place not in unreadable]
    identity = identity_of(document, flaws)
    if identity and _for_another_station(document, station):
        return Decoded(str(document["type"]), identity, None)
    if flaws or identity is None or valid is None:
        raise Malformed(_sentences(flaws), identity)
    return Decoded(str(document["type"]), identity, valid.event(at, offset))


def _document(body: bytes) -> tuple[Mapping[str, Any], list[Flaw]]:
    try:
        document, flaws = read(body)
    except NotJson as error:
        raise Malformed([f"notice: {error}"]) from None
    if not isinstance(document, dict):
        raise Malformed(["notice: must be a JSON object with the attributes of a CloudEvent"])
    return document, flaws


def _validated(document: Mapping[str, Any]) -> tuple[NoticeData | None, list[Flaw]]:
    """The data as its model, if it fits, and whatever does not fit in all of the message."""
    # An attribute that is null counts as left out: JSON event format, section 2.2.
    # A name that is not Unicode has been told of; before one the model would look at nothing else.
    attributes = {
        name: value
        for name, value in document.items()
        if value is not None and name != "data" and (name.isascii() or is_unicode(name))
    }
    _, flaws = _checked(Envelope, attributes, ())
    flaws += attribute_flaws(attributes)
    if "data" not in document:
        return None, [*flaws, Flaw(("data",), "is missing; add the content of the notice")]
    model, data = model_of(document), document["data"]
    if model is None:
        return None, flaws
    valid, data_flaws = _checked(model, data, ("data",))
    between = model.flaws(data) if isinstance(data, dict) else ()
    return valid, [*flaws, *data_flaws, *(Flaw(("data", *flaw.place), flaw.text) for flaw in between)]


def _checked(model: type[_M], value: object, below: Place) -> tuple[_M | None, list[Flaw]]:
    try:
        return model.model_validate(value), []
    except ValidationError as error:
        return None, list(complaints(error, model, below, PROBLEMS_MAX))


def _for_another_station(document: Mapping[str, Any], station: str) -> bool:
    model, data = model_of(document), document.get("data")
    if model is None or not issubclass(model, OperatorData) or not isinstance(data, dict):
        return False
    addressee = data.get("station")
    return isinstance(addressee, str) and is_identifier(addressee) and addressee != station


def _sentences(flaws: list[Flaw]) -> Iterator[str]:
    yield from map(str, flaws[:PROBLEMS_MAX])
    if len(flaws) > PROBLEMS_MAX:
        yield f"notice: has {len(flaws) - PROBLEMS_MAX:,} more problems; mend these first"


def encode_notice(type: str, data: Mapping[str, Any], *, id: str, source: str, time: float) -> bytes:
    """A notice as a message, for people to read and `decode` to judge: nothing is checked here."""
    attributes = {
        "specversion": "1.0",
        "id": id,
        "source": source,
        "type": type,
        "time": rfc3339(time),
        "datacontenttype": DATA_TYPE,
        "dataschema": schema_urn(type),
        "data": dict(data),
    }
    return _bytes(attributes, indent=2) + b"\n"


def job_to_data(job: Job) -> dict[str, Any]:
    """The data of the notice that announces this job: what `decode` makes the same job of."""
    data = {
        "job_id": job.job_id,
        "version": job.version,
        "tenant": job.tenant,
        "drives": [_drive_to_data(drive) for drive in job.drives],
        "items": [_item_to_data(item) for item in job.items],
        "destination": {"store": job.destination.store, "prefix": job.destination.prefix},
        "requirements": {change.requirement: change.policy.value for change in job.requirements},
        "priority": job.priority,
        "due_at": None if job.due_at is None else rfc3339(job.due_at),
        "proof": job.proof.value,
        "disposition": job.disposition.value,
        "carrier_reference": job.carrier_reference,
        "keep_on_failure": job.keep_on_failure,
    }
    return _given(data)


def _drive_to_data(drive: ExpectedDrive) -> dict[str, Any]:
    named = {name: getattr(drive, name) for name in ("serial", "wwn", "volume_label", "volume_uuid")}
    return _given(named | {"capacity_bytes": drive.size_bytes, "interface": drive.interface})


def _item_to_data(item: Item) -> dict[str, Any]:
    return _given(
        {"name": item.name, "kind": item.kind, "size_bytes": item.size_bytes, "sha256": item.sha256}
    )


def _given(data: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in data.items() if value is not None}


# -- what stations hear of each other -------------------------------------------------------------

_HEEDED: Mapping[str, type] = {cls.TYPE: cls for cls in get_args(Outgoing) if cls.TYPE in HEEDED}


def decode_heard(body: bytes, *, at: float) -> Heard | None:
    """A record of the log that stations share; None for a type that stations do not heed, such as one
    that a later version has made up. Raises Malformed for what no station can have written."""
    try:
        document = json.loads(body)
        cls = _HEEDED.get(document["type"])
        if cls is None:
            return None
        return Heard(
            at=at,
            station=_station_of(document["source"]),
            said_at=seconds(document["time"]),
            event_id=str(document["id"]),
            body=_read_tolerantly(cls, document["data"]),
        )
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise Malformed([f"record: {type(error).__name__}: {error}"]) from None


def _read_tolerantly(cls: type, data: Any) -> Any:
    """A later version may know findings that this one does not: they must not cost it the record."""
    try:
        return read_back(cls, data)
    except ValueError:
        if not isinstance(data, dict) or not data.get("findings"):
            raise
        return read_back(cls, data | {"findings": []})


def _station_of(source: str) -> str:
    before, name = source[: len(_SOURCE)], source[len(_SOURCE) :]
    if before != _SOURCE or not name:
        raise ValueError("its source is no station")
    return unquote(name)


# -- out ------------------------------------------------------------------------------------------


def encode(publish: Publish, *, station: str) -> bytes:
    """The event as it goes on the wire; the same event gives the same bytes.

    `sequence` is the extension https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/extensions/sequence.md
    without a `sequencetype`: it counts, and sorts as text, among the events of one subject.
    """
    type_ = publish.body.TYPE
    return _bytes(
        {
            "specversion": "1.0",
            "id": publish.event_id,
            "source": f"{_SOURCE}{quote(station, safe='')}",
            "type": type_,
            "subject": publish.subject,
            "time": rfc3339(publish.at),
            "datacontenttype": DATA_TYPE,
            "dataschema": schema_urn(type_),
            "sequence": f"{publish.number:0{SEQUENCE_DIGITS}}",
            "data": written(publish.body),
        }
    )


def _bytes(document: Mapping[str, Any], indent: int | None = None) -> bytes:
    text = json.dumps(
        document,
        ensure_ascii=False,
        allow_nan=False,
        indent=indent,
        separators=None if indent else (",", ":"),
    )
    # Half a surrogate pair, as a disk's own strings may hold, has no UTF-8; the event goes out all the same.
    return text.encode("utf-8", "replace")
