"""What stations hear of each other: `encode` wrote it, and perhaps a station of another version did."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from pathlib import Path

import pytest

import ingestd
from ingestd.bus.codec import Malformed, decode_heard, encode
from ingestd.bus.examples import EVENTS
from ingestd.core.outgoing import LoadFinished, Publish
from ingestd.core.station_log import HEEDED

DEFINITIONS = Path(ingestd.__file__).parents[1] / "deploy" / "rabbitmq" / "definitions.json"


def test_the_log_carries_what_stations_heed_and_nothing_else() -> None:
    bindings = json.loads(DEFINITIONS.read_text())["bindings"]
    keys = [b["routing_key"] for b in bindings if b["destination"] == "ingest.claims"]
    assert sorted(keys) == list(HEEDED)


def test_what_a_station_says_is_heard_as_it_was_meant() -> None:
    for body in EVENTS:
        message = Publish(subject="quay-05.bay-1", number=7, at=1_936_772_400.25, body=body)
        heard = decode_heard(encode(message, station="quay-05"), at=5.0)
        if body.TYPE not in HEEDED:
            assert heard is None
            continue
        assert heard is not None
        assert (heard.station, heard.said_at) == ("quay-05", message.at)
        # Times are told to the microsecond.
        assert encode(replace(message, body=heard.body), station="quay-05") == encode(
            message, station="quay-05"
        )
        assert heard.event_id == message.event_id


def test_a_finding_of_a_later_version_does_not_cost_the_record() -> None:
    (said,) = [event for event in EVENTS if isinstance(event, LoadFinished)]
    document = json.loads(encode(Publish(subject="x", number=1, at=1.0, body=said), station="quay-05"))
    document["data"]["findings"] = [{"code": "made-up-later", "severity": "noted"}]
    document["data"]["made_up_later"] = True
    heard = decode_heard(json.dumps(document).encode(), at=5.0)
    assert heard is not None
    assert isinstance(heard.body, LoadFinished)
    assert (heard.body.findings, heard.body.outcome) == ((), said.outcome)


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"null", b'{"type": "ingest.load.finished"}', b'{"type": 5}', b"\xff"]
)
def test_what_no_station_can_have_said_is_malformed_or_nothing(body: bytes) -> None:
    with contextlib.suppress(Malformed):
        assert decode_heard(body, at=5.0) is None
