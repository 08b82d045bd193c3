"""Drives that cannot be accepted: every finding in one event, and nothing left in the store."""

from __future__ import annotations

import hashlib
from typing import Any

from tests.support.daemon import TENANT, Station, sealed, tree, wait_for
from tests.support.visits import Visit

NORTH, SOUTH = sealed(400_000, 1), sealed(200_000, 2)
PLAIN = b"In the margin, in another hand: see plate XII.\n" * 3000
FILES = {b"north.enc": NORTH, b"south.enc": SOUTH}
ITEMS = [{"name": "north.enc"}, {"name": "south.enc"}]
OTHER_SUM = hashlib.sha256(b"the version before").hexdigest()


def failed(visit: Visit, **job: Any) -> dict[str, Any]:
    """What is said of the job of this drive, once the drive is released and nothing of it is left."""
    visit.announce(**job).plug()
    released = visit.released()
    assert released["outcome"] == "failed"
    (event,) = visit.told("ingest.job.failed")
    assert event["text"] in released["text"]
    assert not visit.told("ingest.job.loaded")
    assert event["data_kept"] == job.get("keep_on_failure", False)
    assert event["data_kept"] or not visit.folder.exists()
    return event


def blocking(event: dict[str, Any]) -> list[tuple[str, str]]:
    """Code and subject of the findings that made the job fail."""
    return [(f["code"], f["subject"]) for f in event["findings"] if f["severity"] == "blocking"]


def sums(**given: str) -> bytes:
    return b"".join(f"{digest}  {name}.enc\n".encode() for name, digest in given.items())


# -- checksums -------------------------------------------------------------------------------------


def test_a_checksum_that_the_notice_gives_and_the_file_has_not(quay: Station) -> None:
    items = [{"name": "north.enc", "sha256": OTHER_SUM}, {"name": "south.enc"}]
    event = failed(Visit(quay, FILES), items=items)
    assert blocking(event) == [("checksum-mismatch", "volume-1/north.enc")]
    (finding,) = [f for f in event["findings"] if f["code"] == "checksum-mismatch"]
    assert finding["evidence"] == {
        "algorithm": "sha256",
        "expected": OTHER_SUM,
        "found": hashlib.sha256(NORTH).hexdigest(),
    }
    assert (event["cause"], event["observations"]) == ("data", 2)


def test_a_checksum_list_on_the_drive_that_is_not_borne_out(quay: Station) -> None:
    listing = sums(north=hashlib.sha256(NORTH).hexdigest(), south=OTHER_SUM)
    event = failed(Visit(quay, {**FILES, b"SHA256SUMS": listing}))
    assert blocking(event) == [("checksum-mismatch", "volume-1/south.enc")]
    assert "SHA256SUMS" in event["text"]


def test_a_list_of_another_kind_that_is_not_borne_out(quay: Station) -> None:
    north, other = hashlib.md5(NORTH).hexdigest(), hashlib.md5(b"?").hexdigest()
    event = failed(Visit(quay, {**FILES, b"MD5SUMS": sums(north=north, south=other)}))
    assert blocking(event) == [("checksum-mismatch", "volume-1/south.enc")]
    assert "The MD5 of volume-1/south.enc is not the one that" in event["text"]
    (finding,) = [f for f in event["findings"] if f["code"] == "checksum-mismatch"]
    south = hashlib.md5(SOUTH).hexdigest()
    assert finding["evidence"] == {"algorithm": "md5", "expected": other, "found": south}


def test_a_checksum_list_that_names_a_file_which_is_not_there(quay: Station) -> None:
    event = failed(Visit(quay, {**FILES, b"transect.sha256": sums(west=OTHER_SUM)}))
    assert blocking(event) == [("listed-file-missing", "volume-1/transect.sha256")]
    assert "west.enc" in event["text"]


# -- requirements ----------------------------------------------------------------------------------


def test_an_archive_that_is_not_encrypted(quay: Station) -> None:
    event = failed(Visit(quay, {b"north.enc": NORTH, b"books.txt": PLAIN}))
    assert blocking(event) == [("not-encrypted", "volume-1/books.txt")]
    assert event["cause"] == "requirement"


def test_an_item_that_is_missing(quay: Station) -> None:
    event = failed(Visit(quay, {b"north.enc": NORTH}), items=ITEMS)
    assert blocking(event) == [("item-missing", "south.enc")]


def test_an_item_that_lies_in_a_folder_is_named(quay: Station) -> None:
    event = failed(Visit(quay, {b"north.enc": NORTH, b"archives/south.enc": SOUTH}), items=ITEMS)
    assert blocking(event) == [("item-not-in-root", "south.enc")]
    assert "volume-1/archives/south.enc" in event["text"]


def test_an_item_whose_name_differs_in_case_is_for_a_person_and_loaded_then(quay: Station) -> None:
    visit = Visit(quay, {b"north.enc": NORTH, b"South.ENC": SOUTH}).announce(items=ITEMS).plug()
    held = visit.wait_told("ingest.load.held")
    assert "on the drive is South.ENC" in held["text"]
    assert quay.ingestd("lift", visit.bay, "--decision", "accept").returncode == 0
    assert visit.released()["outcome"] == "loaded"
    assert [path.name for path in quay.archive.rglob("South.ENC")] == ["South.ENC"]


def test_an_item_of_another_size_than_announced(quay: Station) -> None:
    items = [{"name": "north.enc", "size_bytes": len(NORTH) + 1}, {"name": "south.enc"}]
    event = failed(Visit(quay, FILES), items=items)
    assert blocking(event) == [("item-wrong-size", "north.enc")]
    assert "400,000 bytes; 400,001 were announced" in event["text"]


def test_a_drive_with_nothing_on_it(quay: Station) -> None:
    event = failed(Visit(quay, {b"lost+found/x": b"?"}))
    assert blocking(event) == [("nothing-to-load", "drive")]


def test_names_that_are_reserved_for_receipts(quay: Station) -> None:
    event = failed(Visit(quay, {b"north.enc": NORTH, b".ingest/x.sha256": b"0"}))
    assert ("reserved-name", "drive") in blocking(event)


def test_a_volume_that_is_not_there(quay: Station) -> None:
    visit = Visit(quay, None).announce()
    visit.plug(volumes=[{"path": "nowhere"}])
    assert visit.released()["outcome"] == "failed"
    (event,) = visit.told("ingest.job.failed")
    assert (event["findings"][0]["code"], event["observations"]) == ("no-readable-volume", 2)


def test_all_that_is_wrong_is_told_at_once(quay: Station) -> None:
    items = [{"name": "north.enc", "size_bytes": 7}, {"name": "south.enc"}, {"name": "books.txt"}]
    event = failed(Visit(quay, {b"north.enc": NORTH, b"books.txt": PLAIN}), items=items)
    assert sorted(blocking(event)) == [
        ("item-missing", "south.enc"),
        ("item-wrong-size", "north.enc"),
        ("not-encrypted", "volume-1/books.txt"),
    ]
    assert "2 more" in event["text"]
    assert all(f["remedy_customer"] and f["remedy_floor"] for f in event["findings"])


# -- what stays in the store -----------------------------------------------------------------------


def test_what_a_failed_load_stored_stays_when_the_job_says_so(quay: Station) -> None:
    items = [{"name": "north.enc"}, {"name": "south.enc", "sha256": OTHER_SUM}]
    visit = Visit(quay, FILES)
    failed(visit, items=items, keep_on_failure=True)
    assert tree(visit.folder) == {b"north.enc": NORTH}
    assert not list(quay.archive.glob(".ingest-parts/*"))


def test_what_lies_beside_the_destination_is_left_alone(quay: Station) -> None:
    visit = Visit(quay, FILES)
    visit.folder.mkdir(parents=True)
    (visit.folder / "notes.txt").write_text("put here by somebody else")
    items = [{"name": "north.enc"}, {"name": "south.enc", "sha256": OTHER_SUM}]
    visit.announce(items=items).plug()
    assert visit.released()["outcome"] == "failed"
    assert tree(visit.folder) == {b"notes.txt": b"put here by somebody else"}


def two_drives(station: Station) -> None:
    """A job of a good drive, which is in bay-1, and another one that will fail."""
    station.write_drive("KELP-1", {b"north.enc": NORTH})
    station.write_drive("KELP-2", {b"books.txt": PLAIN})
    station.announce("TW-2041", "KELP-1", "KELP-2")
    station.plug("bay-1", "KELP-1")
    station.start()
    assert station.wait_released("KELP-1")["outcome"] == "loaded"


def test_one_drive_that_fails_takes_back_what_the_others_stored(station: Station) -> None:
    two_drives(station)
    station.plug("bay-2", "KELP-2")
    assert station.wait_released("KELP-2")["outcome"] == "failed"
    assert station.wait_released("KELP-1", count=2)["outcome"] == "withdrawn"
    wait_for(lambda: not (station.archive / TENANT).exists(), what="the store empty again")
    assert not station.told("ingest.job.loaded")


def test_the_same_after_a_restart_with_the_first_drive_gone(station: Station) -> None:
    two_drives(station)
    station.pull("bay-1")
    wait_for(lambda: station.load("KELP-1") is None, what="the bay empty")
    assert station.stop() == 0
    station.plug("bay-2", "KELP-2")
    station.start()
    assert station.wait_released("KELP-2")["outcome"] == "failed"
    wait_for(lambda: not (station.archive / TENANT).exists(), 5.0, "the store empty again")
