"""The station of the scene: its folders, its daemon, its order system."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from cast import MB, Drive, cast
from floor import Floor
from ingestd.runtime import status
from screen import Screen

CAP = 24 * MB
"""Bytes per second: low enough that one can watch, high enough to be done in half a minute."""

CONFIG = """\
[station]
name = "quay-03"
state_folder = "{root}/state"
unclaimed_after_seconds = 4.0
progress_every_seconds = 2.0

[bus]
spool_folder = "{root}/spool"

[drives]
watch = "{watch}"
bays_folder = "{root}/bays"

[[stores]]
name = "harrow-archive"
folder = "{root}/harrow-archive"

[uplink]
rate_bytes_per_second = {cap}

[transfer]
buffer_bytes = 1048576
"""


class Scene:
    def __init__(self, root: Path, *, real: bool) -> None:
        self.root = root
        self.real = real
        self.floor = Floor(root, real=real)
        self.drives = cast()
        self.config = root / "ingestd.toml"
        self.daemon: subprocess.Popen[bytes] | None = None
        self.began = time.monotonic()

    # -- before --

    def build(self) -> None:
        for name in ("bays", "spool", "state", "harrow-archive"):
            (self.root / name).mkdir()
        watch = "loop" if self.real else "folder"
        self.config.write_text(CONFIG.format(root=self.root, watch=watch, cap=CAP))
        for drive in self.drives:
            self.floor.prepare(drive)

    def ingestd(self, *arguments: str, given: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
        command = [sys.executable, "-m", "ingestd", *arguments, "--config", str(self.config)]
        return subprocess.run(command, input=given, check=True, capture_output=True)

    def start(self) -> None:
        log = (self.root / "daemon.log").open("wb")
        command = [sys.executable, "-m", "ingestd", "run", "--config", str(self.config)]
        self.daemon = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()
        self.began = time.monotonic()

    def announce(self) -> None:
        """What the order system does: one notice a job, through the spool."""
        for drive in self.drives:
            if drive.job is not None:
                announced = {"serial": drive.serial, "wwn": drive.wwn}
                notice = {
                    "specversion": "1.0",
                    "id": f"{drive.job['job_id']}-1",
                    "source": "/orders",
                    "type": "ingest.job.announced",
                    "time": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
                    "data": {**drive.job, "drives": [announced]},
                }
                self.ingestd("send", "-", given=json.dumps(notice).encode())

    # -- while it runs --

    def pictures(self) -> Iterator[dict[str, Any]]:
        """What the daemon says of itself, twice a second, until every drive is released."""
        deadline = time.monotonic() + 100
        while time.monotonic() < deadline:
            assert self.daemon is not None, "the daemon has been started"
            if self.daemon.poll() is not None:
                raise SystemExit(f"the daemon has stopped; see {self.root / 'daemon.log'}")
            picture = status.read(str(self.root / "state"))
            if picture is not None:
                yield picture
                released = [x for x in picture["loads"] if x["phase"] == "released"]
                if len(released) == len(self.drives):
                    return
            time.sleep(0.25)

    def play(self, screen: Screen) -> None:
        for drive in self.drives:
            self.floor.plug(drive)
        pulled_at: float | None = None
        for picture in self.pictures():
            screen.show(picture)
            for drive in self.drives:
                if drive.pulled_halfway and pulled_at is None and _share_done(picture, drive) >= 0.5:
                    screen.say(f"{drive.bay}: somebody trips over the cable, {drive.serial} is unplugged")
                    self.floor.pull(drive)
                    pulled_at = time.monotonic()
                elif drive.pulled_halfway and pulled_at and time.monotonic() - pulled_at > 2.5:
                    screen.say(f"{drive.bay}: {drive.serial} is plugged in again")
                    self.floor.plug(drive)
                    pulled_at = float("inf")

    # -- after --

    def stop(self) -> None:
        if self.daemon is not None and self.daemon.poll() is None:
            self.daemon.send_signal(signal.SIGTERM)
            try:
                self.daemon.wait(15)
            except subprocess.TimeoutExpired:
                self.daemon.kill()
                self.daemon.wait()
        for drive in self.drives:
            self.floor.pull(drive)

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(p.read_bytes()) for p in sorted((self.root / "spool/events").glob("*.json"))]


def _load_of(picture: dict[str, Any], drive: Drive) -> dict[str, Any] | None:
    return next((x for x in picture["loads"] if x["drive"] == drive.serial), None)


def _share_done(picture: dict[str, Any], drive: Drive) -> float:
    load = _load_of(picture, drive)
    if load is None or load["phase"] != "loading":
        return 0.0
    ledger = load["ledger"]
    wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
    return float(ledger["stored_bytes"] + ledger["arrived_bytes"]) / wanted if wanted else 0.0
