"""A partitioned drive on USB under a kernel with its own drivers, partition nodes and device mapper."""

from __future__ import annotations

import hashlib
import json
import sys
from pathlib import Path

from tests.support import drives as support
from tests.support.hfsplus import hfsplus_volume
from tests.vmlab import Lab, Partition, make_image

TOP = Path(__file__).parents[2]
MIB = 1 << 20


def test_volumes_of_a_pulled_drive_with_the_kernels_own_drivers(lab: Lab, tmp_path: Path) -> None:
    """An ext4 that was never unmounted, replayed by a snapshot of the device mapper, and four more."""
    parts = [Partition(size=16 * MIB)]
    parts += [
        Partition(fs, files={"who.age": fs.encode()}, size=16 * MIB) for fs in ("vfat", "exfat", "ntfs")
    ]
    mac = hfsplus_volume(tmp_path, {"who.age": b"hfsplus"})
    parts += [Partition(size=len(mac))]  # to the sector: its second header is at the end
    image = make_image(tmp_path / "drive.img", "80M", table="gpt", partitions=parts)
    late = {f"late-{number}.age": bytes([number]) * 9000 for number in range(20)}
    pulled = support.make_image(tmp_path / "pulled.img", {}, size_mib=16)
    support.write_into(pulled, late, cleanly=False)
    with image.open("r+b") as file:
        file.seek(MIB)
        file.write(pulled.read_bytes())
        file.seek(65 * MIB)
        file.write(mac)
    before = hashlib.sha256(image.read_bytes()).digest()
    drive = lab.plug(image, serial="K7QX09")
    try:
        # With IPC of its own, as the helper's unit has it.
        command = f"unshare --ipc {sys.executable} -m tests.support.guest_volumes {drive.device} hfsplus"
        said = lab.shell(command, cwd=str(TOP), timeout_s=300)
        assert said.status == 0, said.stderr
        assert lab.traffic(drive)["write_requests"] == 0
    finally:
        lab.unplug(drive)
    told = json.loads(said.stdout.splitlines()[-1])
    volumes = told["volumes"]
    assert {name: volume["problem"] for name, volume in volumes.items()} == {
        f"volume-{number}": None for number in (1, 2, 3, 4, 5)
    }
    assert volumes["volume-1"]["replayed"]
    assert volumes["volume-1"]["files"] == {name: sha256(body) for name, body in late.items()}
    for number, fs in enumerate(("vfat", "exfat", "ntfs", "hfsplus"), start=2):
        assert volumes[f"volume-{number}"]["file_system"] == fs
        assert volumes[f"volume-{number}"]["files"] == {"who.age": sha256(fs.encode())}
    assert told["ways"][0] == "device-mapper"
    assert told["sealed"] == ["1\n"] * 6, "the disk and its five partitions"
    assert "ingestd" not in told["left"]
    assert hashlib.sha256(image.read_bytes()).digest() == before


def sha256(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()
