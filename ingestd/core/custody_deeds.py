"""What of a load's life goes into its record of custody: read off each step, after it was decided.

Counts, totals and codes only. Words that may name a customer's file (of findings, of failures, of the order
system) stay out: the record goes wherever the receipt goes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from ingestd.core.custody import Action, Content, Deed, Surroundings, drive_in_words
from ingestd.core.drive import CustodyHead, DriveFacts, VolumeFacts
from ingestd.core.found import Finding, Ledger
from ingestd.core.load import Step
from ingestd.core.load_events import (
    Amended,
    LoadEvent,
    Matched,
    Restarted,
    Returned,
    TimeUp,
    Unplugged,
    Withdrawn,
)
from ingestd.core.messages import (
    Command,
    EffectFailed,
    ProofFailed,
    Prove,
    Proved,
    Recheck,
    Rechecked,
    Survey,
    Surveyed,
    TakeBack,
    TakenBack,
    Transfer,
    Transferred,
)
from ingestd.core.model import Decision, Failure, JobId, Outcome
from ingestd.core.outgoing import DriveReleased, LoadAway, LoadHeld, LoadResumed, Outgoing
from ingestd.core.phases import Load, Released, Releasing

Details = Mapping[str, Content]


def of_step(before: Load, event: LoadEvent, step: Step, here: Surroundings) -> list[Deed]:
    """What one step adds to the record; nothing where it changed nothing, or came after the release."""
    after = step.load
    if after is before and not step.messages and not step.commands:
        return []
    if isinstance(before.state, Released) and isinstance(after.state, Released):
        return []  # The release closes the record.
    deeds = list(_happened(before, event, after, here))
    outcome = _outcome(after)
    if outcome is not None and outcome is not _outcome(before):
        deeds.append(_concluded(after, outcome))
    deeds += [deed for message in step.messages for deed in _said(message)]
    if not isinstance(event, TimeUp):  # That the same is tried again says nothing new, each few minutes.
        deeds += [deed for command in step.commands for deed in _begun(command)]
    return deeds


def arrived(facts: DriveFacts, seen_at: float, here: Surroundings, failure: Failure | None) -> list[Deed]:
    """How a record begins. `failure`: why little is known of the drive, when identifying it failed."""
    plugged = Deed(action=Action.PLUGGED_IN, details={"interface": facts.interface}, at=seen_at)
    if failure is None:
        return [plugged, _identified(facts, here)]
    failed = {"failure": failure.kind.value, **here.in_words()}
    return [plugged, Deed(action=Action.NOT_IDENTIFIED, details=failed)]


def assigned(by: str, job_id: JobId) -> Deed:
    return Deed(action=Action.ASSIGNED, operator=by, details={"job_id": job_id})


def decided(by: str, decision: Decision) -> Deed:
    return Deed(action=Action.DECIDED, operator=by, details={"decision": decision.value})


# -- what happened ---------------------------------------------------------------------------------


def _happened(before: Load, event: LoadEvent, after: Load, here: Surroundings) -> Iterator[Deed]:
    match event:
        case Matched():
            yield Deed(action=Action.MATCHED, details=_match(event))
        case Unplugged() if before.bay is not None and after.bay is None:
            yield Deed(action=Action.UNPLUGGED, details={"from_bay": before.bay})
        case Returned():
            if before.bay is None:
                yield Deed(action=Action.PLUGGED_IN, details={"interface": event.facts.interface})
            yield _identified(event.facts, here)
        case Restarted():
            yield Deed(action=Action.DAEMON_STARTED, details=here.in_words())
        case Withdrawn(keep=keep):
            yield Deed(action=Action.WITHDRAWN, details={"data_kept": keep})
        case Amended():
            yield Deed(action=Action.AMENDED)
        case EffectFailed(failure=failure):
            # Counted by kind since the work moved on: each kind is told once.
            if failure.kind not in dict(getattr(before.state, "failures", ())):
                yield Deed(action=Action.WORK_FAILED, details={"failure": failure.kind.value})
        case _:
            report = _REPORTS.get(type(event))
            if report is not None:
                action, details = report
                yield Deed(action=action, details=details(event))


def _match(event: Matched) -> Details:
    details: dict[str, Content] = {
        "job_id": event.job_id,
        "drive_number": event.drive_index + 1,
        "by": event.by,
    }
    if event.continues is not None:
        details["continues"] = event.continues
    if event.continues_custody is not None:
        details["continues_custody"] = head_in_words(event.continues_custody)
    return details


def head_in_words(head: CustodyHead) -> Details:
    return {"entries": head.entries, "sha256": head.sha256}


def _identified(facts: DriveFacts, here: Surroundings) -> Deed:
    details: dict[str, Content] = {
        "drive": drive_in_words(facts.identity),
        "interface": facts.interface,
        "health": facts.health.verdict.value,
        "write_blocks": list(facts.write_blocks),
        "volumes": _volumes(facts.volumes),
        **here.in_words(),
    }
    return Deed(action=Action.IDENTIFIED, details=details)


def _volumes(volumes: Iterable[VolumeFacts]) -> list[Content]:
    return [_volume(volume) for volume in volumes]


def _volume(volume: VolumeFacts) -> Details:
    """`overlay`: its log was replayed onto one, in front of the drive."""
    known = {"file_system": volume.file_system, "driver": volume.driver, "size_bytes": volume.size_bytes}
    details: dict[str, Content] = {name: value for name, value in known.items() if value is not None}
    details |= {"name": volume.name, "overlay": volume.replayed, "readable": volume.problem is None}
    return details


def totals(ledger: Ledger) -> Details:
    return {
        "files": ledger.discovered_files,
        "bytes": ledger.discovered_bytes,
        "stored_files": ledger.stored_files,
        "stored_bytes": ledger.stored_bytes,
        "skipped_files": ledger.skipped_files,
        "skipped_bytes": ledger.skipped_bytes,
        "failed_files": ledger.failed_files,
        "failed_bytes": ledger.failed_bytes,
        "pending_files": ledger.pending_files,
        "pending_bytes": ledger.pending_bytes,
    }


def _surveyed(event: Surveyed) -> Details:
    return {"totals": totals(event.facts.ledger), "volumes": _volumes(event.facts.volumes)}


def _read(event: Transferred) -> Details:
    return {"totals": totals(event.ledger), "faults": len(event.faults)}


def _read_again(event: Rechecked) -> Details:
    return {"totals": totals(event.ledger), "confirmed": len(event.confirmed)}


def _proved(event: Proved) -> Details:
    receipt = event.receipt
    return {
        "proof": receipt.proof.value,
        "store": receipt.store,
        "prefix": receipt.prefix,
        "manifest": receipt.manifest,
        "manifest_sha256": receipt.manifest_sha256,
        "files": receipt.files,
        "stored_bytes": receipt.stored_bytes,
        "files_read_back": receipt.files_read_back,
        "bytes_read_back": receipt.bytes_read_back,
    }


def _proof_failed(event: ProofFailed) -> Details:
    return {"totals": totals(event.ledger)}


def _taken_back(event: TakenBack) -> Details:
    return {"files": event.files, "bytes": event.size_bytes}


_REPORTS: Mapping[type, tuple[Action, Callable[[Any], Details]]] = {
    Surveyed: (Action.SURVEYED, _surveyed),
    Transferred: (Action.READ, _read),
    Rechecked: (Action.READ_AGAIN, _read_again),
    Proved: (Action.PROVED, _proved),
    ProofFailed: (Action.PROOF_FAILED, _proof_failed),
    TakenBack: (Action.TAKEN_BACK, _taken_back),
}


# -- what was decided ------------------------------------------------------------------------------


def _outcome(load: Load) -> Outcome | None:
    return load.state.outcome if isinstance(load.state, Releasing) else None


def _concluded(after: Load, outcome: Outcome) -> Deed:
    return Deed(
        action=Action.CONCLUDED,
        details={"outcome": outcome.value, "findings": _codes(after.findings)},
    )


def _codes(findings: Iterable[Finding]) -> list[Content]:
    return [{"code": f.code.value, "severity": f.severity.value} for f in findings]


def _said(message: Outgoing) -> Iterator[Deed]:
    match message:
        case LoadHeld(reason=reason, cause=cause, findings=findings):
            details = {"reason": reason.value, "cause": cause.value, "findings": _codes(findings)}
            yield Deed(action=Action.HELD, details=details)
        case LoadResumed(after=phase):
            yield Deed(action=Action.RESUMED, details={"after": phase.value})
        case LoadAway(ledger=ledger):
            yield Deed(action=Action.AWAY, details={"totals": totals(ledger)})
        case DriveReleased():
            yield Deed(action=Action.RELEASED, details=_release(message))
        case _:
            pass


def _release(message: DriveReleased) -> Details:
    details: dict[str, Content] = {
        "outcome": message.outcome.value,
        "powered_down": message.powered_down,
        "drive": drive_in_words(message.drive),
    }
    if message.disposition is not None:
        details["disposition"] = message.disposition.value
    return details


def _begun(command: Command) -> Iterator[Deed]:
    match command:
        case Survey(fresh=fresh):
            yield Deed(action=Action.SURVEY_BEGUN, details={"drive_opened_anew": fresh})
        case Transfer(job=job, folder=folder):
            where = {"store": job.destination.store, "prefix": job.destination.prefix, "folder": folder}
            details = {name: value for name, value in where.items() if value}
            yield Deed(action=Action.LOADING_BEGUN, details=details)
        case Recheck(faults=faults):
            yield Deed(action=Action.SECOND_READING_BEGUN, details={"faults": len(faults)})
        case Prove(level=level):
            yield Deed(action=Action.PROOF_BEGUN, details={"proof": level.value})
        case TakeBack():
            yield Deed(action=Action.TAKING_BACK_BEGUN)
        case _:
            pass
