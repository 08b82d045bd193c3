"""A harbour in a storm: what can go wrong does, in any order, and in the end all is as it should be.

On demand: `INGESTD_TEST_STORM_S=300 INGESTD_TEST_SEED=7 tests/run tests/daemon/real_storm.py -s`.

Two stations with a daemon each share a broker, the jobs and a bucket behind a proxy. Drives come and go and
come back elsewhere; daemons are stopped and killed, so is the broker; the store is busy, breaks answers off
or is gone; jobs are amended and withdrawn; people lift holds. Then the weather clears, every drive that is
not done with is plugged in again, and what was stored, told and kept is compared with what was written.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from ingestd.store import s3_listing
from ingestd.store.s3 import S3Store
from tests.daemon.test_s3_daemon import data, on_bucket
from tests.support import s3_servers
from tests.support.broker import VirtualHost
from tests.support.daemon import TENANT, Station, sealed, wait_for
from tests.support.fault_proxy import FaultProxy, at_random
from tests.support.quayside import Quayside
from tests.support.told import complaints

STORM_S = float(os.environ.get("INGESTD_TEST_STORM_S", "60"))
SEED = int(os.environ.get("INGESTD_TEST_SEED", "2041"))
CLEARS_WITHIN_S = 300.0

BAYS = [f"bay-{number}" for number in range(1, 5)]
LINE_FAULTS = ("delay", "reset", "busy", "error", "late error", "truncated", "lost answer", "error in 200")

pytestmark = pytest.mark.timeout(STORM_S + CLEARS_WITHIN_S + 300)


@dataclass
class Order:
    """A job, and what its drives really have on them."""

    job_id: str
    drives: dict[str, dict[bytes, bytes]]
    plain: bool
    """One file is not encrypted: it has to fail."""
    version: int = 1
    withdrawn: bool = False
    where: dict[str, tuple[Station, str]] = field(default_factory=dict)
    """Station and bay of the drives that are plugged in."""


class Storm:
    """The harbour and its weather."""

    def __init__(self, quayside: Quayside, proxy: FaultProxy, chance: random.Random) -> None:
        self.quayside = quayside
        self.proxy = proxy
        self.chance = chance
        self.orders: list[Order] = []
        self.stations: list[Station] = list(quayside.stations)
        self.node = quayside.host.broker.node()
        self.done = Counter[str]()
        self.broker_down = False

    # -- what happens ------------------------------------------------------------------------------

    def blow(self, seconds: float) -> None:
        acts: list[tuple[int, Callable[[], None]]] = [
            (14, self.order),
            (30, self.plug),
            (10, self.pull),
            (3, self.kill),
            (1, self.stop),
            (2, self.broker),
            (4, self.weather),
            (3, self.withdraw),
            (3, self.amend),
            (4, self.lift),
            (1, self.hang_up),
        ]
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            (act,) = self.chance.choices([act for _, act in acts], [weight for weight, _ in acts])
            act()
            time.sleep(self.chance.uniform(0.02, 0.2))
            for station in self.stations:
                station.picture()
                assert station.running, f"the daemon has ended by itself; the log is {station.log}"

    def order(self) -> None:
        if self.broker_down:
            return
        number = len(self.orders)
        plain = self.chance.random() < 0.15
        serials = [f"S{number:03}{letter}" for letter in "AB"[: self.chance.choice((1, 1, 2))]]
        drives = {serial: self._files(number * 10 + n) for n, serial in enumerate(serials)}
        if plain:
            drives[serials[0]][b"plain.txt"] = b"so that anybody can read it\n" * 900
        order = Order(f"TW-{number:04}", drives, plain)
        for station in self.stations:
            for serial, files in drives.items():
                station.write_drive(serial, files)
        self.quayside.announce(order.job_id, *serials)
        self.orders.append(order)
        self.done["order"] += 1

    def _files(self, seed: int) -> dict[bytes, bytes]:
        sizes = [
            self.chance.choice((30_000, 70_000, 400_000, 6_000_000))
            for _ in range(self.chance.randrange(1, 9))
        ]
        return {
            b"day %d/line-%d.enc" % (n % 3, n): sealed(size, seed * 100 + n) for n, size in enumerate(sizes)
        }

    def plug(self) -> None:
        free = [
            (station, bay)
            for station in self.stations
            for bay in BAYS
            if not (station.bays / bay / "drive.json").exists()
        ]
        out = [
            (order, serial) for order in self.orders for serial in order.drives if serial not in order.where
        ]
        if free and out:
            order, serial = self.chance.choice(out[-8:])
            self._plug(order, serial, *self.chance.choice(free))

    def _plug(self, order: Order, serial: str, station: Station, bay: str) -> None:
        station.plug(bay, serial)
        order.where[serial] = (station, bay)
        self.done["plug"] += 1

    def pull(self) -> None:
        plugged = [(order, serial) for order in self.orders for serial in order.where]
        if plugged:
            order, serial = self.chance.choice(plugged)
            station, bay = order.where.pop(serial)
            station.pull(bay)
            self.done["pull"] += 1

    def kill(self) -> None:
        station = self.chance.choice(self.stations)
        station.kill()
        self.done["kill"] += 1
        time.sleep(self.chance.choice((0.0, 0.0, 0.3, 7.0)))
        station.start(wait=False)

    def stop(self) -> None:
        station = self.chance.choice(self.stations)
        status = station.stop(within_s=90)
        # A daemon that has hardly begun ends by the signal itself.
        assert status in (0, -signal.SIGTERM), f"{status}; the log is {station.log}"
        station.start(wait=False)
        self.done["stop"] += 1

    def broker(self) -> None:
        if self.broker_down:
            self.node.start()
            host = self.quayside.host
            wait_for(lambda: host.broker.has(host.name), what="the queues")
        else:
            self.node.kill()
            self.done["broker killed"] += 1
        self.broker_down = not self.broker_down

    def weather(self) -> None:
        kind = self.chance.choice(("calm", "calm", "gusts", "dark", "slow"))
        self.done[kind] += 1
        if kind == "gusts":
            self.proxy.choose = at_random(self.chance.randrange(1 << 30), 0.15, LINE_FAULTS)
        else:
            fault = {"calm": None, "dark": "reset", "slow": "delay"}[kind]
            self.proxy.choose = lambda seen: fault

    def withdraw(self) -> None:
        known = [order for order in self.orders if not order.withdrawn]
        if known and not self.broker_down and self.chance.random() < 0.5:
            order = self.chance.choice(known)
            self.quayside.withdraw(order.job_id)
            order.withdrawn = True
            self.done["withdraw"] += 1

    def amend(self) -> None:
        known = [order for order in self.orders if not order.withdrawn]
        if known and not self.broker_down:
            order = self.chance.choice(known)
            order.version += 1
            priority = self.chance.randrange(1, 9)
            self.quayside.announce(order.job_id, *order.drives, version=order.version, priority=priority)
            self.done["amend"] += 1

    def lift(self) -> None:
        held = [
            (station, load["bay"])
            for station in self.stations
            for load in (station.picture() or {"loads": []})["loads"]
            if load["phase"] == "held" and load["bay"]
        ]
        if held:
            station, bay = self.chance.choice(held)
            station.ingestd("lift", bay, "--by", "ines", "--decision", "again")
            self.done["lift"] += 1

    def hang_up(self) -> None:
        station = self.chance.choice(self.stations)
        if station.picture() is not None:  # one that has hardly begun would end by it, as any program
            station.signal(signal.SIGHUP)
            self.done["hang up"] += 1

    # -- and clears --------------------------------------------------------------------------------

    def clear(self) -> None:
        """Calm weather, everybody at work, and whatever is not done with plugged in until it is."""
        self.proxy.choose = lambda seen: None
        if self.broker_down:
            self.broker()
        for order in self.orders:
            for serial in list(order.where):
                station, bay = order.where.pop(serial)
                station.pull(bay)
        until = time.monotonic() + CLEARS_WITHIN_S
        while left := self._left():
            assert time.monotonic() < until, f"not done: {[(o.job_id, s, self._about(s)) for o, s in left]}"
            self._turn(left)
            time.sleep(0.5)

    def _left(self) -> list[tuple[Order, str]]:
        """Drives of orders that have not ended."""
        ended = self.ended()
        return [
            (order, serial)
            for order in self.orders
            if order.job_id not in ended and not order.withdrawn
            for serial in order.drives
        ]

    def ended(self) -> dict[str, list[str]]:
        """The ends that were told of each job."""
        found: dict[str, list[str]] = {}
        for event in self.quayside.events():
            if event["type"] in ("ingest.job.loaded", "ingest.job.failed"):
                found.setdefault(event["data"]["job_id"], []).append(event["type"].rpartition(".")[2])
        return found

    def _turn(self, left: list[tuple[Order, str]]) -> None:
        wanted = {serial for _, serial in left}
        for order in self.orders:
            for serial, (station, bay) in list(order.where.items()):
                load = station.load(serial)
                over = load is None or load["phase"] == "released"
                if serial not in wanted or (over and (station.bays / bay).exists()):
                    order.where.pop(serial)
                    station.pull(bay)
                elif load is not None and load["phase"] == "held":
                    station.ingestd("lift", bay, "--by", "ines", "--decision", "again")
        for order, serial in left:
            if serial not in order.where:
                self._plug_anywhere(order, serial)

    def _plug_anywhere(self, order: Order, serial: str) -> None:
        for station in self.chance.sample(self.stations, len(self.stations)):
            for bay in BAYS:
                if not (station.bays / bay / "drive.json").exists():
                    self._plug(order, serial, station, bay)
                    time.sleep(1.0)
                    return

    def _about(self, serial: str) -> list[Any]:
        loads = [station.load(serial) for station in self.stations]
        return [(load["phase"], load.get("hold"), load.get("text")) for load in loads if load]


@pytest.fixture
def quayside(tmp_path: Path, virtual_host: VirtualHost) -> Iterator[Quayside]:
    quayside = Quayside(tmp_path, virtual_host)
    yield quayside
    quayside.end()


SETTINGS: dict[str, Any] = {
    "station": {"loads_max": 3, "progress_every_seconds": 0.5},
    "transfer": {"buffers": 8, "buffer_bytes": 1_048_576, "senders": 6},
    "uplink": {"rate_bytes_per_second": 8_000_000},
    "logs": {"format": "json"},
}


def test_after_a_storm_all_is_as_it_should_be(quayside: Quayside) -> None:
    chance = random.Random(SEED)
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        stores = []
        for name in ("quay-03", "quay-05"):
            settings = {
                **SETTINGS,
                "station": {**SETTINGS["station"], "name": name, "report_every_seconds": 1.0},
            }
            station = quayside.station(name, **settings)
            assert station.stop() == 0
            stores.append(on_bucket(station, proxy.url, f"storm-{SEED}"))
            station.start()
        storm = Storm(quayside, proxy, chance)
        storm.blow(STORM_S)
        storm.clear()
        print(dict(storm.done), Counter(end for ends in storm.ended().values() for end in ends))
        settled(storm)
        judge(storm, stores[0])


def settled(storm: Storm) -> None:
    """Every load is over, or waits for nothing but a drive or a person."""

    def at_rest() -> bool:
        loads = [load for station in storm.stations for load in (station.picture() or {"loads": []})["loads"]]
        return all(load["phase"] in ("released", "held", "away") for load in loads)

    wait_for(at_rest, 120, "rest")


def judge(storm: Storm, store: S3Store) -> None:
    ends, stored = storm.ended(), data(store)
    of_job = {order.job_id: _below(stored, store, order.job_id) for order in storm.orders}
    for order in storm.orders:
        told, there = ends.get(order.job_id, []), of_job[order.job_id]
        if order.plain or not told:
            # A job that has failed and is amended may be tried again, and fails again.
            assert len(told) <= order.version and set(told) <= {"failed"}, f"{order.job_id}: {told}"
            assert told or order.withdrawn, order.job_id
            assert there == {}, order.job_id
        else:
            assert told == ["loaded"], f"{order.job_id}: {told}"
            assert there == _expected(order), order.job_id
    assert sum(map(len, of_job.values())) == len(stored), "nothing is there that nobody ordered"
    for station in storm.stations:
        # An upload whose beginning was never answered is found by the next start.
        assert station.stop() == 0
        station.start()
    wait_for(lambda: not _unfinished(store), what="the end of uploads that nobody goes on with")
    for station in storm.stations:
        source = station.root.name
        said = [event for event in storm.quayside.events() if event["source"].endswith(source)]
        assert complaints(said, station.seen) == []
        lines = list(station.log_lines())
        assert not [line for line in lines if line["event"].endswith("_broke") or line["level"] == "critical"]
        assert not [line for line in lines if line["event"] == "core_broke_again"]


def _unfinished(store: S3Store) -> list[str]:
    top = store._settings.prefix + "/"
    found = [each.key for each in s3_listing.uploads(store._client, top)]
    return [key for key in found if "/.ingest" not in key]


def _below(stored: dict[str, bytes], store: S3Store, job_id: str) -> dict[str, bytes]:
    top = f"{store._settings.prefix}/{TENANT}/{job_id}/"
    return {key.removeprefix(top): body for key, body in stored.items() if key.startswith(top)}


def _expected(order: Order) -> dict[str, bytes]:
    several = len(order.drives) > 1
    return {
        (f"drive-{number}/" if several else "") + name.decode(): body
        for number, files in enumerate(order.drives.values(), 1)
        for name, body in files.items()
    }
