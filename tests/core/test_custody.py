"""The record of custody: its form, what is recorded, and that nothing can be altered unseen."""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core import station as core
from ingestd.core.custody import (
    FORMAT,
    NOTHING_BEFORE,
    WHOLE_MAX,
    About,
    Action,
    Deed,
    Surroundings,
    Tool,
    canonical,
    entry_after,
    hash_of,
)
from ingestd.core.custody_check import LINE_BYTES_MAX, check
from ingestd.core.drive import CustodyHead, DriveIdentity
from ingestd.core.messages import SaveCustody, StationStarted
from ingestd.core.model import BayName, FailureKind, LoadId
from tests.support import values as v
from tests.support.one_station import Quay
from tests.support.script import retold

SCENARIOS = sorted((Path(__file__).parents[1] / "scenarios").glob("*.txt"))
MUTATIONS = 10_000

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
contents = st.recursive(
    texts | st.booleans() | st.integers(-WHOLE_MAX, WHOLE_MAX),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=5),
    max_leaves=20,
)


# -- the canonical form ----------------------------------------------------------------------------


@given(contents)
def test_the_form_is_that_of_a_reference_for_rfc_8785(content: Any) -> None:
    assert canonical(content) == rfc8785.dumps(content)


def test_keys_are_ordered_as_in_the_published_example() -> None:
    # RFC 8785, section 3.2.3: the example of sorting, and the order that it expects.
    given = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert list(json.loads(canonical(given)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_texts_are_written_as_in_the_published_example() -> None:
    # RFC 8785, section 3.2.2: the member "string" of the example, and its canonical form.
    given = json.loads(r'{"string": "\u20ac$\u000F\u000aA\'\u0042\u0022\u005c\\\"\/"}'.replace("\\'", "'"))
    assert canonical(given) == '{"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'.encode()


@pytest.mark.parametrize("content", [1.5, None, {"a": None}, [0.0]])
def test_what_has_no_form_here_is_a_bug(content: Any) -> None:
    with pytest.raises(TypeError, match="no canonical form"):
        canonical(content)


def test_what_others_would_round_and_what_no_text_can_hold() -> None:
    assert canonical([WHOLE_MAX, WHOLE_MAX + 1, "serial \udcff"]) == (
        b'[9007199254740991,"9007199254740992","serial ?"]'
    )


# -- records ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Record:
    lines: tuple[bytes, ...]
    closed: bool

    @property
    def head(self) -> str:
        return str(json.loads(self.lines[-1])["sha256"])


@cache
def records() -> tuple[Record, ...]:
    """Of every drive in every scenario."""
    found = []
    for path in SCENARIOS:
        quay = Quay()
        retold(path.read_text(), quay)
        for load_id in dict.fromkeys(entry.load_id for entry in quay.journal.custody):
            lines = tuple(e.line + b"\n" for e in quay.journal.custody if e.load_id == load_id)
            found.append(Record(lines, json.loads(lines[-1])["action"] == "released"))
    return tuple(found)


def test_there_are_records_of_both_kinds() -> None:
    assert {record.closed for record in records()} == {True, False}
    assert max(len(record.lines) for record in records()) > 12


def test_every_untouched_record_is_accepted() -> None:
    for record in records():
        checked = check(record.lines, record.head)
        assert checked.problems == ()
        assert (checked.entries, checked.head, checked.closed) == (
            len(record.lines),
            record.head,
            record.closed,
        )
        assert (check(record.lines).problems == ()) == record.closed


def test_other_programs_can_follow_the_chain() -> None:
    """By a JSON reader, a reference for RFC 8785 and SHA-256, without any of our code."""
    for record in records():
        previous, load_id = "0" * 64, None
        for number, line in enumerate(record.lines, 1):
            entry = json.loads(line)
            assert rfc8785.dumps(entry) + b"\n" == line
            own = entry.pop("sha256")
            assert hashlib.sha256(rfc8785.dumps(entry)).hexdigest() == own
            assert (entry["number"], entry["previous"]) == (number, previous)
            previous, load_id = own, load_id or entry["load_id"]
            assert entry["load_id"] == load_id


def test_the_first_entry_binds_load_drive_and_station() -> None:
    first = json.loads(records()[0].lines[0])
    assert (first["number"], first["previous"], first["format"]) == (1, NOTHING_BEFORE, FORMAT)
    assert first["station"] == "quay-03"
    assert first["load_id"].startswith("quay-03.bay-1.")
    assert first["drive"]["serial"] == "HQ7K2M9A"
    assert first["action"] == "plugged-in"


# -- what was altered is found ---------------------------------------------------------------------

Lines = list[bytes]


def _edit_byte(lines: Lines, dice: random.Random) -> Lines:
    body = bytearray(b"".join(lines))
    at = dice.randrange(len(body))
    body[at] ^= dice.randrange(1, 256)
    return _cut(bytes(body))


def _drop_byte(lines: Lines, dice: random.Random) -> Lines:
    body = bytearray(b"".join(lines))
    del body[dice.randrange(len(body))]
    return _cut(bytes(body))


def _put_in_byte(lines: Lines, dice: random.Random) -> Lines:
    body = bytearray(b"".join(lines))
    body.insert(dice.randrange(len(body) + 1), dice.choice(b'\n {}",:0a\r\x00\xff'))
    return _cut(bytes(body))


def _cut(body: bytes) -> Lines:
    *whole, rest = body.split(b"\n")
    return [line + b"\n" for line in whole] + ([rest] if rest else [])


def _remove_line(lines: Lines, dice: random.Random) -> Lines:
    at = dice.randrange(len(lines))
    return lines[:at] + lines[at + 1 :]


def _double_line(lines: Lines, dice: random.Random) -> Lines:
    at, to = dice.randrange(len(lines)), dice.randrange(len(lines) + 1)
    return [*lines[:to], lines[at], *lines[to:]]


def _exchange(lines: Lines, dice: random.Random) -> Lines:
    one, other = dice.sample(range(len(lines)), 2)
    lines = list(lines)
    lines[one], lines[other] = lines[other], lines[one]
    return lines


def _move(lines: Lines, dice: random.Random) -> Lines:
    lines = list(lines)
    line = lines.pop(dice.randrange(len(lines)))
    lines.insert(dice.randrange(len(lines) + 1), line)
    return lines


def _cut_off(lines: Lines, dice: random.Random) -> Lines:
    return lines[: dice.randrange(len(lines))]


def _cut_in_line(lines: Lines, dice: random.Random) -> Lines:
    body = b"".join(lines)
    return _cut(body[: dice.randrange(len(body))])


def _of_another(lines: Lines, dice: random.Random) -> Lines:
    at = dice.randrange(len(lines))
    other = dice.choice(records()).lines
    return [*lines[:at], dice.choice(other), *lines[at + 1 :]]


def _edit_member(lines: Lines, dice: random.Random) -> Lines:
    """A member changed, the line's own hash with it, and nothing else."""
    lines, at = list(lines), dice.randrange(len(lines))
    lines[at] = _written(_edited(json.loads(lines[at]), dice))
    return lines


def _written_anew(lines: Lines, dice: random.Random) -> Lines:
    """A member changed, and all that follows chained to it."""
    lines, at = list(lines), dice.randrange(len(lines))
    entry = _edited(json.loads(lines[at]), dice)
    for number in range(at, len(lines)):
        lines[number] = _written(entry)
        if number + 1 < len(lines):
            previous = json.loads(lines[number])["sha256"]
            entry = {**json.loads(lines[number + 1]), "previous": previous}
    return lines


def _edited(entry: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    change = dice.choice(("at", "daemon", "details", "bay"))
    value: Any = {"edited": dice.randrange(1 << 30)} if change == "details" else f"edited {dice.random()}"
    return {**entry, change: value}


def _written(entry: dict[str, Any]) -> bytes:
    return canonical({**entry, "sha256": hash_of(entry)}) + b"\n"


Mutate = Callable[[Lines, random.Random], Lines]

BY_ITSELF: Sequence[Mutate] = (
    _edit_byte,
    _drop_byte,
    _put_in_byte,
    _double_line,
    _exchange,
    _move,
    _of_another,
)
"""What a closed record tells by itself. Two kinds of records say so only with their head: one that is cut
off behind an earlier release, and one whose last line, or all, was written anew."""

WITH_HEAD: Sequence[Mutate] = (
    *BY_ITSELF,
    _remove_line,
    _cut_off,
    _cut_in_line,
    _edit_member,
    _written_anew,
)


def mutated(kinds: Sequence[Mutate], among: Sequence[Record], seed: int) -> Iterator[tuple[Record, Lines]]:
    dice, made = random.Random(seed), 0
    while made < MUTATIONS:
        record, kind = dice.choice(among), dice.choice(kinds)
        lines = kind(list(record.lines), dice)
        if b"".join(lines) != b"".join(record.lines):
            made += 1
            yield record, lines


def test_ten_thousand_alterations_are_all_found_with_the_head() -> None:
    missed = [
        lines for record, lines in mutated(WITH_HEAD, records(), 1) if not check(lines, record.head).problems
    ]
    assert missed == []


def test_ten_thousand_alterations_of_closed_records_are_found_without_it() -> None:
    closed = [record for record in records() if record.closed]
    missed = [lines for _, lines in mutated(BY_ITSELF, closed, 2) if not check(lines).problems]
    assert missed == []


def _words(lines: Sequence[bytes], head: str | None = None) -> str:
    return "\n".join(check(lines, head).problems)


def test_what_is_wrong_is_said_with_its_line() -> None:
    lines = list(next(r for r in records() if r.closed and len(r.lines) > 10).lines)
    head = str(json.loads(lines[-1])["sha256"])
    changed = lines[4].replace(b'"station":"quay-03"', b'"station":"quay-04"')
    assert "line 5: was altered: its content" in _words([*lines[:4], changed, *lines[5:]])
    assert "line 4: is entry 5 where entry 4 belongs: 1 entry removed before it" in _words(
        lines[:3] + lines[4:]
    )
    assert "line 1: is entry 3 where entry 1 belongs: 2 entries removed" in _words(lines[2:])
    assert "line 4: is entry 3 where entry 4 belongs: it was put in" in _words([*lines[:3], *lines[2:]])
    assert "line 3: is entry 4" in _words([*lines[:2], lines[3], lines[2], *lines[4:]])
    assert "does not end with the drive's release" in _words(lines[:-1])
    assert "does not end with the given head" in _words(lines[:-1], head)
    assert "line 2: is no entry" in _words([lines[0], b"kelp\n", *lines[2:]])
    assert "line 2: was altered: it is not written" in _words([lines[0], b" " + lines[1], *lines[2:]])
    assert "does not end as a line does" in _words([*lines[:-1], lines[-1][:-1]])
    assert _words([]) == "there is no entry at all"
    assert "has the given head at its entry 4 and goes on" in _words(lines, json.loads(lines[3])["sha256"])
    assert "longer than" in _words([b"x" * (LINE_BYTES_MAX + 1)])
    only = _written({**json.loads(lines[4]), "daemon": "9"})
    assert "line 6: does not follow on the line before it" in _words([*lines[:4], only, *lines[5:]])


@pytest.mark.parametrize(
    "line",
    [b"[]\n", b"{}\n", b"[" * 100_000 + b"\n", b'{"number":1e400}\n', b"9" * 5000 + b"\n", b"\xff\n", b"\n"],
    ids=["list", "empty", "deep", "huge", "long", "bytes", "blank"],
)
def test_nothing_that_a_line_may_be_breaks_the_check(line: bytes) -> None:
    assert check([line]).problems


@pytest.mark.parametrize(("name", "other"), [("load_id", "another"), ("station", "quay-04")])
def test_a_last_entry_that_was_made_for_another_record_is_found_by_what_it_names(
    name: str, other: str
) -> None:
    """Its own hash and the one before are right: a closed record would be accepted for that."""
    *lines, end = next(record.lines for record in records() if record.closed)
    changed = _written({**json.loads(end), name: other})
    assert f"belongs to another record: its {name} is not that of the line before" in _words(
        [*lines, changed]
    )


def test_a_line_that_names_a_thing_twice_is_found() -> None:
    line = records()[0].lines[0]
    doubled = line.replace(b'"daemon":', b'"daemon":"0","daemon":', 1)
    assert "line 1: was altered" in _words([doubled])


# -- what is recorded ------------------------------------------------------------------------------


def entry(head: CustodyHead | None, deed: Deed, **more: Any) -> dict[str, Any]:
    about = About(
        load_id=LoadId("l"), drive=DriveIdentity(), bay=None, station="quay-03", surroundings=Surroundings()
    )
    made = entry_after(head, deed, about, more.pop("at", v.AT))
    return dict(json.loads(made.line))


def test_an_operator_is_named_and_the_station_is_not_a_person() -> None:
    assert entry(None, Deed(action=Action.DECIDED, operator="m.okafor"))["operator"] == "m.okafor"
    by_itself = entry(None, Deed(action=Action.SURVEYED))
    assert (by_itself["actor"], "operator" in by_itself, "bay" in by_itself) == ("station", False, False)


def actions(quay: Quay) -> list[str]:
    return [str(json.loads(entry.line)["action"]) for entry in quay.journal.custody]


def last(quay: Quay, action: str) -> dict[str, Any]:
    lines = [json.loads(entry.line) for entry in quay.journal.custody]
    return [dict(line) for line in lines if line["action"] == action][-1]


def test_a_store_that_is_down_for_a_week_adds_one_entry() -> None:
    quay = Quay()
    quay.announce(v.job()).plug("bay-1").surveyed("bay-1")
    before = len(quay.journal.custody)
    for _ in range(50):
        quay.failed("bay-1", FailureKind.STORE_UNREACHABLE)
        quay.fire("retry")
    assert actions(quay)[before:] == ["work-failed"]


def test_a_load_of_an_older_version_gets_a_record_from_then_on() -> None:
    quay = Quay()
    quay.announce(v.job()).plug("bay-1").surveyed("bay-1")
    loads = tuple(replace(load, custody=None) for load in quay.journal.loads.values())
    jobs = tuple(quay.journal.jobs.values())
    station = core.restored(quay.limits, jobs, loads, None)
    decision = core.step(station, StationStarted(at=quay.at, sightings=tuple(quay.plugged.values())))
    made = [record.entry for record in decision.records if isinstance(record, SaveCustody)]
    checked = check([entry.line + b"\n" for entry in made], made[-1].sha256)
    assert checked.problems == ()
    first = json.loads(made[0].line)
    assert (first["action"], first["drive"]["serial"]) == ("daemon-started", "HQ7K2M9A")


def test_versions_of_what_runs_here_are_in_the_record() -> None:
    quay = Quay()
    here = Surroundings(daemon="1.2.3", kernel="6.1.0", tools=(Tool(name="smartctl", version="7.3"),))
    quay.take(StationStarted(at=quay.at, sightings=(), surroundings=here))
    quay.announce(v.job()).plug("bay-1")
    identified = last(quay, "identified")
    assert identified["daemon"] == "1.2.3"
    assert identified["details"]["kernel"] == "6.1.0"
    assert identified["details"]["tools"] == {"smartctl": "7.3"}
    assert BayName(identified["bay"]) == "bay-1"
