"""What `ingestd drives` shows: a few lines for each drive, 80 columns wide."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ingestd.core.drive_rules import INTERFACES, speed
from ingestd.runtime.show import columns, padding, size, wrapped

_INDENT = "         "


def lines(drives: Sequence[Mapping[str, Any]], remarks: Sequence[str], *, running: bool) -> Iterator[str]:
    """The drives, and what is to be said besides. `running`: a daemon has told it."""
    if not running:
        yield from wrapped("(no daemon runs: drives are not opened, so health and volumes are not known)", "")
    for remark in remarks:
        yield from wrapped(f"TROUBLE  {remark}", "")
    if not drives:
        yield "no drive is plugged in"
    for drive in drives:
        yield from _drive(drive, running=running)


def _drive(drive: Mapping[str, Any], *, running: bool) -> Iterator[str]:
    yield from _hanging(drive["bay"], ", ".join(_kind(drive)))
    yield from wrapped(", ".join(_names(drive)), _INDENT)
    if running:
        yield from wrapped(_health(drive["health"]), _INDENT)
        for volume in drive["volumes"]:
            yield from wrapped(_volume(volume), _INDENT)
        yield from wrapped(_job(drive), _INDENT)


def _hanging(head: str, text: str) -> Iterator[str]:
    """Text behind a head, which has a line of its own when it is long."""
    room = len(_INDENT) - 1
    if columns(head) > room:
        yield from wrapped(head, "")
        head = ""
    first, *rest = wrapped(text, _INDENT)
    yield head + padding(head, room) + first[room:]
    yield from rest


def _kind(drive: Mapping[str, Any]) -> Iterator[str]:
    interface, link = drive["interface"], drive["link"]
    words = INTERFACES.get(interface, interface or "unknown")
    if link is not None:
        words += f" at {speed(link['mbit_per_second'])}"
        if link["capable_mbit_per_second"] and link["capable_mbit_per_second"] > link["mbit_per_second"]:
            words += f" (slow: {speed(link['capable_mbit_per_second'])} is possible)"
    yield words
    if drive["size_bytes"] is not None:
        yield size(drive["size_bytes"])
    if drive["rotational"] is not None:
        yield "rotational" if drive["rotational"] else "solid state"


def _names(drive: Mapping[str, Any]) -> Iterator[str]:
    yield drive["model"] or "model unknown"
    yield f"serial {drive['serial'] or 'unknown'}"
    if drive["wwn"]:
        yield f"WWN {drive['wwn']}"


def _health(health: Mapping[str, Any]) -> str:
    why = "; ".join([*health["reasons"], *health["notes"]])
    if health["temperature_celsius"] is not None:
        why = f"{why + '; ' if why else ''}{health['temperature_celsius']} °C"
    return f"health {health['verdict']}" + (f": {why}" if why else "")


def _volume(volume: Mapping[str, Any]) -> str:
    words = [volume["name"], volume["file_system"] or "unknown format"]
    if volume["label"]:
        words.append(f'"{volume["label"]}"')
    if volume["size_bytes"] is not None:
        words.append(size(volume["size_bytes"]))
    return " ".join(words) + (f": {volume['problem']}" if volume["problem"] else "")


def _job(drive: Mapping[str, Any]) -> str:
    whose = f"job {drive['job_id']}" if drive["job_id"] else "no job"
    return f"{whose}, {drive['phase']}" + (f": {drive['reason']}" if drive["reason"] else "")
