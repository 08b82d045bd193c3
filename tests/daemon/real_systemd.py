"""The units under a real systemd: a Debian 12 in an emulated machine, installed, at work, hurt, upgraded.

On demand, since it takes long, and a mirror of Debian: `tests/run tests/daemon/real_systemd.py -s`.
A root that was made before is taken from INGESTD_TEST_ROOT, and copied. The tests build on one another, in
their order. What pip does is done beforehand, outside the machine; everything else of the installation is
done by `deploy/install` in there.
"""

from __future__ import annotations

import fcntl
import hashlib
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support import drives as support
from tests.support.daemon import sealed
from tests.support.debian import CHECKOUT, Root, debian
from tests.support.stuck import PLACES
from tests.support.systemd_host import DAEMON, FAST, HELPER, SECRET, SLOW, SOCKET, Host
from tests.vmlab import GUEST_SHARE, DriveSpec, Partition, cache_folder, make_image, prepare

MIB = 1 << 20

pytestmark = [pytest.mark.root, pytest.mark.timeout(3600)]

NEXT = "/srv/next"
"""The checkout of the version that follows."""

DROP_INS = "/etc/systemd/system/ingestd.service.d"
INSTALL = f"{CHECKOUT}/deploy/install"


def image_of(folder: Path, serial: str, files: dict[str, bytes]) -> Path:
    return make_image(folder / f"{serial}.img", "32M", fs="ext4", label="KELP-03", files=files)


def digests(files: dict[str, bytes]) -> dict[str, str]:
    return {name: hashlib.sha256(body).hexdigest() for name, body in files.items()}


FILES = {"kelp.enc": sealed(900_000, 1), "north/shoal.enc": sealed(40_000, 2)}
LARGE = {"kelp.enc": sealed(6_000_000, 3)}
SATA = {"east.enc": sealed(150_000, 4)}


@pytest.fixture(scope="module")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A Debian 12 on which ingestd is not installed, but for what pip makes of its two versions."""
    cache_folder().mkdir(parents=True, exist_ok=True)
    kernel = prepare()
    folder = tmp_path_factory.mktemp("debian")
    with debian(folder / "root") as made:
        made.put_checkout()
        _make_versions(made)
        made.put_modules(kernel)
        shutil.copy(Path(__file__).parents[1] / "support/stuck.py", made.folder / "srv")
    made.make_disk(folder / "disk.img")
    shutil.rmtree(folder / "root")
    return folder / "disk.img"


def _make_versions(made: Root) -> None:
    opt, aside = made.folder / "opt/ingestd", made.folder / "srv/aside"
    made.do("cp", "-a", CHECKOUT, NEXT)
    with (made.folder / NEXT[1:] / "ingestd/__init__.py").open("a") as module:
        module.write("# the next version\n")
    made.do(INSTALL)
    made.do(f"{NEXT}/deploy/install", "--force")
    opt.rename(aside)
    made.do(f"{CHECKOUT}/deploy/uninstall", "--purge")
    aside.rename(opt)
    for name in ("current", "previous"):
        (opt / name).unlink()


@pytest.fixture(scope="module")
def sata(tmp_path_factory: pytest.TempPathFactory) -> DriveSpec:
    return DriveSpec(image_of(tmp_path_factory.mktemp("sata"), "KQX-SATA", SATA), "KQX-SATA", bus="sata")


@pytest.fixture(scope="module")
def machine(disk: Path, sata: DriveSpec, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Host]:
    """Switched on. Only one runs at a time, whoever asks."""
    with (cache_folder() / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        host = Host(disk, tmp_path_factory.mktemp("machine"))
        host.switch_on(sata)
        try:
            yield host
        finally:
            host.cut_power()


@pytest.fixture(scope="module")
def host(machine: Host) -> Host:
    """Installed as README.md says, in that order."""
    said = machine.do(INSTALL)
    assert "Now fill in /etc/ingestd/ingestd.toml" in said
    assert not re.search(r"is missing; drives will need it", said)
    machine.configure(FAST)
    machine.do("install -d -o ingestd -g ingestd /srv/archive")
    machine.do(f"mkdir -p {DROP_INS}")
    machine.do(f"printf '[Service]\\nReadWritePaths=/srv/archive\\n' >{DROP_INS}/store.conf")
    machine.do(f"echo '{SECRET}' >/etc/ingestd/credentials/metrics-password")
    checked = "runuser -u ingestd -- ingestd check"
    assert "is ready to run" in machine.do(checked)
    machine.do(INSTALL)
    machine.do(INSTALL)  # once more is no harm
    return machine


def test_both_units_are_up_and_as_confined_as_they_say(host: Host) -> None:
    for unit in (DAEMON, HELPER, SOCKET):
        assert host.is_active(unit)
    assert host.do("systemctl --failed --no-legend").strip() == ""
    assert host.do(f"systemctl is-enabled {DAEMON} {SOCKET}").split() == ["enabled"] * 2
    assert (host.show(DAEMON, "Type"), host.show(DAEMON, "NRestarts")) == ("notify", "0")
    host.patiently(lambda: "jobs pending" in host.show(DAEMON, "StatusText"), "a line for people")
    daemon, helper = host.main(), host.main(HELPER)
    assert set(re.findall(r"^Cap(?:Prm|Eff|Bnd):\s*(\S+)", host.do(f"cat /proc/{daemon}/status"), re.M)) == {
        "0" * 16
    }
    # CAP_DAC_READ_SEARCH is 2, CAP_SYS_RAWIO 17 and CAP_SYS_ADMIN 21 in linux/capability.h.
    (bound,) = re.findall(r"^CapBnd:\s*(\S+)", host.do(f"cat /proc/{helper}/status"), re.M)
    assert int(bound, 16) == 1 << 2 | 1 << 17 | 1 << 21
    assert host.do(f"find /proc/{daemon}/root/dev -type b").strip() == ""
    links = host.do(f"nsenter --net=/proc/{helper}/ns/net cat /proc/net/dev")
    assert re.findall(r"^\s*(\S+):", links, re.M) == ["lo"]
    for unit, most in ((DAEMON, 1.5), (HELPER, 2.5)):
        said = host.do(f"systemd-analyze security --no-pager {unit}")
        (exposure,) = re.findall(r"Overall exposure level for \S+: ([0-9.]+)", said)
        assert float(exposure) <= most


def test_a_credential_reaches_the_daemon_and_nobody_else(host: Host) -> None:
    ask = (
        'python3 -c \'import sys, urllib.request as r; print(r.urlopen(r.Request("http://127.0.0.1:9758/metrics"'
        + (", headers=dict([sys.argv[1:3]] if sys.argv[1:] else []))).status)'")
    )
    assert "401" in host.tried(ask)[1]
    known = f'Authorization "Basic $(printf "prometheus:{SECRET}" | base64)"'
    assert host.do(f"{ask} {known}").strip() == "200"
    status, said = host.tried("runuser -u nobody -- cat /run/credentials/ingestd.service/metrics-password")
    assert (status, SECRET in said) == (1, False)


def test_what_a_disk_says_of_itself_reaches_the_daemon_through_the_helper(host: Host, tmp_path: Path) -> None:
    host.announce("KQX-SATA")
    assert host.released("KQX-SATA")["outcome"] == "loaded"
    assert host.stored("KQX-SATA") == digests(SATA)
    host.announce("KQX-NVME")
    with host.visit("KQX-NVME", image_of(tmp_path, "KQX-NVME", FILES), bus="nvme"):
        assert host.released("KQX-NVME")["powered_down"]
    assert host.stored("KQX-NVME") == digests(FILES)
    said = host.do("ingestd drives")
    assert re.search(r"bay-sata SATA.*\n.*\n +health ok: \d+ °C", said)


def test_a_drive_on_usb_is_loaded_proved_and_released(host: Host, tmp_path: Path) -> None:
    host.announce("KQX-1")
    with host.visit("KQX-1", image_of(tmp_path, "KQX-1", FILES), port=1) as drive:
        told = host.released("KQX-1")
        assert (told["outcome"], told["bay"], told["powered_down"]) == ("loaded", "bay-1", True)
        assert host.tried(f"test -e {drive.device}")[0] == 1, "it is off its bus"
    assert host.stored("KQX-1") == digests(FILES)
    host.nothing_is_left()


def test_every_file_system_is_mounted_and_a_log_is_replayed(host: Host, tmp_path: Path) -> None:
    kinds = ("vfat", "exfat", "ntfs", "xfs")
    parts = [Partition(size=16 * MIB)]
    parts += [Partition(kind, files={f"{kind}.enc": sealed(20_000, 5)}, size=32 * MIB) for kind in kinds]
    image = make_image(tmp_path / "drive.img", "160M", table="gpt", partitions=parts)
    late = {f"late-{number}.enc": sealed(9000, 10 + number) for number in range(5)}
    pulled = support.make_image(tmp_path / "pulled.img", {}, size_mib=16)
    support.write_into(pulled, late, cleanly=False)
    with image.open("r+b") as file:
        file.seek(MIB)
        file.write(pulled.read_bytes())
    host.announce("KQX-2")
    with host.visit("KQX-2", image, port=2, bus="uas"):
        assert host.released("KQX-2")["outcome"] == "loaded"
    stored = {Path(name).name: digest for name, digest in host.stored("KQX-2").items()}
    assert stored == digests({**late, **{f"{kind}.enc": sealed(20_000, 5) for kind in kinds}})
    host.nothing_is_left()


def test_a_disk_in_a_bay_is_sealed_before_the_daemon_is_there(host: Host, tmp_path: Path) -> None:
    host.do(f"systemctl stop {DAEMON} {HELPER} {SOCKET}")
    with host.visit("KQX-3", image_of(tmp_path, "KQX-3", FILES), port=3) as drive:
        for node in (drive.device, *drive.partitions):
            told = host.do(f"udevadm info --query=property --name={node}")
            assert "INGESTD_BAY=bay-3" in told and "ID_FS_TYPE" not in told
            assert host.do(f"blockdev --getro {node}").strip() == "1"
            assert host.tried(f"dd if=/dev/zero of={node} bs=4096 count=1 conv=fsync")[0] == 1
        host.do(f"systemctl start {DAEMON}")
        host.patiently(lambda: host.load("KQX-3"), "the drive that was there before")
        assert host.is_active(SOCKET) and host.is_active(HELPER)
    host.patiently(lambda: (host.load("KQX-3") or {"phase": "released"})["phase"] == "released", "its end")


def test_a_reload_takes_over_what_is_live(host: Host) -> None:
    main = host.main()
    host.configure(SLOW)
    host.do(f"systemctl reload {DAEMON}")
    host.patiently(lambda: '"event": "reloaded"' in host.log(), "the reload")
    host.patiently(host.is_active, "an active unit")
    assert host.main() == main
    assert "80.0 kB/s" in host.do("ingestd status")


def test_a_reload_with_a_file_of_problems_fails_and_changes_nothing(host: Host) -> None:
    main = host.main()
    host.do("cp /etc/ingestd/ingestd.toml /srv/good.toml")
    host.do("printf '\\n[no_such_section]\\n' >>/etc/ingestd/ingestd.toml")
    try:
        assert host.tried(f"systemctl reload {DAEMON}")[0] == 1
        assert "no_such_section" in host.do(f"journalctl -u {DAEMON} --no-pager -n 50")
        assert host.is_active() and host.main() == main
        assert "reload_refused" not in host.log()
    finally:
        host.do("cp /srv/good.toml /etc/ingestd/ingestd.toml")
    host.do(f"systemctl reload {DAEMON}")


def test_a_stop_in_mid_load_is_gone_on_from(host: Host, tmp_path: Path) -> None:
    host.announce("KQX-4")
    with host.visit("KQX-4", image_of(tmp_path, "KQX-4", LARGE), port=1):
        host.until_some_is_stored("KQX-4")
        host.do(f"systemctl stop {DAEMON}")
        assert host.show(DAEMON, "Result") == "success"
        host.nothing_is_left()
        host.configure(FAST)
        host.do(f"systemctl start {DAEMON}")
        assert host.released("KQX-4")["outcome"] == "loaded"
    assert host.stored("KQX-4") == digests(LARGE)


def test_a_kill_of_either_in_mid_load_costs_no_more_than_time(host: Host, tmp_path: Path) -> None:
    host.configure(SLOW)
    host.do(f"systemctl reload {DAEMON}")
    host.announce("KQX-5")
    with host.visit("KQX-5", image_of(tmp_path, "KQX-5", LARGE), port=2):
        for unit in (DAEMON, HELPER):
            host.until_some_is_stored("KQX-5")
            before = host.main(unit)
            host.do(f"kill -KILL {before}")
            host.wait_restart(unit, before)
        host.until_some_is_stored("KQX-5")
        host.configure(FAST)
        host.do(f"systemctl reload {DAEMON}")
        assert host.released("KQX-5")["outcome"] == "loaded"
    assert host.stored("KQX-5") == digests(LARGE)
    host.nothing_is_left()


def _restarted_within(host: Host, hurt: Callable[[], str]) -> float:
    """How long after it was hurt the unit was started anew, in seconds of the machine's clock."""

    def begun() -> float:
        return int(host.show(DAEMON, "ExecMainStartTimestampMonotonic")) / 1e6

    before = begun()
    hurt()
    at = float(host.do("cut -d' ' -f1 /proc/uptime"))
    host.patiently(lambda: begun() not in (0.0, before), "a new start")
    return begun() - at


def test_a_daemon_that_is_stopped_dead_is_started_anew_within_a_minute(host: Host) -> None:
    took_s = _restarted_within(host, lambda: host.do(f"kill -STOP {host.main()}"))
    print(f"\nstarted anew {took_s:.1f} s after it was stopped dead")
    assert took_s < 60
    host.patiently(host.is_active, "an active unit")


@pytest.mark.parametrize("place", PLACES)
def test_a_loop_that_stands_still_has_the_daemon_started_anew_within_a_minute(host: Host, place: str) -> None:
    python = "/opt/ingestd/current/venv/bin/python"
    run = f"{python} /srv/stuck.py {place} run --config /etc/ingestd/ingestd.toml"
    drop_in = "/run/systemd/system/ingestd.service.d"
    host.do(
        f"mkdir -p {drop_in} && printf '[Service]\\nExecStart=\\nExecStart={run}\\n' >{drop_in}/stuck.conf"
    )
    host.do(f"systemctl daemon-reload && systemctl restart {DAEMON}")
    try:
        # The bays are looked at when something happens, else every half a minute.
        look = "udevadm trigger --settle --action=change /sys/class/block/vda"
        took_s = _restarted_within(host, lambda: host.do(f"touch /etc/ingestd/stuck && {look}"))
    finally:
        host.do(f"rm -f /etc/ingestd/stuck {drop_in}/stuck.conf && systemctl daemon-reload")
    print(f"\n{place}: started anew {took_s:.1f} s after it stood still")
    assert took_s < 60
    host.do(f"systemctl reset-failed {DAEMON} && systemctl restart {DAEMON}")


def test_an_upgrade_and_the_way_back_in_mid_load(host: Host, tmp_path: Path) -> None:
    host.configure(SLOW)
    host.do(f"systemctl reload {DAEMON}")
    before = host.do("readlink /opt/ingestd/current")
    host.announce("KQX-6")
    with host.visit("KQX-6", image_of(tmp_path, "KQX-6", LARGE), port=3):
        host.until_some_is_stored("KQX-6")
        host.do(f"{NEXT}/deploy/install")
        after = host.do("readlink /opt/ingestd/current")
        assert after != before and host.is_active()
        assert after.strip() in host.do(f"tr '\\0' ' ' </proc/{host.main()}/cmdline")
        host.until_some_is_stored("KQX-6")
        host.do(f"{NEXT}/deploy/install --rollback")
        assert host.do("readlink /opt/ingestd/current") == before and host.is_active()
        host.until_some_is_stored("KQX-6")
        host.configure(FAST)
        host.do(f"systemctl reload {DAEMON}")
        assert host.released("KQX-6")["outcome"] == "loaded"
    assert host.stored("KQX-6") == digests(LARGE)


def test_a_configuration_that_is_broken_is_mended_and_the_station_installed_again(host: Host) -> None:
    sound = host.do("cat /etc/ingestd/ingestd.toml")
    drop_in = "/run/systemd/system/ingestd-helper.service.d"
    host.do(f"mkdir -p {drop_in} && printf '[Unit]\\nStartLimitBurst=2\\n' >{drop_in}/limit.conf")
    host.do("echo '[tides]' >>/etc/ingestd/ingestd.toml")
    host.do(f"systemctl stop {DAEMON}")
    assert host.tried(INSTALL)[0] == 1
    # The helper reads the file as well. Without it the daemon is not even started.
    host.patiently(
        lambda: host.show(SOCKET, "ActiveState") == "failed", "starts that fail, and the last of them"
    )
    assert host.show(HELPER, "ActiveState") == "failed"
    assert not host.is_active()
    (host.lab.share / "sound.toml").write_text(sound)
    host.do(f"install -g ingestd -m 640 {GUEST_SHARE}/sound.toml /etc/ingestd/ingestd.toml")
    host.do(f"rm {drop_in}/limit.conf && {INSTALL}")
    assert host.is_active() and host.is_active(HELPER)
    assert host.do("systemctl --failed --no-legend").strip() == ""


def test_a_power_cut_in_mid_load_is_gone_on_from_when_the_machine_starts(
    host: Host, sata: DriveSpec, tmp_path: Path
) -> None:
    host.configure(SLOW)
    host.do(f"systemctl reload {DAEMON}")
    host.announce("KQX-7")
    image = image_of(tmp_path, "KQX-7", LARGE)
    host.lab.plug(image, serial="KQX-7", port=1)
    host.until_some_is_stored("KQX-7")
    host.configure(FAST)
    host.do("sync")
    host.cut_power()
    host.switch_on(sata, DriveSpec(image, "KQX-7", port=1))
    assert host.released("KQX-7")["outcome"] == "loaded"
    assert host.stored("KQX-7") == digests(LARGE)
    assert host.do("systemctl --failed --no-legend").strip() == ""


def test_off_leaves_the_journal_and_purged_leaves_the_customers_data(host: Host) -> None:
    off = f"{CHECKOUT}/deploy/uninstall"
    for _ in range(2):  # once more is no harm
        host.do(off)
        assert host.tried(f"systemctl cat {DAEMON} {HELPER} {SOCKET}")[0] == 1
        host.do(f"test -e /var/lib/ingestd/journal/journal.db -a -e {DROP_INS}/store.conf")
    assert host.do("pgrep -u ingestd || true").strip() == ""
    host.do(f"{off} --purge")
    host.do(f"test ! -e /var/lib/ingestd -a ! -e /etc/ingestd -a ! -e {DROP_INS}")
    assert host.tried("getent passwd ingestd")[0] == 2
    assert host.stored("KQX-7") == digests(LARGE)
    assert host.do("systemctl --failed --no-legend").strip() == ""
