"""Trouble with a drive: it costs its own bay only, and the daemon's stop no time."""

from __future__ import annotations

import signal
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, tree, wait_for
from tests.support.hung import HungVolume, hung_volume, needs_fuse

FILES = {b"north.enc": sealed(300_000, 1)}
_IMPATIENT = """
import sys
from ingestd.runtime import watched
watched.LOOP_HUNG_S = 0.0
from ingestd.runtime.cli import main
sys.exit(main())
"""
NOT_LOOKED_INTO = {"not-encrypted": "off", "encryption-uncertain": "off"}


# -- drives that cannot be opened ------------------------------------------------------------------


def test_a_card_that_cannot_be_understood_is_tried_again_and_says_why(station: Station) -> None:
    bay = station.bays / "bay-1"
    bay.mkdir()
    (bay / "drive.json").write_text('{"serial": 7}')
    station.start()

    def reason() -> str:
        loads = (station.picture() or {"loads": []})["loads"]
        return str(loads[0]["reason"]) if loads else ""

    wait_for(lambda: "is not valid: serial" in reason(), what="the reason in the status")
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"


def test_a_drive_swapped_for_another_in_mid_load_is_never_read_as_it(make_station: MakeStation) -> None:
    station = make_station(uplink={"rate_bytes_per_second": 1_000_000}, transfer={"buffer_bytes": 65_536})
    for number in (1, 2):
        station.write_drive(f"KELP-{number}", {b"same.enc": sealed(1_200_000, number)})
        station.announce(f"TW-{number}", f"KELP-{number}")
    station.plug("bay-1", "KELP-1")
    station.start()
    wait_for(lambda: list(station.archive.glob(".ingest-parts/*")), what="a file on its way")
    station.plug("bay-1", "KELP-2")
    station.wait_told("ingest.load.away", job_id="TW-1")
    station.plug("bay-2", "KELP-1")
    for number in (1, 2):
        assert station.wait_released(f"KELP-{number}")["outcome"] == "loaded"
        stored = tree(station.archive / TENANT / f"TW-{number}")
        assert stored == {b"same.enc": sealed(1_200_000, number)}


def test_the_bays_folder_may_go_away_and_come_back(station: Station) -> None:
    station.write_drive("KELP-0071", FILES)
    station.plug("bay-1", "KELP-0071")
    station.start()
    station.wait_told("ingest.load.held")
    station.bays.rename(station.root / "away")
    wait_for(lambda: station.lines("drive_enumeration_failed"), what="the log to say so")
    (station.root / "away").rename(station.bays)
    wait_for(lambda: station.lines("drive_enumeration_works_again"), what="the log to say so")
    station.announce("TW-2041", "KELP-0071")
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"


def test_bays_that_cannot_be_looked_at_at_the_start_are_not_taken_for_empty(
    make_station: MakeStation,
) -> None:
    station = make_station(uplink={"rate_bytes_per_second": 100_000})
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    station.start()
    station.wait_phase("KELP-0071", "loading")
    station.kill()
    station.bays.rename(station.root / "away")
    station.start()
    problems = wait_for(lambda: (station.picture() or {}).get("problems"), what="the problem shown")
    assert problems[0].startswith("the bays cannot be looked at: ")
    assert len(station.lines("drive_enumeration_failed")) == 1
    (station.root / "away").rename(station.bays)
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"
    assert station.events("ingest.load.away") == []


def test_a_start_that_waits_for_the_bays_is_not_hung_and_says_what_it_waits_for(
    make_station: MakeStation,
) -> None:
    station = make_station(metrics={"listen": "127.0.0.1:0"})
    # No time at all, so that a verdict about a loop that has not begun would be there at once.
    station.program = ("-c", _IMPATIENT)
    station.bays.rmdir()
    station.start()
    (served,) = wait_for(lambda: station.lines("metrics_served")[-1:], what="the port")
    wait_for(lambda: station.lines("drive_enumeration_failed"), what="the log to say so")

    def ask(path: str) -> tuple[int, str]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{served['port']}{path}", timeout=30) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()

    assert ask("/livez") == (200, "alive\n")
    status, why = ask("/readyz")
    assert status == 503
    assert "the bays cannot be looked at: " in why
    stalled = 'ingestd_thread_stalled{thread="loop"} '
    wait_for(lambda: stalled in ask("/metrics")[1], what="the first picture")
    assert f"{stalled}0.0" in ask("/metrics")[1]
    # The same limit, once the loop runs, is passed.
    station.bays.mkdir()
    wait_for(lambda: ask("/livez")[0] == 503, what="a verdict about the loop that runs")


def test_a_stop_works_while_the_bays_cannot_be_looked_at(station: Station) -> None:
    station.bays.rmdir()
    station.start()
    wait_for(lambda: station.lines("drive_enumeration_failed"), what="the log to say so")
    began = time.monotonic()
    assert station.stop() == 0
    assert time.monotonic() - began < 5
    assert station.lines("station_stopped")[-1]["in_time"] is True


# -- a read that never comes back ------------------------------------------------------------------


@contextmanager
def hanging(make_station: MakeStation, **settings: dict[str, object]) -> Iterator[tuple[Station, HungVolume]]:
    """A station with a load that hangs in the kernel, reading one of two files."""
    station = make_station(**settings)
    files = {b"a-fine.enc": sealed(200_000, 1), b"b-hangs.enc": sealed(500_000, 2)}
    station.announce("TW-1", "DYING-1", requirements=NOT_LOOKED_INTO)
    station.plug("bay-1", "DYING-1")
    try:
        with hung_volume(station.root / "drives" / "DYING-1", files, hang=b"b-hangs.enc") as volume:
            station.start()
            assert volume.hanging.wait(20), "nobody reads the file that hangs"
            yield station, volume
    finally:
        # Only now that the volume is gone can whoever still hangs be ended for certain.
        station.end()


@pytest.mark.slow
@needs_fuse
def test_a_read_that_hangs_costs_its_own_bay_only(make_station: MakeStation) -> None:
    with hanging(make_station, drives={"read_stall_seconds": 1.0}) as (station, _):
        station.write_drive("KELP-0071", FILES)
        station.announce("TW-2041", "KELP-0071")
        station.plug("bay-2", "KELP-0071")
        assert station.wait_released("KELP-0071")["outcome"] == "loaded"
        words = "read-stalled: a read has not come back for 1 seconds"
        wait_for(lambda: (station.load("DYING-1") or {}).get("reason") == words, what="the reason")
        failed = station.wait_told("ingest.job.failed")
        assert [finding["code"] for finding in failed["findings"]] == ["drive-unreadable"]
        assert failed["observations"] == 2
        assert station.wait_released("DYING-1")["outcome"] == "failed"
        assert not (station.archive / TENANT / "TW-1").exists()
        assert station.stop() == 0


@needs_fuse
def test_a_stop_does_not_wait_for_a_read_that_hangs(make_station: MakeStation) -> None:
    with hanging(make_station, station={"stop_within_seconds": 1.0}) as (station, _):
        began = time.monotonic()
        assert station.stop(10.0) == 0
        assert time.monotonic() - began < 1.0 + 2.0 + 1.0, "and a second for a machine that is busy"
        assert station.lines("station_stopped")[-1]["in_time"] is False


@needs_fuse
def test_a_second_signal_ends_a_stop_that_waits(make_station: MakeStation) -> None:
    with hanging(make_station) as (station, _):
        station.signal(signal.SIGTERM)
        wait_for(lambda: station.lines("stop_asked_for"), what="the stop begun")
        time.sleep(0.3)
        began = time.monotonic()
        station.signal(signal.SIGTERM)
        assert station.wait_end(5.0) == 128 + signal.SIGTERM
        assert time.monotonic() - began < 2.0, "far less than a stop may take"


def test_waiting_for_the_uplink_is_not_taken_for_a_read_that_hangs(make_station: MakeStation) -> None:
    station = make_station(
        drives={"read_stall_seconds": 1.0},
        uplink={"rate_bytes_per_second": 100_000},
        transfer={"buffers": 8, "buffer_bytes": 262_144},
    )
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    station.start()
    assert station.wait_released("KELP-0071")["outcome"] == "loaded"
    assert not station.lines("effect_given_up")
