"""The whole daemon against a bucket: loaded, killed in between, resumed, proved; withdrawn and taken back."""

from __future__ import annotations

import json
import time
from pathlib import Path

from ingestd.store import s3_listing
from ingestd.store.s3 import S3Store
from ingestd.store.s3_client import Request
from tests.support import s3_servers
from tests.support.daemon import Station, sealed, wait_for
from tests.support.fault_proxy import FaultProxy, Seen
from tests.support.visits import Visit

FILES = {
    b"north-transect.enc": sealed(13_000_000, 1),
    b"south-transect.enc": sealed(300_000, 2),
    b"logs/day \xff.enc": sealed(70_000, 3),
}
PART = 5_242_880


def on_bucket(station: Station, url: str, prefix: str) -> S3Store:
    """Let the station store into a bucket; that bucket, looked at from outside."""
    server = s3_servers.shared("moto")
    store = s3_servers.open_known(server, prefix=prefix)
    folder = f'[[stores]]\nname = "archive"\nfolder = "{station.archive}"\n'
    text = station.config.read_text()
    assert folder in text
    section = {
        "name": "archive",
        "kind": "s3",
        "bucket": "tides",
        "endpoint": url,
        "prefix": prefix,
        "credentials_file": str(store._settings.credentials_file),
        "part_bytes": PART,
        "dead_uploads_after_seconds": 0.0,
    }
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in section.items())
    station.config.write_text(text.replace(folder, "[[stores]]\n" + lines))
    return store


def data(store: S3Store) -> dict[str, bytes]:
    """What lies in the bucket below the prefix, but for the records."""
    client, top = store._client, store._settings.prefix + "/"
    keys = [each.key for each in s3_listing.objects(client, top) if "/.ingest" not in each.key]
    return {key: client.must(Request(method="GET", key=key)).body for key in keys}


def arrived(store: S3Store) -> int:
    """Parts of unfinished uploads that the bucket holds."""
    client, top = store._client, store._settings.prefix + "/"
    found = [s3_listing.parts(client, each.key, each.upload_id) for each in s3_listing.uploads(client, top)]
    return sum(len(parts) for parts in found if parts)


def bodies(store: S3Store) -> list[bytes]:
    return sorted(data(store).values(), key=len)


def test_a_drive_is_loaded_into_a_bucket_through_a_kill_and_taken_back_when_withdrawn(
    tmp_path: Path,
) -> None:
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        station = Station(
            tmp_path, transfer={"buffer_bytes": 1_048_576, "buffers": 8}, logs={"format": "json"}
        )
        store = on_bucket(station, proxy.url, "daemon")
        try:
            checked = station.ingestd("check")
            assert checked.returncode == 0, checked.stdout
            station.start()
            # The last part is held back, so that the kill comes in the middle of a file.
            proxy.choose = lambda seen: "busy" if "partNumber=3" in seen.target else None
            visit = Visit(station, FILES).announce().plug()

            def uploads() -> list[Seen]:
                return [seen for seen in proxy.seen if "partNumber=3" in seen.target]

            wait_for(lambda: uploads() and arrived(store) == 2, 60, "two parts, and one that is held back")
            station.kill()
            time.sleep(0.5)
            proxy.choose, sent_before = lambda seen: None, len(proxy.seen)
            station.start()
            assert visit.released()["outcome"] == "loaded"
            again = [seen.target for seen in proxy.seen[sent_before:] if seen.method == "PUT"]
            sent = {
                part for part in (1, 2, 3) if any(f"north-transect.enc?partNumber={part}" in t for t in again)
            }
            assert sent == {3}, "what the store has is not sent again, whether it was recorded or not"
            assert bodies(store) == sorted(FILES.values(), key=len)
            assert list(s3_listing.uploads(store._client, "daemon/")) == []
            assert list(s3_listing.objects(store._client, "daemon/.ingest-parts/")) == []

            withdrawn = Visit(station, FILES).announce()
            proxy.choose = lambda seen: "busy" if "partNumber=3" in seen.target else None
            withdrawn.plug()
            count = len(uploads())
            wait_for(lambda: len(uploads()) > count, 30, "a part of the second drive")
            station.withdraw(withdrawn.job_id)
            proxy.choose = lambda seen: None
            assert withdrawn.released()["outcome"] == "withdrawn"
            assert bodies(store) == sorted(FILES.values(), key=len)
            assert list(s3_listing.uploads(store._client, "daemon/")) == []
            assert "AKIA" not in station.log.read_text()
            assert s3_servers.shared("moto").secret_key not in station.log.read_text()
        finally:
            station.end()


def test_a_path_that_no_bucket_can_carry_fails_the_job_before_anything_is_sent(tmp_path: Path) -> None:
    """1,024 bytes is the most of a key (Amazon S3 User Guide, "Naming Amazon S3 objects"); each of these
    bytes takes three of them, since a listing in XML cannot carry it."""
    deep = b"/".join([b"\xff" * 200, b"\xfe" * 200, b"dive.enc"])
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        station = Station(tmp_path, logs={"format": "json"})
        store = on_bucket(station, proxy.url, "deep")
        try:
            station.start()
            visit = Visit(station, FILES | {deep: sealed(10_000, 4)}).announce().plug()
            assert visit.released()["outcome"] == "failed"
            failed = visit.wait_told("ingest.job.failed")
            (finding,) = [each for each in failed["findings"] if each["severity"] == "blocking"]
            assert (finding["code"], failed["observations"]) == ("path-out-of-bounds", 2)
            assert data(store) == {}
            assert not [seen for seen in proxy.seen if seen.method == "PUT"]
        finally:
            station.end()
