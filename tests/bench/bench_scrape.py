"""What a scrape takes, and what the daemon takes that has nothing to do.

    python -m tests.bench.bench_scrape [--jobs 100000] [--loads 16] [--scrapes 50] [--idle-seconds 20]

The real daemon with so many pending jobs, and drives that are being loaded slowly: scrapes one after the
other, over HTTP. Before that an idle daemon's share of a core, and its resident memory.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
import urllib.request
from pathlib import Path

from tests.support.daemon import Station, sealed, wait_for


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=100_000)
    parser.add_argument("--loads", type=int, default=16)
    parser.add_argument("--scrapes", type=int, default=50)
    parser.add_argument("--idle-seconds", type=float, default=20.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="quay-", dir="/dev/shm") as folder:
        idle(Path(folder) / "idle", options.idle_seconds)
        busy(Path(folder) / "busy", options.jobs, options.loads, options.scrapes)


def idle(root: Path, seconds: float) -> None:
    root.mkdir()
    station = Station(root, bus={"poll_every_seconds": 0.1}, drives={"poll_every_seconds": 0.25})
    station.start()
    try:
        time.sleep(3)
        before = cpu_seconds(station)
        time.sleep(seconds)
        share = (cpu_seconds(station) - before) / seconds
        print(f"idle:   {100 * share:5.2f} % of a core, {resident_mib(station):.0f} MiB resident")
    finally:
        station.end()


def busy(root: Path, jobs: int, loads: int, scrapes: int) -> None:
    root.mkdir()
    station = Station(
        root,
        station={"loads_max": loads},
        uplink={"rate_bytes_per_second": 4_000_000},
        transfer={"buffers": 2 * loads, "senders": loads},
        metrics={"listen": "127.0.0.1:0"},
    )
    for number in range(loads):
        station.write_drive(f"KQX-{number}", {b"reef.enc": sealed(64 << 20, number)})
        station.announce(f"TS-{number}", f"KQX-{number}", due_at="2030-01-01T00:00:00Z")
    for number in range(jobs):
        station.announce(f"TS-{1000 + number}", f"KQY-{number}", due_at="2030-01-01T00:00:00Z")
    station.start()
    try:
        wait_for(lambda: (station.picture() or {}).get("jobs_pending", 0) >= jobs, 900, "the jobs")
        for number in range(loads):
            station.plug(f"bay-{number}", f"KQX-{number}")
        for number in range(loads):
            station.wait_phase(f"KQX-{number}", "loading", within_s=120)
        (served,) = station.lines("metrics_served")
        taken = []
        for _ in range(scrapes):
            began = time.perf_counter()
            with urllib.request.urlopen(f"http://127.0.0.1:{served['port']}/metrics", timeout=30) as answer:
                size = len(answer.read())
            taken.append(time.perf_counter() - began)
            time.sleep(0.2)
        milliseconds = [1000 * each for each in taken]
        print(
            f"scrape: {statistics.median(milliseconds):.1f} ms median, {max(milliseconds):.1f} ms at most of "
            f"{scrapes}, {size / 1000:.0f} kB; {jobs} pending jobs, {loads} loads; "
            f"{resident_mib(station):.0f} MiB resident"
        )
    finally:
        station.end()


def cpu_seconds(station: Station) -> float:
    assert station.process is not None
    fields = Path(f"/proc/{station.process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100


def resident_mib(station: Station) -> float:
    assert station.process is not None
    text = Path(f"/proc/{station.process.pid}/status").read_text()
    return int(next(x for x in text.splitlines() if x.startswith("VmRSS:")).split()[1]) / 1024


if __name__ == "__main__":
    main()
