"""What the daemon tells the service manager, over a real socket, and when it leaves the watchdog unfed."""

from __future__ import annotations

import os
import signal
import socket
import time
import urllib.request
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from ingestd.runtime.notify import Manager
from tests.daemon.conftest import MakeStation
from tests.daemon.test_trouble_drive import hanging
from tests.support import stuck
from tests.support.daemon import Station, sealed, wait_for
from tests.support.hung import needs_fuse

WATCHDOG_S = 3.0


class Ears:
    """The manager's end of the socket, and everything that was said."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address.replace("@", "\0", 1))
        self.said: list[tuple[float, str, str]] = []

    def listen(self, for_s: float = 0.0) -> None:
        until = time.monotonic() + for_s
        while True:
            self.socket.settimeout(max(0.0, until - time.monotonic()))
            try:
                message = self.socket.recv(8192).decode()
            except (TimeoutError, BlockingIOError):
                return
            for line in message.splitlines():
                name, _, value = line.partition("=")
                self.said.append((time.monotonic(), name, value))

    def of(self, name: str) -> list[str]:
        self.listen()
        return [value for _, named, value in self.said if named == name]

    def last(self, name: str) -> float | None:
        self.listen()
        return max((at for at, named, _ in self.said if named == name), default=None)


@pytest.fixture
def ears(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Ears]:
    address = str(tmp_path / "notify")
    made = Ears(address)
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    monkeypatch.setenv("WATCHDOG_USEC", str(int(WATCHDOG_S * 1e6)))
    yield made
    made.socket.close()


def test_the_manager_hears_of_a_start_a_load_a_reload_and_a_stop(station: Station, ears: Ears) -> None:
    station.write_drive("KQX-1", {b"tide.enc": sealed(200_000, 1)})
    station.start()
    wait_for(lambda: ears.of("READY") == ["1"], what="READY")
    wait_for(lambda: ears.of("STATUS"), what="a status")
    assert ears.of("STATUS")[0] == "no drives, 0 jobs pending"
    station.plug("bay-01", "KQX-1")
    station.wait_phase("KQX-1", "held")
    wait_for(lambda: ears.of("STATUS")[-1] == "1 held, 0 jobs pending", what="the hold")
    station.signal(signal.SIGHUP)
    wait_for(lambda: ears.of("READY") == ["1", "1"], what="READY again")
    assert len(ears.of("RELOADING")) == 1
    assert abs(int(ears.of("MONOTONIC_USEC")[0]) / 1e6 - time.monotonic()) < 10
    ears.listen(2 * WATCHDOG_S)
    fed = [at for at, name, _ in ears.said if name == "WATCHDOG"]
    assert max(b - a for a, b in pairwise(fed)) < WATCHDOG_S
    assert station.stop() == 0
    assert ears.of("STOPPING") == ["1"]
    assert int(ears.of("EXTEND_TIMEOUT_USEC")[-1]) >= 8_000_000


@pytest.mark.parametrize("place", stuck.PLACES)
def test_a_loop_that_stands_still_leaves_the_watchdog_unfed(
    make_station: MakeStation, ears: Ears, place: str
) -> None:
    station = make_station()
    station.program = stuck.command(place)
    station.start()
    wait_for(lambda: len(ears.of("WATCHDOG")) > 3, what="some food")
    (station.root / "stuck").touch()
    began = time.monotonic()
    # A manager kills what was not fed for WATCHDOG_S: so much later at most, and not before it is due.
    ears.listen(2 * WATCHDOG_S)
    last = ears.last("WATCHDOG")
    assert last is not None
    assert last - began < WATCHDOG_S
    assert station.running


@needs_fuse
def test_a_drive_that_hangs_keeps_nobody_from_being_fed_or_scraped(
    make_station: MakeStation, ears: Ears
) -> None:
    with hanging(make_station, metrics={"listen": "127.0.0.1:0"}) as (station, _):
        (served,) = wait_for(lambda: station.lines("metrics_served"), what="the port")
        station.wait_phase("DYING-1", "loading")
        taken = []
        until = time.monotonic() + 2.5 * WATCHDOG_S
        while time.monotonic() < until:
            began = time.monotonic()
            with urllib.request.urlopen(f"http://127.0.0.1:{served['port']}/metrics", timeout=5) as answer:
                assert b'ingestd_bay_phase{bay="bay-1",phase="loading"} 1.0' in answer.read()
            taken.append(time.monotonic() - began)
            ears.listen(0.2)
        fed = [at for at, name, _ in ears.said if name == "WATCHDOG"]
        assert time.monotonic() - fed[-1] < WATCHDOG_S
        assert max(b - a for a, b in pairwise(fed)) < WATCHDOG_S
        # The figure is the bench's (bench_scrape); this one is for a machine that does much else.
        assert sorted(taken)[len(taken) // 2] < 0.5


def test_nothing_is_told_where_nobody_listens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for address in ("", "relative", str(tmp_path / "gone"), str(tmp_path)):
        environment = {"NOTIFY_SOCKET": address}
        Manager(environment).ready()
        assert environment == {}


def test_names_in_the_abstract_namespace() -> None:
    address = f"@ingestd-test-{os.getpid()}"
    ears = Ears(address)
    Manager({"NOTIFY_SOCKET": address}).ready()
    ears.listen(1)
    assert ears.of("READY") == ["1"]
    ears.socket.close()


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({}, None),
    ],
)
def test_whose_watchdog_it_is(environment: dict[str, str], seconds: float | None) -> None:
    assert Manager(dict(environment)).watchdog_s == seconds
