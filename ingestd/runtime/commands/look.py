"""`ingestd status`."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time

from ingestd.runtime import colour, config, show, status
from ingestd.runtime.commands.common import FAILED, OK, Adder


def add(command: Adder) -> None:
    sub = command("status", _status, "show what each bay is doing and why it waits")
    sub.add_argument("--json", action="store_true", help="the whole picture as JSON")
    sub.add_argument(
        "--color",
        choices=colour.CHOICES,
        default="auto",
        help="auto: on a terminal, unless the environment has NO_COLOR; words say the same",
    )
    sub.add_argument("--watch", action="store_true", help="renew it every second until interrupted")


def _status(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    try:
        return _show_status(options, settings.station.state_folder)
    except KeyboardInterrupt:
        return OK


def _show_status(options: argparse.Namespace, folder: str) -> int:
    while True:
        picture, up = status.read(folder), status.is_running(folder)
        if picture is None:
            print(f"no daemon has run in {folder} yet", file=sys.stderr)
            return FAILED
        if options.json:
            print(json.dumps({"running": up, **picture}, indent=None if options.watch else 2), flush=True)
        else:
            clear = "\x1b[H\x1b[J" if options.watch and sys.stdout.isatty() else ""
            paint = colour.painted if colour.wanted(options.color, sys.stdout, os.environ) else colour.plain
            print(clear + "\n".join(show.status(picture, running=up, paint=paint)), flush=True)
        if not options.watch:
            return OK if up else FAILED
        time.sleep(1)
