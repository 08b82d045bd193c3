"""`ingestd send`, `assign` and `lift`: notices, put into the spool of the daemon on this host."""

from __future__ import annotations

import argparse
import getpass
import glob
import os
import sys
import time
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from ingestd.bus import codec, spool
from ingestd.core.messages import JobAmended, JobAnnounced
from ingestd.core.station_jobs import why_not_takeable
from ingestd.runtime import config, status
from ingestd.runtime.commands.common import FAILED, OK, REFUSED, Adder
from ingestd.runtime.config import Config

_ANSWER_WITHIN_S = 5.0
"""How long a command waits to hear what the daemon made of a notice."""

_RENEWED_WITHIN_S = 3.0
"""How long a command waits for a picture of the station from after it was given: one is made every second."""


def add(command: Adder) -> None:
    sub = command("send", _send, "put a notice into the spool, after checking it")
    sub.add_argument("file", metavar="FILE", help="the notice, a CloudEvents JSON file; - for standard input")
    sub = command("assign", _assign, "say which job the drive in a bay belongs to")
    sub.add_argument("bay", metavar="BAY")
    sub.add_argument("job", metavar="JOB")
    _by(sub)
    sub = command("lift", _lift, "decide about a load that is held")
    sub.add_argument(
        "where", metavar="BAY", help="where its drive is; for one that is not plugged in, the id of the load"
    )
    sub.add_argument(
        "--decision",
        choices=("again", "accept", "refuse"),
        default="again",
        help="again: look at it once more (default); accept: take it in spite of the doubt; "
        "refuse: fail the job, or let a drive without a job go",
    )
    _by(sub)


def _by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", metavar="NAME", help="who decides (default: you)")


def _send(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    name = "standard input" if options.file == "-" else options.file
    try:
        body = sys.stdin.buffer.read() if options.file == "-" else _content(options.file)
    except OSError as error:
        print(f"{name}: cannot be read: {error.strerror}", file=sys.stderr)
        return REFUSED
    problems = _problems(body, settings)
    for problem in problems:
        print(f"{name}: {problem}", file=sys.stderr)
    return REFUSED if problems else _drop(settings, body)


def _content(path: str) -> bytes:
    with open(path, "rb") as file:
        return file.read()


def _problems(body: bytes, settings: Config) -> Sequence[str]:
    try:
        decoded = codec.decode(body, at=time.time(), station=settings.station.name)
    except codec.Malformed as error:
        return error.problems
    if isinstance(decoded.notice, JobAnnounced | JobAmended):
        if settings.bus.kind == "amqp":
            return (
                "type: jobs are announced and amended through the broker, to all stations; sent here, this "
                f"one would be known to {settings.station.name} alone",
            )
        return why_not_takeable(decoded.notice.job, settings.limits())
    return ()


def _assign(options: argparse.Namespace) -> int:
    return _tell(options, "ingest.drive.assigned", {"job_id": options.job}, options.bay)


def _lift(options: argparse.Namespace) -> int:
    return _tell(options, "ingest.hold.lifted", {"decision": options.decision}, options.where)


def _tell(options: argparse.Namespace, kind: str, data: dict[str, object], where: str) -> int:
    """A person's word about the drive in a bay; it only counts for the one that is there now. Of a drive
    that is not plugged in, the load is named."""
    settings = config.read(options.config)
    folder = settings.station.state_folder
    if status.read(folder) is None or not status.is_running(folder):
        print("ingestd: the daemon is not running; nothing was sent", file=sys.stderr)
        return FAILED
    load, problem = _held_now(where, folder)
    if load is None:
        print(f"ingestd: {problem}", file=sys.stderr)
        return REFUSED
    body = codec.encode_notice(
        kind,
        {
            **data,
            "station": settings.station.name,
            **({"bay": load["bay"]} if load["bay"] else {}),
            "load_id": load["load_id"],
            "by": options.by or _user(),
        },
        id=str(uuid.uuid4()),
        source=f"/operators/{settings.station.name}",
        time=time.time(),
    )
    problems = _problems(body, settings)
    for text in problems:
        print(f"ingestd: {text}", file=sys.stderr)
    return REFUSED if problems else _drop(settings, body)


def _held_now(where: str, state_folder: str) -> tuple[Mapping[str, Any] | None, str]:
    """The held load in a bay or of an id, or else what is there instead.

    Whoever has just heard of the hold may be ahead of the picture: its absence counts in a newer one only.
    """
    given, deadline = time.time(), time.monotonic() + _RENEWED_WITHIN_S
    while True:
        picture = status.read(state_folder)
        load, problem = (
            _held_at(where, picture) if picture else (None, "the state of the station is not known")
        )
        if load is not None or (picture and picture["at"] > given) or time.monotonic() > deadline:
            return load, problem
        time.sleep(0.05)


def _held_at(where: str, picture: Mapping[str, Any]) -> tuple[Mapping[str, Any] | None, str]:
    """The held load in a bay or of an id, or else what is there instead."""
    load = next((load for load in picture["loads"] if where in (load["bay"], load["load_id"])), None)
    if load is None:
        taken = ", ".join(load["bay"] for load in picture["loads"] if load["bay"]) or "none"
        pulled = ", ".join(x["load_id"] for x in picture["loads"] if x["phase"] == "held" and not x["bay"])
        elsewhere = f"; held without a drive: {pulled}" if pulled else ""
        return None, f"there is no drive in {where}; bays with a drive: {taken}{elsewhere}"
    if load["phase"] != "held":
        what = f"the drive in {where}" if where == load["bay"] else f"load {where}"
        return None, f"{what} is not held: it is {load['outcome'] or load['phase']}"
    return load, ""


def _user() -> str:
    """Who is at the keyboard, also behind sudo."""
    try:
        return os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):
        return f"uid {os.getuid()}"


def _drop(settings: Config, body: bytes) -> int:
    """Put a notice into the spool and say what became of it."""
    spool_folder = settings.bus.spool_folder
    path = spool.put_notice(spool_folder, body, f"{time.time_ns()}-{uuid.uuid4().hex[:8]}")
    if not status.is_running(settings.station.state_folder):
        print(f"sent: {path} (the daemon is not running; it will read it when it starts)")
        return OK
    deadline = time.monotonic() + _ANSWER_WITHIN_S
    while os.path.lexists(path):
        if time.monotonic() > deadline:
            print(f"sent: {path} (not taken yet; see ingestd status)")
            return OK
        time.sleep(0.05)
    problems = _refused(spool_folder, os.path.basename(path))
    for problem in problems:
        print(f"refused: {problem}", file=sys.stderr)
    if not problems:
        print("taken")
    return REFUSED if problems else OK


def _refused(spool_folder: str, name: str) -> Sequence[str]:
    """The problems for which the notice of this name was set aside; none when it was not."""
    pattern = os.path.join(glob.escape(spool_folder), "refused", f"*{glob.escape(name)}.problems.txt")
    for path in glob.glob(pattern):
        with open(path, encoding="utf-8") as file:
            return file.read().splitlines()
    return ()
