"""A line between two network namespaces that has a rate, a delay and a queue. Only for root.

    with FarLink(rate_bytes_per_second=125_000_000, one_way_s=0.025) as line:
        line.near("python", ...)      # there, 10.77.0.1 and 10.77.0.2 see each other over the line
        line.far("python", ...)

Each end is a TUN device; a process of its own carries packets between them: one at a time at the line's rate,
each so long on its way, dropped when more than a round trip's worth waits. Packets are of 9,000 bytes, or a
program in Python would carry less than a gigabit. For kernels that cannot delay packets themselves.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import os
import select
import struct
import subprocess
import sys
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import TracebackType

NEAR, FAR = "10.77.0.1", "10.77.0.2"
MTU = 9000
# linux/if_tun.h, linux/sched.h
_TUNSETIFF, _IFF_TUN, _IFF_NO_PI = 0x400454CA, 0x0001, 0x1000
_CLONE_NEWNET = 0x4000_0000
_AT_ONCE = 64


def works() -> bool:
    return os.geteuid() == 0 and os.access("/dev/net/tun", os.R_OK | os.W_OK)


class FarLink:
    """The line, for as long as the context lasts."""

    def __init__(self, rate_bytes_per_second: int, one_way_s: float) -> None:
        self._line = (str(rate_bytes_per_second), str(one_way_s))
        self._ends: list[subprocess.Popen[str]] = []
        self._carrier: subprocess.Popen[str] | None = None

    def __enter__(self) -> FarLink:
        try:
            for _ in range(2):
                self._ends.append(_started("unshare", "--net", "sh", "-c", "echo; exec sleep infinity"))
            pids = [str(end.pid) for end in self._ends]
            self._carrier = _started(sys.executable, "-m", "tests.support.far_link", *pids, *self._line)
            for end, own in zip(self._ends, (NEAR, FAR), strict=True):
                for words in (
                    f"address add {own}/24 dev line",
                    f"link set line mtu {MTU} txqueuelen 1000 up",
                    "link set lo up",
                ):
                    subprocess.run([*_within(end), "ip", *words.split()], check=True)
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        for process in [self._carrier, *self._ends]:
            if process is not None:
                process.kill()
                process.communicate()

    def near(self, *command: str) -> Sequence[str]:
        """What runs this command at the near end."""
        return [*_within(self._ends[0]), *command]

    def far(self, *command: str) -> Sequence[str]:
        return [*_within(self._ends[1]), *command]


def _started(*command: str) -> subprocess.Popen[str]:
    """A program that has printed its first line."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.readline()
    return process


def _within(end: subprocess.Popen[str]) -> Sequence[str]:
    return ["nsenter", f"--net=/proc/{end.pid}/ns/net"]


# -- the process that carries -----------------------------------------------------------------------


@dataclass
class Way:
    """One direction. Times are monotonic seconds."""

    source: int
    target: int
    rate: float
    delay_s: float
    free_at: float = 0.0
    """When the line has sent all that waits."""
    on_the_way: deque[tuple[float, bytes]] = field(default_factory=deque)

    def take(self, now: float) -> None:
        for _ in range(_AT_ONCE):
            try:
                packet = os.read(self.source, MTU + 64)
            except BlockingIOError:
                return
            begins = max(now, self.free_at)
            if begins - now > 2 * self.delay_s:
                continue
            self.free_at = begins + len(packet) / self.rate
            self.on_the_way.append((self.free_at + self.delay_s, packet))

    def give(self, now: float) -> None:
        way = self.on_the_way
        while way and way[0][0] <= now:
            with contextlib.suppress(OSError):
                os.write(self.target, way.popleft()[1])


def carry(pids: Sequence[str], rate: float, delay_s: float) -> None:
    ends = [_tun(pid) for pid in pids]
    print(flush=True)
    ways = [Way(ends[0], ends[1], rate, delay_s), Way(ends[1], ends[0], rate, delay_s)]
    poll = select.poll()
    for end in ends:
        poll.register(end, select.POLLIN)
    while True:
        due = min((way.on_the_way[0][0] for way in ways if way.on_the_way), default=float("inf"))
        now = time.monotonic()
        # Rounded down: what is due within a millisecond is waited for by asking again.
        ready = poll.poll(max(0, min(1000, int(1000 * min(due - now, 1)))))
        now = time.monotonic()
        if ready:
            for way in ways:
                way.take(now)
        for way in ways:
            way.give(now)


def _tun(pid: str) -> int:
    """A TUN device in the network namespace of a process."""
    space = os.open(f"/proc/{pid}/ns/net", os.O_RDONLY)
    if ctypes.CDLL(None, use_errno=True).setns(space, _CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    os.close(space)
    tun = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(tun, _TUNSETIFF, struct.pack("16sH22x", b"line", _IFF_TUN | _IFF_NO_PI))
    return tun


if __name__ == "__main__":
    carry(sys.argv[1:3], float(sys.argv[3]), float(sys.argv[4]))
