"""How exactly the uplink budget is kept and shared, on this machine, in one run.

    python -m tests.bench.bench_uplink [--seconds 30] [--rates 20 200 800] [--loads 1 4 16]

Loads that always have something to send share a cap: of equal weight, and by weights of 1, 2, 4 and 9.
Each has two senders, which take from the governor in chunks and send them over a socket of the loopback to
a sink in a process of its own; nothing is read or hashed. Means and shares are of what the sink received,
windows of what was granted, at the moment of the grant: what lies in the kernel's buffers may be late.
Then: two loads beside one that has a tenth of its share to send, and what taking costs.
"""

from __future__ import annotations

import argparse
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from ingestd.core.bucket import default_burst_bytes
from ingestd.core.line import SITE
from ingestd.core.shares import Wish, max_min_shares
from ingestd.ports import Cancelled
from ingestd.transfer.governor import Governor
from tests.support.byte_path import Token

MB = 1_000_000
CHUNK_MAX = 256 << 10
SENDERS = 2
WARM_UP_S = 1.0
INF = float("inf")


@dataclass(frozen=True)
class Load:
    weight: int
    demand: float = INF


class NotingGovernor(Governor):
    """Notes when how much was granted to whom, under the governor's own lock."""

    def __init__(self, rate: int) -> None:
        self.grants: list[tuple[float, int]] = []
        super().__init__(rate)

    def _take_turn(self, flow: str, wanted: int, cancel: object) -> int:
        granted = super()._take_turn(flow, wanted, cancel)  # type: ignore[arg-type]
        self.grants.append((time.monotonic(), granted))
        return granted


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=30.0, help="length of each run, after a warm-up")
    parser.add_argument("--rates", type=int, nargs="+", default=[20, 200, 800], help="caps in MB/s")
    parser.add_argument("--loads", type=int, nargs="+", default=[1, 4, 16])
    args = parser.parse_args()
    print(f"{os.cpu_count()} processors, load average {os.getloadavg()[0]:.1f}")
    print(f"{'':36} mean/cap  window/max   Jain  shares  CPU")
    for rate in args.rates:
        for count in args.loads:
            run(f"{rate} MB/s, {count} equal", [Load(5)] * count, rate * MB, args.seconds)
            if count > 1:
                weighted = [Load((1, 2, 4, 9)[n % 4]) for n in range(count)]
                run(f"{rate} MB/s, {count} by weight", weighted, rate * MB, args.seconds)
        slow = [Load(5), Load(5), Load(5, rate * MB / 30)]
        run(f"{rate} MB/s, 3, one slow", slow, rate * MB, args.seconds)
    costs()


def run(title: str, loads: Sequence[Load], rate: int, seconds: float) -> None:
    governor, token, chunk = NotingGovernor(rate), Token(), min(CHUNK_MAX, rate // 400)
    with sink() as port:
        threads = [
            threading.Thread(target=send, args=(governor, str(number), load, port, token, chunk))
            for number, load in enumerate(loads)
            for _ in range(SENDERS)
        ]
        for number, load in enumerate(loads):
            governor.register(str(number), load.weight)
        for thread in threads:
            thread.start()
        time.sleep(WARM_UP_S)
        before, spent, began = counts(port), time.process_time(), time.monotonic()
        time.sleep(seconds)
        after, took = counts(port), time.monotonic() - began
        spent = time.process_time() - spent
        token.cancel()
        for thread in threads:
            thread.join()
    got = {name: (after[name] - before[name]) / took for name in after}
    tell(title, loads, rate, got, governor.grants, spent / (sum(got.values()) * took / MB))


def send(governor: Governor, flow: str, load: Load, port: int, token: Token, chunk: int) -> None:
    body, due = bytes(chunk), time.monotonic()
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(f"{flow:>8}".encode())
        try:
            while True:
                governor.take(flow, chunk, token)
                line.sendall(body)
                due = max(due, time.monotonic() - 0.1) + SENDERS * chunk / load.demand
                token.wait(max(0.0, due - time.monotonic()))
        except Cancelled:
            pass


# -- the sink -------------------------------------------------------------------------------------


@contextmanager
def sink() -> Iterator[int]:
    """A process that receives and counts, by load; its port."""
    command = [sys.executable, "-m", "tests.bench.bench_uplink", "sink"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.terminate()


def counts(port: int) -> dict[str, int]:
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(b"  counts")
        return dict(json.loads(line.makefile().readline()))


def be_sink() -> None:
    received: dict[str, int] = {}
    server = socket.create_server(("127.0.0.1", 0), backlog=128)
    print(server.getsockname()[1], flush=True)
    while True:
        line, _ = server.accept()
        name = line.recv(8, socket.MSG_WAITALL).decode().strip()
        if name == "counts":
            line.sendall(json.dumps(received).encode() + b"\n")
            line.close()
        else:
            received.setdefault(name, 0)
            threading.Thread(target=receive, args=(line, name, received), daemon=True).start()


def receive(line: socket.socket, name: str, received: dict[str, int]) -> None:
    buffer = bytearray(1 << 20)
    while got := line.recv_into(buffer):
        received[name] += got


# -- figures --------------------------------------------------------------------------------------


def tell(
    title: str,
    loads: Sequence[Load],
    rate: int,
    got: Mapping[str, float],
    grants: Sequence[tuple[float, int]],
    cpu_s_per_mb: float,
) -> None:
    wishes = {str(n): Wish(load.weight, load.demand, (SITE,)) for n, load in enumerate(loads)}
    fair = max_min_shares({SITE: float(rate)}, wishes)
    ratios = [got[name] / fair[name] for name in fair]
    window = max_window(sorted(grants), 1.0) / (rate + default_burst_bytes(rate))
    worst = max(abs(ratio - 1) for ratio in ratios)
    print(
        f"{title:<36} {sum(got.values()) / rate:8.4f}  {window:10.4f} {jain(ratios):6.4f} "
        f"{100 * worst:5.2f} %  {1e6 * cpu_s_per_mb:.0f} us/MB",
        flush=True,
    )


def max_window(grants: Sequence[tuple[float, int]], length_s: float) -> int:
    """The most that was granted in any window of this length."""
    worst = inside = first = 0
    for at, size in grants:
        inside += size
        while at - grants[first][0] > length_s:
            inside -= grants[first][1]
            first += 1
        worst = max(worst, inside)
    return worst


def jain(shares: Iterable[float]) -> float:
    """R. Jain, D. Chiu and W. Hawe, 1984: (sum x)^2 / (n * sum x^2); 1 when all are equal."""
    values = list(shares)
    return sum(values) ** 2 / (len(values) * sum(value * value for value in values))


def costs() -> None:
    """What a take costs a single thread, without a cap and under one that is never reached."""
    for title, rate in (("without a cap", None), ("under a cap that is not reached", 10**12)):
        governor, token, takes = Governor(rate), Token(), 20_000
        for flow in map(str, range(16)):
            governor.register(flow, 5)
        began = time.process_time()
        for _ in range(takes):
            governor.take("3", CHUNK_MAX, token)
        each = (time.process_time() - began) / takes
        print(f"a take {title:<32} {1e6 * each:.1f} us, {1e6 * each * MB / CHUNK_MAX:.1f} us/MB")


if __name__ == "__main__":
    if sys.argv[1:] == ["sink"]:
        be_sink()
    else:
        main()
