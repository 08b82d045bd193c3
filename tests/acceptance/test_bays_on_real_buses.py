"""Drives on USB, UAS, SCSI and NVMe buses, as the station sees, opens and releases them."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from tests.vmlab import Lab, make_image

TOP = Path(__file__).parents[2]


def look(lab: Lab, *arguments: str) -> dict[str, Any]:
    command = f"{sys.executable} -m tests.support.guest_bays {' '.join(arguments)}"
    said = lab.shell(command, cwd=str(TOP), timeout_s=240)
    assert said.status == 0, said.stderr
    told: dict[str, Any] = json.loads(said.stdout.splitlines()[-1])
    return told


def test_drives_of_each_bus_are_told_apart_opened_and_made_safe_to_pull(lab: Lab, tmp_path: Path) -> None:
    buses = {"usb": "K7QX01", "nvme": "K7QX02", "scsi": "K7QX03"}
    drives = []
    for bus, serial in buses.items():
        image = make_image(tmp_path / f"{bus}.img", "8M", fs="ext4", label="KELP", files={"a.age": b"kelp"})
        drives.append(lab.plug(image, serial=serial, bus=bus))
    try:
        told = look(lab, "release", *buses)
        found = told["drives"]
        assert set(found) == set(buses), told
        assert {name: drive["serial"] for name, drive in found.items()} == buses
        assert {name: drive["interface"] for name, drive in found.items()} == {
            "usb": "usb-3",
            "nvme": "nvme",
            "scsi": "virtio",
        }
        assert found["usb"]["mbit_per_second"] == 5000
        assert all(drive["volumes"] == ["ext4"] for drive in found.values())
        assert all(drive["gone"] and drive["still_shown"] for drive in found.values())
        assert {name: drive["stopped"] for name, drive in found.items()} == dict.fromkeys(buses, True)
        assert all(lab.traffic(drive)["write_requests"] == 0 for drive in drives)
    finally:
        for drive in drives:
            lab.unplug(drive)
