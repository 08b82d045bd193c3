"""`ingestd check`: the configuration and the surroundings, every problem with its remedy."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

from ingestd.ports import Problem
from ingestd.runtime.app import make_broker, make_drives, make_spool, make_stores
from ingestd.runtime.config import Config

_ROOM_BYTES = 256 * 1024 * 1024


def surroundings(config: Config) -> Iterator[Problem]:
    """Everything outside the configuration file that stands in the way, or may do so soon."""
    yield from _state_folder(config.station.state_folder)
    yield from make_spool(config).problems()
    broker = make_broker(config)
    if broker is not None:
        yield from broker.problems()
    yield from make_drives(config).problems()
    yield from config.tickets.problems()
    yield from config.custody.problems()
    for store in make_stores(config).values():
        yield from store.problems()
    if config.uplink.rate_bytes_per_second is None:
        yield Problem(
            "uplink",
            "no cap is set: loads take the whole line",
            "set uplink.rate_bytes_per_second if others share the line",
            fatal=False,
        )


def _state_folder(folder: str) -> Iterator[Problem]:
    where = "station.state_folder"
    if not os.path.lexists(folder):
        yield Problem(
            where, f"{folder} does not exist", f"make it, as root: install -d -o USER -m 750 {folder}"
        )
        return
    if not os.path.isdir(folder):
        yield Problem(where, f"{folder} is not a folder", "name another folder, or move the file away")
        return
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        yield Problem(
            where,
            f"{folder} is not readable and writable for this user",
            "run this as the daemon's user, or give the folder to that user",
        )
        return
    free = shutil.disk_usage(folder).free
    if free < _ROOM_BYTES:
        yield Problem(
            where,
            f"only {free // 2**20} MiB are free on {folder}",
            "make room: the journal needs about 250 MiB for a million files",
            fatal=False,
        )
