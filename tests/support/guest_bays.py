"""Run in a guest with real buses: what the station makes of the drives there, and of releasing them.

    python -m tests.support.guest_bays [release] [BAY ...]

Prints one JSON object: for each of these bays, or all, its interface, identity and health, whether it could
be opened, and with `release` whether it was stopped and whether the kernel has let go of it.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from ingestd.core.drive import Sighting
from ingestd.core.model import BayName
from ingestd.drives.bays import Bay
from ingestd.drives.udev import UdevDrives
from tests.support.drives import Going, udev_drives

# Without SATA: the one such drive is there from the start, for other tests of the same guest.
BAYS = {
    "usb": ("*-usb*",),
    "nvme": ("*-nvme-*",),
    "scsi": ("pci-????:??:??.?-scsi-*",),
}


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        drives = udev_drives(
            [Bay(name=BayName(name), paths=paths) for name, paths in BAYS.items()], Path(folder) / "mounts"
        )
        found = list(drives.enumerate())
        wanted = set(BAYS).intersection(sys.argv) or set(BAYS)
        told = {s.bay: about(drives, s, release="release" in sys.argv) for s in found if s.bay in wanted}
        print(json.dumps({"drives": told, "passed_over": drives.passed_over}))


def about(drives: UdevDrives, sighting: Sighting, *, release: bool) -> dict[str, Any]:
    opened = drives.open(sighting.handle, Going())
    facts = opened.facts
    opened.close()
    told: dict[str, Any] = {
        "node": sighting.handle.locator,
        "interface": facts.interface,
        "mbit_per_second": facts.link.mbit_per_second if facts.link is not None else None,
        "serial": facts.identity.serial,
        "wwn": facts.identity.wwn,
        "health": facts.health.verdict,
        "volumes": [volume.problem or volume.file_system for volume in facts.volumes],
    }
    if release:
        told["stopped"] = drives.power_down(sighting.handle)
        told["gone"] = not os.path.exists(f"/sys/block/{os.path.basename(sighting.handle.locator)}")
        told["still_shown"] = sighting in drives.enumerate()
    return told


if __name__ == "__main__":
    main()
