"""Partition tables: which are understood, which are not believed, and every volume of a drive surveyed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.drive import VolumeFacts, VolumeFlaw
from ingestd.drives.block import Extent
from ingestd.drives.file_systems import why_not_opened
from ingestd.drives.partitions import PARTITIONS_MAX, TableError, flaw_of, parse
from ingestd.drives.probing import probe, recognised
from tests.support import drives as support
from tests.support.drives import make_file_system, make_image, plug_image, read_below
from tests.support.hfsplus import hfsplus_volume, never_unmounted

SIZE = 1 << 30
LINUX = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
RESERVED = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"


def listing(*entries: tuple[int, int, int, str], label: str = "gpt", sector: int = 512) -> str:
    """What sfdisk says of partitions given as (number, start, size, type), in sectors."""
    parts = [{"node": f"/dev/loop3p{n}", "start": s, "size": z, "type": t} for n, s, z, t in entries]
    table = {"label": label, "device": "/dev/loop3", "unit": "sectors", "sectorsize": sector}
    return json.dumps({"partitiontable": {**table, "partitions": parts}})


def test_partitions_are_known_by_their_numbers() -> None:
    table = parse(listing((7, 8192, 2048, LINUX), (2, 2048, 2048, LINUX)), SIZE)
    assert [part.name for part in table.parts] == ["volume-2", "volume-7"]
    assert table.parts[0].extent == Extent(offset_bytes=1 << 20, length_bytes=1 << 20)
    assert [flaw_of(part) for part in table.parts] == [None, None]


def test_sectors_are_as_large_as_the_table_says() -> None:
    (part,) = parse(listing((1, 256, 256, LINUX), sector=4096), SIZE).parts
    assert part.extent == Extent(offset_bytes=1 << 20, length_bytes=1 << 20)


def test_an_extended_partition_is_only_the_frame_of_others() -> None:
    entries = ((1, 2048, 2048, "83"), (2, 4096, 90000, "f"), (5, 6144, 2048, "83"), (6, 10240, 2048, "83"))
    table = parse(listing(*entries, label="dos"), SIZE)
    assert [part.number for part in table.parts] == [1, 5, 6]
    assert [flaw_of(part) for part in table.parts] == [None] * 3


def test_a_partition_beyond_the_end_is_not_looked_into() -> None:
    (part,) = parse(listing((1, 2048, 4096, LINUX)), 2 << 20).parts
    assert flaw_of(part) == (
        VolumeFlaw.UNREADABLE,
        "the partition table lets it end 1,048,576 bytes beyond the end of the drive",
    )


def test_partitions_that_overlap_are_not_looked_into() -> None:
    """One of them, or both, would show files that are not there."""
    entries = ((1, 2048, 8192, LINUX), (2, 4096, 1024, LINUX), (3, 6144, 1024, LINUX), (4, 20480, 64, LINUX))
    problems = {
        part.number: (flaw_of(part) or (None, ""))[1] for part in parse(listing(*entries), SIZE).parts
    }
    assert problems[2] == problems[3] == "the partition table lets it overlap with volume-1"
    assert problems[1] == "the partition table lets it overlap with volume-3"
    assert problems[4] == ""


def test_a_partition_that_is_meant_for_no_files_says_so() -> None:
    (part,) = parse(listing((1, 2048, 2048, RESERVED)), SIZE).parts
    assert flaw_of(part) == (VolumeFlaw.SPARE, "it is a partition reserved by Windows, and holds no files")


def test_only_so_many_partitions_are_looked_at() -> None:
    entries = [(n, 2048 * n, 2048, LINUX) for n in range(1, 3001)]
    table = parse(listing(*entries), 8 << 30)
    assert (len(table.parts), table.count) == (PARTITIONS_MAX, 3000)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not understood"),
        ("[]", "not understood"),
        ('{"partitiontable": {"label": "gpt", "sectorsize": 0}}', "not understood"),
        (listing((1, -5, 8, LINUX)), "not understood"),
        (listing((1, 5, 8, "0"), label="sun"), r"of a kind \(sun\) that is not read here"),
    ],
)
def test_a_table_that_makes_no_sense_is_refused(text: str, words: str) -> None:
    with pytest.raises(TableError, match=words):
        parse(text, SIZE)


@given(st.lists(st.tuples(st.integers(1, 200), st.integers(0, 1 << 63), st.integers(0, 1 << 63), st.text())))
def test_no_table_whatever_lets_a_window_leave_the_drive_or_show_bytes_twice(
    entries: list[tuple[int, int, int, str]],
) -> None:
    try:
        table = parse(listing(*entries), SIZE)
    except TableError:
        return
    taken = sorted(
        (part.extent.offset_bytes, part.end_bytes) for part in table.parts if flaw_of(part) is None
    )
    assert all(0 <= begin < end <= SIZE for begin, end in taken)
    assert all(end <= begin for (_, end), (begin, _) in pairwise(taken))


# -- what is recognised and never opened -----------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "flaw", "words"),
    [
        ("crypto_LUKS", VolumeFlaw.LOCKED, "an encrypted container (LUKS)"),
        ("BitLocker", VolumeFlaw.LOCKED, "an encrypted container (BitLocker)"),
        ("LVM2_member", VolumeFlaw.MEMBER, "a part of a volume group (LVM)"),
        ("linux_raid_member", VolumeFlaw.MEMBER, "a part of a disk array (Linux software RAID)"),
        ("ddf_raid_member", VolumeFlaw.MEMBER, "a part of a disk array (DDF"),
        ("isw_raid_member", VolumeFlaw.MEMBER, "a part of a disk array (Intel Matrix Storage)"),
        ("promise_fasttrack_raid_member", VolumeFlaw.MEMBER, "a disk array (promise_fasttrack)"),
        ("zfs_member", VolumeFlaw.MEMBER, "a part of a storage pool (ZFS)"),
        ("swap", VolumeFlaw.SPARE, "swap space"),
        ("apfs", VolumeFlaw.NOT_ACCEPTED, "the file system apfs, which is not accepted here"),
        (None, VolumeFlaw.UNREADABLE, "no file system is recognised"),
    ],
)
def test_what_is_not_opened_is_called_what_it_is(kind: str | None, flaw: VolumeFlaw, words: str) -> None:
    """The names are those of libblkid (util-linux 2.38, libblkid/src/superblocks)."""
    told_flaw, problem = why_not_opened(kind)
    assert told_flaw is flaw
    assert words in problem


def test_a_file_system_that_the_site_does_not_take_is_not_opened() -> None:
    fields = {"ID_FS_TYPE": "btrfs", "ID_FS_LABEL_ENC": "KELP"}
    facts = recognised(VolumeFacts(name="volume-1"), fields, accepted=("ext4", "xfs"))
    assert (facts.flaw, facts.label) == (VolumeFlaw.NOT_ACCEPTED, "KELP")
    assert facts.problem == (
        "it holds the file system btrfs, which is not accepted here; the station reads ext4, xfs"
    )
    assert recognised(VolumeFacts(name="volume-1"), fields, accepted=("btrfs",)).problem is None


# -- real tables -----------------------------------------------------------------------------------


class Station:
    def __init__(self, home: Path) -> None:
        self.home = home
        self.bays = home / "bays"
        self.image = self.bays / "bay-1" / "drive.img"
        self.image.parent.mkdir(parents=True)
        self.drives = support.loop_drives(self.bays, home / "mounts")

    def volume(self, name: str, mark: bytes) -> bytes:
        """The bytes of a small ext4 volume with one file in it."""
        path = make_image(self.home / f"{name}.img", {"who.txt": mark}, label=name, size_mib=2)
        return path.read_bytes()

    def write(self, table: str, *parts: tuple[int, bytes], size_mib: int = 24) -> None:
        """A drive with a table as sfdisk takes it and these bytes at these mebibytes."""
        with self.image.open("wb") as file:
            file.truncate(size_mib << 20)
        tool("sfdisk", "--quiet", "--no-tell-kernel", str(self.image), typed=table)
        self.put(*parts)

    def put(self, *parts: tuple[int, bytes]) -> None:
        with self.image.open("r+b") as file:
            for at_mib, body in parts:
                file.seek(at_mib << 20)
                file.write(body)

    def survey(self) -> dict[str, Any]:
        """What each volume holds, or its problem."""
        plug_image(self.bays, "bay-1", serial="KX-1")
        opened = support.open_in(self.drives, "bay-1")
        try:
            return {
                volume.facts.name: volume.facts.problem or read_below(volume.root_fd, "who.txt")
                for volume in opened.volumes
            }
        finally:
            opened.close()


def tool(*command: str, typed: str = "") -> None:
    subprocess.run(command, input=typed.encode(), check=True, capture_output=True)


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    station = Station(tmp_path)
    yield station
    support.unplug_all(station.bays)
    assert support.mounts_at(tmp_path) == []


def real(*programs: str) -> Callable[[Callable[..., Any]], Any]:
    """A test that needs root, loop devices and these programs."""
    missing = [program for program in programs if shutil.which(program) is None]
    marks = (*support.ROOT_ONLY, pytest.mark.skipif(bool(missing), reason=f"needs {', '.join(missing)}"))

    def marked(test: Callable[..., Any]) -> Any:
        for mark in marks:
            test = mark(test)
        return test

    return marked


GPT = f"""label: gpt
start=2048, size=4096, type={LINUX}
start=8192, size=4096, type={LINUX}, name="$(reboot) tide"
start=16384, size=2048, type={RESERVED}
start=20480, size=4096, type={LINUX}
"""


@real("sfdisk")
def test_every_volume_of_a_gpt_drive_is_surveyed(station: Station) -> None:
    station.write(GPT, (1, station.volume("ONE", b"1")), (4, station.volume("TWO", b"2")))
    assert station.survey() == {
        "volume-1": b"1",
        "volume-2": b"2",
        "volume-3": "it is a partition reserved by Windows, and holds no files",
        "volume-4": "no file system is recognised on it",
    }


@real("sfdisk")
def test_a_gpt_drive_whose_first_table_is_gone_is_read_by_the_second(station: Station) -> None:
    station.write(GPT, (1, station.volume("ONE", b"1")), (4, station.volume("TWO", b"2")))
    with station.image.open("r+b") as file:
        file.seek(512)
        file.write(b"\0" * 512)
    survey = station.survey()
    assert (survey["volume-1"], survey["volume-2"]) == (b"1", b"2")


@real("sfdisk")
def test_logical_partitions_nested_in_an_extended_one(station: Station) -> None:
    table = (
        "label: dos\nstart=2048, size=4096, type=83\nstart=6144, size=40000, type=5\n"
        "start=8192, size=4096, type=83\nstart=16384, size=4096, type=83\n"
    )
    parts = [(at, station.volume(f"V{at}", str(at).encode())) for at in (1, 4, 8)]
    station.write(table, *parts)
    assert station.survey() == {"volume-1": b"1", "volume-5": b"4", "volume-6": b"8"}


@real("sfdisk", "sgdisk")
def test_a_hybrid_table_is_read_as_the_gpt_that_it_is(station: Station) -> None:
    station.write(GPT, (1, station.volume("ONE", b"1")), (4, station.volume("TWO", b"2")))
    tool("sgdisk", "--hybrid=1:2", str(station.image))
    survey = station.survey()
    assert (survey["volume-1"], survey["volume-2"]) == (b"1", b"2")
    assert len(survey) == 4


@real("sfdisk")
def test_a_drive_that_was_cut_short_says_so(station: Station) -> None:
    station.write(
        "label: dos\nstart=2048, size=4096\nstart=8192, size=36000\n", (1, station.volume("ONE", b"1"))
    )
    with station.image.open("r+b") as file:
        file.truncate(16 << 20)
    survey = station.survey()
    assert survey["volume-1"] == b"1"
    assert "beyond the end of the drive" in survey["volume-2"]


@real("sfdisk")
def test_a_file_system_from_end_to_end_beside_a_table_is_told(station: Station) -> None:
    make_image(station.image, {"who.txt": b"former"}, size_mib=24)
    tool(
        "sfdisk",
        "--quiet",
        "--no-tell-kernel",
        "--wipe=never",
        str(station.image),
        typed="start=8192, size=4096",
    )
    station.put((4, station.volume("NOW", b"now")))
    survey = station.survey()
    assert survey["volume-1"] == b"now"
    assert "which is real is unknown" in survey["whole-drive"]


@real("sfdisk", "mkfs.exfat")
def test_a_gpt_is_read_whatever_mark_of_a_former_file_system_lies_in_the_first_sector(
    station: Station,
) -> None:
    make_file_system(station.image, "mkfs.exfat", size_mib=24)
    table = f"label: gpt\nstart=8192, size=4096, type={LINUX}"
    tool("sfdisk", "--quiet", "--no-tell-kernel", "--wipe=never", str(station.image), typed=table)
    station.put((4, station.volume("NOW", b"now")))
    survey = station.survey()
    assert survey["volume-1"] == b"now"
    assert "which is real is unknown" in survey["whole-drive"]


@real("sfdisk")
def test_a_table_without_partitions(station: Station) -> None:
    station.write("label: gpt\n")
    assert station.survey() == {"volume-1": "it holds a partition table (gpt) without partitions"}


@real("cryptsetup")
@pytest.mark.parametrize("kind", ["luks1", "luks2"])
def test_a_locked_volume_is_called_locked(station: Station, kind: str) -> None:
    with station.image.open("wb") as file:
        file.truncate(24 << 20)
    quick = ("--batch-mode", "--pbkdf=pbkdf2", "--pbkdf-force-iterations=1000", "--key-file=-")
    tool("cryptsetup", "luksFormat", f"--type={kind}", *quick, str(station.image), typed="tide")
    (problem,) = station.survey().values()
    assert problem == "it holds an encrypted container (LUKS) around all of it, which is not opened here"


@real("pvcreate")
def test_a_part_of_a_volume_group_is_called_that(station: Station) -> None:
    with station.image.open("wb") as file:
        file.truncate(8 << 20)
    with support.attached(station.image) as device:
        only = f'devices {{ filter=["a|^{device}$|","r|.*|"] use_devicesfile=0 }} global {{ locking_type=1 }}'
        tool("pvcreate", "--config", only, "-q", "-y", device)
    (problem,) = station.survey().values()
    assert "a part of a volume group (LVM)" in problem


@real("mksquashfs")
def test_squashfs_is_read(station: Station, tmp_path: Path) -> None:
    (tmp_path / "tree").mkdir()
    (tmp_path / "tree" / "who.txt").write_bytes(b"squashed")
    tool("mksquashfs", str(tmp_path / "tree"), str(station.image), "-quiet", "-no-progress")
    assert station.survey() == {"volume-1": b"squashed"}


@real("xorriso")
def test_an_hfsplus_is_taken_where_the_site_says_so_and_it_was_unmounted(tmp_path: Path) -> None:
    """Its journal is never replayed here, and its driver would mount it all the same."""
    clean = hfsplus_volume(tmp_path, {"who.txt": b"mac"})

    def probed(volume: bytes, *accepted: str) -> VolumeFacts:
        image = tmp_path / "mac.img"
        image.write_bytes(volume)
        with support.attached(image) as device:
            fd = os.open(device, os.O_RDONLY)
            try:
                (place,) = probe(fd, accepted)
            finally:
                os.close(fd)
        return place.facts

    assert probed(clean, "ext4").flaw is VolumeFlaw.NOT_ACCEPTED
    facts = probed(clean, "ext4", "hfsplus")
    assert (facts.file_system, facts.label, facts.problem) == ("hfsplus", "KELP", None)
    dirty = probed(never_unmounted(clean), "hfsplus")
    assert dirty.flaw is VolumeFlaw.UNCLEAN
    assert "it was not unmounted" in (dirty.problem or "")


@real("mkfs.xfs")
def test_a_site_that_takes_only_ext4_leaves_others_alone(station: Station) -> None:
    make_file_system(station.image, "mkfs.xfs", "-q", size_mib=320)
    station.drives = support.loop_drives(station.bays, station.home / "mounts", accepted=("ext4",))
    (problem,) = station.survey().values()
    assert "the file system xfs, which is not accepted here; the station reads ext4" in problem
