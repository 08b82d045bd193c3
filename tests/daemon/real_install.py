"""The installation in a root of its own, made by debootstrap: with that root's Python, user and programs.

On demand, since it takes minutes and a mirror of Debian: `tests/run tests/daemon/real_install.py`. A root
that was made before is taken from INGESTD_TEST_ROOT, and copied.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import TENANT, sealed, wait_for

TOP = Path(__file__).parents[2]
PACKAGES = "python3,python3-venv,adduser,systemd,util-linux,ca-certificates"
CONTENT = sealed(16_000_000, 7)

CONFIG = """\
[station]
name = "quay-03"
state_folder = "/var/lib/ingestd"
[bus]
spool_folder = "/var/lib/ingestd/spool"
poll_every_seconds = 0.05
[drives]
bays_folder = "/srv/bays"
poll_every_seconds = 0.05
[uplink]
rate_bytes_per_second = {rate}
[transfer]
buffer_bytes = 65536
[[stores]]
name = "archive"
folder = "/srv/archive"
"""

pytestmark = [pytest.mark.root, pytest.mark.timeout(1200)]


class Host:
    """A station's root folder, and what happens in it."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.daemon: subprocess.Popen[bytes] | None = None

    def do(self, *command: str, user: str = "") -> str:
        """Run to its end; what it says. It has to work."""
        ended = subprocess.run(
            self._inside(command, user), capture_output=True, text=True, check=False, env=self._environment()
        )
        assert ended.returncode == 0, ended.stdout + ended.stderr
        return ended.stdout + ended.stderr

    def _inside(self, command: Sequence[str], user: str) -> list[str]:
        return ["chroot", *([f"--userspec={user}:{user}"] if user else []), str(self.root), *command]

    def _environment(self) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if name.startswith(("PIP_CERT", "SSL_"))}
        return {
            "PATH": "/usr/local/bin:/usr/local/sbin:/usr/bin:/usr/sbin:/bin:/sbin",
            "HOME": "/root",
            **kept,
        }

    def start(self) -> None:
        """As the unit does: that user, that program."""
        (self.root / "var/lib/ingestd/status.json").unlink(missing_ok=True)
        command = self._inside(("/usr/local/bin/ingestd", "run"), "ingestd")
        with (self.root / "var/log/ingestd.log").open("ab") as log:
            self.daemon = subprocess.Popen(command, stdout=log, stderr=log, env=self._environment())
        wait_for(self.picture, 30, "the first status")

    def stop(self) -> None:
        assert self.daemon is not None
        self.daemon.terminate()
        assert self.daemon.wait(20) == 0

    def picture(self) -> dict[str, Any] | None:
        path = self.root / "var/lib/ingestd/status.json"
        return json.loads(path.read_text()) if path.exists() else None

    def load(self) -> dict[str, Any]:
        loads = (self.picture() or {}).get("loads") or [{}]
        return dict(loads[0])

    def own(self, *paths: str) -> None:
        self.do("chown", "-R", "ingestd:ingestd", *paths)


@pytest.fixture
def host(tmp_path: Path) -> Iterator[Host]:
    root, made = tmp_path / "root", os.environ.get("INGESTD_TEST_ROOT")
    if made:
        subprocess.run(["cp", "-a", made, str(root)], check=True)
    else:
        command = ["debootstrap", "--variant=minbase", f"--include={PACKAGES}", "bookworm", str(root)]
        subprocess.run(command, check=True)
    for name in ("etc/resolv.conf", "etc/hosts", "etc/ssl/certs/ca-certificates.crt"):
        if Path("/", name).exists():
            shutil.copy(Path("/", name), root / name)
    for name in ("ingestd", "systemd", "deploy"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(TOP / name, root / "srv/checkout" / name, ignore=ignored)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(TOP / name, root / "srv/checkout" / name)
    subprocess.run(["mount", "-t", "proc", "proc", str(root / "proc")], check=True)
    made_host = Host(root)
    try:
        yield made_host
    finally:
        if made_host.daemon is not None and made_host.daemon.poll() is None:
            made_host.daemon.kill()
            made_host.daemon.wait()
        subprocess.run(["umount", str(root / "proc")], check=True)


def test_a_station_is_installed_upgraded_under_a_load_taken_back_and_taken_off(host: Host) -> None:
    install, root = "/srv/checkout/deploy/install", host.root
    host.do(install)
    config = root / "etc/ingestd/ingestd.toml"
    config.write_text(CONFIG.format(rate=80_000))
    for folder in ("srv/archive", "srv/bays/bay-01", "srv/drive"):
        (root / folder).mkdir(parents=True)
    (root / "srv/drive/kelp.enc").write_bytes(CONTENT)
    host.own("/srv/archive", "/srv/bays", "/srv/drive")
    assert "is ready to run" in host.do("ingestd", "check", user="ingestd")
    before = os.readlink(root / "opt/ingestd/current")

    host.start()
    data = {
        "job_id": "TS-1",
        "version": 1,
        "tenant": TENANT,
        "drives": [{"serial": "KQX-1"}],
        "items": [],
        "destination": {"store": "archive", "prefix": f"{TENANT}/TS-1"},
    }
    head = {"specversion": "1.0", "id": "1", "source": "/orders", "type": "ingest.job.announced"}
    (root / "srv/notice.json").write_text(json.dumps({**head, "data": data}))
    host.do("ingestd", "send", "/srv/notice.json")
    card = {"serial": "KQX-1", "wwn": "0x3000a1b2c3d4", "volumes": [{"path": "/srv/drive"}]}
    (root / "srv/bays/bay-01/drive.json").write_text(json.dumps(card))
    wait_for(lambda: host.load().get("phase") == "loading", 30, "the load")
    wait_for(lambda: host.load()["ledger"]["arrived_bytes"] > 60_000, 30, "some of it")

    with (root / "srv/checkout/ingestd/__init__.py").open("a") as module:
        module.write("# the next version\n")
    host.stop()
    host.do(install)
    assert os.readlink(root / "opt/ingestd/current") != before
    config.write_text(CONFIG.format(rate=8_000_000))
    host.start()
    wait_for(lambda: host.load().get("outcome") == "loaded", 60, "the end of the load")
    assert (root / "srv/archive" / TENANT / "TS-1/kelp.enc").read_bytes() == CONTENT
    assert "loaded" in host.do("ingestd", "status")
    host.stop()

    host.do(install, "--rollback")
    assert os.readlink(root / "opt/ingestd/current") == before
    host.start()
    assert (host.picture() or {})["jobs_ended"] == 1
    host.stop()

    host.do("/srv/checkout/deploy/uninstall")
    assert (root / "var/lib/ingestd/journal/journal.db").exists()
    host.do("/srv/checkout/deploy/uninstall", "--purge")
    assert not (root / "var/lib/ingestd").exists()
    assert "ingestd" not in (root / "etc/passwd").read_text()
    assert (root / "srv/archive" / TENANT / "TS-1/kelp.enc").exists()
