"""What the command line shows: the status table, aligned, 80 columns wide, fine without colour."""

from __future__ import annotations

import time
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ingestd.core.model import Phase
from ingestd.core.snapshot import Picture
from ingestd.runtime.colour import Paint, plain

WIDTH = 80


def size(count: float) -> str:
    """Bytes in decimal units, as lines and drives are sold."""
    for unit in ("B", "kB", "MB", "GB", "TB"):
        if abs(count) < 1000 or unit == "TB":
            return f"{count:.0f} {unit}" if unit == "B" else f"{count:.1f} {unit}"
        count /= 1000
    raise AssertionError("the last unit takes everything")


def rate(bytes_per_second: float) -> str:
    return f"{size(bytes_per_second)}/s"


def cap(bytes_per_second: float | None) -> str:
    return "no cap" if bytes_per_second is None else f"cap {rate(bytes_per_second)}"


def moment(at: float, now: float) -> str:
    """A time of day on this host's clock, with the date where it is not today's; of another year the date
    alone."""
    then, today = time.localtime(at), time.localtime(now)
    if then[0] != today[0]:
        return time.strftime("%d %b %Y", then)
    return time.strftime("%H:%M" if then[:3] == today[:3] else "%a %d %b %H:%M", then)


def line(picture: Picture, problems: Sequence[str]) -> str:
    """The station in one line, for the service manager."""
    phases = Counter(load.phase for load in picture.loads)
    said = [f"{phases[phase]} {phase}" for phase in Phase if phases[phase]] or ["no drives"]
    said.append(f"{picture.jobs_pending:,} jobs pending")
    if picture.rate_bytes_per_second:
        said.append(rate(picture.rate_bytes_per_second))
    if picture.draining:
        said.insert(0, "stopping")
    text = ", ".join(said)
    return f"{text}. TROUBLE: {'; '.join(problems)}" if problems else text


def uplink(line: Mapping[str, Any], now: float) -> Iterator[str]:
    """Where the cap comes from, what it will be next, and the limits within it."""
    sources = {
        "configuration": "as configured",
        "timetable": f"timetable, {line['cap']['entry']}",
        "message": "set by a message",
    }
    text = f"uplink: {sources[line['cap']['source']]}"
    if line["changes"]:
        following = line["changes"][0]
        text += f"; {cap(following['rate_bytes_per_second'])} from {moment(following['at'], now)}"
    elif line["cap"]["source"] == "message" and line["until"] is None:
        text += ", until the next message or another configuration"
    yield text
    limits = [
        f"{kind} {limit['name']} {rate(limit['rate_bytes_per_second'])}"
        for kind in ("store", "bay")
        for limit in line[f"{kind}s"]
    ]
    if limits:
        by_whom = " (some set by a message)" if line["ordered"] and line["cap"]["source"] != "message" else ""
        yield f"limits: {', '.join(limits)}{by_whom}"


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


def harmless(text: str) -> str:
    """The text with `\\xNN` for what has no shape of its own: terminals act on it."""
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else _escaped(char) for char in text)


def _escaped(char: str) -> str:
    kept = "surrogateescape" if "\udc80" <= char <= "\udcff" else "surrogatepass"
    return "".join(f"\\x{byte:02x}" for byte in char.encode("utf-8", kept))


def columns(text: str) -> int:
    """How wide a terminal shows it: two columns for a wide character, none for a mark on the one before
    (Unicode Standard Annex 11)."""
    return len(text) if text.isascii() else sum(map(_columns, text))


def _columns(char: str) -> int:
    if unicodedata.category(char) in ("Mn", "Me") or "\u1160" <= char <= "\u11ff":
        return 0  # the latter are vowels and finals of Hangul, which join the letter before them
    return 2 if unicodedata.east_asian_width(char) in "WF" else 1


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> Iterator[str]:
    """Aligned columns; those in `right` flush right. The last column may run on."""
    lines = [[harmless(cell) for cell in row] for row in [head, *rows]]
    widths = [max(columns(line[n]) for line in lines) for n in range(len(head))]
    for line in lines:
        cells = [
            padding(cell, width) + cell if n in right else cell + padding(cell, width)
            for n, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()


def padding(text: str, width: int) -> str:
    return " " * (width - columns(text))


def cut(text: str, width: int) -> str:
    """The text in at most so many columns."""
    text = harmless(text)
    return text if columns(text) <= width else next(_cut_up(text, width - 1)) + "…"


def wrapped(text: str, indent: str) -> Iterator[str]:
    """The text in lines of at most `WIDTH` columns, each behind `indent`; longer words are broken."""
    room = WIDTH - len(indent)
    line = ""
    for word in _pieces(text, room):
        if line and columns(line) + 1 + columns(word) > room:
            yield indent + line
            line = ""
        line = f"{line} {word}" if line else word
    if line:
        yield indent + line


def _pieces(text: str, room: int) -> Iterator[str]:
    for word in text.split():
        yield from _cut_up(harmless(word), room)


def _cut_up(text: str, room: int) -> Iterator[str]:
    """Pieces of at most so many columns; a mark stays with the character that bears it."""
    begin = at = width = 0
    for at, char in enumerate(text):
        if width + _columns(char) > room:
            yield text[begin:at]
            begin, width = at, 0
        width += _columns(char)
    yield text[begin:]


def status(
    picture: Mapping[str, Any], *, running: bool, now: float | None = None, paint: Paint = plain
) -> Iterator[str]:
    """The lines of `ingestd status`; widths are those without colour."""
    now = time.time() if now is None else now
    for line, kind in _headline(picture, running=running, now=now):
        yield paint(line, kind)
    loads = picture["loads"]
    if not loads:
        yield "no drives"
        return
    rows = [_row(load) for load in loads]
    lines = table(("BAY", "DRIVE", "JOB", "PHASE", "DONE"), rows, right=(4,))
    yield from _fitting(next(lines))
    for line, load in zip(lines, loads, strict=True):
        for piece in _fitting(line):
            yield paint(piece, _kind(load))
        for about in _about(load, now, running=running):
            yield from wrapped(about, "    ")
    if picture["jobs_waiting"]:
        yield ""
        yield from wrapped(f"jobs that wait for a drive: {', '.join(picture['jobs_waiting'])}", "")


def _fitting(line: str) -> Iterator[str]:
    """The line, or where names are so long that it does not fit, its words in several."""
    if columns(line) <= WIDTH:
        yield line
    else:
        yield from wrapped(line, "")


def _kind(load: Mapping[str, Any]) -> str:
    """What the line of a load says at a glance."""
    if load["phase"] == "held" or load["outcome"] == "failed":
        return "bad"
    return {"away": "warning", "loading": "good", "proving": "good", "released": "done"}.get(
        load["phase"], ""
    )


def _headline(picture: Mapping[str, Any], *, running: bool, now: float) -> Iterator[tuple[str, str]]:
    """Lines, and the kind of each."""
    age = now - float(picture["at"])
    if not running:
        line = f"station {picture['station']}: NOT RUNNING; this is what it knew {duration(age)} ago"
        yield from ((each, "bad") for each in wrapped(line, ""))
    else:
        line = f"{rate(picture['rate_bytes_per_second'])}, {cap(picture['uplink_bytes_per_second'])}"
        state = "stopping" if picture["draining"] else "running"
        for about in (f"station {picture['station']}: {state}, {line}", *uplink(picture["uplink"], now)):
            yield from ((each, "") for each in wrapped(about, ""))
        if age > 10:
            yield f"the daemon has not written its status for {duration(age)}: it may be stuck", "bad"
        for problem in picture.get("problems", ()):
            yield from ((each, "bad") for each in wrapped(f"TROUBLE  {problem}", ""))
    yield f"jobs: {picture['jobs_pending']:,} pending, {picture['jobs_ended']:,} ended", ""
    yield "", ""


def _row(load: Mapping[str, Any]) -> tuple[str, ...]:
    released = load["phase"] == "released"
    return (
        load["bay"] or "(away)",
        cut(load["drive"], 20),
        load["job_id"] or "-",
        load["outcome"] if released else load["phase"],
        _done(load),
    )


def _done(load: Mapping[str, Any]) -> str:
    ledger = load["ledger"]
    wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
    if not wanted or load["outcome"] not in (None, "loaded"):
        return "-"
    return f"{100 * (ledger['stored_bytes'] + ledger['arrived_bytes']) / wanted:.0f} %"


def _about(load: Mapping[str, Any], now: float, *, running: bool) -> Iterator[str]:
    """What is to be said of a drive, and what a person may do, a line each."""
    since = f", for {duration(now - load['since'])}" if load["since"] else ""
    if load["phase"] == "released":
        yield _released(load, now, running=running)
    elif load["phase"] == "releasing":
        yield f"not yet: {load['doing']} ({load['outcome']}: {load['reason']})"
    elif load["phase"] == "away":
        where = f" from {load['last_bay']}" if load["last_bay"] else ""
        yield f"unplugged{where}{since}; plug it in again, in any bay"
    elif load["reason"]:
        yield f"{load['reason'].rstrip('.')}{since}"
    elif running:
        yield _moving(load)
    if load["hold"] and running:
        yield f"next: {_next(load)}"
        if load["tried"]:
            yield f"tried: {'; '.join(load['tried'])}"


def _released(load: Mapping[str, Any], now: float, *, running: bool) -> str:
    what = load["disposition"] or "keep apart, loaded for no job"
    if not running:
        ago = duration(now - load["since"])
        return f"was released ({what}) {ago} ago; do not act on this, start the daemon first"
    return f"pull it ({what}): {load['reason']}"


def _moving(load: Mapping[str, Any]) -> str:
    rate, left = load["rate_bytes_per_second"], load["seconds_left"]
    text = str(load["doing"])
    if rate:
        text += f" at {size(rate)}/s"
    if load["share"]:
        text += f", {100 * load['share']:.0f} % of the line"
    if left is not None and rate:
        text += f", {duration(left)} left"
    return text


_MEND = "mend it, then ingestd lift {bay}"

NEXT: Mapping[str, str] = {
    "no-matching-job": "announce its job, or ingestd assign {bay} JOB",
    "several-jobs": "ingestd assign {bay} JOB",
    "already-done": "pull it, or announce another job for it",
    "ticket-in-doubt": "by the papers, ingestd assign {bay} JOB; or mend it, and ingestd lift {bay}",
    "not-identified": "look at its cable and power, then ingestd lift {bay}",
    "duplicate-identity": "pull one of the two drives, then ingestd lift {bay}",
    "doubtful": "ingestd lift {bay} --decision accept | refuse | again",
    "observations-disagree": "ingestd lift {bay} --decision again | refuse",
    "claimed-elsewhere": "nothing, if the other load is right; else stop that one, or pull this drive",
    "retries-exhausted": _MEND,
    "store-refused": "mend its credentials or rights, then ingestd lift {bay}",
    "store-missing": "make or mount it, or mend its name, then ingestd lift {bay}",
    "store-full": "raise the quota or make room, then ingestd lift {bay}",
    "store-conflict": "have storage move what lies there, then ingestd lift {bay}",
    "station-fault": _MEND,
}
"""By the reason for a hold: what a person may do next."""


def _next(load: Mapping[str, Any]) -> str:
    """What a person may do about a hold. Of a drive that was pulled, the load is named."""
    return NEXT[load["hold"]].format(bay=load["bay"] or load["load_id"])
