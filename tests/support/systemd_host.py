"""A station on a Debian with systemd, in an emulated machine, and what is done at its console."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from tests.support.daemon import TENANT
from tests.vmlab import GUEST_SHARE, Drive, DriveSpec, Lab

T = TypeVar("T")

PATIENCE_S = 300.0
"""Everything that computes is slow in there, and slower beside other work."""

DAEMON, HELPER, SOCKET = "ingestd.service", "ingestd-helper.service", "ingestd-helper.socket"

BAYS = {
    **{f"bay-{port}": f"pci-*-usb-0:{port}:1.0-scsi-*" for port in (1, 2, 3)},
    "bay-nvme": "pci-*-nvme-*",
    "bay-sata": "pci-*-ata-1*",
}
SLOW, FAST = 80_000, 50_000_000
"""Bytes per second."""
SECRET = "spring tide"

CONFIG = """\
[station]
name = "quay-03"
state_folder = "/var/lib/ingestd"
[bus]
spool_folder = "/var/lib/ingestd/spool"
[drives]
watch = "udev"
helper_socket = "/run/ingestd/helper.sock"
[uplink]
rate_bytes_per_second = {rate}
[transfer]
buffer_bytes = 65536
[metrics]
user = "prometheus"
password_credential = "metrics-password"
[[stores]]
name = "archive"
folder = "/srv/archive"
"""


class Host:
    """The machine, as somebody has it who sits at its console and has a hand at its plug."""

    def __init__(self, disk: Path, folder: Path) -> None:
        self._disk = disk
        self._folder = folder
        self._starts = 0
        self.lab: Lab

    def switch_on(self, *present: DriveSpec) -> None:
        """With these drives in their bays."""
        self._starts += 1
        folder = self._folder / str(self._starts)
        folder.mkdir()
        lab = Lab(drives=present, cpus=1, folder=folder, disk=self._disk, boot_timeout_s=600)
        lab.__enter__()
        self.lab = lab

    def cut_power(self) -> None:
        self.lab.__exit__()

    # -- the console --

    def do(self, command: str) -> str:
        """Run to its end; what it says. It has to work."""
        status, said = self.tried(command)
        assert status == 0, f"{command} ended with {status}: {said}"
        return said

    def tried(self, command: str) -> tuple[int, str]:
        ended = self.lab.shell(f"exec 2>&1\n{command}", timeout_s=900)
        return ended.status, ended.stdout

    def show(self, unit: str, name: str) -> str:
        return self.do(f"systemctl show --property={name} --value {unit}").strip()

    def main(self, unit: str = DAEMON) -> int:
        return int(self.show(unit, "MainPID"))

    def is_active(self, unit: str = DAEMON) -> bool:
        return self.tried(f"systemctl is-active {unit}")[1].strip() == "active"

    def log(self) -> str:
        return self.do("journalctl --output=cat --no-pager --lines=60 --unit='ingestd*'")

    def patiently(self, look: Callable[[], T | None], what: str, within_s: float = PATIENCE_S) -> T:
        deadline = time.monotonic() + within_s
        while not (found := look()):
            assert time.monotonic() < deadline, f"{what} did not come to pass:\n{self.log()}"
            time.sleep(0.5)
        return found

    # -- the station --

    def configure(self, rate: int) -> None:
        bays = "".join(f'[[bays]]\nname = "{name}"\npath = ["{path}"]\n' for name, path in BAYS.items())
        (self.lab.share / "ingestd.toml").write_text(CONFIG.format(rate=rate) + bays)
        self.do(f"install -g ingestd -m 640 {GUEST_SHARE}/ingestd.toml /etc/ingestd/ingestd.toml")

    def announce(self, serial: str) -> None:
        """A job for this drive, told by the command for it."""
        job = f"TW-{serial}"
        data = {
            "job_id": job,
            "version": 1,
            "tenant": TENANT,
            "drives": [{"serial": serial}],
            "items": [],
            "destination": {"store": "archive", "prefix": f"{TENANT}/{job}"},
        }
        head = {"specversion": "1.0", "id": job, "source": "/orders", "type": "ingest.job.announced"}
        (self.lab.share / "notice.json").write_text(json.dumps({**head, "data": data}))
        self.do(f"ingestd send {GUEST_SHARE}/notice.json")

    def picture(self) -> dict[str, Any]:
        status, said = self.tried("cat /var/lib/ingestd/status.json")
        return dict(json.loads(said)) if status == 0 else {"loads": []}

    def load(self, serial: str) -> dict[str, Any] | None:
        return next((x for x in self.picture()["loads"] if x["drive"] == serial), None)

    def until_some_is_stored(self, serial: str) -> None:
        def look() -> bool:
            load = self.load(serial)
            return load is not None and load["phase"] == "loading" and load["ledger"]["arrived_bytes"] > 0

        self.patiently(look, f"{serial} in mid-load")

    def wait_restart(self, unit: str, process: int) -> None:
        """Until it is active as another process than this one."""
        self.patiently(lambda: self.is_active(unit) and self.main(unit) != process, f"{unit} anew")

    def released(self, serial: str) -> dict[str, Any]:
        """What was said when this drive was released."""

        def look() -> dict[str, Any] | None:
            said = self.do("cd /var/lib/ingestd/spool/events && for x in [0-9]*; do cat $x; echo; done")
            told = [json.loads(line) for line in said.splitlines() if '"ingest.drive.released"' in line]
            found = [x["data"] for x in told if x["data"]["drive"]["serial"] == serial]
            return found[0] if found else None

        return self.patiently(look, f"the release of {serial}")

    def stored(self, serial: str) -> dict[str, str]:
        """SHA-256 by name of what the store has for this drive's job."""
        said = self.do(f"cd /srv/archive/{TENANT}/TW-{serial} && find -type f -exec sha256sum {{}} +")
        found = [line.split("  ./", 1) for line in said.splitlines()]
        return {name: digest for digest, name in found if not name.startswith(".ingest/")}

    @contextmanager
    def visit(self, serial: str, image: Path, **spec: Any) -> Iterator[Drive]:
        """A drive that is there for a while. Nothing may ever have been written to it."""
        before = hashlib.sha256(image.read_bytes()).digest()
        drive = self.lab.plug(image, serial=serial, **spec)
        try:
            yield drive
            assert self.lab.traffic(drive)["write_requests"] == 0
        finally:
            if drive in self.lab.drives:
                self.lab.unplug(drive)
        assert hashlib.sha256(image.read_bytes()).digest() == before

    def nothing_is_left(self) -> None:
        """No mount, loop device or overlay of a drive."""
        assert self.do("losetup --noheadings --list; dmsetup ls").strip() in ("", "No devices found")
        assert "ingestd" not in self.do("cut -d' ' -f2 /proc/1/mounts | grep -v credentials || true")
