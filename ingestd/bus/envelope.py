"""The context attributes around a notice: CloudEvents 1.0 in its JSON event format.

https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/spec.md
https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/formats/json-format.md
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict

from ingestd.bus.fields import Attribute, JsonType, Stamp, Uri, UriReference
from ingestd.bus.strict import Flaw, shown
from ingestd.bus.wire import NOTICES, NoticeData, nearest

CONTENT_TYPE = "application/cloudevents+json"
"""Of a whole message."""

DATA_TYPE = "application/json"
"""Of the data in it."""

_SCHEMA_URN = "urn:ingestd:schema:"
_ATTRIBUTE_NAME = re.compile(r"[a-z0-9]+")


def schema_urn(type_: str) -> str:
    """Names the schema of the data of one type of message."""
    return f"{_SCHEMA_URN}{type_}:1"


def _known_type(name: str) -> str:
    if name not in NOTICES:
        raise ValueError(
            f"“{shown(name)}” is not a notice that a station takes; {nearest(name, tuple(NOTICES))}"
        )
    return name


class Envelope(BaseModel):
    """The context attributes; `model_extra` holds the extension attributes."""

    model_config = ConfigDict(strict=True, extra="allow", frozen=True, use_attribute_docstrings=True)

    specversion: Literal["1.0"]
    """The version of CloudEvents, "1.0"."""
    id: Attribute
    """Unique among the events of this source."""
    source: UriReference
    """Who sends it, as a URI reference."""
    type: Annotated[str, AfterValidator(_known_type)]
    """What kind of notice it is."""
    subject: Attribute | None = None
    time: Stamp | None = None
    datacontenttype: JsonType | None = None
    dataschema: Uri | None = None


_KNOWN = tuple(Envelope.model_fields)


def model_of(document: Mapping[str, Any]) -> type[NoticeData] | None:
    """The model of the message's data, when its type is one that we take."""
    type_ = document.get("type")
    return NOTICES.get(type_) if isinstance(type_, str) else None


def attribute_flaws(attributes: Mapping[str, Any]) -> Iterator[Flaw]:
    """What is wrong with extension attributes, and with naming a schema that is not the one we know."""
    for name, value in attributes.items():
        if name in _KNOWN:
            continue
        if name == "data_base64":
            yield Flaw((name,), "is not read; put the content into data, as JSON")
        elif not _ATTRIBUTE_NAME.fullmatch(name):
            yield Flaw(
                (name,), f"attributes have lower-case letters and digits only; {nearest(name, _KNOWN)}"
            )
        elif not isinstance(value, str | int):
            yield Flaw((name,), "must be text, a whole number, true or false, as all attributes")
    if model_of(attributes):
        yield from _schema_flaws(str(attributes["type"]), attributes.get("dataschema"))


def _schema_flaws(type_: str, schema: object) -> Iterator[Flaw]:
    # Somebody else's schema is their affair; another version of ours would be read wrongly.
    if isinstance(schema, str) and schema.startswith(_SCHEMA_URN) and schema != schema_urn(type_):
        yield Flaw(("dataschema",), f"must be {schema_urn(type_)}, or left out")


def identity_of(document: Mapping[str, Any], flaws: Iterable[Flaw]) -> str | None:
    """Source and id, by which a repeat of the event is known; None when one of them is at fault."""
    if any(flaw.place in (("id",), ("source",)) for flaw in flaws):
        return None
    return f"{document['source']} {document['id']}"
