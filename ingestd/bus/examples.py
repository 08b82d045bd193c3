"""One worked example of every message, from one day at a station. The published schemas show them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, get_args

from ingestd.bus import example_day
from ingestd.core.catalogue import make
from ingestd.core.drive import VolumeFacts
from ingestd.core.found import Evidence, FindingCode, Ledger
from ingestd.core.inspected import InspectionReport, Verdict
from ingestd.core.model import JobId
from ingestd.core.outgoing import Outgoing

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
        "load_id": "quay-03.bay-2.20310517T082014250Z",
        "job_id": "lumen-dome-0031",
        "by": "m.okafor",
    },
    "ingest.hold.lifted": {
        "station": "quay-03",
        "bay": "bay-4",
        "load_id": "quay-03.bay-4.20310517T082014250Z",
        "decision": "accept",
        "by": "m.okafor",
    },
    "ingest.uplink.set": {
        "station": "quay-03",
        "rate_bytes_per_second": 250_000_000,
        "burst_bytes": 64_000_000,
        "stores": {"harrow-archive": 200_000_000},
        "bays": {"bay-2": None},
        "until": "2031-05-17T18:00:00+02:00",
    },
}
"""The data of one notice of each type."""


def _one_of_each() -> Iterator[Outgoing]:
    """The first of each type that the station said on the day of the notices."""
    said = example_day.play(NOTICES)
    for cls in get_args(Outgoing):
        yield next(event for event in said if isinstance(event, cls))


def _inspected() -> InspectionReport:
    """A drive on support's desk from which one announced archive is missing."""
    missing = make(
        FindingCode.ITEM_MISSING,
        "plates-17.7z",
        "The announced archive plates-17.7z is not on the drive.",
        Evidence(name="near misses", value=("volume-1/scans/plates-17.7z",)),
    )
    volume = VolumeFacts(name="volume-1", file_system="ext4", label="PLATES", driver="ext4")
    ledger = Ledger(
        discovered_files=2, discovered_bytes=90_000_000, pending_files=2, pending_bytes=90_000_000
    )
    return InspectionReport(
        verdict=Verdict.REFUSED,
        job_id=JobId("alder-press-0461"),
        read=False,
        volumes=(volume,),
        ledger=ledger,
        findings=(missing,),
    )


EVENTS: tuple[Outgoing, ...] = tuple(_one_of_each())
"""The body of one event of each type."""

PRINTED: tuple[InspectionReport, ...] = (_inspected(),)
"""One of each that commands print."""
