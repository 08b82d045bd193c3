"""Signed job tickets at a running station, and `ingestd ticket`."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support import tickets
from tests.support.daemon import Station, sealed, tree, wait_for
from tests.support.visits import Visit

NAME = b"ingest-ticket.json"
SOON, LONG_AGO = 4_000_000_000, 1_000_000_000
BY_LABEL = [{"volume_label": "NO SUCH"}]


@pytest.fixture
def quay(make_station: MakeStation) -> Station:
    """A station that knows one key, from a file."""
    station = make_station()
    key = station.root / "orders.pem"
    key.write_bytes(tickets.pem_of())
    with station.config.open("a") as config:
        config.write(f'[[tickets.keys]]\nid = "{tickets.KEY_ID}"\nfile = "{key}"\n')
    station.start()
    return station


def visit(quay: Station, ticket: dict[str, Any] | bytes, key: Any = tickets.KEY) -> Visit:
    """A drive with this ticket, whose job has yet to be announced."""
    made = Visit(quay, None)
    body = ticket if isinstance(ticket, bytes) else tickets.ticket({"job_id": made.job_id, **ticket}, key=key)
    quay.write_drive(made.serial, {b"north.enc": sealed(90_000, 1), NAME: body})
    return made


def test_a_drive_whose_serial_nobody_announced_is_loaded_by_its_signed_ticket(quay: Station) -> None:
    drive = visit(quay, {"tenant": "tidewrack-survey", "exp": SOON}).announce(drives=BY_LABEL).plug()
    assert drive.released()["outcome"] == "loaded"
    (started,) = drive.told("ingest.load.started")
    assert started["matched_by"].endswith(f", signed with key {tickets.KEY_ID}")
    assert set(drive.stored()) == {b"north.enc", NAME}


def test_a_forged_ticket_stops_the_drive_until_a_person_has_decided(quay: Station) -> None:
    drive = visit(quay, {}, tickets.OTHER_KEY).announce(drives=BY_LABEL).plug()
    words = f"has a signature that is not that of the key {tickets.KEY_ID}: it was altered, or forged"
    assert drive.held("ticket-in-doubt")["text"] == f"the job ticket on volume-1 {words}"
    quay.wait_phase(drive.serial, "held")
    shown = " ".join(quay.ingestd("status").stdout.split())
    assert words in shown
    assert "by the papers, ingestd assign" in shown
    assert tree(quay.archive) == {}
    assert quay.ingestd("assign", drive.bay, drive.job_id).returncode == 0
    assert drive.released()["outcome"] == "loaded"


def test_a_signed_ticket_against_the_announced_serial_is_never_loaded_for_either(quay: Station) -> None:
    other = Visit(quay, None).announce(drives=BY_LABEL)
    drive = visit(quay, {"job_id": other.job_id}).announce().plug()
    assert f"is not for job {drive.job_id}, which announced" in drive.held("ticket-in-doubt")["text"]
    assert tree(quay.archive) == {}


def test_a_ticket_that_was_copied_speaks_for_the_drive_that_it_names_alone(quay: Station) -> None:
    drive = visit(quay, b"")
    body = tickets.ticket({"job_id": drive.job_id, "serial": drive.serial, "exp": SOON})
    (quay.root / "drives" / drive.serial / NAME.decode()).write_bytes(body)
    drive.announce(drives=BY_LABEL)
    copy = visit(quay, body).plug()
    assert f"was written for the drive with serial {drive.serial}" in copy.held("ticket-in-doubt")["text"]
    assert drive.plug().released()["outcome"] == "loaded"


def test_a_key_that_was_mended_counts_when_the_hold_is_lifted(quay: Station) -> None:
    (quay.root / "orders.pem").unlink()
    drive = visit(quay, {}).announce(drives=BY_LABEL).plug()
    held = drive.held("ticket-in-doubt")["text"]
    assert held.endswith(f"cannot be read from {quay.root / 'orders.pem'}: No such file or directory")
    checked = quay.ingestd("check")
    assert (checked.returncode, "tickets.keys[0].file: the key orders-2031" in checked.stdout) == (2, True)
    (quay.root / "orders.pem").write_bytes(tickets.pem_of())
    assert quay.ingestd("lift", drive.bay, "--decision", "again").returncode == 0
    assert drive.released()["outcome"] == "loaded"


def test_a_key_that_is_added_counts_from_the_reload_on_and_one_that_is_taken_out_no_more(
    make_station: MakeStation,
) -> None:
    station = make_station()
    without = station.config.read_text()
    station.start()

    drive = visit(station, {}).announce(drives=BY_LABEL).plug()
    assert "which this station does not know" in drive.held("ticket-in-doubt")["text"]
    reloaded(station, f'{without}[[tickets.keys]]\nid = "{tickets.KEY_ID}"\nx = "{tickets.x_of()}"\n')
    assert station.ingestd("lift", drive.bay, "--decision", "again").returncode == 0
    assert drive.released()["outcome"] == "loaded"

    reloaded(station, without)
    drive = visit(station, {}).announce(drives=BY_LABEL).plug()
    assert "which this station does not know" in drive.held("ticket-in-doubt")["text"]


def reloaded(station: Station, configuration: str) -> None:
    before = len(station.lines("reloaded"))
    station.config.write_text(configuration)
    station.signal(signal.SIGHUP)
    (line,) = wait_for(lambda: station.lines("reloaded")[before:], what="the reload")
    assert line["changed"] == ["tickets.keys"]


# -- the command -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "code", "words"),
    [
        (b'{"job_id": "TW-2041"}', 0, "job TW-2041 signed no: a hint, which counts only where"),
        (
            tickets.ticket({"job_id": "TW-2041", "serial": "HQ7K2M9A", "exp": SOON}),
            0,
            "job TW-2041 signed with key orders-2031 tenant whichever the job is of "
            "drive serial HQ7K2M9A valid until 2096-10-02T07:06:40Z",
        ),
        (
            tickets.ticket({"job_id": "TW-2041", "volume_uuid": "4a-b1", "tenant": "lumen-dome"}),
            0,
            "tenant lumen-dome drive volume UUID 4a-b1 valid without an end",
        ),
        (
            tickets.ticket({"job_id": "TW-2041"}),
            0,
            "drive any: the first one that it lies on takes a place of the job",
        ),
        (
            tickets.ticket({"job_id": "TW-2041", "exp": LONG_AGO}),
            2,
            "the drive would be held: the job ticket TW-2041 on this volume, signed with key orders-2031, "
            "has expired: it was valid until 2001-09-09T01:46:40Z",
        ),
        (
            tickets.ticket({"job_id": "TW-2041"}, key=tickets.OTHER_KEY),
            2,
            "the drive would be held: the job ticket on this volume has a signature that is not that of",
        ),
        (b"kelp", 2, "passed over: not a job ticket, such as"),
    ],
)
def test_the_command_says_what_a_station_makes_of_it(
    make_station: MakeStation, tmp_path: Path, body: bytes, code: int, words: str
) -> None:
    station = make_station()
    with station.config.open("a") as config:
        config.write(f'[[tickets.keys]]\nid = "{tickets.KEY_ID}"\nx = "{tickets.x_of()}"\n')
    (tmp_path / "ticket.json").write_bytes(body)
    said = station.ingestd("ticket", str(tmp_path / "ticket.json"))
    assert words in " ".join((said.stdout + said.stderr).split())
    assert said.returncode == code


def test_a_ticket_that_is_not_there_is_told(station: Station) -> None:
    said = station.ingestd("ticket", "/nowhere/\x1b[2J")
    assert (said.returncode, said.stderr) == (
        2,
        "ingestd: /nowhere/\\x1b[2J: cannot be read: No such file or directory\n",
    )
