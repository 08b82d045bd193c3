"""Strict reading of JSON: what RFC 8259 allows and nothing that two readers could take differently.

Refused beyond bad syntax: names given twice, NaN and infinities, numbers out of range, text that is
not Unicode, deep nesting, and documents above `BODY_MAX` bytes. A byte order mark is passed over.
"""

from __future__ import annotations

import codecs
import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from ingestd.core.names import printable, shortened

BODY_MAX = 1 << 20
"""Bytes of the largest message that is read."""

DEPTH_MAX = 32

Place = tuple[str | int, ...]
"""Where in a document: field names and list positions, from the outside in."""

_HALF_PAIR = re.compile(rb"\\u[dD][89a-fA-F]")
"""An escape for half of a surrogate pair, whole pairs among them."""

_PLAIN_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_-]{0,63}")


@dataclass(frozen=True, slots=True)
class Flaw:
    """One thing that is wrong with a document, and where."""

    place: Place
    text: str

    def __str__(self) -> str:
        return f"{path_text(self.place)}: {self.text}"


class NotJson(Exception):
    """Nothing can be made of the body at all. The message says why and where."""


class _Object(dict[str, object]):
    """A JSON object that remembers which names it was given more than once."""

    repeated: tuple[str, ...] = ()

    @classmethod
    def of(cls, pairs: list[tuple[str, object]]) -> _Object:
        made = cls(pairs)
        if len(made) < len(pairs):
            times = Counter(name for name, _ in pairs)
            made.repeated = tuple(name for name, count in times.items() if count > 1)
        return made


@dataclass(frozen=True, slots=True)
class _Constant:
    """Stands for NaN, Infinity or -Infinity until its place is known."""

    name: str


def path_text(place: Place) -> str:
    """The place as people write it, on one line: `data.items[1].sha256`; the document is `notice`."""
    out = ""
    for part in place:
        if isinstance(part, int):
            out += f"[{part}]"
        elif _PLAIN_NAME.fullmatch(part):
            out += f".{part}" if out else part
        else:
            out += f'["{shown(part)}"]'
    return out or "notice"


def shown(text: str) -> str:
    """Foreign text as one short, harmless line."""
    return shortened(printable(text.encode("utf-8", "surrogatepass")), 60)


def read(body: bytes) -> tuple[object, list[Flaw]]:
    """The document, and what in it is not proper JSON. Raises NotJson when there is no document."""
    if len(body) > BODY_MAX:
        raise NotJson(f"is larger than {BODY_MAX:,} bytes; announce folders instead of single files")
    text = _text(body)
    # Most notices are sound, and there may be a hundred thousand of them: look closer only where it may help.
    try:
        document, odd = _SOUND.decode(text), False
    except (ValueError, RecursionError):
        document, odd = _read_closely(text), True
    if body.count(b"{") + body.count(b"[") > DEPTH_MAX and _depth_exceeds(document, DEPTH_MAX):
        raise NotJson(f"is nested deeper than {DEPTH_MAX} levels")
    odd = odd or _HALF_PAIR.search(body) is not None
    return document, list(_flaws(document, ())) if odd else []


def _text(body: bytes) -> str:
    try:
        return body.removeprefix(codecs.BOM_UTF8).decode()
    except UnicodeDecodeError as error:
        raise NotJson(f"is not UTF-8 (byte {error.start}); save it as UTF-8") from None


def _read_closely(text: str) -> object:
    """The document with what is odd in it still there, for `_flaws` to tell where. Raises NotJson."""
    if not text.strip():
        raise NotJson("is empty")
    try:
        return json.loads(text, object_pairs_hook=_Object.of, parse_constant=_Constant)
    except json.JSONDecodeError as error:
        what = error.msg[:1].lower() + error.msg[1:]
        raise NotJson(f"is not JSON: {what} at line {error.lineno}, column {error.colno}") from None
    except RecursionError:
        raise NotJson(f"is nested deeper than {DEPTH_MAX} levels") from None
    except ValueError:
        # The interpreter's own guard against numbers that take quadratic time to read.
        raise NotJson("holds a number of more than 4,300 digits") from None


def _sound_object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a name is given twice")
    return made


def _sound_float(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError("out of range")
    return number


def _no_constant(name: str) -> object:
    raise ValueError(name)


_SOUND = json.JSONDecoder(
    object_pairs_hook=_sound_object, parse_constant=_no_constant, parse_float=_sound_float
)
"""Reads documents in which nothing is odd, and raises ValueError for all others."""


def _children(value: object) -> Iterator[tuple[str | int, object]]:
    if isinstance(value, dict):
        yield from value.items()
    elif isinstance(value, list):
        yield from enumerate(value)


def _depth_exceeds(document: object, limit: int) -> bool:
    level: list[object] = [document]
    for _ in range(limit):
        level = [child for value in level for _, child in _children(value) if isinstance(child, dict | list)]
        if not level:
            return False
    return True


def _flaws(value: object, place: Place) -> Iterator[Flaw]:
    text = _leaf_flaw(value)
    if text is not None:
        yield Flaw(place, text)
    if isinstance(value, _Object):
        for name in value.repeated:
            yield Flaw(place, f"gives “{shown(name)}” twice; keep one")
    if isinstance(value, dict) and not all(map(is_unicode, value)):
        yield Flaw(place, "has a field name that is not Unicode text (half of a surrogate pair)")
    for part, child in _children(value):
        yield from _flaws(child, (*place, part))


def _leaf_flaw(value: object) -> str | None:
    if isinstance(value, str):
        return None if is_unicode(value) else "is not Unicode text (half of a surrogate pair)"
    if isinstance(value, _Constant):
        return f"is {value.name}, which JSON does not know; leave the field out"
    if isinstance(value, float) and not math.isfinite(value):
        return "is a number out of range"
    return None


def is_unicode(text: str) -> bool:
    """Whether it has no half of a surrogate pair in it."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
