"""The scene of `deploy/try`: station quay-03 of a data centre at Harrow Quay, and five drives.

Makes a folder with bays, a spool and a store, starts the real daemon on it, plays the order system and
the hands on the floor, and compares what became of every drive with what should have. As root the
drives are image files with ext4 on loop devices; otherwise they are folders.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from ingestd.files import write_whole
from ingestd.runtime import show, status

MB = 1_000_000
CAP = 24 * MB
"""Bytes per second: low enough that one can watch, high enough to be done in half a minute."""

Files = dict[str, Callable[[Path], None]]


# -- what customers write --------------------------------------------------------------------------


def sealed(size_bytes: int) -> Callable[[Path], None]:
    """A file as `openssl enc -salt` writes it: eight letters, a salt, and what looks like noise."""

    def write(path: Path) -> None:
        with path.open("wb") as file:
            file.write(b"Salted__" + os.urandom(8))
            for left in range(size_bytes, 0, -MB):
                file.write(os.urandom(min(left, MB)))

    return write


def plain_tar(size_bytes: int) -> Callable[[Path], None]:
    """An archive that somebody forgot to encrypt."""

    def write(path: Path) -> None:
        with tarfile.open(path, "w") as archive:
            page = b"In the margin, in another hand: see plate XII.\n"
            info = tarfile.TarInfo("book-0451/page-001.txt")
            info.size = size_bytes
            archive.addfile(info, io.BytesIO((page * (size_bytes // len(page) + 1))[:size_bytes]))

    return write


def wrong_sums(*names: str) -> Callable[[Path], None]:
    """A checksum list whose first line is another file's: written before the archive was written again."""

    def write(path: Path) -> None:
        sums = {name: hashlib.sha256((path.parent / name).read_bytes()).hexdigest() for name in names}
        sums[names[0]] = hashlib.sha256(b"the version before").hexdigest()
        path.write_text("".join(f"{digest}  {name}\n" for name, digest in sums.items()))

    return write


# -- the cast --------------------------------------------------------------------------------------


@dataclass
class Drive:
    bay: str
    serial: str
    model: str
    files: Files
    job: dict[str, Any] | None
    outcome: str
    code: str = ""
    """Code of the finding that the failure has to name."""
    pulled_halfway: bool = False
    device: str = ""
    unchanged: bool | None = None
    seen: list[str] = field(default_factory=list)

    @property
    def wwn(self) -> str:
        return "0x5000" + hashlib.sha256(self.serial.encode()).hexdigest()[:12]

    @property
    def size_bytes(self) -> int:
        return 8 * MB


def job(number: str, tenant: str, folder: str, *items: str, **more: Any) -> dict[str, Any]:
    return {
        "job_id": number,
        "version": 1,
        "tenant": tenant,
        "items": [{"name": name} for name in items],
        "destination": {"store": "harrow-vault", "prefix": f"{tenant}/{folder}"},
        **more,
    }


def cast() -> list[Drive]:
    tonight = (datetime.now(UTC) + timedelta(hours=6)).isoformat(timespec="seconds")
    parts = [f"seabed-{n}.enc" for n in range(1, 7)]
    return [
        Drive(
            "bay-1",
            "KELP-0071",
            "Brinecroft 2T",
            {"north-transect.enc": sealed(24 * MB), "south-transect.enc": sealed(16 * MB)},
            job(
                "TW-2041",
                "tidewrack-survey",
                "kelp-2026",
                "north-transect.enc",
                "south-transect.enc",
                proof="full",
                return_label_enclosed=True,
            ),
            "loaded",
        ),
        Drive(
            "bay-2",
            "DOME-1180",
            "Brinecroft 1T",
            {
                "aurora-show.enc": sealed(12 * MB),
                "comet-show.enc": sealed(6 * MB),
                "SHA256SUMS": wrong_sums("aurora-show.enc", "comet-show.enc"),
            },
            job("LD-0118", "lumen-dome", "winter-season", "aurora-show.enc", "comet-show.enc"),
            "failed",
            "checksum-mismatch",
        ),
        Drive(
            "bay-3",
            "PRESS-33",
            "Oldweir 500G",
            {"books-0451-0460.tar": plain_tar(8 * MB)},
            job("AP-0077", "alder-press", "scans/0451", "books-0451-0460.tar"),
            "failed",
            "not-encrypted",
        ),
        Drive(
            "bay-4",
            "NOBODY-9",
            "Oldweir 500G",
            {"holiday.enc": sealed(4 * MB)},
            None,
            "unclaimed",
        ),
        Drive(
            "bay-5",
            "KELP-0072",
            "Brinecroft 4T",
            {name: sealed(32 * MB) for name in parts},
            job(
                "TW-2042",
                "tidewrack-survey",
                "seabed-2026",
                *parts,
                due_at=tonight,
                priority=8,
                proof="sampled",
            ),
            "loaded",
            pulled_halfway=True,
        ),
    ]


# -- the hands on the floor ------------------------------------------------------------------------


class Floor:
    """Plugs drives in and pulls them out."""

    def __init__(self, root: Path, *, real: bool) -> None:
        self.bays = root / "bays"
        self._drives = root / "drives"
        self._real = real
        self._hashes: dict[str, str] = {}

    def prepare(self, drive: Drive) -> None:
        """Write the drive, as its owner did."""
        (self.bays / drive.bay).mkdir(parents=True)
        content = self._drives / drive.serial
        content.mkdir(parents=True)
        for name, write in drive.files.items():
            write(content / name)
        if self._real:
            self._make_image(drive, content)
            shutil.rmtree(content)
        self._hashes[drive.serial] = self._hash(drive)

    def _image(self, drive: Drive) -> Path:
        return self.bays / drive.bay / f"{drive.serial}.img"

    def _make_image(self, drive: Drive, content: Path) -> None:
        image = self._image(drive)
        used = sum(path.stat().st_size for path in content.iterdir())
        with image.open("wb") as file:
            file.truncate(used + used // 8 + 16 * MB)
        label = drive.serial[:16]
        _do("mkfs.ext4", "-q", "-L", label, "-d", str(content), str(image))

    def _hash(self, drive: Drive) -> str:
        """Of everything there is to alter."""
        digest = hashlib.sha256()
        if self._real:
            with self._image(drive).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        for path in sorted((self._drives / drive.serial).rglob("*")):
            digest.update(f"{path} {path.stat().st_mtime_ns} {path.stat().st_size}\n".encode())
            digest.update(path.read_bytes())
        return digest.hexdigest()

    def unaltered(self, drive: Drive) -> bool:
        return self._hash(drive) == self._hashes[drive.serial]

    def plug(self, drive: Drive) -> None:
        card: dict[str, Any] = {"serial": drive.serial, "wwn": drive.wwn, "model": drive.model}
        if self._real:
            card["image"] = self._image(drive).name
        else:
            content = str(self._drives / drive.serial)
            card["volumes"] = [{"path": content, "label": drive.serial[:16]}]
            card["size_bytes"] = drive.size_bytes
        write_whole(str(self.bays / drive.bay / "drive.json"), json.dumps(card).encode())
        if self._real:
            drive.device = _do("losetup", "-f", "--show", str(self._image(drive))).strip()

    def pull(self, drive: Drive) -> None:
        if self._real:
            if drive.device:
                with contextlib.suppress(subprocess.CalledProcessError):
                    _do("losetup", "-d", drive.device)
            drive.device = ""
        else:
            (self.bays / drive.bay / "drive.json").unlink(missing_ok=True)


def _do(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def can_attach() -> bool:
    """Whether this machine lets us make loop devices and mount them."""
    if os.geteuid() != 0 or not all(map(shutil.which, ("losetup", "mkfs.ext4", "mount", "blkid"))):
        return False
    try:
        _do("losetup", "-f")
    except subprocess.CalledProcessError:
        return False
    return True


# -- the station -----------------------------------------------------------------------------------

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
name = "harrow-vault"
folder = "{root}/harrow-vault"

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
        for name in ("bays", "spool", "state", "harrow-vault"):
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


# -- what people see -------------------------------------------------------------------------------


class Screen:
    """A live line per drive on a terminal; elsewhere a line for each change."""

    def __init__(self) -> None:
        self._live = sys.stdout.isatty()
        self._drawn = 0
        self._before: dict[str, str] = {}
        self._began = time.monotonic()

    def show(self, picture: dict[str, Any]) -> None:
        lines = [self._line(load) for load in picture["loads"]]
        if self._live:
            self._wipe()
            print("\n".join(lines), flush=True)
            self._drawn = len(lines)
            return
        for load in picture["loads"]:
            state = f"{load['phase']} {load['outcome'] or ''} {load['reason']}"
            if self._before.get(load["drive"]) != state:
                self._before[load["drive"]] = state
                print(f"{time.monotonic() - self._began:5.1f} s  {self._line(load)}", flush=True)

    def say(self, text: str) -> None:
        self._wipe()
        print(f"{time.monotonic() - self._began:5.1f} s  {text}", flush=True)

    def _wipe(self) -> None:
        if self._drawn:
            print(f"\x1b[{self._drawn}A\x1b[J", end="")
            self._drawn = 0

    def _line(self, load: dict[str, Any]) -> str:
        ledger = load["ledger"]
        wanted = ledger["discovered_bytes"] - ledger["skipped_bytes"]
        there = ledger["stored_bytes"] + ledger["arrived_bytes"]
        done = f"{100 * there / wanted:3.0f} %" if wanted else "    -"
        rate = f"{show.size(load['rate_bytes_per_second'])}/s" if load["rate_bytes_per_second"] else ""
        words = load["outcome"] or load["doing"]
        line = f"{load['bay'] or 'away':6} {load['drive']:10} {words:26} {done} {rate:>10}"
        return show.cut(f"{line}  {load['reason']}".rstrip(), show.WIDTH - (0 if self._live else 9))


@dataclass
class Ending:
    """What became of one drive, from the events alone."""

    outcome: str = "?"
    text: str = ""
    stored_bytes: int = 0
    rate: str = "-"
    codes: tuple[str, ...] = ()


def ending_of(drive: Drive, events: list[dict[str, Any]]) -> Ending:
    ending = Ending()
    started: datetime | None = None
    for event in events:
        data, moment = event["data"], datetime.fromisoformat(event["time"])
        of_drive = (data.get("drive") or {}).get("serial") == drive.serial
        of_job = drive.job is not None and data.get("job_id") == drive.job["job_id"]
        if event["type"] == "ingest.load.started" and of_drive:
            started = moment
        elif event["type"] == "ingest.job.failed" and of_drive:
            ending.codes = tuple(f["code"] for f in data["findings"] if f["severity"] == "blocking")
        elif event["type"] == "ingest.job.loaded" and of_job:
            ending.stored_bytes = sum(receipt["stored_bytes"] for receipt in data["receipts"])
            if started is not None:
                seconds = (moment - started).total_seconds()
                ending.rate = f"{show.size(ending.stored_bytes / max(seconds, 0.001))}/s"
        elif event["type"] == "ingest.drive.released" and of_drive:
            ending.outcome, ending.text = data["outcome"], data["text"]
    return ending


def verdicts(scene: Scene, events: list[dict[str, Any]]) -> Iterator[str]:
    """Everything that is not as it should be."""
    vault = scene.root / "harrow-vault"
    for drive in scene.drives:
        ending = ending_of(drive, events)
        if ending.outcome != drive.outcome:
            yield f"{drive.serial}: {ending.outcome} instead of {drive.outcome}"
        if drive.code and drive.code not in ending.codes:
            yield f"{drive.serial}: failed for {', '.join(ending.codes) or 'nothing'}, not for {drive.code}"
        if not scene.floor.unaltered(drive):
            yield f"{drive.serial}: the drive was altered"
        if drive.job is None:
            continue
        folder = vault / drive.job["destination"]["prefix"]
        manifests = sorted(folder.glob(".ingest/*.sha256"))
        if drive.outcome == "loaded":
            yield from _check_manifest(drive, folder, manifests)
        elif folder.exists():
            yield f"{drive.serial}: data of a failed load is still in {folder}"
    kinds = [event["type"] for event in events]
    if kinds.count("ingest.load.away") != 1:
        yield "the drive that was unplugged was not reported away once"


def _check_manifest(drive: Drive, folder: Path, manifests: list[Path]) -> Iterator[str]:
    """Let somebody else's program judge: `sha256sum -c`, from inside the destination."""
    if len(manifests) != 1:
        yield f"{drive.serial}: {len(manifests)} manifests in {folder} instead of one"
        return
    listed = len(manifests[0].read_bytes().splitlines())
    if listed != len(drive.files):
        yield f"{drive.serial}: the manifest lists {listed} files instead of {len(drive.files)}"
    result = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", str(manifests[0])],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    if result.returncode:
        yield f"{drive.serial}: sha256sum -c: {result.stdout}{result.stderr}"


def report(scene: Scene, events: list[dict[str, Any]]) -> None:
    rows = []
    for drive in scene.drives:
        ending = ending_of(drive, events)
        rows.append(
            (
                drive.bay,
                drive.serial,
                drive.job["job_id"] if drive.job else "-",
                ending.outcome,
                show.size(ending.stored_bytes) if ending.stored_bytes else "-",
                ending.rate,
            )
        )
    lines = show.table(("BAY", "DRIVE", "JOB", "OUTCOME", "BYTES", "RATE"), rows, right=(4, 5))
    print()
    for line, drive in zip(lines, [None, *scene.drives], strict=True):
        print(line)
        if drive is not None:
            print("\n".join(show.wrapped(ending_of(drive, events).text, "       ")))
    print()
    print(f"receipts     {scene.root}/harrow-vault/TENANT/.../.ingest/")
    print(f"stored data  {scene.root}/harrow-vault/")
    print(f"events       {scene.root}/spool/events/   ({len(events)})")
    print(f"log          {scene.root}/daemon.log")


def main() -> int:
    parser = argparse.ArgumentParser(description="Run the main job on a small scene.")
    parser.add_argument("--folders", action="store_true", help="drives are folders, even as root")
    options = parser.parse_args()
    real = can_attach() and not options.folders
    root = Path(tempfile.mkdtemp(prefix="ingestd-quay-03."))
    scene = Scene(root, real=real)
    kind = "ext4 images on loop devices, mounted read-only" if real else "folders"
    print(f"Station quay-03, five drives ({kind}), uplink capped at {show.size(CAP)}/s", flush=True)
    scene.build()
    try:
        scene.start()
        scene.announce()
        scene.play(Screen())
    finally:
        scene.stop()
    events = scene.events()
    report(scene, events)
    problems = list(verdicts(scene, events))
    for problem in problems:
        print(f"NOT AS EXPECTED  {problem}")
    if not problems:
        seconds = time.monotonic() - scene.began
        print(f"Every drive ended as it should, in {seconds:.0f} s. No drive was altered.")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
