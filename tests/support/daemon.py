"""A station in a folder with the real daemon as a process: what the tests of the whole use."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from ingestd.files import write_whole
from ingestd.runtime import status

T = TypeVar("T")

TENANT = "tidewrack-survey"


def sealed(size_bytes: int, seed: int | None = None) -> bytes:
    """Content that is recognised as encrypted: OpenSSL's salted form."""
    noise = os.urandom(size_bytes) if seed is None else _noise(size_bytes, seed)
    return (b"Salted__" + noise)[: max(16, size_bytes)]


def _noise(size_bytes: int, seed: int) -> bytes:
    import random

    return random.Random(seed).randbytes(size_bytes)


PATIENCE_S = 60.0
"""How long anything is waited for at least: on a machine that is busy, late is not wrong."""


def wait_for(look: Callable[[], T | None], within_s: float = PATIENCE_S, what: str = "it") -> T:
    """The first thing that `look` gives that counts as true."""
    within_s = max(within_s, PATIENCE_S)
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"{what} did not come to pass within {within_s} s")


class Station:
    """Folders, a configuration, drives as folders, and the daemon."""

    def __init__(self, root: Path, **settings: Mapping[str, Any]) -> None:
        self.root = root
        self.archive = root / "archive"
        self.spool = root / "spool"
        self.state = root / "state"
        self.bays = root / "bays"
        self.config = root / "ingestd.toml"
        self.log = root / "daemon.log"
        self.process: subprocess.Popen[bytes] | None = None
        self.program: Sequence[str] = ("-m", "ingestd")
        self.before: Sequence[str] = ()
        """A program that starts the daemon, such as one that makes it another user's."""
        self.seen: list[dict[str, Any]] = []
        """The status pictures that were looked at, each of them once."""
        for folder in (self.archive, self.spool, self.state, self.bays):
            folder.mkdir()
        self.configure(**settings)

    # -- configuration --

    def configure(self, **settings: Mapping[str, Any]) -> None:
        """Write the configuration; keyword arguments add to its sections."""
        sections: dict[str, dict[str, Any]] = {
            "station": {"name": "quay-03", "state_folder": str(self.state)},
            "bus": {"spool_folder": str(self.spool), "poll_every_seconds": 0.05},
            "drives": {"bays_folder": str(self.bays), "poll_every_seconds": 0.05},
            "metrics": {"listen": "off"},
        }
        for name, values in settings.items():
            sections.setdefault(name, {}).update(values)
        lines = []
        for name, values in sections.items():
            lines.append(f"[{name}]")
            lines += [f'"{key}" = {json.dumps(value)}' for key, value in values.items()]
        lines += ["[[stores]]", 'name = "archive"', f'folder = "{self.archive}"', ""]
        self.config.write_text("\n".join(lines))

    # -- drives --

    def write_drive(self, serial: str, files: Mapping[bytes, bytes]) -> Path:
        """A drive's content; names may hold folders and any bytes."""
        folder = self.root / "drives" / serial
        folder.mkdir(parents=True)
        for name, content in files.items():
            path = os.path.join(os.fsencode(folder), name)
            os.makedirs(os.path.dirname(path), exist_ok=True)
            with open(path, "wb") as file:
                file.write(content)
        return folder

    def plug(self, bay: str, serial: str, **card: Any) -> None:
        folder = self.bays / bay
        folder.mkdir(exist_ok=True)
        body = {
            "serial": serial,
            "wwn": "0x3000" + serial.encode().hex()[:12],
            "model": "Brinecroft 2T",
            "size_bytes": 2_000_000_000_000,
            "volumes": [{"path": str(self.root / "drives" / serial)}],
            **card,
        }
        write_whole(str(folder / "drive.json"), json.dumps(body).encode())

    def pull(self, bay: str) -> None:
        (self.bays / bay / "drive.json").unlink()

    # -- notices --

    def notice(self, kind: str, data: Mapping[str, Any], number: str) -> bytes:
        return json.dumps(
            {
                "specversion": "1.0",
                "id": number,
                "source": "/orders",
                "type": kind,
                "data": data,
            }
        ).encode()

    def announce(self, job_id: str, *serials: str, version: int = 1, **more: Any) -> None:
        data = {
            "job_id": job_id,
            "version": version,
            "tenant": TENANT,
            "drives": [{"serial": serial} for serial in serials],
            "items": [],
            "destination": {"store": "archive", "prefix": f"{TENANT}/{job_id}"},
            **more,
        }
        kind = "ingest.job.announced" if version == 1 else "ingest.job.amended"
        self.drop(self.notice(kind, data, f"{job_id}-{version}"), f"{job_id}-{version}")

    def withdraw(self, job_id: str) -> None:
        data = {"job_id": job_id, "reason": "the customer sent the wrong drive"}
        self.drop(self.notice("ingest.job.withdrawn", data, f"{job_id}-w"), f"{job_id}-w")

    def drop(self, body: bytes, name: str) -> None:
        folder = self.spool / "notices"
        folder.mkdir(exist_ok=True)
        write_whole(str(folder / f"{name}.json"), body)

    # -- the daemon --

    def start(self, wait: bool = True) -> None:
        self.status_path.unlink(missing_ok=True)
        with self.log.open("ab") as log:
            command = [*self.before, sys.executable, *self.program, "run", "--config", str(self.config)]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        if wait:
            wait_for(self._picture_or_end, what=f"the first status; the log is {self.log}")

    def _picture_or_end(self) -> dict[str, Any] | None:
        assert self.process is not None, "the daemon has been started"
        assert self.process.poll() is None, f"the daemon has ended at once; the log is {self.log}"
        return self.picture()

    def ingestd(self, *arguments: str, given: bytes | None = None) -> subprocess.CompletedProcess[str]:
        """One command, run to its end."""
        command = [sys.executable, "-m", "ingestd", *arguments, "--config", str(self.config)]
        text = given.decode() if given is not None else None
        return subprocess.run(
            command, input=text, capture_output=True, text=True, check=False, timeout=2 * PATIENCE_S
        )

    def signal(self, number: int) -> None:
        assert self.process is not None, "the daemon has been started"
        self.process.send_signal(number)

    def kill(self) -> None:
        self.signal(signal.SIGKILL)
        assert self.process is not None, "the daemon has been started"
        self.process.wait(PATIENCE_S)

    def stop(self, within_s: float = PATIENCE_S) -> int:
        """Stop it as a service manager would; gives the exit status."""
        assert self.process is not None, "the daemon has been started"
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            return self.process.wait(within_s)
        finally:
            if self.process.poll() is None:
                self.process.kill()
                self.process.wait()

    def wait_end(self, within_s: float = PATIENCE_S) -> int:
        """The exit status of a daemon that ends by itself."""
        assert self.process is not None, "the daemon has been started"
        return self.process.wait(within_s)

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def end(self) -> None:
        """Whatever the daemon is doing: no more of it."""
        if self.process is not None and self.running:
            self.process.kill()
            self.process.wait(PATIENCE_S)

    # -- looking --

    @property
    def status_path(self) -> Path:
        return self.state / "status.json"

    def picture(self) -> dict[str, Any] | None:
        picture = status.read(str(self.state))
        if picture is not None and (not self.seen or self.seen[-1]["at"] != picture["at"]):
            self.seen.append(picture)
        return picture

    def load(self, serial: str) -> dict[str, Any] | None:
        picture = self.picture()
        loads = picture["loads"] if picture is not None else []
        return next((x for x in loads if x["drive"] == serial), None)

    def wait_phase(self, serial: str, *phases: str, within_s: float = 30.0) -> dict[str, Any]:
        def look() -> dict[str, Any] | None:
            load = self.load(serial)
            return load if load is not None and load["phase"] in phases else None

        return wait_for(look, within_s, f"{serial} in {phases}; the log is {self.log}")

    def events(self, kind: str | None = None) -> list[dict[str, Any]]:
        folder = self.spool / "events"
        paths = sorted(folder.glob("[0-9]*.json")) if folder.exists() else []
        events = [json.loads(path.read_bytes()) for path in paths]
        return [event for event in events if kind is None or event["type"] == kind]

    def wait_event(self, kind: str, count: int = 1, within_s: float = 30.0) -> dict[str, Any]:
        def look() -> dict[str, Any] | None:
            found = self.events(kind)
            return found[count - 1] if len(found) >= count else None

        return wait_for(look, within_s, f"event {kind}; the log is {self.log}")

    def told(self, kind: str, **about: Any) -> list[dict[str, Any]]:
        """The data of the events of this kind in which all these values are."""
        found = [event["data"] for event in self.events(kind)]
        return [data for data in found if all(data[name] == value for name, value in about.items())]

    def wait_told(self, kind: str, within_s: float = 30.0, **about: Any) -> dict[str, Any]:
        """The data of the first such event."""
        what = f"{kind} about {about}; the log is {self.log}"
        return wait_for(lambda: self.told(kind, **about), within_s, what)[0]

    def wait_released(self, serial: str, count: int = 1, within_s: float = 30.0) -> dict[str, Any]:
        """What was said when the drive with this serial was released, for the `count`-th time."""

        def look() -> dict[str, Any] | None:
            found = [x for x in self.told("ingest.drive.released") if x["drive"]["serial"] == serial]
            return found[count - 1] if len(found) >= count else None

        return wait_for(look, within_s, f"release of {serial}; the log is {self.log}")

    def kinds(self, subject: str | None = None) -> list[str]:
        """The types of the events about one load, in their order."""
        return [event["type"] for event in self.events() if subject in (None, event["subject"])]

    @property
    def logged(self) -> str:
        return self.log.read_text(errors="replace") if self.log.exists() else ""

    def lines(self, event: str) -> list[dict[str, Any]]:
        """The log's lines about one kind of event."""
        return [line for line in self.log_lines() if line["event"] == event]

    def log_lines(self) -> Iterator[dict[str, Any]]:
        for line in self.logged.splitlines():
            if line.startswith("{"):
                yield json.loads(line)


def checked(folder: Path, manifest: Path) -> Sequence[str]:
    """What GNU `sha256sum --check --strict` has to say from inside a folder; nothing when all is well."""
    result = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", str(manifest)],
        cwd=folder,
        capture_output=True,
        check=False,
    )
    text = (result.stdout + result.stderr).decode("utf-8", "replace")
    return text.splitlines() or ([] if result.returncode == 0 else ["failed without a word"])


def files_now(folder: Path, ending: str = "") -> list[Path]:
    """The files below a folder that others are changing; what vanishes meanwhile is not among them."""
    return [Path(at, name) for at, _, names in os.walk(folder) for name in names if name.endswith(ending)]


def tree(folder: Path) -> dict[bytes, bytes]:
    """Relative path to content of every regular file below a folder, our own records left out."""
    found: dict[bytes, bytes] = {}
    top = os.fsencode(folder)
    for at, _, names in os.walk(top):
        for name in names:
            path = os.path.join(at, name)
            relative = os.path.relpath(path, top)
            if not relative.startswith(b".ingest/"):
                with open(path, "rb") as file:
                    found[relative] = file.read()
    return found


def clear(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
