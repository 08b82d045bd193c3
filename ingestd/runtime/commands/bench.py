"""`ingestd bench`."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import signal
import sys
import time
import uuid
from collections.abc import Iterator

from ingestd.core.line import NO_CAP, SITE, Cap, Course, Link
from ingestd.core.plan import Plan
from ingestd.core.uplink import caps as in_force
from ingestd.ports import Cancelled
from ingestd.runtime import config, show, status
from ingestd.runtime.app import make_stores, scratch_folder
from ingestd.runtime.commands.common import FAILED, OK, REFUSED, Adder
from ingestd.runtime.config import Config
from ingestd.runtime.measure import FLOW, Bench, Measured, NoRoom, Stop
from ingestd.transfer.governor import Governor

_STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_UNITS = {
    "": 1,
    "kB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "TB": 10**12,
    "KiB": 1 << 10,
    "MiB": 1 << 20,
    "GiB": 1 << 30,
    "TiB": 1 << 40,
}


def add(command: Adder) -> None:
    sub = command("bench", _bench, "measure reading, hashing and uploading, and say which one limits")
    sub.add_argument("--store", metavar="NAME", required=True, help="the store to upload to")
    sub.add_argument("--size", metavar="SIZE", type=size, default=1 << 30, help="how much (default: 1GiB)")
    sub.add_argument(
        "--read-from",
        metavar="PATH",
        help="read this file or block device, which is not written to (default: a file in the state folder)",
    )
    sub.add_argument("--ignore-cap", action="store_true", help="upload as fast as the line lets it")
    sub.add_argument("--json", action="store_true", help="the figures as JSON")


def size(text: str) -> int:
    """Bytes, from what a person writes: 500MB, 1GiB. Raises ArgumentTypeError."""
    match = re.fullmatch(r"(\d+)\s*([kMGT]?i?B?)", text)
    unit = _UNITS.get(match[2]) if match else None
    if match is None or unit is None or not int(match[1]) * unit:
        raise argparse.ArgumentTypeError(f"{text!r} is not a size; write it as 500MB or 1GiB")
    return int(match[1]) * unit


def _bench(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    stores = make_stores(settings)
    if options.store not in stores:
        print(f"ingestd: no store is named {options.store}; known: {', '.join(stores)}", file=sys.stderr)
        return REFUSED
    way = Link("store", options.store)
    caps = {} if options.ignore_cap else _caps(settings)
    governor = Governor()
    governor.follow(Plan(caps, {FLOW: Course(store=way)}))
    store = stores[options.store]
    bench = Bench(
        store=store,
        size_bytes=options.size,
        part_bytes=store.part_bytes(options.size, settings.transfer.buffer_bytes),
        senders=settings.transfer.senders,
        governor=governor,
    )
    try:
        with _interruptible(bench.stop):
            measured = _measure(bench, options, settings)
    except Cancelled:
        print("ingestd: interrupted; nothing is left behind", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("ingestd: interrupted twice; the daemon clears the store up when it starts", file=sys.stderr)
        return FAILED
    except (NoRoom, OSError) as error:
        print(f"ingestd: {error}; name something to read with --read-from", file=sys.stderr)
        return FAILED
    _tell(options, measured, caps.get(SITE, NO_CAP), caps.get(way, NO_CAP))
    return OK


def _caps(settings: Config) -> dict[Link, Cap]:
    """What is in force on the line and to each store: as the daemon has it, or by configuration and clock
    where none runs."""
    folder = settings.station.state_folder
    picture = status.read(folder) if status.is_running(folder) else None
    if picture is None:
        return in_force(settings.limits().uplink, None, time.time())
    uplink = picture["uplink"]
    found = {Link("store", each["name"]): Cap(each["rate_bytes_per_second"]) for each in uplink["stores"]}
    return found | {SITE: Cap(uplink["cap"]["rate_bytes_per_second"], uplink["cap"]["burst_bytes"])}


@contextlib.contextmanager
def _interruptible(stop: Stop) -> Iterator[None]:
    """Ctrl-C, SIGTERM and SIGHUP end a measurement where that leaves nothing behind; a second one at once.

    SIGINT has to be set too: shells start what is in the background with that ignored.
    """

    def interrupt(number: int, frame: object) -> None:
        del number, frame
        if stop.cancelled:
            raise KeyboardInterrupt
        stop.ask()

    before = {number: signal.signal(number, interrupt) for number in _STOPPING}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _measure(bench: Bench, options: argparse.Namespace, settings: Config) -> list[Measured]:
    if options.read_from is not None:
        reading = bench.read_file(options.read_from)
    else:
        reading = bench.read_scratch(_scratch(settings))
    hashing, sha256 = bench.hash()
    name = f"{settings.station.name}-{uuid.uuid4().hex}"
    return [reading, hashing, bench.upload(name, sha256)]


def _scratch(settings: Config) -> str:
    folder = scratch_folder(settings)
    return folder if os.path.isdir(folder) else settings.station.state_folder


def _tell(options: argparse.Namespace, measured: list[Measured], site: Cap, way: Cap) -> None:
    slowest = min(measured, key=lambda each: each.bytes_per_second)
    own = way.rate_bytes_per_second
    rate = min(filter(None, (site.rate_bytes_per_second, own)), default=None)
    at_cap = rate is not None and slowest.step == "uploading" and slowest.bytes_per_second > 0.95 * rate
    limit = slowest.step
    if at_cap:
        limit = "the limit of that store" if rate == own else "the cap of the uplink"
    if options.json:
        figures = {
            each.step: {
                "bytes": each.size_bytes,
                "seconds": each.seconds,
                "bytes_per_second": each.bytes_per_second,
                "what": each.what,
            }
            for each in measured
        }
        told = {"store": options.store, "cap_bytes_per_second": rate, "limit": limit, **figures}
        print(json.dumps(told, indent=2))
        return
    rows = [
        (each.step, show.rate(each.bytes_per_second), f"{each.seconds:.1f} s", show.cut(each.what, 40))
        for each in measured
    ]
    for line in show.table(("STEP", "RATE", "TIME", "WHAT"), rows, right=(1, 2)):
        print(line)
    print(f"a load to {options.store} is limited by {limit}")
    kept = f"the line has {show.cap(site.rate_bytes_per_second)}, which was kept"
    if options.ignore_cap:
        kept = "the cap was ignored"
    elif own is not None:
        kept += f", and the store a limit of {show.rate(own)}"
    yield_to = "; what a running daemon sends comes on top" if rate is not None else ""
    for line in show.wrapped(f"{kept}{yield_to}", ""):
        print(line)
