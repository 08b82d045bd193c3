"""The udev rules of the bays: what they are made from, and what a real udev makes of them."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.core.model import BayName
from ingestd.drives.bays import Bay
from ingestd.drives.rules import FILE_NAME, udev_rules, usb_port
from ingestd.runtime import config
from tests.support.drives import attach, make_image, unplug_all, unplug_image
from tests.support.udevd import HERE, UDEV_ONLY, rules_in_force, settle, tell, told_of_images, udevd

TOP = Path(__file__).parents[2]
USB = "pci-0000:00:14.0-usb*-0:1:1.0-scsi-*"


def bay(name: str, *paths: str, **match: str) -> Bay:
    return Bay(name=BayName(name), paths=paths, match=tuple(match.items()))


def test_the_file_in_systemd_is_what_the_default_configuration_makes() -> None:
    settings = config.read(str(TOP / "deploy" / "ingestd.toml"))
    made = udev_rules([section.bay() for section in settings.bays], only_storage=False)
    assert (TOP / "systemd" / FILE_NAME).read_text() == made


def test_it_comes_before_the_content_is_probed() -> None:
    assert FILE_NAME < "60-persistent-storage.rules"


def test_each_pattern_has_all_conditions_of_its_bay() -> None:
    text = udev_rules(
        [bay("bay-1", USB, "pci-*-ata-2*", ID_VENDOR="Kelp*"), bay("b", DEVNAME="/dev/loop7*")],
        only_storage=False,
    )
    assert [line for line in text.splitlines() if line.endswith('"bay-1"') or line.endswith('"b"')] == [
        f'ENV{{ID_PATH}}=="{USB}", ENV{{ID_VENDOR}}=="Kelp*", ENV{{INGESTD_BAY}}="bay-1"',
        'ENV{ID_PATH}=="pci-*-ata-2*", ENV{ID_VENDOR}=="Kelp*", ENV{INGESTD_BAY}="bay-1"',
        'ENV{DEVNAME}=="/dev/loop7*", ENV{INGESTD_BAY}="b"',
    ]
    assert "usb" not in text.replace("usb*-0:1", "")


@pytest.mark.parametrize(
    ("path", "port"),
    [
        (USB, "pci-0000:00:14.0-usb*-0:1:*"),
        ("pci-0000:00:14.0-usb-0:1.4:1.0-scsi-0:0:0:0", "pci-0000:00:14.0-usb-0:1.4:*"),
        ("pci-0000:00:14.0-usbv3-0:2:1.0-scsi-*", "pci-0000:00:14.0-usbv3-0:2:*"),
        ("pci-0000:00:17.0-ata-3*", None),
        ("*", None),
    ],
)
def test_the_usb_port_of_a_path(path: str, port: str | None) -> None:
    assert usb_port(path) == port


def test_shutting_out_what_is_not_storage_is_for_usb_ports_only() -> None:
    assert "nothing to shut out" in udev_rules([bay("b", "pci-0000:00:17.0-ata-3*")], only_storage=True)
    text = udev_rules([bay("b", USB)], only_storage=True)
    assert 'ENV{ID_PATH}=="pci-0000:00:14.0-usb*-0:1:*", ENV{INGESTD_BAY_PORT}="1"' in text
    assert 'ENV{ID_PATH}=="pci-0000:00:14.0*", ATTR{interface_authorized_default}="0"' in text


def test_every_place_that_is_gone_to_is_there() -> None:
    text = udev_rules([bay("b", USB)], only_storage=True)
    assert set(re.findall(r'GOTO="(\w+)"', text)) == set(re.findall(r'LABEL="(\w+)"', text))


# -- a real udev ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def udev() -> Iterator[None]:
    with udevd():
        yield


@pytest.fixture
def folder(tmp_path: Path, udev: None) -> Iterator[Path]:
    with told_of_images(tmp_path):
        yield tmp_path
        unplug_all(tmp_path)
        settle()


def plugged(folder: Path, name: str, path: str | None) -> str:
    image = make_image(folder / f"{name}.img", size_mib=4, label=name)
    tell(image, {"ID_PATH": path} if path is not None else {})
    device = attach(image)
    settle()
    return device


def properties(device: str) -> dict[str, str]:
    asked = ["udevadm", "info", "--query=property", device]
    out = subprocess.run(asked, check=True, capture_output=True, text=True).stdout
    return dict(line.split("=", 1) for line in out.splitlines() if "=" in line)


def of_a_loop_over(device: str, *options: str) -> dict[str, str]:
    window = attach(Path(device), *options)
    settle()
    told = properties(window)
    unplug_image(window)
    return told


def is_read_only(device: str) -> bool:
    return Path(f"/sys/block/{os.path.basename(device)}/ro").read_text() == "1\n"


@UDEV_ONLY[0]
@UDEV_ONLY[1]
def test_a_disk_in_a_bay_is_read_only_and_not_looked_into(folder: Path) -> None:
    with rules_in_force(FILE_NAME, udev_rules([bay("bay-1", f"{HERE}-one-*")], only_storage=False)):
        here, elsewhere = (
            plugged(folder, "KELP", f"{HERE}-one-scsi-0"),
            plugged(folder, "REEF", f"{HERE}-two-scsi-0"),
        )
        told, others = properties(here), properties(elsewhere)
        about_window = of_a_loop_over(here, "--read-only")
        strangers = [of_a_loop_over(elsewhere, "--read-only"), of_a_loop_over(elsewhere)]
    assert is_read_only(here)
    assert (told["INGESTD_BAY"], told["UDISKS_IGNORE"], told["SYSTEMD_READY"]) == ("bay-1", "1", "0")
    assert "ID_FS_TYPE" not in told, "what would be assembled or mounted is not even looked for"
    assert "by-diskseq" in told["DEVLINKS"]
    assert "by-label/KELP" not in told["DEVLINKS"]
    assert "ID_FS_TYPE" not in about_window, "nor through what the station lays over it"
    assert about_window["SYSTEMD_READY"] == "0"
    for stranger in strangers:
        assert not {"SYSTEMD_READY", "UDISKS_IGNORE"} & stranger.keys(), "what others lay over their disks"
    assert not is_read_only(elsewhere)
    assert others["ID_FS_TYPE"] == "ext4"
    assert "INGESTD_BAY" not in others
    refused = subprocess.run(
        ["dd", "if=/dev/zero", f"of={here}", "count=1"], check=False, capture_output=True
    )
    assert refused.returncode != 0


@UDEV_ONLY[0]
@UDEV_ONLY[1]
@pytest.mark.parametrize("only_storage", [False, True])
def test_udev_understands_every_line(udev: None, only_storage: bool) -> None:
    """`udevadm test` reads all rules and says which lines it cannot follow."""
    text = udev_rules([bay("bay-1", USB)], only_storage=only_storage)
    with rules_in_force(FILE_NAME, text) as name:
        said = subprocess.run(
            ["udevadm", "test", "/sys/block/loop0"], check=False, capture_output=True, text=True
        )
    about = [line for line in (said.stderr + said.stdout).splitlines() if name in line]
    assert any("Reading rules file" in line for line in about), "it is among those that were read"
    assert [line for line in about if re.search(rf"{name}:\d+ ", line)] == []
    known = subprocess.run(["udevadm", "--help"], check=True, capture_output=True, text=True).stdout
    if "verify" in known:  # systemd 254
        subprocess.run(["udevadm", "verify", "--no-style", str(TOP / "systemd" / FILE_NAME)], check=True)
