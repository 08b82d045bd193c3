"""Events going out, and the published schemas of everything: checked by libraries that are not ours."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, cast, get_args

import jsonschema
import pytest
from cloudevents.core.formats.json import JSONFormat
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from ingestd.bus import examples
from ingestd.bus.codec import encode
from ingestd.bus.schema import FOLDER, PRINTED, generate, render, types
from ingestd.bus.shapes import shape_of
from ingestd.bus.stamps import rfc3339
from ingestd.bus.wire import NOTICES
from ingestd.core.found import Evidence
from ingestd.core.model import JobId
from ingestd.core.outgoing import JobFailed, JobWithdrawalCompleted, Outgoing, Publish
from tests.support.wire_strategies import published

EVENTS: tuple[type[Outgoing], ...] = get_args(Outgoing)
SCHEMAS = generate()
VALIDATORS = {name: jsonschema.Draft202012Validator(schema) for name, schema in SCHEMAS.items()}
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

# What `cloudevents.json` of CloudEvents 1.0.2 asks of an event in the JSON format, and what the text
# of the specification asks beyond it, in our own words:
# https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/formats/cloudevents.json
# https://github.com/cloudevents/spec/blob/v1.0.2/cloudevents/spec.md (naming conventions, type system)
ENVELOPE = jsonschema.Draft202012Validator(
    {
        "type": "object",
        "required": ["id", "source", "specversion", "type"],
        "properties": {
            "id": {"type": "string", "minLength": 1},
            "source": {"type": "string", "minLength": 1, "pattern": r"^[^\s]+$"},
            "specversion": {"const": "1.0"},
            "type": {"type": "string", "minLength": 1},
            "datacontenttype": {"type": "string", "minLength": 1},
            "dataschema": {"type": "string", "minLength": 1, "pattern": "^[a-z]+:"},
            "subject": {"type": "string", "minLength": 1},
            "time": {
                "type": "string",
                "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$",
            },
            "data": True,
            "data_base64": False,
        },
        "propertyNames": {"pattern": "^[a-z0-9]{1,20}$"},
        "additionalProperties": {"type": ["boolean", "integer", "string"]},
    }
)


def example(cls: type[Outgoing]) -> Publish:
    (body,) = (event for event in examples.EVENTS if isinstance(event, cls))
    return Publish(subject="quay-03-000214", number=7, at=1_936_772_400.25, body=body)


def sent(publish: Publish) -> dict[str, Any]:
    return cast(dict[str, Any], json.loads(encode(publish, station="quay-03")))


# -- events ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("cls", EVENTS)
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_every_event_fits_its_schema_and_the_specification(cls: type[Outgoing], data: st.DataObject) -> None:
    publish = data.draw(published(cls))
    event = sent(publish)
    ENVELOPE.validate(event)
    VALIDATORS[cls.TYPE].validate(event["data"])


@pytest.mark.parametrize("cls", EVENTS)
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_another_library_reads_what_was_meant(cls: type[Outgoing], data: st.DataObject) -> None:
    publish = data.draw(published(cls))
    event = JSONFormat().read(None, encode(publish, station="quay-03"))
    assert event.get_id() == publish.event_id
    assert event.get_source() == "/stations/quay-03"
    assert event.get_type() == publish.body.TYPE
    assert event.get_subject() == publish.subject
    assert event.get_time() == EPOCH + timedelta(seconds=publish.at)
    assert event.get_datacontenttype() == "application/json"
    assert event.get_dataschema() == f"urn:ingestd:schema:{publish.body.TYPE}:1"
    assert int(event.get_extension("sequence")) == publish.number
    assert event.get_data() == as_another_library_writes(publish.body)


def as_another_library_writes(body: Outgoing) -> object:
    """The body as pydantic dumps the dataclass, then our two forms for readers applied to that."""
    return _for_readers(TypeAdapter(type(body)).dump_python(body, mode="json"))


def _for_readers(value: Any, name: str = "") -> Any:
    if name == "evidence":
        return {entry["name"]: entry["value"] for entry in value}
    if isinstance(value, dict):
        return {key: _for_readers(inner, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [_for_readers(inner) for inner in value]
    return rfc3339(value) if name.endswith("_at") and value is not None else value


@pytest.mark.parametrize("cls", EVENTS)
def test_the_same_event_is_the_same_bytes(cls: type[Outgoing]) -> None:
    one, other = example(cls), example(cls)
    assert encode(one, station="quay-03") == encode(other, station="quay-03")
    later = replace(one, number=8)
    assert encode(later, station="quay-03") != encode(one, station="quay-03")


def test_an_event_reads_like_this() -> None:
    body = JobWithdrawalCompleted(job_id=JobId("tidewrack-2031-0117"), taken_back=True, text="Removed – all.")
    publish = Publish(subject="tidewrack-2031-0117", number=3, at=1_936_772_400.0, body=body)
    assert encode(publish, station="quay-03").decode() == (
        '{"specversion":"1.0","id":"' + publish.event_id + '","source":"/stations/quay-03",'
        '"type":"ingest.job.withdrawal-completed","subject":"tidewrack-2031-0117",'
        '"time":"2031-05-17T08:20:00.000000Z","datacontenttype":"application/json",'
        '"dataschema":"urn:ingestd:schema:ingest.job.withdrawal-completed:1","sequence":"000000000003",'
        '"data":{"job_id":"tidewrack-2031-0117","taken_back":true,"text":"Removed – all."}}'
    )


@given(st.integers(0, 10**11), st.integers(0, 10**11))
def test_sequences_sort_as_the_numbers_do(one: int, other: int) -> None:
    def text(number: int) -> str:
        return str(sent(replace(example(JobFailed), number=number))["sequence"])

    assert (text(one) < text(other)) == (one < other)


def test_evidence_that_bears_a_name_twice_is_all_there() -> None:
    publish = example(JobFailed)
    assert isinstance(publish.body, JobFailed)
    twice = (Evidence(name="near", value="a"), Evidence(name="near", value="b"), Evidence(name="n", value=1))
    finding = replace(publish.body.findings[0], evidence=twice)
    event = sent(replace(publish, body=replace(publish.body, findings=(finding,))))
    evidence = event["data"]["findings"][0]["evidence"]
    assert sorted(map(str, evidence.values())) == ["1", "a", "b"]


def test_half_a_surrogate_pair_does_not_stop_an_event() -> None:
    publish = example(JobFailed)
    assert isinstance(publish.body, JobFailed)
    event = sent(replace(publish, body=replace(publish.body, text="serial \udcff")))
    assert event["data"]["text"] == "serial ?"


def test_a_type_without_a_wire_form_is_a_bug() -> None:
    with pytest.raises(TypeError, match="no wire form"):
        shape_of(bytes)


# -- schemas --------------------------------------------------------------------------------------


def test_the_schema_files_are_what_the_code_generates() -> None:
    assert set(os.listdir(FOLDER)) == {f"{name}.json" for name in SCHEMAS}
    for name, schema in SCHEMAS.items():
        with open(os.path.join(FOLDER, f"{name}.json"), "rb") as file:
            assert file.read() == render(schema), "run: python -m ingestd.bus.schema"


def test_every_type_of_message_has_a_schema() -> None:
    assert set(SCHEMAS) == set(NOTICES) | {cls.TYPE for cls in EVENTS} | set(PRINTED)
    assert not set(PRINTED) & set(types()), "what is printed is no message"


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_is_sound_and_its_example_fits(name: str) -> None:
    schema = SCHEMAS[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"] == f"urn:ingestd:schema:{name}:1"
    assert schema["description"]
    (worked,) = schema["examples"]
    VALIDATORS[name].validate(json.loads(json.dumps(worked)))


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_refuses_what_it_does_not_know(name: str) -> None:
    worked = json.loads(json.dumps(SCHEMAS[name]["examples"][0]))
    assert not VALIDATORS[name].is_valid(worked | {"colour": "kelp"})
    for field in SCHEMAS[name].get("required", ()):
        lacking = {key: value for key, value in worked.items() if key != field}
        assert not VALIDATORS[name].is_valid(lacking), field


@pytest.mark.parametrize("name", SCHEMAS)
def test_every_object_in_a_schema_is_closed_and_every_name_plain(name: str) -> None:
    for part in _parts(SCHEMAS[name]):
        if "properties" in part and "type" in part:
            assert part["additionalProperties"] is False
            assert all(re.fullmatch("[a-z][a-z0-9_]*", field) for field in part["properties"])


def _parts(schema: object) -> Iterator[dict[str, Any]]:
    if isinstance(schema, dict):
        yield schema
        for key, inner in schema.items():
            if key != "examples":
                yield from _parts(inner)
    elif isinstance(schema, list):
        for inner in schema:
            yield from _parts(inner)


def test_notes_of_the_code_reach_the_schema() -> None:
    finding = SCHEMAS["ingest.job.failed"]["$defs"]["Finding"]
    assert finding["description"].startswith("One fact that breaks or bends a requirement")
    assert "two observations agree" in finding["properties"]["subject"]["description"]
    job = SCHEMAS["ingest.job.announced"]
    assert job["properties"]["job_id"]["description"] == "The order system's name for the job."
