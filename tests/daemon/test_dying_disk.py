"""The whole daemon, with disks that fail and disks that hang beneath the file system."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, tree, wait_for
from tests.support.drives import attach, make_image, plug_image, unplug_image, write_card
from tests.support.nbd import NEEDS_NBD, SECTOR, that_hangs, with_bad_sectors
from tests.vmlab import find_sectors

pytestmark = list(NEEDS_NBD)

FILES = {f"line-{number}.enc": sealed(700_000 + number, number) for number in range(4)}
WORN, LAST = "line-2.enc", "line-3.enc"
NOT_LOOKED_INTO = {"not-encrypted": "off", "encryption-uncertain": "off"}


@contextmanager
def plugged(station: Station, bay: str, serial: str, disk: Any) -> Iterator[None]:
    """A drive whose image is laid over by `disk`, plugged into a bay."""
    at = station.bays / bay / "drive.img"
    at.parent.mkdir()
    with ExitStack() as stack:
        stack.enter_context(disk(at))
        write_card(at.parent, {"image": at.name, "serial": serial, "model": "Brinecroft 2T"})
        # Direct, or the page cache beneath the disk would make pages of its sectors.
        device = attach(at, "--direct-io=on")
        stack.callback(unplug_image, device)
        yield


def first_sector(image: Path, name: str) -> int:
    """Where a file's content begins; it lies in one piece on an image this empty."""
    ((first, _),) = find_sectors(image, FILES[name])
    return first


def ranges_of(failed: dict[str, Any]) -> list[str]:
    (finding,) = failed["findings"]
    assert finding["code"] == "file-unreadable"
    ranges: list[str] = finding["evidence"]["ranges"]
    return ranges


def test_unreadable_sectors_cost_the_file_they_are_under_and_nothing_else(
    make_station: MakeStation, tmp_path: Path
) -> None:
    station = make_station(drives={"watch": "loop"})
    image = make_image(tmp_path / "worn.img", FILES)
    first = first_sector(image, WORN)
    # Three sectors by themselves, and one more than half a megabyte on.
    bad = [(first + 101, 3), (first + 1200, 1)]
    station.announce("TW-1", "WORN-1")
    station.start()
    with plugged(station, "bay-1", "WORN-1", lambda at: with_bad_sectors(image, at, bad)):
        failed = station.wait_told("ingest.job.failed", job_id="TW-1")
        assert ranges_of(failed) == [f"{101 * SECTOR}+{3 * SECTOR} EIO", f"{1200 * SECTOR}+{SECTOR} EIO"]
        assert failed["findings"][0]["subject"] == f"volume-1/{WORN}"
        assert failed["observations"] == 2
        assert station.wait_released("WORN-1")["outcome"] == "failed"
        with sound_drive(station, "TW-2"):
            assert station.stop() == 0


def test_a_disk_that_never_answers_again_costs_its_own_bay_and_no_stop(
    make_station: MakeStation, tmp_path: Path
) -> None:
    station = make_station(drives={"watch": "loop", "read_stall_seconds": 1.0})
    # Far from what is read, and read ahead, to see what is on the drive.
    image = make_image(tmp_path / "hangs.img", {"a-filler.enc": sealed(8 << 20), **FILES}, size_mib=32)
    begin = first_sector(image, LAST) * SECTOR
    assert begin > 8 << 20
    station.announce("TW-1", "HANGS-1", requirements=NOT_LOOKED_INTO)
    with plugged(station, "bay-1", "HANGS-1", lambda at: _hanging(image, at, begin)):
        station.start()
        failed = station.wait_told("ingest.job.failed", job_id="TW-1", within_s=60)
        assert failed["observations"] == 2
        assert [finding["code"] for finding in failed["findings"]] == ["drive-unreadable"]
        assert {line["effect"] for line in station.lines("effect_given_up")} == {"transfer"}
        with sound_drive(station, "TW-2"):
            station.signal(signal.SIGTERM)
            stopped = wait_for(lambda: station.lines("station_stopped"), 15, "the stop")
            assert stopped[0]["in_time"] is True
        # Its work is done; the kernel alone keeps the process until the disk has answered.


@contextmanager
def _hanging(image: Path, at: Path, begin: int) -> Iterator[None]:
    with that_hangs(image, at, begin, begin + 400_000) as switch:
        switch.touch()
        try:
            yield
        finally:
            switch.unlink()


@contextmanager
def sound_drive(station: Station, job: str) -> Iterator[None]:
    """Another drive, plugged into bay-2 and loaded to the last byte."""
    station.announce(job, "SOUND-1")
    (station.bays / "bay-2").mkdir()
    make_image(station.bays / "bay-2" / "drive.img", FILES)
    device = plug_image(station.bays, "bay-2", serial="SOUND-1")
    try:
        assert station.wait_released("SOUND-1")["outcome"] == "loaded"
        stored = tree(station.archive / TENANT / job)
        assert stored == {name.encode(): body for name, body in FILES.items()}
        yield
    finally:
        unplug_image(device)
