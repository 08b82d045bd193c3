"""The process that looks at files ahead of the walk: it changes nothing but the time."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingestd.content import ahead as module
from ingestd.content import ahead_program as program
from ingestd.content.ahead import Ahead
from ingestd.content.ahead_program import STEP, Over, Pace
from ingestd.content.walk import Kind, walk
from tests.support.drives import Going

PLENTY = 1_000_000


@pytest.fixture
def root(tmp_path: Path) -> Iterator[int]:
    at = tmp_path / "volume-1"
    for folder in ("dives/deep/deeper", "plates", "empty"):
        (at / folder).mkdir(parents=True)
        for number in range(30):
            (at / folder / f"{number}.dat").write_bytes(b"x")
    for number in range(30):
        (at / f"{number}.dat").write_bytes(b"x")
    (at / "link").symlink_to("dives")
    (at / "dangling").symlink_to("nowhere")
    os.mkfifo(at / "pipe")
    os.mkdir(bytes(at) + b"/\xff\xfe")
    fd = os.open(at, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch, root: int) -> list[bytes]:
    """Paths that the program looked at, in order; below the root."""
    real, paths = os.access, list[bytes]()
    top = os.readlink(os.fsencode(f"/proc/self/fd/{root}"))

    def recorded(name: str, mode: int, *, dir_fd: int, follow_symlinks: bool) -> bool:
        at = os.readlink(os.fsencode(f"/proc/self/fd/{dir_fd}"))
        paths.append((at + b"/" + os.fsencode(name))[len(top) + 1 :])
        return real(name, mode, dir_fd=dir_fd, follow_symlinks=follow_symlinks)

    monkeypatch.setattr(os, "access", recorded)
    return paths


def identity(fd: int) -> tuple[int, int]:
    status = os.fstat(fd)
    return status.st_dev, status.st_ino


def look(root: int, left: int = PLENTY, above: tuple[tuple[int, int], ...] = ()) -> None:
    program.look(root, above or (identity(root),), Pace(os.open("/dev/null", os.O_RDONLY), left))


def wait_for(what: Callable[[], bool]) -> None:
    until = time.monotonic() + 60
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)


# -- the program ----------------------------------------------------------------------------------


def test_it_looks_at_everything_once(root: int, seen: list[bytes]) -> None:
    look(root)
    assert sorted(seen) == sorted(found.path for found in walk(root, cancel=Going()))


def test_it_looks_at_files_in_the_order_of_the_walk(root: int, seen: list[bytes]) -> None:
    look(root)
    files = [found.path for found in walk(root, cancel=Going()) if found.kind is Kind.FILE]
    assert [path for path in seen if path in set(files)] == files


def test_it_goes_no_further_than_it_may(
    root: int, seen: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(program, "STEP", 5)
    with pytest.raises(Over):
        look(root, 20)
    assert len(seen) == 20


def test_a_byte_lets_it_take_a_step(tmp_path: Path) -> None:
    theirs, ours = os.pipe()
    pace = Pace(theirs, 10)
    os.write(ours, b"..")
    pace.take(10)
    pace.take(STEP)
    pace.take(STEP)
    os.close(ours)
    with pytest.raises(Over):
        pace.take(1)
    os.close(theirs)


def test_it_does_not_enter_another_file_system_nor_what_it_is_in(root: int, seen: list[bytes]) -> None:
    device, inode = identity(root)
    look(root, above=((device + 1, inode),))
    assert all(b"/" not in path for path in seen)
    folders = [found.inode for found in walk(root, cancel=Going()) if found.kind is Kind.FOLDER]
    seen.clear()
    look(root, above=((device, inode), *((device, each) for each in folders)))
    assert all(b"/" not in path for path in seen)


def test_it_ends_with_the_first_error(root: int, seen: list[bytes], monkeypatch: pytest.MonkeyPatch) -> None:
    recorded = os.access

    def failing(name: str, mode: int, **how: object) -> bool:
        return recorded(name, mode, **how) and name != "7.dat"  # type: ignore[arg-type]

    monkeypatch.setattr(os, "access", failing)
    with pytest.raises(Over):
        look(root)
    assert seen[-1].endswith(b"7.dat")


@pytest.mark.parametrize(("lead", "code"), [(PLENTY, 0), (3, 1)])
def test_as_a_program_it_ends_by_itself(root: int, lead: int, code: int) -> None:
    theirs, ours = os.pipe()
    os.close(ours)
    command = [sys.executable, "-I", "-S", program.__file__, str(root), str(theirs), str(lead)]
    done = subprocess.run(command, check=False, pass_fds=(root, theirs), capture_output=True, timeout=60)
    os.close(theirs)
    assert (done.returncode, done.stderr) == (code, b"")


# -- beside a walk --------------------------------------------------------------------------------


@pytest.fixture
def begins_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BEGIN_ENTRIES", 1)
    monkeypatch.setattr(module, "LEAD_ENTRIES", 5)


def process_of(ahead: Ahead) -> subprocess.Popen[bytes]:
    assert ahead._process is not None
    return ahead._process


def test_few_files_are_not_worth_a_process(root: int) -> None:
    ahead = Ahead(root)
    ahead.past(module.BEGIN_ENTRIES - 1)
    assert ahead._process is None
    ahead.past(1)
    assert process_of(ahead).args
    ahead.close()


@pytest.mark.usefixtures("begins_at_once")
def test_a_drive_to_be_read_gently_is_left_to_the_walk(root: int) -> None:
    ahead = Ahead(root, gently=True)
    ahead.past(module.BEGIN_ENTRIES)
    assert ahead._process is None
    ahead.close()


@pytest.mark.usefixtures("begins_at_once")
def test_it_is_gone_when_the_walk_is(root: int) -> None:
    before = os.listdir("/proc/self/fd")
    ahead = Ahead(root)
    ahead.past(1)
    process = process_of(ahead)
    assert process.poll() is None, "it waits for the walk"
    ahead.close()
    assert process.returncode == -signal.SIGKILL
    assert os.listdir("/proc/self/fd") == before


@pytest.mark.usefixtures("begins_at_once")
def test_it_goes_on_as_the_walk_does(root: int) -> None:
    ahead = Ahead(root)
    ahead.past(1)
    ahead.past(STEP)
    wait_for(lambda: process_of(ahead).poll() == 0)
    for _ in range(3):
        ahead.past(STEP)
    ahead.close()


@pytest.mark.usefixtures("begins_at_once")
def test_a_walk_goes_on_beside_one_that_hangs(root: int) -> None:
    ahead = Ahead(root)
    ahead.past(1)
    process = process_of(ahead)
    process.send_signal(signal.SIGSTOP)
    wait_for(lambda: Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0] == "T")
    for _ in range(100):
        ahead.past(STEP * 1000)  # More than a pipe holds.
    assert process.poll() is None
    ahead.close()


def test_a_walk_goes_on_where_there_is_no_process_to_be_had(
    root: int, begins_at_once: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, tried = os.listdir("/proc/self/fd"), list[object]()

    def refused(*args: object, **how: object) -> None:
        tried.append(args)
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", refused)
    ahead = Ahead(root)
    for _ in range(5):
        ahead.past(STEP)
    ahead.close()
    assert len(tried) == 1
    assert os.listdir("/proc/self/fd") == before


def nested(at: Path, levels: int, *, files: int, folders: int = 0) -> None:
    """Folders in each other, each with so many long names of one file, and so many empty folders."""
    for level in range(levels):
        at.mkdir()
        (first := at / f"{0:0200}").touch()
        for number in range(1, files):
            os.link(first, at / f"{number:0200}")
        for number in range(folders):
            (at / f"{level}-{number}").mkdir()
        at = at / "below"


def test_the_files_of_the_folders_above_take_no_memory(tmp_path: Path) -> None:
    nested(tmp_path / "top", 12, files=1500)
    fd = os.open(tmp_path / "top", os.O_RDONLY | os.O_DIRECTORY)
    status = os.fstat(fd)
    tracemalloc.start()
    try:
        program.look(fd, ((status.st_dev, status.st_ino),), Pace(-1, PLENTY))
        _, most_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        os.close(fd)

    assert most_bytes < 3 << 20


def test_it_ends_where_too_many_folders_would_be_kept_for_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nested(tmp_path / "top", 4, files=1, folders=9)
    fd = os.open(tmp_path / "top", os.O_RDONLY | os.O_DIRECTORY)
    status = os.fstat(fd)
    try:
        monkeypatch.setattr(program, "HELD_MAX", 40)
        program.look(fd, ((status.st_dev, status.st_ino),), Pace(-1, PLENTY))
        monkeypatch.setattr(program, "HELD_MAX", 30)
        with pytest.raises(Over):
            program.look(fd, ((status.st_dev, status.st_ino),), Pace(-1, PLENTY))
    finally:
        os.close(fd)
