"""What the command line shows: the status table, aligned, 80 columns wide, fine without colour."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

WIDTH = 80


def size(count: float) -> str:
    """Bytes in decimal units, as lines and drives are sold."""
    for unit in ("B", "kB", "MB", "GB", "TB"):
        if abs(count) < 1000 or unit == "TB":
            return f"{count:.0f} {unit}" if unit == "B" else f"{count:.1f} {unit}"
        count /= 1000
    raise AssertionError("the last unit takes everything")


def duration(seconds: float) -> str:
    """Two units at most: 45s, 3m20s, 5h07m, 2d04h."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole}s"
    if whole < 3600:
        return f"{whole // 60}m{whole % 60:02d}s"
    if whole < 86_400:
        return f"{whole // 3600}h{whole % 3600 // 60:02d}m"
    return f"{whole // 86_400}d{whole % 86_400 // 3600:02d}h"


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> Iterator[str]:
    """Aligned columns; those in `right` flush right. The last column may run on."""
    widths = [max(len(row[n]) for row in [head, *rows]) for n in range(len(head))]
    for row in [head, *rows]:
        cells = [
            cell.rjust(width) if n in right else cell.ljust(width)
            for n, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()


def cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def wrapped(text: str, indent: str) -> Iterator[str]:
    """The text in lines of at most `WIDTH` columns, each behind `indent`."""
    line = indent
    for word in text.split():
        if len(line) + len(word) + 1 > WIDTH and line.strip():
            yield line.rstrip()
            line = indent
        line += word + " "
    if line.strip():
        yield line.rstrip()


def status(picture: Mapping[str, Any], *, running: bool, now: float | None = None) -> Iterator[str]:
    """The lines of `ingestd status`."""
    now = time.time() if now is None else now
    yield from _headline(picture, running=running, now=now)
    loads = picture["loads"]
    if not loads:
        yield "no drives"
        return
    rows = [_row(load if running else {**load, "rate_bytes_per_second": 0}) for load in loads]
    head = ("BAY", "DRIVE", "JOB", "PHASE", "DONE", "RATE", "LEFT")
    for line, load in zip(table(head, rows, right=(4, 5, 6)), [None, *loads], strict=True):
        yield line
        if load is not None:
            yield from _why(load, now, running=running)


def _headline(picture: Mapping[str, Any], *, running: bool, now: float) -> Iterator[str]:
    age = now - float(picture["at"])
    if not running:
        yield f"station {picture['station']}: NOT RUNNING; this is what it knew {duration(age)} ago"
    else:
        cap = picture["uplink_bytes_per_second"]
        line = f"{size(picture['rate_bytes_per_second'])}/s" + (f" of {size(cap)}/s" if cap else ", no cap")
        state = "stopping" if picture["draining"] else "running"
        yield f"station {picture['station']}: {state}, {line}"
        if age > 10:
            yield f"the daemon has not written its status for {duration(age)}: it may be stuck"
    yield f"jobs: {picture['jobs_pending']:,} pending, {picture['jobs_ended']:,} ended"
    yield ""


def _row(load: Mapping[str, Any]) -> tuple[str, ...]:
    ledger = load["ledger"]
    wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
    there = ledger["stored_bytes"] + ledger["arrived_bytes"]
    done = f"{100 * there / wanted:.0f} %" if wanted else "-"
    rate, left = load["rate_bytes_per_second"], load["seconds_left"]
    return (
        cut(load["bay"] or "(away)", 12),
        cut(load["drive"], 14),
        cut(load["job_id"] or "-", 16),
        load["outcome"] or load["phase"],
        done,
        f"{size(rate)}/s" if rate else "-",
        duration(left) if left is not None and rate else "-",
    )


def _why(load: Mapping[str, Any], now: float, *, running: bool) -> Iterator[str]:
    since = f" ({duration(now - load['since'])})" if load["since"] else ""
    share = f", {100 * load['share']:.0f} % of the line" if load["share"] and running else ""
    words = load["reason"] or load["doing"]
    if load["outcome"] and load["phase"] == "released":
        words = f"pull it ({load['disposition'] or 'keep apart'}): {words}"
    yield from wrapped(f"{words}{share}{since}", "    ")
