"""By which line a drive hangs on the station, and how fast it runs, from the chain of its parents in sysfs.

udev's ID_BUS would be the wrong witness: it says `ata` of disks in USB enclosures, too. Which parents
there are, and their attributes, is laid down by the kernel: Documentation/ABI/testing/sysfs-bus-usb
(`speed`, `version`, `bos_descriptors`), sysfs-ata (`sata_spd`), sysfs-bus-pci (`current_link_speed`), and
the SCSI transport classes (`spi_transport`, `sas_phy`).
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingestd.core.drive import Link

SATA, ESATA, NVME, SAS = "sata", "esata", "nvme", "sas"
USB_1, USB_2, USB_3 = "usb-1", "usb-2", "usb-3"
PARALLEL_ATA, PARALLEL_SCSI, FIREWIRE = "parallel-ata", "parallel-scsi", "firewire"
VIRTIO, CARD, LOOP, UNKNOWN = "virtio", "memory-card", "loop", "unknown"

_GIGABIT = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?G(?:bit|bps|T/s)")
_USB_HIGH_SPEED, _USB_SUPER_SPEED = 480, 5000


@dataclass(frozen=True, slots=True)
class Parent:
    """A device's folder in sysfs."""

    folder: str

    @property
    def name(self) -> str:
        return os.path.basename(self.folder)

    @property
    def subsystem(self) -> str:
        with contextlib.suppress(OSError):
            return os.path.basename(os.readlink(os.path.join(self.folder, "subsystem")))
        return ""

    def text(self, attribute: str) -> str:
        """An attribute's content, empty when it has none or the device has just gone."""
        return self.raw(attribute).decode("utf-8", "replace").strip()

    def raw(self, attribute: str) -> bytes:
        with contextlib.suppress(OSError), open(os.path.join(self.folder, attribute), "rb") as file:
            return file.read(4096)
        return b""

    def below(self, pattern: str) -> list[Parent]:
        """The folders in it whose name is as the pattern says, in the order of their names."""
        with contextlib.suppress(OSError):
            return [
                Parent(os.path.join(self.folder, name))
                for name in sorted(os.listdir(self.folder))
                if re.fullmatch(pattern, name)
            ]
        return []


def is_behind_enclosure(line: str) -> bool:
    """Whether something else speaks for the disk, so that what is said may be about that."""
    return line in (USB_1, USB_2, USB_3, FIREWIRE)


def parents(folder: str) -> Iterator[Parent]:
    """A device and its parents, nearest first, up to the folder `devices`."""
    while os.path.basename(folder) not in ("devices", ""):
        yield Parent(folder)
        folder = os.path.dirname(folder)


def line_of(folder: str) -> tuple[str, Link | None]:
    """The interface of the disk whose folder in sysfs this is (free of links), and its link if known."""
    chain = _past_multipath(list(parents(folder)))
    if chain and "virtual" in {parent.name for parent in chain}:
        return (LOOP if chain[0].name.startswith("loop") else UNKNOWN), None
    for parent in chain:
        found = _by_parent(parent, chain)
        if found is not None:
            return found
    return UNKNOWN, None


def _past_multipath(chain: list[Parent]) -> list[Parent]:
    """With NVMe multipath a disk is the child of a virtual subsystem, which has links to its controllers."""
    for parent in chain:
        if parent.subsystem == "nvme-subsystem":
            controllers = parent.below(r"nvme\d+")
            if controllers:
                return list(parents(os.path.realpath(controllers[0].folder)))
    return chain


def _by_parent(parent: Parent, chain: Sequence[Parent]) -> tuple[str, Link | None] | None:
    """What this parent says of the line; None when it says nothing.

    The nearest that speaks decides; an enclosure's own line to its disk is behind its USB device and
    not in sysfs at all.
    """
    subsystem = parent.subsystem
    if subsystem == "usb" and parent.text("speed"):
        return _usb(parent)
    if subsystem == "nvme":
        return NVME, _pci_link(chain)
    if subsystem == "firewire":
        return FIREWIRE, None
    if subsystem == "mmc":
        return CARD, None
    if subsystem == "virtio":
        return VIRTIO, None
    if re.fullmatch(r"ata\d+", parent.name):
        return _ata(parent)
    if parent.below("spi_transport"):
        return PARALLEL_SCSI, None
    if re.fullmatch(r"end_device-[\d:]+", parent.name):
        return (SATA if _speaks_ata(chain) else SAS), _sas_link(chain)
    return None


def _usb(device: Parent) -> tuple[str, Link | None]:
    try:
        speed = int(float(device.text("speed")))
    except ValueError:
        return UNKNOWN, None
    if speed >= _USB_SUPER_SPEED:
        return USB_3, Link(mbit_per_second=speed)
    if speed < _USB_HIGH_SPEED:
        return USB_1, Link(mbit_per_second=speed)
    if _has_super_speed(device):
        return USB_3, Link(mbit_per_second=speed, capable_mbit_per_second=_USB_SUPER_SPEED)
    return USB_2, Link(mbit_per_second=speed)


def _has_super_speed(device: Parent) -> bool:
    """Whether a device that runs at high speed could do more.

    USB 3.2, 9.2.6.6 and 9.6.2: such a device gives its version as 2.10 and has a binary object store with
    a device capability SUPERSPEED_USB (type 3). Kernels before 6.11 do not show the store: then the
    version 2.10 alone speaks, and a USB 2 device with link power management is taken for more than it is.
    """
    if device.text("version") < "2.10":
        return False
    store = device.raw("bos_descriptors")
    if not store:
        return True
    place = 5
    while place + 3 <= len(store) and store[place] >= 3:
        if store[place + 1] == 0x10 and store[place + 2] == 0x03:
            return True
        place += store[place]
    return False


def _ata(port: Parent) -> tuple[str, Link | None]:
    """A port of the ATA library: serial ones say how fast they run."""
    links = [link for outer in port.below(r"link\d+") for link in _class_folders(outer, "ata_link")]
    for link in links:
        speed = _megabits(link.text("sata_spd"))
        if speed is not None:
            return SATA, Link(mbit_per_second=speed, capable_mbit_per_second=_limit_of(link, speed))
    return (SATA if _is_serial_controller(port) else PARALLEL_ATA), None


def _class_folders(parent: Parent, kind: str) -> list[Parent]:
    return [found for outer in parent.below(kind) for found in outer.below(r".+")]


def _limit_of(link: Parent, speed: int) -> int | None:
    """What the kernel has lowered a link from, after errors on it."""
    lowered, hardware = _megabits(link.text("sata_spd_limit")), _megabits(link.text("hw_sata_spd_limit"))
    if lowered is not None and hardware is not None and lowered < hardware and speed <= lowered:
        return hardware
    return None


def _is_serial_controller(port: Parent) -> bool:
    """By the class of the PCI device, 01 06 for a SATA controller (PCI Code and ID Assignment, 1.2)."""
    classes = [parent.text("class") for parent in parents(port.folder)]
    return any(value.startswith("0x0106") for value in classes)


def _speaks_ata(chain: Sequence[Parent]) -> bool:
    """A SATA disk on a SAS controller introduces itself with the vendor ATA (SAT, INQUIRY)."""
    return any(parent.subsystem == "scsi" and parent.text("vendor") == "ATA" for parent in chain)


def _sas_link(chain: Sequence[Parent]) -> Link | None:
    for parent in chain:
        if parent.name.startswith("port-"):
            for phy in parent.below(r"phy-[\d:]+"):
                speed = _megabits(
                    Parent(os.path.join(phy.folder, "sas_phy", phy.name)).text("negotiated_linkrate")
                )
                if speed is not None:
                    return Link(mbit_per_second=speed)
    return None


def _pci_link(chain: Sequence[Parent]) -> Link | None:
    """Of the nearest PCI device: transfers per second of a lane, times its lanes."""
    for parent in chain:
        if parent.subsystem == "pci":
            now = _lanes(parent, "current")
            return Link(mbit_per_second=now, capable_mbit_per_second=_lanes(parent, "max")) if now else None
    return None


def _lanes(device: Parent, which: str) -> int | None:
    speed, width = _megabits(device.text(f"{which}_link_speed")), device.text(f"{which}_link_width")
    return speed * int(width) if speed is not None and width.isdecimal() and int(width) else None


def _megabits(text: str) -> int | None:
    found = _GIGABIT.search(text)
    return round(1000 * float(found[1])) if found else None
