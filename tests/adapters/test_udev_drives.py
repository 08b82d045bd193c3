"""Disks as drives, with a real udev: what is taken, what is left alone, and what a flood of events does.

Loop devices stand for disks; udev is told to give them the properties of real ones.
"""

from __future__ import annotations

import ctypes
import os
import queue
import random
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import pyudev

from ingestd.core.drive import Health, Sighting
from ingestd.core.health import risen
from ingestd.core.messages import DriveAppeared, DriveGone
from ingestd.core.model import BayName
from ingestd.drives import block, interface, power, smart
from ingestd.drives.bays import Bay
from ingestd.drives.disks import Disk, Disks, Users
from ingestd.drives.overlay import Scratch
from ingestd.drives.power import make_safe_to_pull
from ingestd.drives.privileged.keeper import HeldGrip, Keeper, KeeperSettings
from ingestd.drives.privileged.verbs import BayOf, DeviceName
from ingestd.drives.udev import UdevDrives, bay_finder
from ingestd.drives.uevents import Ears, Uevents, listen
from ingestd.drives.watch import DriveWatch
from ingestd.ports import DriveGoneError, DriveUnreadable, ToolFailed
from tests.support.drives import Going, attach, make_image, udev_drives, unplug_all, unplug_image
from tests.support.udevd import HERE, UDEV_ONLY, settle, tell, told_of_images, udevd

pytestmark = [*UDEV_ONLY]

SOON_S = 20.0
FLOOD = 100_000
Told = DriveAppeared | DriveGone


def bay(name: str, **more: Any) -> Bay:
    return Bay(name=BayName(name), paths=(f"{HERE}-{name}-*",), **more)


@pytest.fixture(scope="module", autouse=True)
def udev() -> Iterator[None]:
    with udevd():
        yield


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    with told_of_images(tmp_path):
        yield tmp_path
        unplug_all(tmp_path)
        settle()


def image(folder: Path, name: str, place: str | None, *, size_mib: int = 1, **facts: str) -> Path:
    """A blank image that udev takes for a disk in a bay, or for one without a path."""
    path = folder / f"{name}.img"
    with path.open("wb") as file:
        file.truncate(size_mib << 20)
    known: Mapping[str, str] = {"ID_PATH": f"{HERE}-{place}-scsi-0"} if place is not None else {}
    tell(path, {"ID_SERIAL_SHORT": f"TW-{name}", **known, **facts})
    return path


def plug(path: Path) -> str:
    device = attach(path)
    settle()
    return device


def make_drives(folder: Path, *bays: Bay) -> UdevDrives:
    return udev_drives(bays, folder / "mounts")


def in_bays(drives: UdevDrives) -> dict[str, str]:
    return {sighting.bay: sighting.handle.locator for sighting in drives.enumerate()}


# -- what is taken ----------------------------------------------------------------------------------


def test_only_what_is_in_a_bay_is_seen(folder: Path) -> None:
    here, elsewhere, pathless = (
        plug(image(folder, name, place)) for name, place in (("a", "one"), ("b", "two"), ("c", None))
    )
    assert in_bays(make_drives(folder, bay("one"), bay("three"))) == {"one": here}
    drives = make_drives(folder, Bay(name=BayName("bench"), match=(("DEVNAME", pathless),)))
    assert in_bays(drives) == {"bench": pathless}
    assert Path(f"/sys/block/{os.path.basename(elsewhere)}/ro").read_text() == "0\n"


def test_a_drive_in_two_bays_at_once_is_left_alone(folder: Path) -> None:
    device = plug(image(folder, "a", "one"))
    drives = make_drives(folder, bay("one"), Bay(name=BayName("two"), paths=(f"{HERE}-o*",)))
    assert in_bays(drives) == {}
    assert drives.passed_over == (
        f"{device} is left alone, it is in one and two at once: correct the patterns in [[bays]]",
    )


def test_a_second_disk_in_a_bay_is_told(folder: Path) -> None:
    drives = make_drives(folder, bay("one"))
    nodes = {plug(image(folder, "a", "one")), plug(image(folder, "b", "one"))}
    assert {sighting.handle.locator for sighting in drives.enumerate()} == nodes
    (text,) = drives.passed_over
    assert text.startswith("one has 2 disks (/dev/loop")
    assert text.endswith("): only one is taken, pull the others")


def test_an_old_entry_of_udev_s_is_not_taken_for_the_next_drive(folder: Path) -> None:
    """Until udev is done with the new disk, its database has the one before it under the same node."""
    drives = make_drives(folder, bay("one"), bay("two"))
    device = plug(image(folder, "a", "one"))
    subprocess.run(["udevadm", "control", "--stop-exec-queue"], check=True)
    try:
        unplug_image(device)
        subprocess.run(["losetup", device, str(image(folder, "b", "two"))], check=True)
        assert in_bays(drives) == {}
    finally:
        subprocess.run(["udevadm", "control", "--start-exec-queue"], check=True)
    settle()
    assert in_bays(drives) == {"two": device}


# -- what is left alone -----------------------------------------------------------------------------


def test_a_mounted_disk_is_left_alone_until_it_is_free(folder: Path) -> None:
    path = image(folder, "a", "one")
    make_image(path)
    device, point = plug(path), folder / "point"
    drives = make_drives(folder, bay("one"))
    point.mkdir()
    subprocess.run(["mount", "-o", "ro", device, str(point)], check=True)
    try:
        assert in_bays(drives) == {}
        assert drives.passed_over == (
            f"the disk in one is left alone, something else uses it: {device} is mounted at {point}",
        )
    finally:
        subprocess.run(["umount", str(point)], check=True)
    assert in_bays(drives) == {"one": device}
    assert not drives.passed_over


def test_a_disk_that_was_mounted_later_is_not_opened(folder: Path) -> None:
    path = image(folder, "a", "one")
    make_image(path)
    device, point = plug(path), folder / "point"
    drives = make_drives(folder, bay("one"))
    (sighting,) = drives.enumerate()
    point.mkdir()
    subprocess.run(["mount", "-o", "ro", device, str(point)], check=True)
    try:
        assert list(drives.enumerate()) == [sighting], "a drive that is at work is not taken for unplugged"
        with pytest.raises(ToolFailed, match=f"in one: {device} is mounted at"):
            drives.open(sighting.handle, Going())
    finally:
        subprocess.run(["umount", str(point)], check=True)


def test_nobody_else_can_mount_a_drive_that_is_open(folder: Path) -> None:
    path = image(folder, "a", "one")
    make_image(path)
    device, point = plug(path), folder / "point"
    point.mkdir()
    drives = make_drives(folder, bay("one"))
    (sighting,) = drives.enumerate()
    opened = drives.open(sighting.handle, Going())
    mount = ["mount", "-o", "ro", device, str(point)]
    refused = subprocess.run(mount, check=False, capture_output=True, text=True)
    opened.close()
    assert refused.returncode != 0
    assert "busy" in refused.stderr
    subprocess.run(mount, check=True)
    subprocess.run(["umount", str(point)], check=True)


def test_a_disk_that_is_claimed_without_a_trace_is_not_opened(folder: Path) -> None:
    path = image(folder, "a", "one")
    device = plug(path)
    drives = make_drives(folder, bay("one"))
    (sighting,) = drives.enumerate()
    fd = os.open(device, os.O_RDONLY | os.O_EXCL)
    try:
        with pytest.raises(ToolFailed, match=r"something else has .* in use"):
            drives.open(sighting.handle, Going())
    finally:
        os.close(fd)


def test_a_window_of_ours_that_udev_still_reads_is_waited_for(folder: Path) -> None:
    """udev looks into each loop device that appears. On a slow drive that takes seconds, and until then the
    window has the claim of whoever opened the drive before."""
    path = image(folder, "a", "one")
    make_image(path)
    device = plug(path)
    drives = make_drives(folder, bay("one"))
    (sighting,) = drives.enumerate()
    opened = drives.open(sighting.handle, Going())
    windows = [node.path for node in block.loop_nodes() if node.backing == device]
    assert windows
    reading = [os.open(window, os.O_RDONLY) for window in windows]
    opened.close()
    letting_go = threading.Timer(2.0, lambda: list(map(os.close, reading)))
    letting_go.start()
    drives.open(sighting.handle, Going()).close()
    letting_go.join()


def test_swap_mounts_and_partitions_count_as_use() -> None:
    mounted = ("8:17", "/dev/sdb1", "/media/kelp")
    users = Users(mounts=(mounted, ("0:41", "/dev/sdc", "/srv")), swaps=("/dev/sdd2",))
    assert users.user_of({"8:16", "8:17"}, {"/dev/sdb"}) == "/dev/sdb1 is mounted at /media/kelp"
    assert users.user_of({"8:32"}, {"/dev/sdc"}) == "/dev/sdc is mounted at /srv"  # Btrfs hides the number
    assert users.user_of({"8:48"}, {"/dev/sdd", "/dev/sdd2"}) == "/dev/sdd2 is swap space"
    assert users.user_of({"8:64"}, {"/dev/sde"}) is None


def test_the_system_s_own_disk_is_in_no_bay_that_could_take_it(folder: Path) -> None:
    """Whatever is mounted here comes from a disk that a pattern for everything must not take."""
    drives = make_drives(folder, Bay(name=BayName("all"), match=(("DEVNAME", "/dev/*"),)))
    before = Users.now()
    seen = {sighting.handle.locator for sighting in drives.enumerate()}
    after = Users.now()
    assert not seen & {mount[1] for mount in before.mounts if mount in after.mounts}
    assert all(sighting.handle.locator.startswith("/dev/") for sighting in drives.enumerate())


# -- what disks say of themselves -------------------------------------------------------------------

REPORTS = Path(__file__).parents[1] / "smartctl"


def saying(*reports: str) -> tuple[list[str], Callable[[Disk, str], smart.Ask]]:
    """A way to ask disks, each time with the next report, and the nodes that were asked."""
    asked: list[str] = []

    def ask_disk(disk: Disk, line: str) -> smart.Ask:
        def ask(_: str | None) -> str:
            asked.append(disk.node)
            return (REPORTS / f"{reports[min(len(asked), len(reports)) - 1]}.json").read_text()

        return ask

    return asked, ask_disk


def test_a_disk_is_asked_once_for_each_plugging_in(folder: Path) -> None:
    asked, ask_disk = saying("ata-sectors", "ata-sectors-later")
    device = plug(image(folder, "a", "one"))
    drives = udev_drives([bay("one")], folder / "mounts", ask_disk)
    (sighting,) = drives.enumerate()
    for _ in range(2):
        opened = drives.open(sighting.handle, Going())
        assert opened.facts.identity.serial == "BC70KELP", "the disk's own word wins"
        assert opened.facts.health.verdict is Health.SUSPECT
        opened.close()
    assert asked == [device]
    now = drives.health(sighting.handle)
    assert risen(opened.facts.health, now) == ("pending sectors (197): 16, now 24",)
    unplug_image(device)
    assert drives.health(sighting.handle).verdict is Health.UNKNOWN


def test_a_serial_that_two_enclosures_share_counts_for_neither(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(interface, "line_of", lambda folder: (interface.USB_3, None))
    drives = udev_drives([bay("one"), bay("two")], folder / "mounts", lambda disk, line: None)
    plug(image(folder, "a", "one", ID_SERIAL_SHORT="Q7700451"))
    assert serials(drives) == {"one": "Q7700451"}
    plug(image(folder, "b", "two", ID_SERIAL_SHORT="Q7700451"))
    assert serials(drives) == {"one": None, "two": None}


def serials(drives: UdevDrives) -> dict[str, str | None]:
    found: dict[str, str | None] = {}
    for sighting in drives.enumerate():
        opened = drives.open(sighting.handle, Going())
        opened.close()
        found[sighting.bay] = opened.facts.identity.serial
    return found


# -- release ----------------------------------------------------------------------------------------


def taken_off(node: str) -> bool:
    unplug_image(node)
    return True


def test_a_drive_taken_off_its_bus_is_shown_until_another_is_in_the_bay(folder: Path) -> None:
    drives = udev_drives([bay("one")], folder / "mounts", make_safe=taken_off)
    plug(image(folder, "a", "one"))
    (released,) = drives.enumerate()
    assert drives.power_down(released.handle)
    assert list(drives.enumerate()) == list(drives.enumerate()) == [released]
    with pytest.raises(DriveGoneError):
        drives.open(released.handle, Going())
    plug(image(folder, "b", "one"))
    (after,) = drives.enumerate()
    assert after.identity.serial == "TW-b"
    unplug_all(folder)
    assert list(drives.enumerate()) == [], "and the one before is forgotten for good"


def test_no_other_disk_gets_the_node_of_one_that_is_taken_off(folder: Path) -> None:
    """The kernel gives a node away only once nobody has it open."""

    def holds(node: str) -> bool:
        return any(os.path.samefile(node, f"/proc/self/fd/{fd}") for fd in open_descriptors())

    drives = udev_drives([bay("one")], folder / "mounts", make_safe=holds)
    plug(image(folder, "a", "one"))
    (sighting,) = drives.enumerate()
    assert drives.power_down(sighting.handle)


def open_descriptors() -> list[str]:
    return [fd for fd in os.listdir("/proc/self/fd") if os.path.exists(f"/proc/self/fd/{fd}")]


def test_a_drive_that_stays_on_its_bus_is_seen_as_before(folder: Path) -> None:
    drives = udev_drives([bay("one")], folder / "mounts", make_safe=lambda node: False)
    device = plug(image(folder, "a", "one"))
    (sighting,) = drives.enumerate()
    assert not drives.power_down(sighting.handle)
    assert list(drives.enumerate()) == [sighting]
    unplug_image(device)
    assert list(drives.enumerate()) == []


def test_a_drive_that_cannot_be_taken_off_its_bus_is_not_shown_after_it_was_pulled(folder: Path) -> None:
    def fails(node: str) -> bool:
        raise ToolFailed("the daemon has to run as root")

    drives = udev_drives([bay("one")], folder / "mounts", make_safe=fails)
    device = plug(image(folder, "a", "one"))
    (sighting,) = drives.enumerate()
    with pytest.raises(ToolFailed):
        drives.power_down(sighting.handle)
    assert list(drives.enumerate()) == [sighting]
    unplug_image(device)
    assert list(drives.enumerate()) == []


def test_a_drive_that_something_else_uses_is_not_powered_down(folder: Path) -> None:
    path = image(folder, "a", "one")
    make_image(path)
    device, point = plug(path), folder / "point"
    drives = udev_drives([bay("one")], folder / "mounts", make_safe=taken_off)
    (sighting,) = drives.enumerate()
    point.mkdir()
    subprocess.run(["mount", "-o", "ro", device, str(point)], check=True)
    try:
        with pytest.raises(ToolFailed, match="something else uses the drive"):
            drives.power_down(sighting.handle)
    finally:
        subprocess.run(["umount", str(point)], check=True)


def test_a_site_may_leave_drives_running(folder: Path) -> None:
    drives = udev_drives([bay("one")], folder / "mounts", powers_down=False, make_safe=taken_off)
    plug(image(folder, "a", "one"))
    (sighting,) = drives.enumerate()
    assert not drives.power_down(sighting.handle)
    assert list(drives.enumerate()) == [sighting]


def test_a_loop_device_has_no_power_to_cut(folder: Path) -> None:
    device = plug(image(folder, "a", "one"))
    assert not make_safe_to_pull(device)


# -- drives that the kernel has given up ----------------------------------------------------------


class GivingUp(Keeper):
    """Disks that are offline, as sysfs would have it: a loop device cannot be."""

    def __init__(self, settings: KeeperSettings, bay_of: BayOf) -> None:
        super().__init__(settings, bay_of)
        self.offline = False
        self.revivals = 0
        self.helps = True

    def revive(self, device: DeviceName) -> bool:
        self.revivals += 1
        self.offline = not self.helps
        return self.helps


@pytest.fixture
def giving_up(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[GivingUp, UdevDrives]:
    plug(image(folder, "a", "one"))
    bays = [bay("one")]
    scratch = Scratch(folder=str(folder / "overlays"), bytes_max=0)
    keeper = GivingUp(KeeperSettings(mounts_folder=str(folder / "m"), scratch=scratch), bay_finder(bays))
    monkeypatch.setattr(power, "is_given_up", lambda _: keeper.offline)
    return keeper, UdevDrives(bays, keeper)


def test_a_drive_that_was_taken_offline_has_one_more_chance(giving_up: tuple[GivingUp, UdevDrives]) -> None:
    keeper, drives = giving_up
    (sighting,) = drives.enumerate()
    drives.open(sighting.handle, Going()).close()
    assert keeper.revivals == 0
    keeper.offline = True
    drives.open(sighting.handle, Going()).close()
    assert keeper.revivals == 1
    keeper.offline = True
    drives.enumerate()
    with pytest.raises(DriveGoneError, match=r"offline.*pull it, and plug it in again"):
        drives.open(sighting.handle, Going())
    assert keeper.revivals == 1, "whatever else is on its controller waits each time"


def test_a_drive_that_cannot_be_brought_back_is_not_called_unreadable(
    giving_up: tuple[GivingUp, UdevDrives],
) -> None:
    keeper, drives = giving_up
    (sighting,) = drives.enumerate()
    keeper.offline, keeper.helps = True, False
    with pytest.raises(DriveGoneError, match="offline"):
        drives.open(sighting.handle, Going())
    assert keeper.offline


def test_what_a_drive_says_once_it_was_taken_offline_is_no_look_at_the_medium(
    giving_up: tuple[GivingUp, UdevDrives], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every read fails at once by then, also in a second look that began well."""
    keeper, drives = giving_up
    (sighting,) = drives.enumerate()
    held = drives.open(sighting.handle, Going())
    assert held.still_there()
    keeper.offline = True
    assert not held.still_there()
    held.close()
    keeper.offline = False

    def seal(_: DeviceName) -> HeldGrip:
        keeper.offline = True
        raise DriveUnreadable("Input/output error")

    monkeypatch.setattr(keeper, "seal", seal)
    with pytest.raises(DriveGoneError, match="offline"):
        drives.open(sighting.handle, Going())


# -- watching ---------------------------------------------------------------------------------------


class Watched:
    """A watch on a station, and what it has told."""

    def __init__(self, drives: UdevDrives, interval_s: float, ears: Callable[[], Ears] | None = None) -> None:
        self.told: list[tuple[float, Told]] = []
        self.pause = Uevents(ears or (lambda: listen(drives.context)))
        self.watch = DriveWatch(drives, self._take, interval_s, time.time, self.pause)

    def _take(self, event: Told) -> None:
        self.told.append((time.monotonic(), event))

    def __enter__(self) -> Watched:
        assert self.watch.first() is not None
        self.watch.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.watch.stop()
        assert not self.watch.alive

    @property
    def believed(self) -> dict[str, Sighting]:
        """What the events told until now amount to."""
        found: dict[str, Sighting] = {}
        for _, event in list(self.told):
            if isinstance(event, DriveAppeared):
                assert event.sighting.bay not in found, "a drive appears only in a bay that is empty"
                found[event.sighting.bay] = event.sighting
            else:
                del found[event.bay]
        return found

    def wait(self, condition: Callable[[dict[str, Sighting]], bool], within_s: float = SOON_S) -> None:
        until = time.monotonic() + within_s
        while not condition(self.believed):
            assert time.monotonic() < until, f"believed: {sorted(self.believed)}"
            time.sleep(0.01)


def test_an_event_leads_to_a_look_at_once(folder: Path) -> None:
    path = image(folder, "a", "one")
    drives = make_drives(folder, bay("one"))
    with Watched(drives, interval_s=600) as watched:
        begun = time.monotonic()
        device = attach(path)
        watched.wait(lambda believed: "one" in believed)
        assert watched.told[0][0] - begun < 5.0, "and not at the next regular look"
        unplug_image(device)
        watched.wait(lambda believed: not believed)


def test_a_drive_plugged_in_again_under_another_node_is_the_same_drive(folder: Path) -> None:
    path = image(folder, "a", "one", ID_WWN="0x5000c500a1b2c3d4", ID_MODEL_ENC="Brinecroft\\x202T")
    drives = make_drives(folder, bay("one"))
    with Watched(drives, interval_s=600) as watched:
        device = attach(path)
        watched.wait(lambda believed: "one" in believed)
        unplug_image(device)
        watched.wait(lambda believed: not believed)
        other = folder / "other.img"
        tell(other, {})
        make_image(other, size_mib=4)
        attach(other)  # takes the node
        again = attach(path)
        watched.wait(lambda believed: "one" in believed)
    before, after = (event.sighting for _, event in watched.told if isinstance(event, DriveAppeared))
    assert after.identity.agrees_with(before.identity)
    assert after.handle != before.handle
    assert again != device or before.handle.generation != after.handle.generation


def test_64_drives_within_a_second_are_all_seen_and_none_twice(folder: Path) -> None:
    paths = {f"slot{n:02d}": image(folder, f"n{n:02d}", f"slot{n:02d}") for n in range(64)}
    drives = make_drives(folder, *(bay(name) for name in paths))
    with Watched(drives, interval_s=600) as watched:
        for path in paths.values():
            attach(path)
        watched.wait(lambda believed: len(believed) == 64, within_s=60)
        appeared = [event.sighting for _, event in watched.told if isinstance(event, DriveAppeared)]
        assert len(appeared) == 64
        assert len({sighting.handle for sighting in appeared}) == 64
        assert {f"TW-n{name[4:]}" for name in paths} == {s.identity.serial for s in appeared}
        unplug_all(folder)
        watched.wait(lambda believed: not believed, within_s=60)


# -- a flood ----------------------------------------------------------------------------------------


class OwnNetwork:
    """A thread in a network namespace of its own, so that a flood of events reaches nobody else."""

    def __init__(self) -> None:
        self._work: queue.SimpleQueue[tuple[Callable[[], Any], queue.SimpleQueue[Any]] | None] = (
            queue.SimpleQueue()
        )
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        assert libc.unshare(0x40000000) == 0, os.strerror(ctypes.get_errno())  # CLONE_NEWNET, linux/sched.h
        while (task := self._work.get()) is not None:
            task[1].put(task[0]())

    def do(self, work: Callable[[], Any]) -> Any:
        answer: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._work.put((work, answer))
        return answer.get(timeout=SOON_S)

    def close(self) -> None:
        self._work.put(None)
        self._thread.join()


UDEV_GROUP = 2
"""The multicast group in which udev's daemon tells of what it has dealt with (libudev)."""


def an_event(folder: Path) -> bytes:
    """One of udev's own messages about a block device, as it is on the socket."""
    ears = listen(pyudev.Context())
    device = plug(image(folder, "heard", None))
    with socket.socket(fileno=os.dup(ears.fileno())) as own:
        own.settimeout(SOON_S)
        message = own.recv(65536)
    unplug_image(device)
    assert b"SUBSYSTEM=block" in message
    return message


def with_small_buffer(context: pyudev.Context) -> Ears:
    ears = listen(context)
    with socket.socket(fileno=os.dup(ears.fileno())) as own:
        own.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 64 * 1024)
    return ears


def sender() -> socket.socket:
    own = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, 15)  # NETLINK_KOBJECT_UEVENT, linux/netlink.h
    own.bind((0, 0))
    return own


def flood(own: socket.socket, message: bytes, count: int) -> None:
    for _ in range(count):
        try:
            own.sendto(message, (0, 1 << (UDEV_GROUP - 1)))
        except OSError:
            time.sleep(0)  # nobody listens just now, or a listener's buffer is full


def test_a_flood_of_events_leaves_the_right_picture(folder: Path) -> None:
    message = an_event(folder)
    names = [f"slot{n:02d}" for n in range(24)]
    paths = {name: image(folder, f"n{name[4:]}", name) for name in names}
    drives = make_drives(folder, *(bay(name) for name in names))
    network, chance = OwnNetwork(), random.Random(2026)
    own: socket.socket = network.do(sender)
    plugged: dict[str, str] = {}
    with (
        own,
        Watched(drives, 2.0, lambda: network.do(lambda: with_small_buffer(drives.context))) as watched,
    ):
        flooding = threading.Thread(target=flood, args=(own, message, FLOOD))
        flooding.start()
        while flooding.is_alive() or len(plugged) < 8:
            name = chance.choice(names)
            if name in plugged:
                unplug_image(plugged.pop(name))
            else:
                plugged[name] = attach(paths[name])
        flooding.join()
        over = time.monotonic()
        watched.wait(
            lambda believed: {b: s.handle.locator for b, s in believed.items()} == plugged, within_s=35
        )
        assert time.monotonic() - over < 35
        assert watched.pause.lost > 0, "events were to be lost"
        assert in_bays(drives) == plugged
    network.close()


def test_every_disk_here_can_be_looked_at() -> None:
    """The machine's own disks, however odd, give facts or nothing."""
    for disk in Disks(pyudev.Context()).now():
        assert disk.size_bytes > 0
        assert disk.sequence > 0


def test_a_drive_that_is_in_no_bay_cannot_be_opened(folder: Path) -> None:
    device = plug(image(folder, "a", "one"))
    drives = make_drives(folder, bay("one"))
    (sighting,) = drives.enumerate()
    with pytest.raises(DriveGoneError, match="in no bay"):
        make_drives(folder, bay("two")).open(sighting.handle, Going())
    assert Path(f"/sys/block/{os.path.basename(device)}/ro").read_text() == "0\n"
