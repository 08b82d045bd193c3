"""`ingestd bench`: what it says, and that nothing of it stays."""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ingestd.ports import StoreUnreachable
from ingestd.runtime.commands.bench import size
from ingestd.runtime.measure import Bench, NoRoom
from ingestd.transfer.governor import Governor
from tests.daemon.conftest import MakeStation
from tests.support.daemon import Station, wait_for
from tests.support.fake_store import FakeStore

KB, MB = 1_000, 1_000_000


@pytest.fixture
def station(make_station: MakeStation) -> Station:
    return make_station(uplink={"rate_bytes_per_second": 5 * MB}, transfer={"buffer_bytes": 65_536})


def everything(station: Station) -> list[str]:
    """All files of the station, but those that it keeps anyway."""
    found = [
        str((Path(folder) / name).relative_to(station.root))
        for folder, _, names in os.walk(station.root)
        for name in names
    ]
    return sorted(name for name in found if name != "ingestd.toml")


def test_the_three_steps_are_measured_and_the_slowest_is_named(station: Station) -> None:
    done = station.ingestd("bench", "--store", "archive", "--size", "4MB")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].split() == ["STEP", "RATE", "TIME", "WHAT"]
    assert [line.split()[0] for line in lines[1:4]] == ["reading", "hashing", "uploading"]
    assert lines[4] == "a load to archive is limited by the cap of the uplink"
    assert max(map(len, lines)) <= 80
    assert everything(station) == []


def test_the_cap_is_kept_unless_it_is_to_be_ignored(station: Station) -> None:
    arguments = ("bench", "--store", "archive", "--size", "6MiB", "--json")
    kept = json.loads(station.ingestd(*arguments).stdout)
    assert (kept["cap_bytes_per_second"], kept["limit"]) == (5 * MB, "the cap of the uplink")
    assert kept["uploading"]["bytes"] == 6 << 20
    assert kept["uploading"]["bytes_per_second"] < 6 * MB
    free = json.loads(station.ingestd(*arguments, "--ignore-cap").stdout)
    assert free["cap_bytes_per_second"] is None
    assert free["limit"] in ("reading", "hashing", "uploading")
    assert everything(station) == []


def test_the_limit_of_the_store_is_kept_too(station: Station) -> None:
    """As loads to it keep it, in the configuration and as a running daemon has it."""
    station.configure(
        **{
            "uplink": {"rate_bytes_per_second": 50 * MB},
            "uplink.stores": {"archive": 6 * MB},
            "transfer": {"buffer_bytes": 65_536},
        }
    )
    arguments = ("bench", "--store", "archive", "--size", "3MB")
    told = station.ingestd(*arguments).stdout.splitlines()
    assert told[4] == "a load to archive is limited by the limit of that store"
    assert "and the store a limit of 6.0 MB/s" in " ".join(told)
    figures = json.loads(station.ingestd(*arguments, "--json").stdout)
    assert figures["cap_bytes_per_second"] == 6 * MB
    assert figures["uploading"]["bytes_per_second"] < 8 * MB
    station.start()
    station.drop(station.notice("ingest.uplink.set", {"stores": {"archive": 4 * MB}}, "slower"), "slower")

    def in_force() -> bool:
        picture = station.picture()
        return picture is not None and picture["uplink"]["stores"][0]["rate_bytes_per_second"] == 4 * MB

    wait_for(in_force, what="the limit to be in force")
    figures = json.loads(station.ingestd(*arguments, "--json").stdout)
    assert figures["cap_bytes_per_second"] == 4 * MB


def test_a_file_or_device_can_be_read_instead(station: Station, tmp_path: Path) -> None:
    drive = tmp_path / "drive.img"
    drive.write_bytes(bytes(3 * MB))
    drive.chmod(0o444)
    arguments = ("bench", "--store", "archive", "--size", "2MB", "--read-from", str(drive), "--json")
    told = json.loads(station.ingestd(*arguments).stdout)
    assert (told["reading"]["what"], told["reading"]["bytes"]) == (str(drive), 2 * MB)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_nothing_stays_of_one_that_is_interrupted(station: Station, number: int) -> None:
    station.configure(uplink={"rate_bytes_per_second": 100 * KB}, transfer={"buffer_bytes": 65_536})
    command = [sys.executable, "-m", "ingestd", "bench", "--store", "archive", "--size", "50MB"]
    with subprocess.Popen([*command, "--config", str(station.config)], stderr=subprocess.PIPE) as process:
        wait_for(lambda: everything(station), what="the first part")
        process.send_signal(number)
        _, errors = process.communicate(timeout=20)
    assert (process.returncode, errors) == (1, b"ingestd: interrupted; nothing is left behind\n")
    assert everything(station) == []


def test_an_unknown_store_is_refused(station: Station) -> None:
    unknown = station.ingestd("bench", "--store", "archiv")
    assert (unknown.returncode, unknown.stderr) == (2, "ingestd: no store is named archiv; known: archive\n")


@pytest.mark.parametrize("text", ["0", "fast", "10XB", "-3MB", ""])
def test_a_size_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="is not a size; write it as 500MB or 1GiB"):
        size(text)


def test_sizes_are_read_in_both_kinds_of_units() -> None:
    assert [size(text) for text in ("3", "2kB", "5 MB", "1GiB")] == [3, 2_000, 5_000_000, 1 << 30]


def test_a_store_that_fails_is_told_and_nothing_stays(station: Station) -> None:
    station.archive.rmdir()
    failed = station.ingestd("bench", "--store", "archive", "--size", "1MB")
    assert (failed.returncode, failed.stdout) == (1, "")
    assert "archive" in failed.stderr
    assert everything(station) == []


# -- against a store that fails halfway ------------------------------------------------------------


def bench(store: FakeStore, size: int = 1 << 20) -> Bench:
    return Bench(store=store, size_bytes=size, part_bytes=65_536, senders=3, governor=Governor())


def test_what_arrived_of_an_upload_that_fails_is_aborted() -> None:
    calls: list[str] = []

    def fail_late(call: str, *_: object) -> None:
        calls.append(call)
        if calls.count("put_part") > 5:
            raise StoreUnreachable("the line is cut")

    store = FakeStore(fault=fail_late)
    with pytest.raises(StoreUnreachable, match="the line is cut"):
        bench(store).upload("quay-03", bytes(32))
    assert (store.medium.objects, store.medium.uploads) == ({}, {})


def test_what_is_hashed_is_what_is_uploaded() -> None:
    store = FakeStore()
    measuring = bench(store, 300_001)
    hashed, sha256 = measuring.hash()
    assert (hashed.size_bytes, measuring.upload("quay-03", sha256).size_bytes) == (300_001, 300_001)
    assert store.objects == {}


def test_a_disk_without_room_is_told_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(NoRoom, match="has no room"):
        bench(FakeStore(), 1 << 60).read_scratch(str(tmp_path))
