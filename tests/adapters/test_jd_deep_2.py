"""A journal that is damaged, missing, foreign, full or not writable: refused in words or unharmed, and
never begun anew behind anybody's back."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingestd.core.messages import SaveUplink
from ingestd.core.model import LoadId
from ingestd.journal import database
from ingestd.journal.database import FILE_NAME, MARKER_NAME
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError, PartRecord
from tests.support.journals import Picture, encode, entry, event, open_journal, picture, save_job, save_load

IDENTITIES = ("spool:a", "spool:b", "spool:never")
REMEDY = "backup|newer version|configuration|user of ingestd|another ingestd"
FLIPS = 8000
MIB = 1 << 20


def fill(journal: Journal) -> None:
    """Something of everything."""
    journal.commit([save_job(n) for n in range(3)] + [save_load("load-1")], at=1.0, identities=IDENTITIES[:1])
    journal.commit([event(n) for n in range(5)], at=2.0, identities=IDENTITIES[1:2])
    journal.commit([save_load("load-2", released=True)], at=2.0)
    journal.commit([SaveUplink(rate_bytes_per_second=50_000_000, burst_bytes=None)], at=2.0)
    journal.mark_sent([journal.outbox(1)[0].sequence])
    manifest = journal.manifest(LoadId("load-1"))
    manifest.begin_survey()
    manifest.add([entry(f"scans/page-{n:03d}.tif.gpg") for n in range(30)])
    manifest.add([entry(f"notes/{n}.txt", skip="not-announced") for n in range(5)])
    manifest.expect([("volume-1", b"scans/page-001.tif.gpg", b"e" * 32, "notice")])
    manifest.end_survey()
    manifest.record_attempt(12)
    manifest.record_stored([(n, bytes([n]) * 32, b"harrow/job/page-%d" % n) for n in range(10)])
    manifest.record_failed(10, "unreadable")
    manifest.record_upload(11, "token", 50)
    manifest.record_parts([PartRecord(11, n, bytes(32)) for n in (1, 2)])


def look(folder: Path) -> Picture:
    """Everything that the journal in a folder says; it is closed again whatever happens."""
    journal = open_journal(folder)
    try:
        return picture(journal, "load-1", IDENTITIES)
    finally:
        journal.close()


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a journal that was closed in good order."""
    folder = tmp_path_factory.mktemp("sound")
    journal = open_journal(folder)
    fill(journal)
    journal.close()
    return folder


@pytest.fixture(scope="module")
def expected(sound: Path, tmp_path_factory: pytest.TempPathFactory) -> Picture:
    folder = tmp_path_factory.mktemp("expected") / "copy"
    shutil.copytree(sound, folder)
    return look(folder)


def refused_or_unharmed(folder: Path, expected: Picture) -> bool:
    """Whether the journal was refused. What is refused is left as it was found, for people to save."""
    before = (folder / FILE_NAME).read_bytes()
    try:
        found = look(folder)
    except JournalError as error:
        assert any(word in str(error) for word in REMEDY.split("|")), error
        return True
    assert found == expected
    assert (folder / FILE_NAME).stat().st_size == len(before)
    return False


# -- flipped bits and cut files -------------------------------------------------------------------


def flipped(content: bytes, at: int, bit: int) -> bytes:
    damaged = bytearray(content)
    damaged[at] ^= 1 << bit
    return bytes(damaged)


def test_a_flipped_bit_is_refused_or_does_no_harm(sound: Path, expected: Picture, tmp_path: Path) -> None:
    """All over the file, and in the bytes of its header one by one."""
    chance = random.Random(2)
    content = (sound / FILE_NAME).read_bytes()
    places = [*range(100), *(chance.randrange(len(content)) for _ in range(FLIPS))]
    refused = 0
    for at in places:
        shutil.rmtree(tmp_path)
        shutil.copytree(sound, tmp_path)
        (tmp_path / FILE_NAME).write_bytes(flipped(content, at, chance.randrange(8)))
        refused += refused_or_unharmed(tmp_path, expected)
    assert 20 < refused < len(places), "some bits matter and some do not"
