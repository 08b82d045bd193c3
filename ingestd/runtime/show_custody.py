"""What `ingestd custody` shows: a record entry by entry, the list of records, and a verdict."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ingestd.core.custody_check import Checked
from ingestd.core.names import counted, printable
from ingestd.runtime.show import wrapped


def record(entries: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Lines of at most 80 columns, names escaped: who did what when and where, then the head."""
    first, last = entries[0], entries[-1]
    drive = ", ".join(_plain(value) for value in first["drive"].values()) or "unknown"
    yield from wrapped(f"load {_plain(first['load_id'])}", "")
    yield from wrapped(f"drive {drive}; station {_plain(first['station'])}", "")
    yield ""
    for entry in entries:
        yield from _entry(entry)
    yield ""
    yield from wrapped(f"{counted(len(entries), 'entry', 'entries')}; head {last['sha256']}", "")


def _entry(entry: Mapping[str, Any]) -> Iterator[str]:
    who = f"operator {_plain(entry['operator'])}" if "operator" in entry else f"ingestd {entry['daemon']}"
    bay = f", {_plain(entry['bay'])}" if "bay" in entry else ""
    yield from wrapped(f"{entry['at']} {entry['action']}{bay}, {who}", f"{entry['number']:>3}  ")
    said = "; ".join(_said(entry["details"]))
    if said:
        yield from wrapped(said, "     ")


def _said(details: Mapping[str, Any]) -> Iterator[str]:
    for name, value in details.items():
        yield from _one(name.replace("_", " "), value)


def _one(name: str, value: object) -> Iterator[str]:
    if isinstance(value, dict):
        told = ((key, each) for key, each in value.items() if name != "totals" or each)
        yield f"{name}: {', '.join(f'{_worded(key)} {_plain(each)}' for key, each in told) or 'none'}"
    elif value == []:
        yield f"{name}: none"
    elif isinstance(value, list):
        for each in value:
            yield from _one(name, each)
    else:
        yield f"{name}: {_plain(value)}"


def _worded(key: str) -> str:
    return _plain(key.replace("_", " "))


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return printable(str(value).encode("utf-8", "surrogateescape"))


def summaries(rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """A line for each record, the newest last."""
    if not rows:
        yield "no records of custody here"
    for row in sorted(rows, key=lambda row: str(row["at"])):
        drive = _plain(row["drive"].get("serial") or row["drive"].get("wwn") or "no serial")
        yield f"{_plain(row['load_id'])}"
        yield from wrapped(f"{drive}, {row['entries']} entries, last: {row['action']} {row['at']}", "    ")


def sound(checked: Checked, *, head_given: bool) -> Iterator[str]:
    """What a record that nothing is wrong with proves, and what not."""
    told = f"{counted(checked.entries, 'entry', 'entries')} of load {_plain(checked.load_id)}: unaltered"
    end = "up to the drive's release" if checked.closed else "as far as the record goes"
    yield from wrapped(f"{told}, {end}", "")
    yield from wrapped(f"head {checked.head}", "")
    if not head_given:
        yield from wrapped(
            "Compare the head with that in the event ingest.drive.released, or give it with --head: only "
            "that shows that nobody has written the whole record anew.",
            "",
        )
