"""Making a drive safe to pull: stop it, then take it off its bus. And having one back that was given up.

Stopping is SCSI's START STOP UNIT (SBC-4), which the kernel turns into STANDBY IMMEDIATE for a disk that
speaks ATA; it parks the heads. Nothing is written to the medium. Then the kernel lets go of the disk through
the doors that it documents: `delete` of a SCSI device, `remove` of a USB device (sysfs-bus-usb) and of a PCI
device (sysfs-bus-pci), which for NVMe is a regular shutdown of the controller.

A SCSI disk, which those on USB and SATA are to the kernel as well, is taken offline once it has not answered
and resets of it and of its bus did not help (Documentation/scsi/scsi_eh.rst). From then on every read fails
at once, and says nothing about the medium.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import re
import struct
from collections.abc import Callable

from ingestd.drives import block
from ingestd.drives.interface import Parent, parents
from ingestd.ports import ToolFailed

_SYS_BLOCK = "/sys/block"
_SG_IO = 0x2285
_SG_SCSI_RESET = 0x2284
_THIS_DEVICE_ONLY = 1 | 0x100
"""SG_SCSI_RESET_DEVICE and SG_SCSI_RESET_NO_ESCALATE of scsi/sg.h: never the bus, on which others may be."""
_NO_DATA = -1
_TIMEOUT_MS = 20_000
_START_STOP_UNIT = bytes([0x1B, 0, 0, 0, 0, 0])
"""Operation 1Bh with START 0, LOEJ 0, IMMED 0: answered once the disk has stopped."""
_HEADER = struct.Struct("@iiBBHIPPPIIiPBBBBHHiII0P")
"""sg_io_hdr of scsi/sg.h."""
_STATUS, _HOST_STATUS, _DRIVER_STATUS = 13, 17, 18
"""Where in it the answers of the disk, its adapter and its driver are."""


def make_safe_to_pull(node: str) -> bool:
    """Stop the disk at a node such as `/dev/sdb` and take it off its bus; whether it has stopped.

    False, and nothing is done, where there is no such way: a loop device, a virtual disk, a memory card.
    Nobody may use the disk, and the caller has it open: so its node is nobody else's until then. What was
    plugged in at its place meanwhile is left alone. Raises ToolFailed, DriveGoneError and DriveUnreadable.
    """
    folder = os.path.realpath(os.path.join(_SYS_BLOCK, os.path.basename(node)))
    same_disk = _unchanged(Parent(folder), "diskseq")
    chain = list(parents(folder))
    if any(parent.subsystem == "nvme" for parent in chain):
        return _take_off(_nearest(chain, "pci"), "remove", same_disk)
    if not any(parent.subsystem == "scsi" for parent in chain):
        return False
    enclosure = next((p for p in chain if p.subsystem == "usb" and p.text("speed")), None)
    same_enclosure = enclosure and _unchanged(enclosure, "devnum")
    stopped = stop(node)
    _take_off(Parent(os.path.join(folder, "device")), "delete", same_disk)
    if same_enclosure:
        _take_off(enclosure, "remove", same_enclosure)
    return stopped


def _unchanged(device: Parent, number: str) -> Callable[[], bool]:
    """Tells later whether a device is still the one of now, by a number that the next one does not share."""
    before = device.text(number)
    return lambda: os.path.isdir(device.folder) and device.text(number) == before


def stop(node: str) -> bool:
    """Have a disk park its heads and stop; whether it says that it has."""
    fd = block.open_device(node)
    try:
        return _commanded(fd, _START_STOP_UNIT)
    finally:
        os.close(fd)


def _commanded(fd: int, command: bytes) -> bool:
    """Whether a SCSI command that moves no data was carried out."""
    sense = ctypes.create_string_buffer(64)
    body = ctypes.create_string_buffer(command, len(command))
    header = bytearray(
        _HEADER.pack(
            ord("S"), _NO_DATA, len(command), len(sense), 0, 0, 0, ctypes.addressof(body),
            ctypes.addressof(sense), _TIMEOUT_MS, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
        )
    )  # fmt: skip
    try:
        fcntl.ioctl(fd, _SG_IO, header)
    except OSError:
        return False
    answer = _HEADER.unpack(header)
    return not any(answer[place] for place in (_STATUS, _HOST_STATUS, _DRIVER_STATUS))


def _nearest(chain: list[Parent], subsystem: str) -> Parent | None:
    return next((parent for parent in chain if parent.subsystem == subsystem), None)


def _take_off(device: Parent | None, door: str, is_same: Callable[[], bool]) -> bool:
    """Have the kernel let go of a device, unless another one is there by now. Raises ToolFailed."""
    if device is None or not is_same():
        return False
    return _write(os.path.join(device.folder, door), "1")


def _write(path: str, word: str) -> bool:
    """Write into an attribute in sysfs; False when it is not there. Raises ToolFailed."""
    try:
        with open(path, "w", encoding="ascii") as file:
            file.write(word)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise ToolFailed(f"{_shown(path)}: {error.strerror}; the daemon has to run as root") from error
    return True


def _shown(path: str) -> str:
    return re.sub(r"^/sys/devices/", "…/", path)


# -- what the kernel has given up ------------------------------------------------------------------


def is_given_up(folder: str) -> bool:
    """Whether the kernel has taken the disk offline whose folder in sysfs this is."""
    return Parent(os.path.join(folder, "device")).text("state") == "offline"


def bring_back(node: str) -> bool:
    """Have the kernel work again with a disk that it has taken offline; whether it does.

    The disk is reset where its driver can do that to it alone. Nothing is done to one that is not offline.
    Raises ToolFailed, and DriveGoneError when it is gone.
    """
    folder = os.path.realpath(os.path.join(_SYS_BLOCK, os.path.basename(node)))
    if not is_given_up(folder):
        return False
    _write(os.path.join(folder, "device", "state"), "running\n")
    fd = block.open_device(node)
    try:
        fcntl.ioctl(fd, _SG_SCSI_RESET, struct.pack("@i", _THIS_DEVICE_ONLY))
    except OSError:
        pass  # no such reset for it; the kernel had tried those that there are
    finally:
        os.close(fd)
    return not is_given_up(folder)
