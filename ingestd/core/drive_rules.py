"""What is to be said of the drive itself: its interface, its link, and its own account of its condition."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping

from ingestd.core import health
from ingestd.core.catalogue import make
from ingestd.core.drive import Health, HealthFacts, Link
from ingestd.core.found import Evidence, Finding, FindingCode, SurveyFacts
from ingestd.core.job import ExpectedDrive

INTERFACES: Mapping[str, str] = {
    "sata": "SATA",
    "esata": "eSATA",
    "nvme": "NVMe",
    "sas": "SAS",
    "usb-1": "USB 1",
    "usb-2": "USB 2",
    "usb-3": "USB 3 or faster",
    "parallel-ata": "parallel ATA",
    "parallel-scsi": "parallel SCSI",
    "firewire": "FireWire",
    "memory-card": "a memory card",
    "virtio": "virtio",
}
"""The interfaces that can be told apart, as people call them."""

REFUSED = ("parallel-ata", "parallel-scsi", "usb-1", "usb-2")
"""Not accepted unless a site says otherwise: common practice of the trade."""

_ANNOUNCED: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"usb[34].*|superspeed.*", ("usb-3",)),
    (r"usb2.*", ("usb-2",)),
    (r"usb1.*", ("usb-1",)),
    (r"usb.*", ("usb-1", "usb-2", "usb-3")),
    (r"e?sata.*|serialata.*", ("sata", "esata")),
    (r"nvme.*|pcie.*|m2.*|u2.*", ("nvme",)),
    (r"sas.*", ("sas",)),
    (r"ide.*|pata.*|ata.*|parallelata", ("parallel-ata",)),
    (r"scsi.*|parallelscsi", ("parallel-scsi",)),
    (r"firewire.*|ieee1394.*", ("firewire",)),
)
"""What notices may call an interface, letters and digits only, and what it is then."""

_USEFUL_SHARE = 1 / 12
"""Of a link's megabits, what arrives as megabytes: about 40 MB/s at 480, as USB 2 drives commonly give."""


def findings(facts: SurveyFacts, announced: ExpectedDrive, refused: Collection[str]) -> Iterator[Finding]:
    """Everything about the drive that is worth a finding."""
    yield from _interface(facts, announced, refused)
    if facts.link is not None and facts.link.degraded:
        yield _slow(facts.link, facts.ledger.pending_bytes)
    if facts.health.verdict is Health.SUSPECT:
        yield _suspect(facts.health)
    if facts.health.notes:
        text = "; ".join(facts.health.notes)
        celsius = facts.health.temperature_celsius
        yield make(
            FindingCode.HEALTH_NOTE,
            "drive",
            f"Of itself the drive says: {text}.",
            *([Evidence(name="temperature_celsius", value=celsius)] if celsius is not None else []),
        )


def _interface(facts: SurveyFacts, announced: ExpectedDrive, refused: Collection[str]) -> Iterator[Finding]:
    found = INTERFACES.get(facts.interface)
    if found is None:
        return  # a bench, or nobody knows
    if facts.interface in refused:
        yield make(
            FindingCode.INTERFACE_NOT_ACCEPTED,
            "drive",
            f"The drive is connected by {found}, which this station does not accept.",
            Evidence(name="interface", value=facts.interface),
        )
    meant = meant_by(announced.interface)
    if meant and facts.interface not in meant:
        yield make(
            FindingCode.INTERFACE_NOT_AS_ANNOUNCED,
            "drive",
            f"The drive is connected by {found}; {announced.interface} was announced.",
            Evidence(name="expected", value=announced.interface or ""),
            Evidence(name="found", value=facts.interface),
        )


def meant_by(announced: str | None) -> tuple[str, ...]:
    """The interfaces that a notice's word may mean; none where nobody can tell."""
    text = re.sub(r"[^a-z0-9]", "", (announced or "").lower())
    return next((found for pattern, found in _ANNOUNCED if re.fullmatch(pattern, text)), ())


def _slow(link: Link, pending_bytes: int) -> Finding:
    seconds = pending_bytes / (link.mbit_per_second * 1_000_000 * _USEFUL_SHARE)
    capable = link.capable_mbit_per_second or 0
    return make(
        FindingCode.LINK_DEGRADED,
        "drive",
        f"The drive is linked at {speed(link.mbit_per_second)}, and {speed(capable)} is possible: "
        f"to read what is on it will take about {roughly(seconds)}.",
        Evidence(name="mbit_per_second", value=link.mbit_per_second),
        Evidence(name="capable_mbit_per_second", value=capable),
        Evidence(name="expected_seconds", value=round(seconds)),
    )


def speed(mbit_per_second: int) -> str:
    """A link's speed as people write it: `480 Mb/s`, `5 Gb/s`."""
    if mbit_per_second < 1000:
        return f"{mbit_per_second} Mb/s"
    return f"{mbit_per_second / 1000:g} Gb/s"


def roughly(seconds: float) -> str:
    """A duration with the one unit that fits it."""
    for unit, size in (("day", 86_400.0), ("hour", 3600.0), ("minute", 60.0)):
        if seconds >= 2 * size:
            return f"{round(seconds / size)} {unit}s"
    return "two minutes at most"


def _suspect(facts: HealthFacts) -> Finding:
    return make(
        FindingCode.HEALTH_SUSPECT,
        "drive",
        f"The drive's own account is bad: {health.in_words(facts)}.",
        *(Evidence(name=counter.name, value=counter.value) for counter in facts.counters if counter.value),
    )


def worsened(before: HealthFacts, after: HealthFacts) -> tuple[Finding, ...]:
    """A finding for what has gone up in the drive's own counts while it was read; none if nothing has."""
    rises = health.risen(before, after)
    if not rises:
        return ()
    return (
        make(
            FindingCode.HEALTH_WORSENED,
            "drive",
            f"While the drive was read its own counts of damage went up: {'; '.join(rises)}.",
            Evidence(name="risen", value=rises),
        ),
    )
