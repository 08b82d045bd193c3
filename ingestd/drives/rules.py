"""The udev rules of a station: made from its bays, so that there is one place where ports are named.

What they do to a disk in a bay, in the order in which udev works through them:

* read-only, disk and partitions, before udev itself or anything else looks into it;
* known by its bay to everything that reads udev's database (INGESTD_BAY);
* its content is not probed: LVM, MD, bcache, Btrfs, and mounts by UUID or label all wait for what that
  would tell (ID_FS_TYPE, /dev/disk/by-uuid), and so stay away;
* udisks, and with it desktops, ignore it; systemd makes no unit of it;
* the same goes for the loop devices through which the station sees it.

The file is to sort before 60-persistent-storage.rules, where the probing is done.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from ingestd.drives.bays import PATH, Bay

FILE_NAME = "60-ingestd-bays.rules"

_HEAD = """\
# Disks in the bays of this ingest station: read-only as they appear, and left alone by everything else.
# Made by `ingestd rules`; change [[bays]] in the configuration, not this file. It belongs in
# /etc/udev/rules.d, under a name that sorts before 60-persistent-storage.rules.
"""

_FIND = """\
ACTION=="remove", GOTO="ingestd_bays_end"
SUBSYSTEM!="block", GOTO="ingestd_bays_end"
KERNEL=="loop*", ATTR{ro}=="1", ATTR{loop/backing_file}=="/dev/*", GOTO="ingestd_windows"

# The physical path, which udev's own rules would find out later.
ENV{DEVTYPE}=="disk", DEVPATH!="*/virtual/*", IMPORT{builtin}="path_id"
ENV{DEVTYPE}=="disk", SUBSYSTEMS=="nvme-subsystem", IMPORT{builtin}="path_id"
ENV{DEVTYPE}=="partition", IMPORT{parent}="ID_PATH", IMPORT{parent}="INGESTD_BAY"

"""

_TREAT = """\
ENV{INGESTD_BAY}!="?*", GOTO="ingestd_bays_end"

# At once, not at the end of the rules as RUN would be.
PROGRAM=="/sbin/blockdev --setro $devnode", ENV{INGESTD_SEALED}="1"

# Nothing looks into it, so that nothing finds what it would assemble, activate or mount.
ENV{UDEV_DISABLE_PERSISTENT_STORAGE_BLKID_FLAG}="1"
OPTIONS+="nowatch"
ENV{UDISKS_IGNORE}="1", ENV{UDISKS_AUTO}="0", ENV{UDISKS_PRESENTATION_NOPOLICY}="1"
ENV{SYSTEMD_READY}="0"
ENV{DM_UDEV_DISABLE_OTHER_RULES_FLAG}="1", ENV{DM_MULTIPATH_DEVICE_PATH}="0"
GOTO="ingestd_bays_end"

# Nor into the loop devices that the station lays over such a disk: a drive that is dying has enough to do.
LABEL="ingestd_windows"
PROGRAM!="/bin/udevadm info --query=property --name=$attr{loop/backing_file}", GOTO="ingestd_bays_end"
RESULT!="*INGESTD_BAY=?*", GOTO="ingestd_bays_end"
ENV{UDEV_DISABLE_PERSISTENT_STORAGE_BLKID_FLAG}="1"
OPTIONS+="nowatch"
ENV{UDISKS_IGNORE}="1", ENV{SYSTEMD_READY}="0"

LABEL="ingestd_bays_end"
"""

_USB = """\

# Only storage is let onto the bays' USB ports: a drive may be something else besides, such as a keyboard.
# The controllers of these ports let no interface in by themselves from here on. What is not in a bay is let
# in again below, once udev has seen it; in the bays it is interfaces of the class mass storage (08) alone,
# and a device with any other interface is shut out as a whole.
SUBSYSTEM!="usb", GOTO="ingestd_usb_end"
"""


def udev_rules(bays: Sequence[Bay], *, only_storage: bool) -> str:
    """The whole file. `only_storage`: USB devices in the bays that are anything but storage are shut out."""
    text = (
        _HEAD + "\n" + _FIND + "".join(f"{rule}\n" for bay in bays for rule in _places(bay)) + "\n" + _TREAT
    )
    return text + ("".join(_usb(bays)) if only_storage else "")


def _places(bay: Bay) -> Iterator[str]:
    """One rule, or one for each pattern of the path: all its other conditions are in each."""
    conditions = "".join(f'ENV{{{name}}}=="{_quoted(pattern)}", ' for name, pattern in bay.match)
    paths: tuple[str | None, ...] = bay.paths or (None,)
    for path in paths:
        place = f'ENV{{{PATH}}}=="{_quoted(path)}", ' if path is not None else ""
        yield f'{place}{conditions}ENV{{INGESTD_BAY}}="{bay.name}"'


def _quoted(pattern: str) -> str:
    """A pattern between quotes, in which `|` would separate alternatives."""
    return pattern.replace('"', "?").replace("|", "?")


def _usb(bays: Sequence[Bay]) -> Iterator[str]:
    ports = sorted({port for bay in bays for path in bay.paths if (port := usb_port(path)) is not None})
    if not ports:
        yield "\n# No bay has a path through a USB port: there is nothing to shut out.\n"
        return
    yield _USB
    for controller in sorted({port.partition("-usb")[0] for port in ports}):
        yield (
            f'ACTION=="add", ENV{{DEVTYPE}}=="usb_device", KERNEL=="usb*", IMPORT{{builtin}}="path_id", '
            f'ENV{{ID_PATH}}=="{controller}*", ATTR{{interface_authorized_default}}="0"\n'
        )
    yield 'ENV{DEVTYPE}!="usb_interface", GOTO="ingestd_usb_end"\n'
    yield 'ACTION!="add", GOTO="ingestd_usb_end"\n'
    yield 'IMPORT{builtin}="path_id"\n'
    yield from (f'ENV{{ID_PATH}}=="{port}", ENV{{INGESTD_BAY_PORT}}="1"\n' for port in ports)
    yield (
        'ENV{INGESTD_BAY_PORT}=="1", ATTR{bInterfaceClass}!="08", ATTR{../authorized}="0", '
        'GOTO="ingestd_usb_end"\n'
    )
    yield 'ATTR{authorized}=="0", GOTO="ingestd_usb_let_in"\n'
    yield 'GOTO="ingestd_usb_end"\n'
    yield 'LABEL="ingestd_usb_let_in"\n'
    yield 'ATTR{authorized}="1", RUN+="/bin/sh -c \'echo $kernel > /sys/bus/usb/drivers_probe\'"\n'
    yield 'LABEL="ingestd_usb_end"\n'


def usb_port(path: str) -> str | None:
    """The pattern for whatever is plugged into the USB port of a disk's path; None for another bus.

    `pci-0000:00:14.0-usb*-0:3:1.0-scsi-*` has the port 3, and `1.0` is the configuration's interface.
    """
    found = re.match(r"(.+-usb[^-]*-\d+:[\d.]+):[^-]*-scsi", path)
    return f"{_quoted(found[1])}:*" if found else None
