"""The description of all messages: in step with the code, sound by the published schema of AsyncAPI."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from referencing import Registry
from referencing.jsonschema import DRAFT7

from ingestd.bus import codec, schema
from ingestd.runtime import cli
from tests.support import asyncapi

PUBLISHED = Path(asyncapi.__file__).parent / "published" / "asyncapi-3.0.0.json.gz"


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    read: dict[str, Any] = yaml.safe_load(asyncapi.PATH.read_text())
    return read


def test_the_shipped_description_is_what_the_code_says_now() -> None:
    assert asyncapi.PATH.read_text() == asyncapi.render(), "run python -m tests.support.asyncapi"


def test_it_is_valid_by_the_published_schema(document: dict[str, Any]) -> None:
    """JSON Schema of AsyncAPI 3.0.0, as `tests/support/published/README.md` says where it is from."""
    published = json.loads(gzip.decompress(PUBLISHED.read_bytes()))
    registry = Registry().with_resources(
        (name, DRAFT7.create_resource(part)) for name, part in published["definitions"].items()
    )
    validator = jsonschema.Draft7Validator(published, registry=registry)
    assert [error.message for error in validator.iter_errors(document)] == []
    document_without = {key: value for key, value in document.items() if key != "info"}
    assert list(validator.iter_errors(document_without)), "the validator does find what is missing"
    broken = json.loads(json.dumps(document))
    broken["channels"]["events"]["bindings"]["amqp"]["is"] = "pigeonhole"
    assert list(validator.iter_errors(broken)), "it looks into the bindings as well"


def test_every_message_is_there_with_an_example_that_fits(document: dict[str, Any]) -> None:
    messages = document["components"]["messages"]
    assert set(messages) == set(schema.types())
    for name, message in messages.items():
        described = message["payload"]["schema"]
        jsonschema.Draft202012Validator.check_schema(described)
        (example,) = message["examples"]
        jsonschema.validate(example["payload"], described, cls=jsonschema.Draft202012Validator)
        assert example["payload"]["type"] == name


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    for channel in document["channels"].values():
        for name, reference in channel["messages"].items():
            assert reference == {"$ref": f"#/components/messages/{name}"}
            assert name in document["components"]["messages"]
    for operation in document["operations"].values():
        assert operation["channel"]["$ref"].removeprefix("#/channels/") in document["channels"]


def test_the_examples_of_notices_are_taken(document: dict[str, Any]) -> None:
    for name in document["channels"]["notices"]["messages"]:
        payload = document["components"]["messages"][name]["examples"][0]["payload"]
        assert codec.decode(json.dumps(payload).encode(), at=0.0, station="quay-03").notice is not None


# -- ingestd schema --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", schema.types())
def test_the_schema_of_each_type_can_be_printed(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["schema", name]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == schema.generate()[name]


def test_without_a_type_all_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["schema"]) == 0
    lines = dict(line.split() for line in capsys.readouterr().out.splitlines())
    assert lines == schema.types() | dict.fromkeys(schema.PRINTED, "printed")
    assert (lines["ingest.job.announced"], lines["ingest.job.loaded"]) == ("in", "out")


def test_a_type_that_there_is_not_comes_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["schema", "ingest.job.anounced"]) == 2
    assert "ingest.job.anounced is not a type of message; did you mean ingest.job.announced?" in (
        capsys.readouterr().err
    )
    assert cli.main(["schema", "../../../etc/passwd"]) == 2
