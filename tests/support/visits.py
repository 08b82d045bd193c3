"""Drives that visit a running station, each with a bay and a job of its own: many tests, one daemon."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.support.daemon import TENANT, Station, checked, tree, wait_for

_NUMBERS = itertools.count(1)


class Visit:
    """One drive, written but not yet plugged in, and the job that it is for, not yet announced."""

    def __init__(self, station: Station, files: Mapping[bytes, bytes] | None) -> None:
        number = next(_NUMBERS)
        self.station = station
        self.serial = f"{number:04}-KELP"
        self.job_id = f"TW-{number:04}"
        self.bay = f"bay-{number}"
        if files is not None:
            station.write_drive(self.serial, files)

    # -- what people do --

    def announce(self, **more: Any) -> Visit:
        """Announce the job, and wait until the daemon has the notice."""
        version = more.get("version", 1)
        self.station.announce(self.job_id, self.serial, **more)
        wait_for(lambda: not self._notice(version).exists(), what=f"{self.job_id} taken")
        return self

    def _notice(self, version: int) -> Path:
        return self.station.spool / "notices" / f"{self.job_id}-{version}.json"

    def plug(self, bay: str | None = None, **card: Any) -> Visit:
        self.bay = bay or self.bay
        self.station.plug(self.bay, self.serial, **card)
        return self

    def pull(self) -> None:
        self.station.pull(self.bay)

    # -- what becomes of it --

    def released(self, count: int = 1) -> dict[str, Any]:
        """What was said when the drive was released, for the `count`-th time."""
        return self.station.wait_released(self.serial, count)

    def held(self, reason: str) -> dict[str, Any]:
        """What was said when the load was held for this reason."""

        def look() -> list[dict[str, Any]]:
            return [held for held in self.told("ingest.load.held") if held["reason"] == reason]

        return wait_for(look, 30.0, f"{self.serial} held for {reason}; the log is {self.station.log}")[0]

    def wait_told(self, kind: str) -> dict[str, Any]:
        what = f"{kind} about {self.job_id}; the log is {self.station.log}"
        return wait_for(lambda: self.told(kind), 30.0, what)[0]

    def told(self, kind: str) -> list[dict[str, Any]]:
        """The data of the events of this kind that are about this drive or this job."""
        return [event["data"] for event in self.station.events(kind) if self._is_about(event["data"])]

    def kinds(self) -> list[str]:
        """The types of all events about this drive or this job, in their order."""
        return [event["type"] for event in self.station.events() if self._is_about(event["data"])]

    def _is_about(self, data: Mapping[str, Any]) -> bool:
        serial = (data.get("drive") or {}).get("serial")
        return self.serial == serial or self.job_id == data.get("job_id")

    # -- what is in the store --

    @property
    def folder(self) -> Path:
        return self.station.archive / TENANT / self.job_id

    def record(self, pattern: str) -> Path:
        """Its receipt or its manifest."""
        (path,) = (self.folder / ".ingest").glob(pattern)
        return path

    def stored(self) -> dict[bytes, bytes]:
        """What is stored, which somebody else's program finds to be what the manifest lists."""
        manifest = self.record("*.sha256")
        assert checked(self.folder, manifest) == []
        stored = tree(self.folder)
        assert len(manifest.read_bytes().splitlines()) == len(stored)
        return stored
