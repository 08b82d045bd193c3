"""What every source of drives has to do, run over folders, loop devices, and disks that udev tells of."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Protocol

import pytest

from ingestd.core.drive import DriveHandle, DriveIdentity, SpoiltTicket, Ticket
from ingestd.core.model import BayName, JobId
from ingestd.drives.bays import Bay
from ingestd.drives.folder import FolderDrives
from ingestd.drives.loop import LoopDrives
from ingestd.drives.privileged.client import HelperClient
from ingestd.ports import Cancelled, DriveGoneError, Drives, DriveSwapped, ToolFailed
from tests.support import drives as support
from tests.support import tickets
from tests.support.drives import SONAR, Going, StoppedAfter, open_in, read_below, seen_in
from tests.support.helper import Helper, running
from tests.support.udevd import HERE, UDEV_ONLY, settle, tell, told_of_images, udevd

TICKET = "ingest-ticket.json"


class Station(Protocol):
    """A source of drives, and hands to plug them in with."""

    bays: Path
    drives: Drives

    def plug(self, bay: str, serial: str, files: support.Files = SONAR) -> None: ...

    def unplug(self, bay: str) -> None: ...


class FolderStation:
    def __init__(self, home: Path) -> None:
        self.bays = home / "bays"
        self.bays.mkdir()
        self.drives: Drives = FolderDrives(str(self.bays), tickets.RING)

    def plug(self, bay: str, serial: str, files: support.Files = SONAR) -> None:
        support.plug_folder(self.bays, bay, files, serial=serial, wwn=f"wwn-{serial}", model="Slate 4")

    def unplug(self, bay: str) -> None:
        support.unplug_folder(self.bays, bay)


class LoopStation:
    def __init__(self, home: Path) -> None:
        self.bays = home / "bays"
        self.bays.mkdir()
        self.drives: Drives = support.loop_drives(self.bays, home / "mounts", keys=tickets.RING)
        self.devices: dict[str, str] = {}

    def plug(self, bay: str, serial: str, files: support.Files = SONAR) -> None:
        support.make_image(self.bays / bay / "drive.img", files, size_mib=8)
        card = {"serial": serial, "wwn": f"wwn-{serial}", "model": "Slate 4"}
        self.devices[bay] = support.plug_image(self.bays, bay, **card)

    def unplug(self, bay: str) -> None:
        support.unplug_image(self.devices.pop(bay))


class HelperStation(LoopStation):
    """The same, opened by a helper: one for all of them, whose bays are those of the test at hand."""

    def __init__(self, home: Path, helper: Helper) -> None:
        super().__init__(home)
        helper.bays.unlink(missing_ok=True)
        helper.bays.symlink_to(self.bays)
        self.drives = LoopDrives(str(self.bays), HelperClient(str(helper.socket)), tickets.RING)


class UdevStation:
    """Loop devices that a real udev presents as disks in bays."""

    def __init__(self, home: Path) -> None:
        self.bays = home / "bays"
        self.bays.mkdir()
        names = ("bay-1", "bay-2", "bay 2 (left)")
        bays = [Bay(name=BayName(name), paths=(f"{HERE}-{name}-*",)) for name in names]
        self.drives: Drives = support.udev_drives(bays, home / "mounts", keys=tickets.RING)
        self.devices: dict[str, str] = {}

    def plug(self, bay: str, serial: str, files: support.Files = SONAR) -> None:
        image = support.make_image(self.bays / re.sub(r"\W", "_", bay), files, size_mib=8)
        facts = {"ID_SERIAL_SHORT": serial, "ID_WWN": f"wwn-{serial}", "ID_MODEL_ENC": "Slate\\x204"}
        tell(image, {"ID_PATH": f"{HERE}-{bay}-scsi-0", **facts})
        self.devices[bay] = support.attach(image)
        settle()

    def unplug(self, bay: str) -> None:
        support.unplug_image(self.devices.pop(bay))


CARD_STATIONS: list[object] = [
    pytest.param(FolderStation, id="folder"),
    pytest.param(LoopStation, id="loop", marks=support.ROOT_ONLY),
    pytest.param(HelperStation, id="helper", marks=support.ROOT_ONLY),
]

STATIONS = [*CARD_STATIONS, pytest.param(UdevStation, id="udev", marks=UDEV_ONLY)]


@pytest.fixture(scope="module")
def udev() -> Iterator[None]:
    with udevd():
        yield


@pytest.fixture(scope="module")
def helper(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Helper]:
    home = tmp_path_factory.mktemp("helper")
    with running(home / "helper", home / "bays") as helper:
        yield helper


@pytest.fixture(params=STATIONS)
def station(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Station]:
    make: Callable[..., Station] = request.param
    with ExitStack() as stack:
        if make is UdevStation:
            request.getfixturevalue("udev")
            stack.enter_context(told_of_images(tmp_path))
        more = [request.getfixturevalue("helper")] if make is HelperStation else []
        station = make(tmp_path, *more)
        yield station
        support.unplug_all(station.bays)
    assert support.mounts_at(tmp_path) == []


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_no_bays_no_drives(station: Station) -> None:
    assert list(station.drives.enumerate()) == []
    assert list(station.drives.clean_up()) == []


def test_a_drive_is_seen_in_its_bay_with_its_identity(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    station.plug("bay 2 (left)", "KX-2")
    (station.bays / "bay-3").mkdir()
    found = {sighting.bay: sighting.identity.serial for sighting in station.drives.enumerate()}
    assert found == {"bay-1": "KX-1", "bay 2 (left)": "KX-2"}
    identity = seen_in(station.drives, "bay-1").identity
    assert (identity.wwn, identity.model) == ("wwn-KX-1", "Slate 4")


def test_looking_twice_gives_the_same(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    assert list(station.drives.enumerate()) == list(station.drives.enumerate())


def test_an_open_drive_can_be_read(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    sighting = seen_in(station.drives, "bay-1")
    opened = station.drives.open(sighting.handle, Going())
    assert opened.facts.identity == sighting.identity
    assert opened.facts.interface == sighting.interface
    assert opened.facts.volumes == tuple(volume.facts for volume in opened.volumes)
    (volume,) = opened.volumes
    assert volume.facts.problem is None
    for name, body in SONAR.items():
        assert read_below(volume.root_fd, name) == body
    opened.drop_caches()
    assert read_below(volume.root_fd, "read me.txt") == SONAR["read me.txt"]
    opened.close()


def test_a_closed_drive_gives_no_descriptor(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    before = open_descriptors()
    opened = open_in(station.drives, "bay-1")
    opened.close()
    opened.close()
    assert open_descriptors() == before
    with pytest.raises(ValueError, match="closed"):
        opened.volumes[0].root_fd  # noqa: B018
    assert not opened.still_there()
    opened.drop_caches()


def test_the_same_drive_may_be_open_twice(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    one, other = open_in(station.drives, "bay-1"), open_in(station.drives, "bay-1")
    one.close()
    assert read_below(other.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
    other.close()


@pytest.mark.parametrize(
    ("body", "job_id"),
    [
        (b'{"job_id": "J-1041"}', "J-1041"),
        (b'\xef\xbb\xbf{"job_id": " J-1041 ", "note": "from the boat"}\r\n', "J-1041"),
        (b'{"job_id": ""}', None),
        (b'{"job_id": 1041}', None),
        (b'{"job_id": "J\\u0007"}', None),
        (b'{"job": "J-1041"}', None),
        (b"[" * 16000, None),
        (b"\xff\xfe", None),
        (b'{"job_id": "J-1041"}' + b" " * 16384, None),
    ],
)
def test_a_ticket_names_the_job(station: Station, body: bytes, job_id: str | None) -> None:
    station.plug("bay-1", "KX-1", {TICKET: body})
    opened = open_in(station.drives, "bay-1")
    expected = () if job_id is None else (Ticket(volume="volume-1", job_id=JobId(job_id)),)
    assert opened.facts.tickets == expected
    opened.close()


def test_a_signed_ticket_is_verified(station: Station) -> None:
    said = {"job_id": "J-1041", "tenant": "lumen-dome", "serial": "KX-1", "volume_uuid": "4a-b1", "exp": 2e9}
    station.plug("bay-1", "KX-1", {TICKET: tickets.ticket({**said, "nbf": 1, "note": "passed over"})})
    opened = open_in(station.drives, "bay-1")
    (ticket,) = opened.facts.tickets
    assert ticket == Ticket(
        volume="volume-1",
        job_id=JobId("J-1041"),
        key_id=tickets.KEY_ID,
        tenant="lumen-dome",
        serial="KX-1",
        volume_uuid="4a-b1",
        valid_from=1.0,
        valid_until=2e9,
    )
    assert opened.facts.spoilt_tickets == ()
    opened.close()


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (tickets.ticket({"job_id": "J-1041"}, key=tickets.OTHER_KEY), "has a signature that is not that of"),
        (b'{"job_id": "J-1041", "signed": 7}', "is not signed as it says: `signed` must be"),
        (b'{"job_id": "J-1041", "signed": "kelp"}', "is not signed as it says: a compact JWS has"),
        (tickets.ticket({"tenant": "lumen-dome"}), "is signed, and not as tickets are: job_id"),
        (tickets.ticket({"job_id": "J\x1b", "exp": True}), "is signed, and not as tickets are: exp, job_id"),
        (tickets.ticket({"job_id": "J", "serial": " "}), "is signed, and not as tickets are: serial"),
        (tickets.ticket({"job_id": "J", "exp": 1e300}), "is signed, and not as tickets are: exp"),
        (tickets.ticket({"job_id": "J", "nbf": float("nan")}), "is signed, and not as tickets are: nbf"),
    ],
)
def test_a_signed_ticket_that_proves_nothing_is_no_hint(station: Station, body: bytes, why: str) -> None:
    station.plug("bay-1", "KX-1", {TICKET: body})
    opened = open_in(station.drives, "bay-1")
    (spoilt,) = opened.facts.spoilt_tickets
    assert spoilt == SpoiltTicket(volume="volume-1", why=spoilt.why)
    assert spoilt.why.startswith(why)
    assert opened.facts.tickets == ()
    opened.close()


def test_a_ticket_further_down_is_none(station: Station) -> None:
    station.plug("bay-1", "KX-1", {f"docs/{TICKET}": b'{"job_id": "J-1041"}', f"{TICKET}/x": b"a folder"})
    opened = open_in(station.drives, "bay-1")
    assert opened.facts.tickets == ()
    opened.close()


def test_an_unplugged_drive_is_gone(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    handle = seen_in(station.drives, "bay-1").handle
    station.unplug("bay-1")
    assert list(station.drives.enumerate()) == []
    with pytest.raises(DriveGoneError):
        station.drives.open(handle, Going())


def test_a_drive_pulled_while_open_is_noticed(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    opened = open_in(station.drives, "bay-1")
    assert opened.still_there()
    station.unplug("bay-1")
    assert not opened.still_there()
    assert list(station.drives.enumerate()) == []
    opened.close()
    assert list(station.drives.enumerate()) == []


def test_the_next_drive_in_a_bay_is_never_taken_for_the_one_before(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    before = seen_in(station.drives, "bay-1")
    station.unplug("bay-1")
    station.plug("bay-1", "KX-2")
    after = seen_in(station.drives, "bay-1")
    assert after.handle.generation != before.handle.generation
    with pytest.raises((DriveSwapped, DriveGoneError)):
        station.drives.open(before.handle, Going())
    opened = station.drives.open(after.handle, Going())
    assert opened.facts.identity.serial == "KX-2"
    opened.close()


def test_a_drive_plugged_in_again_has_another_handle(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    before = seen_in(station.drives, "bay-1")
    station.unplug("bay-1")
    station.plug("bay-1", "KX-1")
    after = seen_in(station.drives, "bay-1")
    assert after.identity == before.identity
    assert after.handle.generation != before.handle.generation


def test_a_handle_from_elsewhere_opens_nothing(station: Station, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    support.write_card(elsewhere, {"serial": "KX-9", "volumes": []})
    for locator in (str(elsewhere), "/dev/null", "/dev/loop-control", ""):
        with pytest.raises(DriveGoneError):
            station.drives.open(DriveHandle(locator=locator, generation=1), Going())


@pytest.mark.parametrize("station", CARD_STATIONS, indirect=True)
def test_a_broken_card_hides_nothing(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    station.plug("bay-2", "KX-2")
    (station.bays / "bay-1" / "drive.json").write_bytes(b'{"seriel": "KX-1"}')
    sighting = seen_in(station.drives, "bay-1")
    assert sighting.identity == DriveIdentity(size_bytes=sighting.identity.size_bytes)
    assert seen_in(station.drives, "bay-2").identity.serial == "KX-2"
    before = open_descriptors()
    with pytest.raises(ToolFailed, match=r"drive\.json is not valid: seriel"):
        station.drives.open(sighting.handle, Going())
    assert open_descriptors() == before
    assert [problem.where for problem in station.drives.problems()] == ["bay bay-1"]


@pytest.mark.parametrize("station", CARD_STATIONS, indirect=True)
def test_a_vanished_bay_is_an_empty_one(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    station.plug("bay-2", "KX-2")
    station.unplug("bay-1")
    (station.bays / "bay-1").rename(station.bays.parent / "taken-away")
    assert [sighting.bay for sighting in station.drives.enumerate()] == ["bay-2"]


@pytest.mark.parametrize("station", CARD_STATIONS, indirect=True)
def test_without_the_bays_nothing_is_said_of_any_drive(station: Station) -> None:
    station.bays.rmdir()
    with pytest.raises(ToolFailed, match="cannot be listed"):
        station.drives.enumerate()
    (problem,) = station.drives.problems()
    assert problem.fatal
    assert str(station.bays) in problem.remedy


@pytest.mark.parametrize("checks", [0, 1])
def test_opening_can_be_cancelled(station: Station, checks: int) -> None:
    station.plug("bay-1", "KX-1")
    handle = seen_in(station.drives, "bay-1").handle
    before = open_descriptors()
    with pytest.raises(Cancelled):
        station.drives.open(handle, StoppedAfter(checks))
    assert open_descriptors() == before


def test_good_surroundings_have_no_problems(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    assert list(station.drives.problems()) == []


def test_nothing_to_power_down(station: Station) -> None:
    station.plug("bay-1", "KX-1")
    assert station.drives.power_down(seen_in(station.drives, "bay-1").handle) is False
