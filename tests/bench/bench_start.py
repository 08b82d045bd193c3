"""How long it takes from a matched drive appearing to its first byte being stored.

    python -m tests.bench.bench_start [--rounds N]

The whole daemon as a process, drives as folders, state and store in a temporary folder. The clock
starts when the drive card is renamed into the bay and stops when a file of the job's prefix, or a part
of one, has bytes.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

from tests.support.daemon import TENANT, Station, sealed, wait_for

SIZE_BYTES = 64 << 20


def _first_byte(station: Station, job_id: str) -> bool:
    places = (station.archive / ".ingest-parts", station.archive / TENANT / job_id)
    return any(p.stat().st_size for place in places if place.is_dir() for p in place.iterdir() if p.is_file())


def _round(station: Station, number: int) -> float:
    serial, job_id = f"KELP-{number:04}", f"TW-{number:04}"
    station.write_drive(serial, {b"transect.enc": sealed(SIZE_BYTES)})
    station.announce(job_id, serial)
    time.sleep(0.5)
    station.plug("bay-1", serial)
    began = time.monotonic()
    wait_for(lambda: _first_byte(station, job_id), what="the first byte")
    seconds = time.monotonic() - began
    station.wait_phase(serial, "released")
    station.pull("bay-1")
    wait_for(lambda: station.load(serial) is None, what="the empty bay")
    return seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=10)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory(prefix="ingestd-bench.") as folder:
        station = Station(Path(folder), drives={"poll_every_seconds": 0.25})
        station.start()
        try:
            seconds = sorted(_round(station, number) for number in range(rounds))
        finally:
            station.stop()
    print(f"matched drive appears to first byte stored, {rounds} rounds, {SIZE_BYTES >> 20} MiB file")
    print(f"  median {statistics.median(seconds):.3f} s   worst {seconds[-1]:.3f} s   aim: below 1 s")


if __name__ == "__main__":
    main()
