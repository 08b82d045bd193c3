"""The real daemon over disks that a real udev tells of: plugged in, loaded, released, pulled."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.runtime import cli
from tests.support.daemon import Station, sealed
from tests.support.drives import attach, make_image, unplug_all, unplug_image
from tests.support.udevd import HERE, UDEV_ONLY, settle, tell, told_of_images, udevd

pytestmark = [*UDEV_ONLY]

FACTS = {"ID_SERIAL_SHORT": "TW-KELP-7", "ID_WWN": "0x5000c500a1b2c3d4", "ID_MODEL_ENC": "Brinecroft\\x202T"}


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    with udevd(), told_of_images(tmp_path):
        station = Station(tmp_path, drives={"watch": "udev"})
        with station.config.open("a") as file:
            for place in ("one", "two"):
                file.write(f'[[bays]]\nname = "bay-{place}"\npath = ["{HERE}-{place}-*"]\n')
        station.start()
        try:
            yield station
        finally:
            station.end()
            unplug_all(tmp_path)
            settle()


def disk(folder: Path, place: str, content: bytes) -> Path:
    image = make_image(folder / f"{place}.img", {"dive.7z": content}, size_mib=8)
    tell(image, {"ID_PATH": f"{HERE}-{place}-scsi-0", **FACTS})
    return image


def test_a_disk_goes_its_whole_way(station: Station, capsys: pytest.CaptureFixture[str]) -> None:
    content = sealed(300_000, 1)
    image = disk(station.root, "one", content)
    outside = disk(station.root, "nowhere", content)
    station.announce("TW-1", "TW-KELP-7")
    other, device = attach(outside), attach(image)
    told = station.wait_released("TW-KELP-7")
    assert (told["outcome"], told["bay"], told["powered_down"]) == ("loaded", "bay-one", False)
    assert (station.archive / "tidewrack-survey/TW-1/dive.7z").read_bytes() == content
    station.wait_phase("TW-KELP-7", "released")
    assert cli.main(["drives", "--json", "--config", str(station.config)]) == 0
    (drive,) = json.loads(capsys.readouterr().out)["drives"]
    assert (drive["bay"], drive["serial"], drive["wwn"]) == ("bay-one", "TW-KELP-7", "0x5000c500a1b2c3d4")
    assert Path(f"/sys/block/{Path(device).name}/ro").read_text() == "1\n"
    assert Path(f"/sys/block/{Path(other).name}/ro").read_text() == "0\n", "what is in no bay is not touched"


def test_a_drive_that_is_moved_to_another_bay_goes_on_with_its_load(station: Station) -> None:
    first = attach(disk(station.root, "one", sealed(300_000, 2)))
    held = station.wait_phase("TW-KELP-7", "held")
    assert held["hold"] == "no-matching-job"
    unplug_image(first)
    station.wait_released("TW-KELP-7")
    station.announce("TW-2", "TW-KELP-7")
    attach(disk(station.root, "two", sealed(300_000, 2)))
    told = station.wait_released("TW-KELP-7", count=2)
    assert (told["outcome"], told["bay"], told["job_id"]) == ("loaded", "bay-two", "TW-2")
