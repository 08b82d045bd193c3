"""The verbs, performed in this process: it has to run as root.

Three things keep a drive from being written to, each of them enough by itself for what it covers: the
seal (the kernel refuses writes to the disk and its partitions), a read-only loop device under every
mount (its driver refuses them), and a device cgroup that grants reading only (see the guide).
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from ingestd.core.drive import VolumeFacts, VolumeFlaw
from ingestd.core.model import BayName
from ingestd.drives import block, mounts, overlay, power, smart
from ingestd.drives.file_systems import ACCEPTED, WITH_LOG, driver_for
from ingestd.drives.overlay import Scratch
from ingestd.drives.privileged import claims, tidying
from ingestd.drives.privileged.verbs import BayOf, DeviceName, Mounted
from ingestd.drives.probing import Place, probe
from ingestd.drives.programs import run
from ingestd.drives.volumes import root_of
from ingestd.files import open_beneath
from ingestd.ports import CancelToken, DriveGoneError, DriveSwapped, Problem, ToolFailed

HEALTH_S = 30.0
_DEVICE_TYPE = re.compile(r"[a-z][a-z0-9]{0,15}(,[a-z0-9]{1,8}){0,2}", re.ASCII)
_HIBERNATED = b"hibr"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperSettings:
    """Where mounts and overlays may lie, and which file systems the site takes."""

    mounts_folder: str
    scratch: Scratch
    accepted: Collection[str] = ACCEPTED
    demanded: Collection[str] = ()
    """Those of them that the site named itself: a driver that is missing for one is a problem."""

    @property
    def claims_folder(self) -> str:
        return os.path.join(os.path.dirname(self.mounts_folder), "claims")


def _stays_on(node: str) -> bool:  # noqa: ARG001  the shape of a way to power off
    return False


class Keeper:
    """Performs the verbs for disks that stand in a bay, as `bay_of` has it."""

    def __init__(
        self,
        settings: KeeperSettings,
        bay_of: BayOf,
        cut_power: Callable[[str], bool] = _stays_on,
    ) -> None:
        """`cut_power` makes the disk at a node safe to pull, and says whether it could."""
        self._settings = replace(settings, mounts_folder=os.path.realpath(settings.mounts_folder))
        self._bay_of = bay_of
        self._cut_power = cut_power
        self._sealed: set[str] = set()
        """Loop nodes to which the seal has to be lifted once they are free."""
        self._lock = threading.Lock()

    def seal(self, device: DeviceName) -> HeldGrip:
        node, bay = self._node_of(device)
        with contextlib.ExitStack() as undo:
            drive_fd = claims.claim(device, node, self._settings.claims_folder, undo)
            _verify(device, node, drive_fd)
            with self._lock:
                for path in block.partition_nodes(node):
                    _seal_partition(path)
                block.set_sealed(drive_fd, True)
                self._sealed.add(node)
            return HeldGrip(self._settings, f"{bay}-{device.sequence}", drive_fd, undo.pop_all())

    def _node_of(self, device: DeviceName) -> tuple[str, BayName]:
        """Where the device is, and in which bay. Raises DriveGoneError for one that is in none."""
        node = block.node_by_number(device.major, device.minor)
        bay = self._bay_of(node)
        if bay is None:
            raise DriveGoneError(f"the device {device} stands in no bay of this station (any more)")
        return node, bay

    def _open(self, device: DeviceName, undo: contextlib.ExitStack) -> str:
        """The node of exactly this disk, which `undo` keeps open. Raises DriveGoneError, DriveSwapped."""
        node, _ = self._node_of(device)
        fd = block.open_device(node)
        undo.callback(os.close, fd)
        _verify(device, node, fd)
        return node

    def health(self, device: DeviceName, device_type: str | None = None) -> str:
        if device_type is not None and not _DEVICE_TYPE.fullmatch(device_type):
            raise ToolFailed(f"{device_type!r} is not a type of device that smartctl knows")
        kind = () if device_type is None else (f"--device={device_type}",)
        with contextlib.ExitStack() as undo:
            node = self._open(device, undo)
            return run("smartctl", *smart.OPTIONS, *kind, node, limit_s=HEALTH_S).out

    def power_off(self, device: DeviceName) -> bool:
        with contextlib.ExitStack() as undo:
            node = self._open(device, undo)
            claims.refuse_if_in_use(node)
            # While it is open: the kernel gives its node to no other disk.
            return self._cut_power(node)

    def revive(self, device: DeviceName) -> bool:
        node, _ = self._node_of(device)
        # By sysfs, since what is offline cannot be opened.
        if block.number_and_sequence(node) != (device.major, device.minor, device.sequence):
            raise DriveSwapped(f"another drive is at {node} now, or it was plugged in anew")
        return power.bring_back(node)

    def lift_seals(self) -> None:
        with self._lock:
            for path in [path for path in self._sealed if _is_free_loop(path)]:
                self._sealed.remove(path)
                tidying.lift_seal(path)

    def clean_up(self) -> Sequence[str]:
        return tidying.clean_up(self._settings.mounts_folder, self._settings.scratch, self._bay_of)

    def problems(self) -> Sequence[Problem]:
        return tidying.problems(self._settings.mounts_folder, self._settings.scratch, self._settings.demanded)


def _verify(device: DeviceName, node: str, fd: int) -> None:
    """Raise DriveSwapped unless this is a descriptor of exactly this disk."""
    number = os.fstat(fd).st_rdev
    if (os.major(number), os.minor(number)) != (device.major, device.minor):
        raise DriveSwapped(f"{node} is not the device {device.major}:{device.minor}")
    sequence = block.sequence_behind(fd, node)
    if sequence != device.sequence:
        raise DriveSwapped(
            f"another drive is at {node} now, or it was plugged in anew: "
            f"the disk sequence number {sequence} is not the one that it was seen with"
        )


def _seal_partition(path: str) -> None:
    fd = block.open_device(path)
    try:
        block.set_sealed(fd, True)
    finally:
        os.close(fd)


def _is_free_loop(path: str) -> bool:
    return os.path.basename(path).startswith("loop") and block.loop_node(path) is None


class HeldGrip:
    """One drive, sealed and open. Threads may call `drop_caches` and `release` while others work."""

    def __init__(
        self, settings: KeeperSettings, stem: str, drive_fd: int, way_back: contextlib.ExitStack
    ) -> None:
        self._settings = settings
        self._stem = stem
        self._drive_fd = drive_fd
        self._places: dict[str, Place] = {}
        self._devices: set[int] = set()
        """Numbers of the file systems that are mounted for this drive."""
        self._buffered = [drive_fd]
        self._way_back = way_back
        self._lock = threading.Lock()
        self._held = True

    def probe(self) -> Sequence[VolumeFacts]:
        places = probe(self._drive_fd, self._settings.accepted)
        self._places = {place.facts.name: place for place in places}
        return tuple(place.facts for place in places)

    def mount(self, volume: str, cancel: CancelToken) -> Mounted:
        place = self._places.get(volume)
        if place is None:
            raise ToolFailed(f"the drive was not found to have a volume {volume}")
        facts = place.facts
        if facts.problem is not None or facts.file_system is None:
            return Mounted(facts)
        with contextlib.ExitStack() as undo:
            window = block.attach_read_only(self._drive_fd, place.extent)
            undo.callback(os.close, window.fd)
            folder, problem = self._try(window.path, facts.file_system, undo)
            if problem is not None and mounts.is_unclean(problem) and facts.file_system in WITH_LOG:
                folder, problem = self._replay(window, facts.file_system, undo, cancel) or (folder, problem)
                facts = replace(facts, replayed=problem is None)
            if problem is not None:
                return Mounted(replace(facts, problem=problem, flaw=mounts.flaw_of(problem)))
            return self._rooted(facts, folder, window, undo)

    def _try(
        self,
        device: str,
        file_system: str,
        undo: contextlib.ExitStack,
        beat: Callable[[], None] | None = None,
    ) -> tuple[str, str | None]:
        folder = mounts.make_mount_folder(self._settings.mounts_folder, self._stem)
        undo.callback(mounts.let_go, folder)
        return folder, mounts.mount(device, file_system, folder, beat)

    def _replay(
        self, window: block.LoopWindow, file_system: str, undo: contextlib.ExitStack, cancel: CancelToken
    ) -> tuple[str, str | None] | None:
        """Mount through an overlay, onto which the driver may replay; None where none can be made."""
        made = overlay.over(window, self._settings.scratch, undo)
        if made is None:
            return None
        try:
            folder, problem = self._try(made.path, file_system, undo, cancel.beat)
        except ToolFailed as error:
            if made.is_full():
                raise overlay.full(self._settings.scratch) from error
            raise
        if made.is_full():
            raise overlay.full(self._settings.scratch)
        return folder, problem

    def _rooted(
        self, facts: VolumeFacts, folder: str, window: block.LoopWindow, undo: contextlib.ExitStack
    ) -> Mounted:
        """The volume's root, open; from here on it goes with the grip."""
        volume = root_of(facts, folder)
        undo_root = undo.enter_context(contextlib.ExitStack())
        if volume.fd is None:
            return Mounted(volume.facts)
        undo_root.callback(volume.close)
        if facts.file_system == "ntfs" and _is_hibernated(volume.root_fd):
            problem = mounts.not_cleanly_unmounted("the volume says: a Windows that is asleep has it in use")
            return Mounted(replace(facts, problem=problem, flaw=VolumeFlaw.UNCLEAN))
        with self._lock:
            if not self._held:
                raise ToolFailed("the drive was let go of while a volume of it was being mounted")
            self._devices.add(os.fstat(volume.root_fd).st_dev)
            self._buffered.append(window.fd)
            undo_root.pop_all()
            self._way_back.enter_context(undo.pop_all())
        driver = driver_for(facts.file_system).name if facts.file_system is not None else None
        return Mounted(replace(facts, driver=driver), volume.root_fd)

    def open_below(self, folder_fd: int, name: bytes, *, look: bool = False) -> int:
        status = os.fstat(folder_fd)
        if status.st_dev not in self._devices or not stat.S_ISDIR(status.st_mode):
            raise PermissionError(errno.EPERM, "not a folder of a volume of this drive")
        if b"/" in name or name in (b"", b".."):
            raise OSError(errno.EINVAL, "not a single name")
        flags = os.O_PATH if look else os.O_RDONLY | os.O_NONBLOCK
        fd = os.open(name, flags | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder_fd)
        if os.fstat(fd).st_dev != status.st_dev:
            os.close(fd)
            raise OSError(errno.EXDEV, "lies on another device than its folder")
        return fd

    def drop_caches(self) -> None:
        # On descriptors of its own, and without the lock: a dying drive may never answer.
        with contextlib.ExitStack() as undo:
            for fd in self._borrowed(undo):
                block.drop_buffers(fd)

    def _borrowed(self, undo: contextlib.ExitStack) -> list[int]:
        borrowed = []
        with self._lock:
            for fd in self._buffered if self._held else ():
                try:
                    own = os.dup(fd)
                except OSError as error:
                    raise block.translated(error, "the open drive") from error
                undo.callback(os.close, own)
                borrowed.append(own)
        return borrowed

    def release(self) -> None:
        with self._lock:
            self._held = False
            way_back = self._way_back.pop_all()
        way_back.close()


def _is_hibernated(root_fd: int) -> bool:
    """Whether Windows keeps the memory of a session here, and with it what it has not written back."""
    try:
        fd = open_beneath(root_fd, b"hiberfil.sys", os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        return os.read(fd, len(_HIBERNATED)).lower() == _HIBERNATED
    except OSError:
        return False
    finally:
        os.close(fd)
