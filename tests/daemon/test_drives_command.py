"""`ingestd drives` and `ingestd rules`: what people on the host are shown of the bays."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.drive import DriveFacts, DriveIdentity, Health, HealthFacts, Link, VolumeFacts
from ingestd.runtime import cli
from ingestd.runtime.show_drives import lines
from tests.support.daemon import Station, sealed

Ingestd = Callable[..., tuple[int, str, str]]


@pytest.fixture
def ingestd(capsys: pytest.CaptureFixture[str]) -> Ingestd:
    def run(station: Station, *arguments: str) -> tuple[int, str, str]:
        code = cli.main([*arguments, "--config", str(station.config)])
        return (code, *capsys.readouterr())

    return run


FACTS = DriveFacts(
    identity=DriveIdentity(
        serial="BC70KELP", wwn="0x5000c500a1b2c3d4", model="Brinecroft 2T-B7", size_bytes=2_000_398_934_016
    ),
    interface="usb-3",
    link=Link(mbit_per_second=480, capable_mbit_per_second=5000),
    rotational=True,
    health=HealthFacts(
        verdict=Health.SUSPECT,
        reasons=("reallocated and pending sectors (5: 112, 197: 16)",),
        temperature_celsius=38,
    ),
    volumes=(
        VolumeFacts(name="volume-1", file_system="exfat", label="KELP-03", size_bytes=2_000_000_000_000),
        VolumeFacts(name="volume-2", problem="no file system is recognised on it", size_bytes=134_217_728),
    ),
)


def shown(facts: DriveFacts, **more: Any) -> dict[str, Any]:
    plain = json.loads(json.dumps(asdict(facts)))
    known = {key: plain[key] for key in ("interface", "link", "rotational", "health", "volumes")}
    return {
        "bay": "bay-3",
        **plain["identity"],
        **known,
        "job_id": None,
        "phase": "held",
        "reason": "",
        **more,
    }


def test_a_drive_on_a_few_lines() -> None:
    drive = shown(FACTS, job_id="TW-2041", phase="loading")
    assert list(lines([drive], [], running=True)) == [
        "bay-3    USB 3 or faster at 480 Mb/s (slow: 5 Gb/s is possible), 2.0 TB,",
        "         rotational",
        "         Brinecroft 2T-B7, serial BC70KELP, WWN 0x5000c500a1b2c3d4",
        "         health suspect: reallocated and pending sectors (5: 112, 197: 16); 38",
        "         °C",
        '         volume-1 exfat "KELP-03" 2.0 TB',
        "         volume-2 unknown format 134.2 MB: no file system is recognised on it",
        "         job TW-2041, loading",
    ]


def test_why_a_drive_has_no_job_and_what_is_wrong_besides() -> None:
    drive = shown(FACTS, reason="no job asks for it")
    told = list(lines([drive], ["bay-4 has 2 disks (/dev/sdc, /dev/sdd): only one is taken"], running=True))
    assert told[0] == "TROUBLE bay-4 has 2 disks (/dev/sdc, /dev/sdd): only one is taken"
    assert told[-1] == "         no job, held: no job asks for it"


def test_nothing_plugged_in() -> None:
    assert list(lines([], [], running=True)) == ["no drive is plugged in"]


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=120)


@given(TEXT, TEXT, TEXT, st.lists(TEXT, max_size=2))
def test_no_line_is_wider_than_80(bay: str, model: str, label: str, remarks: list[str]) -> None:
    drive = shown(FACTS, bay=bay, model=model, serial=label, reason=label)
    drive["volumes"][0]["label"] = label
    assert max(map(len, lines([drive, drive], remarks, running=True))) <= 80


def test_without_a_daemon_what_can_be_seen_is_shown(tmp_path: Path, ingestd: Ingestd) -> None:
    station = Station(tmp_path)
    station.write_drive("TW-1", {b"a.age": b"x"})
    station.plug("bay-10", "TW-1")
    station.plug("bay-2", "TW-1")
    status, out, _ = ingestd(station, "drives")
    assert status == 0
    assert out.splitlines()[:2] == [
        "(no daemon runs: drives are not opened, so health and volumes are not known)",
        "bay-2    folder, 2.0 TB",
    ]
    _, out, _ = ingestd(station, "drives", "--json")
    told = json.loads(out)
    assert told["running"] is False
    assert [drive["bay"] for drive in told["drives"]] == ["bay-2", "bay-10"]
    assert told["drives"][0]["serial"] == "TW-1"


def test_a_running_daemon_tells_more(tmp_path: Path, ingestd: Ingestd) -> None:
    station = Station(tmp_path)
    station.write_drive("TW-1", {b"a.7z": sealed(5000)})
    station.start()
    try:
        station.plug("bay-1", "TW-1")
        station.wait_phase("TW-1", "held")
        status, out, _ = ingestd(station, "drives", "--json")
        (drive,) = json.loads(out)["drives"]
        assert status == 0
        assert (drive["phase"], drive["job_id"], drive["health"]["verdict"]) == ("held", None, "unknown")
        assert [volume["name"] for volume in drive["volumes"]] == ["volume-1"]
        assert "no job" in drive["reason"]
        _, out, _ = ingestd(station, "drives")
        assert "         no job, held: " in out
    finally:
        station.stop()


def test_rules_are_made_from_the_bays(tmp_path: Path, ingestd: Ingestd) -> None:
    station = Station(tmp_path)
    status, _, said = ingestd(station, "rules")
    assert (status, said) == (2, f"{station.config}: there are no [[bays]] to make rules for\n")
    with station.config.open("a") as file:
        file.write('[[bays]]\nname = "bay-1"\npath = ["pci-*-ata-2*"]\n')
    status, out, _ = ingestd(station, "rules")
    assert status == 0
    assert 'ENV{ID_PATH}=="pci-*-ata-2*", ENV{INGESTD_BAY}="bay-1"' in out
