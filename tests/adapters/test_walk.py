"""The walk, over everything that a folder can hold."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import socket
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.content import walk as module
from ingestd.content.walk import DEPTH_MAX, PATH_BYTES_MAX, Found, Kind, walk
from ingestd.ports import Cancelled, ResourcesExhausted
from tests.support.drives import Going, StoppedAfter

Names = dict[bytes, Kind]


@pytest.fixture
def root(tmp_path: Path) -> Iterator[int]:
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


def walked(root_fd: int) -> list[Found]:
    return list(walk(root_fd, cancel=Going()))


def kinds(root_fd: int) -> Names:
    found = walked(root_fd)
    assert len({one.path for one in found}) == len(found), "every entry is reported once"
    return {one.path: one.kind for one in found}


def write(root_fd: int, name: bytes, body: bytes = b"") -> None:
    fd = os.open(name, os.O_WRONLY | os.O_CREAT, 0o644, dir_fd=root_fd)
    with open(fd, "wb") as file:
        file.write(body)


def chain(root_fd: int, name: bytes, levels: int) -> None:
    """Folders in folders, with a file `here` in each, built without ever naming a whole path."""
    at = os.dup(root_fd)
    for _ in range(levels):
        os.mkdir(name, dir_fd=at)
        below = os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=at)
        os.close(at)
        at = below
        write(at, b"here", b"x")
    os.close(at)


def remove_chain(root_fd: int, name: bytes, levels: int) -> None:
    """Take down what `chain` built: pytest's own clean-up names whole paths."""
    fds = [os.dup(root_fd)]
    for _ in range(levels):
        fds.append(os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=fds[-1]))
    while len(fds) > 1:
        os.unlink("here", dir_fd=fds[-1])
        os.close(fds.pop())
        os.rmdir(name, dir_fd=fds[-1])
    os.close(fds[0])


# -- what there is --------------------------------------------------------------------------------


def test_an_empty_folder_holds_nothing(root: int) -> None:
    assert walked(root) == []


def test_each_kind(root: int, tmp_path: Path) -> None:
    (tmp_path / "dives").mkdir()
    (tmp_path / "dives" / "line-01.bin").write_bytes(b"sonar")
    (tmp_path / "empty").touch()
    os.symlink("dives", tmp_path / "to a folder")
    os.symlink("nowhere", tmp_path / "dangling")
    os.symlink("loop", tmp_path / "loop")
    os.symlink("..", tmp_path / "dives" / "up")
    os.mkfifo(tmp_path / "fifo")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.path.relpath(tmp_path / "socket"))
        assert kinds(root) == {
            b"dives": Kind.FOLDER,
            b"dives/line-01.bin": Kind.FILE,
            b"dives/up": Kind.LINK,
            b"empty": Kind.FILE,
            b"to a folder": Kind.LINK,
            b"dangling": Kind.LINK,
            b"loop": Kind.LINK,
            b"fifo": Kind.SPECIAL,
            b"socket": Kind.SPECIAL,
        }


def test_device_nodes_are_special() -> None:
    root_fd = os.open("/dev", os.O_RDONLY | os.O_DIRECTORY)
    try:
        found = {one.path: one.kind for one in walk(root_fd, cancel=Going())}
    finally:
        os.close(root_fd)
    assert found[b"null"] is Kind.SPECIAL


def test_other_file_systems_are_told_and_not_entered() -> None:
    root_fd = os.open("/", os.O_RDONLY | os.O_DIRECTORY)
    try:
        found = {}
        for one in walk(root_fd, cancel=Going()):
            if one.kind is Kind.FOLDER:
                break  # What is no folder of this file system comes before the first that is.
            found[one.path] = one.kind
    finally:
        os.close(root_fd)
    assert found[b"proc"] is Kind.OTHER_DEVICE


def test_facts_of_files(root: int, tmp_path: Path) -> None:
    sparse = tmp_path / "sparse"
    with sparse.open("wb") as file:
        file.truncate(1 << 40)
    (tmp_path / "one").write_bytes(b"kelp")
    os.link(tmp_path / "one", tmp_path / "two")
    os.utime(tmp_path / "one", ns=(1, 1_234_567_890_123_456_789))
    found = {one.path: one for one in walked(root)}
    assert found[b"sparse"].size_bytes == 1 << 40
    assert found[b"one"].size_bytes == found[b"two"].size_bytes == 4
    assert found[b"one"].inode == found[b"two"].inode == (tmp_path / "one").stat().st_ino
    assert found[b"one"].mtime_ns == found[b"two"].mtime_ns == 1_234_567_890_123_456_789
    assert all(one.regular for one in found.values())


NAMES = [
    b"\xff\xfe",
    b"line\nfeed",
    b"\r",
    b" ",
    b"-rf",
    b"*",
    b"\\",
    b"x" * 255,
    "Grüße".encode(),
    b"...",
    b"\x1b[2J",
]


def test_names_are_any_bytes(root: int) -> None:
    for name in NAMES:
        write(root, name)
        os.mkdir(name + b"d" if len(name) < 255 else b"y" * 255, dir_fd=root)
    found = kinds(root)
    assert {path for path, kind in found.items() if kind is Kind.FILE} == set(NAMES)
    assert len(found) == 2 * len(NAMES)


# -- order ----------------------------------------------------------------------------------------


def test_a_folder_comes_before_what_is_in_it_and_nothing_comes_between(root: int, tmp_path: Path) -> None:
    for number in range(30):
        (tmp_path / f"d{number}" / "below").mkdir(parents=True)
        (tmp_path / f"d{number}" / "file").touch()
        (tmp_path / f"d{number}" / "below" / "file").touch()
    roots = [one.path.split(b"/")[0] for one in walked(root)]
    runs = [name for at, name in enumerate(roots) if at == 0 or roots[at - 1] != name]
    assert len(runs) == len(set(runs)) == 30
    seen: set[bytes] = {b""}
    for one in walked(root):
        assert one.path.rpartition(b"/")[0] in seen
        seen.add(one.path)


def test_files_come_by_inode(root: int, tmp_path: Path) -> None:
    for number in range(500):
        (tmp_path / f"{number * 7919 % 1000}").touch()
    inodes = [one.inode for one in walked(root)]
    assert len(inodes) == 500
    assert inodes == sorted(inodes)


def test_folders_come_by_inode(root: int, tmp_path: Path) -> None:
    for number in range(50):
        (tmp_path / f"{number * 7919 % 1000}").mkdir()
    inodes = [one.inode for one in walked(root)]
    assert len(inodes) == 50
    assert inodes == sorted(inodes)


def test_room_comes_back_when_folders_are_done(
    root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "HELD_MAX", 60)
    monkeypatch.setattr(module, "CHUNK_MIN", 1)
    for number in range(30):
        for name in range(10):
            (tmp_path / f"{number}" / f"d{name}").mkdir(parents=True)
            (tmp_path / f"{number}" / f"f{name * 7919 % 1000}").touch()
    files = [one for one in walked(root) if one.kind is Kind.FILE]
    assert len(files) == 300
    for number in range(30):
        inodes = [one.inode for one in files if one.path.startswith(b"%d/" % number)]
        assert inodes == sorted(inodes), "a whole folder still fits into a chunk"


def test_two_walks_find_the_same_in_the_same_order(root: int, tmp_path: Path) -> None:
    for number in range(40):
        (tmp_path / f"d{number % 7}").mkdir(exist_ok=True)
        (tmp_path / f"d{number % 7}" / str(number)).touch()
    one, other = walk(root, cancel=Going()), walk(root, cancel=Going())
    assert list(zip(one, other, strict=True)) == [(found, found) for found in walked(root)]


def test_a_folder_longer_than_a_chunk(root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "HELD_MAX", 16)
    monkeypatch.setattr(module, "CHUNK_MIN", 8)
    for number in range(60):
        (tmp_path / f"d{number}" / "e").mkdir(parents=True)
        for name in range(20):
            (tmp_path / f"d{number}" / f"f{name}").touch()
    found = kinds(root)
    assert Counter(found.values()) == {Kind.FOLDER: 120, Kind.FILE: 1200}


# -- bounds ---------------------------------------------------------------------------------------


def test_deeper_than_allowed(root: int) -> None:
    levels = 300
    chain(root, b"d", levels)
    try:
        found = kinds(root)
    finally:
        remove_chain(root, b"d", levels)
    files = [path for path, kind in found.items() if kind is Kind.FILE]
    folders = [path for path, kind in found.items() if kind is Kind.FOLDER]
    beyond = [path for path, kind in found.items() if kind is Kind.OUT_OF_BOUNDS]
    assert max(path.count(b"/") + 1 for path in files) == DEPTH_MAX
    assert len(folders) == DEPTH_MAX
    assert len(files) == DEPTH_MAX - 1
    assert sorted(beyond) == [b"/".join([b"d"] * DEPTH_MAX + [last]) for last in (b"d", b"here")]


def test_longer_than_allowed(root: int) -> None:
    levels = 30
    chain(root, b"n" * 200, levels)
    try:
        found = walked(root)
    finally:
        remove_chain(root, b"n" * 200, levels)
    assert max(len(one.path) for one in found if one.kind is Kind.FILE) <= PATH_BYTES_MAX
    beyond = [one for one in found if one.kind is Kind.OUT_OF_BOUNDS]
    assert [one.regular for one in beyond] == [False]
    assert len(beyond[0].path) > PATH_BYTES_MAX
    # 20 folders of 200 bytes and their slashes fit into 4,096 bytes.
    assert sum(one.kind is Kind.FOLDER for one in found) == 20


def test_a_file_out_of_bounds_keeps_its_size(root: int) -> None:
    chain(root, b"d", DEPTH_MAX)
    try:
        (beyond,) = [one for one in walked(root) if one.kind is Kind.OUT_OF_BOUNDS]
    finally:
        remove_chain(root, b"d", DEPTH_MAX)
    assert beyond.regular
    assert beyond.size_bytes == 1


def test_descriptors_are_one_a_level_and_all_closed(root: int) -> None:
    before = len(os.listdir("/proc/self/fd"))
    chain(root, b"d", 100)
    try:
        held = [len(os.listdir("/proc/self/fd")) - before for _ in walk(root, cancel=Going())]
    finally:
        remove_chain(root, b"d", 100)
    assert 90 < max(held) <= 2 + 101
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_walk_that_is_dropped_closes_everything(root: int, tmp_path: Path) -> None:
    (tmp_path / "d" / "e" / "f").mkdir(parents=True)
    before = len(os.listdir("/proc/self/fd"))
    walking = walk(root, cancel=Going())
    next(walking)
    next(walking)
    assert len(os.listdir("/proc/self/fd")) > before
    walking.close()
    assert len(os.listdir("/proc/self/fd")) == before


# -- what goes wrong ------------------------------------------------------------------------------


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Root may read anything: give its rights up meanwhile."""
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)


def test_a_folder_that_may_not_be_read(tmp_path: Path, root: int) -> None:
    os.chmod(tmp_path, 0o755)
    for name in ("closed", "listed only", "open"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").touch()
    os.chmod(tmp_path / "closed", 0)
    # To be listed but not to be entered: its entries cannot be looked at.
    os.chmod(tmp_path / "listed only", 0o444)
    try:
        with as_nobody():
            found = {one.path: one for one in walked(root)}
    finally:
        for name in ("closed", "listed only"):
            os.chmod(tmp_path / name, 0o755)
    assert found[b"closed"].kind is Kind.UNLISTABLE
    assert found[b"closed"].error == errno.EACCES
    assert b"closed/file" not in found
    assert any(one.kind is Kind.UNLISTABLE for path, one in found.items() if path.startswith(b"listed only"))
    assert found[b"open/file"].kind is Kind.FILE


class Broken:
    """Lets one system call fail for one name; anything else goes through."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, call: str, name: bytes, error: int) -> None:
        real = getattr(os, call)

        def failing(path: bytes | int, *args: object, **keywords: object) -> object:
            if path == name:
                raise OSError(error, os.strerror(error))
            return real(path, *args, **keywords)

        monkeypatch.setattr(os, call, failing)


@pytest.fixture
def two_folders(tmp_path: Path) -> None:
    for name in ("bad", "good"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_bytes(b"1")


@pytest.mark.usefixtures("two_folders")
def test_a_folder_that_cannot_be_opened(root: int, monkeypatch: pytest.MonkeyPatch) -> None:
    Broken(monkeypatch, "open", b"bad", errno.EIO)
    assert kinds(root) == {b"bad": Kind.UNLISTABLE, b"good": Kind.FOLDER, b"good/file": Kind.FILE}


@pytest.mark.usefixtures("two_folders")
def test_an_entry_that_cannot_be_looked_at(root: int, monkeypatch: pytest.MonkeyPatch) -> None:
    Broken(monkeypatch, "stat", b"bad", errno.EIO)
    assert kinds(root) == {b"bad": Kind.UNLISTABLE, b"good": Kind.FOLDER, b"good/file": Kind.FILE}


@pytest.mark.usefixtures("two_folders")
def test_an_entry_that_is_listed_and_cannot_be_found(root: int, monkeypatch: pytest.MonkeyPatch) -> None:
    Broken(monkeypatch, "stat", b"bad", errno.ENOENT)
    assert kinds(root) == {b"bad": Kind.UNLISTABLE, b"good": Kind.FOLDER, b"good/file": Kind.FILE}


@pytest.mark.usefixtures("two_folders")
def test_an_entry_that_vanishes_on_the_way(
    root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.stat

    def vanishing(path: bytes, *, dir_fd: int, follow_symlinks: bool) -> os.stat_result:
        if path == b"gone":
            os.unlink(tmp_path / "gone")
        return real(path, dir_fd=dir_fd, follow_symlinks=follow_symlinks)

    (tmp_path / "gone").touch()
    monkeypatch.setattr(os, "stat", vanishing)
    assert set(kinds(root)) == {b"bad", b"bad/file", b"good", b"good/file"}


@pytest.mark.parametrize("vanishes", [True, False])
def test_a_folder_that_is_listed_but_cannot_be_found(
    root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, vanishes: bool
) -> None:
    real = os.open

    def missing(path: bytes, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == b"bad":
            if vanishes:
                (tmp_path / "bad").rmdir()
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        return real(path, flags, mode, dir_fd=dir_fd)

    for name in ("bad", "good"):
        (tmp_path / name).mkdir()
    write(root, b"file")
    monkeypatch.setattr(os, "open", missing)
    told = {} if vanishes else {b"bad": Kind.UNLISTABLE}
    assert kinds(root) == told | {b"good": Kind.FOLDER, b"file": Kind.FILE}


class BreaksOff:
    """A listing that fails after some entries."""

    def __init__(self, listing: os._ScandirIterator[str], entries: int) -> None:
        self._listing = listing
        self._left = entries

    def __iter__(self) -> BreaksOff:
        return self

    def __next__(self) -> os.DirEntry[str]:
        if self._left == 0:
            raise OSError(errno.EIO, "Input/output error")
        self._left -= 1
        return next(self._listing)

    def close(self) -> None:
        self._listing.close()


def test_a_listing_that_breaks_off(root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sub").mkdir()
    for number in range(5):
        (tmp_path / f"f{number}").touch()
    real = os.scandir
    first = iter([3])
    monkeypatch.setattr(os, "scandir", lambda fd: BreaksOff(real(fd), next(first, 99)))
    found = walked(root)
    (root_itself,) = [one for one in found if one.path == b""]
    assert root_itself.kind is Kind.UNLISTABLE
    assert root_itself.error == errno.EIO
    assert len(found) == 4


@pytest.mark.parametrize("shortage", [errno.EMFILE, errno.ENFILE, errno.ENOMEM])
@pytest.mark.parametrize("call", ["open", "stat"])
@pytest.mark.usefixtures("two_folders")
def test_a_shortage_is_the_stations(
    root: int, monkeypatch: pytest.MonkeyPatch, call: str, shortage: int
) -> None:
    Broken(monkeypatch, call, b"bad", shortage)
    with pytest.raises(ResourcesExhausted, match="limit of open files"):
        walked(root)


def test_a_folder_that_contains_itself(root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "outer" / "inner").mkdir(parents=True)
    real, outer = os.open, os.open(tmp_path / "outer", os.O_RDONLY)
    monkeypatch.setattr(
        os,
        "open",
        lambda path, flags, dir_fd: os.dup(outer) if path == b"inner" else real(path, flags, dir_fd=dir_fd),
    )
    try:
        assert kinds(root) == {b"outer": Kind.FOLDER, b"outer/inner": Kind.UNLISTABLE}
    finally:
        os.close(outer)


class Twice(BreaksOff):
    """A listing that tells each entry twice."""

    def __init__(self, listing: os._ScandirIterator[str]) -> None:
        super().__init__(listing, -1)
        self._again: os.DirEntry[str] | None = None

    def __next__(self) -> os.DirEntry[str]:
        told, self._again = self._again or next(self._listing), None
        if told is not self._last:
            self._again = self._last = told
        return told

    _last: os.DirEntry[str] | None = None


def test_a_name_that_is_listed_twice_is_told_once_or_it_is_said_that_it_may_not_be(
    root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sub").mkdir()
    for number in range(5):
        (tmp_path / f"f{number}").touch()
    real = os.scandir
    monkeypatch.setattr(os, "scandir", lambda fd: Twice(real(fd)))
    assert len(kinds(root)) == 6
    assert not any(run.in_parts for run in module.runs(root, cancel=Going()))
    monkeypatch.setattr(module, "HELD_MAX", 3)
    monkeypatch.setattr(module, "CHUNK_MIN", 3)
    in_parts = [run.in_parts for run in module.runs(root, cancel=Going()) for one in run.found if one.regular]
    assert in_parts and all(in_parts)


def test_what_lies_in_a_folder_that_may_be_listed_twice_may_be_told_twice(
    root: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its files are told in one go each time, and the folder above has none that would tell of it."""
    for number in range(5):
        (tmp_path / f"sub{number}").mkdir()
        (tmp_path / f"sub{number}" / "file").touch()
    monkeypatch.setattr(module, "HELD_MAX", 3)
    monkeypatch.setattr(module, "CHUNK_MIN", 3)
    real, level = os.scandir, os.stat(root).st_ino
    monkeypatch.setattr(
        os, "scandir", lambda fd: Twice(real(fd)) if os.fstat(fd).st_ino == level else real(fd)
    )
    told = list(module.runs(root, cancel=Going()))
    paths = [one.path for run in told for one in run.found if one.regular]
    assert len(paths) > len(set(paths)) == 5
    assert any(run.in_parts for run in told)


def test_one_file_under_many_names_is_each_of_them(root: int, tmp_path: Path) -> None:
    (tmp_path / "one").write_bytes(b"kelp")
    names = {b"one", *(b"%d/%d" % (folder, number) for folder in range(20) for number in range(100))}
    for folder in range(20):
        (tmp_path / str(folder)).mkdir()
        for number in range(100):
            os.link(tmp_path / "one", tmp_path / str(folder) / str(number))
    files = [one for one in walked(root) if one.kind is Kind.FILE]
    assert {one.path for one in files} == names
    assert {(one.size_bytes, one.inode) for one in files} == {(4, (tmp_path / "one").stat().st_ino)}


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="needs root for a mount")
def test_a_folder_that_is_bound_into_itself_ends_there(root: int, tmp_path: Path) -> None:
    """It is on the same device, so that only its number gives it away."""
    (tmp_path / "outer" / "inner").mkdir(parents=True)
    (tmp_path / "outer" / "line-01.bin").touch()
    subprocess.run(["mount", "--bind", tmp_path / "outer", tmp_path / "outer" / "inner"], check=True)
    try:
        found = kinds(root)
    finally:
        subprocess.run(["umount", tmp_path / "outer" / "inner"], check=True)
    assert found == {
        b"outer": Kind.FOLDER,
        b"outer/line-01.bin": Kind.FILE,
        b"outer/inner": Kind.UNLISTABLE,
    }


def test_a_folder_that_turns_into_a_link(root: int, tmp_path: Path) -> None:
    (tmp_path / "aim").mkdir()
    (tmp_path / "aim" / "file").touch()
    (tmp_path / "folder").mkdir()
    walking = walk(root, cancel=Going())
    first = next(walking)
    other = tmp_path / ("folder" if first.path == b"aim" else "aim")
    for entry in other.iterdir():
        entry.unlink()
    other.rmdir()
    os.symlink("/", other)
    rest = {one.path: one.kind for one in walking}
    assert rest.pop(os.fsencode(other.name)) is Kind.UNLISTABLE
    assert set(rest) <= {b"aim/file"}


# -- pace -----------------------------------------------------------------------------------------


def test_cancelling_stops_the_walk_soon(root: int, tmp_path: Path) -> None:
    for number in range(3000):
        (tmp_path / str(number)).touch()
    seen = 0
    with pytest.raises(Cancelled):
        for _ in walk(root, cancel=StoppedAfter(7)):
            seen += 1
    assert seen <= 1000


def test_every_entry_is_a_sign_of_life(root: int, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for number in range(5):
        (tmp_path / "folder" / f"leaf-{number}").touch()
    going = Going()
    found = list(walk(root, cancel=going))
    assert going.beats >= len(found) + 2, "when it is looked at, and when each folder is listed"


def test_two_hundred_thousand_files(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Measured at 0.9 s; the bound leaves room for a machine that is busy and ten times slower."""
    folders, each = 200, 1000
    base = Path("/dev/shm") if os.access("/dev/shm", os.W_OK) else tmp_path_factory.getbasetemp()
    top = base / f"ingestd-walk-{os.getpid()}"
    top.mkdir()
    try:
        for number in range(folders):
            (top / str(number)).mkdir()
            fd = os.open(top / str(number), os.O_RDONLY | os.O_DIRECTORY)
            for name in range(each):
                os.mknod(f"{name:06}", dir_fd=fd)
            os.close(fd)
        root_fd = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
        going = Going()
        began = time.monotonic()
        count = sum(one.kind is Kind.FILE for one in walk(root_fd, cancel=going))
        took_s = time.monotonic() - began
        os.close(root_fd)
    finally:
        shutil.rmtree(top)
    assert count == folders * each
    assert took_s < 10
    assert going.beats >= folders * each
