"""The units: sound to systemd, tight by its own measure, and not so tight that the work cannot be done."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.drives.file_systems import ACCEPTED, DRIVERS
from tests.daemon.conftest import make_station  # noqa: F401 - a fixture
from tests.support import confined
from tests.support import drives as support
from tests.support import helper as helpers
from tests.support.daemon import Station, sealed, wait_for
from tests.support.drives import SONAR, make_file_system, make_image, open_in, plug_image, read_below
from tests.support.helper import Helper

EXPOSURE = {"ingestd.service": 1.5, "ingestd-helper.service": 2.5}
UNITS = sorted(path.name for path in confined.UNITS.iterdir() if path.suffix in (".service", ".socket"))

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian package systemd)"
)
needs_root = pytest.mark.skipif(
    not (confined.works() and support.LOOPS_WORK), reason="needs root, loop devices, systemd and util-linux"
)


@needs_systemd
@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_is_sound(unit: str, tmp_path: Path) -> None:
    # The program is looked for, and is not installed here.
    for name in UNITS:
        text = (confined.UNITS / name).read_text()
        text = text.replace("/opt/ingestd/current/venv/bin/ingestd", "/bin/true")
        (tmp_path / name).write_text(text.replace("Documentation=file:///opt", "Documentation=file:///"))
    told = subprocess.run(
        ["systemd-analyze", "verify", str(tmp_path / unit)], capture_output=True, text=True, check=False
    )
    about_ours = [line for line in told.stderr.splitlines() if "ingestd" in line]
    assert (told.returncode, about_ours) == (0, [])


@needs_systemd
@pytest.mark.parametrize("unit", EXPOSURE)
def test_a_unit_is_as_tight_as_promised(unit: str) -> None:
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager", str(confined.UNITS / unit)],
        capture_output=True,
        text=True,
        check=True,
    )
    (exposure,) = re.findall(r"Overall exposure level for \S+: ([0-9.]+)", told.stdout)
    assert float(exposure) <= EXPOSURE[unit]


def test_a_reload_reads_the_file_first_and_ends_there_if_it_has_problems(tmp_path: Path) -> None:
    unit = confined.settings("ingestd.service")
    first, last = unit["ExecReload"]
    assert last == "/bin/kill -HUP $MAINPID"
    program, *options, file = first.split()
    assert program == unit["ExecStart"][0].split()[0]
    assert file == unit["ExecStart"][0].split()[-1]
    good = confined.UNITS.parent / "deploy" / "ingestd.toml"
    bad = tmp_path / "ingestd.toml"
    bad.write_text(good.read_text() + "\n[no_such_section]\n")
    for path, status in ((good, 0), (bad, 2)):
        command = [sys.executable, "-m", "ingestd", *options, str(path)]
        told = subprocess.run(command, capture_output=True, text=True, check=False)
        assert told.returncode == status, told.stderr
        assert ("no_such_section" in told.stderr) == (path is bad)


MODULES = {"ext2": "ext4", "ext3": "ext4", "iso9660": "isofs"}
"""Which module of the kernel brings a driver that has another name."""


def test_the_service_manager_loads_every_driver_that_the_helper_may_need() -> None:
    unit = confined.settings("ingestd-helper.service")
    drivers = {DRIVERS[kind][0].name for kind in ACCEPTED}
    wanted = {f"modprobe@{MODULES.get(name, name)}.service" for name in drivers}
    wanted |= {f"modprobe@{name}.service" for name in ("loop", "dm_snapshot", "fuse")}
    for key in ("Wants", "After"):
        named = {name for line in unit[key] for name in line.split() if name.startswith("modprobe@")}
        assert named == wanted


def test_overlays_lie_on_a_disk_where_the_helper_may_write() -> None:
    unit = confined.settings("ingestd-helper.service")
    words = unit["ExecStart"][0].split()
    assert words[words.index("--overlays") + 1] == f"/var/cache/{unit['CacheDirectory'][0]}"


@pytest.fixture
def bays(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "bays"
    (folder / "bay-1").mkdir(parents=True)
    yield folder
    support.unplug_all(folder)


@pytest.fixture
def helper(tmp_path: Path, bays: Path) -> Iterator[Helper]:
    before = confined.command("ingestd-helper.service")
    with helpers.running(tmp_path / "helper", bays, before=before) as running:
        yield running


def _status(pid: int, name: str) -> str:
    text = Path(f"/proc/{pid}/status").read_text()
    return str(re.findall(rf"^{name}:\s*(\S+)", text, re.MULTILINE)[0])


@needs_root
@pytest.mark.root
def test_the_helper_works_within_its_unit(helper: Helper, bays: Path) -> None:
    assert helper.process is not None
    # CAP_DAC_READ_SEARCH is 2, CAP_SYS_RAWIO 17 and CAP_SYS_ADMIN 21 in linux/capability.h.
    assert int(_status(helper.process.pid, "CapEff"), 16) == 1 << 2 | 1 << 17 | 1 << 21
    assert _status(helper.process.pid, "Seccomp") == "2"
    image = bays / "bay-1" / "drive.img"
    make_image(image)
    support.write_into(image, {"late.bin": b"l" * 9000}, cleanly=False)
    before = hashlib.sha256(image.read_bytes()).digest()
    plug_image(bays, "bay-1", serial="KX-1")
    opened = open_in(helper.drives(), "bay-1")
    assert opened.facts.volumes[0].replayed
    assert read_below(opened.volumes[0].root_fd, "late.bin") == b"l" * 9000
    assert read_below(opened.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
    opened.drop_caches()
    opened.close()
    assert hashlib.sha256(image.read_bytes()).digest() == before


@needs_root
@pytest.mark.root
@pytest.mark.parametrize(
    ("make", "size_mib"),
    [
        (("mkfs.xfs", "-q"), 320),
        (("mkfs.btrfs", "-q"), 128),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else "",
)
def test_the_helper_mounts_within_its_unit(
    helper: Helper, bays: Path, make: tuple[str, ...], size_mib: int
) -> None:
    make_file_system(bays / "bay-1" / "drive.img", *make, size_mib=size_mib)
    plug_image(bays, "bay-1", serial="KX-1")
    opened = open_in(helper.drives(), "bay-1")
    assert [volume.facts.problem for volume in opened.volumes] == [None]
    assert os.listdir(opened.volumes[0].root_fd) in ([], ["System Volume Information"])
    opened.close()


@needs_root
@pytest.mark.root
def test_the_daemon_works_within_its_unit(make_station: object, tmp_path: Path) -> None:  # noqa: F811
    assert callable(make_station)
    station: Station = make_station(metrics={"listen": "127.0.0.1:0"})
    station.before = confined.command("ingestd.service")
    files = {b"kelp.enc": sealed(3_000_000, 1), b"north/shoal.enc": sealed(40_000, 2)}
    station.write_drive("KQX-1", files)
    (station.spool / "notices").mkdir()
    for folder in (station.root, *station.root.rglob("*")):
        shutil.chown(folder, confined.NOBODY, confined.NOBODY)
    (station.spool / "notices").chmod(0o2770)  # what root puts there belongs to the daemon's group
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    station.start()
    assert station.process is not None
    assert int(_status(station.process.pid, "CapEff"), 16) == 0
    assert int(_status(station.process.pid, "CapBnd"), 16) == 0
    station.announce("TS-1", "KQX-1")
    station.plug("bay-01", "KQX-1")
    (station.bays / "bay-01" / "drive.json").chmod(0o644)
    assert station.wait_released("KQX-1")["outcome"] == "loaded"
    wait_for(lambda: station.lines("metrics_served"), what="metrics")
    assert station.stop() == 0
    assert not [line for line in station.log_lines() if line["level"] in ("error", "critical")]


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
def test_the_helper_takes_the_socket_that_it_is_given(tmp_path: Path, bays: Path) -> None:
    made = Helper(tmp_path / "helper", bays)
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as given:
        given.bind(str(made.socket))
        given.listen()
        # What a service manager does: the socket as descriptor 3, and the number of the process itself.
        program = (
            "import os, sys; os.dup2(int(sys.argv[1]), 3); os.set_inheritable(3, True);"
            "os.environ.update(LISTEN_PID=str(os.getpid()), LISTEN_FDS='1');"
            "os.execv(sys.executable, [sys.executable, '-m', 'ingestd', *sys.argv[2:]])"
        )
        where = ("--config", str(made.config), "--socket", str(made.socket), "--user", "root")
        command = [sys.executable, "-c", program, str(given.fileno()), "helper", *where]
        with made.log.open("ab") as log:
            made.process = subprocess.Popen(
                [*command, "--folder", str(made.home)], pass_fds=[given.fileno()], stdout=log, stderr=log
            )
        wait_for(lambda: "helper_started" in made.logged(), 30, "the helper")
        make_image(bays / "bay-1" / "drive.img")
        plug_image(bays, "bay-1", serial="KX-1")
        opened = open_in(made.drives(), "bay-1")
        assert read_below(opened.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
        opened.close()
        assert made.stop() == 0
    assert made.socket.exists(), "it is the service manager's to take away"
