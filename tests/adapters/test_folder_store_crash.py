"""A folder store whose process is killed, and one whose power is cut."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.store import syscalls
from ingestd.store.folder import FolderStore
from tests.support.mounts import ext4, make_ext4, needs_root
from tests.support.stores import at_will, content, put, sha256, small, some_bytes

PART = 100_000

WRITER = """
import sys
from tests.adapters.test_folder_store_crash import write_for_ever
write_for_ever(sys.argv[1])
"""


def body_of(number: int) -> bytes:
    return some_bytes(2 * PART + number, seed=number)


def write_for_ever(root: str) -> None:
    """Store large and small objects, and say what is stored as soon as it is."""
    store = FolderStore("archive", root)
    for number in range(1, 100_000):
        body = memoryview(body_of(number))
        upload = store.begin(b"big/%d" % number, len(body))
        print("begun", number, upload.token, flush=True)
        for part, at in enumerate(range(0, len(body), PART)):
            upload.put_part(part, at, body[at : at + PART], at_will)
        upload.complete(len(body), sha256(bytes(body)))
        store.put_batch([small(b"small/%d/%d" % (number, n), b"%d" % n * 99) for n in range(20)], at_will)
        print("stored", number, flush=True)


@pytest.mark.parametrize("seconds", [0.15, 0.2, 0.3, 0.45])
def test_whatever_is_under_a_key_after_a_kill_is_whole(tmp_path: Path, seconds: float) -> None:
    said = killed_after(seconds, tmp_path)

    store = FolderStore("archive", str(tmp_path))
    for number in [int(words[1]) for words in said if words[0] == "stored"]:
        assert content(store, b"big/%d" % number) == body_of(number)
        assert store.stat(b"small/%d/19" % number) is not None
    for found in (tmp_path / "big").glob("*"):
        assert found.read_bytes() == body_of(int(found.name))
    for found in (tmp_path / "small").glob("*/*"):
        assert found.read_bytes() == found.name.encode() * 99

    *_, (_, last, token) = [words for words in said if words[0] == "begun"]
    resumed = store.resume(b"big/" + last.encode(), len(body_of(int(last))), token)
    assert resumed is not None or store.stat(b"big/" + last.encode()) is not None
    del resumed
    store.sweep([])
    assert os.listdir(tmp_path / ".ingest-parts") == []


def killed_after(seconds: float, root: Path) -> list[list[str]]:
    """What a writer said that was killed so long after it had begun."""
    command = [sys.executable, "-c", WRITER, str(root)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(seconds)
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read()
    return [line.split() for line in (first + rest).splitlines()]


# -- power cut ------------------------------------------------------------------------------------


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A mounted disk whose content is the file `image`."""
    make_ext4(tmp_path / "image", 48 << 20)
    with ext4(tmp_path / "image", tmp_path / "disk") as folder:
        (folder / "archive").mkdir()
        os.sync()
        yield folder / "archive"


def after_power_cut(tmp_path: Path) -> FolderStore:
    """The store on a copy of what the disk holds now, without what is still in memory."""
    shutil.copyfile(tmp_path / "image", tmp_path / "copy")
    return FolderStore("archive", str(tmp_path / "after" / "archive"))


@needs_root
def test_a_part_is_there_after_a_power_cut(tmp_path: Path, disk: Path) -> None:
    body = some_bytes(600_000)
    upload = FolderStore("archive", str(disk)).begin(b"a/b", len(body))
    upload.put_part(1, 300_000, memoryview(body)[300_000:], at_will)
    (disk / "control").write_bytes(b"written, but not made to last")

    store = after_power_cut(tmp_path)
    with ext4(tmp_path / "copy", tmp_path / "after") as after:
        assert not (after / "archive" / "control").exists(), "this test could not fail"
        resumed = store.resume(b"a/b", len(body), upload.token)
        assert resumed is not None
        resumed.put_part(1, 0, memoryview(body)[:300_000], at_will)
        resumed.complete(len(body), sha256(body))
        assert content(store, b"a/b") == body
        del resumed


@needs_root
@pytest.mark.parametrize("how", ["parts", "record", "few", "many", "many, one by one"])
def test_what_was_stored_is_there_after_a_power_cut(
    tmp_path: Path, disk: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = FolderStore("archive", str(disk))
    bodies = {
        b"a/%d/b/%d" % (n % 5, n): some_bytes(1000 + n, seed=n) for n in range(3 if how == "few" else 60)
    }
    if how == "parts":
        for key, body in bodies.items():
            put(store, key, body)
    elif how == "record":
        for number, (key, body) in enumerate(bodies.items()):
            if number % 2:
                store.replace(key, b"an earlier one")
            store.replace(key, body)
    else:
        if how == "many, one by one":
            monkeypatch.setattr(syscalls, "can_sync_file_system", lambda fd: False)
        store.put_batch([small(key, body) for key, body in bodies.items()], at_will)
    (disk / "control").write_bytes(b"written, but not made to last")

    survivor = after_power_cut(tmp_path)
    with ext4(tmp_path / "copy", tmp_path / "after") as after:
        assert not (after / "archive" / "control").exists(), "this test could not fail"
        assert {key: content(survivor, key) for key in bodies} == bodies


@needs_root
def test_what_was_taken_back_stays_away_after_a_power_cut(tmp_path: Path, disk: Path) -> None:
    store = FolderStore("archive", str(disk))
    keys = [b"job/%d/%d" % (n % 3, n) for n in range(30)]
    store.put_batch([small(key, key) for key in keys], at_will)
    for key in keys:
        store.remove(key)

    after_power_cut(tmp_path)
    with ext4(tmp_path / "copy", tmp_path / "after") as after:
        assert not (after / "archive" / "job").exists()


@needs_root
def test_no_key_shows_half_an_object_after_a_power_cut_in_a_batch(
    tmp_path: Path, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cut comes when the keys are there, but nobody has been told so."""
    bodies = {b"a/%d" % n: some_bytes(10_000, seed=n) for n in range(40)}
    sync = syscalls.sync_file_system

    def cut_when_the_keys_are_there(fd: int) -> None:
        if (disk / "a").exists():
            # Any other program's sync may make the keys last early.
            keys_fd = os.open(disk / "a", os.O_RDONLY)
            os.fsync(keys_fd)
            os.close(keys_fd)
            shutil.copyfile(tmp_path / "image", tmp_path / "copy")
        sync(fd)

    monkeypatch.setattr(syscalls, "sync_file_system", cut_when_the_keys_are_there)
    FolderStore("archive", str(disk)).put_batch([small(key, body) for key, body in bodies.items()], at_will)

    with ext4(tmp_path / "copy", tmp_path / "after") as after:
        store = FolderStore("archive", str(after / "archive"))
        assert {key: content(store, key) for key in bodies} == bodies
        assert store.sweep([]) == 40
