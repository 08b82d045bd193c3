"""Findings about the drive itself: interface, link, health."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingestd.core import drive_rules, requirements
from ingestd.core.drive import Health, HealthFacts, Link
from ingestd.core.drive_rules import INTERFACES, REFUSED, meant_by, roughly, speed
from ingestd.core.found import Finding, Ledger, SurveyFacts
from ingestd.core.job import ExpectedDrive, PolicyChange
from ingestd.core.model import Policy, Severity
from tests.support import values as v


def found(facts: SurveyFacts, announced: str | None = None) -> list[Finding]:
    return list(drive_rules.findings(facts, ExpectedDrive(serial="TW-1", interface=announced), REFUSED))


def by(interface: str, **more: object) -> SurveyFacts:
    return replace(v.survey(), interface=interface, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("interface", ["parallel-ata", "parallel-scsi", "usb-2", "usb-1"])
def test_interfaces_that_are_not_accepted(interface: str) -> None:
    (finding,) = found(by(interface))
    assert finding.code == "interface-not-accepted"
    assert finding.severity is Severity.BLOCKING
    assert finding.sentence == (
        f"The drive is connected by {INTERFACES[interface]}, which this station does not accept."
    )


@pytest.mark.parametrize(
    "interface", ["sata", "esata", "usb-3", "nvme", "sas", "loop", "folder", "unknown", ""]
)
def test_interfaces_that_are(interface: str) -> None:
    assert found(by(interface)) == []


def test_a_site_decides() -> None:
    case = requirements.Case(
        job=v.job(), drive_index=0, drive_size_bytes=None, facts=by("usb-2"), interfaces_refused=REFUSED
    )
    (finding,) = requirements.judge_survey(case, v.LIMITS)
    assert finding.severity is Severity.BLOCKING
    change = PolicyChange(requirement="interface-not-accepted", policy=Policy.NOTED)
    (finding,) = requirements.judge_survey(case, replace(v.LIMITS, policies=(change,)))
    assert finding.severity is Severity.NOTED
    assert requirements.judge_survey(replace(case, interfaces_refused=("firewire",)), v.LIMITS) == ()


@pytest.mark.parametrize(
    ("announced", "meant"),
    [
        ("usb3", "usb-3"),
        ("USB 3.2 Gen 2", "usb-3"),
        ("USB-C", "usb-2"),
        ("usb 2.0", "usb-2"),
        ("SATA III", "esata"),
        ("eSATA", "sata"),
        ("NVMe", "nvme"),
        ("SAS", "sas"),
        ("IDE", "parallel-ata"),
        ("PATA", "parallel-ata"),
        ("SCSI", "parallel-scsi"),
        ("FireWire 800", "firewire"),
    ],
)
def test_what_notices_call_interfaces(announced: str, meant: str) -> None:
    assert meant in meant_by(announced)


@pytest.mark.parametrize("announced", [None, "", "by ship", "thunder"])
def test_words_that_mean_nothing_are_not_compared(announced: str | None) -> None:
    assert meant_by(announced) == ()
    assert found(by("sata"), announced) == []


def test_another_interface_than_announced() -> None:
    (finding,) = found(by("sata"), "usb3")
    assert (finding.code, finding.severity) == ("interface-not-as-announced", Severity.NOTED)
    assert finding.sentence == "The drive is connected by SATA; usb3 was announced."
    assert found(by("usb-3"), "usb3") == []


def test_a_slow_link_comes_with_how_long_it_will_take() -> None:
    link = Link(mbit_per_second=480, capable_mbit_per_second=5000)
    ledger = Ledger(
        discovered_bytes=8 * 10**12, pending_bytes=8 * 10**12, discovered_files=1, pending_files=1
    )
    (finding,) = found(by("usb-3", link=link, ledger=ledger))
    assert finding.sentence == (
        "The drive is linked at 480 Mb/s, and 5 Gb/s is possible: "
        "to read what is on it will take about 2 days."
    )
    assert {e.name: e.value for e in finding.evidence}["expected_seconds"] == 200_000
    assert found(by("usb-3", link=Link(mbit_per_second=5000, capable_mbit_per_second=5000))) == []
    assert found(by("usb-3", link=Link(mbit_per_second=480))) == []


def test_words_for_speeds_and_durations() -> None:
    assert [speed(n) for n in (480, 1500, 20_000)] == ["480 Mb/s", "1.5 Gb/s", "20 Gb/s"]
    assert [roughly(n) for n in (1, 300, 8000, 10**6)] == [
        "two minutes at most",
        "5 minutes",
        "2 hours",
        "12 days",
    ]


def test_suspect_drives_are_told_of_and_not_refused() -> None:
    health = HealthFacts(
        verdict=Health.SUSPECT, reasons=("reallocated and pending sectors (5: 112, 197: 16)",)
    )
    (finding,) = found(by("sata", health=health))
    assert (finding.code, finding.severity) == ("health-suspect", Severity.NOTED)
    assert finding.sentence == (
        "The drive's own account is bad: reallocated and pending sectors (5: 112, 197: 16); "
        "reading will be slow and may fail."
    )
    unknown = HealthFacts(verdict=Health.UNKNOWN, reasons=("the drive tells nothing",))
    assert found(by("sata", health=unknown)) == []


def test_heat_is_noted() -> None:
    health = HealthFacts(verdict=Health.OK, notes=("it has 71 °C",), temperature_celsius=71)
    (finding,) = found(by("sata", health=health))
    assert (finding.code, finding.severity) == ("health-note", Severity.NOTED)
    assert finding.sentence == "Of itself the drive says: it has 71 °C."
