"""How a frozen dataclass of the core goes on the wire and comes back, and the JSON Schema of it, from one
walk.

Field names stay. An enum is its value, a tuple a list, None null. Two forms are made for readers:
a field whose name ends in `_at` is an RFC 3339 time, and a tuple of `Evidence` is an object from
name to value.

What comes back was written by a station, perhaps of another version: fields that are not known are
passed over, and ones that are missing get their default where they have one.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, NewType, TypeVar, Union, get_args, get_origin, get_type_hints

from ingestd.bus.stamps import PATTERN_WRITTEN, rfc3339, seconds
from ingestd.core.found import Evidence

_T = TypeVar("_T")

Schema = dict[str, Any]
Definitions = dict[str, Schema]


@dataclass(frozen=True, slots=True)
class Shape:
    """The wire form of one Python type."""

    write: Callable[[Any], object]
    """The value as plain JSON types."""
    describe: Callable[[Definitions], Schema]
    """Its schema; what it refers to is put into the definitions."""
    read: Callable[[Any], Any]
    """The value again. Raises ValueError for what `write` cannot have written."""


def _as_is(value: object) -> object:
    return value


def _only(*kinds: type) -> Callable[[Any], Any]:
    def read(value: object) -> object:
        # To Python a bool is an int; to JSON it is not.
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            raise ValueError(f"{type(value).__name__} where {kinds[0].__name__} is meant")
        return value

    return read


def _plain(schema: Schema, read: Callable[[Any], Any], write: Callable[[Any], object] = _as_is) -> Shape:
    return Shape(write, lambda _: dict(schema), read)


_TEXT = _only(str)

_PLAIN: Mapping[Any, Shape] = {
    str: _plain({"type": "string"}, _TEXT),
    bool: _plain({"type": "boolean"}, _only(bool)),
    int: _plain({"type": "integer"}, _only(int)),
    float: _plain({"type": "number"}, _only(float, int)),
    NoneType: _plain({"type": "null"}, _only(NoneType)),
}

_STAMP = _plain(
    {"type": "string", "format": "date-time", "pattern": PATTERN_WRITTEN},
    lambda value: seconds(_TEXT(value)),
    rfc3339,
)


def _write_evidence(evidence: tuple[Evidence, ...]) -> dict[str, object]:
    out: dict[str, object] = {}
    for entry in evidence:
        # A name that comes twice must not hide the first value.
        name = entry.name if entry.name not in out else f"{entry.name} ({len(out) + 1})"
        out[name] = list(entry.value) if isinstance(entry.value, tuple) else entry.value
    return out


def _read_evidence(value: object) -> tuple[Evidence, ...]:
    if not isinstance(value, dict):
        raise ValueError("evidence is an object")
    return tuple(Evidence(name=name, value=_evidence_value(entry)) for name, entry in value.items())


def _evidence_value(value: object) -> str | int | tuple[str, ...]:
    if isinstance(value, list):
        return tuple(_TEXT(entry) for entry in value)
    if isinstance(value, str | int) and not isinstance(value, bool):
        return value
    raise ValueError("evidence is text, a number or a list of texts")


_EVIDENCE = _plain(
    {
        "type": "object",
        "description": "What was seen, by name.",
        "additionalProperties": {
            "anyOf": [
                {"type": "string"},
                {"type": "integer"},
                {"type": "array", "items": {"type": "string"}},
            ]
        },
    },
    _read_evidence,
    _write_evidence,
)


def written(value: object) -> object:
    """The value as plain JSON types. Raises TypeError for one that has no wire form."""
    cls: type = type(value)
    return shape_of(cls).write(value)


def read_back(cls: type[_T], value: object) -> _T:
    """The dataclass that `written` has written. Raises ValueError for anything else."""
    hint: Any = cls
    found = shape_of(hint).read(value)
    assert isinstance(found, cls), "a shape reads its own type"
    return found


@cache
def shape_of(hint: Any) -> Shape:
    """The wire form of a type. Raises TypeError for one that has none."""
    if isinstance(hint, NewType):
        return shape_of(hint.__supertype__)
    if hint in _PLAIN:
        return _PLAIN[hint]
    if hint == tuple[Evidence, ...]:
        return _EVIDENCE
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _enum(hint)
    if is_dataclass(hint) and isinstance(hint, type):
        return _object(hint)
    if get_origin(hint) is tuple and get_args(hint)[1:] == (...,):
        return _list(shape_of(get_args(hint)[0]))
    if get_origin(hint) in (Union, UnionType) and NoneType in get_args(hint):
        return _optional(hint)
    raise TypeError(f"no wire form for {hint}")


def _enum(cls: type[Enum]) -> Shape:
    schema = {"type": "string", "enum": [member.value for member in cls], **_note(cls)}
    return Shape(lambda member: member.value, _defined(cls.__name__, lambda _: schema), cls)


_LIST = _only(list)


def _list(entry: Shape) -> Shape:
    return Shape(
        lambda values: [entry.write(value) for value in values],
        lambda definitions: {"type": "array", "items": entry.describe(definitions)},
        lambda values: tuple(entry.read(value) for value in _LIST(values)),
    )


def _optional(hint: Any) -> Shape:
    (inner,) = (arg for arg in get_args(hint) if arg is not NoneType)
    return _or_null(shape_of(inner))


def _or_null(shape: Shape) -> Shape:
    return Shape(
        lambda value: None if value is None else shape.write(value),
        lambda definitions: {"anyOf": [shape.describe(definitions), {"type": "null"}]},
        lambda value: None if value is None else shape.read(value),
    )


def _object(cls: type) -> Shape:
    members = _members(cls)
    return Shape(
        lambda value: {name: shape.write(getattr(value, name)) for name, shape in members.items()},
        _defined(cls.__name__, lambda definitions: object_schema(cls, definitions)),
        lambda value: _read_object(cls, members, value),
    )


def _read_object(cls: type, members: Mapping[str, Shape], value: object) -> object:
    given: dict[str, Any] = _only(dict)(value)
    try:
        return cls(**{name: shape.read(given[name]) for name, shape in members.items() if name in given})
    except TypeError as error:
        raise ValueError(f"{cls.__name__}: {error}") from error


@cache
def _members(cls: type) -> Mapping[str, Shape]:
    hints = get_type_hints(cls)
    return {field.name: _member(field.name, hints[field.name]) for field in fields(cls)}


def _member(name: str, hint: Any) -> Shape:
    if not name.endswith("_at"):
        return shape_of(hint)
    if hint is float:
        return _STAMP
    if hint == float | None:
        return _or_null(_STAMP)
    raise TypeError(f"{name} is named like a time and is {hint}")


def object_schema(cls: type, definitions: Definitions) -> Schema:
    """The schema of a dataclass in full, its notes taken from its docstrings."""
    notes = _field_notes(cls)
    members = _members(cls)
    properties = {
        name: shape.describe(definitions) | ({"description": notes[name]} if name in notes else {})
        for name, shape in members.items()
    }
    return {
        "type": "object",
        **_note(cls),
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _defined(name: str, schema: Callable[[Definitions], Schema]) -> Callable[[Definitions], Schema]:
    def describe(definitions: Definitions) -> Schema:
        if name not in definitions:
            definitions[name] = {}
            definitions[name] = schema(definitions)
        return {"$ref": f"#/$defs/{name}"}

    return describe


def _note(cls: type) -> Schema:
    note = cls.__dict__.get("__doc__")
    # A dataclass without a docstring is given its signature as one.
    if not note or note.startswith(f"{cls.__name__}("):
        return {}
    return {"description": inspect.cleandoc(note)}


def _field_notes(cls: type) -> Mapping[str, str]:
    """The string below a field, as the class's source has it."""
    (definition,) = ast.parse(textwrap.dedent(inspect.getsource(cls))).body
    assert isinstance(definition, ast.ClassDef)
    notes: dict[str, str] = {}
    for field, below in zip(definition.body, definition.body[1:], strict=False):
        if not isinstance(field, ast.AnnAssign) or not isinstance(field.target, ast.Name):
            continue
        if isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant):
            notes[field.target.id] = inspect.cleandoc(str(below.value.value))
    return notes
