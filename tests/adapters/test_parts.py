"""Archives in numbered parts: which of them lack."""

from __future__ import annotations

import os
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from ingestd.content.parts import SETS_MAX, Parts
from ingestd.core.drive import VolumeFacts
from ingestd.core.found import Samples


@dataclass
class Root:
    facts: VolumeFacts
    root_fd: int


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield Root(VolumeFacts(name="vol-1"), fd)
    os.close(fd)


def missing(root: Root, *names: str) -> Samples:
    return missing_of([root], *((0, name) for name in names))


def missing_of(volumes: list[Root], *names: tuple[int, str]) -> Samples:
    parts = Parts()
    for index, name in names:
        parts.note(index, name.encode())
    return parts.missing(volumes)


@pytest.mark.parametrize(
    ("names", "lacking"),
    [
        ("backup.7z.001 backup.7z.003", ["backup.7z.002"]),
        ("backup.7z.003 backup.7z.001", ["backup.7z.002"]),
        ("backup.7z.002", ["backup.7z.001"]),
        ("a/backup.7z.001 b/backup.7z.002", ["b/backup.7z.001"]),
        ("b.part1.rar b.part3.rar", ["b.part2.rar"]),
        ("b.part01.rar b.part03.rar b.part04.rar", ["b.part02.rar"]),
        ("b.vol1.7z b.vol3.7z", ["b.vol2.7z"]),
        ("b.tar.gpg.aa b.tar.gpg.ac", ["b.tar.gpg.ab"]),
        ("b.tar.gpg.aaa b.tar.gpg.aac", ["b.tar.gpg.aab"]),
        ("b.tar.gpgaa b.tar.gpgac", ["b.tar.gpgab"]),
        ("b.tar.gpg-aa b.tar.gpg-ad", ["b.tar.gpg-ab", "b.tar.gpg-ac"]),
        ("b.age.00 b.age.02", ["b.age.01"]),
        ("b.age.1000 b.age.1001", []),
        ("disk.img.001 disk.img.002 disk.img.004", ["disk.img.003"]),
        ("B.7Z.001 B.7Z.003", ["B.7Z.002"]),
    ],
)
def test_gaps(root: Root, names: str, lacking: list[str]) -> None:
    found = missing(root, *names.split())
    assert found == Samples(count=len(lacking), examples=tuple(f"vol-1/{name}" for name in lacking))


@pytest.mark.parametrize(
    "names",
    [
        "backup.7z.001 backup.7z.002",
        "backup.7z.001",
        "b.part1.rar b.part2.rar",
        "b.tar.gpg.aa b.tar.gpg.ab",
        "b.age.00 b.age.01",
        "b.age.01 b.age.02",
        # Numbers and endings that are of no parts.
        "b.tar.gz b.tar.xz b.tar.gz.age b.zip b.rar b.7z",
        "scan.001 scan.003",
        "syslog.gz.17 syslog.gz.90",
        "run-2031.tar.1204",
        "b.tar.gz.asc b.tar.gz.md b.tar.sh",
        "radar.r01",
        "plan.z01",
        "README .hidden a. 001 .001 x.7z/001",
        "b.7z.99999 b.7z.1",
    ],
)
def test_no_gaps(root: Root, names: str) -> None:
    assert missing(root, *names.split()) == Samples()


def test_the_part_without_a_number(root: Root, tmp_path: Path) -> None:
    assert missing(root, "b.z01", "b.z02").examples == ("vol-1/b.zip",)
    assert missing(root, "B.R00", "B.R01").examples == ("vol-1/B.RAR",)
    for name in ("b.zip", "B.rar"):
        (tmp_path / name).touch()
    assert missing(root, "b.z01", "b.z02") == missing(root, "B.R00", "B.R01") == Samples()
    assert missing(root, "b.z01", "b.z03").examples == ("vol-1/b.z02",)
    assert missing(root, "b.z02").examples == ("vol-1/b.z01",)
    assert missing(root, "B.R01").examples == ("vol-1/B.R00",)


def two(root: Root) -> list[Root]:
    return [root, Root(VolumeFacts(name="vol-2"), root.root_fd)]


def on_two(names: str) -> list[tuple[int, str]]:
    """Names of the first volume, then behind a bar those of the second."""
    return [(index, name) for index, some in enumerate(names.split("|")) for name in some.split()]


@pytest.mark.parametrize(
    ("names", "lacking"),
    [
        ("b.7z.001 b.7z.002 | b.7z.003 b.7z.004", []),
        ("b.7z.001 b.7z.003 | b.7z.002", []),
        ("b.7z.003 | b.7z.001 b.7z.002", []),
        ("b.part3.rar | b.part1.rar b.part2.rar", []),
        ("b.7z.001 b.7z.002 | b.7z.004", ["vol-1/b.7z.003"]),
        ("b.gpg.aa b.gpg.ab | b.gpg.ae", ["vol-1/b.gpg.ac", "vol-1/b.gpg.ad"]),
        # Two archives of one name: each has parts of its own.
        ("b.7z.001 b.7z.002 b.7z.003 | b.7z.001 b.7z.003", ["vol-2/b.7z.002"]),
        ("b.gpg.001 | b.gpg.ac", ["vol-2/b.gpg.aa", "vol-2/b.gpg.ab"]),
        ("b.7z.001 | reef/b.7z.002", ["vol-2/reef/b.7z.001"]),
    ],
)
def test_parts_on_two_volumes_of_a_drive(root: Root, names: str, lacking: list[str]) -> None:
    assert missing_of(two(root), *on_two(names)).examples == tuple(lacking)


def test_the_part_without_a_number_may_lie_on_another_volume(root: Root, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    fd = os.open(tmp_path / "other", os.O_RDONLY | os.O_DIRECTORY)
    try:
        other = Root(VolumeFacts(name="vol-2"), fd)
        broken = Root(VolumeFacts(name="vol-3", problem="it is locked"), -1)
        names = on_two("b.z01 b.z02")
        assert missing_of([root, other, broken], *names).examples == ("vol-1/b.zip",)
        (tmp_path / "other" / "b.zip").touch()
        assert missing_of([root, other, broken], *names) == Samples()
    finally:
        os.close(fd)


def test_letters_of_split_that_mean_something_elsewhere(root: Root, tmp_path: Path) -> None:
    letters = "abcdefghijklmnopqrstuvwxyz"
    names = [f"b.tar.gpg.{one}{two}" for one in letters[:25] for two in letters] + ["b.tar.gpg.zaaa"]
    for name in names:
        (tmp_path / name).touch()
    assert missing(root, *names) == Samples()
    (tmp_path / "b.tar.gpg.ai").unlink()
    names.remove("b.tar.gpg.ai")
    assert missing(root, *names).examples == ("vol-1/b.tar.gpg.ai",)


def test_names_with_escapes_are_shown_escaped(root: Root) -> None:
    (example,) = missing(root, "\x1b[2Jb.7z.001", "\x1b[2Jb.7z.003").examples
    assert "\x1b" not in example


def test_millions_of_names_take_bounded_memory_and_little_time(root: Root) -> None:
    """Of the worst kind: each begins a set of its own, with the highest number there is."""
    parts = Parts()
    tracemalloc.start()
    try:
        for number in range(4 * SETS_MAX):
            parts.note(0, b"%d.7z.9999" % number)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 20 << 20
    parts = Parts()
    began = time.process_time()
    for number in range(200_000):
        parts.note(0, b"sonar/line-%06d.bin" % number)
        parts.note(0, b"one.7z.%04d" % (number % 10_000))
    assert time.process_time() - began < 10
    assert parts.missing([root]) == Samples()
