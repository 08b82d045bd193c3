"""`ingestd drives` and `ingestd rules`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from ingestd.core.names import natural
from ingestd.core.snapshot import known_by_sight
from ingestd.drives.rules import udev_rules
from ingestd.drives.udev import UdevDrives
from ingestd.runtime import config, show_drives, status
from ingestd.runtime.app import make_drives
from ingestd.runtime.commands.common import OK, REFUSED, Adder
from ingestd.runtime.config import Config


def add(command: Adder) -> None:
    sub = command("drives", _drives, "show what is plugged in: bay, link, identity, health, volumes, job")
    sub.add_argument("--json", action="store_true", help="the same as JSON")
    command("rules", _rules, "print the udev rules that keep the bays' drives from being written to")


def _drives(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    running = status.is_running(settings.station.state_folder)
    picture = status.read(settings.station.state_folder) if running else None
    drives, remarks = _of_picture(picture) if picture is not None else _by_sight(settings)
    if options.json:
        print(json.dumps({"running": running, "drives": drives, "remarks": remarks}, indent=2))
    else:
        print("\n".join(show_drives.lines(drives, remarks, running=running)))
    return OK


def _of_picture(picture: Mapping[str, Any]) -> tuple[list[dict[str, Any]], Sequence[str]]:
    """What the running daemon knows of the drives in its bays."""
    here = [load for load in picture["loads"] if load["bay"] is not None]
    found = [
        _drive(load["bay"], load["facts"], job_id=load["job_id"], phase=load["outcome"] or load["phase"])
        | {"reason": load["reason"]}
        for load in here
    ]
    return found, picture.get("problems", ())


def _by_sight(settings: Config) -> tuple[list[dict[str, Any]], Sequence[str]]:
    """What can be seen without opening a drive, while no daemon runs. Raises PortError."""
    source = make_drives(settings)
    sightings = sorted(source.enumerate(), key=lambda sighting: natural(sighting.bay))
    remarks = source.passed_over if isinstance(source, UdevDrives) else ()
    return [_drive(s.bay, asdict(known_by_sight(s))) for s in sightings], remarks


def _drive(
    bay: str, facts: Mapping[str, Any], job_id: str | None = None, phase: str | None = None
) -> dict[str, Any]:
    return {"bay": bay, **_flat(facts), "job_id": job_id, "phase": phase, "reason": ""}


def _flat(facts: Mapping[str, Any]) -> dict[str, Any]:
    """The facts with the names under which scripts look for them."""
    return {
        **facts["identity"],
        "interface": facts["interface"],
        "link": facts["link"],
        "rotational": facts["rotational"],
        "health": facts["health"],
        "volumes": facts["volumes"],
    }


def _rules(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    if not settings.bays:
        print(f"{options.config}: there are no [[bays]] to make rules for", file=sys.stderr)
        return REFUSED
    bays = [section.bay() for section in settings.bays]
    print(udev_rules(bays, only_storage=settings.drives.refuse_other_usb), end="")
    return OK
