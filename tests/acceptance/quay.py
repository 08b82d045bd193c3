"""A station whose daemon runs in the guest, with bays on the guest's buses."""

from __future__ import annotations

import os
import shlex
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from tests.support.daemon import TENANT, Station, tree
from tests.vmlab import GUEST_SHARE, Drive, Job, Lab

T = TypeVar("T")

OUTSIDE = 12
"""The first USB port that is no bay's."""

BAYS = {
    **{f"bay-{port}": f"pci-*-usb-0:{port}:1.0-scsi-*" for port in range(1, OUTSIDE)},
    "bay-scsi": "pci-*-scsi-0:0:3:0",
    "bay-nvme": "pci-*-nvme-*",
    "bay-sata": "pci-*-ata-1*",
}
"""Bay to physical path."""

PATIENCE_S = 180.0
"""Everything that computes is slow in the guest, and slower beside other work."""


class Quay(Station):
    """The folders lie in what guest and host share, under one path on both sides."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        self.job: Job | None = None
        root = lab.share / "quay"
        root.mkdir()
        super().__init__(
            root,
            bus={"poll_every_seconds": 0.5},
            drives={"watch": "udev", "overlay_bytes_max": 32 << 20},
        )
        # Overlays lie in the guest's memory: what is shared is no file system for them.
        overlays = self.state / "overlays"
        lab.shell(
            f"mkdir -p {lab.share} && mount --bind {GUEST_SHARE} {lab.share}"
            f" && mkdir -p {overlays} && mount -t tmpfs none {overlays}",
            check=True,
        )

    def configure(self, **settings: Mapping[str, Any]) -> None:
        super().configure(**settings)
        bays = "".join(f'[[bays]]\nname = "{name}"\npath = ["{path}"]\n' for name, path in BAYS.items())
        self.config.write_text(self.config.read_text() + bays)

    # -- the daemon --

    def start(self, wait: bool = True) -> None:
        self.status_path.unlink(missing_ok=True)
        words = [sys.executable, "-m", "ingestd", "run", "--config", str(self.config)]
        command = f"exec {shlex.join(words)} >>{self.log} 2>&1"
        self.job = self.lab.background(command, cwd=Path(__file__).parents[2])
        if wait:
            self._patiently(self.picture, "the first status")

    @property
    def running(self) -> bool:
        return self.job is not None and self.job.is_running()

    def stop(self, within_s: float = PATIENCE_S) -> int:
        assert self.job is not None, "the daemon has been started"
        self.job.kill("SIGTERM")
        return self.job.wait(within_s).status

    def end(self) -> None:
        if self.running and self.job is not None:
            self.job.kill("SIGKILL")
            self.job.wait(PATIENCE_S)

    # -- drives --

    @contextmanager
    def visit(self, image: Path, serial: str, port: int, **spec: Any) -> Iterator[Drive]:
        """A drive that is plugged in until the end, or is pulled before."""
        drive = self.lab.plug(image, serial=serial, port=port, **spec)
        try:
            yield drive
        finally:
            if drive in self.lab.drives:
                self.pull_out(drive)

    def pull_out(self, drive: Drive) -> None:
        """Nothing may ever have been written to it."""
        traffic = self.lab.traffic(drive)
        self.lab.unplug(drive)
        assert traffic["write_requests"] == 0, f"{drive.spec.serial} was written to"

    def decide(self, load: Mapping[str, Any], decision: str) -> None:
        """Lift the hold of a load, as somebody at the order system would."""
        told = {
            "station": "quay-03",
            "bay": load["bay"],
            "load_id": load["load_id"],
            "decision": decision,
            "by": "m.okafor",
        }
        name = f"lift-{load['load_id']}"
        self.drop(self.notice("ingest.hold.lifted", told, name), name)

    # -- what became of it --

    def released(self, serial: str) -> dict[str, Any]:
        """What was said when this drive was released."""

        def look() -> dict[str, Any] | None:
            found = [x for x in self.told("ingest.drive.released") if x["drive"]["serial"] == serial]
            return found[0] if found else None

        return self._patiently(look, f"the release of {serial}")

    def told_of(self, kind: str, serial: str) -> dict[str, Any]:
        """The first event of this kind about the job of this drive."""
        job = f"TW-{serial}"
        return self._patiently(lambda: self.told(kind, job_id=job), f"{kind} about {job}")[0]

    def phase(self, phase: str, bay: str) -> dict[str, Any]:
        """The load in this bay, once it is in this phase."""

        def look() -> dict[str, Any] | None:
            loads = (self.picture() or {"loads": []})["loads"]
            return next((x for x in loads if x["bay"] == bay and x["phase"] == phase), None)

        return self._patiently(look, f"{phase} in {bay}")

    def stored(self, serial: str) -> dict[str, bytes]:
        found = tree(self.archive / TENANT / f"TW-{serial}")
        return {os.fsdecode(path): body for path, body in found.items()}

    def _patiently(self, look: Callable[[], T | None], what: str) -> T:
        """What `look` finds. It looks now and then only: guest and host share two cores."""
        deadline = time.monotonic() + PATIENCE_S
        while not (found := look()):
            assert self.running, f"the daemon has ended: {self.logged[-2000:]}"
            assert time.monotonic() < deadline, f"{what} did not come to pass; the log is {self.log}"
            time.sleep(0.3)
        return found
