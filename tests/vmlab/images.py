"""Images of drives: a partition table, file systems, and files in them.

Made on the host without its kernel knowing the file systems, but for XFS, whose image is mounted
through a loop device.  NTFS and exFAT are filled through FUSE, so ``/dev/fuse`` has to work.
"""

import os
import re
import shutil
import struct
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from .kernel import tools_folder
from .process import missing, run

Files = Mapping[str, bytes | str | Path] | Path | None
"""What goes into a file system: contents or a file to copy for each path, or a whole folder."""

SECTOR_BYTES = 512
ALIGNMENT_BYTES = 1 << 20
XFS_SUPPORTED_BYTES = 300 << 20
GPT_TYPES = {"linux": "8300", "windows": "0700"}
MBR_TYPES = {"linux": 0x83, "windows": 0x07, "vfat": 0x0C}


@dataclass(frozen=True)
class Partition:
    """One partition: its file system, or None for an empty one, and how large it is.

    ``size`` may be left out of the last partition, which then takes what there is.
    """

    fs: str | None = None
    label: str = ""
    files: Files = None
    size: int | str | None = None


def make_image(
    path: Path | str,
    size: int | str,
    table: str | None = "gpt",
    fs: str | None = "ext4",
    label: str = "",
    files: Files = None,
    *,
    partitions: Sequence[Partition] | None = None,
) -> Path:
    """Write a sparse raw image, over any file of that name, and give back its path.

    ``table`` is ``gpt``, ``mbr``, or None for a file system on the bare drive; ``fs`` is ``ext4``,
    ``xfs``, ``ntfs``, ``exfat``, ``vfat`` or None.  ``partitions`` asks for several, in place of
    ``fs``, ``label`` and ``files``.  Sizes are in bytes, or like "64M", K being 1024.  XFS is
    unsupported below 300 MiB: such a file system works, but is no model of a real one.

    Raises ValueError for what cannot be made, and RuntimeError when a tool fails.
    """
    path = Path(path)
    wanted = list(partitions) if partitions is not None else [Partition(fs, label, files)]
    extents = list(_laid_out(wanted, size_bytes(size), table))
    path.unlink(missing_ok=True)
    with path.open("wb") as image:
        image.truncate(size_bytes(size))
    if table == "gpt":
        _write_gpt(path, wanted, extents)
    elif table == "mbr":
        _write_mbr(path, wanted, extents)
    elif table is not None:
        raise ValueError(f"table: {table!r} is none of gpt, mbr, None")
    for partition, (start, length) in zip(wanted, extents, strict=True):
        if partition.fs:
            with tempfile.TemporaryDirectory(dir=path.parent, prefix=".image-") as folder:
                content = _file_system(partition, length, start, Path(folder))
                _copy_into(path, start, content)
    return path


def find_sectors(image: Path | str, content: bytes) -> list[tuple[int, int]]:
    """Where in an image a file's content lies, as (first sector, number of sectors) of 512 bytes.

    Meant for making one file unreadable: with ``first, count = find_sectors(image, content)[0]``,
    ``plug(image, bad=[(first, 8)])`` takes away the file's first 4 KiB.  The content has to be
    stored as it is, and its sectors must not recur: random bytes will do.
    Raises ValueError when a part of it is not there.
    """
    ranges: list[tuple[int, int]] = []
    data = Path(image).read_bytes()
    for offset in range(0, len(content), SECTOR_BYTES):
        piece = content[offset : offset + SECTOR_BYTES]
        expected = sum(ranges[-1]) * SECTOR_BYTES if ranges else 0
        if not ranges or not data.startswith(piece, expected):
            expected = _find_aligned(data, piece)
        if ranges and sum(ranges[-1]) * SECTOR_BYTES == expected:
            ranges[-1] = (ranges[-1][0], ranges[-1][1] + 1)
        else:
            ranges.append((expected // SECTOR_BYTES, 1))
    return ranges


def size_bytes(size: int | str) -> int:
    """A size such as 67108864, "64M" or "1.5G" in bytes, K being 1024.  Raises ValueError."""
    found = re.fullmatch(r"(\d+(?:\.\d+)?)([KMGT]?)", str(size).strip().upper())
    if not found:
        raise ValueError(f"size: {size!r} is not like 67108864, 64M or 1.5G")
    return int(float(found[1]) * 1024 ** " KMGT".index(found[2] or " "))


def _find_aligned(data: bytes, piece: bytes) -> int:
    position = data.find(piece)
    while position >= 0 and position % SECTOR_BYTES:
        position = data.find(piece, position + 1)
    if position < 0:
        raise ValueError("the content is not in the image as it is")
    return position


# --- partition tables --------------------------------------------------------------------------


def _laid_out(partitions: Sequence[Partition], total: int, table: str | None) -> Iterator[tuple[int, int]]:
    """Where each partition starts and how long it is, in bytes."""
    if table is None:
        if len(partitions) != 1:
            raise ValueError("partitions: without a table there is exactly one file system")
        yield 0, total
        return
    if table == "mbr" and not 1 <= len(partitions) <= 4:
        raise ValueError("partitions: an MBR has one to four primary ones")
    start = ALIGNMENT_BYTES
    end = total - ALIGNMENT_BYTES  # the second copy of a GPT is there
    for partition in partitions:
        length = end - start
        if partition.size is not None:
            length = size_bytes(partition.size)
        elif partition is not partitions[-1]:
            raise ValueError("size: only the last partition's may be left out")
        if length <= 0 or start + length > end:
            raise ValueError(f"size: {total} bytes do not hold the partitions")
        yield start, length
        start += -(-length // ALIGNMENT_BYTES) * ALIGNMENT_BYTES


def _write_gpt(path: Path, partitions: Sequence[Partition], extents: list[tuple[int, int]]) -> None:
    command = ["sgdisk", "--clear"]
    for number, (partition, (start, length)) in enumerate(zip(partitions, extents, strict=True), 1):
        first, last = start // SECTOR_BYTES, (start + length) // SECTOR_BYTES - 1
        command += [f"--new={number}:{first}:{last}"]
        command += [f"--typecode={number}:{GPT_TYPES[_kind(partition)]}"]
        if partition.label:
            command += [f"--change-name={number}:{partition.label}"]
    run(*command, path)


def _write_mbr(path: Path, partitions: Sequence[Partition], extents: list[tuple[int, int]]) -> None:
    """A master boot record with primary partitions, addressed by LBA only."""
    no_chs = b"\xfe\xff\xff"
    entries = b""
    for partition, (start, length) in zip(partitions, extents, strict=True):
        kind = MBR_TYPES["vfat" if partition.fs == "vfat" else _kind(partition)]
        sectors = start // SECTOR_BYTES, length // SECTOR_BYTES
        entries += struct.pack("<B3sB3sII", 0, no_chs, kind, no_chs, *sectors)
    with path.open("r+b") as image:
        image.seek(440)
        image.write(os.urandom(4) + b"\0\0" + entries.ljust(64, b"\0") + b"\x55\xaa")


def _kind(partition: Partition) -> str:
    return "windows" if partition.fs in ("ntfs", "exfat", "vfat") else "linux"


# --- file systems ------------------------------------------------------------------------------


def _file_system(partition: Partition, length: int, start: int, folder: Path) -> Path:
    """Make a partition's file system, with its files, as a file of its own."""
    assert partition.fs is not None
    if partition.fs not in _MAKERS:
        raise ValueError(f"fs: {partition.fs!r} is none of {', '.join(_MAKERS)}, None")
    volume = folder / "volume"
    with volume.open("wb") as file:
        file.truncate(length)
    staged = replace(partition, files=_staged(partition.files, folder / "files"))
    _MAKERS[partition.fs](volume, staged, start // SECTOR_BYTES)
    return volume


def _staged(files: Files, folder: Path) -> Path:
    """The files as a folder."""
    if isinstance(files, Path):
        return files
    folder.mkdir()
    for name, content in (files or {}).items():
        target = folder / name
        if not target.resolve().is_relative_to(folder.resolve()):
            raise ValueError(f"files: {name!r} leads out of the file system")
        target.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, Path):
            shutil.copy2(content, target)
        else:
            target.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


def _make_ext4(volume: Path, partition: Partition, _: int) -> None:
    label = ["-L", partition.label] if partition.label else []
    run("mke2fs", "-q", "-F", "-t", "ext4", "-d", partition.files, *label, volume)


def _make_xfs(volume: Path, partition: Partition, _: int) -> None:
    label = ["-L", partition.label] if partition.label else []
    small = ["--unsupported"] if volume.stat().st_size < XFS_SUPPORTED_BYTES else []
    run("mkfs.xfs", "-q", *small, *label, volume)
    mount_point = volume.with_name("mnt")
    mount_point.mkdir()
    run("mount", "-t", "xfs", "-o", "loop", volume, mount_point)
    try:
        _copy_files(partition, mount_point)
    finally:
        run("umount", mount_point)


def _make_vfat(volume: Path, partition: Partition, start: int) -> None:
    label = ["-n", partition.label.upper()] if partition.label else []
    run("mkfs.vfat", "-h", str(start), *label, volume)
    names = sorted(Path(str(partition.files)).iterdir())
    if names:
        run(tools_folder() / "mcopy", "-s", "-Q", "-m", "-i", volume, *names, "::")


def _make_ntfs(volume: Path, partition: Partition, start: int) -> None:
    label = ["-L", partition.label] if partition.label else []
    geometry = ["-p", str(start), "-H", "255", "-S", "63"]
    run("mkntfs", "-q", "-Q", "-F", *geometry, *label, volume)
    options = "no_detach,no_def_opts,silent"
    with _through_fuse("ntfs-3g", "-o", options, volume, near=volume) as mount_point:
        _copy_files(partition, mount_point)


def _make_exfat(volume: Path, partition: Partition, _: int) -> None:
    label = ["-L", partition.label] if partition.label else []
    run("mkfs.exfat", *label, volume)
    program = tools_folder() / "mount.exfat-fuse"
    with (
        _loop_device(volume) as device,  # it insists on a block device
        _through_fuse(program, "-d", device, near=volume) as mount_point,
    ):
        _copy_files(partition, mount_point)


_MAKERS: dict[str, Callable[[Path, Partition, int], None]] = {
    "ext4": _make_ext4,
    "xfs": _make_xfs,
    "ntfs": _make_ntfs,
    "exfat": _make_exfat,
    "vfat": _make_vfat,
}


@contextmanager
def _loop_device(volume: Path) -> Iterator[str]:
    device = run("losetup", "--find", "--show", volume).decode().strip()
    try:
        yield device
    finally:
        run("losetup", "--detach", device)


@contextmanager
def _through_fuse(*command: str | Path, near: Path) -> Iterator[Path]:
    """Mount a volume with a FUSE program that stays in the foreground, beside a path.

    Its end, not the return of umount, is when everything is in the volume.
    """
    mount_point = near.with_name("mnt")
    mount_point.mkdir()
    environment = {**os.environ, "LD_LIBRARY_PATH": str(tools_folder())}
    words = [*command, mount_point]
    try:
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment)
    except FileNotFoundError:
        raise missing(str(command[0])) from None
    deadline = time.monotonic() + 30
    while not mount_point.is_mount():
        if process.poll() is not None or time.monotonic() > deadline:
            process.kill()
            said = process.communicate()[1].decode(errors="replace")
            raise RuntimeError(f"{command[0]} did not mount {command[-1]}:\n{said}")
        time.sleep(0.01)
    try:
        yield mount_point
    finally:
        run("umount", mount_point)
        process.communicate(timeout=120)


def _copy_files(partition: Partition, mount_point: Path) -> None:
    shutil.copytree(str(partition.files), mount_point, dirs_exist_ok=True)


def _copy_into(image: Path, start: int, volume: Path) -> None:
    """Put a volume in its place, leaving holes where it is zero."""
    block = 1 << 16
    zeros = bytes(block)
    with volume.open("rb") as source, image.open("r+b") as target:
        for offset in _data_offsets(source.fileno(), block):
            source.seek(offset)
            data = source.read(block)
            if data != zeros[: len(data)]:
                target.seek(start + offset)
                target.write(data)


def _data_offsets(descriptor: int, block: int) -> Iterator[int]:
    """The offsets of the blocks that hold data, holes left out."""
    offset, end = 0, os.fstat(descriptor).st_size
    while offset < end:
        try:
            first = os.lseek(descriptor, offset, os.SEEK_DATA)
        except OSError:  # nothing but a hole up to the end
            return
        last = os.lseek(descriptor, first, os.SEEK_HOLE)
        offset = first - first % block
        while offset < last:
            yield offset
            offset += block
