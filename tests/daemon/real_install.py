"""The installation in a root of its own, made by debootstrap: with that root's Python, user and programs.

On demand, since it takes minutes and a mirror of Debian: `tests/run tests/daemon/real_install.py`. A root
that was made before is taken from INGESTD_TEST_ROOT, and copied.
"""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import TENANT, sealed, wait_for
from tests.support.debian import Root, debian

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

    def __init__(self, made: Root) -> None:
        self.made = made
        self.root = made.folder
        self.do = made.do
        self.program = "/usr/local/bin/ingestd"
        self.daemon: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """As the unit does: that user, that program."""
        (self.root / "var/lib/ingestd/status.json").unlink(missing_ok=True)
        command = self.made.inside((self.program, "run"), "ingestd")
        with (self.root / "var/log/ingestd.log").open("ab") as log:
            self.daemon = subprocess.Popen(command, stdout=log, stderr=log, env=self.made.environment())
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
    with debian(tmp_path / "root") as made:
        made.put_checkout()
        host = Host(made)
        try:
            yield host
        finally:
            if host.daemon is not None and host.daemon.poll() is None:
                host.daemon.kill()
                host.daemon.wait()


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


def test_the_package_is_installed_upgraded_taken_back_and_purged(host: Host) -> None:
    root, state = host.root, host.root / "var/lib/ingestd"
    for revision in ("1", "2"):
        host.do("/srv/checkout/deploy/build-deb", "--revision", revision, "/srv/debs")
    first, second = ("/srv/debs/" + path.name for path in sorted((root / "srv/debs").iterdir()))
    assert "Fill in /etc/ingestd/ingestd.toml" in host.do("dpkg", "--install", first)
    config = root / "etc/ingestd/ingestd.toml"
    config.write_text(CONFIG.format(rate=8_000_000))
    for folder in ("srv/archive", "srv/bays/bay-01"):
        (root / folder).mkdir(parents=True)
    host.own("/srv/archive", "/srv/bays")
    assert "is ready to run" in host.do("ingestd", "check", user="ingestd")
    (root / "etc/ingestd/credentials/amqp-password").write_text("spring tide\n")
    wanted = root / "etc/systemd/system/multi-user.target.wants/ingestd.service"
    assert not wanted.is_symlink()
    host.do("dpkg-reconfigure", "ingestd")
    assert wanted.is_symlink()
    handed_over = root / "etc/systemd/system/ingestd.service.d/credentials.conf"
    assert "LoadCredential=amqp-password:/etc/ingestd/credentials/amqp-password" in handed_over.read_text()
    host.program = "/usr/bin/ingestd"
    host.start()
    host.stop()

    host.do("dpkg", "--install", second)
    assert (state / "before-0.1.0-2.from").read_text() == "0.1.0-1\n"
    assert config.read_text() == CONFIG.format(rate=8_000_000)
    # As a later version would leave it.
    later = "import sqlite3; c = sqlite3.connect('/var/lib/ingestd/journal/journal.db');"
    host.do("python3", "-c", f"{later} c.execute('PRAGMA user_version = 999')")
    assert "a form that 0.1.0-1 does not know" in host.do("dpkg", "--install", first)
    host.start()
    host.stop()

    (state / "archive").mkdir()
    host.do("dpkg", "--remove", "ingestd")
    assert (state / "journal/journal.db").exists() and config.exists()
    assert not (root / "usr/lib/ingestd").exists() and not handed_over.exists()
    assert "that is not ingestd's own" in host.do("dpkg", "--purge", "ingestd")
    assert [path.name for path in state.iterdir()] == ["archive"]
    assert not config.parent.exists()
    assert not wanted.is_symlink()

    (root / "opt/ingestd/current").mkdir(parents=True)
    assert subprocess.run(host.made.inside(["dpkg", "--install", first]), check=False).returncode == 1
