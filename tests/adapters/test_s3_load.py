"""Whole loads into S3 stores: plain, over a line that spoils requests, resumed, taken over, taken back."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from tenacity import wait_random

from ingestd.core.found import Receipt
from ingestd.core.model import ProofLevel
from ingestd.ports import Manifest, PortError, Store, StoreBusy, StoreDigest, StoreRefused, StoreUnreachable
from ingestd.store import s3_listing, s3_notes
from ingestd.store.s3 import S3Store
from ingestd.transfer import stopping
from ingestd.transfer.settings import TransferSettings
from tests.support import s3_servers
from tests.support.byte_path import DESTINATION, KIB, BytePath, byte_path, content, key, make_drive
from tests.support.fake_drive import FakeDrive, surveyed
from tests.support.fake_manifest import FakeManifest
from tests.support.fault_proxy import FAULTS, FaultProxy, Seen, at_random

FILES = {
    "dive/sonar 1.tar.age": content(340 * KIB + 11, 1),
    "dive/sonar 2.tar.age": content(150 * KIB, 2),
    "dive/exactly.bin": content(200 * KIB, 3),
    **{f"tiles/{n:02}": content(n * 97, n) for n in range(12)},
    "odd/100% <&> 'ü' + ~#?": b"odd",
    "odd/tab\tand\x7f": b"control",
}
PART = 100 * KIB
STREAMED = TransferSettings(
    buffer_bytes=16 * KIB, buffers=8, senders=4, small_max_bytes=8 * KIB, report_every_s=0.05
)
HELD = replace(STREAMED, buffer_bytes=128 * KIB, buffers=6)
SHAPES = {"streamed": STREAMED, "held": HELD}
ON_BOTH = [("streamed", "moto"), ("held", "moto"), ("streamed", "swift")]
_places = itertools.count(1)


@pytest.fixture(autouse=True)
def short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stopping, "_JITTER", wait_random(0, 0.05))


@pytest.fixture(params=SHAPES)
def path(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[BytePath]:
    with byte_path(tmp_path, settings=SHAPES[request.param]) as made:
        yield made


@pytest.fixture
def streamed(tmp_path: Path) -> Iterator[BytePath]:
    with byte_path(tmp_path, settings=STREAMED) as made:
        yield made


def opened(kind: str = "moto", prefix: str = "", **changes: object) -> S3Store:
    prefix = prefix or f"load-{next(_places)}"
    return s3_servers.open_known(s3_servers.shared(kind), prefix=prefix, part_bytes=PART, **changes)


def load(path: BytePath, drive: FakeDrive, store: Store, manifest: Manifest, passes: int = 1) -> int:
    """Passes until nothing is pending, as the core would have them; how many it took."""
    for number in range(1, passes + 1):
        try:
            ledger, faults = path.transfer(drive, store, manifest)
        except (StoreUnreachable, StoreBusy, StoreDigest):
            if number == passes:
                raise
            continue
        assert faults == ()
        if not ledger.pending_files:
            return number
    raise AssertionError(f"still pending after {passes} passes: {ledger}")


def assert_holds(store: S3Store, files: dict[str, bytes]) -> None:
    for name, body in files.items():
        assert b"".join(map(bytes, store.read(key(name), 64 * KIB))) == body, name
    assert left_over(store) == []


def left_over(store: S3Store) -> list[str]:
    """Uploads that are not complete, and notes."""
    client, prefix = store._client, store._settings.prefix
    names = [each.key for each in s3_listing.uploads(client, prefix + "/")]
    return names + [each.key for each in s3_listing.objects(client, f"{prefix}/.ingest-parts/")]


# -- plain ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("path", "kind"), ON_BOTH, indirect=["path"])
def test_a_load_arrives_and_is_proved_and_taken_back(path: BytePath, tmp_path: Path, kind: str) -> None:
    store = opened(kind)
    drive = make_drive(tmp_path / "drive", FILES)
    manifest = surveyed(drive)
    load(path, drive, store, manifest)
    assert_holds(store, FILES)
    for level in (ProofLevel.LISTED, ProofLevel.FULL):
        receipt = path.prove(drive, store, manifest, level)
        assert isinstance(receipt, Receipt), receipt
        assert receipt.files == len(FILES)

    files, _ = path.take_back(store, manifest)
    assert files == len(FILES)
    client, prefix = store._client, store._settings.prefix
    assert list(s3_listing.objects(client, f"{prefix}/")) == []
    assert left_over(store) == []


def test_over_tls_too(streamed: BytePath, tmp_path: Path) -> None:
    server = s3_servers.shared("swift")
    store = opened("swift", endpoint=server.tls_url, ca_file=server.ca_file)
    drive = make_drive(tmp_path / "drive", FILES)
    load(streamed, drive, store, surveyed(drive))
    assert_holds(store, FILES)


# -- a line that spoils requests ------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(2))
def test_whatever_the_line_does_the_store_ends_up_right(path: BytePath, tmp_path: Path, seed: int) -> None:
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store, direct = opened(prefix=f"spoilt-{next(_places)}", endpoint=proxy.url, timeout_s=3.0), None
        direct = opened(prefix=store._settings.prefix)
        drive = make_drive(tmp_path / "drive", FILES)
        manifest = surveyed(drive)
        proxy.choose = at_random(seed, 0.3)
        load(path, drive, store, manifest, passes=12)
        proxy.choose = lambda seen: None
        assert sum(proxy.done.values()) >= 3, proxy.done
    assert direct.sweep([]) >= 0
    assert_holds(direct, FILES)
    assert all(not row.found for row in manifest.stored(-1, 100))


@pytest.mark.parametrize("fault", (*FAULTS, "too many", "skewed", "expired", "page", "page for 404"))
def test_each_fault_alone(tmp_path: Path, fault: str) -> None:
    """One request in three, of the first hundred that carry content or complete an upload."""
    count = itertools.count()

    def choose(seen: Seen) -> str | None:
        carries = "uploadId" in seen.target or (seen.method == "PUT" and "notes" not in seen.target)
        number = next(count) if carries else 0
        return fault if number % 3 == 1 and number < 100 else None

    with FaultProxy(s3_servers.shared("moto").url) as proxy, byte_path(tmp_path, settings=STREAMED) as path:
        store = opened(prefix=f"one-{next(_places)}", endpoint=proxy.url, timeout_s=3.0)
        drive = make_drive(tmp_path / "drive", FILES)
        proxy.choose = choose
        load(path, drive, store, surveyed(drive), passes=12)
        proxy.choose = lambda seen: None
        assert proxy.done[fault] > 3 or fault == "error in 200"
        store.sweep([])
        assert_holds(store, FILES)


def test_swift_behind_a_bad_line(tmp_path: Path) -> None:
    with FaultProxy(s3_servers.shared("swift").url) as proxy, byte_path(tmp_path, settings=STREAMED) as path:
        store = opened("swift", prefix=f"bad-{next(_places)}", endpoint=proxy.url, timeout_s=10.0)
        drive = make_drive(tmp_path / "drive", FILES)
        proxy.choose = at_random(5, 0.15)
        load(path, drive, store, surveyed(drive), passes=12)
        proxy.choose = lambda seen: None
        store.sweep([])
        assert_holds(store, FILES)


def test_a_refusal_is_no_reason_to_try_again(tmp_path: Path) -> None:
    server = s3_servers.shared("swift")
    wrong = tmp_path / "credentials"
    wrong.write_text("[default]\naws_access_key_id = harrow:uploader\naws_secret_access_key = wrong\n")
    with byte_path(tmp_path, settings=STREAMED) as path:
        store = opened("swift", credentials_file=str(wrong))
        drive = make_drive(tmp_path / "drive", {"a": b"a"})
        began = time.monotonic()
        with pytest.raises(StoreRefused, match="SignatureDoesNotMatch"):
            path.transfer(drive, store, surveyed(drive))
        assert time.monotonic() - began < 5
    assert server.url


# -- resumed --------------------------------------------------------------------------------------


def stopped_halfway(
    path: BytePath, tmp_path: Path, store: S3Store, after: int
) -> tuple[FakeDrive, FakeManifest]:
    """A pass that lost its store for good after so many parts."""
    drive = make_drive(tmp_path / "drive", FILES)
    manifest = surveyed(drive)
    puts = itertools.count(1)
    real = store._client.ask

    def ask(request, *rest):  # type: ignore[no-untyped-def]
        if any(name == "partNumber" for name, _ in request.query) and next(puts) > after:
            raise StoreRefused("the line is cut")
        return real(request, *rest)

    store._client.ask = ask  # type: ignore[method-assign]
    with pytest.raises(PortError):
        path.transfer(drive, store, manifest)
    return drive, manifest


@pytest.mark.parametrize(("path", "kind"), ON_BOTH, indirect=["path"])
def test_parts_that_the_journal_knows_are_not_sent_again(path: BytePath, tmp_path: Path, kind: str) -> None:
    store = opened(kind)
    drive, manifest = stopped_halfway(path, tmp_path, store, after=3)
    sent = path.governor.sent
    again = opened(kind, prefix=store._settings.prefix)
    load(path, drive, again, manifest)
    assert_holds(again, FILES)
    # The third may have been on its way still.
    assert path.governor.sent - sent <= sum(map(len, FILES.values())) - 2 * PART


@pytest.mark.parametrize(("path", "kind"), ON_BOTH, indirect=["path"])
def test_another_station_goes_on_with_what_the_store_holds(path: BytePath, tmp_path: Path, kind: str) -> None:
    """Without the journal: the parts are known by the store's listing and their MD5."""
    store = opened(kind)
    drive, manifest = stopped_halfway(path, tmp_path, store, after=3)
    assert manifest.uploads()
    sent = path.governor.sent
    other = opened(kind, prefix=store._settings.prefix, station="quay-04")
    load(path, drive, other, surveyed(drive))
    assert path.governor.sent - sent <= sum(map(len, FILES.values())) - 2 * PART
    # The first station may have begun one of which no part had arrived.
    assert opened(kind, prefix=store._settings.prefix).sweep([]) <= 1
    assert_holds(other, FILES)


def test_an_object_that_is_there_already_is_not_sent_again(streamed: BytePath, tmp_path: Path) -> None:
    store = opened()
    drive = make_drive(tmp_path / "drive", FILES)
    load(streamed, drive, store, surveyed(drive))
    small = sum(len(body) for body in FILES.values() if len(body) <= 8 * KIB)
    sent, again = streamed.governor.sent, surveyed(drive)
    load(streamed, drive, opened(prefix=store._settings.prefix, station="quay-04"), again)
    assert streamed.governor.sent - sent <= small
    assert all(row.found for row in again.stored(-1, 100))


def test_uploads_of_other_stations_and_live_ones_are_left_alone() -> None:
    store = opened()
    theirs = opened(prefix=store._settings.prefix, station="quay-04").begin(b"a/b", 10)
    ours, dead = store.begin(b"c/d", 10), store.begin(b"e/f", 10)
    again = opened(prefix=store._settings.prefix)
    assert again.sweep([ours.token]) == 1
    assert again.resume(b"a/b", 10, theirs.token) is not None
    assert again.resume(b"c/d", 10, ours.token) is not None
    assert again.resume(b"e/f", 10, dead.token) is None
    young = opened(prefix=store._settings.prefix, dead_after_s=3600.0)
    assert young.sweep([]) == 0
    assert DESTINATION.store


def test_an_upload_that_was_just_adopted_is_not_swept_away_for_its_old_note(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Between the adoption and the journal's word for it, while the station is at work."""
    store, body = opened(dead_after_s=3600.0), memoryview(bytes(PART))
    left = store.begin(b"a/b", PART)
    left.put_part(1, 0, body, lambda _: None)
    adopted = store.adopt(b"a/b", PART, PART)
    assert adopted is not None
    listed, number = store._notes._listed, left.token.partition(" ")[0]

    def aged(prefix: str):  # type: ignore[no-untyped-def]
        for note in listed(prefix):
            yield replace(note, changed_at=0.0) if note.number == number else note

    monkeypatch.setattr(store._notes, "_listed", aged)
    real = s3_listing.uploads
    monkeypatch.setattr(
        s3_notes, "uploads", lambda *about: [replace(each, begun_at=0.0) for each in real(*about)]
    )
    assert store.sweep([]) == 0
    assert store.resume(b"a/b", PART, adopted.token) is not None


def test_an_upload_that_another_station_adopts_during_a_sweep_is_left_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    store, body = opened(), memoryview(bytes(PART))
    store.begin(b"a/b", PART).put_part(1, 0, body, lambda _: None)
    again, adopted = opened(prefix=store._settings.prefix), []
    other = opened(prefix=store._settings.prefix, station="quay-04")
    key_in = again._notes._key_in

    def while_adopted(note: object) -> str:
        adopted.append(other.adopt(b"a/b", PART, PART))
        return key_in(note)  # type: ignore[arg-type]

    monkeypatch.setattr(again._notes, "_key_in", while_adopted)
    assert again.sweep([]) == 0
    assert adopted[0] is not None
    assert other.resume(b"a/b", PART, adopted[0].token) is not None
