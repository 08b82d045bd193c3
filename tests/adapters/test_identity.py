"""Who a drive is: udev's property sets of disks on buses of their own and behind USB enclosures.

The sets are written after what systemd's 60-persistent-storage.rules, ata_id, scsi_id and usb_id export
(version 252), with invented makes and numbers.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.drive import DriveIdentity
from ingestd.drives.identity import claimed, is_dummy, settled

SIZE = 2_000_398_934_016

SATA = {
    "ID_ATA": "1",
    "ID_BUS": "ata",
    "ID_MODEL": "Brinecroft_2T-B7",
    "ID_MODEL_ENC": "Brinecroft\\x202T-B7\\x20\\x20\\x20\\x20",
    "ID_SERIAL": "Brinecroft_2T-B7_BC70KELP",
    "ID_SERIAL_SHORT": "BC70KELP",
    "ID_WWN": "0x5000c500a1b2c3d4",
    "ID_WWN_WITH_EXTENSION": "0x5000c500a1b2c3d4",
}
ATA_BEHIND_USB = {
    **SATA,
    "ID_USB_SERIAL_SHORT": "000000000033",
    "ID_USB_MODEL": "Kelpbox",
    "ID_USB_DRIVER": "uas",
}
BRIDGE = {
    "ID_BUS": "usb",
    "ID_MODEL": "Kelpbox",
    "ID_MODEL_ENC": "Kelpbox\\x20\\x20",
    "ID_SERIAL": "Kelpbox_Q7700451-0:0",
    "ID_SERIAL_SHORT": "Q7700451",
    "ID_USB_SERIAL_SHORT": "Q7700451",
    "ID_USB_DRIVER": "usb-storage",
}
NVME = {
    "ID_SERIAL_SHORT": "S64DNX0R",
    "ID_WWN": "eui.0025385b91b0c1d2",
    "ID_MODEL": "Brinecroft N1",
    "ID_SERIAL": "Brinecroft_N1_S64DNX0R_1",
}
SAS = {
    "ID_BUS": "scsi",
    "ID_VENDOR": "NORTHAMB",
    "ID_MODEL": "NA8000S",
    "ID_MODEL_ENC": "NA8000S\\x20\\x20",
    "ID_SERIAL": "35000c5003b2a1908",
    "ID_SERIAL_SHORT": "5000c5003b2a1908",
    "ID_SCSI_SERIAL": "ZA1B2C3D",
    "ID_WWN": "0x5000c5003b2a1908",
}


def identity(serial: str | None, wwn: str | None, model: str | None) -> DriveIdentity:
    return DriveIdentity(serial=serial, wwn=wwn, model=model, size_bytes=SIZE)


@pytest.mark.parametrize(
    ("properties", "usb", "expected"),
    [
        (SATA, False, identity("BC70KELP", "0x5000c500a1b2c3d4", "Brinecroft 2T-B7")),
        (ATA_BEHIND_USB, True, identity("BC70KELP", "0x5000c500a1b2c3d4", "Brinecroft 2T-B7")),
        (NVME, False, identity("S64DNX0R", "eui.0025385b91b0c1d2", "Brinecroft N1")),
        (SAS, False, identity("ZA1B2C3D", "0x5000c5003b2a1908", "NA8000S")),
        ({}, False, identity(None, None, None)),
    ],
)
def test_what_the_disk_itself_said(properties: dict[str, str], usb: bool, expected: DriveIdentity) -> None:
    told = claimed(properties, SIZE, behind_usb=usb)
    assert told.own == expected
    assert told.enclosure_serial is None
    assert settled(told, None, shared=False) == expected


def test_an_enclosure_speaks_for_itself_only() -> None:
    told = claimed(BRIDGE, SIZE, behind_usb=True)
    assert told.own == identity(None, None, "Kelpbox")
    assert told.enclosure_serial == "Q7700451"
    assert not told.complete


def test_an_enclosure_s_serial_counts_with_model_and_size_if_nobody_shares_it() -> None:
    told = claimed(BRIDGE, SIZE, behind_usb=True)
    assert settled(told, None, shared=False) == identity("Q7700451", None, "Kelpbox")
    assert settled(told, None, shared=True) == identity(None, None, "Kelpbox")


def test_what_the_disk_says_wins_over_its_enclosure() -> None:
    disk = DriveIdentity(serial="BC70KELP", wwn="0x5000c500a1b2c3d4", model="Brinecroft 2T-B7", size_bytes=1)
    told = claimed(BRIDGE, SIZE, behind_usb=True)
    assert settled(told, disk, shared=False) == identity("BC70KELP", "0x5000c500a1b2c3d4", "Brinecroft 2T-B7")
    nothing = DriveIdentity(model="Brinecroft 2T-B7")
    assert settled(told, nothing, shared=False).serial == "Q7700451"


@pytest.mark.parametrize(
    "serial",
    [
        "000000000000",
        "0",
        "1111-1111",
        "0123456789ABCDEF",
        "123456789",
        "FEDCBA98",
        "DD56419883A54",
        "DD564198838E",
        "ABCDEF0123456789",
        "A",
        " - ",
        "000000000033",
        "NONE",
        "SerialNumber",
    ],
)
def test_serials_that_tell_nothing_apart(serial: str) -> None:
    assert is_dummy(serial)
    assert claimed({**BRIDGE, "ID_SERIAL_SHORT": serial}, SIZE, behind_usb=True).enclosure_serial is None


@pytest.mark.parametrize(
    "serial", ["BC70KELP", "Q7700451", "WD-WX11D78A1B2C", "S64DNX0R", "0025385b91b0c1d2"]
)
def test_serials_that_do(serial: str) -> None:
    assert not is_dummy(serial)


@given(st.dictionaries(st.sampled_from(sorted({*SATA, *SAS, *BRIDGE})), st.text()), st.booleans())
def test_whatever_a_drive_says_comes_out_harmless(properties: dict[str, str], usb: bool) -> None:
    told = claimed(properties, SIZE, behind_usb=usb)
    for fact in (told.own.serial, told.own.wwn, told.own.model, told.enclosure_serial):
        assert fact is None or (fact.isprintable() and fact.strip() == fact != "")
