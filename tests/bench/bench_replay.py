"""How long a new station takes to read all pending notices from the broker, and what it takes in memory.

    python -m tests.bench.bench_replay [--notices 100000]

The daemon is the real one, as a process, with its journal; the notices each announce a job with one drive
and one item. Then, in this process, how long it takes to find the job of a drive among as many.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import pika

from ingestd.bus import codec
from ingestd.core import station as core
from ingestd.core.drive import DriveFacts, DriveIdentity
from ingestd.core.limits import Limits
from ingestd.core.matching import Found, match
from ingestd.core.messages import JobAnnounced
from tests.support.broker import VirtualHost, running_broker
from tests.support.daemon import wait_for
from tests.support.quayside import Quayside, SharingStation

WITHIN_S = 300.0


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--notices", type=int, default=100_000)
    count = parser.parse_args().notices
    with (
        tempfile.TemporaryDirectory() as at,
        tempfile.TemporaryDirectory() as root,
        running_broker(Path(at)) as broker,
    ):
        host = broker.virtual_host()
        publish(host, count)
        quayside = Quayside(Path(root), host)
        try:
            replay(quayside, count)
        finally:
            quayside.end()
    find(count)


def notice(number: int) -> bytes:
    return json.dumps(
        {
            "specversion": "1.0",
            "id": f"order-{number}",
            "source": "/orders",
            "type": "ingest.job.announced",
            "data": {
                "job_id": f"TW-{number:06}",
                "version": 1,
                "tenant": "tidewrack-survey",
                "drives": [{"serial": serial(number), "capacity_bytes": 4_000_787_030_016}],
                "items": [{"name": f"reef-{number:06}.tar.age", "size_bytes": 1_832_519_379_627}],
                "destination": {"store": "archive", "prefix": f"tidewrack-survey/TW-{number:06}"},
            },
        }
    ).encode()


def serial(number: int) -> str:
    return f"HQ{number:06}"


def publish(host: VirtualHost, count: int) -> None:
    """Unconfirmed, for speed; the stream is asked afterwards whether all of them are there."""
    properties = pika.BasicProperties(content_type="application/cloudevents+json", delivery_mode=2)
    with host.channel() as channel:
        for number in range(count):
            channel.basic_publish("ingest.notices", "", notice(number), properties)
    wait_for(lambda: _depth(host) >= count, 120, "the notices in the stream")


def _depth(host: VirtualHost) -> int:
    with host.channel() as channel:
        return int(channel.queue_declare("ingest.notices", passive=True).method.message_count)


def replay(quayside: Quayside, count: int) -> None:
    began = time.monotonic()
    station = quayside.station("quay-03")
    wait_for(lambda: _pending(station) >= count, WITHIN_S, "all jobs known")
    took_s = time.monotonic() - began
    print(f"{count:,} notices, from the start of the daemon until all are pending: {took_s:.1f} s")
    print(f"processor time of the daemon then: {_processor_s(station):.1f} s")
    print(
        f"memory of the daemon then: {_memory(station, 'VmRSS')} MiB, at most {_memory(station, 'VmHWM')} MiB"
    )


def _pending(station: SharingStation) -> int:
    picture: dict[str, Any] | None = station.picture()
    station.seen.clear()
    return int(picture["jobs_pending"]) if picture is not None else 0


def _processor_s(station: SharingStation) -> float:
    assert station.process is not None
    fields = Path(f"/proc/{station.process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _memory(station: SharingStation, name: str) -> int:
    assert station.process is not None
    lines = Path(f"/proc/{station.process.pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) // 1024 for line in lines if line.startswith(name))


def find(count: int) -> None:
    station = core.empty(Limits(station="quay-03", stores=("archive",)))
    for number in range(count):
        decoded = codec.decode(notice(number), at=1e9, station="quay-03")
        assert isinstance(decoded.notice, JobAnnounced)
        station = core.step(station, decoded.notice).station
    times = []
    for number in range(0, count, max(1, count // 200)):
        facts = DriveFacts(identity=DriveIdentity(serial=serial(number)), interface="usb3")
        began = time.perf_counter()
        found = match(facts, station.jobs, station.index, at=1e9)
        times.append(time.perf_counter() - began)
        assert isinstance(found, Found)
    print(f"a drive's job found among {count:,}: at most {max(times) * 1e3:.2f} ms of {len(times)} looks")


if __name__ == "__main__":
    main()
