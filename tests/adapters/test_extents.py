"""Where files lie on a medium, compared with what filefrag (e2fsprogs) has to say."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingestd.content import extents
from ingestd.content.extents import VOLUME_BITS, Places
from ingestd.content.walk import Kind, walk
from tests.support.drives import ROOT_ONLY, Going, attached, make_file_system

FILE_SYSTEMS = {
    "ext4": ("mkfs.ext4", "-q", "-F"),
    "xfs": ("mkfs.xfs", "-q"),
}


@contextmanager
def mounted(image: Path) -> Iterator[Path]:
    folder = image.with_suffix(".mnt")
    folder.mkdir()
    with attached(image) as device:
        subprocess.run(["mount", device, str(folder)], check=True)
        try:
            yield folder
        finally:
            subprocess.run(["umount", str(folder)], check=True)


def first_byte_by_filefrag(path: Path) -> int:
    """Offset of the file's first byte in its volume."""
    command = ["filefrag", "-v", "-b512", str(path)]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    found = re.search(r"^ +0: +0\.\. *\d+: +(\d+)\.\.", said, re.MULTILINE)
    assert found, f"filefrag says nothing of {path}: {said}"
    return int(found[1]) * 512


def _cannot(_fd: int) -> int | None:
    raise OSError(25, "Inappropriate ioctl for device")


def places_in(folder: Path, index: int = 0) -> dict[bytes, int]:
    root_fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        found = walk(root_fd, cancel=Going(), place_of=Places(index).of)
        return {each.path: each.place for each in found if each.kind is Kind.FILE}
    finally:
        os.close(root_fd)


@pytest.mark.root
@ROOT_ONLY[1]
@pytest.mark.parametrize(
    ("kind", "way"), [("ext4", "by_fiemap"), ("ext4", "by_fibmap"), ("xfs", "by_fiemap")]
)
def test_places_are_those_that_filefrag_tells(
    tmp_path: Path, kind: str, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if way == "by_fibmap":
        monkeypatch.setattr(extents, "by_fiemap", _cannot)
    program, *options = FILE_SYSTEMS[kind]
    if shutil.which(program) is None:
        pytest.skip(f"needs {program}")
    image = make_file_system(tmp_path / "a.img", program, *options, size_mib=320 if kind == "xfs" else 24)
    with mounted(image) as folder:
        # Two of them change places: the later name comes to lie where the earlier one was.
        for number in range(6):
            (folder / f"{number}").write_bytes(os.urandom(50_000))
            os.sync()
        (folder / "1").unlink()
        os.sync()
        (folder / "deep").mkdir()
        (folder / "deep/late").write_bytes(os.urandom(30_000))
        (folder / "empty").touch()
        os.sync()
        names = ["0", "2", "3", "4", "5", "deep/late"]
        expected = {name.encode(): first_byte_by_filefrag(folder / name) for name in names}
        assert len(set(expected.values())) == len(names)
        found = places_in(folder)
        found.pop(b"empty")
        assert found == expected
        beyond = places_in(folder, 3)
        beyond.pop(b"empty")
        assert beyond == {name: place + (3 << VOLUME_BITS) for name, place in expected.items()}


def test_a_file_system_that_cannot_tell_leaves_the_order_to_the_walk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def cannot(fd: int) -> int | None:
        asked.append(fd)
        raise OSError(25, "Inappropriate ioctl for device")

    monkeypatch.setattr(extents, "by_fiemap", cannot)
    monkeypatch.setattr(extents, "by_fibmap", cannot)
    for number in range(4):
        (tmp_path / f"{number}").write_bytes(b"x")
    assert set(places_in(tmp_path, 1).values()) == {1 << VOLUME_BITS}
    assert len(asked) == 2, "once it is known, nobody asks any more"


def test_one_file_that_cannot_be_asked_changes_nothing_for_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter([4096, OSError(5, "Input/output error"), None, 8192])

    def fickle(_fd: int) -> int | None:
        answer = next(answers)
        if isinstance(answer, OSError):
            raise answer
        return answer

    monkeypatch.setattr(extents, "by_fiemap", fickle)
    for number in range(4):
        (tmp_path / f"{number}").write_bytes(b"x")
    assert list(places_in(tmp_path).values()) == [4096, 4096, 4096, 8192]
