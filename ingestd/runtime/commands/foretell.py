"""`ingestd forecast`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict
from typing import Any

from pydantic import TypeAdapter, ValidationError

from ingestd.core.forecast import by_bay, forecast
from ingestd.core.snapshot import Picture
from ingestd.runtime import config, show_forecast, status
from ingestd.runtime.commands.common import FAILED, OK, Adder

_PICTURES = TypeAdapter(Picture)


def add(command: Adder) -> None:
    sub = command("forecast", _forecast, "say when each job will be done, and which will miss its due time")
    sub.add_argument("--json", action="store_true", help="the whole forecast as JSON")


def _forecast(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    folder = settings.station.state_folder
    known = status.read(folder) if status.is_running(folder) else None
    if known is None:
        print("ingestd: the daemon is not running, so nothing can be foretold", file=sys.stderr)
        return FAILED
    picture = _picture(known)
    if picture is None:
        print("ingestd: the daemon is of another version; restart it", file=sys.stderr)
        return FAILED
    told = forecast(picture)
    if options.json:
        bays = {bay: asdict(figures) for bay, figures in by_bay(picture, told)}
        print(json.dumps({**asdict(told), "bays": bays}, indent=2))
    else:
        print("\n".join(show_forecast.forecast(told, time.time())))
    return OK


def _picture(known: dict[str, Any]) -> Picture | None:
    """The picture that the daemon wrote, as it was before it went into the file."""
    try:
        return _PICTURES.validate_python({name: known.get(name) for name in Picture.__dataclass_fields__})
    except ValidationError:
        return None
