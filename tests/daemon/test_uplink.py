"""The budget of a running daemon: what changes it, and how soon that counts for what is on its way."""

from __future__ import annotations

import os
import signal
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import Station, sealed, wait_for

KB, MB = 1_000, 1_000_000
SLOW, FAST = 100 * KB, 4 * MB
SETTINGS: dict[str, dict[str, Any]] = {
    "uplink": {"rate_bytes_per_second": SLOW, "burst_bytes": 70 * KB},
    "transfer": {"buffer_bytes": 65_536, "buffers": 8},
}


def stored(station: Station) -> int:
    """How many bytes have reached the store, whether as parts or as whole files."""
    total = 0
    for folder, _, names in os.walk(station.archive):
        for name in names:
            total += (Path(folder) / name).stat().st_blocks * 512
    return total


def rate_within(station: Station, seconds: float) -> float:
    began, before = time.monotonic(), stored(station)
    time.sleep(seconds)
    return (stored(station) - before) / (time.monotonic() - began)


def begin(station: Station, *serials: str) -> None:
    for number, serial in enumerate(serials, start=1):
        station.write_drive(serial, {b"dive.tar.enc": sealed(30 * MB, number)})
        station.announce(f"TW-{serial}", serial)
        station.plug(f"bay-{number}", serial)
    before = stored(station)
    wait_for(lambda: stored(station) > before + 100 * KB, what="the first bytes")


@pytest.fixture
def busy(make_station: MakeStation) -> Station:
    """A station with a load on its way, at a low cap."""
    station = make_station(**SETTINGS)
    station.start()
    begin(station, "KELP-0071")
    return station


def say(station: Station, name: str, **data: Any) -> None:
    station.drop(station.notice("ingest.uplink.set", data, name), name)


def with_rate(station: Station, rate: int) -> None:
    settings = {**SETTINGS, "uplink": {**SETTINGS["uplink"], "rate_bytes_per_second": rate}}
    station.configure(**settings)
    station.signal(signal.SIGHUP)


def cap(station: Station) -> dict[str, Any]:
    picture = station.picture()
    assert picture is not None
    return dict(picture["uplink"]["cap"])


# A second for the change to count, and what is in the buffers and bursts, on a busy machine.
def assert_slow(station: Station) -> None:
    time.sleep(1.0)
    assert rate_within(station, 2.0) < 3 * SLOW


def assert_fast(station: Station) -> None:
    time.sleep(1.0)
    assert rate_within(station, 1.0) > FAST / 3


def test_a_changed_configuration_changes_the_rate_of_a_running_load_within_a_second(busy: Station) -> None:
    assert rate_within(busy, 1.0) < 3 * SLOW
    with_rate(busy, FAST)
    assert_fast(busy)
    with_rate(busy, SLOW)
    assert_slow(busy)


def test_a_message_changes_the_rate_of_a_running_load_within_a_second_and_ends_by_itself(
    busy: Station,
) -> None:
    until = datetime.fromtimestamp(time.time() + 3.5, UTC).isoformat().replace("+00:00", "Z")
    say(busy, "fast", rate_bytes_per_second=FAST, until=until)
    assert_fast(busy)
    assert cap(busy)["source"] == "message"
    time.sleep(2.0)
    assert_slow(busy)
    assert cap(busy) == {**cap(busy), "source": "configuration", "rate_bytes_per_second": SLOW}


def test_a_message_without_a_cap_gives_the_word_back_to_the_configuration(busy: Station) -> None:
    say(busy, "fast", rate_bytes_per_second=FAST)
    wait_for(lambda: cap(busy)["source"] == "message", what="the cap of the message")
    say(busy, "back")
    wait_for(lambda: cap(busy)["source"] == "configuration", what="the configured cap")
    assert_slow(busy)


def test_a_limit_of_a_bay_leaves_the_line_to_the_others(make_station: MakeStation) -> None:
    station = make_station(**{**SETTINGS, "uplink": {"rate_bytes_per_second": 2 * MB}})
    station.start()
    begin(station, "KELP-0071", "KELP-0072")
    say(station, "limit", bays={"bay-1": 65_536})
    slow, fast = station.wait_phase("KELP-0071", "loading"), station.wait_phase("KELP-0072", "loading")
    before = slow["ledger"]["arrived_bytes"], fast["ledger"]["arrived_bytes"]
    time.sleep(4.0)
    slow, fast = station.load("KELP-0071") or {}, station.load("KELP-0072") or {}
    assert slow["ledger"]["arrived_bytes"] - before[0] < 2 * MB
    assert fast["ledger"]["arrived_bytes"] - before[1] > 4 * MB
    status = station.ingestd("status").stdout
    assert "limits: bay bay-1 65.5 kB/s (some set by a message)" in status


def test_the_timetable_moves_on_while_a_load_is_running(
    make_station: MakeStation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock is put to shortly before two in the morning in London, in summer."""
    shift = tmp_path / "shift"
    monkeypatch.setenv("SHIFT_FILE", str(shift))
    two_in_the_morning = datetime(2026, 6, 3, 1, tzinfo=UTC).timestamp()

    def put_clock(seconds_before: float) -> None:
        shift.write_text(str(two_in_the_morning - seconds_before - time.time()))

    put_clock(600)
    station = make_station(**{**SETTINGS, "uplink": {**SETTINGS["uplink"], "time_zone": "Europe/London"}})
    entry = f'begins = "02:00"\nends = "03:00"\nrate_bytes_per_second = {FAST}\n'
    station.config.write_text(f"{station.config.read_text()}[[uplink.timetable]]\n{entry}")
    station.program = ("-m", "tests.support.shifted_clock")
    station.start()
    begin(station, "KELP-0071")
    assert cap(station)["source"] == "configuration"
    put_clock(1.0)
    time.sleep(1.0)
    assert_fast(station)
    assert cap(station)["entry"] == "every day 02:00-03:00 Europe/London"
    # A clock that is put right is right at once, backwards too.
    put_clock(600)
    assert_slow(station)
    assert [line["rate_bytes_per_second"] for line in station.lines("uplink_changed")] == [SLOW, FAST, SLOW]
