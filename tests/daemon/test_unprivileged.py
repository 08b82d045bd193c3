"""The daemon as a user without any privilege, with the helper beside it: a real file system, end to end."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import drives as support
from tests.support import helper as helpers
from tests.support.daemon import Station, checked, sealed, wait_for
from tests.support.drives import make_image, plug_image

pytestmark = list(support.ROOT_ONLY)

NOBODY = 65534
AS_NOBODY = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", "--no-new-privs")


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    (tmp_path / "station").mkdir()
    station = Station(
        tmp_path / "station", drives={"watch": "loop", "helper_socket": f"{tmp_path}/h/helper.sock"}
    )
    station.before = AS_NOBODY
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    (station.spool / "notices").mkdir()
    for folder in (station.root, station.archive, station.spool, station.spool / "notices", station.state):
        os.chown(folder, NOBODY, NOBODY)
    (station.spool / "notices").chmod(0o2770)  # what root puts there belongs to the daemon's group
    yield station
    station.end()
    support.unplug_all(station.bays)


def close_to_others(image: Path, folder: Path) -> None:
    folder.mkdir()
    with support.attached(image) as device:
        subprocess.run(["mount", device, str(folder)], check=True)
        (folder / "private").mkdir(mode=0o700)
        (folder / "private" / "reef.age").write_bytes(sealed(300_000, seed=7))
        (folder / "private" / "reef.age").chmod(0o400)
        (folder / "lost+found").rmdir()
        subprocess.run(["umount", str(folder)], check=True)


def capabilities(pid: int) -> set[str]:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return {line.split()[1] for line in lines if line.startswith(("CapEff", "CapPrm", "CapAmb"))}


def test_a_drive_is_loaded_by_a_daemon_without_privilege(station: Station, tmp_path: Path) -> None:
    image = make_image(station.bays / "bay-1" / "drive.img", {}, label="KELP-03", size_mib=24)
    close_to_others(image, tmp_path / "mnt")
    late = {f"late-{number}.age": sealed(9_000 + number, seed=number) for number in range(20)}
    support.write_into(image, late, cleanly=False)
    before = hashlib.sha256(image.read_bytes()).digest()
    with helpers.running(tmp_path / "h", station.bays, user="nobody") as helper:
        helper.home.chmod(0o755)
        station.start()
        station.announce("TW-2041", "KX-1")
        device = plug_image(station.bays, "bay-1", serial="KX-1", wwn="wwn-1")
        (station.bays / "bay-1" / "drive.json").chmod(0o644)
        loaded = station.wait_event("ingest.job.loaded", within_s=60)
        station.wait_released("KX-1", within_s=60)
        assert station.process is not None
        assert capabilities(station.process.pid) == {"0" * 16}
        wait_for(lambda: not support.windows_over(device), what="the window's end")
        station.stop()
    assert "volume-replayed" in json.dumps(loaded)
    prefix = station.archive / "tidewrack-survey" / "TW-2041"
    for name, body in late.items():
        assert (prefix / name).read_bytes() == body
    assert (prefix / "private" / "reef.age").read_bytes() == sealed(300_000, seed=7)
    (receipt,) = (prefix / ".ingest").glob("*.receipt.json")
    assert json.loads(receipt.read_bytes())["replayed"] == ["volume-1"]
    (custody,) = (station.state / "custody").glob("*.jsonl")
    entries = [json.loads(line) for line in custody.read_bytes().splitlines()]
    identified = next(entry for entry in entries if entry["action"] == "identified")["details"]
    assert identified["write_blocks"] == ["sealed", "read-only-loop", "read-only-mount"]
    assert [(v["driver"], v["overlay"]) for v in identified["volumes"]] == [("ext4", True)]
    assert entries[-1]["action"] == "released"
    (manifest,) = (prefix / ".ingest").glob("*.sha256")
    assert checked(prefix, manifest) == []
    assert len(manifest.read_bytes().splitlines()) == 21
    assert hashlib.sha256(image.read_bytes()).digest() == before
