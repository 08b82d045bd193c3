"""The manifest in the journal: against a model, across restarts, and what a hostile drive may hold."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from ingestd.core.found import Ledger
from ingestd.core.model import LoadId
from ingestd.journal import expected as journal_expected
from ingestd.journal import survey as journal_survey
from ingestd.journal.database import FILE_NAME
from ingestd.journal.journal import Journal
from ingestd.journal.manifest import SqliteManifest
from ingestd.ports import Cancelled, FileEntry, PartRecord
from tests.support.journals import entry, expected, open_journal

LOAD = LoadId("load-1")


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    opened = open_journal(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def manifest(journal: Journal) -> SqliteManifest:
    opened = journal.manifest(LOAD)
    opened.begin_survey()
    return opened


def test_others_have_their_turn_while_a_large_bag_is_looked_at(
    journal: Journal, manifest: SqliteManifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The loop commits through the same connection: it must not wait for a million rows of one drive."""
    monkeypatch.setattr(journal_expected, "_WINDOW_ROWS", 10)
    manifest.add([entry(f"data/{n:03}") for n in range(100)])
    real, times = journal._db.reading, list[int]()

    @contextlib.contextmanager
    def counted() -> Iterator[sqlite3.Connection]:
        with real() as sql:
            times.append(1)
            yield sql

    monkeypatch.setattr(journal._db, "reading", counted)
    assert manifest.sum_below("volume-1", b"data")[0] == 100
    assert len(times) == 11
    assert manifest.unlisted("volume-1", b"data", 1, 15)[0] == 100
    assert len(times) == 22


# -- work that was given up -----------------------------------------------------------------------

WRITES: dict[str, Callable[[SqliteManifest], object]] = {
    "begin_survey": lambda old: old.begin_survey(),
    "add": lambda old: old.add([entry("b")]),
    "expect": lambda old: old.expect([expected("a", bytes(32), "notice")]),
    "end_survey": lambda old: old.end_survey(),
    "record_attempt": lambda old: old.record_attempt([(0, bytes(32), b"in/a")]),
    "forget_left": lambda old: old.forget_left([0]),
    "record_upload": lambda old: old.record_upload(0, "token", 50),
    "record_parts": lambda old: old.record_parts([PartRecord(0, 1, bytes(32))]),
    "record_stored": lambda old: old.record_stored([(0, bytes(32), b"in/a")]),
    "record_failed": lambda old: old.record_failed(0, "unreadable"),
    "record_left_out": lambda old: old.record_left_out(0),
    "record_pending": lambda old: old.record_pending([0]),
    "retry_failed": lambda old: old.retry_failed(),
    "require_claim": lambda old: old.require_claim(),
}


@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES)
def test_an_attempt_that_was_given_up_changes_nothing(
    journal: Journal, write: Callable[[SqliteManifest], object]
) -> None:
    old, new = journal.manifest(LOAD), journal.manifest(LOAD)
    old.claim(3)
    old.begin_survey()
    old.add([entry("a"), entry("z")])
    old.record_attempt([(1, bytes(32), b"in/z")])
    write(old)
    new.claim(4)
    before = (new.file(0), new.left(-1, 9), new.ledger(), new.uploads(), new.stored(-1, 9))
    with pytest.raises(Cancelled):
        write(old)
    assert (new.file(0), new.left(-1, 9), new.ledger(), new.uploads(), new.stored(-1, 9)) == before


def test_a_claim_outlives_the_process(tmp_path: Path) -> None:
    first = open_journal(tmp_path)
    first.manifest(LOAD).claim(7)
    first.close()
    second = open_journal(tmp_path)
    with pytest.raises(Cancelled):
        second.manifest(LOAD).claim(6)
    second.manifest(LOAD).claim(7)
    second.close()


def test_of_a_load_that_is_over_nothing_is_written_and_nobody_blames_the_journal(journal: Journal) -> None:
    late = journal.manifest(LOAD)
    late.claim(1)
    late.begin_survey()
    late.add([entry("a")])
    journal.forget_manifest(LOAD)
    with pytest.raises(Cancelled):
        late.record_stored([(0, bytes(32), b"in/a")])


@pytest.mark.parametrize("write", ["add", "expect", "end_survey"])
def test_an_older_survey_does_not_write_into_a_newer_one(journal: Journal, write: str) -> None:
    old, new = journal.manifest(LOAD), journal.manifest(LOAD)
    old.begin_survey()
    new.begin_survey()
    new.add([entry("a")])
    with pytest.raises(Cancelled):
        WRITES[write](old)
    assert [file.path for file in new.pending(-1, 9)] == [b"a"]
    assert new.file(0).expected == ()


# -- what a hostile or damaged drive may hold -----------------------------------------------------


@pytest.mark.parametrize("mtime_ns", [-(1 << 63), (1 << 63) - 1, 1 << 63, -(1 << 80), 1 << 100])
@pytest.mark.parametrize("inode", [0, (1 << 63) - 1, 1 << 63, (1 << 64) - 1])
def test_times_and_inodes_of_any_size_come_back(manifest: SqliteManifest, mtime_ns: int, inode: int) -> None:
    strange = entry("a", mtime_ns=mtime_ns, inode=inode)
    for _ in range(2):
        manifest.add([strange])
        file = manifest.pending(-1, 1)[0]
        assert (file.mtime_ns, file.inode) == (mtime_ns, inode)
        manifest.begin_survey()
    manifest.add([strange])
    assert manifest.ledger().discovered_files == 1


def test_sizes_that_add_up_to_more_than_64_bits_are_summed(manifest: SqliteManifest) -> None:
    largest = (1 << 63) - 1
    manifest.add([entry(f"sparse-{n}", size_bytes=largest) for n in range(5)])
    manifest.add([entry("skipped", size_bytes=largest, skip="x")])
    ledger = manifest.ledger()
    assert ledger.balanced
    assert (ledger.discovered_bytes, ledger.pending_bytes) == (6 * largest, 5 * largest)


def test_long_paths_are_kept(manifest: SqliteManifest) -> None:
    paths = [b"/".join([b"\xff" * 255] * 16) + bytes([n]) for n in range(1, 9)]
    manifest.add([FileEntry("volume-1", path, 1, 2, 3) for path in paths])
    assert [file.path for file in manifest.pending(-1, 100)] == paths


# -- the ledger -----------------------------------------------------------------------------------


def test_the_ledger_balances_at_every_moment(journal: Journal) -> None:
    """Read over and over while one thread surveys and others store, fail and begin again."""
    manifest = journal.manifest(LOAD)
    manifest.begin_survey()
    manifest.add([entry(f"{n}", size_bytes=n) for n in range(400)])
    done = threading.Event()

    def read() -> int:
        looks = 0
        while not done.is_set() or looks == 0:
            ledger = manifest.ledger()
            assert ledger.balanced
            assert ledger.discovered_files >= 400
            looks += 1
        return looks

    def work(first: int) -> None:
        for number in range(first, 400, 4):
            manifest.record_stored([(number, bytes(32), b"key")])
            manifest.record_failed((number + 1) % 400, "unreadable")
            manifest.record_pending([(number + 2) % 400])

    with ThreadPoolExecutor(6) as threads:
        reader = threads.submit(read)
        workers = [threads.submit(work, first) for first in range(4)]
        manifest.add([entry(f"late-{n}") for n in range(50)])
        for worker in workers:
            worker.result()
        done.set()
        assert reader.result() > 0
    assert manifest.ledger().discovered_files == 450


def test_manifests_of_different_loads_do_not_mix(journal: Journal) -> None:
    one, other = journal.manifest(LOAD), journal.manifest(LoadId("load-2"))
    for manifest in (one, other):
        manifest.begin_survey()
        manifest.add([entry("a"), entry("b")])
        manifest.record_upload(0, "token", 50)
        manifest.record_parts([PartRecord(0, 1, bytes(32))])
    one.record_stored([(0, bytes(32), b"key"), (1, bytes(32), b"key")])
    other.begin_survey()
    other.end_survey()
    assert one.ledger().stored_files == 2
    assert other.ledger() == Ledger()
    assert journal.manifest(LOAD).ledger() == one.ledger()


def test_more_files_than_one_window_of_the_survey(journal: Journal) -> None:
    manifest = journal.manifest(LOAD)
    manifest.begin_survey()
    for start in range(0, 25_000, 1_000):
        manifest.add([entry(f"{n:05d}") for n in range(start, start + 1_000)])
    for start in range(0, 25_000, 5_000):
        manifest.record_stored([(n, bytes(32), b"key") for n in range(start, start + 100)])
    manifest.begin_survey()
    manifest.add([entry(f"{n:05d}") for n in range(12_000, 13_000)])
    differences = manifest.end_survey()
    assert differences.count == 500
    assert differences.gone == tuple(b"%05d" % n for n in range(20))
    assert manifest.ledger().discovered_files == 500 + 1_000


def test_room_is_asked_for_before_each_window_of_what_a_survey_adds(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Paths and reading order of 20,000,000 files would take another GiB and a half at once."""
    monkeypatch.setattr(journal_survey, "_WINDOW_ROWS", 10)
    manifest, asked = journal.manifest(LOAD), list[int]()
    manifest.begin_survey(lambda: asked.append(1))
    manifest.add([entry(f"{n:03d}", place=300 - n) for n in range(300)])
    assert len(asked) == 1 + 30, "a first survey gives turns as it goes"
    asked.clear()
    manifest.expect([])
    assert len(asked) > 30
    manifest.end_survey()
    manifest.begin_survey(lambda: asked.append(1))
    manifest.add([entry(f"{n:03d}", place=300 - n) for n in range(300)])
    asked.clear()
    manifest.end_survey()
    assert len(asked) >= 30


def test_files_found_before_the_first_one_with_a_place_have_their_turn_too(journal: Journal) -> None:
    """As on the second volume of a drive of which the first one's file system tells no places."""
    manifest = journal.manifest(LOAD)
    manifest.begin_survey()
    manifest.add([entry("a"), entry("skipped", skip="not-announced")])
    manifest.add([entry("c", place=900), entry("b", place=300)])
    manifest.add([entry("e", place=700), entry("d", place=0)])
    manifest.end_survey()
    in_turn = [b"a", b"d", b"b", b"e", b"c"]
    assert [file.path for file in manifest.pending(-1, 10)] == in_turn
    # Found again, in the same way or in another one, it is the same.
    again = journal.manifest(LOAD)
    for places in ({}, {"a": 800}):
        again.begin_survey()
        found = {"a": 0, "b": 300, "c": 900, "d": 0, "e": 700} | places
        again.add([entry(name, place=place) for name, place in found.items()])
        again.end_survey()
        expected = sorted(found, key=lambda name: (found[name], "acbed".index(name)))
        assert [file.path.decode() for file in again.pending(-1, 10)] == expected


def test_a_survey_that_has_ended_is_durable(journal: Journal, tmp_path: Path) -> None:
    """A commit that changes no page reaches no log, and leaves those before it to the next loss of power."""
    manifest = journal.manifest(LOAD)
    manifest.begin_survey()
    manifest.add([entry("a")])
    log = tmp_path / f"{FILE_NAME}-wal"
    before = log.stat().st_size
    manifest.end_survey()
    assert log.stat().st_size > before


# -- against a model ------------------------------------------------------------------------------

NAMES = [f"{n}.gpg" for n in range(8)]
names = st.sampled_from(NAMES)
entries = st.builds(
    entry,
    names,
    size_bytes=st.integers(0, 2),
    mtime_ns=st.integers(0, 1),
    skip=st.sampled_from([None, None, None, "not-announced", "system-folder"]),
)


@dataclass
class ModelFile:
    number: int
    facts: FileEntry
    state: str
    seen: bool = True
    changed: bool = False
    upload: tuple[str, int] | None = None
    parts: dict[int, bytes] = field(default_factory=dict)
    left: bool = False
    """Whether something may lie in the store, under the file's key."""

    def begin_anew(self, state: str) -> None:
        self.state, self.upload, self.parts = state, None, {}


class ManifestMachine(RuleBasedStateMachine):
    """Any order of calls, with restarts in between, leaves what a plain dict of files says."""

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.mkdtemp()
        self.files: dict[bytes, ModelFile] = {}
        self.highest = -1
        self.surveying = False
        self.journal = open_journal(self.folder)
        self.manifest = self.journal.manifest(LOAD)

    def teardown(self) -> None:
        with contextlib.suppress(AttributeError):
            self.journal.close()
            shutil.rmtree(self.folder)

    def some(self, *states: str) -> list[ModelFile]:
        return [file for file in self.files.values() if file.state in states]

    # -- survey --

    @rule()
    def begin_survey(self) -> None:
        self.manifest.begin_survey()
        self.surveying = True
        self.added = set[bytes]()
        for file in self.files.values():
            file.seen = False
            if file.state == "failed":
                file.state = "pending"

    @precondition(lambda self: self.surveying)
    @rule(batch=st.lists(entries, max_size=6, unique_by=lambda e: e.path))
    def add(self, batch: list[FileEntry]) -> None:
        batch = [facts for facts in batch if facts.path not in self.added]
        self.added.update(facts.path for facts in batch)
        self.manifest.add(batch)
        for facts in batch:
            self.add_to_model(facts)

    def add_to_model(self, facts: FileEntry) -> None:
        new_state = "skipped" if facts.skip else "pending"
        file = self.files.get(facts.path)
        if file is None:
            self.files[facts.path] = ModelFile(self.number_of(facts.path), facts, new_state)
            return
        same = (file.facts.size_bytes, file.facts.mtime_ns) == (facts.size_bytes, facts.mtime_ns)
        if file.state == "stored":
            if not same:
                file.changed = True
                file.begin_anew(new_state)
        elif not same or (file.state == "skipped") != (new_state == "skipped"):
            file.begin_anew(new_state)
        file.facts, file.seen = facts, True

    def number_of(self, path: bytes) -> int:
        """Numbers are the manifest's to give; the model knows that they rise and are not given again."""
        with self.journal._db.reading() as sql:
            number: int = sql.execute("SELECT file_no FROM files WHERE path = ?", (path,)).fetchone()[0]
        assert number > self.highest
        self.highest = number
        return number

    @precondition(lambda self: self.surveying)
    @rule()
    def end_survey(self) -> None:
        differences = self.manifest.end_survey()
        self.surveying = False
        for file in self.files.values():
            if not file.seen and file.state != "stored" and file.left:
                file.state = "gone"
        self.files = {p: f for p, f in self.files.items() if f.seen or f.state in ("stored", "gone")}
        in_order = sorted(self.files.values(), key=lambda file: file.number)
        gone = tuple(file.facts.path for file in in_order if not file.seen and file.state == "stored")
        changed = tuple(file.facts.path for file in in_order if file.changed)
        assert (differences.gone, differences.changed) == (gone, changed)
        assert differences.count == len(gone) + len(changed)

    # -- transfer --

    @precondition(lambda self: self.some("pending"))
    @rule(data=st.data(), token=st.sampled_from("xy"), part_bytes=st.sampled_from([1, 2]))
    def record_upload(self, data: st.DataObject, token: str, part_bytes: int) -> None:
        file = data.draw(st.sampled_from(self.some("pending")))
        self.manifest.record_upload(file.number, token, part_bytes)
        if file.upload != (token, part_bytes):
            file.upload, file.parts = (token, part_bytes), {}

    @precondition(lambda self: self.files)
    @rule(
        data=st.data(),
        numbers=st.lists(st.integers(1, 2), max_size=3),
        digest=st.binary(min_size=32, max_size=32),
    )
    def record_parts(self, data: st.DataObject, numbers: list[int], digest: bytes) -> None:
        file = data.draw(st.sampled_from(list(self.files.values())))
        self.manifest.record_parts([PartRecord(file.number, number, digest) for number in numbers])
        if file.upload:
            file.parts.update(dict.fromkeys(numbers, digest))

    @precondition(lambda self: self.some("pending", "failed"))
    @rule(data=st.data())
    def record_stored(self, data: st.DataObject) -> None:
        files = data.draw(st.lists(st.sampled_from(self.some("pending", "failed")), unique_by=id))
        self.manifest.record_stored(
            [(f.number, f.facts.path.ljust(32), b"in/" + f.facts.path) for f in files]
        )
        for file in files:
            file.begin_anew("stored")
            file.changed, file.left = False, True

    @precondition(lambda self: self.some("pending", "stored"))
    @rule(data=st.data())
    def record_failed(self, data: st.DataObject) -> None:
        file = data.draw(st.sampled_from(self.some("pending", "stored")))
        self.manifest.record_failed(file.number, "unreadable")
        file.state, file.left = "failed", False

    @precondition(lambda self: self.files)
    @rule(data=st.data())
    def record_pending(self, data: st.DataObject) -> None:
        files = data.draw(st.lists(st.sampled_from(list(self.files.values())), unique_by=id))
        self.manifest.record_pending([file.number for file in files])
        for file in files:
            if file.state not in ("skipped", "gone"):
                file.begin_anew("pending")
                file.changed = file.left = False
            else:
                file.upload, file.parts = None, {}

    @precondition(lambda self: self.some("pending"))
    @rule(data=st.data())
    def record_attempt(self, data: st.DataObject) -> None:
        files = data.draw(st.lists(st.sampled_from(self.some("pending")), unique_by=id))
        self.manifest.record_attempt(
            [(f.number, f.facts.path.ljust(32), b"in/" + f.facts.path) for f in files]
        )
        for file in files:
            file.left = True

    @precondition(lambda self: self.files)
    @rule(data=st.data())
    def forget_left(self, data: st.DataObject) -> None:
        files = data.draw(st.lists(st.sampled_from(list(self.files.values())), unique_by=id))
        self.manifest.forget_left([file.number for file in files])
        for file in files:
            if file.state == "gone":
                del self.files[file.facts.path]
            file.left = file.left and file.state == "stored"

    @rule()
    def restart(self) -> None:
        self.journal.close()
        self.journal = open_journal(self.folder)
        self.manifest = self.journal.manifest(LOAD)

    # -- what holds at every moment --

    @invariant()
    def ledger_is_the_sum_of_the_files(self) -> None:
        ledger = self.manifest.ledger()
        assert ledger.balanced
        for state in ("stored", "skipped", "failed", "pending"):
            files = self.some(state)
            assert getattr(ledger, f"{state}_files") == len(files)
            assert getattr(ledger, f"{state}_bytes") == sum(file.facts.size_bytes for file in files)

    @invariant()
    def rows_are_the_files(self) -> None:
        in_order = sorted(self.files.values(), key=lambda file: file.number)
        stored = [(f.number, f.facts.path, b"in/" + f.facts.path) for f in in_order if f.state == "stored"]
        assert [(f.file_no, f.path, f.key) for f in self.manifest.stored(-1, 100)] == stored
        pending = [f.number for f in in_order if f.state == "pending"]
        assert [f.file_no for f in self.manifest.pending(-1, 100)] == pending
        uploads = [(f.number, f.upload[0]) for f in in_order if f.upload]
        assert list(self.manifest.uploads()) == uploads
        left = [(f.number, f.state == "pending") for f in in_order if f.left and f.state != "stored"]
        assert [(f.file_no, f.pending) for f in self.manifest.left(-1, 100)] == left
        for file in in_order:
            row = self.manifest.file(file.number)
            assert (row.path, row.size_bytes) == (file.facts.path, file.facts.size_bytes)
            assert (row.upload_token, row.part_bytes) == (file.upload or (None, None))
            assert self.manifest.parts(file.number) == file.parts


TestManifestAgainstAModel = ManifestMachine.TestCase
TestManifestAgainstAModel.settings = settings(
    max_examples=60, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
)
