"""The real daemon in a guest, with drives on each bus, whole and broken, pulled and pushed in again.

All drives that stay where they are come in at once; each test waits for what becomes of its own.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.conftest import SATA_FILES, SATA_SERIAL
from tests.acceptance.quay import OUTSIDE, Quay
from tests.support.daemon import sealed, wait_for
from tests.support.efs import mark_encrypted
from tests.support.told import complaints
from tests.vmlab import Drive, Lab, Partition, find_sectors, make_image

FILES = {"north.enc": sealed(120_000, 1), "deep/south.enc": sealed(60_000, 2)}
NOT_LOOKED_INTO = {"not-encrypted": "off", "encryption-uncertain": "off"}
WORN = sealed(200_000, 3)
LATE = sealed(50_000, 4)
"""Written, and synced, to a drive that is then pulled without being unmounted."""


@pytest.fixture(scope="module")
def quay(lab: Lab) -> Iterator[Quay]:
    station = Quay(lab)
    station.announce(f"TW-{SATA_SERIAL}", SATA_SERIAL)
    station.start()
    try:
        yield station
        assert station.stop() == 0
        assert not complaints(station.events(), station.seen)
        assert lab.traffic(lab.drives[0])["write_requests"] == 0
    finally:
        station.end()


@dataclass
class Crowd:
    """Drives that are plugged in together."""

    quay: Quay
    folder: Path
    drives: dict[str, Drive] = field(default_factory=dict)
    before: dict[str, str] = field(default_factory=dict)
    """What an image was when its drive was plugged in."""

    def image(self, name: str, table: str | None, fs: str | None, **more: Any) -> Path:
        size = "16M" if fs is None else "24M"
        return make_image(self.folder / f"{name}.img", size, table, fs, more.pop("label", ""), **more)

    def plug(self, serial: str, image: Path, port: int, bus: str = "usb", **spec: Any) -> None:
        self.before[serial] = digest(image)
        self.quay.announce(f"TW-{serial}", serial)
        self.drives[serial] = self.quay.lab.plug(image, serial=serial, port=port, bus=bus, **spec)

    def leave(self) -> None:
        for drive in self.drives.values():
            self.quay.pull_out(drive)
        now = {serial: digest(drive.spec.image) for serial, drive in self.drives.items()}
        assert now == self.before, "every image is what it was"


def digest(image: Path) -> str:
    return hashlib.sha256(image.read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def crowd(quay: Quay, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Crowd]:
    crowd = Crowd(quay, tmp_path_factory.mktemp("crowd"))
    for kind in ("ext4", "ntfs"):
        dirty = left_dirty(quay.lab, crowd.image(f"dirty-{kind}", "gpt", kind, files=FILES), kind)
        crowd.plug(f"DIRTY-{kind}", dirty, *{"ext4": (8,), "ntfs": (9,)}[kind])
    for fs, table, port, bus in SOUND:
        crowd.plug(f"KQX-{fs}", crowd.image(fs, table, fs, label="KELP", files=FILES), port, bus)
    several = [
        Partition("vfat", "ONE", {"one.enc": FILES["north.enc"]}, "8M"),
        Partition("ext4", "TWO", FILES),
    ]
    crowd.plug("KQX-SEVERAL", crowd.image("several", "gpt", "ext4", partitions=several), 10)
    worn = crowd.image("worn", "gpt", "ext4", files={**FILES, "worn.enc": WORN})
    first, _ = find_sectors(worn, WORN)[0]
    crowd.plug("WORN-1", worn, 5, bad=[(first + 96, 8)])
    crowd.plug("LOCKED-1", locked(crowd.image("locked", None, None)), 6)
    try:
        yield crowd
    finally:
        crowd.leave()


SOUND = (
    ("ntfs", "gpt", 1, "usb"),
    ("exfat", "mbr", 2, "uas"),
    ("ext4", "gpt", 3, "scsi"),
    ("xfs", "gpt", 0, "nvme"),
    ("vfat", None, 4, "usb"),
)


def locked(image: Path) -> Path:
    """A LUKS container over the whole of it."""
    command = ["cryptsetup", "luksFormat", "--batch-mode", "--type", "luks2", "--pbkdf", "pbkdf2"]
    more = ["--pbkdf-force-iterations", "1000", "--key-file", "-", str(image)]
    subprocess.run([*command, *more], input=b"kelp", check=True, capture_output=True)
    return image


def left_dirty(lab: Lab, image: Path, kind: str) -> Path:
    """Mounted writable, written to, synced, and pulled: outside the bays, as at its owner's."""
    drive = lab.plug(image, serial="OWNER-1", port=OUTSIDE)
    driver = {"ntfs": "ntfs3"}.get(kind, kind)
    late = lab.share / "late.enc"
    late.write_bytes(LATE)
    lab.shell(
        f"mkdir -p /mnt/owner && mount -t {driver} {drive.partitions[0]} /mnt/owner"
        " && cp /run/vmlab/share/late.enc /mnt/owner/late.enc && sync /mnt/owner/late.enc && sync",
        check=True,
    )
    lab.unplug(drive)
    lab.shell("umount -l /mnt/owner", check=True)
    return image


@pytest.mark.parametrize("fs", [fs for fs, *_ in SOUND])
def test_drives_of_each_bus_and_file_system_are_loaded_to_the_last_byte(crowd: Crowd, fs: str) -> None:
    assert crowd.quay.released(f"KQX-{fs}")["outcome"] == "loaded"
    assert crowd.quay.stored(f"KQX-{fs}") == FILES


def test_a_drive_that_was_there_before_the_daemon_is_loaded_as_well(crowd: Crowd) -> None:
    assert crowd.quay.released(SATA_SERIAL)["outcome"] == "loaded"
    assert crowd.quay.stored(SATA_SERIAL) == SATA_FILES


def test_all_volumes_of_a_drive_are_loaded(crowd: Crowd) -> None:
    assert crowd.quay.released("KQX-SEVERAL")["outcome"] == "loaded"
    stored = crowd.quay.stored("KQX-SEVERAL")
    assert sorted(stored.values()) == sorted([FILES["north.enc"], *FILES.values()])


def test_medium_errors_are_told_of_the_file_that_they_are_under(crowd: Crowd) -> None:
    assert crowd.quay.released("WORN-1")["outcome"] == "failed"
    failed = crowd.quay.told_of("ingest.job.failed", "WORN-1")
    (finding,) = failed["findings"]
    assert (finding["code"], finding["subject"]) == ("file-unreadable", "volume-1/worn.enc")
    (lost,) = finding["evidence"]["ranges"]
    assert re.fullmatch(rf"{96 * 512}\+{8 * 512} (EIO|ENODATA)", lost)
    assert failed["observations"] == 2
    assert crowd.quay.lab.traffic(crowd.drives["WORN-1"])["failed_reads"] > 0


def test_a_container_that_is_locked_is_told_as_what_it_is(crowd: Crowd) -> None:
    assert crowd.quay.released("LOCKED-1")["outcome"] == "failed"
    failed = crowd.quay.told_of("ingest.job.failed", "LOCKED-1")
    assert "volume-locked" in [finding["code"] for finding in failed["findings"]]
    assert "LUKS" in str(failed["findings"])


@pytest.mark.parametrize("kind", ["ext4", "ntfs"])
def test_what_was_synced_to_a_drive_that_was_pulled_is_loaded(crowd: Crowd, kind: str) -> None:
    assert crowd.quay.released(f"DIRTY-{kind}")["outcome"] == "loaded"
    assert crowd.quay.stored(f"DIRTY-{kind}") == {**FILES, "late.enc": LATE}


# -- drives that come and go by themselves ---------------------------------------------------------


def test_a_drive_pulled_while_it_is_read_goes_on_in_another_bay(quay: Quay, tmp_path: Path) -> None:
    files = {"long.enc": sealed(4_000_000, 5)}
    image = make_image(tmp_path / "pulled.img", "24M", "gpt", "ext4", "KELP", files)
    # Not looked into beforehand, so that what is loaded comes from the drive and from no cache.
    quay.announce("TW-PULLED-1", "PULLED-1", requirements=NOT_LOOKED_INTO)
    with quay.visit(image, "PULLED-1", 7, bytes_per_second=300_000) as drive:
        quay.phase("loading", "bay-7")
        quay.pull_out(drive)
        quay.told_of("ingest.load.away", "PULLED-1")
    with quay.visit(image, "PULLED-1", 11):
        released = quay.released("PULLED-1")
    assert (released["outcome"], released["bay"]) == ("loaded", "bay-11")
    assert quay.stored("PULLED-1") == files
    assert not quay.told("ingest.job.failed", job_id="TW-PULLED-1")


def test_a_drive_that_the_kernel_gives_up_in_mid_read_is_read_on(quay: Quay, tmp_path: Path) -> None:
    """As after a drive has not answered, and resets have not helped: then every read fails at once."""
    files = {"long.enc": sealed(4_000_000, 7), "next.enc": sealed(20_000, 8)}
    image = make_image(tmp_path / "offline.img", "24M", "gpt", "ext4", "KELP", files)
    quay.announce("TW-OFFLINE-1", "OFFLINE-1", requirements=NOT_LOOKED_INTO)
    with quay.visit(image, "OFFLINE-1", 7, bytes_per_second=1_000_000) as drive:
        quay.phase("loading", "bay-7")
        state = f"/sys/block/{Path(drive.device).name}/device/state"
        quay.lab.shell(f"echo offline > {state}", check=True)
        assert quay.released("OFFLINE-1")["outcome"] == "loaded"
    assert quay.stored("OFFLINE-1") == files
    wait_for(lambda: "drive_revived" in quay.logged, what="its line in the log")


def test_a_drive_outside_the_bays_is_left_alone(quay: Quay, tmp_path: Path) -> None:
    image = make_image(tmp_path / "outside.img", "8M", "gpt", "ext4", "KELP", FILES)
    inside = make_image(tmp_path / "inside.img", "8M", "gpt", "ext4", "KELP", FILES)
    for serial in ("OUTSIDE-1", "INSIDE-1"):
        quay.announce(f"TW-{serial}", serial)
    with quay.visit(image, "OUTSIDE-1", OUTSIDE + 1) as outside:
        quay.lab.shell("udevadm settle", check=True)
        before = quay.lab.traffic(outside)
        with quay.visit(inside, "INSIDE-1", 7):
            assert quay.released("INSIDE-1")["outcome"] == "loaded"
        assert quay.load("OUTSIDE-1") is None
        assert quay.lab.traffic(outside) == before, "nobody has so much as read from it"


def test_a_file_that_windows_has_encrypted_is_left_out_once_a_person_says_so(
    quay: Quay, tmp_path: Path
) -> None:
    files = {**FILES, "payroll.enc": sealed(30_000, 6)}
    image = make_image(tmp_path / "efs.img", "16M", "gpt", "ntfs", "KELP", files)
    mark_encrypted(image, "payroll.enc")
    quay.announce("TW-EFS-1", "EFS-1", requirements=NOT_LOOKED_INTO)
    with quay.visit(image, "EFS-1", 7):
        held = quay.phase("held", "bay-7")
        assert quay.stored("EFS-1") == FILES, "it costs nothing but itself"
        (doubt,) = quay.told_of("ingest.load.held", "EFS-1")["findings"]
        assert (doubt["code"], doubt["subject"]) == ("file-in-doubt", "volume-1/payroll.enc")
        quay.decide(held, "accept")
        assert quay.released("EFS-1")["outcome"] == "loaded"
    (loaded,) = quay.told("ingest.job.loaded", job_id="TW-EFS-1")
    assert [receipt["skipped_files"] for receipt in loaded["receipts"]] == [1]
    assert [finding["code"] for finding in loaded["findings"]] == ["file-in-doubt"]
    assert quay.stored("EFS-1") == FILES


def test_two_drives_with_one_serial_are_never_taken_for_one_another(quay: Quay, tmp_path: Path) -> None:
    """Enclosures that give all their drives one number: neither is the one that a job asks for."""
    images = [tmp_path / "one.img", tmp_path / "other.img"]
    for seed, image in enumerate(images):
        make_image(image, "8M", "gpt", "ext4", "KELP", {"same.enc": sealed(50_000, seed)})
    with quay.visit(images[0], "TWIN-1", 7), quay.visit(images[1], "TWIN-1", 11):
        held = [quay.phase("held", bay) for bay in ("bay-7", "bay-11")]
        quay.announce("TW-TWIN-1", "TWIN-1")
        time.sleep(3)
        for before in held:
            assert quay.phase("held", before["bay"])["load_id"] == before["load_id"]
        assert quay.stored("TWIN-1") == {}
