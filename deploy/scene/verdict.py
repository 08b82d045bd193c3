"""What became of every drive, from the events and the store alone, and whether it should have."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from cast import STORE, Drive
from ingestd.runtime import show
from stage import PLAY_WITHIN_S, Scene

NOT_RELEASED = "?"


@dataclass
class Ending:
    """What became of one drive, from the events alone."""

    outcome: str = NOT_RELEASED
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
    archive = scene.root / STORE
    for drive in scene.drives:
        ending = ending_of(drive, events)
        if ending.outcome == NOT_RELEASED:
            yield f"{drive.serial}: not released within {PLAY_WITHIN_S} s"
        elif ending.outcome != drive.outcome:
            yield f"{drive.serial}: {ending.outcome} instead of {drive.outcome}"
        if drive.code and drive.code not in ending.codes:
            yield f"{drive.serial}: failed for {', '.join(ending.codes) or 'nothing'}, not for {drive.code}"
        if not scene.floor.unaltered(drive):
            yield f"{drive.serial}: the drive was altered"
        if drive.job is None:
            continue
        folder = archive / drive.job["destination"]["prefix"]
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
    print(next(lines))
    for line, drive in zip(lines, scene.drives, strict=True):
        print(line)
        for words in show.wrapped(ending_of(drive, events).text, "       "):
            print(words)
    print()
