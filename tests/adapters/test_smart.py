"""Asking disks through smartctl: which way through an enclosure, whose answer it is, and what it costs."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path

import pytest

from ingestd.core.drive import DriveIdentity, Health
from ingestd.drives import smart
from ingestd.drives.programs import run
from ingestd.drives.smart import answer, identity_in, parsed
from ingestd.ports import ToolFailed
from tests.support.drives import Going

REPORTS = Path(__file__).parents[1] / "smartctl"

THE_DISK = DriveIdentity(
    serial="BC70KELP", wwn="0x5000c500a1b2c3d4", model="Brinecroft 2T-B7", size_bytes=2_000_398_934_016
)


class Enclosure:
    """Answers by the type of device that it is asked as; says what it was asked as."""

    def __init__(self, reports: Mapping[str | None, str], otherwise: str = "bridge-unknown") -> None:
        self._reports = reports
        self._otherwise = otherwise
        self.asked: list[str | None] = []

    def __call__(self, device_type: str | None) -> str:
        self.asked.append(device_type)
        return (REPORTS / f"{self._reports.get(device_type, self._otherwise)}.json").read_text()


def test_a_disk_that_smartctl_knows_is_asked_once() -> None:
    disk = Enclosure({None: "ata-good"})
    told = answer(disk, behind_usb=True)
    assert (told.identity, told.health.verdict) == (THE_DISK, Health.OK)
    assert disk.asked == [None]


@pytest.mark.parametrize(
    ("way", "name"), [("sat", "ata-good"), ("sntasmedia", "nvme-good"), ("sntrealtek", "nvme-worn")]
)
@pytest.mark.parametrize("first", ["bridge-unknown", "bridge-speaks-for-itself"])
def test_the_way_through_an_enclosure_is_found(way: str, name: str, first: str) -> None:
    enclosure = Enclosure({way: name, None: first})
    told = answer(enclosure, behind_usb=True)
    assert told.identity is not None
    assert told.identity.serial in ("BC70KELP", "S64DNX0R")
    assert enclosure.asked == [None, *smart.BRIDGES[: smart.BRIDGES.index(way) + 1]]


def test_an_enclosure_that_lets_nothing_through_is_not_taken_for_the_disk() -> None:
    enclosure = Enclosure({}, otherwise="bridge-speaks-for-itself")
    told = answer(enclosure, behind_usb=True)
    assert told.identity is None
    assert told.health.verdict is Health.UNKNOWN
    assert enclosure.asked == [None, *smart.BRIDGES]


def test_elsewhere_nothing_is_tried_out() -> None:
    disk = Enclosure({None: "sas-good"})
    told = answer(disk, behind_usb=False)
    assert told.identity is not None
    assert told.identity.serial == "ZA1B2C3D"
    gone = Enclosure({}, otherwise="not-opened")
    assert answer(gone, behind_usb=False).identity is None
    assert gone.asked == [None]


def test_a_smartctl_that_fails_costs_only_the_answer() -> None:
    def fails(_: str | None) -> str:
        raise ToolFailed("smartctl has not ended within 30 s and was given up")

    told = answer(fails, behind_usb=True)
    assert told.identity is None
    assert told.health.reasons == ("smartctl has not ended within 30 s and was given up",)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", "[" * 100_000, '{"smartctl": 5}', '{"serial_number": 7}']
)
def test_what_is_no_report_says_nothing(text: str) -> None:
    assert identity_in(parsed(text), behind_usb=False) is None
    assert answer(lambda _: text, behind_usb=False).health.verdict is Health.UNKNOWN


def test_a_question_that_hangs_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smart, "ANSWER_WITHIN_S", 0.1)
    monkeypatch.setattr(smart, "_SLICE_S", 0.05)

    def hangs() -> smart.Answer:
        time.sleep(2)
        return answer(Enclosure({}), behind_usb=False)

    told = smart.Asked(hangs).wait(Going())
    assert told.identity is None
    assert told.health.reasons == ("the disk has not answered within 0.1 s",)


def test_smartctl_itself_understands_what_it_is_asked() -> None:
    """A device that is none: it says so, and not that the options are unknown. It knows every way."""
    for way in (None, *smart.BRIDGES):
        kind = () if way is None else (f"--device={way}",)
        report = parsed(run("smartctl", *smart.OPTIONS, *kind, "/dev/null").out)
        messages = " ".join(m["string"] for m in report["smartctl"].get("messages", ()))
        assert report["json_format_version"][0] == 1
        assert "UNRECOGNIZED OPTION" not in messages.upper()
        assert "Unknown device type" not in messages
        assert "/dev/null" in str(report)
