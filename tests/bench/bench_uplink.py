"""How exactly the uplink budget is kept, on this machine, in one run.

    python -m tests.bench.bench_uplink [--seconds 30] [--rate 50000000] [--folder /dev/shm]

Loads with more to send than they may share a cap: first three of equal weight, then three with weights
of 1, 2 and 6, then two beside one whose drive is slow. What is counted is what the senders were granted.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from ingestd.core.line import SITE
from ingestd.core.model import LoadId
from ingestd.core.shares import Wish, max_min_shares
from ingestd.ports import Cancelled, CancelToken
from ingestd.store.folder import FolderStore
from ingestd.store.folder_upload import FolderUpload
from ingestd.transfer.settings import TransferSettings
from ingestd.transfer.source import ReadInto
from tests.support.byte_path import BytePath, CountingGovernor, Token
from tests.support.fake_drive import FakeDrive, survey
from tests.support.fake_manifest import FakeManifest


class Unlimited(FolderStore):
    """Does not ask whether a file that will never be complete would fit."""

    def begin(self, key: bytes, size_bytes: int) -> FolderUpload:
        return super().begin(key, 0)


class NotingGovernor(CountingGovernor):
    """Notes when how much was granted to whom."""

    def __init__(self, rate_bytes_per_second: int) -> None:
        super().__init__(rate_bytes_per_second)
        self.grants: list[tuple[float, str, int]] = []

    def take(self, flow: str, size_bytes: int, cancel: CancelToken) -> None:
        super().take(flow, size_bytes, cancel)
        self.grants.append((time.monotonic(), flow, size_bytes))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--folder", default="/dev/shm", help="where to put everything")
    parser.add_argument("--seconds", type=float, default=30.0, help="length of each run")
    parser.add_argument("--rate", type=int, default=50_000_000, help="the cap, in bytes per second")
    args = parser.parse_args()
    inf = float("inf")
    slow = args.rate / 10
    for title, loads in (
        ("equal weights", {"a": (5, inf), "b": (5, inf), "c": (5, inf)}),
        ("weights of 1, 2 and 6", {"a": (1, inf), "b": (2, inf), "c": (6, inf)}),
        ("equal weights, c reads a tenth of the cap", {"a": (5, inf), "b": (5, inf), "c": (5, slow)}),
    ):
        run(title, loads, args.rate, args.seconds, args.folder)


def run(title: str, loads: Mapping[str, tuple[int, float]], rate: int, seconds: float, folder: str) -> None:
    at = Path(tempfile.mkdtemp(dir=folder, prefix="quay-03-"))
    try:
        grants, burst = transfer_for(at, loads, rate, seconds)
    finally:
        shutil.rmtree(at)
    tell(title, loads, rate, burst, grants)


def transfer_for(
    at: Path, loads: Mapping[str, tuple[int, float]], rate: int, seconds: float
) -> tuple[list[tuple[float, str, int]], int]:
    """Let all loads send for so long; what was granted in it, and the burst."""
    path, token = BytePath(at, settings=TransferSettings()), Token()
    governor = NotingGovernor(rate)
    path.governor = governor
    threads = [
        threading.Thread(target=load, args=(at, path, name, weight, demand, token))
        for name, (weight, demand) in loads.items()
    ]
    for thread in threads:
        thread.start()
    time.sleep(seconds)
    token.cancel()
    for thread in threads:
        thread.join()
    path.close()
    cap = governor.cap
    assert cap is not None
    return governor.grants, cap[1]


def load(at: Path, path: BytePath, name: str, weight: int, demand: float, token: Token) -> None:
    """Send a file that is larger than can be sent in time."""
    (at / name / "volume-1").mkdir(parents=True)
    with open(at / name / "volume-1" / "dive.tar.age", "wb") as file:
        file.truncate(1 << 40)
    drive, manifest = FakeDrive(at / name), FakeManifest()
    drive.read = paced(demand)  # type: ignore[method-assign, assignment]
    survey(drive, manifest)
    store = Unlimited("harrow", str(at / name))
    with contextlib.suppress(Cancelled):
        path.transfer(drive, store, manifest, cancel=token, load_id=LoadId(name), priority=weight)


def paced(demand: float) -> ReadInto:
    """Reads at no more than so many bytes per second."""
    due = time.monotonic()

    def read(fd: int, views: list[memoryview], offset: int) -> int:
        nonlocal due
        got = os.preadv(fd, views, offset)
        due = max(due, time.monotonic() - 0.1) + got / demand
        time.sleep(max(0.0, due - time.monotonic()))
        return got

    return read


# -- figures --------------------------------------------------------------------------------------


def tell(
    title: str,
    loads: Mapping[str, tuple[int, float]],
    rate: int,
    burst: int,
    grants: Sequence[tuple[float, str, int]],
) -> None:
    begin, end = grants[0][0] + 1.0, grants[-1][0]
    seconds = end - begin
    sent = {name: sum(n for at, flow, n in grants if flow == name and at >= begin) for name in loads}
    total = sum(sent.values())
    worst = max_window(grants, 1.0)
    wishes = {name: Wish(weight, demand, (SITE,)) for name, (weight, demand) in loads.items()}
    fair = max_min_shares({SITE: rate}, wishes)
    print(f"\n{title}: {rate / 1e6:.0f} MB/s for {seconds:.0f} s")
    line("mean of all", total / seconds, total / seconds / rate, "of the cap")
    line("largest window of one second", worst, worst / (rate + burst), "of cap and burst")
    for name, each in sent.items():
        label = f"load {name}, weight {loads[name][0]}"
        line(label, each / seconds, each / seconds / fair[name], "of its fair share")
    evenness = jain(sent[name] / fair[name] for name in sent)
    line("evenness of what they got of it (Jain)", None, evenness, "")


def line(name: str, bytes_per_second: float | None, ratio: float, of: str) -> None:
    figure = "" if bytes_per_second is None else f"{bytes_per_second / 1e6:.2f} MB/s"
    print(f"  {name:<42} {figure:>12} {ratio:>8.4f} {of}")


def max_window(grants: Sequence[tuple[float, str, int]], length_s: float) -> int:
    """The most that was granted in any window of this length."""
    worst = inside = first = 0
    for at, _, size in grants:
        inside += size
        while at - grants[first][0] > length_s:
            inside -= grants[first][2]
            first += 1
        worst = max(worst, inside)
    return worst


def jain(shares: Iterable[float]) -> float:
    """R. Jain, D. Chiu and W. Hawe, 1984: (sum x)^2 / (n * sum x^2); 1 when all are equal."""
    values = list(shares)
    return sum(values) ** 2 / (len(values) * sum(value * value for value in values))


if __name__ == "__main__":
    main()
