"""Interface and link speed from the chain of parents in sysfs, which is built here as the kernel lays it out.

The layouts and attributes are those of Linux's Documentation/ABI (sysfs-bus-usb, sysfs-ata, sysfs-bus-pci)
and of its transport classes; the paths follow what such machines show, written from memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from ingestd.core.drive import Link
from ingestd.drives.bays import Bay, bays_holding
from ingestd.drives.interface import line_of
from tests.support.sysfs import Tree

PCI = "devices/pci0000:00"
XHCI = f"{PCI}/0000:00:14.0"


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def usb_disk(tree: Tree, speed: str, version: str, bos: bytes | None = None) -> str:
    tree.device(XHCI, "pci", **{"class": "0x0c0330"})
    tree.device(f"{XHCI}/usb2", "usb", speed="10000", version="3.10")
    device = f"{XHCI}/usb2/2-3"
    tree.device(device, "usb", speed=speed, version=version)
    if bos is not None:
        tree.write(f"{device}/bos_descriptors", bos)
    tree.device(f"{device}/2-3:1.0", "usb")
    return scsi_disk(tree, f"{device}/2-3:1.0", vendor="Kelpbox ")


def scsi_disk(tree: Tree, parent: str, vendor: str, host: str = "host4") -> str:
    unit = f"{parent}/{host}/target4:0:0/4:0:0:0"
    tree.device(unit, "scsi", vendor=vendor)
    return tree.device(f"{unit}/block/sdb", "block")


def test_usb_by_its_negotiated_speed(tree: Tree) -> None:
    assert line_of(usb_disk(tree, "5000", " 3.00")) == ("usb-3", Link(mbit_per_second=5000))


@pytest.mark.parametrize(
    ("speed", "version", "interface"),
    [("480", " 2.00", "usb-2"), ("12", " 1.10", "usb-1"), ("10000", " 3.20", "usb-3")],
)
def test_usb_of_other_speeds(tree: Tree, speed: str, version: str, interface: str) -> None:
    assert line_of(usb_disk(tree, speed, version)) == (interface, Link(mbit_per_second=int(speed)))


# USB 3.2, 9.6.2: a header of five bytes, then device capabilities. 07 10 02: USB 2.0 EXTENSION (link power
# management); 0A 10 03: SUPERSPEED_USB, speeds supported 0E, lowest 03, exit latencies.
_POWER_ONLY = bytes.fromhex("050f0c000107100206000000")
_SUPER_SPEED = bytes.fromhex("050f160002071002060000000a1003000e00030a2000")


@pytest.mark.parametrize(
    ("bos", "interface", "degraded"),
    [(_SUPER_SPEED, "usb-3", True), (_POWER_ONLY, "usb-2", False), (None, "usb-3", True)],
)
def test_a_usb_3_drive_that_runs_at_high_speed_is_told_from_a_usb_2_drive(
    tree: Tree, bos: bytes | None, interface: str, degraded: bool
) -> None:
    line, link = line_of(usb_disk(tree, "480", " 2.10", bos))
    assert link is not None
    assert (line, link.mbit_per_second, link.degraded) == (interface, 480, degraded)


def test_a_broken_store_of_descriptors_ends(tree: Tree) -> None:
    assert line_of(usb_disk(tree, "480", " 2.10", b"\x05\x0f\x00\x00\x01\x00\x10"))[0] == "usb-2"


def test_sata_with_its_speed(tree: Tree) -> None:
    controller, port = f"{PCI}/0000:00:17.0", f"{PCI}/0000:00:17.0/ata3"
    tree.device(controller, "pci", **{"class": "0x010601"})
    attributes = {"sata_spd": "6.0 Gbps", "sata_spd_limit": "6.0 Gbps", "hw_sata_spd_limit": "6.0 Gbps"}
    tree.device(f"{port}/link3/ata_link/link3", "ata_link", **attributes)
    disk = scsi_disk(tree, port, vendor="ATA     ", host="host2")
    assert line_of(disk) == ("sata", Link(mbit_per_second=6000))


def test_a_sata_link_that_the_kernel_has_slowed_down(tree: Tree) -> None:
    port = f"{PCI}/0000:00:17.0/ata3"
    attributes = {"sata_spd": "1.5 Gbps", "sata_spd_limit": "1.5 Gbps", "hw_sata_spd_limit": "6.0 Gbps"}
    tree.device(f"{port}/link3/ata_link/link3", "ata_link", **attributes)
    disk = scsi_disk(tree, port, vendor="ATA     ")
    assert line_of(disk) == ("sata", Link(mbit_per_second=1500, capable_mbit_per_second=6000))


def test_parallel_ata(tree: Tree) -> None:
    controller = f"{PCI}/0000:00:1f.1"
    tree.device(controller, "pci", **{"class": "0x01018a"})
    tree.device(f"{controller}/ata1/link1/ata_link/link1", "ata_link", sata_spd="<unknown>")
    assert line_of(scsi_disk(tree, f"{controller}/ata1", vendor="ATA     ")) == ("parallel-ata", None)


@pytest.mark.parametrize(("vendor", "interface"), [("NORTHAMB", "sas"), ("ATA     ", "sata")])
def test_disks_on_a_sas_controller(tree: Tree, vendor: str, interface: str) -> None:
    port = f"{PCI}/0000:01:00.0/host0/port-0:2"
    tree.device(f"{port}/phy-0:2/sas_phy/phy-0:2", "sas_phy", negotiated_linkrate="12.0 Gbit")
    disk = scsi_disk(tree, f"{port}/end_device-0:2", vendor=vendor, host="")
    assert line_of(disk) == (interface, Link(mbit_per_second=12000))


def test_parallel_scsi(tree: Tree) -> None:
    target = f"{PCI}/0000:02:0a.0/host5/target4:0:0"
    tree.device(f"{target}/spi_transport/target4:0:0", "spi_transport", offset="127")
    disk = scsi_disk(tree, f"{PCI}/0000:02:0a.0", vendor="NORTHAMB", host="host5")
    assert line_of(disk) == ("parallel-scsi", None)


def nvme(tree: Tree) -> str:
    device = f"{PCI}/0000:00:1d.0/0000:03:00.0"
    lanes = {"current_link_speed": "8.0 GT/s PCIe", "current_link_width": "2"}
    most = {"max_link_speed": "16.0 GT/s PCIe", "max_link_width": "4"}
    tree.device(device, "pci", **lanes, **most)
    tree.device(f"{device}/nvme/nvme0", "nvme", model="Brinecroft N")
    return f"{device}/nvme/nvme0"


def test_nvme_by_the_lanes_of_its_slot(tree: Tree) -> None:
    disk = tree.device(f"{nvme(tree)}/nvme0n1", "block")
    assert line_of(disk) == ("nvme", Link(mbit_per_second=16_000, capable_mbit_per_second=64_000))


def test_nvme_behind_the_kernel_s_multipath(tree: Tree) -> None:
    controller = nvme(tree)
    subsystem = "devices/virtual/nvme-subsystem/nvme-subsys0"
    tree.device(subsystem, "nvme-subsystem")
    (tree.root / subsystem / "nvme0").symlink_to(tree.root / controller)
    disk = tree.device(f"{subsystem}/nvme0n1", "block")
    assert line_of(disk)[0] == "nvme"


def test_firewire_virtio_loop_and_what_nobody_knows(tree: Tree) -> None:
    fire = f"{PCI}/0000:04:00.0/fw1/fw1.0"
    tree.device(fire, "firewire")
    assert line_of(scsi_disk(tree, fire, vendor="Kelpbox ")) == ("firewire", None)
    tree.device(f"{PCI}/0000:00:05.0/virtio2", "virtio")
    assert line_of(tree.device(f"{PCI}/0000:00:05.0/virtio2/block/vdb", "block")) == ("virtio", None)
    assert line_of(tree.device("devices/virtual/block/loop7", "block")) == ("loop", None)
    assert line_of(tree.device("devices/platform/odd.0/block/sdq", "block")) == ("unknown", None)
    assert line_of(str(tree.root / "devices/gone/block/sdz")) == ("unknown", None)


# -- bays -------------------------------------------------------------------------------------------


def test_bays_by_path_and_by_any_property() -> None:
    one = Bay(name="bay-1", paths=("pci-*-usb-0:1:*", "pci-*-usbv3-0:1:*"))  # type: ignore[arg-type]
    two = Bay(name="bay-2", paths=("pci-*",), match=(("ID_USB_MODEL", "Kelp*"),))  # type: ignore[arg-type]
    path = {"ID_PATH": "pci-0000:00:14.0-usb-0:1:1.0-scsi-0:0:0:0"}
    assert bays_holding((one, two), path) == (one,)
    assert bays_holding((one, two), {**path, "ID_USB_MODEL": "Kelpbox"}) == (one, two)
    assert bays_holding((one, two), {"ID_USB_MODEL": "Kelpbox"}) == ()
    assert bays_holding((one, two), {}) == ()


def test_a_bay_without_patterns_holds_nothing() -> None:
    assert not Bay(name="bay-1").holds({"ID_PATH": ""})  # type: ignore[arg-type]
