"""The lab itself: without drives that behave like drives, the tests on it would show nothing."""

from __future__ import annotations

import os
from pathlib import Path

from tests.vmlab import Lab, find_sectors, make_image


def test_a_usb_drive_is_seen_by_udev_fails_where_it_is_bad_and_is_never_written_to(
    lab: Lab, tmp_path: Path
) -> None:
    fine, worn = os.urandom(300_000), os.urandom(300_000)
    files = {"fine.age": fine, "worn.age": worn}
    image = make_image(tmp_path / "drive.img", "8M", fs="ext4", label="KELP-03", files=files)
    first, _ = find_sectors(image, worn)[0]
    drive = lab.plug(image, serial="K7QX01", bad=[(first + 64, 8)])
    try:
        told = lab.shell(f"udevadm info --query=property --name={drive.partitions[0]}", check=True).stdout
        assert {"ID_BUS=usb", "ID_SERIAL_SHORT=K7QX01", "ID_FS_TYPE=ext4"} <= set(told.splitlines())
        status, _ = lab.shell(f"dd if={drive.device} of=/dev/null bs=512 skip={first} count=64 iflag=direct")
        assert status == 0
        failed = lab.shell(f"dd if={drive.device} of=/dev/null bs=512 skip={first + 64} count=1 iflag=direct")
        assert failed.status == 1
        assert lab.shell("dmesg | grep -c 'critical medium error'").status == 0
        assert lab.traffic(drive)["write_requests"] == 0
    finally:
        lab.unplug(drive)
