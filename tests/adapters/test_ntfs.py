"""Telling a cleanly unmounted NTFS volume from one that is not, on volumes made byte by byte."""

from __future__ import annotations

import os
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.drives import ntfs
from tests.support import drives as support

CLUSTER = 4096
TABLE, LOG = 4 * CLUSTER, 8 * CLUSTER
RECORD = 1024
EMPTY_LOG = b"\xff" * (16 * 4096)


def attribute(kind: int, body: bytes, *, runs: bytes = b"") -> bytes:
    """A resident attribute with a body, or a non-resident one with mapping pairs."""
    if runs:
        head = struct.pack("<BBHHH", 1, 0, 0, 0, 0) + struct.pack("<QQH", 0, 15, 0x40)
        rest = (head.ljust(0x38, b"\0") + runs).ljust(0x48, b"\0")
    else:
        head = struct.pack("<BBHHH", 0, 0, 0, 0, 0) + struct.pack("<IHH", len(body), 0x18, 0)
        rest = head + body.ljust(-(-len(body) // 8) * 8, b"\0")
    return struct.pack("<II", kind, 8 + len(rest)) + rest


def record(*attributes: bytes, padding: int = 0) -> bytes:
    """A record of the file table. `padding` pushes what follows across the end of the first sector."""
    filler = attribute(0x10, b"\0" * padding) if padding else b""
    body = bytearray(b"FILE" + struct.pack("<HH", 0x30, 3) + b"\0" * 0x30)
    struct.pack_into("<H", body, 0x14, 0x38)
    body += filler + b"".join(attributes) + struct.pack("<II", 0xFFFFFFFF, 0)
    body = body.ljust(RECORD, b"\0")
    struct.pack_into("<H", body, 0x30, 0x1234)
    for sector, end in enumerate((512, 1024), start=1):
        body[0x30 + 2 * sector : 0x32 + 2 * sector] = body[end - 2 : end]
        body[end - 2 : end] = body[0x30:0x32]
    return bytes(body)


def restart_page(sequence: int, clients: int, flags: int, magic: bytes = b"RSTR") -> bytes:
    page = magic + struct.pack("<HHQIIHHH", 0x1E, 9, 0, 4096, 4096, 0x30, 1, 1)
    area = struct.pack("<QHHHH", sequence, 1, 0xFFFF, clients, flags)
    return (page.ljust(0x30, b"\0") + area).ljust(4096, b"\0")


def volume(*, flags: int = 0, log: bytes = EMPTY_LOG, padding: int = 0) -> bytes:
    boot = bytearray(b"\xeb\x52\x90NTFS    ".ljust(512, b"\0"))
    struct.pack_into("<HB", boot, 0x0B, 512, CLUSTER // 512)
    boot[0x15] = 0xF8
    struct.pack_into("<QQQbxxxbxxxQ", boot, 0x28, 2047, TABLE // CLUSTER, 20, -10, 1, 0x1122334455667788)
    boot[510:] = b"\x55\xaa"
    log_file = attribute(0x80, b"", runs=bytes((0x11, 16, LOG // CLUSTER, 0)))
    information = attribute(0x70, b"\0" * 8 + struct.pack("<BBH", 3, 1, flags))
    table = record() + record() + record(log_file) + record(information, padding=padding)
    image = bytearray(256 * CLUSTER)
    image[:512], image[TABLE : TABLE + len(table)], image[LOG : LOG + len(log)] = boot, table, log
    return bytes(image)


CLEAN = volume()


def ask(path: Path, image: bytes) -> ntfs.State:
    path.write_bytes(image)
    fd = os.open(path, os.O_RDONLY)
    try:
        return ntfs.state_of(fd)
    finally:
        os.close(fd)


OPEN, SHUT, NOBODY = (0, 0), (0, 2), (0xFFFF, 0)


@pytest.mark.parametrize(
    ("log", "complaint"),
    [
        (EMPTY_LOG, None),
        (restart_page(7, *NOBODY) + restart_page(6, *NOBODY), None),
        (restart_page(7, *SHUT) + restart_page(6, *OPEN), None),
        (restart_page(7, *SHUT, magic=b"CHKD") + b"\0" * 4096, None),
        (restart_page(6, *SHUT) + restart_page(7, *OPEN), "its log is open"),
        (restart_page(7, *OPEN) + restart_page(7, *OPEN), "its log is open"),
        (b"BAAD".ljust(4096, b"\0") + restart_page(7, *OPEN), "its log is open"),
        (b"\0" * 8192, "its log cannot be understood"),
    ],
)
def test_the_log_tells(tmp_path: Path, log: bytes, complaint: str | None) -> None:
    assert ask(tmp_path / "volume", volume(log=log)) == ntfs.State(complaint)


def test_a_volume_marked_dirty(tmp_path: Path) -> None:
    assert ask(tmp_path / "volume", volume(flags=0x0001)) == ntfs.State(marked=True)
    assert ask(tmp_path / "volume", volume(flags=0x4080)) == ntfs.State()


@pytest.mark.parametrize("padding", range(380, 440, 4))
def test_facts_that_lie_across_a_sectors_end(tmp_path: Path, padding: int) -> None:
    assert ask(tmp_path / "volume", volume(flags=0x0001, padding=padding)).marked
    assert ask(tmp_path / "volume", volume(padding=padding)) == ntfs.State()


def test_a_half_written_record_is_not_clean(tmp_path: Path) -> None:
    image = bytearray(CLEAN)
    image[TABLE + 3 * RECORD + 510] ^= 1
    assert "half written" in (ask(tmp_path / "volume", bytes(image)).log_problem or "")


@given(
    st.lists(
        st.tuples(st.sampled_from((0, TABLE + 2 * RECORD, LOG)), st.integers(0, 2047), st.integers(0, 255))
    )
)
def test_no_damage_raises(changes: list[tuple[int, int, int]]) -> None:
    """Whatever lies there, there is an answer, or the device refuses the read."""
    image = bytearray(CLEAN)
    for base, offset, value in changes:
        image[base + offset] = value
    fd = os.memfd_create("volume")
    try:
        os.write(fd, image)
        assert ntfs.state_of(fd).log_problem != ""
    except OSError:
        pass
    finally:
        os.close(fd)


# -- as drives ------------------------------------------------------------------------------------


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "bays" / "bay-1").mkdir(parents=True)
    yield tmp_path / "bays" / "bay-1"
    support.unplug_all(tmp_path / "bays")


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
def test_an_unclean_volume_is_never_mounted(bay: Path) -> None:
    (bay / "drive.img").write_bytes(volume(log=restart_page(7, *OPEN) * 2))
    support.plug_image(bay.parent, "bay-1")
    opened = support.open_in(support.loop_drives(bay.parent, bay.parent.parent / "mounts"), "bay-1")
    (facts,) = opened.facts.volumes
    opened.close()
    assert facts.file_system == "ntfs"
    assert (facts.problem or "").startswith("not cleanly unmounted: ")
    assert "its log is open" in (facts.problem or "")


@pytest.mark.skipif(shutil.which("mkfs.ntfs") is None, reason="needs mkfs.ntfs")
def test_a_new_volume_is_clean(tmp_path: Path) -> None:
    image = support.make_file_system(tmp_path / "new.img", "mkfs.ntfs", "-F", "-q", "-L", "KELP")
    fd = os.open(image, os.O_RDONLY)
    try:
        assert ntfs.state_of(fd) == ntfs.State()
    finally:
        os.close(fd)
