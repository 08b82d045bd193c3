"""What a single text field of a notice may hold. Each rule is told twice: to people, when it is
broken, and to machines, in the published JSON Schema."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from ingestd.bus.stamps import seconds

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_NO_CONTROL = r"^[^\x00-\x1f\x7f-\x9f]*$"
_IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,127}")
_HEX = re.compile(r"[0-9a-f]*")
_URI_REFERENCE = re.compile(r"[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=%]+")

_PLAIN_PREFIX = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]*(/[A-Za-z0-9_-][A-Za-z0-9._-]*)*")
"""Most prefixes are like this: no part of them is empty, '.' or '..'."""

_UTF8_MAX = 4
"""Bytes of the longest character in UTF-8."""

NAME_BYTES_MAX = 255
PREFIX_MAX = 512


class Rule:
    """Metadata of a text field. `check` gives what is wrong with a value, or None."""

    def __init__(self, check: Callable[[str], str | None], **schema: object) -> None:
        self._check = check
        self._schema = {"type": "string", **schema}

    def _validate(self, value: str) -> str:
        wrong = self._check(value)
        if wrong is not None:
            raise ValueError(wrong)
        return value

    def __get_pydantic_core_schema__(self, source: type, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._validate, handler(source))

    def __get_pydantic_json_schema__(self, _: CoreSchema, __: GetJsonSchemaHandler) -> dict[str, Any]:
        return dict(self._schema)


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of text, of 1 to `longest` characters; `trimmed` forbids blanks at its ends."""

    longest: int
    trimmed: bool = False

    def __call__(self, text: str) -> str | None:
        if not text:
            return "is empty; leave the field out, or fill it in"
        if len(text) > self.longest:
            return f"must have at most {self.longest} characters; got {len(text)}"
        if not text.isprintable() and _CONTROL.search(text):
            return "must be one line of text, without control characters"
        if self.trimmed and text != text.strip():
            return "has blanks at its beginning or end; remove them"
        return None


def on_one_line(text: str) -> str:
    """The text with every run of blanks and line breaks made one blank."""
    return " ".join(text.split())


def _reason(text: str) -> str | None:
    return _Line(2000)(on_one_line(text))


def is_identifier(text: str) -> bool:
    return _IDENTIFIER.fullmatch(text) is not None


def _identifier(text: str) -> str | None:
    if is_identifier(text):
        return None
    return "must be 1 to 128 letters, digits, '.', '_' or '-', the first one a letter or digit"


def _sha256(text: str) -> str | None:
    rule = "must be 64 lower-case hexadecimal digits"
    if len(text) != 64:
        return f"{rule}; got {len(text)} characters"
    if _HEX.fullmatch(text):
        return None
    return (
        f"{rule}; write it in lower case" if _HEX.fullmatch(text.lower()) else f"{rule}; got other characters"
    )


def _part_name(text: str) -> str | None:
    """The value is never repeated in the answer: it names a customer's file."""
    if text in ("", ".", ".."):
        return "must be the name of a file or folder; it is empty, '.' or '..'"
    if "/" in text:
        return "must be a single name in the root of a volume; it contains '/'"
    if "\x00" in text:
        return "must not contain NUL"
    return _too_long(text)


def _too_long(name: str) -> str | None:
    if len(name) * _UTF8_MAX <= NAME_BYTES_MAX:
        return None
    size = len(name.encode("utf-8", "surrogatepass"))
    if size <= NAME_BYTES_MAX:
        return None
    return f"must have at most {NAME_BYTES_MAX} bytes in UTF-8 between two '/'; got {size}"


def _prefix(text: str) -> str | None:
    if _PLAIN_PREFIX.fullmatch(text) and len(text) <= NAME_BYTES_MAX:
        return None
    if len(text) > PREFIX_MAX:
        return f"must have at most {PREFIX_MAX} characters; got {len(text)}"
    if text.startswith("/"):
        return "must be relative; remove the '/' at its beginning"
    if text.startswith(".") and not text.startswith(("./", "../")) and text not in (".", ".."):
        return "must not begin with '.'"
    if any(part in ("", ".", "..") for part in text.split("/")):
        return "must have no empty part and none that is '.' or '..'; one '/' between parts, none at its end"
    if "\\" in text or _CONTROL.search(text):
        return "must contain no backslash and no control character"
    return next(filter(None, map(_too_long, text.split("/"))), None)


def _stamp(text: str) -> str | None:
    try:
        seconds(text)
    except (ValueError, OverflowError):
        return "must be an RFC 3339 time with its offset, such as 2031-05-17T08:30:00Z"
    return None


def _uri_reference(text: str) -> str | None:
    # Without blanks in the source, “source id” names an event beyond doubt.
    if _URI_REFERENCE.fullmatch(text) and len(text) <= 1024:
        return None
    return "must be a URI reference of at most 1024 characters, such as /orders or urn:orders:harrow"


def _uri(text: str) -> str | None:
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]*:", text) and _uri_reference(text) is None:
        return None
    return "must be an absolute URI"


def _json_type(text: str) -> str | None:
    if re.fullmatch(r"application/json\s*(;\s*charset=\"?utf-8\"?)?", text, re.IGNORECASE):
        return None
    return "must be application/json, or left out"


Identifier = Annotated[str, Rule(_identifier, pattern=f"^{_IDENTIFIER.pattern}$")]
Sha256 = Annotated[str, Rule(_sha256, pattern="^[0-9a-f]{64}$")]
PartName = Annotated[str, Rule(_part_name, minLength=1, maxLength=255, pattern=r"^(?!\.{1,2}$)[^/\x00]+$")]
Prefix = Annotated[
    str,
    Rule(
        _prefix,
        minLength=1,
        maxLength=PREFIX_MAX,
        pattern=r"^(?!\.)(?!.*/\.{1,2}(/|$))[^/\\\x00-\x1f\x7f-\x9f]+(/[^/\\\x00-\x1f\x7f-\x9f]+)*$",
    ),
]
Stamp = Annotated[str, Rule(_stamp, format="date-time")]
ShortLine = Annotated[str, Rule(_Line(256), minLength=1, maxLength=256, pattern=_NO_CONTROL)]
TrimmedLine = Annotated[str, Rule(_Line(256, trimmed=True), minLength=1, maxLength=256, pattern=_NO_CONTROL)]
Reason = Annotated[str, Rule(_reason, minLength=1)]
Attribute = Annotated[str, Rule(_Line(1024), minLength=1, maxLength=1024, pattern=_NO_CONTROL)]
UriReference = Annotated[str, Rule(_uri_reference, minLength=1, format="uri-reference")]
Uri = Annotated[str, Rule(_uri, minLength=1, format="uri")]
JsonType = Annotated[str, Rule(_json_type, minLength=1)]
