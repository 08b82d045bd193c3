"""Folder drives and their cards: what is particular to them; the rest is in the contract suite."""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingestd.core.drive import DriveFacts, DriveIdentity
from ingestd.drives import block
from ingestd.drives.card import CARD_BYTES_MAX, look_at_card
from ingestd.drives.folder import FolderDrives
from ingestd.drives.volumes import HeldDrive
from ingestd.ports import DriveSwapped, ResourcesExhausted, ToolFailed
from tests.support.drives import (
    Going,
    open_in,
    plug_folder,
    read_below,
    seen_in,
    unplug_folder,
    write_card,
    write_files,
)


@pytest.fixture
def bays(tmp_path: Path) -> Path:
    folder = tmp_path / "bays"
    folder.mkdir()
    return folder


@pytest.fixture
def drives(bays: Path) -> FolderDrives:
    return FolderDrives(str(bays))


def test_everything_on_the_card_arrives(bays: Path, drives: FolderDrives, tmp_path: Path) -> None:
    write_files(tmp_path / "far", {"b.bin": b"b"})
    volumes = [
        {"path": "main", "label": "KELP-03", "uuid": "1f-2", "file_system": "ext4"},
        {"path": str(tmp_path / "far")},
    ]
    card = {"serial": "KX-1", "wwn": "3d5e7f901", "model": "Slate 4", "interface": "usb3"}
    plug_folder(bays, "bay-1", {"a.bin": b"a"}, **card, size_bytes=4_000_000, volumes=volumes)
    opened = open_in(drives, "bay-1")
    assert opened.facts.identity == DriveIdentity(
        serial="KX-1", wwn="3d5e7f901", model="Slate 4", size_bytes=4_000_000
    )
    assert opened.facts.interface == "usb3"
    main, far = opened.facts.volumes
    assert (main.name, main.label, main.uuid, main.file_system) == ("volume-1", "KELP-03", "1f-2", "ext4")
    assert (far.name, far.label) == ("volume-2", None)
    assert read_below(opened.volumes[1].root_fd, "b.bin") == b"b"
    opened.close()


def test_a_card_may_say_next_to_nothing(bays: Path, drives: FolderDrives) -> None:
    plug_folder(bays, "bay-1")
    sighting = seen_in(drives, "bay-1")
    assert sighting.identity == DriveIdentity()
    assert sighting.interface == "folder"


def test_missing_and_false_volumes_have_a_problem(bays: Path, drives: FolderDrives) -> None:
    volumes = [{"path": "absent"}, {"path": "main"}, {"path": "linked"}, {"path": "main/file"}]
    plug_folder(bays, "bay-1", {"file": b"x"}, volumes=volumes)
    (bays / "bay-1" / "linked").symlink_to("main")
    opened = open_in(drives, "bay-1")
    problems = [facts.problem for facts in opened.facts.volumes]
    assert problems[1] is None
    assert "absent: No such file or directory" in (problems[0] or "")
    assert "linked is not a folder" in (problems[2] or "")
    assert "file is not a folder" in (problems[3] or "")
    with pytest.raises(ValueError, match="volume-1 cannot be read"):
        opened.volumes[0].root_fd  # noqa: B018
    assert read_below(opened.volumes[1].root_fd, "file") == b"x"
    opened.close()


@pytest.mark.parametrize(
    ("body", "complaint"),
    [
        (b"", "Invalid JSON"),
        (b"\xff\xfe{}", "Invalid JSON"),
        (b"[]", "should be an object"),
        (b"[" * 60_000, "Invalid JSON"),
        (b'{"serial": 4}', "serial: Input should be a valid string"),
        (b'{"serial": " "}', "serial: String should have at least 1 character"),
        (b'{"model": "a\\u0007b"}', "model: Value error, has characters that cannot be shown"),
        (b'{"volumes": [{"label": "x"}]}', "volumes.0.path: Field required"),
        (b'{"volumes": [{"path": "a\\u0000b"}]}', "volumes.0.path: Value error"),
        (b'{"size_bytes": -1}', "size_bytes: Input should be greater than or equal to 0"),
        (b'{"image": "../a.img"}', "image: Value error, is to be the name of a file in the bay"),
        (b'{"seriel": "KX-1", "wwn": 1}', "wwn: Input should be a valid string; seriel: Extra inputs"),
        (b" " * (CARD_BYTES_MAX + 1), f"it is larger than {CARD_BYTES_MAX} bytes"),
    ],
)
def test_an_invalid_card_says_what_is_wrong(
    bays: Path, drives: FolderDrives, body: bytes, complaint: str
) -> None:
    (bays / "bay-1").mkdir()
    (bays / "bay-1" / "drive.json").write_bytes(body)
    sighting = seen_in(drives, "bay-1")
    assert sighting.identity == DriveIdentity()
    with pytest.raises(ToolFailed) as raised:
        drives.open(sighting.handle, Going())
    assert complaint in str(raised.value)
    assert str(bays / "bay-1" / "drive.json") in str(raised.value)


def test_a_card_that_is_no_file_neither_hangs_nor_hides(bays: Path, drives: FolderDrives) -> None:
    for bay in ("bay-1", "bay-2", "bay-3"):
        (bays / bay).mkdir()
    os.mkfifo(bays / "bay-1" / "drive.json")
    (bays / "bay-2" / "drive.json").symlink_to("/etc/hostname")
    (bays / "bay-3" / "drive.json").mkdir()
    complaints: dict[str, str] = {}
    for sighting in drives.enumerate():
        with pytest.raises(ToolFailed) as raised:
            drives.open(sighting.handle, Going())
        complaints[sighting.bay] = str(raised.value)
    assert "not a regular file" in complaints["bay-1"]
    assert "is a link" in complaints["bay-2"]
    assert "not a regular file" in complaints["bay-3"]


def test_a_card_without_volumes_is_not_a_folder_drives(bays: Path, drives: FolderDrives) -> None:
    (bays / "bay-1").mkdir()
    write_card(bays / "bay-1", {"serial": "KX-1", "image": "a.img"})
    assert seen_in(drives, "bay-1").identity.serial == "KX-1"
    with pytest.raises(ToolFailed, match="'volumes'"):
        open_in(drives, "bay-1")


def test_a_drive_with_no_volumes_opens_empty(bays: Path, drives: FolderDrives) -> None:
    plug_folder(bays, "bay-1", volumes=[])
    opened = open_in(drives, "bay-1")
    assert opened.facts.volumes == ()
    opened.close()


def test_a_replaced_card_is_another_drive(bays: Path, drives: FolderDrives) -> None:
    plug_folder(bays, "bay-1", serial="KX-1")
    sighting = seen_in(drives, "bay-1")
    opened = drives.open(sighting.handle, Going())
    plug_folder(bays, "bay-1", serial="KX-2")
    assert not opened.still_there()
    with pytest.raises(DriveSwapped, match="bay-1"):
        drives.open(sighting.handle, Going())
    opened.close()


def test_a_card_replaced_while_its_drive_is_opened_is_noticed(bays: Path, drives: FolderDrives) -> None:
    class Hands(Going):
        checks = 0

        def check(self) -> None:
            self.checks += 1
            if self.checks == 2:  # the card was read, its volume is about to be opened
                write_card(bays / "bay-1", {"serial": "KX-2", "volumes": [{"path": "main"}]})

    plug_folder(bays, "bay-1", serial="KX-1")
    handle = seen_in(drives, "bay-1").handle
    before = os.listdir("/proc/self/fd")
    with pytest.raises(DriveSwapped):
        drives.open(handle, Hands())
    assert os.listdir("/proc/self/fd") == before


def test_a_ticket_that_is_no_file_is_none_and_does_not_hang(bays: Path, drives: FolderDrives) -> None:
    main = plug_folder(bays, "bay-1", {"real.json": b'{"job_id": "J-1041"}'})
    os.mkfifo(main / "ingest-ticket.json")
    opened = open_in(drives, "bay-1")
    assert opened.facts.tickets == ()
    opened.close()
    (main / "ingest-ticket.json").unlink()
    (main / "ingest-ticket.json").symlink_to("real.json")
    opened = open_in(drives, "bay-1")
    assert opened.facts.tickets == ()
    opened.close()


def test_half_written_cards_and_hidden_folders_are_passed_over(bays: Path, drives: FolderDrives) -> None:
    plug_folder(bays, "bay-1", serial="KX-1")
    plug_folder(bays, ".trash", serial="KX-2")
    (bays / "bay-2").mkdir()
    (bays / "bay-2" / ".drive.json.77.tmp").write_bytes(b'{"serial')
    (bays / "notes.txt").write_bytes(b"a file is no bay")
    assert [sighting.bay for sighting in drives.enumerate()] == ["bay-1"]
    assert list(drives.problems()) == []


def test_bays_that_cannot_be_named_are_reported(bays: Path, drives: FolderDrives) -> None:
    os.mkdir(os.fsencode(bays) + b"/bay-\xff")
    os.mkdir(os.fsencode(bays) + b"/bay-\x1b[31m")
    plug_folder(bays, "bay-1")
    assert [sighting.bay for sighting in drives.enumerate()] == ["bay-1"]
    problems = drives.problems()
    assert len(problems) == 2
    assert not any(problem.fatal for problem in problems)
    assert "\x1b" not in "".join(problem.text for problem in problems)


def test_a_linked_bay_counts(bays: Path, drives: FolderDrives, tmp_path: Path) -> None:
    plug_folder(tmp_path, "elsewhere", serial="KX-1")
    (bays / "bay-1").symlink_to(tmp_path / "elsewhere")
    opened = open_in(drives, "bay-1")
    assert opened.facts.identity.serial == "KX-1"
    opened.close()


def test_empty_bays_are_worth_a_word(drives: FolderDrives) -> None:
    (problem,) = drives.problems()
    assert not problem.fatal
    assert "no bays" in problem.text


def test_a_drive_is_not_touched(bays: Path, drives: FolderDrives) -> None:
    main = plug_folder(bays, "bay-1")
    for folder, _, names in os.walk(main):
        for name in (*names, "."):
            os.utime(os.path.join(folder, name), ns=(1, 1))

    def facts() -> list[tuple[str, int, int, int]]:
        found = sorted(main.rglob("*"))
        return [(str(p), p.stat().st_mtime_ns, p.stat().st_ctime_ns, p.stat().st_size) for p in found]

    before = facts()
    opened = open_in(drives, "bay-1")
    read_below(opened.volumes[0].root_fd, "read me.txt")
    opened.drop_caches()
    opened.close()
    assert facts() == before


def test_a_bay_removed_under_an_open_drive_is_noticed(bays: Path, drives: FolderDrives) -> None:
    plug_folder(bays, "bay-1", {"a.bin": b"a" * 100})
    opened = open_in(drives, "bay-1")
    unplug_folder(bays, "bay-1")
    shutil.rmtree(bays / "bay-1")
    assert not opened.still_there()
    assert os.listdir(opened.volumes[0].root_fd) == []
    opened.close()


@contextmanager
def no_descriptors_left() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    probe = os.open("/", os.O_RDONLY)
    os.close(probe)
    resource.setrlimit(resource.RLIMIT_NOFILE, (probe + 1, hard))
    last = os.open("/", os.O_RDONLY)
    try:
        yield
    finally:
        os.close(last)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_station_out_of_descriptors_does_not_blame_the_card(bays: Path) -> None:
    plug_folder(bays, "bay-1", serial="KX-1")
    with no_descriptors_left(), pytest.raises(ResourcesExhausted):
        look_at_card(str(bays / "bay-1"))
    seen = look_at_card(str(bays / "bay-1"))
    assert seen is not None
    assert seen.card is not None


def test_a_card_that_cannot_be_looked_for_is_not_an_absent_one(
    bays: Path, drives: FolderDrives, monkeypatch: pytest.MonkeyPatch
) -> None:
    plug_folder(bays, "bay-1", serial="KX-1")
    open_really, lstat_really = os.open, os.lstat

    def failing_open(path: str, *more: int, **named: int) -> int:
        if str(path).endswith("drive.json"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return open_really(path, *more, **named)

    def failing_lstat(path: str) -> os.stat_result:
        if str(path).endswith("drive.json"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return lstat_really(path)

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", failing_open)
        patch.setattr(os, "lstat", failing_lstat)
        with pytest.raises(ToolFailed, match="look at the disk that holds the bays"):
            drives.enumerate()
        assert [problem.where for problem in drives.problems()] == ["bay bay-1"]
    assert seen_in(drives, "bay-1").identity.serial == "KX-1"


# -- an open drive of any source -------------------------------------------------------------------


def held(hang: threading.Event, begun: threading.Event) -> HeldDrive:
    """An open drive that cannot be let go of until `hang` is set."""
    way_back = contextlib.ExitStack()
    way_back.callback(hang.wait, 10)
    way_back.callback(begun.set)
    facts = DriveFacts(identity=DriveIdentity(), interface="usb-3")
    return HeldDrive(facts, [], way_back, lambda: True)


def test_a_drive_that_is_not_let_go_of_keeps_nobody_waiting() -> None:
    hang, begun = threading.Event(), threading.Event()
    drive = held(hang, begun)
    closing = threading.Thread(target=drive.close, daemon=True)
    closing.start()
    assert begun.wait(10)

    def use() -> None:
        assert not drive.still_there()
        drive.drop_caches()
        drive.close()

    others = threading.Thread(target=use, daemon=True)
    others.start()
    others.join(5)
    assert not others.is_alive()
    assert closing.is_alive()
    assert not drive.still_there()
    hang.set()
    closing.join(10)


def test_buffers_that_are_not_dropped_keep_nobody_waiting() -> None:
    dropping, hang, dropped = threading.Event(), threading.Event(), list[str]()

    def drop() -> None:
        dropping.set()
        hang.wait(10)
        dropped.append("dropped")

    facts = DriveFacts(identity=DriveIdentity(), interface="usb-3")
    drive = HeldDrive(facts, [], contextlib.ExitStack(), lambda: True, drop)
    thread = threading.Thread(target=drive.drop_caches, daemon=True)
    thread.start()
    assert dropping.wait(10)
    assert drive.still_there()
    drive.close()
    hang.set()
    thread.join(10)
    assert dropped == ["dropped"]
    drive.drop_caches()
    assert dropped == ["dropped"], "what is closed has nothing to drop"


# -- handles over reboots --------------------------------------------------------------------------


def test_a_handle_is_not_given_again_after_a_reboot(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    boots = []
    for number, boot in enumerate(("5e0c54a6-3c1b", "b3a9f7d2-91ee")):
        path = tmp_path / f"boot-{number}"
        path.write_text(f"{boot}\n")
        monkeypatch.setattr(block, "BOOT_ID", str(path))
        boots.append([block.generation_of(sequence) for sequence in (1, 2, 9_000)])
        assert block.generation_of(2) - block.generation_of(1) == 1, "within a boot no two are the same"
    assert not set(boots[0]) & set(boots[1])
    assert max(*boots[0], *boots[1]) < 1 << 53


def test_without_a_boot_id_nothing_is_said_of_any_drive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(block, "BOOT_ID", str(tmp_path / "none"))
    with pytest.raises(ToolFailed, match="is proc mounted"):
        block.generation_of(1)
