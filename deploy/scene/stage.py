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

from cast import MB, STORE, Drive, cast
from floor import Floor, Trouble
from ingestd.runtime import status
from screen import Screen

CAP = 24 * MB
"""Bytes per second: low enough that one can watch, high enough to be done in half a minute."""

START_WITHIN_S = 30
PLAY_WITHIN_S = 80
"""Longer than any machine should need, and short enough that all of it ends within two minutes."""

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
name = "{store}"
folder = "{root}/{store}"

[uplink]
rate_bytes_per_second = {cap}

[transfer]
buffer_bytes = 1048576

[metrics]
listen = "off"
"""


class Scene:
    def __init__(self, root: Path) -> None:
        self.root = root
        self.floor = Floor(root)
        self.drives = cast()
        self.config = root / "ingestd.toml"
        self.log = root / "daemon.log"
        self.daemon: subprocess.Popen[bytes] | None = None
        self.began = time.monotonic()

    # -- before --

    def lay_out(self) -> None:
        """The folders of a station whose bays are empty."""
        for name in ("bays", "spool", "state", STORE):
            (self.root / name).mkdir()
        for drive in self.drives:
            (self.floor.bays / drive.bay).mkdir()

    def build(self) -> None:
        watch = "loop" if self.floor.real else "folder"
        self.config.write_text(CONFIG.format(root=self.root, watch=watch, cap=CAP, store=STORE))
        for drive in self.drives:
            self.floor.prepare(drive)

    def ingestd(self, *arguments: str, given: bytes | None = None) -> None:
        """Run one command. Raises Trouble with what it says when it fails."""
        command = [sys.executable, "-m", "ingestd", *arguments, "--config", str(self.config)]
        done = subprocess.run(command, input=given, check=False, capture_output=True)
        if done.returncode:
            said = done.stderr.decode(errors="replace").strip() or f"exit status {done.returncode}"
            raise Trouble(f"`ingestd {arguments[0]}` failed: {said}")

    def start(self) -> None:
        """Start the daemon; it runs, and takes notices, when this returns. Raises Trouble."""
        command = [sys.executable, "-m", "ingestd", "run", "--config", str(self.config)]
        with self.log.open("wb") as log:
            # In a session of its own: Ctrl-C is for the scene, which stops the daemon in good order.
            self.daemon = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)
        self.began = time.monotonic()
        while not (status.is_running(self._state) and (self.root / "spool/notices").is_dir()):
            self._check_daemon()
            if time.monotonic() - self.began > START_WITHIN_S:
                raise Trouble(f"the daemon has not started within {START_WITHIN_S} s; see {self.log}")
            time.sleep(0.05)

    def _check_daemon(self) -> None:
        assert self.daemon is not None, "the daemon has been started"
        if self.daemon.poll() is not None:
            last = self.log.read_text(errors="replace").strip().splitlines()[-3:]
            raise Trouble("\n".join(["the daemon has stopped; its last words:", *last]))

    @property
    def _state(self) -> str:
        return str(self.root / "state")

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
        """What the daemon says of itself, until every drive is released, or for as long as is sensible."""
        deadline = time.monotonic() + PLAY_WITHIN_S
        while time.monotonic() < deadline:
            self._check_daemon()
            picture = status.read(self._state)
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

    def places(self) -> Iterator[tuple[str, Path]]:
        """Where things lie."""
        for receipts in sorted((self.root / STORE).glob("*/*/.ingest")):
            yield "receipts", receipts
        yield "stored data", self.root / STORE
        yield "events", self.root / "spool/events"
        yield "log", self.log

    def left_bytes(self) -> int:
        return sum(path.stat().st_size for path in self.root.rglob("*") if path.is_file())


def _load_of(picture: dict[str, Any], drive: Drive) -> dict[str, Any] | None:
    return next((x for x in picture["loads"] if x["drive"] == drive.serial), None)


def _share_done(picture: dict[str, Any], drive: Drive) -> float:
    load = _load_of(picture, drive)
    if load is None or load["phase"] != "loading":
        return 0.0
    ledger = load["ledger"]
    wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
    return float(ledger["stored_bytes"] + ledger["arrived_bytes"]) / wanted if wanted else 0.0
