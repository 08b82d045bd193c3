"""Stories as text: what happens on lines that begin with `>`, what the station answers below each.

    > plug bay-1 serial=HQ7K2M9A
    do bay-1 identify #1

`say` is a message with its number within its load, `do` a command with its attempt, `now` the phase of
a load that has changed, `job` a status that has; `record` is what was added to a drive's record of
custody. Lines that begin with `#` are for the reader.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from enum import Enum
from itertools import groupby
from typing import Any

from ingestd.core.custody import Entry
from ingestd.core.drive import DriveFacts
from ingestd.core.found import FaultKind, FileFault, Finding, Ledger, SurveyFacts
from ingestd.core.job import ExpectedDrive, Job
from ingestd.core.line import Cap
from ingestd.core.messages import (
    Cancel,
    Close,
    Command,
    Identify,
    Prove,
    Recheck,
    StartTimer,
    Survey,
    TakeBack,
    Transfer,
    UplinkSet,
)
from ingestd.core.model import Decision, FailureKind, ProofLevel
from ingestd.core.outgoing import Publish
from ingestd.core.phases import Load
from ingestd.core.station import reason_of
from ingestd.core.uplink import UplinkOrder
from tests.support import values as v
from tests.support.one_station import Quay

Words = Mapping[str, str]

_DULL = ("load_id", "drive", "tenant", "station", "receipt", "custody")
"""Fields of messages that every story would only repeat."""

_FAULTS = {
    "mismatch": FaultKind.CHECKSUM_MISMATCH,
    "unreadable": FaultKind.UNREADABLE,
    "changed": FaultKind.CHANGED_WHILE_READ,
    "plain": FaultKind.NOT_ENCRYPTED,
    "unsupported": FaultKind.NOT_SUPPORTED,
}


def retold(text: str, quay: Quay | None = None) -> str:
    """The same story with the answers that the station gives now."""
    quay, blocks = quay or Quay(), []
    for block in text.strip().split("\n\n"):
        lines = [line for line in block.splitlines() if line.startswith(("#", ">"))]
        for line in lines:
            if line.startswith(">"):
                lines.extend(_step(quay, line.removeprefix(">")))
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _step(quay: Quay, line: str) -> Iterator[str]:
    """Let one thing happen, and say what came of it."""
    verb, *rest = shlex.split(line)
    plain = [word for word in rest if "=" not in word]
    named = dict(word.split("=", 1) for word in rest if "=" in word)
    loads, jobs, told = dict(quay.station.loads), dict(quay.station.jobs), len(quay.journal.told)
    recorded = len(quay.journal.custody)
    _VERBS[verb](quay, plain, named)
    yield from (f"say {_message(record)}" for record in quay.journal.told[told:])
    yield from (f"do {_whose(quay, command)}{_command(command)}" for command in quay.commands)
    yield from _records(quay.journal.custody[recorded:])
    for load in quay.station.in_order():
        if _place(load) != _place(loads.get(load.load_id)):
            yield f"now {_place(load)}"
    yield from (
        f"forgotten {loads[gone].drive.label}" for gone in sorted(loads.keys() - quay.station.loads.keys())
    )
    for job_id in sorted(quay.station.jobs.keys()):
        before = jobs.get(job_id)
        if before is None or before.status is not quay.station.jobs[job_id].status:
            yield f"job {job_id} {quay.station.jobs[job_id].status}"


def _records(entries: Sequence[Entry]) -> Iterator[str]:
    """The actions recorded of each drive, with whose word it was if it was a person's."""
    for load_id, of_load in groupby(entries, key=lambda entry: entry.load_id):
        lines = [json.loads(entry.line) for entry in of_load]
        actions = (
            f"{line['action']} by {line['operator']}" if "operator" in line else line["action"]
            for line in lines
        )
        bay = load_id.split(".")[1]
        yield f"record {bay} {', '.join(actions)}"


# -- what happens ----------------------------------------------------------------------------------


def _job(plain: list[str], named: Words) -> Job:
    known: dict[str, Any] = {}
    known["drives"] = (
        *(ExpectedDrive(serial=serial) for serial in _names(named, "serial")),
        *(ExpectedDrive(volume_label=label) for label in _names(named, "label")),
    )
    known["items"] = tuple(v.item(name) for name in _names(named, "items"))
    for key in ("version", "priority"):
        if key in named:
            known[key] = int(named[key])
    if "proof" in named:
        known["proof"] = ProofLevel(named["proof"])
    if "prefix" in named:
        known["prefix"] = named["prefix"]
    return v.job(plain[0], keep_on_failure="keep" in plain, **known)


def _drive(named: Words) -> DriveFacts:
    return v.facts(named.get("serial"), label=named.get("label"), ticket=named.get("ticket"))


def _survey(named: Words) -> SurveyFacts:
    known: dict[str, Any] = {}
    if "plain" in named:
        known["secrecy"] = (v.plain(named["plain"]),)
    if "doubtful" in named:
        known["secrecy"] = (v.doubtful(named["doubtful"]),)
    items = [*v.found(*_names(named, "found")), *v.missing(*_names(named, "missing"))]
    return v.survey(items=tuple(items), **known)


def _names(named: Words, key: str) -> list[str]:
    return [name for name in named.get(key, "").split(",") if name]


def _faults(named: Words) -> list[FileFault]:
    return [v.fault(path, kind) for key, kind in _FAULTS.items() for path in _names(named, key)]


def _ledger(named: Words) -> Ledger:
    return v.ledger(**{key: int(value) for key, value in named.items()})


def _where(quay: Quay, plain: list[str]) -> str | Load:
    """The load of a bay, or the one whose drive is away."""
    if plain and plain[0] != "away":
        return plain[0]
    (away,) = [load for load in quay.station.loads.values() if load.bay is None]
    return away


def _unidentified(quay: Quay, plain: list[str], _named: Words) -> None:
    quay.unidentified(plain[0], FailureKind(plain[1]))


def _failed(quay: Quay, plain: list[str], _named: Words) -> None:
    quay.failed(_where(quay, plain), FailureKind(plain[1]))


def _uplink(quay: Quay, plain: list[str], _named: Words) -> None:
    quay.take(UplinkSet(at=quay.at, order=UplinkOrder(cap=Cap(int(plain[0])))))


_VERBS: Mapping[str, Callable[[Quay, list[str], Words], object]] = {
    "announce": lambda quay, plain, named: quay.announce(_job(plain, named)),
    "amend": lambda quay, plain, named: quay.amend(_job(plain, named)),
    "withdraw": lambda quay, plain, _: quay.withdraw(plain[0]),
    "assign": lambda quay, plain, _: quay.assign(plain[0], plain[1]),
    "lift": lambda quay, plain, _: quay.lift(plain[0], Decision(plain[1])),
    "uplink": _uplink,
    "plug": lambda quay, plain, named: quay.plug(plain[0], _drive(named), known=False),
    "unplug": lambda quay, plain, _: quay.unplug(plain[0]),
    "identified": lambda quay, plain, _: quay.identified(plain[0]),
    "unidentified": _unidentified,
    "surveyed": lambda quay, plain, named: quay.surveyed(plain[0], _survey(named)),
    "progressed": lambda quay, plain, named: quay.progressed(plain[0], _ledger(named)),
    "transferred": lambda quay, plain, named: quay.transferred(plain[0], *_faults(named)),
    "rechecked": lambda quay, plain, named: quay.rechecked(plain[0], *_faults(named)),
    "proved": lambda quay, plain, _: quay.proved(plain[0]),
    "proof-failed": lambda quay, plain, _: quay.proof_failed(plain[0]),
    "taken-back": lambda quay, plain, _: quay.taken_back(_where(quay, plain)),
    "closed": lambda quay, plain, _: quay.closed(_where(quay, plain)),
    "failed": _failed,
    "wait": lambda quay, plain, _: quay.fire(plain[0]),
    "stop": lambda quay, _, __: quay.stop(),
    "restart": lambda quay, _, named: quay.restart(without=_names(named, "without")),
}


# -- what comes of it ------------------------------------------------------------------------------


def _message(record: Publish) -> str:
    words = [f"{record.number}" if record.number < 1_000 else "", record.body.TYPE.removeprefix("ingest.")]
    for field in fields(record.body):
        value = getattr(record.body, field.name)
        if field.name not in _DULL and value not in (None, (), ""):
            words.append(f"{field.name}={_value(value)}")
    return " ".join(word for word in words if word)


def _value(value: object) -> str:
    match value:
        case Enum():
            return str(value.value)
        case str() if " " in value:
            return f'"{value}"'
        case Finding():
            return f"{value.severity}:{value.code}:{value.subject}"
        case Ledger():
            return f"{value.stored_files}/{value.discovered_files}"
        case tuple() if all(isinstance(one, str | Finding) for one in value):
            return "[" + "; ".join(_value(one).strip('"') for one in value) + "]"
        case tuple():
            return str(len(value))
        case _:
            return str(value)


def _whose(quay: Quay, command: Command) -> str:
    load_id = getattr(command, "load_id", None)
    if load_id is None:
        return ""
    load = quay.journal.loads[load_id]
    return f"{load.bay or load.drive.label} "


def _command(command: Command) -> str:
    match command:
        case Identify(bay=bay, attempt=attempt):
            return f"{bay} identify #{attempt}"
        case Survey(attempt=attempt, fresh=fresh):
            return f"survey #{attempt}{' on a freshly opened drive' if fresh else ''}"
        case Transfer(attempt=attempt, folder=folder, without=without):
            left_out = f" without {', '.join(without)}" if without else ""
            return f"transfer #{attempt}{f' into {folder}' if folder else ''}{left_out}"
        case Recheck(attempt=attempt, faults=faults):
            return f"recheck #{attempt} of {', '.join(fault.path for fault in faults)}"
        case Prove(attempt=attempt, level=level):
            return f"prove #{attempt} as {level}"
        case TakeBack(attempt=attempt, destination=destination):
            return f"take back #{attempt} from {destination.store}:{destination.prefix}"
        case Close(attempt=attempt, power_down=power_down):
            return f"close #{attempt}{' and power down' if power_down else ''}"
        case Cancel(attempt=attempt):
            return f"cancel #{attempt}"
        case StartTimer(timer=timer, after_s=after_s):
            return f"start timer {timer.purpose} of {after_s:.1f} s"


def _place(load: Load | None) -> str:
    if load is None:
        return ""
    reason = reason_of(load)
    return f"{load.bay or load.drive.label} {load.phase}{f': {reason}' if reason else ''}"
