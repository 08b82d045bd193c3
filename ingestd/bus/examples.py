"""One worked example of every message, from one day at a station. The published schemas show them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ingestd.core.model import (
    BayName,
    Disposition,
    DriveIdentity,
    Evidence,
    FailureClass,
    Finding,
    FindingCode,
    HoldReason,
    JobId,
    Ledger,
    LoadId,
    Outcome,
    Phase,
    ProofLevel,
    Receipt,
    Severity,
)
from ingestd.core.outgoing import (
    BayReport,
    DriveReleased,
    DriveUnclaimed,
    JobFailed,
    JobLoaded,
    JobWithdrawalCompleted,
    LoadAway,
    LoadHeld,
    LoadProgressed,
    LoadResumed,
    LoadStarted,
    NoticeRefused,
    Outgoing,
    StationReported,
)

_SONAR: dict[str, Any] = {
    "job_id": "tidewrack-2031-0117",
    "version": 1,
    "tenant": "tidewrack-survey",
    "drives": [
        {
            "serial": "HQ7K2M9A",
            "wwn": "0x3d5e7f90a1b2c3d4",
            "capacity_bytes": 4_000_787_030_016,
            "interface": "usb3",
        }
    ],
    "items": [
        {
            "name": "kelp-forest-north.tar.age",
            "size_bytes": 1_832_519_379_627,
            "sha256": "6b2f1c0d9e8a7b6c5d4e3f2a1b0c9d8e7f6a5b4c3d2e1f0a9b8c7d6e5f4a3b2c",
        },
        {"name": "track-lines", "kind": "folder"},
    ],
    "destination": {"store": "harrow-archive", "prefix": "tidewrack-survey/2031/kelp-forest-north"},
    "requirements": {"unexpected-item": "blocking"},
    "priority": 3,
    "due_at": "2031-05-19T18:00:00Z",
    "proof": "sampled",
    "return_label_enclosed": True,
    "carrier_reference": "HQ-4471-0092",
}

NOTICES: Mapping[str, Mapping[str, Any]] = {
    "ingest.job.announced": _SONAR,
    "ingest.job.amended": {**_SONAR, "version": 2, "priority": 1, "due_at": "2031-05-18T06:00:00+02:00"},
    "ingest.job.withdrawn": {
        "job_id": "alder-press-0458",
        "reason": "The order was cancelled by the customer.",
    },
    "ingest.drive.assigned": {
        "station": "quay-03",
        "bay": "bay-2",
        "job_id": "lumen-dome-0031",
        "by": "m.okafor",
    },
    "ingest.hold.lifted": {"station": "quay-03", "bay": "bay-4", "decision": "accept", "by": "m.okafor"},
    "ingest.uplink.set": {
        "station": "quay-03",
        "rate_bytes_per_second": 250_000_000,
        "burst_bytes": 64_000_000,
    },
}
"""The data of one notice of each type."""

_AT = 1_936_772_400.25
_BAY = BayName("bay-1")
_JOB = JobId("tidewrack-2031-0117")
_LOAD = LoadId("quay-03-000214")
_DRIVE = DriveIdentity(
    serial="HQ7K2M9A", wwn="0x3d5e7f90a1b2c3d4", model="Fathom D4000", size_bytes=4_000_787_030_016
)
_LEDGER = Ledger(
    discovered_bytes=1_832_600_000_000,
    stored_bytes=700_000_000_000,
    pending_bytes=1_132_600_000_000,
    discovered_files=412,
    stored_files=160,
    pending_files=252,
)
_MISSING = Finding(
    code=FindingCode.ITEM_MISSING,
    severity=Severity.BLOCKING,
    cause=FailureClass.REQUIREMENT,
    subject="plates-17.7z",
    sentence="The announced file “plates-17.7z” is not on the drive.",
    evidence=(
        Evidence(name="volumes", value=("vol-1",)),
        Evidence(name="near", value=("vol-1/scans/plates-17.7z",)),
    ),
    remedy_customer="Write the missing archive to a drive, or have the order amended.",
    remedy_floor="Set the drive aside as refused; treat it as its disposition says.",
)

EVENTS: tuple[Outgoing, ...] = (
    LoadStarted(
        load_id=_LOAD, job_id=_JOB, tenant="tidewrack-survey", bay=_BAY, drive=_DRIVE, matched_by="serial"
    ),
    LoadProgressed(
        load_id=_LOAD,
        job_id=_JOB,
        bay=_BAY,
        phase=Phase.LOADING,
        ledger=_LEDGER,
        rate_bytes_per_second=182_000_000,
    ),
    LoadHeld(
        load_id=LoadId("quay-03-000215"),
        job_id=None,
        bay=BayName("bay-2"),
        drive=DriveIdentity(serial="LD0031B", model="Ilex P2"),
        reason=HoldReason.NO_MATCHING_JOB,
        cause=FailureClass.DEPENDENCY,
        text="No job asks for this drive.",
        tried=("serial LD0031B: no job names it",),
        findings=(),
    ),
    LoadResumed(
        load_id=LoadId("quay-03-000215"),
        job_id=JobId("lumen-dome-0031"),
        bay=BayName("bay-2"),
        after=Phase.HELD,
        text="Assigned to lumen-dome-0031 by m.okafor.",
    ),
    LoadAway(load_id=_LOAD, job_id=_JOB, bay=_BAY, drive=_DRIVE, ledger=_LEDGER),
    JobLoaded(
        job_id=_JOB,
        tenant="tidewrack-survey",
        receipts=(
            Receipt(
                load_id=_LOAD,
                job_id=_JOB,
                tenant="tidewrack-survey",
                station="quay-03",
                serial=_DRIVE.serial,
                wwn=_DRIVE.wwn,
                model=_DRIVE.model,
                store="harrow-archive",
                prefix="tidewrack-survey/2031/kelp-forest-north",
                manifest="tidewrack-survey/2031/kelp-forest-north/.ingest/quay-03-000214.sha256",
                manifest_sha256="0f1e2d3c4b5a69788796a5b4c3d2e1f00f1e2d3c4b5a69788796a5b4c3d2e1f0",
                files=412,
                stored_bytes=1_832_600_000_000,
                skipped_files=0,
                skipped_bytes=0,
                proof=ProofLevel.SAMPLED,
                files_read_back=24,
                bytes_read_back=88_000_000_000,
                proved_at=_AT,
            ),
        ),
        findings=(),
    ),
    JobFailed(
        load_id=LoadId("quay-03-000216"),
        job_id=JobId("alder-press-0461"),
        tenant="alder-press",
        bay=BayName("bay-3"),
        drive=DriveIdentity(serial="AP77120", model="Ilex P2"),
        cause=FailureClass.REQUIREMENT,
        text="An announced archive is missing.",
        findings=(_MISSING,),
        observations=2,
        data_kept=False,
    ),
    JobWithdrawalCompleted(
        job_id=JobId("alder-press-0458"), taken_back=True, text="What was stored has been removed again."
    ),
    DriveUnclaimed(
        load_id=LoadId("quay-03-000217"),
        bay=BayName("bay-5"),
        drive=DriveIdentity(serial="X-0093", model="Ilex P2"),
        tried=("serial X-0093: no job names it",),
    ),
    DriveReleased(
        load_id=_LOAD,
        job_id=_JOB,
        bay=_BAY,
        drive=_DRIVE,
        outcome=Outcome.LOADED,
        disposition=Disposition.RETURN,
        powered_down=True,
        text="Pull the drive; it goes back with its return label.",
    ),
    NoticeRefused(
        notice="order-7741.json",
        problems=("data.version: must be a whole number; got text (remove the quotation marks)",),
    ),
    StationReported(
        station="quay-03",
        bays=(
            BayReport(bay=_BAY, phase=Phase.LOADING, load_id=_LOAD, reason="38 % stored"),
            BayReport(
                bay=BayName("bay-2"),
                phase=Phase.HELD,
                load_id=LoadId("quay-03-000215"),
                reason="no job asks for this drive",
            ),
        ),
        jobs_pending=7,
        draining=False,
    ),
)
"""The body of one event of each type."""
