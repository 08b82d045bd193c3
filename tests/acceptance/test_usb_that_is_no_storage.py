"""A keyboard that poses as a drive: with the rules for it, no input device comes to be in a bay."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ingestd.core.model import BayName
from ingestd.drives.bays import Bay
from ingestd.drives.rules import FILE_NAME, udev_rules
from tests.vmlab import Lab, make_image

BAY = Bay(name=BayName("bay-9"), paths=("pci-*-usb*-0:9:1.0-scsi-*", "pci-*-usb*-0:10:1.0-scsi-*"))
RULES = f"/run/udev/rules.d/{FILE_NAME}"
LET_ALL_IN = "for at in /sys/bus/usb/devices/usb*/interface_authorized_default; do echo 1 > $at; done"
AGAIN = "udevadm control --reload; udevadm trigger --action=add --subsystem-match=usb; udevadm settle"


@contextmanager
def rules_in(lab: Lab) -> Iterator[None]:
    text = base64.b64encode(udev_rules([BAY], only_storage=True).encode()).decode()
    lab.shell(f"mkdir -p /run/udev/rules.d; echo {text} | base64 -d > {RULES}; {AGAIN}", check=True)
    try:
        yield
    finally:
        lab.shell(f"rm {RULES}; {LET_ALL_IN}")
        lab.shell(AGAIN)


@contextmanager
def keyboard(lab: Lab, port: int) -> Iterator[None]:
    """A keyboard in a USB port, once udev has dealt with it."""
    qmp = lab._machine.qmp
    qmp("device_add", driver="usb-kbd", id="keyboard", bus="xhci.0", port=str(port))
    seen = f"for i in $(seq 50); do ls /sys/bus/usb/devices | grep -q -- '-{port}$' && break; sleep 0.2; done"
    lab.shell(f"{seen}; sleep 1; udevadm settle", check=True)
    try:
        yield
    finally:
        qmp("device_del", id="keyboard")
        qmp.wait_event("DEVICE_DELETED", timeout_s=30, device="keyboard")


def keyboards(lab: Lab) -> int:
    return int(lab.shell("grep -c 'QEMU USB Keyboard' /proc/bus/input/devices || true", check=True).stdout)


def authorised(lab: Lab, port: int) -> str:
    return lab.shell(f"cat /sys/bus/usb/devices/*-{port}/authorized", check=True).stdout.strip()


def test_a_keyboard_in_a_bay_is_shut_out_and_storage_is_let_in(lab: Lab, tmp_path: Path) -> None:
    with rules_in(lab):
        with keyboard(lab, 9):
            assert authorised(lab, 9) == "0"
            assert keyboards(lab) == 0
        image = make_image(tmp_path / "drive.img", "8M", fs="ext4", files={"a.age": b"kelp"})
        drive = lab.plug(image, serial="K7QX09", port=10)
        try:
            told = lab.shell(f"udevadm info --query=property --name={drive.device}", check=True).stdout
            assert "INGESTD_BAY=bay-9" in told.splitlines()
            assert lab.shell(f"cat /sys/block/{Path(drive.device).name}/ro", check=True).stdout == "1\n"
        finally:
            lab.unplug(drive)
        with keyboard(lab, 12):
            assert keyboards(lab) == 1, "elsewhere a keyboard is a keyboard"


def test_without_the_rules_it_would_be_one(lab: Lab) -> None:
    with keyboard(lab, 9):
        assert keyboards(lab) == 1
