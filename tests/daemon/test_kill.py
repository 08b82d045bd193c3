"""kill -9 at random moments: nothing is lost, nothing is told twice, next to nothing is sent twice.

As often as `INGESTD_TEST_KILLS` says, 12 times by default; `INGESTD_TEST_SEED` chooses other moments.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path

import pytest

from tests.daemon.conftest import MakeStation
from tests.support import counting
from tests.support.daemon import TENANT, Station, checked, files_now, sealed, tree, wait_for
from tests.support.drives import (
    ROOT_ONLY,
    make_image,
    mounts_at,
    plug_image,
    unplug_all,
    unplug_image,
    windows_over,
)

KILLS = int(os.environ.get("INGESTD_TEST_KILLS", "12"))
KILLS_WITH_LOOPS = max(6, KILLS // 2)
SEED = int(os.environ.get("INGESTD_TEST_SEED", "2041"))

BUFFERS, BUFFER_BYTES = 8, 262_144
MB = 1_000_000


@pytest.fixture
def fast_folder() -> Iterator[Path]:
    """Where syncs cost little, so that kills fall between them and not only into them."""
    folder = Path(
        tempfile.mkdtemp(prefix="ingestd-kill.", dir="/dev/shm" if os.path.isdir("/dev/shm") else None)
    )
    yield folder
    for point in mounts_at(folder):
        subprocess.run(["umount", "--lazy", point], check=False)
    unplug_all(folder / "bays")
    shutil.rmtree(folder)


def mixed_files(chance: random.Random, count: int = 300) -> dict[bytes, bytes]:
    """Files from nothing to 30 MB: mostly small, some of several parts, one of many."""
    sizes = [0, 1, 15, BUFFER_BYTES, BUFFER_BYTES + 1, 30 * MB, 12 * MB, 7 * MB]
    sizes += [chance.randrange(1 * MB, 3 * MB) for _ in range(8)]
    sizes += [chance.randrange(60_000) for _ in range(count - len(sizes))]
    chance.shuffle(sizes)
    return {b"day-%d/line %03d.enc" % (n % 7, n): sealed_or_less(size, n) for n, size in enumerate(sizes)}


def sealed_or_less(size: int, seed: int) -> bytes:
    return sealed(size, seed)[:size]


def settings(rate: int, **more: Mapping[str, object]) -> dict[str, Mapping[str, object]]:
    return {
        "station": {"loads_max": 2, "progress_every_seconds": 0.2},
        "transfer": {"buffers": BUFFERS, "buffer_bytes": BUFFER_BYTES, "senders": 4},
        "uplink": {"rate_bytes_per_second": rate},
        "requirements": {"not-encrypted": "off", "encryption-uncertain": "off"},
        **more,
    }


def slowness(station: Station) -> float:
    """How much slower than a quiet machine this one is, on which a program of ours begins in 0.6 s."""
    began = time.monotonic()
    assert station.ingestd("schema").returncode == 0
    return max(1.0, (time.monotonic() - began) / 0.6)


def kill_often(station: Station, chance: random.Random, times: int, slow: float = 1.0) -> None:
    """Start the daemon and kill it at some moment, again and again, its own start included."""
    for _ in range(times):
        station.start(wait=False)
        time.sleep(chance.uniform(0.05, 2.0 * slow))
        assert station.running, f"the daemon has ended by itself; the log is {station.log}"
        station.kill()


def ends_right(station: Station, files: Mapping[bytes, bytes]) -> None:
    station.start()
    assert station.wait_released("KELP-0071", within_s=60)["outcome"] == "loaded"
    assert station.stop() == 0
    folder = station.archive / TENANT / "TW-2041"
    assert tree(folder) == files
    (manifest,) = (folder / ".ingest").glob("*.sha256")
    assert checked(folder, manifest) == []
    (receipt,) = station.told("ingest.job.loaded")[0]["receipts"]
    assert receipt["stored_bytes"] == sum(map(len, files.values()))


def all_told_once(station: Station) -> None:
    """What the journal decided to say is what was published, in that order, and all of it is marked so."""
    with sqlite3.connect(f"file:{station.state}/journal/journal.db?mode=ro", uri=True) as sql:
        decided = sql.execute("SELECT event_id, sent FROM outbox ORDER BY sequence").fetchall()
    sql.close()
    assert [event["id"] for event in station.events()] == [event_id for event_id, _ in decided]
    assert all(sent for _, sent in decided)
    for kind in ("ingest.load.started", "ingest.job.loaded", "ingest.drive.released"):
        assert len(station.events(kind)) == 1, kind


def has_files(folder: Path, count: int) -> bool:
    return len(files_now(folder, ".enc")) >= count


def nothing_left(station: Station) -> None:
    """No part of a file, and no temporary file, wherever the daemon writes."""
    left = list(station.archive.glob(".ingest-parts/*"))
    for folder in (station.state, station.spool):
        left += [path for path in folder.rglob("*") if path.name.endswith(".tmp")]
    left += list((station.state / "scratch").iterdir())
    assert left == []


@pytest.mark.slow
def test_killed_again_and_again_the_load_ends_right(fast_folder: Path, make_station: MakeStation) -> None:
    chance = random.Random(SEED)
    files = mixed_files(chance)
    size = sum(map(len, files.values()))
    # A life lasts a second on average, half of it or more taken by the start: most of the load falls into
    # these lives, and some of it is left for the last.
    station = make_station(fast_folder)
    slow = slowness(station)
    station.configure(**settings(rate=int(size / KILLS / slow)))
    station.program = counting.PROGRAM
    station.write_drive("KELP-0071", files)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    kill_often(station, chance, KILLS, slow)
    before_the_last = counting.sent(station.root)
    station.configure(**settings(rate=1_000 * MB))
    ends_right(station, files)

    all_told_once(station)
    nothing_left(station)
    sent = counting.sent(station.root)
    assert 0 < len(before_the_last) < len(sent), "the kills have missed the load"
    assert sum(length for _, _, length in set(sent)) == size
    # What lies in the buffers when the process dies, and no more, is sent once more.
    assert counting.sent_again_bytes(sent) <= KILLS * BUFFERS * BUFFER_BYTES


@pytest.mark.slow
def test_killed_while_it_takes_back_a_failed_load_nothing_is_left(
    fast_folder: Path, make_station: MakeStation
) -> None:
    chance = random.Random(SEED)
    files = {b"day/%03d.enc" % n: sealed(3_000, n) for n in range(400)} | {b"last.enc": sealed(2 * MB, 7)}
    items = [{"name": "day", "kind": "folder"}, {"name": "last.enc", "sha256": "0" * 64}]
    station = make_station(fast_folder, **settings(rate=2 * MB))
    station.write_drive("KELP-0071", files)
    station.announce("TW-2041", "KELP-0071", items=items)
    station.plug("bay-1", "KELP-0071")
    kill_often(station, chance, min(KILLS, 12) // 2)
    station.start()
    assert station.wait_released("KELP-0071", within_s=60)["outcome"] == "failed"
    assert station.stop() == 0
    assert tree(station.archive) == {}
    assert [path for path in station.archive.rglob("*") if path.name != ".ingest-parts"] == []
    assert len(station.events("ingest.job.failed")) == 1
    nothing_left(station)


@pytest.fixture(params=["batch", "complete"])
def dead(request: pytest.FixtureRequest, make_station: MakeStation) -> Station:
    """A station whose daemon died when the store had the first data of a job's first drive, all small
    files or one large one, and nothing had been recorded of it."""
    station = make_station(**settings(rate=100 * MB))
    station.program = counting.PROGRAM
    for serial in ("KELP-0071", "KELP-0072"):
        station.write_drive(serial, UNRECORDED[request.param])
    station.announce("TW-2041", "KELP-0071", "KELP-0072")
    station.plug("bay-1", "KELP-0071")
    (station.root / f"die-after-{request.param}").touch()
    station.start(wait=False)
    assert station.wait_end() == -signal.SIGKILL
    assert tree(station.archive) != {}
    return station


UNRECORDED = {
    "batch": {b"day/%d.enc" % n: sealed(3_000, n) for n in range(20)},
    "complete": {b"long.enc": sealed(600_000, 1)},
}


def test_what_nobody_recorded_is_found_again_and_the_load_ends_right(dead: Station) -> None:
    dead.plug("bay-2", "KELP-0072")
    dead.start()
    for serial in ("KELP-0071", "KELP-0072"):
        assert dead.wait_released(serial)["outcome"] == "loaded"
    folder = dead.archive / TENANT / "TW-2041"
    assert len(tree(folder)) in (2, 40)
    for manifest in (folder / ".ingest").glob("*.sha256"):
        assert checked(folder, manifest) == []


def test_what_nobody_recorded_is_taken_back_as_well(dead: Station) -> None:
    dead.pull("bay-1")
    dead.start()
    dead.withdraw("TW-2041")
    assert dead.wait_told("ingest.job.withdrawal-completed")["taken_back"] is True
    assert [path for path in dead.archive.rglob("*") if path.name != ".ingest-parts"] == []


@pytest.mark.slow
def test_withdrawn_between_two_kills_nothing_is_left(fast_folder: Path, make_station: MakeStation) -> None:
    """What a dead process stored without recording it goes too, for each drive of a job."""
    files = {b"day/%03d.enc" % n: sealed(3_000, n) for n in range(600)}
    station = make_station(fast_folder, **settings(rate=1 * MB))
    for serial in ("KELP-0071", "KELP-0072"):
        station.write_drive(serial, files)
    station.announce("TW-2041", "KELP-0071", "KELP-0072")
    station.plug("bay-1", "KELP-0071")
    station.plug("bay-2", "KELP-0072")
    for count in (1, 200):
        station.start()
        stored = partial(has_files, station.archive, count)
        wait_for(stored, what=f"{count} files stored")
        station.kill()
    station.withdraw("TW-2041")
    station.start()
    assert station.wait_told("ingest.job.withdrawal-completed")["taken_back"] is True
    assert station.stop() == 0
    assert [path for path in station.archive.rglob("*") if path.name != ".ingest-parts"] == []


@pytest.mark.slow
@pytest.mark.root
@pytest.mark.skipif(ROOT_ONLY[1].args[0], reason="needs root, loop devices and mkfs.ext4")
def test_killed_with_mounts_and_loop_devices_none_of_them_stays(
    fast_folder: Path, make_station: MakeStation
) -> None:
    chance = random.Random(SEED)
    files = {b"%03d.enc" % n: sealed_or_less(chance.randrange(200_000), n) for n in range(60)}
    files[b"long.enc"] = sealed(9 * MB, 1)
    station = make_station(fast_folder, **settings(rate=4 * MB, drives={"watch": "loop"}))
    image = make_image(
        station.bays / "bay-1" / "drive.img",
        {name.decode(): content for name, content in files.items()},
        size_mib=32,
    )
    before = image.read_bytes()
    device = plug_image(station.bays, "bay-1", serial="KELP-0071", wwn="0x3d5e7f90a1b2c3d4")
    station.announce("TW-2041", "KELP-0071")
    kill_often(station, chance, KILLS_WITH_LOOPS)
    station.configure(**settings(rate=1_000 * MB, drives={"watch": "loop"}))
    ends_right(station, files)
    all_told_once(station)
    nothing_left(station)
    assert mounts_at(station.state) == []
    assert windows_over(device) == []
    unplug_image(device)
    assert image.read_bytes() == before
