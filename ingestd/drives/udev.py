"""Real disks as drives, found by udev in the bays that the station's configuration describes.

Outside the bays nothing is touched, and in them nothing that something else has in use: the system's own
disk, a mount, swap space, a member of an array or volume group. Such a disk is passed over, with words.

A drive is known by its node and the kernel's disk sequence number, which is checked again at every open:
another drive under the same node is another drive.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import pyudev
import structlog

from ingestd.core.drive import DriveFacts, DriveHandle, DriveIdentity, HealthFacts, Link, Sighting
from ingestd.core.model import BayName
from ingestd.drives import block, identity, interface, power, smart
from ingestd.drives.bays import Bay, bays_holding
from ingestd.drives.disks import Disk, Disks, Users, other_user, sequence_now
from ingestd.drives.jws import PublicKeys
from ingestd.drives.opening import open_drive
from ingestd.drives.privileged.verbs import BayOf, DeviceName, Privileged
from ingestd.drives.ticket import NO_KEYS
from ingestd.drives.volumes import HeldDrive
from ingestd.ports import (
    CancelToken,
    DriveGoneError,
    DriveSwapped,
    DriveUnreadable,
    PortError,
    Problem,
    ToolFailed,
)

UDEV_CONTROL = "/run/udev/control"
"""Where udev's daemon listens while it runs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """A disk in a bay, as a sighting and with what is behind it."""

    bay: Bay
    disk: Disk
    sighting: Sighting
    claimed: identity.Claimed


AskDisk = Callable[[Disk, str], smart.Ask | None]
"""How a disk on an interface is asked about itself; gives None where it has nothing to say."""

_SILENT = smart.Answer(identity=None, health=HealthFacts())


class UdevDrives:
    """Drives that are disks in `bays`, opened through the verbs."""

    def __init__(
        self,
        bays: Sequence[Bay],
        privileged: Privileged,
        ask_disk: AskDisk | None = None,
        *,
        powers_down: bool = True,
        keys: PublicKeys = NO_KEYS,
    ) -> None:
        """`ask_disk` takes the place of asking through the verb for it."""
        self._powers_down = powers_down
        self._keys = keys
        self._parked: dict[BayName, Sighting] = {}
        """Drives that were taken off their bus, and may be pulled already."""
        self._bays = tuple(bays)
        self._privileged = privileged
        self._context = pyudev.Context()
        self._disks = Disks(self._context)
        self._places: dict[str, tuple[Disk, tuple[Bay, ...]]] = {}
        """The bays of each disk of the last look, so that patterns are tried once for each disk."""
        self._lock = threading.Lock()
        self._seen: dict[DriveHandle, _Seen] = {}
        """What the last look found fit to be taken."""
        self._ask_disk = ask_disk or self._by_smartctl
        self._answers: dict[DriveHandle, smart.Answer] = {}
        """What each disk said of itself when it was opened first."""
        self._revived: set[DriveHandle] = set()
        """Those that the kernel had taken offline, and was asked to work with again."""
        self._log = structlog.get_logger("ingestd.drives")
        self.passed_over: tuple[str, ...] = ()
        """In words, what the last look found in the bays and left alone."""

    @property
    def context(self) -> pyudev.Context:
        return self._context

    # -- looking ----------------------------------------------------------------------------------

    def enumerate(self) -> Sequence[Sighting]:
        """A sighting for every disk in a bay that nobody else uses. Raises ToolFailed without a sysfs.

        One that was taken stays taken, also if something else should use it later on: opening it
        refuses then, with the reason.
        """
        users, left_alone = Users.now(), list[str]()
        found: dict[DriveHandle, _Seen] = {}
        for bay, disk in self._in_bays(left_alone):
            seen = self._look_at(bay, disk)
            handle = seen.sighting.handle
            user = None if handle in self._seen else other_user(disk, users)
            if user is None:
                found[handle] = seen
            else:
                left_alone.append(f"the disk in {bay.name} is left alone, something else uses it: {user}")
        left_alone += _crowds(list(found.values()))
        with self._lock:
            self._seen = found
            self._answers = {handle: told for handle, told in self._answers.items() if handle in found}
            self._revived &= found.keys()
            self.passed_over = tuple(left_alone)
        return [*(seen.sighting for seen in found.values()), *self._still_parked(found)]

    def _still_parked(self, found: Mapping[DriveHandle, _Seen]) -> list[Sighting]:
        """Drives that were taken off their bus, in bays where nothing else has been plugged in since."""
        taken = {seen.bay.name for seen in found.values()}
        with self._lock:
            shown = [s for s in self._parked.values() if s.handle not in found]
            self._parked = {
                s.bay: s for s in self._parked.values() if s.bay not in taken or s.handle in found
            }
        return [sighting for sighting in shown if sighting.bay not in taken]

    def _in_bays(self, left_alone: list[str]) -> Iterator[tuple[Bay, Disk]]:
        known, self._places = self._places, {}
        for disk in self._disks.now():
            before = known.get(disk.node)
            if before is None or before[0] is not disk:
                before = (disk, bays_holding(self._bays, disk.properties))
            places = before[1]
            self._places[disk.node] = before
            if len(places) == 1:
                yield places[0], disk
            elif places:
                names = " and ".join(bay.name for bay in places)
                left_alone.append(
                    f"{disk.node} is left alone, it is in {names} at once: correct the patterns in [[bays]]"
                )

    def _look_at(self, bay: Bay, disk: Disk) -> _Seen:
        handle = DriveHandle(locator=disk.node, generation=block.generation_of(disk.sequence))
        known = self._seen.get(handle)
        if known is not None and (known.disk, known.bay) == (disk, bay):
            return known
        line, link = _line_of(bay, disk)
        claimed = identity.claimed(
            disk.properties, disk.size_bytes, behind_usb=interface.is_behind_enclosure(line)
        )
        sighting = Sighting(
            bay=bay.name,
            handle=handle,
            identity=identity.settled(claimed, None, shared=True),
            interface=line,
            link=link,
            rotational=disk.rotational,
        )
        return _Seen(bay=bay, disk=disk, sighting=sighting, claimed=claimed)

    def _find(self, handle: DriveHandle) -> _Seen:
        """Where exactly this drive is plugged in now. Raises DriveGoneError, DriveSwapped."""
        with self._lock:
            seen = self._seen.get(handle)
        folder = seen.disk.folder if seen is not None else f"/sys/block/{os.path.basename(handle.locator)}"
        sequence = sequence_now(folder)
        if sequence is None:
            raise DriveGoneError(f"the drive at {handle.locator} is no longer there")
        _same(handle, sequence)
        if seen is None:
            raise DriveGoneError(f"the drive at {handle.locator} is in no bay, or something else uses it")
        return seen

    def _require(self, handle: DriveHandle) -> None:
        """Raise DriveGoneError, DriveSwapped unless the drive is there, and the kernel works with it."""
        if power.is_given_up(self._find(handle).disk.folder):
            raise _given_up(handle)

    def _still_there(self, handle: DriveHandle) -> bool:
        try:
            self._require(handle)
        except (DriveGoneError, DriveSwapped):
            return False
        return True

    # -- opening ----------------------------------------------------------------------------------

    def open(self, handle: DriveHandle, cancel: CancelToken) -> HeldDrive:
        """Claim and seal the drive, put a read-only window over it, probe, mount what can be mounted.

        While it is open nobody else can mount the disk or a part of it. Everything is undone if opening
        fails on the way. Raises DriveGoneError, DriveSwapped, DriveUnreadable, and ToolFailed or
        ResourcesExhausted for what the station lacks.
        """
        try:
            return self._open(handle, cancel)
        except (DriveUnreadable, ToolFailed):
            self._require(handle)  # a drive that was pulled meanwhile is gone, not at fault
            raise
        except OSError as error:
            raise block.translated(error, handle.locator) from error

    def _open(self, handle: DriveHandle, cancel: CancelToken) -> HeldDrive:
        cancel.check()
        seen = self._find(handle)
        if user := other_user(seen.disk, Users.now()):
            raise ToolFailed(_foreign(seen, user))
        if power.is_given_up(seen.disk.folder):
            self._have_back(seen)
        asked = self._ask(seen)
        known = DriveFacts(
            identity=seen.sighting.identity,
            interface=seen.sighting.interface,
            link=seen.sighting.link,
            rotational=seen.disk.rotational,
        )
        held = open_drive(
            self._privileged,
            _device(seen.disk),
            known,
            cancel,
            must_be_there=lambda: self._require(handle),
            still_there=lambda: self._still_there(handle),
            keys=self._keys,
        )
        try:
            told = asked.wait(cancel)
        except BaseException:
            held.close()
            raise
        self._remember(handle, told)
        held.facts = replace(held.facts, identity=self._who(seen, told), health=told.health)
        return held

    def _have_back(self, seen: _Seen) -> None:
        """Have the kernel work again with a drive that it has taken offline, once for each plugging-in: each
        time that it gives up, others on the same controller have to wait. Raises DriveGoneError."""
        handle = seen.sighting.handle
        with self._lock:
            is_first = handle not in self._revived
            self._revived.add(handle)
        if not is_first or not self._privileged.revive(_device(seen.disk)):
            raise _given_up(handle)
        self._log.warning("drive_revived", bay=seen.bay.name)

    # -- what the disk says of itself -------------------------------------------------------------

    def _ask(self, seen: _Seen) -> smart.Asked:
        """Ask the disk, unless it has been, while the rest of opening goes on."""
        with self._lock:
            told = self._answers.get(seen.sighting.handle)
        return smart.Asked((lambda: told) if told is not None else lambda: self._answer(seen))

    def _by_smartctl(self, disk: Disk, line: str) -> smart.Ask | None:
        if line == interface.LOOP:
            return None
        return partial(self._privileged.health, _device(disk))

    def _answer(self, seen: _Seen) -> smart.Answer:
        line = seen.sighting.interface
        ask = self._ask_disk(seen.disk, line)
        if ask is None:
            return _SILENT
        return smart.answer(ask, behind_usb=interface.is_behind_enclosure(line))

    def _remember(self, handle: DriveHandle, told: smart.Answer) -> None:
        with self._lock:
            self._answers[handle] = told

    def health(self, handle: DriveHandle) -> HealthFacts:
        """What the disk says of its condition now; unknown for one that is gone or does not answer."""
        try:
            return self._answer(self._find(handle)).health
        except PortError as error:
            return HealthFacts(reasons=(str(error),))

    def _who(self, seen: _Seen, told: smart.Answer) -> DriveIdentity:
        return identity.settled(seen.claimed, told.identity, shared=self._is_shared(seen))

    def _is_shared(self, seen: _Seen) -> bool:
        """Whether another drive that is plugged in has the same serial of an enclosure."""
        serial = seen.claimed.enclosure_serial
        with self._lock:
            others = [other for other in self._seen.values() if other.sighting != seen.sighting]
        return serial is not None and any(other.claimed.enclosure_serial == serial for other in others)

    # -- the rest of the port ---------------------------------------------------------------------

    def power_down(self, handle: DriveHandle) -> bool:
        """Stop the drive and take it off its bus, so that it may be pulled; whether it has stopped.

        From then on it is not seen any more, and cannot be opened until it is plugged in anew; its sighting
        is given on until another drive is in the bay, since nothing tells when it is pulled.
        Raises DriveGoneError, DriveSwapped, DriveUnreadable, and ToolFailed when something else uses it.
        """
        if not self._powers_down:
            return False
        seen = self._find(handle)
        if user := other_user(seen.disk, Users.now()):
            raise ToolFailed(_foreign(seen, user))
        with self._lock:
            self._parked[seen.bay.name] = seen.sighting
        try:
            return self._privileged.power_off(_device(seen.disk))
        finally:
            if sequence_now(seen.disk.folder) is not None:
                with self._lock:
                    self._parked.pop(seen.bay.name, None)

    def clean_up(self) -> Sequence[str]:
        """Undo what a dead process left: mounts, windows over drives in the bays, overlays."""
        return self._privileged.clean_up()

    def problems(self) -> Sequence[Problem]:
        """Everything that stands in the way of noticing and opening drives at this station."""
        found = list(self._privileged.problems())
        if not os.path.exists(UDEV_CONTROL):
            found.append(
                Problem(
                    "drives",
                    f"udev does not run here: {UDEV_CONTROL} is missing",
                    "install udev and start systemd-udevd; drives are not noticed without it",
                )
            )
        self.enumerate()
        if shutil.which("smartctl") is None:
            found.append(
                Problem(
                    "drives",
                    "smartctl is not installed: drives cannot be asked who and how they are",
                    "install the package smartmontools",
                    fatal=False,
                )
            )
        remedy = "unmount it or correct [[bays]], and keep automounters away from the bays"
        return [*found, *(Problem("bays", text, remedy, fatal=False) for text in self.passed_over)]


def bay_finder(bays: Sequence[Bay]) -> BayOf:
    """A function that gives the bay of the disk at a node, from what udev knows of it now."""

    def bay_of(node: str) -> BayName | None:
        context = pyudev.Context()  # one may not be shared by threads
        try:
            properties = dict(pyudev.Devices.from_name(context, "block", os.path.basename(node)).properties)
        except pyudev.DeviceNotFoundError:
            return None
        places = bays_holding(bays, properties)
        return places[0].name if len(places) == 1 else None

    return bay_of


def _device(disk: Disk) -> DeviceName:
    return DeviceName.parse(f"{disk.number}/{disk.sequence}")


def _line_of(bay: Bay, disk: Disk) -> tuple[str, Link | None]:
    """Interface and link, with what only the station's own configuration knows of the port."""
    line, link = interface.line_of(disk.folder)
    if line == interface.SATA and bay.kind == "esata":
        line = interface.ESATA
    if link is not None and bay.link_mbit_per_second is not None:
        capable = max(bay.link_mbit_per_second, link.capable_mbit_per_second or 0)
        link = replace(link, capable_mbit_per_second=capable)
    return line, link


def _crowds(found: Sequence[_Seen]) -> Iterator[str]:
    """Bays with more than one disk in them."""
    by_bay: dict[BayName, list[str]] = {}
    for seen in found:
        by_bay.setdefault(seen.bay.name, []).append(seen.disk.node)
    for bay, nodes in by_bay.items():
        if len(nodes) > 1:
            yield f"{bay} has {len(nodes)} disks ({', '.join(nodes)}): only one is taken, pull the others"


def _same(handle: DriveHandle, sequence: int) -> None:
    if block.generation_of(sequence) != handle.generation:
        raise DriveSwapped(
            f"another drive is at {handle.locator} now, or it was plugged in anew: "
            f"the disk sequence number {sequence} is not the one that it was seen with"
        )


def _given_up(handle: DriveHandle) -> DriveGoneError:
    return DriveGoneError(
        f"the kernel has taken the drive at {handle.locator} offline, since it did not answer and "
        "resets did not help: pull it, and plug it in again, in another bay if need be"
    )


def _foreign(seen: _Seen, user: str) -> str:
    return (
        f"something else uses the drive in {seen.bay.name}: {user}; stop it there, "
        "and keep automounters, LVM and RAID away from the bays"
    )
