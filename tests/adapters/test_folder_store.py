"""What only a folder can do or suffer. What every store does is in the contract suite."""

from __future__ import annotations

import errno
import gc
import os
import stat
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.core.names import printable
from ingestd.ports import (
    ObjectMissing,
    PortError,
    ResourcesExhausted,
    SmallObject,
    Store,
    StoreBusy,
    StoreConflict,
    StoreFull,
    StoreMissing,
    StoreRefused,
    StoreUnreachable,
)
from ingestd.store import folder, folder_parts, folder_upload, syscalls
from ingestd.store.folder import FolderStore
from tests.support.mounts import needs_root, remount, tmpfs
from tests.support.stores import at_will, content, put, sha256, small, some_bytes

KEY = b"alder-press/herbal of 1597/leaf 12.age"
PARTS = ".ingest-parts"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    folder.mkdir()
    return folder


@pytest.fixture
def store(root: Path) -> FolderStore:
    return FolderStore("archive", str(root))


def operations(store: Store, key: bytes) -> dict[str, Callable[[], object]]:
    """Everything that can be done with a key."""
    return {
        "parts": lambda: put(store, key, b"new content"),
        "batch": lambda: store.put_batch([small(key, b"new content")], at_will),
        "big batch": lambda: store.put_batch([small(key, b"new content")] * 9, at_will),
        "replace": lambda: store.replace(key, b"new content"),
        "stat": lambda: store.stat(key),
        "read": lambda: content(store, key),
        "remove": lambda: store.remove(key),
    }


OPERATIONS = list(operations(FolderStore("none", "/none"), b"none"))
CHANGING = OPERATIONS[:4]


def left_over(root: Path) -> list[str]:
    """What lies in the reserved folder."""
    return sorted(os.listdir(root / PARTS)) if (root / PARTS).exists() else []


def everything_below(folder: Path) -> dict[str, bytes | None]:
    return {str(path): path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


def descriptors() -> int:
    gc.collect()
    return len(os.listdir("/proc/self/fd"))


# -- the root -------------------------------------------------------------------------------------


@pytest.mark.parametrize("operation", OPERATIONS)
def test_a_root_that_is_not_there_is_missing_and_never_made(tmp_path: Path, operation: str) -> None:
    store = FolderStore("archive", str(tmp_path / "not mounted"))
    with pytest.raises(StoreMissing, match="mount its file system"):
        operations(store, KEY)[operation]()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "call", [lambda s: s.sweep([]), lambda s: s.abandon("0" * 32), lambda s: s.resume(KEY, 1, "0" * 32)]
)
def test_without_a_root_there_are_no_uploads_either(tmp_path: Path, call: Callable[[Store], object]) -> None:
    with pytest.raises(StoreMissing):
        call(FolderStore("archive", str(tmp_path / "not mounted")))


def trouble_of(store: FolderStore) -> str | None:
    return store.trouble


def test_a_folder_that_is_gone_is_in_trouble_until_it_is_back(root: Path, store: FolderStore) -> None:
    assert trouble_of(store) is None
    root.rename(f"{root}.away")
    with pytest.raises(StoreMissing):
        store.stat(b"north.enc")
    assert "there is no such folder" in (trouble_of(store) or "")
    Path(f"{root}.away").rename(root)
    assert store.stat(b"north.enc") is None
    assert trouble_of(store) is None


def test_a_disk_that_does_not_answer_is_in_trouble_once_that_was_no_accident(
    store: FolderStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stale(*_: object, **__: object) -> int:
        raise OSError(errno.ESTALE, os.strerror(errno.ESTALE))

    with monkeypatch.context() as patch:
        patch.setattr(folder, "open_folder", stale)
        for _ in range(2):
            with pytest.raises(StoreUnreachable):
                store.stat(b"day/north.enc")
            with pytest.raises(StoreFull):
                store.begin(b"north.enc", 1 << 62)
        for times in range(1, 4):
            with pytest.raises(StoreUnreachable):
                store.stat(b"day/north.enc")
            assert (trouble_of(store) is not None) == (times == 3)
    assert store.stat(b"day/north.enc") is None
    assert trouble_of(store) is None


def test_a_root_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(StoreMissing, match="not a folder"):
        FolderStore("archive", str(tmp_path / "file")).stat(KEY)


def test_a_root_that_goes_away_during_an_upload(root: Path, store: FolderStore) -> None:
    upload = store.begin(KEY, 3)
    upload.put_part(1, 0, memoryview(b"abc"), at_will)
    root.rename(root.with_name("elsewhere"))
    with pytest.raises(StoreMissing):
        upload.complete(3, sha256(b"abc"))
    root.with_name("elsewhere").rename(root)
    upload.complete(3, sha256(b"abc"))
    assert content(store, KEY) == b"abc"


def test_a_root_swapped_for_an_empty_one_takes_no_half_upload(root: Path, store: FolderStore) -> None:
    upload = store.begin(KEY, 3)
    upload.put_part(1, 0, memoryview(b"abc"), at_will)
    root.rename(root.with_name("elsewhere"))
    root.mkdir()
    with pytest.raises(StoreUnreachable):
        upload.complete(3, sha256(b"abc"))
    assert store.stat(KEY) is None


# -- what was planted -----------------------------------------------------------------------------


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("where", ["first", "middle", "last", "dangling"])
def test_no_way_leads_through_a_link(root: Path, store: FolderStore, where: str, operation: str) -> None:
    outside = root.with_name("outside")
    (outside / "b").mkdir(parents=True)
    (outside / "b" / "c").write_bytes(b"not ours")
    if where == "first":
        (root / "a").symlink_to(outside)
    else:
        (root / "a").mkdir()
    if where == "middle":
        (root / "a" / "b").symlink_to(outside / "b")
    elif where in ("last", "dangling"):
        (root / "a" / "b").mkdir()
        (root / "a" / "b" / "c").symlink_to(outside / "b" / "c" if where == "last" else outside / "new")
    before = everything_below(outside)

    with pytest.raises(StoreConflict):
        operations(store, b"a/b/c")[operation]()

    assert everything_below(outside) == before
    assert [path for path in root.rglob("*") if path.is_symlink()]


@pytest.mark.parametrize("operation", CHANGING)
def test_a_link_in_place_of_the_reserved_folder(root: Path, store: FolderStore, operation: str) -> None:
    outside = root.with_name("outside")
    outside.mkdir()
    (root / PARTS).symlink_to(outside)
    with pytest.raises(StoreConflict):
        operations(store, KEY)[operation]()
    assert list(outside.iterdir()) == []


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("obstacle", ["folder", "pipe"])
def test_something_else_under_the_key(root: Path, store: FolderStore, obstacle: str, operation: str) -> None:
    if obstacle == "folder":
        (root / "key").mkdir()
    else:
        os.mkfifo(root / "key")
    with pytest.raises(StoreConflict):
        operations(store, b"key")[operation]()
    assert (root / "key").is_dir() == (obstacle == "folder")


@pytest.mark.parametrize("operation", OPERATIONS)
def test_a_file_where_a_folder_should_be(root: Path, store: FolderStore, operation: str) -> None:
    (root / "a").write_bytes(b"a file")
    with pytest.raises(StoreConflict, match="move away"):
        operations(store, b"a/b")[operation]()
    assert (root / "a").read_bytes() == b"a file"


def test_a_conflict_names_the_key_and_the_store(store: FolderStore) -> None:
    key = b"a/\xff\x1b[31m"
    put(store, key, b"one")
    with pytest.raises(StoreConflict) as caught:
        put(store, key, b"two")
    assert repr(printable(key)) in str(caught.value)
    assert "'archive'" in str(caught.value)
    assert "\x1b" not in str(caught.value)


# -- names ----------------------------------------------------------------------------------------

DEEP = b"/".join([b"%03d" % n + b"\xfe" * 200 for n in range(40)])
STEEP = b"/".join([b"d"] * 2100)


CASES = [*((DEEP, how) for how in CHANGING), (STEEP, "parts"), (STEEP, "big batch")]


@pytest.mark.parametrize(("key", "how"), CASES)
def test_paths_longer_than_the_system_allows(root: Path, store: FolderStore, key: bytes, how: str) -> None:
    assert len(key) > 4096
    operations(store, key)[how]()
    assert content(store, key) == b"new content"
    found = store.stat(key)
    assert found is not None
    assert found.size_bytes == 11
    store.remove(key)
    assert os.listdir(root) == [PARTS]


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("key", [b"x" * 256, b"x" * 256 + b"/b"], ids=["name", "folder"])
def test_a_name_that_is_too_long_is_refused_in_words(store: FolderStore, key: bytes, operation: str) -> None:
    with pytest.raises(StoreRefused, match=r"takes (such )?long"):
        operations(store, key)[operation]()


def test_a_name_that_is_too_long_is_refused_before_anything_is_sent(store: FolderStore) -> None:
    with pytest.raises(StoreRefused, match="255 bytes at most, and one has 256"):
        store.begin(b"a/" + b"x" * 256, 10)


def test_modes(root: Path, store: FolderStore) -> None:
    before = os.umask(0o022)
    try:
        put(store, b"a/parts", b"1")
        store.put_batch([small(b"a/batch", b"1")], at_will)
        store.replace(b"a/record", b"1")
    finally:
        os.umask(before)
    assert {stat.S_IMODE(path.stat().st_mode) for path in (root / "a").iterdir()} == {0o640}
    assert stat.S_IMODE((root / "a").stat().st_mode) == 0o750


# -- taking the key -------------------------------------------------------------------------------


def linked_but_not_recorded(root: Path, store: FolderStore, body: bytes) -> str:
    """The token of an upload whose process died right after the object got its key."""
    upload = store.begin(KEY, len(body))
    upload.put_part(1, 0, memoryview(body), at_will)
    path = root / os.fsdecode(KEY)
    path.parent.mkdir(parents=True)
    os.link(root / PARTS / upload.token, path)
    return upload.token


def test_a_crash_between_the_two_names(
    root: Path, store: FolderStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = some_bytes(100_000)
    token = linked_but_not_recorded(root, store, body)
    resumed = store.resume(KEY, len(body), token)
    assert resumed is not None
    with monkeypatch.context() as patched:
        # It may be terabytes, and there is nothing to find out.
        patched.setattr(folder_upload, "holds", raising(errno.EIO))
        resumed.complete(len(body), sha256(body))
    assert left_over(root) == []
    assert content(store, KEY) == body
    assert (root / os.fsdecode(KEY)).stat().st_nlink == 1


def test_what_has_its_key_is_not_written_to_any_more(root: Path, store: FolderStore) -> None:
    body = some_bytes(100_000)
    resumed = store.resume(KEY, len(body), linked_but_not_recorded(root, store, body))
    assert resumed is not None
    resumed.put_part(1, 0, memoryview(body), at_will)
    with pytest.raises(StoreConflict):
        resumed.put_part(1, 50_000, memoryview(b"different"), at_will)
    assert content(store, KEY) == body


def test_an_error_right_after_the_key_was_taken(
    root: Path, store: FolderStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload = store.begin(KEY, 3)
    upload.put_part(1, 0, memoryview(b"abc"), at_will)
    with monkeypatch.context() as patched:
        patched.setattr(folder_parts, "discard", raising(errno.EIO))
        with pytest.raises(StoreUnreachable):
            upload.complete(3, sha256(b"abc"))
    with pytest.raises(StoreConflict):
        upload.put_part(1, 0, memoryview(b"xyz"), at_will)
    upload.complete(3, sha256(b"abc"))
    assert content(store, KEY) == b"abc"
    assert left_over(root) == []


def raising(number: int) -> Callable[..., None]:
    def call(*arguments: object, **options: object) -> None:
        raise OSError(number, os.strerror(number))

    return call


@pytest.fixture(params=["no links", "no links, no safe rename"])
def poor_file_system(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(os, "link", raising(errno.EPERM))
    if "rename" in request.param:
        monkeypatch.setattr(syscalls, "rename_to_new", raising(errno.EINVAL))
    return str(request.param)


@pytest.mark.usefixtures("poor_file_system")
@pytest.mark.parametrize("how", ["parts", "batch", "big batch"])
def test_file_systems_without_links(root: Path, store: FolderStore, how: str) -> None:
    operations(store, KEY)[how]()
    assert content(store, KEY) == b"new content"
    operations(store, KEY)[how]()
    assert left_over(root) == []


@pytest.mark.usefixtures("poor_file_system")
@pytest.mark.parametrize("how", ["parts", "batch", "big batch"])
def test_nothing_is_overwritten_without_links_either(store: FolderStore, how: str) -> None:
    store.replace(KEY, b"was here first")
    with pytest.raises(StoreConflict):
        operations(store, KEY)[how]()
    assert content(store, KEY) == b"was here first"


def test_an_error_after_the_key_was_taken_without_links(
    store: FolderStore, poor_file_system: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload = store.begin(KEY, 3)
    upload.put_part(1, 0, memoryview(b"abc"), at_will)
    with monkeypatch.context() as patched:
        patched.setattr(folder_parts, "discard", raising(errno.EIO))
        with pytest.raises(StoreUnreachable):
            upload.complete(3, sha256(b"abc"))
    upload.complete(3, sha256(b"abc"))
    assert content(store, KEY) == b"abc"


def test_an_upload_whose_file_was_taken_away_is_to_be_sent_anew(root: Path, store: FolderStore) -> None:
    upload = store.begin(KEY, 3)
    upload.put_part(1, 0, memoryview(b"abc"), at_will)
    os.unlink(root / PARTS / upload.token)
    with pytest.raises(StoreUnreachable):
        upload.complete(3, sha256(b"abc"))
    assert store.resume(KEY, 3, upload.token) is None
    assert store.stat(KEY) is None


def test_an_upload_larger_than_announced_is_not_resumed(store: FolderStore) -> None:
    upload = store.begin(KEY, 100)
    upload.put_part(1, 0, memoryview(bytes(100)), at_will)
    assert store.resume(KEY, 99, upload.token) is None
    assert store.resume(KEY, 100, upload.token) is not None


# -- syncing --------------------------------------------------------------------------------------


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The kinds of file that were synced by themselves, in order."""
    kinds: list[str] = []
    fsync = os.fsync

    def noted(fd: int) -> None:
        kinds.append("folder" if stat.S_ISDIR(os.fstat(fd).st_mode) else "file")
        fsync(fd)

    monkeypatch.setattr(os, "fsync", noted)
    return kinds


def test_a_batch_is_synced_twice_whatever_its_size(
    store: FolderStore, synced: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole: list[int] = []
    monkeypatch.setattr(syscalls, "can_sync_file_system", lambda fd: True)
    monkeypatch.setattr(syscalls, "sync_file_system", whole.append)
    store.sweep([])
    synced.clear()
    store.put_batch([small(b"a/%d/%d" % (n % 7, n), b"x") for n in range(100)], at_will)
    assert len(whole) == 2
    assert synced == []


def test_where_that_is_not_possible_each_file_is_synced(
    store: FolderStore, synced: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(syscalls, "can_sync_file_system", lambda fd: False)
    monkeypatch.setattr(syscalls, "sync_file_system", raising(errno.ENOSYS))
    put(store, b"a/b", b"x")
    synced.clear()
    store.put_batch([small(b"a/%d" % n, b"x") for n in range(100)], at_will)
    assert synced == ["file"] * 100 + ["folder"]


def test_only_trusted_file_systems_are_synced_as_a_whole(tmp_path: Path) -> None:
    proc = os.open("/proc", os.O_RDONLY)
    try:
        assert not syscalls.can_sync_file_system(proc)
    finally:
        os.close(proc)


@pytest.mark.parametrize(
    ("release", "trusted"), [("4.18.0-553.el8", False), ("5.7.19", False), ("5.8.0", True), ("odd", False)]
)
def test_old_kernels_lose_errors_in_a_whole_sync(
    release: str, trusted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(syscalls, "_type_of_file_system", lambda fd: 0xEF53)
    monkeypatch.setattr(os, "uname", lambda: os.uname_result(("Linux", "quay-03", release, "#1", "x86_64")))
    assert syscalls.can_sync_file_system(0) is trusted


def test_the_rename_that_never_replaces(tmp_path: Path) -> None:
    (tmp_path / "one").write_bytes(b"1")
    (tmp_path / "two").write_bytes(b"2")
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        with pytest.raises(FileExistsError):
            syscalls.rename_to_new(fd, "one", fd, b"two")
        with pytest.raises(FileNotFoundError):
            syscalls.rename_to_new(fd, "three", fd, b"four")
        syscalls.rename_to_new(fd, "one", fd, b"\xff\n")
    finally:
        os.close(fd)
    assert sorted(os.listdir(os.fsencode(tmp_path))) == [b"two", b"\xff\n"]
    assert (tmp_path / "two").read_bytes() == b"2"


def test_short_writes(store: FolderStore, monkeypatch: pytest.MonkeyPatch) -> None:
    pwrite = os.pwrite
    monkeypatch.setattr(os, "pwrite", lambda fd, body, at: pwrite(fd, body[:777], at))
    body = some_bytes(20_000)
    put(store, KEY, body)
    store.put_batch([small(b"batch", body)], at_will)
    assert content(store, KEY) == content(store, b"batch") == body


# -- sweeping -------------------------------------------------------------------------------------


def test_what_is_worked_on_survives_a_sweep(root: Path, store: FolderStore) -> None:
    upload = store.begin(KEY, 3)
    assert FolderStore("another", str(root)).sweep([]) == 0
    upload.put_part(1, 0, memoryview(b"abc"), at_will)
    upload.complete(3, sha256(b"abc"))
    assert content(store, KEY) == b"abc"


def test_a_running_batch_survives_a_sweep(root: Path, store: FolderStore) -> None:
    swept: list[int] = []
    other = FolderStore("another", str(root))
    store.put_batch(
        [small(b"%d" % n, bytes(600_000)) for n in range(8)], lambda size: swept.append(other.sweep([]))
    )
    assert len(swept) > 4
    assert not any(swept)
    assert content(store, b"7") == bytes(600_000)


def test_leftovers_of_a_dead_batch_are_swept(root: Path, store: FolderStore) -> None:
    dead = root / PARTS / ("a" * 32)
    dead.mkdir(parents=True)
    for name in "012":
        (dead / name).write_bytes(b"x")
    (root / PARTS / ("b" * 32)).write_bytes(b"x")
    assert store.sweep([]) == 4
    assert left_over(root) == []


def test_a_sweep_leaves_what_is_not_ours(root: Path, store: FolderStore) -> None:
    (root / PARTS).mkdir()
    (root / PARTS / "README of the admin").write_bytes(b"x")
    (root / "job").mkdir()
    assert store.sweep([]) == 0
    assert left_over(root) == ["README of the admin"]


def test_a_sweep_leaves_what_another_station_put_off(root: Path) -> None:
    """Also where no lock tells of it: the other has just restarted, or its locks do not reach here."""
    quay_03, quay_04 = (FolderStore("archive", str(root), station) for station in ("quay-03", "quay-04"))
    mine, theirs = quay_03.begin(KEY, 10).token, quay_04.begin(b"other", 10).token
    gc.collect()
    assert mine.endswith("-quay-03")
    assert quay_03.sweep([theirs]) == 1
    assert quay_03.sweep([]) == 0
    assert FolderStore("archive", str(root)).sweep([]) == 0
    upload = quay_04.resume(b"other", 10, theirs)
    assert upload is not None
    del upload
    gc.collect()
    assert quay_04.sweep([theirs]) == 0
    assert quay_04.sweep([]) == 1
    assert left_over(root) == []


def test_a_sweep_leaves_the_batch_that_another_station_died_in(root: Path) -> None:
    for station in ("quay-03", "quay-03.b"):
        dead = root / PARTS / ("a" * 32 + f"-{station}")
        dead.mkdir(parents=True)
        (dead / "0").write_bytes(b"x")
    assert FolderStore("archive", str(root), "quay-03").sweep([]) == 1
    assert left_over(root) == ["a" * 32 + "-quay-03.b"]


def test_an_upload_that_is_put_off_keeps_no_descriptor(store: FolderStore) -> None:
    before = descriptors()
    tokens = [store.begin(b"%d" % n, 10).token for n in range(20)]
    assert descriptors() == before
    assert store.resume(b"0", 10, tokens[0]) is not None
    assert descriptors() == before


def test_no_descriptor_is_lost_on_the_way(root: Path, store: FolderStore) -> None:
    (root / "link").symlink_to(root)
    (root / "file").write_bytes(b"")
    before = descriptors()
    for key in (KEY, b"link/a", b"file/a", b"file", b"link", b"x" * 256, b"a/b/c"):
        for operation in operations(store, key).values():
            try:
                operation()
            except PortError as error:
                del error
    assert descriptors() == before


def test_an_abort_never_lets_a_part_run_into_another_file(tmp_path: Path, store: FolderStore) -> None:
    upload = store.begin(KEY, 4 << 20)
    others: list[int] = []

    def abort_in_the_middle(size_bytes: int) -> None:
        upload.abort()
        others.extend(os.open(tmp_path / "other", os.O_RDWR | os.O_CREAT) for _ in range(8))

    try:
        upload.put_part(1, 0, memoryview(bytes(2 << 20)), abort_in_the_middle)
        assert (tmp_path / "other").stat().st_size == 0
    finally:
        for fd in others:
            os.close(fd)


# -- removing -------------------------------------------------------------------------------------


def test_removing_takes_empty_folders_but_never_the_root(root: Path, store: FolderStore) -> None:
    put(store, b"a/b/c/d", b"x")
    put(store, b"a/e", b"x")
    store.remove(b"a/b/c/d")
    assert sorted(os.listdir(root / "a")) == ["e"]
    store.remove(b"a/e")
    assert os.listdir(root) == [PARTS]
    store.remove(b"top")
    assert root.is_dir()


def test_a_half_done_removal_is_finished(root: Path, store: FolderStore) -> None:
    put(store, b"a/b/c", b"x")
    os.unlink(root / "a" / "b" / "c")
    store.remove(b"a/b/c")
    assert os.listdir(root) == [PARTS]


# -- errors ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.ENOSPC, StoreFull),
        (errno.EDQUOT, StoreFull),
        (errno.EACCES, StoreRefused),
        (errno.EPERM, StoreRefused),
        (errno.EROFS, StoreRefused),
        (errno.EFBIG, StoreRefused),
        (errno.EIO, StoreUnreachable),
        (errno.ESTALE, StoreUnreachable),
        (errno.ETIMEDOUT, StoreUnreachable),
        (errno.ENOTCONN, StoreUnreachable),
        (errno.EHOSTDOWN, StoreUnreachable),
        (errno.EBUSY, StoreBusy),
        (errno.EMFILE, ResourcesExhausted),
        (errno.ENFILE, ResourcesExhausted),
        (errno.ENOMEM, ResourcesExhausted),
        (errno.EUCLEAN, PortError),
    ],
)
def test_errors_of_the_system_say_what_they_mean_for_a_store(
    store: FolderStore, number: int, kind: type[PortError], monkeypatch: pytest.MonkeyPatch
) -> None:
    upload = store.begin(KEY, 3)
    monkeypatch.setattr(os, "fdatasync", raising(number))
    with pytest.raises(PortError) as caught:
        upload.put_part(1, 0, memoryview(b"abc"), at_will)
    assert type(caught.value) is kind
    assert os.strerror(number) in str(caught.value)
    assert "archive" in str(caught.value)
    assert ";" in str(caught.value), "a remedy follows"


def test_no_name_of_the_customer_is_in_a_traceback(
    store: FolderStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(source: str, target: bytes, **options: object) -> None:
        raise OSError(errno.EIO, "Input/output error", source, None, target)

    monkeypatch.setattr(os, "link", refuse)
    private = "herbarium"
    with pytest.raises(StoreUnreachable) as caught:
        put(store, b"a/" + private.encode(), b"x")
    told = "".join(traceback.format_exception(caught.value))
    assert "[Errno 5] Input/output error" in told
    assert private not in told


def test_an_object_that_was_taken_away(root: Path, store: FolderStore) -> None:
    put(store, KEY, b"x")
    os.unlink(root / os.fsdecode(KEY))
    with pytest.raises(ObjectMissing, match="leaf 12"):
        content(store, KEY)


# -- file systems of their own --------------------------------------------------------------------


@needs_root
def test_a_full_disk(tmp_path: Path) -> None:
    with tmpfs(tmp_path / "small", "4m") as root:
        (root / "archive").mkdir()
        store = FolderStore("archive", str(root / "archive"))
        with pytest.raises(StoreFull, match="do not fit"):
            store.begin(KEY, 8 << 20)

        upload = store.begin(KEY, 3 << 20)
        put(store, b"other", bytes(2 << 20))
        with pytest.raises(StoreFull, match="free some space"):
            upload.put_part(1, 0, memoryview(some_bytes(3 << 20)), at_will)
        batch = [small(b"%d" % n, bytes(500_000)) for n in range(12)]
        with pytest.raises(StoreFull):
            store.put_batch(batch, at_will)
        assert left_over(root / "archive") == [upload.token]
        with pytest.raises(StoreFull):
            store.replace(b"record", bytes(3 << 20))
        assert left_over(root / "archive") == [upload.token]

        store.remove(b"other")
        upload.put_part(1, 0, memoryview(some_bytes(3 << 20)), at_will)
        upload.complete(3 << 20, sha256(some_bytes(3 << 20)))
        assert content(store, KEY) == some_bytes(3 << 20)


@needs_root
@pytest.mark.parametrize("operation", [*CHANGING, "remove"])
def test_a_file_system_that_turned_read_only(tmp_path: Path, operation: str) -> None:
    with tmpfs(tmp_path / "small", "4m") as root:
        store = FolderStore("archive", str(root))
        put(store, KEY, b"x")
        remount(root, "ro")
        with pytest.raises(StoreRefused, match="mount it writable"):
            operations(store, KEY)[operation]()
        assert content(store, KEY) == b"x"


@needs_root
@pytest.mark.parametrize("operation", OPERATIONS)
def test_another_file_system_below_the_root(
    root: Path, store: FolderStore, tmp_path: Path, operation: str
) -> None:
    with tmpfs(root / "mount", "4m") as mount:
        (mount / "key").write_bytes(b"not ours")
        with pytest.raises(StoreRefused, match="one file system"):
            operations(store, b"mount/key")[operation]()
        assert (mount / "key").read_bytes() == b"not ours"


# -- problems -------------------------------------------------------------------------------------


def test_a_good_folder_has_no_problems(root: Path, store: FolderStore) -> None:
    assert store.problems() == []
    assert left_over(root) == []


def test_problems_of_a_missing_folder(tmp_path: Path) -> None:
    (problem,) = FolderStore("archive", str(tmp_path / "gone")).problems()
    assert problem.fatal
    assert problem.where == "store archive"
    assert problem.text == f"{tmp_path}/gone: there is no such folder"
    assert problem.remedy == "mount its file system, or make the folder on it"
    assert not (tmp_path / "gone").exists()


@needs_root
def test_problems_of_a_small_mount_point(tmp_path: Path) -> None:
    with tmpfs(tmp_path / "small", "4m") as root:
        space, place = FolderStore("archive", str(root)).problems()
        assert (space.fatal, place.fatal) == (False, False)
        assert "MiB are free" in space.text
        assert "mount point" in place.text
        remount(root, "ro")
        (problem,) = FolderStore("archive", str(root)).problems()
        assert problem.fatal
        assert "writable" in problem.remedy


def test_it_is_a_store(store: FolderStore) -> None:
    as_port: Store = store
    assert as_port.name == "archive"
    assert isinstance(small(b"a", b"b"), SmallObject)
