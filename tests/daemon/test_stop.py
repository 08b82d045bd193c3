"""Signals: a stop that loses nothing, a second one that does not wait, a reload."""

from __future__ import annotations

import fcntl
import signal
import threading
import time
from pathlib import Path

import pytest

from ingestd.runtime.status import is_running, running
from tests.daemon.conftest import MakeStation
from tests.support import counting
from tests.support.daemon import TENANT, Station, sealed, tree, wait_for

KB = 1_000
SLOW = 400 * KB
"""Bytes per second at which the load of these tests takes about five seconds."""

BUFFERS, BUFFER_BYTES = 4, 65_536
FILES = {b"long.enc": sealed(1_600_000, 1)} | {b"day/%d.enc" % n: sealed(20_000, n) for n in range(20)}


@pytest.fixture
def busy(make_station: MakeStation) -> Station:
    """A station in the middle of a load."""
    station = make_station(**settings())
    station.program = counting.PROGRAM
    station.write_drive("KELP-0071", FILES)
    station.announce("TW-2041", "KELP-0071")
    station.plug("bay-1", "KELP-0071")
    station.start()
    wait_for(lambda: len(counting.sent(station.root)) > 6, what="some parts sent")
    return station


def settings(rate: int | None = SLOW, **more: dict[str, object]) -> dict[str, dict[str, object]]:
    return {
        "station": {"loads_max": 2},
        "transfer": {"buffers": BUFFERS, "buffer_bytes": BUFFER_BYTES, "senders": 2},
        "uplink": {"rate_bytes_per_second": rate} if rate else {},
        **more,
    }


def in_full(station: Station) -> bool:
    return tree(station.archive / TENANT / "TW-2041") == FILES


# -- stopping --------------------------------------------------------------------------------------


def test_an_idle_daemon_stops_at_once(station: Station) -> None:
    station.start()
    station.signal(signal.SIGINT)
    assert station.wait_end(5.0) == 0
    assert station.lines("station_stopped")[-1]["in_time"] is True


def test_a_stop_in_mid_load_is_quick_and_what_was_sent_is_not_sent_again(busy: Station) -> None:
    began = time.monotonic()
    assert busy.stop(10.0) == 0
    assert time.monotonic() - began < 10.0
    before = counting.sent(busy.root)
    assert not in_full(busy)
    busy.configure(**settings(rate=None))
    busy.start()
    assert busy.wait_released("KELP-0071")["outcome"] == "loaded"

    assert in_full(busy)
    assert len(before) > 6
    assert counting.sent_again_bytes(counting.sent(busy.root)) <= BUFFERS * BUFFER_BYTES
    assert busy.told("ingest.load.away") == []


def test_a_second_signal_does_not_wait_and_loses_nothing(busy: Station) -> None:
    began = time.monotonic()
    busy.signal(signal.SIGTERM)
    busy.signal(signal.SIGINT)
    assert busy.wait_end(5.0) in (128 + signal.SIGTERM, 128 + signal.SIGINT)
    assert time.monotonic() - began < 2.0, "far less than a stop may take"
    assert "second signal, stopping at once" in busy.logged
    busy.configure(**settings(rate=None))
    busy.start()
    assert busy.wait_released("KELP-0071")["outcome"] == "loaded"
    assert in_full(busy)


def test_a_stop_publishes_what_was_decided(station: Station) -> None:
    station.start()
    for number in range(50):
        station.drop(b"no JSON", f"broken-{number}")
    wait_for(lambda: list((station.spool / "refused").iterdir()), what="the first refusal")
    assert station.stop() == 0
    taken = len(list((station.spool / "refused").glob("*.json")))
    assert len(station.events("ingest.notice.refused")) == taken > 0


# -- reloading -------------------------------------------------------------------------------------


def reload(station: Station, line: str) -> dict[str, object]:
    """Have the configuration read again; the log's line about it."""
    before = len(station.lines(line))
    station.signal(signal.SIGHUP)
    lines = wait_for(lambda: station.lines(line)[before:], 5.0, f"{line} in the log")
    return lines[0]


def test_a_reload_takes_over_the_cap_while_a_load_is_running(busy: Station) -> None:
    busy.configure(**settings(rate=50_000 * KB))
    began = time.monotonic()
    assert reload(busy, "reloaded")["changed"] == ["uplink.rate_bytes_per_second"]
    busy.wait_released("KELP-0071")
    assert time.monotonic() - began < 3.0
    wait_for(lambda: (busy.picture() or {})["uplink_bytes_per_second"] == 50_000 * KB, what="the new cap")


def test_a_reload_takes_over_the_requirements(station: Station) -> None:
    station.write_drive("PRESS-33", {b"books.txt": b"In the margin, in another hand.\n" * 4000})
    station.start()
    station.configure(requirements={"not-encrypted": "noted"})
    assert reload(station, "reloaded")["changed"] == ["requirements"]
    station.announce("AP-0077", "PRESS-33")
    station.plug("bay-3", "PRESS-33")
    assert station.wait_released("PRESS-33")["outcome"] == "loaded"
    assert [f["code"] for f in station.told("ingest.job.loaded")[0]["findings"]] == ["not-encrypted"]


def test_a_reload_says_what_it_has_taken_over_and_which_keys_take_a_restart(station: Station) -> None:
    station.start()
    station.configure(bus={"poll_every_seconds": 0.5}, transfer={"buffers": 32}, logs={"level": "debug"})
    line = reload(station, "reload_needs_restart")
    assert line["keys"] == ["bus.poll_every_seconds", "transfer.buffers"]
    (line,) = wait_for(lambda: station.lines("reloaded"), what="the reload")
    assert line["changed"] == ["logs.level"]
    station.drop(b"no JSON", "broken")
    wait_for(lambda: station.lines("event_decided"), what="a line at debug")


def test_a_reload_of_a_broken_file_changes_nothing_and_says_so(busy: Station) -> None:
    busy.config.write_text(busy.config.read_text().replace('"quay-03"', '"quay-03"\nlodas_max = 3'))
    problems = reload(busy, "reload_refused")["problems"]
    assert problems == ["station.lodas_max: is not a known key; did you mean loads_max?"]
    time.sleep(0.2)
    assert (busy.picture() or {})["uplink_bytes_per_second"] == SLOW
    assert busy.stop() == 0


def test_a_reload_refuses_what_contradicts_the_keys_that_stay(station: Station) -> None:
    station.configure(**settings())
    station.start()
    # Valid after a restart; but until then there are 4 buffers and 2 senders.
    station.configure(
        station={"loads_max": 6},
        transfer={"buffers": 8, "senders": 8},
        uplink={"rate_bytes_per_second": 70 * KB},
    )
    problems = reload(station, "reload_refused")["problems"]
    assert isinstance(problems, list)
    assert any("4 buffers cannot give each of 6 loads" in problem for problem in problems)
    time.sleep(0.2)
    assert not station.lines("reloaded")


# -- the cap over restarts -------------------------------------------------------------------------


def cap(station: Station) -> object:
    picture = station.picture()
    assert picture is not None
    return picture["uplink_bytes_per_second"]


def set_by_message(station: Station, rate: int) -> None:
    data = {"rate_bytes_per_second": rate, "burst_bytes": None}
    station.drop(station.notice("ingest.uplink.set", data, f"uplink-{rate}"), f"uplink-{rate}")
    wait_for(lambda: cap(station) == rate, what="the cap that the message sets")


def start_again(station: Station) -> object:
    """The cap after a restart."""
    assert station.stop() == 0
    station.start()
    return cap(station)


def test_a_cap_set_by_message_lasts_until_the_configured_one_changes(station: Station) -> None:
    station.configure(uplink={"rate_bytes_per_second": 100 * KB})
    station.start()
    assert cap(station) == 100 * KB
    set_by_message(station, 300 * KB)
    assert start_again(station) == 300 * KB
    station.configure(uplink={"rate_bytes_per_second": 200 * KB})
    reload(station, "reloaded")
    wait_for(lambda: cap(station) == 200 * KB, what="the configured cap")
    assert start_again(station) == 200 * KB
    # Also when it changes while the daemon is down.
    station.configure(uplink={"rate_bytes_per_second": 400 * KB})
    assert start_again(station) == 400 * KB


# -- one daemon at a time --------------------------------------------------------------------------


def test_a_second_daemon_is_refused_and_the_status_tells_whether_there_is_one(station: Station) -> None:
    never = station.ingestd("status")
    assert (never.returncode, "no daemon has run in" in never.stderr) == (1, True)
    station.start()
    second = station.ingestd("run")
    assert second.returncode == 1
    assert second.stderr == f"ingestd: another ingestd is running in {station.state}\n"
    assert station.ingestd("status").returncode == 0
    assert station.stop() == 0
    down = station.ingestd("status")
    assert down.returncode == 1
    assert "station quay-03: NOT RUNNING; this is what it knew" in down.stdout


def test_who_looks_at_the_status_does_not_keep_a_daemon_from_starting(tmp_path: Path) -> None:
    with (tmp_path / "running.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_SH)
        threading.Timer(0.2, fcntl.flock, (lock, fcntl.LOCK_UN)).start()
        with running(str(tmp_path)):
            assert is_running(str(tmp_path))


def test_half_written_pictures_of_a_daemon_that_was_killed_go(station: Station) -> None:
    left = station.state / ".status.json.4242.tmp"
    left.write_text("{")
    station.start()
    assert not left.exists()
