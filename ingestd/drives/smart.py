"""Asking a disk itself who it is and how it feels, through smartctl.

Only what a disk has on record is read; no test is begun and no setting is changed. A disk, or an enclosure,
that does not answer costs nothing but the answer.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from ingestd.core import health
from ingestd.core.drive import DriveIdentity, HealthFacts
from ingestd.drives.identity import is_dummy
from ingestd.ports import CancelToken, PortError

OPTIONS = ("--json=c", "--info", "--health", "--attributes")
ANSWER_WITHIN_S = 30.0
_SLICE_S = 0.5

BRIDGES = ("sat", "sntasmedia", "sntjmicron", "sntrealtek")
"""Ways through USB enclosures, in the order in which they are tried where smartctl knows no better:
SCSI to ATA translation, then those of three makers of bridges to NVMe (smartctl(8), option -d)."""

_NOT_OPENED = 0b11

Ask = Callable[[str | None], str]
"""What smartctl prints when it is to take the disk for a device of this type; None leaves it to guess."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the disk said of itself. `identity` is None when it did not say who it is."""

    identity: DriveIdentity | None
    health: HealthFacts


def answer(ask: Ask, *, behind_usb: bool) -> Answer:
    """What the disk says, in at most about `ANSWER_WITHIN_S` seconds. Raises nothing."""
    report, why = _report(ask, behind_usb)
    return Answer(identity=identity_in(report, behind_usb=behind_usb), health=health.judged(report, why))


class Asked:
    """A question to a disk that may take long, asked while something else is done."""

    def __init__(self, question: Callable[[], Answer]) -> None:
        self._question = question
        self._answer: Answer | None = None
        self._thread = threading.Thread(target=self._run, name="ask-disk", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        self._answer = self._question()

    def wait(self, cancel: CancelToken) -> Answer:
        """The answer, or that there was none in time. Raises Cancelled."""
        until = time.monotonic() + ANSWER_WITHIN_S
        while self._thread.is_alive() and time.monotonic() < until:
            self._thread.join(_SLICE_S)
            cancel.check()
            cancel.beat()
        if self._answer is not None:
            return self._answer
        late = f"the disk has not answered within {ANSWER_WITHIN_S:g} s"
        return Answer(identity=None, health=HealthFacts(reasons=(late,)))


def _report(ask: Ask, behind_usb: bool) -> tuple[Mapping[str, Any], str]:
    """The first report in which a disk speaks, else the first one; and why there is none."""
    until, first = time.monotonic() + ANSWER_WITHIN_S, None
    for device_type in (None, *(BRIDGES if behind_usb else ())):
        if time.monotonic() > until:
            break
        try:
            report = parsed(ask(device_type))
        except PortError as error:
            return first or {}, str(error)
        if _speaks(report, behind_usb):
            return report, ""
        first = first or report
    return first or {}, ""


def parsed(text: str) -> Mapping[str, Any]:
    """smartctl's JSON; nothing for what is none."""
    try:
        report = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return report if isinstance(report, dict) else {}


def _speaks(report: Mapping[str, Any], behind_usb: bool) -> bool:
    """Whether it is a disk that answers. Over USB, SCSI is the enclosure's language, not the disk's."""
    words = _OF_DISKS if behind_usb else (*_OF_DISKS, *_OF_SCSI)
    return not health.exit_status(report) & _NOT_OPENED and any(word in report for word in words)


_OF_DISKS = (
    "ata_smart_attributes",
    "ata_version",
    "nvme_smart_health_information_log",
    "nvme_version",
)
_OF_SCSI = ("scsi_version", "scsi_grown_defect_list", "scsi_error_counter_log")


def identity_in(report: Mapping[str, Any], *, behind_usb: bool) -> DriveIdentity | None:
    """Who the disk says it is; None where it does not, or where the enclosure answers for it."""
    if not _speaks(report, behind_usb):
        return None
    serial, model = _text(report.get("serial_number")), _text(report.get("model_name"))
    size = report.get("user_capacity")
    size_bytes = size.get("bytes") if isinstance(size, dict) else None
    found = DriveIdentity(
        serial=serial if serial and not is_dummy(serial) else None,
        wwn=_wwn(report.get("wwn")),
        model=model,
        size_bytes=size_bytes if isinstance(size_bytes, int) else None,
    )
    return found if found.serial or found.wwn else None


def _text(value: object) -> str | None:
    return value.strip() or None if isinstance(value, str) and value.isprintable() else None


def _wwn(value: object) -> str | None:
    """The NAA identifier as udev writes it: four bits of format, 24 of the maker, 36 of the unit."""
    if not isinstance(value, dict):
        return None
    parts = [value.get(key) for key in ("naa", "oui", "id")]
    if not all(isinstance(part, int) for part in parts):
        return None
    naa, oui, unit = parts
    return f"0x{naa:x}{oui:06x}{unit:09x}"
