"""How much of a long line a load uses, with the settings that a station has by default.

    python -m tests.bench.bench_link [--mbit 1000] [--rtt-ms 50] [--seconds 20] [--senders N]

Only for root: the line is made by `tests/support/far_link.py`, between two network namespaces, in packets of
9,000 bytes. At its far end a sink takes everything. `whole`: bytes of the files over the time of the whole
load, from its first request to its last answer. `line`: what the line carried, headers included, in the best
stretch without the first two seconds and the last, in which connections find their speed or have no more to
do. Without a share of it, what a sender in a loop gets from one connection.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.support.far_link import FAR, FarLink

MIB = 1 << 20


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mbit", type=int, default=1000)
    parser.add_argument("--rtt-ms", type=float, nargs="+", default=[50])
    parser.add_argument("--seconds", type=float, default=20, help="about how long each load takes")
    parser.add_argument("--senders", type=int)
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        load(*args.child)
        return
    rate = args.mbit * 125_000
    print(f"{args.mbit} Mbit/s; load average {os.getloadavg()[0]:.1f}")
    print(f"  {'':<42}{'MB/s':>8}{'whole':>8}{'line':>8}")
    for rtt_ms in args.rtt_ms:
        for title, file_bytes in (("one file", int(rate * args.seconds)), ("files of 64 KiB", 64 << 10)):
            on_a_line(f"{title}, {rtt_ms:g} ms", rate, rtt_ms / 1000, file_bytes, args)


def on_a_line(title: str, rate: int, rtt_s: float, file_bytes: int, args: argparse.Namespace) -> None:
    total = int(rate * args.seconds)
    folder = Path(tempfile.mkdtemp(prefix="quay-03-", dir="/dev/shm"))
    try:
        write(folder / "volume-1", total, file_bytes)
        with FarLink(rate, rtt_s / 2) as line:
            sink = subprocess.Popen(
                line.far(sys.executable, "-m", "tests.bench.s3_sink", "--at", FAR),
                stdout=subprocess.PIPE,
                text=True,
            )
            assert sink.stdout is not None
            url = f"http://{FAR}:{sink.stdout.readline().strip()}"
            command = [sys.executable, "-m", "tests.bench.bench_link", "--child", url, str(folder)]
            loading = subprocess.Popen(
                line.near(*command, str(args.senders or 0)),
                stdout=subprocess.PIPE,
                text=True,
                env={**os.environ, "AWS_ACCESS_KEY_ID": "quay", "AWS_SECRET_ACCESS_KEY": "harrow"},
            )
            carried = watch(line, loading)
            assert loading.stdout is not None
            took = json.loads(loading.stdout.read())["s"]
            sink.kill()
            sink.communicate()
    finally:
        shutil.rmtree(folder)
    print(
        f"  {title:<42}{total / took / 1e6:>8.1f}{total / took / rate:>8.3f}{carried / rate:>8.3f}",
        flush=True,
    )


def write(folder: Path, total: int, file_bytes: int) -> None:
    folder.mkdir()
    block = os.urandom(min(file_bytes, MIB))
    for number in range(max(1, total // file_bytes)):
        with (folder / f"{number:07}").open("wb") as out:
            left = file_bytes
            while left:
                left -= out.write(block[:left])


def watch(line: FarLink, loading: subprocess.Popen[str]) -> float:
    """Bytes per second that came out of the line while the load was under way."""
    seen = []
    while loading.poll() is None:
        seen.append((time.monotonic(), received(line)))
        time.sleep(0.25)
    busy = [each for each in seen if seen[0][1] < each[1] < seen[-1][1]]
    first = next(each for each in busy if each[0] > busy[0][0] + 2)
    last = next(each for each in reversed(busy) if each[0] < busy[-1][0] - 1)
    return (last[1] - first[1]) / (last[0] - first[0])


def received(line: FarLink) -> int:
    told = subprocess.run(line.far("cat", "/proc/net/dev"), check=True, capture_output=True, text=True).stdout
    (row,) = [each for each in told.splitlines() if each.strip().startswith("line:")]
    return int(row.split()[1])


def load(url: str, folder: str, senders: str) -> None:
    from tests.bench.bench_s3 import one_load, ours

    settings: dict[str, Any] = {"senders": int(senders)} if int(senders) else {}
    store = ours(url, signed=True, by_default=True)
    print(json.dumps(one_load(folder, store, **settings)))


if __name__ == "__main__":
    main()
