"""The survey of whole drives: what is loaded, what is skipped and why, and what is missing."""

from __future__ import annotations

import errno
import hashlib
import os
import subprocess
import unicodedata
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from ingestd.content import ahead, checksums, looks
from ingestd.content import survey as module
from ingestd.content.survey import survey
from ingestd.content.walk import Found, Kind, PlaceOf, Run
from ingestd.core.checksum_lines import gnu_line
from ingestd.core.digests import ALGORITHMS_MAX
from ingestd.core.drive import DriveFacts, DriveIdentity, Health, HealthFacts, VolumeFacts
from ingestd.core.found import ItemFact, Presence, Samples, Secrecy, SurveyFacts
from ingestd.core.job import Destination, ExpectedDrive, Item, Job
from ingestd.core.model import JobId
from ingestd.ports import Cancelled, CancelToken, DriveGoneError, PortError, ResourcesExhausted, ToolFailed
from tests.support import sealed
from tests.support.bags import look
from tests.support.drives import Going, StoppedAfter
from tests.support.fake_manifest import FakeManifest, Row

RESERVED = b".ingest"


@dataclass
class FakeVolume:
    facts: VolumeFacts
    fd: int

    @property
    def root_fd(self) -> int:
        if self.facts.problem is not None:
            raise ValueError(self.facts.problem)
        return self.fd


@dataclass
class FakeDrive:
    """Volumes over folders; it is gone after it was asked for a number of times."""

    volumes: list[FakeVolume] = field(default_factory=list)
    facts: DriveFacts = DriveFacts(identity=DriveIdentity(serial="TWS-0412"), interface="usb-3")
    answers_left: int = 1_000_000

    def still_there(self) -> bool:
        self.answers_left -= 1
        return self.answers_left >= 0

    def drop_caches(self) -> None: ...

    def close(self) -> None: ...


class Station:
    """Folders that stand for the volumes of one drive, and a manifest."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.drive = FakeDrive()
        self.manifest = FakeManifest()
        self.going = Going()

    def volume(self, name: str = "volume-1", file_system: str = "ext4") -> Path:
        folder = self.base / name
        folder.mkdir()
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        self.drive.volumes.append(FakeVolume(VolumeFacts(name=name, file_system=file_system), fd))
        return folder

    def survey(
        self, *items: Item, sniff: bool = False, cancel: Going | None = None, drives: int = 0
    ) -> SurveyFacts:
        facts = survey(
            self.drive,
            job(items, drives),
            self.manifest,
            reserved=RESERVED,
            cancel=cancel or self.going,
            sniff=sniff,
        )
        assert facts.ledger == self.manifest.ledger()
        assert facts.ledger.balanced
        return facts

    @property
    def rows(self) -> dict[tuple[str, bytes], Row]:
        return {(row.entry.volume, row.entry.path): row for row in self.manifest.rows.values()}

    def said(self, name: str) -> list[tuple[str, str, str]]:
        """Algorithm, digest and by whom: what is said of a file of the first volume."""
        file = self.manifest.file(self.rows["volume-1", name.encode()].file_no)
        return [(said.algorithm, said.digest.hex(), said.by) for said in file.expected]

    def skips(self) -> dict[bytes, str | None]:
        return {path: row.entry.skip for (_, path), row in self.rows.items()}


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    made = Station(tmp_path)
    yield made
    for volume in made.drive.volumes:
        os.close(volume.fd)


def job(items: Sequence[Item], drives: int = 0) -> Job:
    return Job(
        job_id=JobId("tws-0412"),
        version=1,
        tenant="tidewrack-survey",
        drives=tuple(ExpectedDrive(serial=f"TWS-{number}") for number in range(drives)),
        items=tuple(items),
        destination=Destination(store="harrow", prefix="tidewrack-survey/0412"),
    )


def put(folder: Path, path: str, body: bytes = b"kelp") -> Path:
    target = folder / path
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(body)
    return target


def digest(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()


def only(facts: SurveyFacts) -> ItemFact:
    (fact,) = facts.items
    return fact


DIVES = Item(name="dives.tar.gpg")
SHOW = Item(name="show", kind="folder")


# -- everything -----------------------------------------------------------------------------------


def test_without_items_everything_is_loaded(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg")
    put(volume, "show/reel-1/a.bin", b"12345678")
    put(volume, "empty", b"")
    facts = station.survey()
    assert set(station.skips().values()) == {None}
    assert facts.ledger.pending_files == 3
    assert facts.ledger.pending_bytes == facts.ledger.discovered_bytes == 12
    assert facts.items == ()
    assert facts.volumes == (station.drive.volumes[0].facts,)
    assert facts.unexpected.count == facts.links.count == facts.changed.count == 0


def test_the_manifest_has_the_files_facts(station: Station) -> None:
    path = put(station.volume(), "dives.tar.gpg", b"12345")
    station.survey()
    entry = station.rows["volume-1", b"dives.tar.gpg"].entry
    status = path.stat()
    assert (entry.size_bytes, entry.mtime_ns, entry.inode) == (5, status.st_mtime_ns, status.st_ino)


def test_an_empty_drive(station: Station) -> None:
    station.volume()
    assert station.survey().ledger.discovered_files == 0


def test_names_are_carried_as_they_are(station: Station) -> None:
    volume = station.volume()
    names = [b"\xff\xfe", b"line\nfeed", b"x" * 255, "Grüße".encode()]
    for name in names:
        (volume / os.fsdecode(name)).touch()
    station.survey()
    assert {path for _, path in station.rows} == set(names)


def test_system_folders_are_skipped(station: Station) -> None:
    volume = station.volume()
    for name in ("lost+found", "System Volume Information", "$Recycle.Bin", ".Trash-1000", ".fseventsd"):
        put(volume, f"{name}/deep/file")
    os.symlink("nowhere", volume / ".Trash-1000" / "link")
    put(volume, "deep/lost+found/file")
    put(volume, ".Trashes", b"a file of that name")
    station.survey()
    skips = station.skips()
    assert skips.pop(b"deep/lost+found/file") is None
    assert skips.pop(b".Trashes") is None
    assert set(skips.values()) == {"system-folder"}
    assert len(skips) == 5
    assert station.survey().links.count == 0


def test_volumes_with_a_problem_are_told_and_not_read(station: Station) -> None:
    put(station.volume("volume-1"), "a")
    broken = VolumeFacts(name="volume-2", file_system="xfs", problem="not cleanly unmounted")
    station.drive.volumes.append(FakeVolume(broken, os.open(".", os.O_RDONLY)))
    facts = station.survey()
    assert facts.volumes[1].problem == "not cleanly unmounted"
    assert facts.ledger.discovered_files == 1


def test_what_cannot_be_loaded_is_counted(station: Station) -> None:
    volume = station.volume()
    put(volume, "a")
    os.symlink("a", volume / "link")
    os.symlink("link", volume / "odd\nlink")
    os.mkfifo(volume / "fifo")
    facts = station.survey()
    assert facts.links.count == 2
    assert set(facts.links.examples) == {"volume-1/link", "volume-1/odd\\nlink"}
    assert (facts.specials.count, facts.specials.examples) == (1, ("volume-1/fifo",))
    assert facts.ledger.discovered_files == 1


def test_examples_are_few_whatever_the_count(station: Station) -> None:
    volume = station.volume()
    for number in range(50):
        os.symlink("nowhere", volume / f"link-{number}")
    facts = station.survey()
    assert facts.links.count == 50
    assert len(facts.links.examples) == 20


def test_the_reserved_name(station: Station) -> None:
    volume = station.volume()
    put(volume, ".ingest/old.sha256", b"123")
    put(volume, ".ingest/sub/b", b"4567")
    put(volume, "sub/.ingest/c")
    put(volume, ".ingested")
    facts = station.survey()
    assert (facts.reserved.count, facts.reserved.size_bytes) == (2, 7)
    skips = station.skips()
    assert skips[b".ingest/old.sha256"] == skips[b".ingest/sub/b"] == "reserved"
    assert skips[b"sub/.ingest/c"] is None
    assert skips[b".ingested"] is None
    assert facts.ledger.skipped_bytes == 7


def test_a_name_that_the_store_does_not_carry_is_out_of_bounds(station: Station) -> None:
    volume = station.volume()
    (volume / "dive.gpg").write_bytes(b"sonar")
    (volume / ("kelp" * 50)).write_bytes(b"sonar!")
    facts = survey(
        station.drive,
        job(()),
        station.manifest,
        reserved=RESERVED,
        cancel=station.going,
        sniff=False,
        carries=lambda volume, path: volume == "volume-1" and len(path) < 200,
    )
    assert (facts.out_of_bounds.count, facts.out_of_bounds.size_bytes) == (1, 6)
    assert facts.out_of_bounds.examples[0].startswith("volume-1/kelpkelp")
    assert (facts.ledger.pending_files, facts.ledger.skipped_files) == (1, 1)


def test_paths_out_of_bounds_are_in_the_ledger(station: Station) -> None:
    volume = station.volume()
    at = os.open(volume, os.O_RDONLY | os.O_DIRECTORY)
    for _ in range(256):
        os.mkdir("d", dir_fd=at)
        below = os.open("d", os.O_RDONLY | os.O_DIRECTORY, dir_fd=at)
        os.close(at)
        at = below
    os.write(fd := os.open("file", os.O_WRONLY | os.O_CREAT, dir_fd=at), b"12345")
    os.close(fd)
    os.close(at)
    facts = station.survey()
    assert (facts.out_of_bounds.count, facts.out_of_bounds.size_bytes) == (1, 5)
    (row,) = station.rows.values()
    assert row.entry.skip == "out-of-bounds"
    assert facts.ledger.skipped_bytes == 5


def test_batches_lose_nothing(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BATCH_ENTRIES", 10)
    volume = station.volume()
    for number in range(35):
        put(volume, f"{number}")
    put(station.volume("volume-2"), "0")
    assert station.survey().ledger.pending_files == 36


@pytest.mark.parametrize("columns", [False, True])
def test_entries_of_a_folder_come_to_the_same_one_by_one_and_together(
    station: Station, monkeypatch: pytest.MonkeyPatch, columns: bool
) -> None:
    """What nothing is to be said of is taken in together once as many files as are looked into are known."""
    monkeypatch.setattr(module, "LOOKED_INTO_MAX", 0 if columns else 1000)
    station.drive.facts = replace(station.drive.facts, rotational=False)
    volume = station.volume()
    for number in range(40):
        put(volume, f"plain/{number}.dat", b"x" * (number + 1))
        put(volume, f"plain/below/{number}", b"y")
        put(volume, f"among-others/{number}.dat", b"z")
        if number not in (0, 3, 39):
            put(volume, f"in-parts/dives.7z.{number:03}", b"7")
            put(volume, f"by-letters/dives.tar.gpg.a{chr(97 + number % 26)}", b"7")
    put(volume, "bag/bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    put(volume, "among-others/empty.dat", b"")
    put(volume, "among-others/plates.zip", b"8")
    put(volume, "not-carried/1.dat", b"12")
    put(volume, "not-carried/2.dat", b"345")
    (volume / "among-others/link").symlink_to("nowhere")
    facts = survey(
        station.drive,
        job(()),
        station.manifest,
        reserved=RESERVED,
        cancel=station.going,
        sniff=False,
        carries=lambda _volume, path: path != b"not-carried/2.dat",
    )
    on_disk = [
        os.path.relpath(os.path.join(at, name), volume) for at, _, names in os.walk(volume) for name in names
    ]
    assert sorted(path for _, path in station.rows) == sorted(
        os.fsencode(path) for path in on_disk if path != "among-others/link"
    )
    for (_, path), row in station.rows.items():
        status = os.stat(os.path.join(os.fsencode(volume), path))
        found = (status.st_size, status.st_mtime_ns, status.st_ino)
        assert (row.entry.size_bytes, row.entry.mtime_ns, row.entry.inode) == found
    assert {path for path, skip in station.skips().items() if skip} == {b"not-carried/2.dat"}
    assert facts.out_of_bounds.count == 1
    assert facts.missing_parts.count == 1, "3 of them; 39 would be the last"
    assert facts.empty.count == facts.links.count == len(facts.bags) == 1


@pytest.mark.parametrize("verdict", list(Health))
def test_a_process_looks_ahead_but_not_where_the_drive_is_suspect(
    station: Station, monkeypatch: pytest.MonkeyPatch, verdict: Health
) -> None:
    monkeypatch.setattr(ahead, "BEGIN_ENTRIES", 10)
    begun, real = list[int](), subprocess.Popen

    def begin(command: list[str], **how: Any) -> subprocess.Popen[bytes]:
        process = real(command, **how)
        begun.append(process.pid)
        return process

    monkeypatch.setattr(subprocess, "Popen", begin)
    volume = station.volume()
    for number in range(40):
        put(volume, f"{number % 3}/{number}.dat")
    station.drive.facts = replace(station.drive.facts, health=HealthFacts(verdict=verdict))
    assert station.survey().ledger.pending_files == 40
    assert len(begun) == (verdict is not Health.SUSPECT)
    assert not any(Path(f"/proc/{pid}").exists() for pid in begun)


# -- announced items ------------------------------------------------------------------------------


def test_only_what_is_announced_is_loaded(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg", b"123")
    put(volume, "show/reel-1/a", b"4567")
    put(volume, "show/b", b"8")
    put(volume, "holiday/1.jpg", b"12")
    put(volume, "holiday/2.jpg", b"345")
    put(volume, "note.txt", b"6")
    put(volume, "SHA256SUMS", b"")
    put(volume, "ingest-ticket.json", b"{}")
    put(volume, "lost+found/x", b"")
    os.symlink("/", volume / "holiday" / "link")
    facts = station.survey(DIVES, SHOW)
    assert station.skips() == {
        b"dives.tar.gpg": None,
        b"show/reel-1/a": None,
        b"show/b": None,
        b"holiday/1.jpg": "not-announced",
        b"holiday/2.jpg": "not-announced",
        b"note.txt": "not-announced",
        b"SHA256SUMS": "control-file",
        b"ingest-ticket.json": "control-file",
        b"lost+found/x": "system-folder",
    }
    assert (facts.unexpected.count, facts.unexpected.size_bytes) == (2, 6)
    assert set(facts.unexpected.examples) == {"volume-1/holiday", "volume-1/note.txt"}
    assert facts.links.count == 0, "nobody wants what is there"
    assert [(f.presence, f.volume, f.size_bytes) for f in facts.items] == [
        (Presence.FOUND, "volume-1", 3),
        (Presence.FOUND, "volume-1", 5),
    ]


NFC, NFD = (unicodedata.normalize(form, "Tauchgänge.7z") for form in ("NFC", "NFD"))


@pytest.mark.parametrize(("announced", "named"), [(NFC, NFD), (NFD, NFC), (NFC, "TAUCHGÄNGE.7Z")])
def test_a_name_as_another_system_writes_it_is_the_items(
    station: Station, announced: str, named: str
) -> None:
    volume = station.volume()
    put(volume, named)
    put(volume, "sub/" + announced)
    put(volume, "Tauchgänge.7z.bak")
    fact = only(station.survey(Item(name=announced, sha256=digest(b"kelp"))))
    assert (fact.presence, fact.called, fact.size_bytes) == (Presence.FOUND, named, 4)
    assert fact.near == (f"volume-1/sub/{announced}",)
    assert station.skips()[named.encode()] is None
    assert station.said(named) == [("sha256", digest(b"kelp"), "notice")]


def test_the_announced_name_goes_before_others_wherever_it_lies(station: Station) -> None:
    volume, other = station.volume(), station.volume("volume-2")
    put(volume, NFD)
    put(volume, "TAUCHGÄNGE.7Z")
    put(other, NFC, b"the one")
    fact = only(station.survey(Item(name=NFC)))
    assert (fact.presence, fact.called, fact.volume, fact.size_bytes) == (Presence.FOUND, None, "volume-2", 7)
    assert station.skips()[NFD.encode()] == "not-announced"


def test_of_two_names_that_are_nearly_the_items_the_other_one_is_named(station: Station) -> None:
    volume = station.volume()
    put(volume, NFD)
    put(volume, "TAUCHGÄNGE.7Z")
    fact = only(station.survey(Item(name=NFC)))
    assert fact.presence is Presence.FOUND
    assert {fact.called, *fact.near} in (
        {NFD, "volume-1/TAUCHGÄNGE.7Z"},
        {"TAUCHGÄNGE.7Z", f"volume-1/{NFD}"},
    )


def test_two_items_whose_names_differ_in_case_only_are_told_apart(station: Station) -> None:
    put(station.volume(), "REEF.7z")
    first, second = station.survey(Item(name="reef.7z"), Item(name="Reef.7z")).items
    assert first.presence is second.presence is Presence.ELSEWHERE


def test_a_folder_in_another_case_is_no_archive(station: Station) -> None:
    (station.volume() / "REEF.7z").mkdir()
    assert only(station.survey(Item(name="reef.7z"))).presence is Presence.ELSEWHERE


def test_an_item_that_is_nowhere(station: Station) -> None:
    put(station.volume(), "other")
    fact = only(station.survey(DIVES))
    assert (fact.presence, fact.near, fact.size_bytes) == (Presence.MISSING, (), None)


def test_near_misses_are_few(station: Station) -> None:
    volume = station.volume()
    for number in range(30):
        put(volume, f"{number}/dives.tar.gpg")
    assert len(only(station.survey(DIVES)).near) == 10


def test_an_item_in_the_wastebasket_is_near(station: Station) -> None:
    put(station.volume(), ".Trash-1000/files/dives.tar.gpg")
    assert only(station.survey(DIVES)).near == ("volume-1/.Trash-1000/files/dives.tar.gpg",)


@pytest.mark.parametrize("kind", ["folder", "link", "fifo"])
def test_something_else_of_that_name(station: Station, kind: str) -> None:
    volume = station.volume()
    if kind == "folder":
        put(volume, "dives.tar.gpg/part", b"12")
    elif kind == "link":
        os.symlink("elsewhere", volume / "dives.tar.gpg")
    else:
        os.mkfifo(volume / "dives.tar.gpg")
    facts = station.survey(DIVES)
    assert only(facts).presence is Presence.NOT_THAT_KIND
    assert only(facts).near == ("volume-1/dives.tar.gpg",)
    assert facts.ledger.pending_files == 0
    assert facts.unexpected.count == 1


def test_a_folder_item_that_is_a_file(station: Station) -> None:
    put(station.volume(), "show")
    assert only(station.survey(SHOW)).presence is Presence.NOT_THAT_KIND


def test_an_item_in_the_second_volume_with_something_else_in_the_first(station: Station) -> None:
    put(station.volume("volume-1"), "dives.tar.gpg/part")
    put(station.volume("volume-2"), "dives.tar.gpg", b"12")
    fact = only(station.survey(DIVES))
    assert (fact.presence, fact.volume, fact.size_bytes) == (Presence.FOUND, "volume-2", 2)


def test_of_an_item_in_two_volumes_the_first_counts(station: Station) -> None:
    put(station.volume("volume-1"), "dives.tar.gpg", b"12")
    put(station.volume("volume-2"), "dives.tar.gpg", b"345")
    facts = station.survey(DIVES)
    assert (only(facts).volume, only(facts).size_bytes) == ("volume-1", 2)
    assert only(facts).near == ("volume-2/dives.tar.gpg",)
    assert facts.unexpected.examples == ("volume-2/dives.tar.gpg",)
    assert station.rows["volume-2", b"dives.tar.gpg"].entry.skip == "not-announced"


def test_items_may_be_control_files_or_lie_in_system_folders(station: Station) -> None:
    volume = station.volume()
    put(volume, "SHA256SUMS")
    put(volume, "lost+found/a")
    facts = station.survey(Item(name="SHA256SUMS"), Item(name="lost+found", kind="folder"))
    assert set(station.skips().values()) == {None}
    assert [fact.presence for fact in facts.items] == [Presence.FOUND, Presence.FOUND]


def test_an_empty_folder_item_is_found(station: Station) -> None:
    (station.volume() / "show").mkdir()
    fact = only(station.survey(SHOW))
    assert (fact.presence, fact.size_bytes) == (Presence.FOUND, 0)


def test_a_reserved_name_that_is_not_wanted_is_only_unexpected(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg")
    put(volume, ".ingest/old")
    facts = station.survey(DIVES)
    assert facts.reserved.count == 0
    assert facts.unexpected.examples == ("volume-1/.ingest",)
    facts = station.survey(DIVES, Item(name=".ingest", kind="folder"))
    assert facts.reserved.count == 1


# -- checksums ------------------------------------------------------------------------------------


def test_announced_checksums(station: Station) -> None:
    put(station.volume(), "dives.tar.gpg", b"12")
    station.survey(replace(DIVES, sha256=digest(b"12")))
    assert station.said("dives.tar.gpg") == [("sha256", digest(b"12"), "notice")]


def test_checksum_lists(station: Station) -> None:
    volume = station.volume()
    odd = "odd\nname\\"
    for name in ("a", "sub/b", odd):
        put(volume, name, name.encode())
    lines = gnu_line(digest(b"a"), b"a") + gnu_line(digest(b"sub/b"), b"./sub//b")
    lines += gnu_line(digest(odd.encode()), odd.encode()) + b"# made by hand\r\n\r\n"
    put(volume, "Sha256sums.TXT", b"\xef\xbb\xbf" + lines)
    (fact,) = station.survey().checksum_lists
    assert (fact.path, fact.entries) == ("volume-1/Sha256sums.TXT", 3)
    assert (fact.missing, fact.unreadable_lines) == ((), ())
    for name in ("a", "sub/b", odd):
        assert station.said(name) == [("sha256", digest(name.encode()), "volume-1/Sha256sums.TXT")]


def test_what_a_list_names_and_the_drive_lacks(station: Station) -> None:
    volume = station.volume()
    put(volume, "a")
    lines = [gnu_line(digest(b""), b"gone/%d" % number) for number in range(150)]
    put(volume, "SHA256SUMS", b"".join(lines) + gnu_line(digest(b"kelp"), b"a"))
    (fact,) = station.survey().checksum_lists
    assert fact.entries == 151
    assert len(fact.missing) == 100
    assert fact.missing[0] == "volume-1/gone/0"


def test_what_lists_name_is_cut_short(station: Station) -> None:
    """A drive may have a thousand lists with a hundred such lines each; all of it goes into one event."""
    put(station.volume(), "SHA256SUMS", gnu_line(digest(b""), b"\xff" * 16_000) * 100)
    (fact,) = station.survey().checksum_lists
    assert len(fact.missing) == 100
    assert max(map(len, fact.missing)) <= 300
    assert fact.missing[0].startswith("volume-1/\\xff\\xff")


def test_a_file_that_is_skipped_is_not_missing(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg")
    put(volume, "note.txt")
    put(volume, "SHA256SUMS", gnu_line(digest(b""), b"note.txt") + gnu_line(digest(b""), b"dives.tar.gpg"))
    (fact,) = station.survey(DIVES).checksum_lists
    assert fact.missing == ()


def test_lines_that_are_none_of_a_list(station: Station) -> None:
    volume = station.volume()
    put(volume, "a")
    lines = [
        b"%s  /etc/passwd\n",
        b"%s  ../a\n",
        b"%s  sub/../a\n",
        b"kelp\n",
        b"%s  .\n",
        b"x" * 20_000 + b"\n",
    ]
    body = gnu_line(digest(b"kelp"), b"a") + b"".join(lines).replace(b"%s", digest(b"").encode())
    put(volume, "SHA256SUMS", body + gnu_line(digest(b"kelp"), b"a"))
    (fact,) = station.survey().checksum_lists
    assert fact.entries == 2
    assert fact.unreadable_lines == (2, 3, 4, 5, 6, 7)
    assert fact.missing == ()


def test_bad_lines_are_few(station: Station) -> None:
    put(station.volume(), "SHA256SUMS", b"kelp\n" * 5000)
    (fact,) = station.survey().checksum_lists
    assert fact.unreadable_lines == tuple(range(1, 101))


def test_the_lists_of_a_drive_have_so_many_lines_together(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a thousand names of one long file would take the bay for hours."""
    monkeypatch.setattr(checksums, "DRIVE_LINES_MAX", 5)
    volume = station.volume()
    put(volume, "a.tar.gpg")
    line = digest(b"kelp").encode() + b"  a.tar.gpg\n"
    put(volume, "1.sha256", b"\n\n" + line)
    put(volume, "2.sha256", line + b"\n" + line)
    os.link(volume / "2.sha256", volume / "3.sha256")
    facts = {fact.path: fact for fact in station.survey().checksum_lists}
    assert {path: (fact.entries, fact.unreadable_lines) for path, fact in facts.items()} == {
        "volume-1/1.sha256": (1, ()),
        "volume-1/2.sha256": (1, (3,)),
        "volume-1/3.sha256": (0, (1,)),
    }


def test_a_list_of_one_bare_checksum(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg")
    put(volume, "dives.tar.gpg.sha256", digest(b"kelp").upper().encode() + b"\n")
    (fact,) = station.survey().checksum_lists
    assert fact.entries == 1
    assert station.said("dives.tar.gpg") == [("sha256", digest(b"kelp"), "volume-1/dives.tar.gpg.sha256")]


def test_lists_of_every_kind(station: Station) -> None:
    volume = station.volume()
    put(volume, "a")
    names = {
        "MD5SUMS": "md5",
        "sha1sum.txt": "sha1",
        "x.sha224": "sha224",
        "y.SHA384": "sha384",
        "z.sha512sums": "sha512",
    }
    for name, algorithm in names.items():
        put(volume, name, hashlib.new(algorithm, b"kelp").hexdigest().encode() + b"  a\n")
    short = hashlib.blake2b(b"kelp", digest_size=20).hexdigest()
    put(volume, "a.b2", f"{short}\nBLAKE2b-160 (a) = {short}\n".encode())
    facts = station.survey().checksum_lists
    assert {fact.path: fact.algorithms for fact in facts} == {
        **{f"volume-1/{name}": (algorithm,) for name, algorithm in names.items()},
        "volume-1/a.b2": ("blake2b-160",),
    }
    assert not any(fact.missing or fact.unreadable_lines for fact in facts)
    assert station.said("a") == [
        ("blake2b-160", short, "volume-1/a.b2"),
        *(
            (algorithm, hashlib.new(algorithm, b"kelp").hexdigest(), f"volume-1/{name}")
            for name, algorithm in names.items()
        ),
    ]


@pytest.mark.parametrize("form", [[], ["--binary"], ["--tag"]], ids=["text", "binary", "tagged"])
@pytest.mark.parametrize(
    ("program", "name"),
    [
        (["md5sum"], "MD5SUMS"),
        (["sha1sum"], "dives.sha1"),
        (["sha224sum"], "sha224sum.txt"),
        (["sha256sum"], "SHA256SUMS"),
        (["sha384sum"], "dives.sha384"),
        (["sha512sum"], "dives.sha512sum"),
        (["b2sum"], "B2SUMS"),
        (["b2sum", "--length=160"], "dives.b2"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_lists_that_real_programs_have_written(
    tmp_path: Path, program: list[str], name: str, form: list[str]
) -> None:
    """GNU coreutils write the list; what each file is held against it by is its one reading."""
    volume = tmp_path / "volume-1"
    names = ["dives.tar.gpg", "deep/er", "odd\nname\\", " blank ", "*star", "caf\u00e9 (1) = x"]
    for each in names:
        put(volume, each, b"content of " + each.encode())
    command = [*program, *form, "--", *names]
    (volume / name).write_bytes(subprocess.run(command, cwd=volume, capture_output=True, check=True).stdout)
    good = look(tmp_path)
    assert good.valid
    assert good.facts.checksum_lists[0].entries == len(names)
    for each in names:
        put(volume, each, b"Content of " + each.encode())
    assert [path for path, _ in look(tmp_path).mismatches] == sorted(names)


def test_what_is_only_called_like_a_list_names_no_files(station: Station) -> None:
    """An archive in pieces may have one that ends in `.b2`, and text in it that begins with hex digits."""
    volume = station.volume()
    put(volume, "kelp")
    put(volume, "kelp.b2", b"10 dives\nbe careful with this\nface\ndeadbeef  north\n")
    (fact,) = station.survey().checksum_lists
    assert (fact.entries, fact.missing, fact.unreadable_lines) == (0, (), (1, 2, 3, 4))
    assert station.said("kelp") == []


def test_a_drive_asks_for_so_many_algorithms_and_no_more(station: Station) -> None:
    volume = station.volume()
    put(volume, "a")
    lines = [f"BLAKE2b-{bits} (a) = {'0' * (bits // 4)}\n" for bits in range(8, 128, 8)]
    put(volume, "B2SUMS", "".join(lines + lines[:1]).encode())
    (fact,) = station.survey().checksum_lists
    assert len(fact.algorithms) == ALGORITHMS_MAX == 8
    assert fact.unreadable_lines == tuple(range(9, 16))
    assert len(station.said("a")) == ALGORITHMS_MAX


def test_a_list_that_is_too_long_is_read_to_its_limit(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checksums, "_BLOCK_BYTES", 1 << 12)
    monkeypatch.setattr(checksums, "LIST_BYTES_MAX", 1 << 13)
    line = gnu_line(digest(b""), b"a" * 13)
    assert len(line) == 80
    put(station.volume(), "SHA256SUMS", line * 200)
    (fact,) = station.survey().checksum_lists
    assert fact.entries == (1 << 13) // 80
    assert fact.unreadable_lines == (103, 104)


def test_the_notice_counts_more_than_a_list(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg")
    put(volume, "SHA256SUMS", gnu_line(digest(b"list"), b"dives.tar.gpg"))
    put(volume, "MD5SUMS", hashlib.md5(b"list").hexdigest().encode() + b"  dives.tar.gpg\n")
    station.survey(replace(DIVES, sha256=digest(b"notice")))
    assert station.said("dives.tar.gpg") == [("sha256", digest(b"notice"), "notice")]


def test_lists_below_the_root_or_behind_links_are_none(station: Station) -> None:
    volume = station.volume()
    put(volume, "sub/SHA256SUMS", b"kelp\n")
    os.symlink("sub/SHA256SUMS", volume / "SHA256SUMS")
    assert station.survey().checksum_lists == ()


def test_more_lists_than_are_read(
    station: Station, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "LISTS_MAX", 3)
    volume = station.volume()
    for number in range(5):
        put(volume, f"secret-{number}.sha256", b"")
    assert len(station.survey().checksum_lists) == 3
    said = capsys.readouterr().out
    assert "checksum_lists_passed_over" in said
    assert "secret" not in said


def test_a_list_that_cannot_be_read_to_its_end(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checksums, "_BLOCK_BYTES", 160)
    volume = station.volume()
    put(volume, "a" * 13)
    put(volume, "SHA256SUMS", gnu_line(digest(b"kelp"), b"a" * 13) * 4)
    real = os.pread

    def failing(fd: int, length: int, offset: int) -> bytes:
        if offset >= 160:
            raise OSError(errno.EIO, "Input/output error")
        return real(fd, length, offset)

    monkeypatch.setattr(os, "pread", failing)
    (fact,) = station.survey().checksum_lists
    assert (fact.entries, fact.unreadable_lines) == (2, (3,))
    assert station.said("a" * 13)


# -- a look into files ----------------------------------------------------------------------------

SEALED = sealed.age(sealed.noise(200_000))


def test_announced_files_are_looked_into(station: Station) -> None:
    volume = station.volume()
    put(volume, "dives.tar.gpg", SEALED)
    put(volume, "show/a.bin", SEALED)
    put(volume, "plain.gz", b"\x1f\x8b\x08\0\0\0\0\0\0\x03" + bytes(20))
    put(volume, "note.txt", b"kelp")
    facts = station.survey(DIVES, SHOW, Item(name="plain.gz"), sniff=True)
    assert {(fact.path, fact.secrecy, fact.kind) for fact in facts.secrecy} == {
        ("volume-1/dives.tar.gpg", Secrecy.PROVEN, "age"),
        ("volume-1/plain.gz", Secrecy.PLAIN, "gzip"),
    }
    assert station.survey(DIVES, SHOW).secrecy == ()


def test_without_items_the_first_files_are_looked_into(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    volume = station.volume()
    put(volume, "a", SEALED)
    put(volume, "empty", b"")
    put(volume, "SHA256SUMS", b"")
    put(volume, "ingest-ticket.json", b"{}")
    put(volume, "a.sha256", digest(SEALED).encode())
    assert [fact.path for fact in station.survey(sniff=True).secrecy] == ["volume-1/a"]
    monkeypatch.setattr(module, "LOOKED_INTO_MAX", 7)
    for number in range(20):
        put(volume, f"b/{number}", SEALED)
    assert len(station.survey(sniff=True).secrecy) == 7


def test_an_announced_control_file_is_plain_by_its_nature(station: Station) -> None:
    put(station.volume(), "SHA256SUMS", gnu_line(digest(b""), b"a" * 400))
    assert station.survey(Item(name="SHA256SUMS"), sniff=True).secrecy == ()


def fail_reading(monkeypatch: pytest.MonkeyPatch, error: int) -> None:
    def failing(fd: int, length: int, offset: int) -> bytes:
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(os, "pread", failing)


def test_a_file_that_cannot_be_read_is_left_to_the_transfer(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(station.volume(), "dives.tar.gpg", SEALED)
    fail_reading(monkeypatch, errno.EIO)
    facts = station.survey(DIVES, sniff=True)
    assert facts.secrecy == ()
    assert facts.ledger.pending_files == 1


# -- what goes wrong ------------------------------------------------------------------------------


def test_a_drive_that_goes_is_told_apart_from_one_that_is_bad(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(station.volume(), "dives.tar.gpg", SEALED)
    fail_reading(monkeypatch, errno.EIO)
    station.drive.answers_left = 1
    with pytest.raises(DriveGoneError, match="unplugged"):
        station.survey(DIVES, sniff=True)


def test_a_drive_that_is_gone_at_the_end_was_not_surveyed(station: Station) -> None:
    put(station.volume(), "a")
    station.drive.answers_left = 1
    with pytest.raises(DriveGoneError):
        station.survey()


class Asked(FakeDrive):
    """A drive that is asked whether it is there, and calls something before it answers."""

    before_answer: Callable[[], None] = staticmethod(lambda: None)

    def still_there(self) -> bool:
        self.before_answer()
        return super().still_there()


def test_a_survey_that_was_given_up_writes_nothing(station: Station) -> None:
    station.drive = drive = Asked()
    folder = station.volume()
    put(folder, "a")
    station.survey()
    (folder / "a").unlink()
    put(folder, "b")
    token = StoppedAfter(10**9)

    def give_up() -> None:
        token.left = 0

    drive.before_answer = give_up
    with pytest.raises(Cancelled):
        station.survey(cancel=token)
    assert ("volume-1", b"a") in station.rows, "it is for the end of a survey to drop what was not seen"


def unlistable(monkeypatch: pytest.MonkeyPatch, error: int) -> None:
    real = os.open

    def failing(path: str | bytes, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == b"bad":
            raise OSError(error, os.strerror(error))
        return real(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", failing)


def test_a_folder_that_cannot_be_read(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    volume = station.volume()
    put(volume, "show/bad/a")
    put(volume, "other/bad/b")
    unlistable(monkeypatch, errno.EIO)
    facts = station.survey()
    assert facts.unlistable.count == 2
    assert station.survey(SHOW).unlistable.examples == ("volume-1/show/bad",)


def test_an_announced_folder_that_cannot_be_read_is_there(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(station.volume(), "bad/a")
    unlistable(monkeypatch, errno.EIO)
    facts = station.survey(Item(name="bad", kind="folder"))
    assert (only(facts).presence, only(facts).size_bytes) == (Presence.FOUND, None)
    assert facts.unlistable.examples == ("volume-1/bad",)


def test_missing_rights_are_the_stations_fault(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    volume = station.volume()
    put(volume, "show/bad/a")
    put(volume, "dives.tar.gpg")
    unlistable(monkeypatch, errno.EACCES)
    with pytest.raises(PortError, match="CAP_DAC_READ_SEARCH") as raised:
        station.survey(SHOW)
    assert type(raised.value) is PortError
    assert "show" not in str(raised.value), "names of files are the customer's"
    assert station.survey(DIVES).unlistable.count == 0


def with_another_file_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """The root of a volume has a folder `snapshots`, which is not on the same device."""

    def walked(root_fd: int, *, cancel: CancelToken, place_of: PlaceOf) -> Generator[Run, None, None]:
        yield Run([Found(b"snapshots", Kind.OTHER_DEVICE)])

    monkeypatch.setattr(module, "runs", walked)


def test_a_subvolume_is_told_of(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is on a device of its own by the number that Btrfs gives it, and nobody else has mounted it."""
    station.volume(file_system="btrfs")
    with_another_file_system(monkeypatch)
    assert station.survey().subvolumes == Samples(count=1, examples=("volume-1/snapshots",))
    assert station.survey(DIVES).subvolumes.count == 0, "nobody wants what is there"


def test_another_file_system_is_no_fault_of_the_drive(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    station.volume()
    with_another_file_system(monkeypatch)
    with pytest.raises(PortError, match="another file system") as raised:
        station.survey()
    assert "snapshots" not in str(raised.value)
    assert station.survey(DIVES).unlistable.count == 0, "nobody wants what is there"


@pytest.mark.parametrize("error", [errno.ENOTCONN, errno.ESHUTDOWN])
def test_a_mount_whose_program_has_ended_is_the_stations_fault(
    station: Station, monkeypatch: pytest.MonkeyPatch, error: int
) -> None:
    put(station.volume(), "show/bad/a")
    unlistable(monkeypatch, error)
    with pytest.raises(ToolFailed):
        station.survey(SHOW)


def test_a_shortage_is_the_stations_fault(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    put(station.volume(), "dives.tar.gpg", SEALED)
    fail_reading(monkeypatch, errno.ENOMEM)
    with pytest.raises(ResourcesExhausted):
        station.survey(DIVES, sniff=True)


def test_cancelling(station: Station) -> None:
    volume = station.volume()
    for number in range(2000):
        put(volume, f"{number}")
    with pytest.raises(Cancelled):
        station.survey(cancel=StoppedAfter(2))
    station.survey()
    assert station.going.beats >= 2000


# -- again ----------------------------------------------------------------------------------------


def test_a_survey_again_finds_what_has_changed(station: Station) -> None:
    volume = station.volume()
    for name in ("kept", "longer", "touched", "odd\none"):
        put(volume, name)
    assert station.survey().changed.count == 0
    stored = [(number, b"s" * 32, b"key") for number in station.manifest.rows]
    station.manifest.record_stored(stored)
    assert station.survey().changed.count == 0
    put(volume, "longer", b"kelp and more")
    os.utime(volume / "touched", ns=(1, 1))
    (volume / "odd\none").unlink()
    put(volume, "new")
    facts = station.survey()
    assert facts.changed.count == 3
    assert set(facts.changed.examples) == {"longer", "touched", "odd\\none"}
    assert station.rows["volume-1", b"kept"].state == "stored"
    assert station.rows["volume-1", b"longer"].state == "pending"
    assert facts.ledger.pending_files == 3


# -- parts and empty files -------------------------------------------------------------------------


def test_parts_that_lack_and_empty_files(station: Station) -> None:
    root, other = station.volume(), station.volume("volume-2")
    for name in ("backup.7z.001", "backup.7z.003"):
        put(root, name)
    put(root, "empty.gpg", b"")
    put(other, "backup.7z.003")
    put(other, "dives/notes.txt", b"")
    facts = station.survey(sniff=True)
    assert facts.missing_parts.examples == (
        "volume-1/backup.7z.002",
        "volume-2/backup.7z.001",
        "volume-2/backup.7z.002",
    )
    assert (facts.empty.count, facts.empty.examples) == (
        2,
        ("volume-1/empty.gpg", "volume-2/dives/notes.txt"),
    )
    assert not any("empty.gpg" in fact.path for fact in facts.secrecy)
    # Of what is not to be loaded nothing is said.
    facts = station.survey(Item(name="backup.7z.001"), sniff=True)
    assert facts.missing_parts == facts.empty == Samples()


def test_an_announced_file_that_is_empty(station: Station) -> None:
    put(station.volume(), "empty.gpg", b"")
    facts = station.survey(Item(name="empty.gpg"), sniff=True)
    assert facts.items[0].size_bytes == 0
    assert facts.empty.count == 1
    assert facts.secrecy == ()


# -- pieces ----------------------------------------------------------------------------------------

WHOLES = {
    "openpgp": sealed.SKESK + sealed.seipd(sealed.noise(400_000)),
    "7z (AES-256)": sealed.sevenzip(sealed.noise(400_000), [sealed.AES]),
}


def cut(root: Path, body: bytes, names: str) -> list[Path]:
    """A body in pieces of one length, but for the last."""
    listed = names.split()
    length = len(body) // len(listed) + 1
    return [put(root, name, body[at * length :][:length]) for at, name in enumerate(listed)]


@pytest.mark.parametrize("kind", WHOLES)
@pytest.mark.parametrize(
    "names",
    ["b.gpg.aa b.gpg.ab b.gpg.ac b.gpg.ad", "b.7z.001 b.7z.002 b.7z.003", "b.tar.gpg00 b.tar.gpg01"],
)
def test_pieces_are_looked_into_as_the_one_file_that_they_come_to(
    station: Station, kind: str, names: str
) -> None:
    root = station.volume()
    pieces = cut(root, WHOLES[kind], names)
    (fact,) = station.survey(sniff=True).secrecy
    assert fact.secrecy is Secrecy.PROVEN
    assert fact.kind == f"{kind}, in {len(pieces)} pieces"
    assert fact.path == f"volume-1/{pieces[0].name}"
    # Without one of them, each is by itself again.
    pieces[0].unlink()
    facts = station.survey(sniff=True).secrecy
    assert len(facts) == len(pieces) - 1
    assert all(fact.secrecy is not Secrecy.PROVEN for fact in facts)


def small_files() -> bytes:
    """An archive half of which is the names of what is in it."""
    archive = sealed.Zip()
    for number in range(2500):
        archive.add(b"%0150d.txt" % number, sealed.noise(30, number), encrypted=True)
    return archive.built()


@pytest.mark.parametrize(
    "whole",
    [
        small_files,
        lambda: sealed.luks1(sealed.noise(500_000) + bytes(600_000)),
        lambda: sealed.pgp_armour(sealed.SKESK + sealed.seipd(sealed.noise(600_000))),
    ],
    ids=["zip with a long directory", "luks that was never filled", "armour"],
)
def test_a_piece_need_not_look_random_where_the_whole_does_not(
    station: Station, whole: Callable[[], bytes]
) -> None:
    cut(station.volume(), whole(), "b.img.001 b.img.002 b.img.003 b.img.004 b.img.005")
    (fact,) = station.survey(sniff=True).secrecy
    assert fact.secrecy is Secrecy.PROVEN


def test_a_piece_that_may_be_of_something_else_is_told_apart(station: Station) -> None:
    root = station.volume()
    names = [f"b.gpg.{number:03}" for number in range(1, 61)]
    body = sealed.SKESK + sealed.seipd(sealed.noise(6_000_000))
    pieces = cut(root, body, " ".join(names))
    pieces[41].write_bytes(bytes(value % 61 for value in range(pieces[41].stat().st_size)))
    found = {fact.path: fact.secrecy for fact in station.survey(sniff=True).secrecy}
    assert found == {"volume-1/b.gpg.001": Secrecy.PROVEN, "volume-1/b.gpg.042": Secrecy.UNKNOWN}


TWO_LETTERS = [bytes((one, two)).decode() for one in b"abcdefghijklmnopqrstuvwxy" for two in range(97, 123)]


@pytest.mark.parametrize(
    "numbers",
    [
        [f"{number:02}" for number in range(90)] + ["9000", "9001", "9002"],
        [*TWO_LETTERS, "zaaa", "zaab"],
    ],
    ids=["digits", "letters"],
)
@pytest.mark.parametrize("folder", ["", "dives/"])
def test_more_pieces_than_there_are_names_of_one_length_or_files_to_look_into(
    station: Station, numbers: list[str], folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As `split` names them."""
    monkeypatch.setattr(module, "LOOKED_INTO_MAX", 20)
    names = " ".join(f"{folder}b.tar.7z.{number}" for number in numbers)
    cut(station.volume(), sealed.sevenzip(sealed.noise(400_000), [sealed.AES]), names)
    facts = station.survey(sniff=True)
    (fact,) = facts.secrecy
    assert fact.secrecy is Secrecy.PROVEN
    assert fact.kind.endswith(f"in {len(numbers)} pieces")
    assert facts.missing_parts.count == 0


def test_a_piece_that_is_plain_is_told_apart(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """Though no sample of the whole lies in it."""
    monkeypatch.setattr(looks, "effort", lambda files: (2, 64 << 10))
    root = station.volume()
    body = sealed.SKESK + sealed.seipd(sealed.noise(1_000_000))
    pieces = cut(root, body, "b.gpg.aa b.gpg.ab b.gpg.ac b.gpg.ad b.gpg.ae")
    pieces[2].write_bytes(sealed.prose(pieces[2].stat().st_size))
    facts = {fact.path: fact.secrecy for fact in station.survey(sniff=True).secrecy}
    assert facts == {"volume-1/b.gpg.aa": Secrecy.PROVEN, "volume-1/b.gpg.ac": Secrecy.PLAIN}


def test_names_that_only_look_like_pieces_stay_by_themselves(station: Station) -> None:
    root = station.volume()
    for name in ("b.tar.gz", "b.tar.xz", "c.7z.002", "c.7z.003", "d.gpg.ab", "e.gpg.aa", "e.gpg.01"):
        put(root, name, sealed.SKESK + sealed.seipd(sealed.noise(200)))
    assert len(station.survey(sniff=True).secrecy) == 7


@pytest.mark.parametrize("kind", WHOLES)
def test_pieces_on_several_volumes_are_of_one_file(station: Station, kind: str) -> None:
    root, other = station.volume(), station.volume("volume-2")
    for piece in cut(root, WHOLES[kind], "b.gpg.001 b.gpg.002 b.gpg.003 b.gpg.004")[1:3]:
        piece.rename(other / piece.name)
    facts = station.survey(sniff=True)
    (fact,) = facts.secrecy
    assert (fact.secrecy, fact.kind) == (Secrecy.PROVEN, f"{kind}, in 4 pieces")
    assert facts.missing_parts == Samples()


def test_two_files_of_one_name_on_two_volumes_are_two(station: Station) -> None:
    root, other = station.volume(), station.volume("volume-2")
    cut(root, WHOLES["openpgp"], "b.gpg.aa b.gpg.ab")
    cut(other, WHOLES["7z (AES-256)"], "b.gpg.aa b.gpg.ab b.gpg.ac")
    facts = station.survey(sniff=True).secrecy
    assert [(fact.path, fact.kind) for fact in facts] == [
        ("volume-1/b.gpg.aa", "openpgp, in 2 pieces"),
        ("volume-2/b.gpg.aa", "7z (AES-256), in 3 pieces"),
    ]
    # Also where the numbers would go on from one to the other.
    for piece in ("b.gpg.aa", "b.gpg.ab"):
        (other / piece).unlink()
    facts = station.survey(sniff=True).secrecy
    assert [fact.secrecy for fact in facts] == [Secrecy.PROVEN, Secrecy.RANDOM_LIKE]


# -- pieces on several drives of a job -------------------------------------------------------------


NAMES = [f"b.tar.gpg.{number:03}" for number in range(1, 7)]
LONG = sealed.SKESK + sealed.seipd(sealed.noise(1_200_000))


def on_this_drive(root: Path, body: bytes, *numbers: int, names: Sequence[str] = NAMES) -> None:
    for number, piece in enumerate(cut(root, body, " ".join(names)), 1):
        if number not in numbers:
            piece.unlink()


@pytest.mark.parametrize(
    "body",
    [
        LONG,
        sealed.SKESK + sealed.seipd(sealed.noise(1_200_000), part_bytes=65536),
        sealed.pgp_armour(LONG),
        sealed.age(sealed.noise(1_200_000)),
    ],
    ids=["openpgp", "in parts", "armour", "age"],
)
@pytest.mark.parametrize("announced", [True, False])
def test_pieces_of_a_file_may_lie_on_other_drives(station: Station, body: bytes, announced: bool) -> None:
    root = station.volume()
    items = [Item(name=name) for name in NAMES] if announced else []
    on_this_drive(root, body, 1, 2, 5)
    facts = station.survey(*items, sniff=True, drives=2)
    first, later = facts.secrecy
    assert (first.path, first.secrecy) == (f"volume-1/{NAMES[0]}", Secrecy.PROVEN)
    assert first.piece_of == ()
    assert later.secrecy is not Secrecy.PROVEN
    assert (later.path, later.piece_of) == (f"volume-1/{NAMES[4]}", (NAMES[0],))
    assert facts.begun == (NAMES[0],)
    for name in NAMES[:2]:
        (root / name).unlink()
    facts = station.survey(*items, sniff=True, drives=2)
    (later,) = facts.secrecy
    before = (NAMES[0],) if announced else ("b.tar.gpg.000", NAMES[0])
    assert (later.piece_of, facts.begun) == (before, ())


def test_a_first_piece_alone_may_go_on_on_another_drive(station: Station) -> None:
    on_this_drive(station.volume(), LONG, 1)
    (alone,) = station.survey(sniff=True).secrecy
    assert alone.secrecy is Secrecy.RANDOM_LIKE
    (fact,) = station.survey(sniff=True, drives=2).secrecy
    assert fact.secrecy is Secrecy.PROVEN
    # Not where the notice has no more pieces: this one was cut off.
    (fact,) = station.survey(Item(name=NAMES[0]), sniff=True, drives=2).secrecy
    assert fact.secrecy is Secrecy.RANDOM_LIKE


@pytest.mark.parametrize(
    "body",
    [
        sealed.sevenzip(sealed.noise(1_200_000), [sealed.AES]),
        sealed.sevenzip(sealed.noise(1_200_000), [bytes([0x21])]),
    ],
    ids=["sealed", "plain"],
)
def test_what_a_later_piece_has_to_tell_is_not_told_by_the_first(station: Station, body: bytes) -> None:
    """A 7z archive says at its end whether it is encrypted."""
    on_this_drive(station.volume(), body, 1, 2)
    facts = station.survey(sniff=True, drives=2)
    assert facts.begun == ()
    assert all(fact.secrecy is not Secrecy.PROVEN for fact in facts.secrecy)
    assert facts.secrecy[0].piece_of == ()


def test_a_later_piece_must_look_like_one(station: Station) -> None:
    """What is plain is, and what is neither plain nor random is judged by itself."""
    root = station.volume()
    put(root, NAMES[1], sealed.prose(200_000))
    put(root, NAMES[2], bytes(value % 61 for value in range(200_000)))
    put(root, NAMES[3], sealed.noise(900))
    put(root, NAMES[4], sealed.noise(200_000))
    put(root, "c.bin", sealed.noise(200_000))
    found = {fact.path: fact for fact in station.survey(sniff=True, drives=2).secrecy}
    assert found[f"volume-1/{NAMES[1]}"].secrecy is Secrecy.PLAIN
    assert [bool(found[f"volume-1/{name}"].piece_of) for name in NAMES[1:5]] == [False, False, True, True]
    assert found["volume-1/c.bin"].piece_of == ()


def test_a_piece_whose_first_one_is_announced_nowhere_is_judged_by_itself(station: Station) -> None:
    on_this_drive(station.volume(), LONG, 3)
    (fact,) = station.survey(Item(name=NAMES[1]), Item(name=NAMES[2]), sniff=True, drives=2).secrecy
    assert fact.piece_of == ()


def test_names_that_split_goes_on_with_have_their_first_piece(station: Station) -> None:
    root = station.volume()
    ends = {
        "ab": ["aa"],
        "aac": ["aaa"],
        "zaab": ["aa"],
        "07": ["00", "01"],
        "9004": ["00", "01", "0000", "0001"],
    }
    for number, end in enumerate(ends):
        put(root, f"{number}.7z.{end}", sealed.noise(90_000, number))
    facts = station.survey(sniff=True, drives=2).secrecy
    assert {fact.path: list(fact.piece_of) for fact in facts} == {
        f"volume-1/{number}.7z.{end}": [f"{number}.7z.{first}" for first in firsts]
        for number, (end, firsts) in enumerate(ends.items())
    }


# -- the time for looks ----------------------------------------------------------------------------


def test_what_is_sampled_of_all_files_together_is_bounded() -> None:
    for files in range(1, module.LOOKED_INTO_MAX + 1):
        windows, window_bytes = looks.effort(files)
        assert windows >= 2
        assert files * windows * window_bytes <= 129 << 20
    assert looks.effort(1) == (16, 1 << 20)
    assert looks.effort(100_000) == (2, 64 << 10)


def test_structures_of_all_files_together_have_one_allowance(station: Station) -> None:
    """Whatever the number of names that one archive has."""
    archive = sealed.Zip()
    for number in range(20_000):
        archive.add(b"transect-%d" % number, sealed.noise(14, number), encrypted=True)
    root = station.volume()
    first = put(root, "a.zip", archive.built())
    for number in range(30):
        os.link(first, root / f"b-{number:02}.zip")
    words = [fact.kind for fact in station.survey(sniff=True).secrecy]
    told, untold = "zip (PKWARE encryption)", "more structure than is looked into"
    assert words == [told] * words.count(told) + [untold] * words.count(untold)
    assert 10 <= words.count(told) <= 20
