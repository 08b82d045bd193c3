"""Taking a drive off its bus touches that drive only, whatever stands in its place by then."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.drives import block, power
from ingestd.drives.interface import Parent, parents
from tests.support.sysfs import Tree

USB = "devices/pci0000:00/usb2/2-1"
SCSI = f"{USB}/2-1:1.0/host2/target2:0:0/2:0:0:0"
PCI = "devices/pci0000:00/0000:00:1b.0"
DISKS = {"sdb": f"{SCSI}/block/sdb", "nvme0n1": f"{PCI}/nvme/nvme0/nvme0n1"}


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tree:
    """A disk in a USB enclosure and one at the end of a PCI line; the folders stand for /sys/block."""
    tree = Tree(tmp_path)
    tree.device(USB, "usb", speed="5000", devnum="4", remove="")
    tree.device(SCSI, "scsi", delete="")
    tree.device(PCI, "pci", remove="")
    tree.device(f"{PCI}/nvme/nvme0", "nvme")
    (tmp_path / "block").mkdir()
    for name, place in DISKS.items():
        (tmp_path / "block" / name).symlink_to(tree.device(place, "block", diskseq="7"))
    (tmp_path / DISKS["sdb"] / "device").symlink_to(tmp_path / SCSI)
    monkeypatch.setattr(power, "_SYS_BLOCK", str(tmp_path / "block"))
    return tree


def while_stopping(monkeypatch: pytest.MonkeyPatch, act: Callable[[], object]) -> None:
    def stop(_: str) -> bool:
        act()
        return True

    monkeypatch.setattr(power, "stop", stop)


def written(tree: Tree) -> list[str]:
    """The doors through which something was taken off."""
    doors = (f"{SCSI}/delete", f"{USB}/remove", f"{PCI}/remove")
    return [door for door in doors if (tree.root / door).read_text().strip()]


def test_a_disk_in_an_enclosure_is_taken_off_with_it(tree: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    while_stopping(monkeypatch, lambda: None)
    assert power.make_safe_to_pull("/dev/sdb")
    assert written(tree) == [f"{SCSI}/delete", f"{USB}/remove"]


def test_a_disk_that_came_while_the_one_before_stopped_stays_on(
    tree: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    def replaced() -> None:
        tree.write(f"{DISKS['sdb']}/diskseq", b"8\n")
        tree.write(f"{USB}/devnum", b"5\n")

    while_stopping(monkeypatch, replaced)
    power.make_safe_to_pull("/dev/sdb")
    assert written(tree) == []


def test_an_enclosure_that_came_in_the_place_of_another_stays_on(
    tree: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    while_stopping(monkeypatch, lambda: tree.write(f"{USB}/devnum", b"5\n"))
    power.make_safe_to_pull("/dev/sdb")
    assert written(tree) == [f"{SCSI}/delete"]


@pytest.mark.parametrize(("after", "doors"), [(b"7\n", [f"{PCI}/remove"]), (b"8\n", [])])
def test_only_the_same_disk_is_taken_off_its_pci_line(
    tree: Tree, monkeypatch: pytest.MonkeyPatch, after: bytes, doors: list[str]
) -> None:
    def looked(folder: str) -> list[Parent]:
        found = list(parents(folder))
        tree.write(f"{os.path.relpath(folder, tree.root)}/diskseq", after)
        return found

    monkeypatch.setattr(power, "parents", looked)
    assert power.make_safe_to_pull("/dev/nvme0n1") is bool(doors)
    assert written(tree) == doors


# -- what the kernel has given up ------------------------------------------------------------------


@pytest.fixture
def opened(tree: Tree, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The states of the disk in which it was opened, to be reset."""
    states: list[str] = []

    def open_device(_: str) -> int:
        states.append((tree.root / SCSI / "state").read_text())
        return os.open("/dev/null", os.O_RDONLY)

    monkeypatch.setattr(block, "open_device", open_device)
    return states


def test_a_disk_that_was_taken_offline_is_brought_back(tree: Tree, opened: list[str]) -> None:
    tree.write(f"{SCSI}/state", b"offline\n")
    assert power.bring_back("/dev/sdb")
    # It could not be opened before; and the kernel takes a state with the end of its line only.
    assert opened == ["running\n"]


@pytest.mark.parametrize("state", ["running", "blocked", "deleted", "transport-offline"])
def test_nothing_is_done_to_a_disk_in_another_state(tree: Tree, opened: list[str], state: str) -> None:
    tree.write(f"{SCSI}/state", f"{state}\n".encode())
    assert not power.bring_back("/dev/sdb")
    assert (tree.root / SCSI / "state").read_text().strip() == state
    assert opened == []


def test_a_disk_without_such_a_door_is_not_brought_back(tree: Tree, opened: list[str]) -> None:
    assert not power.bring_back("/dev/nvme0n1")
    assert opened == []
