"""A disk that turns, for `nbdkit python`: a model of what seeking costs, in tenths of the real time.

After a request that does not begin where the last one ended, within the reach of the drive's own
readahead, the head moves: 1 ms and up to 14 ms more with the square root of the distance, and half a turn
at 7,200 a minute, 4.2 ms. What is read then takes its time at 150 MB/s. The model's figures are from
memory of common 3.5-inch disks; what matters to the bench is their proportion.

Every request sleeps a tenth of its cost, or as much of it as `slowed` says; `log` gets the whole of it,
summed, in seconds.
"""

from __future__ import annotations

import math
import os
import time

API_VERSION = 2

SEEK_MIN_S = 0.001
SEEK_MORE_S = 0.014
HALF_TURN_S = 0.0042
BYTES_PER_SECOND = 150e6
DRIVES_READAHEAD_BYTES = 128 << 10
SLOWED = 0.1

settings: dict[str, str] = {}


class Head:
    """Where the last request ended, and what all of them cost."""

    at = 0
    spent_s = 0.0


def config(key: str, value: str) -> None:
    settings[key] = value


def open(readonly: bool) -> int:
    return os.open(settings["image"], os.O_RDONLY)


def get_size(handle: int) -> int:
    return os.fstat(handle).st_size


def pread(handle: int, buffer: bytearray, offset: int, flags: int) -> None:
    cost_s = len(buffer) / BYTES_PER_SECOND
    ahead = offset - Head.at
    if 0 <= ahead <= DRIVES_READAHEAD_BYTES:
        cost_s += ahead / BYTES_PER_SECOND
    else:
        cost_s += SEEK_MIN_S + SEEK_MORE_S * math.sqrt(abs(ahead) / get_size(handle)) + HALF_TURN_S
    Head.at = offset + len(buffer)
    Head.spent_s += cost_s
    with os.fdopen(os.open(settings["log"], os.O_WRONLY | os.O_CREAT), "w") as log:
        log.write(f"{Head.spent_s:.6f}")
    time.sleep(cost_s * float(settings.get("slowed", SLOWED)))
    os.preadv(handle, [buffer], offset)
