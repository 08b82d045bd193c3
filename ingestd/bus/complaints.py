"""What is wrong with a document, in sentences that name the remedy."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from ingestd.bus.strict import Flaw, Place, shown
from ingestd.bus.wire import nearest

Model = type[BaseModel]


def complaints(error: ValidationError, model: Model, below: Place, in_words: int) -> Iterator[Flaw]:
    """One flaw for each thing that validation by `model` found, placed below `below`.

    So many of them are put into words: finding what a name was meant to be takes its time, and a
    hostile message can hold a hundred thousand wrong names.
    """
    for number, details in enumerate(error.errors(include_url=False)):
        place = tuple(part for part in details["loc"] if part != "[key]")
        sentence = _SENTENCES.get(details["type"], _in_library_words) if number < in_words else _as_well
        yield Flaw((*below, *place), sentence(details, model))


def _as_well(_: ErrorDetails, __: Model) -> str:
    return "is wrong as well"


def _missing(details: ErrorDetails, model: Model) -> str:
    owner, name = _model_at(model, details["loc"][:-1]), str(details["loc"][-1])
    note = owner.model_fields[name].description if owner else None
    return f"is missing; add it ({note.rstrip('.')})" if note else "is missing; add it"


def _unknown(details: ErrorDetails, model: Model) -> str:
    owner, name = _model_at(model, details["loc"][:-1]), str(details["loc"][-1])
    known = tuple(owner.model_fields) if owner else ()
    return f"is not a known field; {nearest(name, known)}"


def _model_at(model: Model, place: tuple[int | str, ...]) -> Model | None:
    """The model of the object at this place of a document."""
    found: Model | None = model
    for part in place:
        if found is None:
            return None
        if isinstance(part, str):
            field = found.model_fields.get(part)
            found = _model_in(field.annotation) if field else None
    return found


def _model_in(annotation: Any) -> Model | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_model_in, get_args(annotation))), None)


def _must_be(what: str) -> Callable[[ErrorDetails, Model], str]:
    return lambda details, _: f"must be {what}; got {_kind(details['input'])}"


def _kind(value: object) -> str:
    """What a value is, never what it says: it may be a customer's."""
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, int | float):
        return f"the number {value!r:.40}"
    if isinstance(value, str):
        return "text"
    return "a list" if isinstance(value, list) else "an object"


def _whole(details: ErrorDetails, _: Model) -> str:
    quoted = isinstance(details["input"], str)
    return f"must be a whole number; got {_kind(details['input'])}{' (remove the quotation marks)' * quoted}"


def _choice(details: ErrorDetails, _: Model) -> str:
    value = details["input"]
    got = f"“{shown(value)}”" if isinstance(value, str) else _kind(value)
    return f"must be {_context(details)['expected']}; got {got}"


def _bound(word: str, key: str) -> Callable[[ErrorDetails, Model], str]:
    return lambda details, _: f"must be {word} {_context(details)[key]}; got {details['input']!r:.40}"


def _length(word: str, key: str, one: str, many: str) -> Callable[[ErrorDetails, Model], str]:
    def sentence(details: ErrorDetails, _: Model) -> str:
        limit, got = _context(details)[key], len(details["input"])
        return f"must have at {word} {limit} {one if limit == 1 else many}; got {got}"

    return sentence


def _own(details: ErrorDetails, _: Model) -> str:
    return str(_context(details)["error"])


def _in_library_words(details: ErrorDetails, _: Model) -> str:
    return details["msg"][:1].lower() + details["msg"][1:]


def _context(details: ErrorDetails) -> Mapping[str, Any]:
    return details.get("ctx", {})


_SENTENCES: Mapping[str, Callable[[ErrorDetails, Model], str]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "string_type": _must_be("text"),
    "bool_type": _must_be("true or false"),
    "list_type": _must_be("a list"),
    "dict_type": _must_be("an object"),
    "model_type": _must_be("an object"),
    "int_type": _whole,
    "literal_error": _choice,
    "greater_than_equal": _bound("at least", "ge"),
    "less_than_equal": _bound("at most", "le"),
    "too_short": _length("least", "min_length", "entry", "entries"),
    "too_long": _length("most", "max_length", "entry", "entries"),
    "string_too_short": _length("least", "min_length", "character", "characters"),
    "string_too_long": _length("most", "max_length", "character", "characters"),
    "value_error": _own,
}
