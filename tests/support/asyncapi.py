"""`deploy/asyncapi.yaml`, made from the message models and from what the broker is given.

`python -m tests.support.asyncapi` rewrites it. Format: https://www.asyncapi.com/docs/reference/specification/v3.0.0
with the AMQP bindings of https://github.com/asyncapi/bindings/tree/master/amqp (0.3.0).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import yaml

import ingestd
from ingestd.bus import codec, examples, schema
from ingestd.bus.envelope import CONTENT_TYPE, DATA_TYPE, schema_urn
from ingestd.core.outgoing import Publish

DEPLOY = Path(__file__).parents[2] / "deploy"
PATH = DEPLOY / "asyncapi.yaml"

_BINDING = "0.3.0"
_DIALECT = "application/schema+json;version=draft-2020-12"

_AT = 1_936_772_400.25
"""The morning on which the examples play."""

_HEAD = """\
# Made by `python -m tests.support.asyncapi` from the code; a test compares. Every message that goes
# between order systems, stations and those who listen, with an example of each.
"""


def document() -> dict[str, Any]:
    """The whole description."""
    made = json.loads((DEPLOY / "rabbitmq" / "definitions.json").read_text())
    messages = {name: _message(name) for name in schema.types()}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "ingestd",
            "version": ingestd.__version__,
            "description": "Messages between order systems and the ingest stations of a data centre.",
            "license": {"name": "Apache 2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
        },
        "defaultContentType": CONTENT_TYPE,
        "servers": {
            "broker": {
                "host": "rabbit-1.harrow-quay.example:5671",
                "protocol": "amqps",
                "protocolVersion": "0-9-1",
                "description": "Any broker of the cluster.",
            }
        },
        "channels": _channels(made),
        "operations": {
            "takeNotices": _operation(
                "receive", "notices", "Every station reads every notice, from a stream."
            ),
            "sayEvents": _operation("send", "events", "Persistent, mandatory, confirmed; at least once."),
            "hearStations": _operation("receive", "claims", "What other stations do with the same jobs."),
            "setAside": _operation("send", "refused", "Copies of what could not be understood."),
        },
        "components": {"messages": messages},
    }


def render() -> str:
    text: str = yaml.safe_dump(document(), sort_keys=False, allow_unicode=True, width=110)
    return _HEAD + text


def _operation(action: str, channel: str, summary: str) -> dict[str, Any]:
    return {"action": action, "channel": {"$ref": f"#/channels/{channel}"}, "summary": summary}


def _channels(made: dict[str, Any]) -> dict[str, Any]:
    kinds = {exchange["name"]: exchange["type"] for exchange in made["exchanges"]}
    types = schema.types()
    notices = [name for name, way in types.items() if way == "in"]
    events = [name for name, way in types.items() if way == "out"]
    channels = {
        "notices": _exchange("ingest.notices", kinds, notices, "Notices for all stations; kept in a stream."),
        "events": _exchange("ingest.events", kinds, events, "Events; the routing key is the type."),
        "refused": _exchange(
            "ingest.refused", kinds, [], "Copies of messages as they came; reasons in headers."
        ),
    }
    for name, text in _QUEUES.items():
        bound = {b["routing_key"] for b in made["bindings"] if b["destination"] == f"ingest.{name}"}
        heard = events if bound == {"#"} else sorted(bound)
        channels[name] = _queue(f"ingest.{name}", heard, text)
    return channels


_QUEUES = {
    "claims": "The stream of what stations need of each other.",
    "audit": "The stream of every event.",
    "voids": "Failures of jobs, each of which voids one; a quorum queue.",
    "alerts": "What wants a person; a quorum queue.",
}


def _exchange(name: str, kinds: dict[str, str], messages: list[str], text: str) -> dict[str, Any]:
    exchange = {"name": name, "type": kinds[name], "durable": True, "autoDelete": False, "vhost": "/"}
    return _channel(name, messages, text, {"is": "routingKey", "exchange": exchange})


def _queue(name: str, messages: list[str], text: str) -> dict[str, Any]:
    queue = {"name": name, "durable": True, "exclusive": False, "autoDelete": False, "vhost": "/"}
    return _channel(name, messages, text, {"is": "queue", "queue": queue})


def _channel(name: str, messages: list[str], text: str, binding: dict[str, Any]) -> dict[str, Any]:
    return {
        "address": name,
        "description": text,
        "messages": {each: {"$ref": f"#/components/messages/{each}"} for each in messages},
        "bindings": {"amqp": {**binding, "bindingVersion": _BINDING}},
    }


def _message(name: str) -> dict[str, Any]:
    described = json.loads(schema.shipped(name))
    data = {key: value for key, value in described.items() if key not in ("$schema", "examples")}
    return {
        "name": name,
        "title": name,
        "contentType": CONTENT_TYPE,
        "payload": {"schemaFormat": _DIALECT, "schema": _envelope(name, data)},
        "bindings": {"amqp": {"messageType": name, "bindingVersion": _BINDING}},
        "examples": [{"name": "one", "payload": example(name)}],
    }


def _envelope(name: str, data: dict[str, Any]) -> dict[str, Any]:
    """A CloudEvent in structured JSON, around the data."""
    text = {"type": "string", "minLength": 1}
    return {
        "$schema": schema.DIALECT,
        "type": "object",
        "required": ["specversion", "id", "source", "type", "data"],
        "properties": {
            "specversion": {"const": "1.0"},
            "id": text,
            "source": {**text, "format": "uri-reference"},
            "type": {"const": name},
            "subject": text,
            "time": {"type": "string", "format": "date-time"},
            "datacontenttype": {"const": DATA_TYPE},
            "dataschema": {"const": schema_urn(name)},
            "sequence": text,
            "data": data,
        },
    }


def example(name: str) -> dict[str, Any]:
    """A whole message, as it goes over the wire."""
    cls = schema.EVENTS.get(name)
    if cls is None:
        body = (DEPLOY / "examples" / "notices" / f"{name}.json").read_bytes()
    else:
        said = next(event for event in examples.EVENTS if isinstance(event, cls))
        body = codec.encode(Publish(subject="quay-03", number=1, at=_AT, body=said), station="quay-03")
    whole: dict[str, Any] = json.loads(body)
    return whole


if __name__ == "__main__":
    PATH.write_text(render())
