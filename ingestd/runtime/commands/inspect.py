"""`ingestd inspect`."""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import time
from types import FrameType

from ingestd.core.limits import Limits
from ingestd.core.names import printable
from ingestd.ports import JournalError, PortError
from ingestd.runtime import config, show_inspection
from ingestd.runtime.commands.common import DEFAULT_CONFIG, OK, REFUSED, Adder
from ingestd.runtime.inspection import NotLookedAt, inspect, job_in
from ingestd.runtime.show import size

_STATUS = {"accepted": OK, "doubtful": 3, "refused": 4}
"""Apart from 1 and 2, with which programs end that have not come so far: no mishap looks like a verdict."""


def add(command: Adder) -> None:
    sub = command("inspect", _inspect, "look at a drive on a desk as a station would, read-only")
    sub.epilog = (
        "Exit status: 0 accepted, 3 doubtful, 4 refused, 2 it could not be looked at. The rules are the "
        "site's from the configuration, where there is one, and the job's from --job."
    )
    sub.add_argument("path", metavar="PATH", help="a folder, an image of a disk, or a disk such as /dev/sdb")
    sub.add_argument("--job", metavar="FILE", help="the notice that announced the job, as JSON")
    sub.add_argument(
        "--drive", metavar="N", type=int, default=1, help="which of the job's drives it is (%(default)s)"
    )
    sub.add_argument(
        "--read",
        action="store_true",
        help="read every file to its end, and compare it with the checksums that the job and the drive give",
    )
    sub.add_argument("--json", action="store_true", help="the same as JSON")


def _inspect(options: argparse.Namespace) -> int:
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(number, _stop)
    try:
        job = job_in(options.job) if options.job else None
        reading = _Progress() if options.read else None
        seen = inspect(options.path, job, options.drive - 1, _limits(options.config), reading)
    except (NotLookedAt, PortError, JournalError, OSError) as error:
        for line in str(error).splitlines():
            print(printable(line.encode("utf-8", "surrogateescape")), file=sys.stderr)
        return REFUSED
    if options.json:
        print(json.dumps(show_inspection.as_json(seen), indent=2))
    else:
        print("\n".join(show_inspection.inspection(seen, options.path)))
    return _STATUS[seen.verdict]


class _Progress:
    """How much has been read, on a terminal, every second."""

    def __init__(self) -> None:
        self._read_bytes = 0
        self._told_at = time.monotonic()

    def __call__(self, size_bytes: int) -> None:
        self._read_bytes += size_bytes
        now = time.monotonic()
        if sys.stderr.isatty() and now - self._told_at >= 1.0:
            self._told_at = now
            print(f"\r{size(self._read_bytes)} read ", end="", file=sys.stderr, flush=True)


def _stop(number: int, _: FrameType | None) -> None:
    """Told to end, or the terminal is closed: what was attached, mounted and kept for the look goes first."""
    sys.exit(128 + number)


def _limits(path: str) -> Limits:
    """The site's rules; a desk need not have them."""
    if path == DEFAULT_CONFIG and not os.path.exists(path):
        return Limits(station="desk")
    return config.read(path).limits()
