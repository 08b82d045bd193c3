"""The command line."""

from __future__ import annotations

import argparse
import getpass
import glob
import json
import os
import sys
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ingestd import __version__
from ingestd.bus import codec, spool
from ingestd.core.messages import JobAmended, JobAnnounced
from ingestd.core.station_jobs import why_not_takeable
from ingestd.ports import JournalError, PortError
from ingestd.runtime import check, config, show, status
from ingestd.runtime.app import App
from ingestd.runtime.config import Config, ConfigError
from ingestd.runtime.host import Signals
from ingestd.telemetry import logs

DEFAULT_CONFIG = "/etc/ingestd/ingestd.toml"

_ANSWER_WITHIN_S = 5.0
"""How long a command waits to hear what the daemon made of a notice."""

OK, FAILED, REFUSED = 0, 1, 2
"""Exit statuses: done; could not be done; what was given is wrong."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; gives the exit status."""
    options = _parser().parse_args(arguments)
    try:
        done: int = options.command(options)
        return done
    except ConfigError as error:
        for problem in error.problems:
            print(f"{error.path}: {problem}", file=sys.stderr)
        return REFUSED
    except (JournalError, PortError, status.AlreadyRunning, status.StateFolderUnusable) as error:
        print(f"ingestd: {error}", file=sys.stderr)
        return FAILED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="ingestd",
        description="Takes customers' drives at an ingest station from plugged in to released.",
    )
    parser.add_argument("--version", action="version", version=f"ingestd {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.add_argument(
            "--config",
            metavar="FILE",
            default=os.environ.get("INGESTD_CONFIG", DEFAULT_CONFIG),
            help="configuration file (default: $INGESTD_CONFIG or %(default)s)",
        )
        sub.set_defaults(command=run)
        return sub

    command("run", _run, "run the daemon in the foreground")
    command("check", _check, "check the configuration and the surroundings, listing every problem")
    sub = command("status", _status, "show what each bay is doing and why it waits")
    sub.add_argument("--json", action="store_true", help="the whole picture as JSON")
    sub.add_argument("--watch", action="store_true", help="renew it every second until interrupted")
    sub = command("send", _send, "put a notice into the spool, after checking it")
    sub.add_argument("file", metavar="FILE", help="the notice, a CloudEvents JSON file; - for standard input")
    sub = command("assign", _assign, "say which job the drive in a bay belongs to")
    sub.add_argument("bay", metavar="BAY")
    sub.add_argument("job", metavar="JOB")
    _by(sub)
    sub = command("lift", _lift, "decide about a load that is held")
    sub.add_argument("bay", metavar="BAY")
    sub.add_argument(
        "--decision",
        choices=("again", "accept", "refuse"),
        default="again",
        help="again: look at it once more (default); accept: take it in spite of the doubt; "
        "refuse: fail the job, or let a drive without a job go",
    )
    _by(sub)
    return parser


def _by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", metavar="NAME", help="who decides (default: you)")


# -- the commands ----------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    logs.set_up(settings.logs.level, settings.logs.format)
    signals = Signals()
    signals.install()
    try:
        return App(settings, options.config, signals).run()
    except JournalError as error:
        logs.get().critical("journal_broken", text=str(error))
        raise


def _check(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    problems = list(check.surroundings(settings))
    for problem in problems:
        print(f"{'PROBLEM' if problem.fatal else 'note':8} {problem.where}: {problem.text}")
        print(f"{'':8} {problem.remedy}")
    fatal = sum(problem.fatal for problem in problems)
    if not fatal:
        print(f"{options.config}: station {settings.station.name} is ready to run")
    return REFUSED if fatal else OK


def _status(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    try:
        return _show_status(options, settings.station.state_folder)
    except KeyboardInterrupt:
        return OK


def _show_status(options: argparse.Namespace, folder: str) -> int:
    while True:
        picture, up = status.read(folder), status.is_running(folder)
        if picture is None:
            print(f"no daemon has run in {folder} yet", file=sys.stderr)
            return FAILED
        if options.json:
            print(json.dumps({"running": up, **picture}, indent=None if options.watch else 2), flush=True)
        else:
            clear = "\x1b[H\x1b[J" if options.watch and sys.stdout.isatty() else ""
            print(clear + "\n".join(show.status(picture, running=up)), flush=True)
        if not options.watch:
            return OK if up else FAILED
        time.sleep(1)


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
        return why_not_takeable(decoded.notice.job, settings.limits())
    return ()


def _assign(options: argparse.Namespace) -> int:
    return _tell(options, "ingest.drive.assigned", {"job_id": options.job})


def _lift(options: argparse.Namespace) -> int:
    return _tell(options, "ingest.hold.lifted", {"decision": options.decision})


def _tell(options: argparse.Namespace, kind: str, data: dict[str, object]) -> int:
    """A person's word about the drive in a bay; it only counts for the one that is there now."""
    settings = config.read(options.config)
    folder = settings.station.state_folder
    picture = status.read(folder)
    if picture is None or not status.is_running(folder):
        print("ingestd: the daemon is not running; nothing was sent", file=sys.stderr)
        return FAILED
    load, problem = _held_in(options.bay, picture)
    if load is None:
        print(f"ingestd: {problem}", file=sys.stderr)
        return REFUSED
    body = codec.encode_notice(
        kind,
        {
            **data,
            "station": settings.station.name,
            "bay": options.bay,
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


def _held_in(bay: str, picture: Mapping[str, Any]) -> tuple[Mapping[str, Any] | None, str]:
    """The held load in a bay, or else what is there instead."""
    load = next((load for load in picture["loads"] if load["bay"] == bay), None)
    if load is None:
        taken = ", ".join(load["bay"] for load in picture["loads"] if load["bay"]) or "none"
        return None, f"there is no drive in {bay}; bays with a drive: {taken}"
    if load["phase"] != "held":
        return None, f"the drive in {bay} is not held: it is {load['outcome'] or load['phase']}"
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


if __name__ == "__main__":
    sys.exit(main())
