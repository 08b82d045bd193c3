"""The published JSON Schemas (draft 2020-12) of the data of every message, generated from the code.

`python -m ingestd.bus.schema` rewrites the files. Each is named by the `dataschema` attribute of the
messages it describes.
"""

from __future__ import annotations

import json
import os
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema

from ingestd.bus import examples
from ingestd.bus.envelope import schema_urn
from ingestd.bus.shapes import Definitions, Schema, object_schema, written
from ingestd.bus.wire import NOTICES
from ingestd.core.inspected import InspectionReport
from ingestd.core.outgoing import Outgoing

FOLDER = os.path.join(os.path.dirname(os.path.abspath(__file__)), "schemas")

DIALECT = "https://json-schema.org/draft/2020-12/schema"

EVENTS: dict[str, type] = {cls.TYPE: cls for cls in get_args(Outgoing)}
"""Every type of event that a station sends."""

PRINTED: dict[str, type] = {InspectionReport.TYPE: InspectionReport}
"""What commands print as JSON and programs may read: no messages, but described like them."""


class _Untitled(GenerateJsonSchema):
    """Without the titles that repeat the names of fields."""

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002 - the same for every field
        return False


def generate() -> dict[str, Schema]:
    """The schema of each type of message, and of what commands print, by the type's name."""
    incoming = {name: _incoming(name, model) for name, model in NOTICES.items()}
    outgoing = {name: _outgoing(name, cls) for name, cls in EVENTS.items()}
    printed = {name: _outgoing(name, cls) for name, cls in PRINTED.items()}
    return incoming | outgoing | printed


def _incoming(name: str, model: type[BaseModel]) -> Schema:
    schema = model.model_json_schema(schema_generator=_Untitled)
    for part in (schema, *schema.get("$defs", {}).values()):
        part.pop("title", None)
    return _headed(name, schema) | {"examples": [examples.NOTICES[name]]}


def _outgoing(name: str, cls: type) -> Schema:
    definitions: Definitions = {}
    schema = object_schema(cls, definitions)
    if definitions:
        schema["$defs"] = dict(sorted(definitions.items()))
    return _headed(name, schema) | {
        "examples": [written(each) for each in (*examples.EVENTS, *examples.PRINTED) if isinstance(each, cls)]
    }


def _headed(name: str, schema: Schema) -> Schema:
    return {"$schema": DIALECT, "$id": schema_urn(name), "title": name, **schema}


def render(schema: Schema) -> bytes:
    """The schema as its file has it."""
    return json.dumps(schema, indent=2, ensure_ascii=False).encode() + b"\n"


def types() -> dict[str, str]:
    """Every type of message, and whether a station takes it ("in") or says it ("out")."""
    return dict.fromkeys(NOTICES, "in") | dict.fromkeys(EVENTS, "out")


def shipped(name: str) -> str:
    """The schema of one type as it is shipped. Raises OSError for a type that there is not."""
    with open(os.path.join(FOLDER, f"{name}.json"), encoding="utf-8") as file:
        return file.read()


def main() -> None:
    """Rewrite the files; one whose type is gone goes too."""
    schemas = generate()
    os.makedirs(FOLDER, exist_ok=True)
    for name, schema in schemas.items():
        with open(os.path.join(FOLDER, f"{name}.json"), "wb") as file:
            file.write(render(schema))
    for name in os.listdir(FOLDER):
        if name.endswith(".json") and name.removesuffix(".json") not in schemas:
            os.unlink(os.path.join(FOLDER, name))


if __name__ == "__main__":
    main()
