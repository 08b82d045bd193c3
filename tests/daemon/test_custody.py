"""The record of custody of a drive, as the whole daemon keeps it and as people check it."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from tests.daemon.conftest import MakeStation
from tests.support import drives as support
from tests.support.daemon import Station, sealed, wait_for
from tests.support.tickets import pem_of
from tests.support.visits import Visit

FILES = {b"north-transect.enc": sealed(600_000, 1), b"logs/day-1.enc": sealed(70_000, 3)}
SLOW = {"uplink": {"rate_bytes_per_second": 300_000}, "transfer": {"buffer_bytes": 65_536}}


def export(station: Station, load_id: str) -> bytes:
    """The record by the command, once it is as long as the journal has it."""
    done = station.ingestd("custody", "export", load_id)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.encode()


def closed(station: Station, load_id: str) -> list[dict[str, Any]]:
    """The record of a drive that was released; the files are a moment behind the events."""

    def look() -> list[dict[str, Any]] | None:
        done = station.ingestd("custody", "export", load_id)
        entries = [json.loads(line) for line in done.stdout.splitlines()]
        return entries if entries and entries[-1]["action"] == "released" else None

    return wait_for(look, 15.0, f"the record of {load_id}")


def test_a_drive_that_was_pulled_and_came_back_has_one_record_up_to_its_release(
    make_station: MakeStation, tmp_path: Path
) -> None:
    station = make_station(**SLOW)
    station.start()
    visit = Visit(station, FILES).announce(return_label_enclosed=True).plug()
    station.wait_phase(visit.serial, "loading")
    visit.pull()
    away = visit.wait_told("ingest.load.away")
    visit.plug()
    released = visit.released()
    entries = closed(station, released["load_id"])

    wanted = ["plugged-in", "identified", "matched", "surveyed", "unplugged", "away", "plugged-in"]
    wanted += ["identified", "resumed", "surveyed", "read", "proof-begun", "proved", "released"]
    actions = iter([entry["action"] for entry in entries])
    assert [action for action in wanted if action in actions] == wanted
    assert entries[0]["drive"]["serial"] == visit.serial
    assert {entry["bay"] for entry in entries if "bay" in entry} == {visit.bay}
    last = entries[-1]["details"]
    assert (last["outcome"], last["disposition"]) == ("loaded", "return")
    told = next(entry for entry in entries if entry["action"] == "away")
    assert away["custody"] == {"entries": told["number"], "sha256": told["sha256"]}
    assert released["custody"] == {"entries": len(entries), "sha256": entries[-1]["sha256"]}

    body = export(station, released["load_id"])
    assert not [name for name in (b"transect", b"day-1", b".enc") if name in body]
    path = tmp_path / "custody.jsonl"
    path.write_bytes(body)
    head = released["custody"]["sha256"]
    good = station.ingestd("custody", "verify", str(path), "--head", head)
    assert (good.returncode, good.stderr) == (0, "")
    assert "unaltered, up to the drive's release" in " ".join(good.stdout.split())
    assert head in good.stdout

    path.write_bytes(body.replace(b'"disposition":"return"', b'"disposition":"dispose"'))
    bad = station.ingestd("custody", "verify", str(path), "--head", head)
    assert bad.returncode == 1
    assert f"line {len(entries)}: was altered" in bad.stderr
    lines = body.splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-3]))
    assert station.ingestd("custody", "verify", str(path), "--head", head).returncode == 1
    assert station.ingestd("custody", "verify", str(path)).returncode == 1


def test_what_is_stored_beside_the_receipt_ends_where_the_proof_began(quay: Station) -> None:
    visit = Visit(quay, FILES).announce().plug()
    released = visit.released()
    receipt = json.loads(visit.record("*.receipt.json").read_bytes())
    (published,) = visit.told("ingest.job.loaded")[0]["receipts"]
    assert published["custody"] == receipt["custody"]
    stored = visit.record("*.custody.jsonl")
    done = quay.ingestd("custody", "verify", str(stored), "--head", receipt["custody"]["sha256"])
    assert (done.returncode, done.stderr) == (0, "")
    lines = stored.read_bytes().splitlines()
    assert (len(lines), json.loads(lines[-1])["action"]) == (receipt["custody"]["entries"], "proof-begun")
    # The whole record begins with what is stored.
    assert [json.loads(line) for line in lines] == closed(quay, released["load_id"])[: len(lines)]
    open_end = quay.ingestd("custody", "verify", str(stored))
    assert open_end.returncode == 1
    assert "does not end with the drive's release" in open_end.stderr


def test_the_words_of_people_are_in_the_record(quay: Station) -> None:
    visit = Visit(quay, {b"opaque.bin": bytes(byte % 200 for byte in sealed(2_000_000, 3)[16:])})
    visit.announce().plug()
    held = visit.held("doubtful")
    assert quay.ingestd("lift", visit.bay, "--decision", "accept", "--by", "m.okafor").returncode == 0
    visit.released()
    entries = closed(quay, held["load_id"])
    (decided,) = [entry for entry in entries if entry["action"] == "decided"]
    assert (decided["actor"], decided["operator"]) == ("operator", "m.okafor")
    assert decided["details"] == {"decision": "accept"}


def test_a_failure_is_recorded_without_the_names_of_files(quay: Station) -> None:
    visit = Visit(quay, {b"diary-of-a-diver.txt": b"nobody sealed this\n" * 2000}).announce().plug()
    released = visit.released()
    entries = closed(quay, released["load_id"])
    (concluded,) = [entry for entry in entries if entry["action"] == "concluded"]
    assert {"code": "not-encrypted", "severity": "blocking"} in concluded["details"]["findings"]
    assert "diver" not in json.dumps(entries)
    assert entries[-1]["details"]["outcome"] == "failed"
    assert not list(visit.folder.glob(".ingest/*"))


def test_a_drive_whose_data_is_taken_back_after_its_release_has_a_second_one(quay: Station) -> None:
    first, second = Visit(quay, FILES), Visit(quay, {b"other.enc": sealed(1000, 5)})
    quay.announce(first.job_id, first.serial, second.serial)
    wait_for(lambda: not list((quay.spool / "notices").glob("*.json")), what="the notice taken")
    first.plug()
    released = first.released()
    assert list(first.folder.glob(".ingest/*.custody.jsonl"))
    before = closed(quay, released["load_id"])
    quay.withdraw(first.job_id)
    again = first.released(2)
    assert again["custody"]["entries"] > released["custody"]["entries"]
    assert not list(first.folder.glob(".ingest/*"))
    wait_for(lambda: len(closed(quay, released["load_id"])) > len(before), what="the second release")
    entries = closed(quay, released["load_id"])
    assert entries[: len(before)] == before
    rest = [entry["action"] for entry in entries[len(before) :]]
    assert rest == ["withdrawn", "concluded", "taking-back-begun", "taken-back", "released"]
    assert again["custody"]["sha256"] == entries[-1]["sha256"]


def test_records_are_shown_to_people(quay: Station) -> None:
    visit = Visit(quay, FILES).announce().plug()
    released = visit.released()
    entries = closed(quay, released["load_id"])
    shown = quay.ingestd("custody", "show", released["load_id"])
    assert shown.returncode == 0
    assert max(map(len, shown.stdout.splitlines())) <= 80
    for entry in entries:
        assert entry["action"] in shown.stdout
    assert entries[-1]["sha256"] in shown.stdout
    assert json.loads(quay.ingestd("custody", "show", released["load_id"], "--json").stdout) == entries
    assert released["load_id"] in quay.ingestd("custody", "show").stdout
    listed = json.loads(quay.ingestd("custody", "show", "--json").stdout)
    (row,) = [row for row in listed if row["load_id"] == released["load_id"]]
    assert (row["entries"], row["sha256"]) == (len(entries), entries[-1]["sha256"])


def test_what_is_not_there_is_said(quay: Station, tmp_path: Path) -> None:
    for arguments, status, words in (
        (("custody",), 2, "usage"),
        (("custody", "show", "quay-03.bay-9.none"), 1, "there is no record of a load"),
        (("custody", "export", "../../journal/journal"), 1, "there is no record"),
        (("custody", "verify", str(tmp_path / "none.jsonl")), 2, "cannot be read: No such file"),
        (("custody", "verify", "-", "--head", "12"), 2, "64 hexadecimal digits"),
    ):
        done = quay.ingestd(*arguments) if arguments[-1:] != ("12",) else quay.ingestd(*arguments, given=b"")
        assert done.returncode == status, done.stderr
        assert words in done.stderr


def test_after_a_kill_at_any_moment_the_record_goes_on(make_station: MakeStation) -> None:
    station, dice = make_station(**SLOW), random.Random(7)
    station.start()
    visit = Visit(station, FILES).announce().plug()
    for _ in range(4):
        wait_for(lambda: station.load(visit.serial), what="the drive")
        wait_for(lambda: dice.random() < 0.05, what="a moment")
        station.kill()
        station.start()
    released = visit.released()
    entries = closed(station, released["load_id"])
    assert released["custody"] == {"entries": len(entries), "sha256": entries[-1]["sha256"]}
    assert [entry["action"] for entry in entries].count("daemon-started") >= 1
    body = export(station, released["load_id"])
    head = released["custody"]["sha256"]
    command = ("custody", "verify", "-", "--head", head)
    assert station.ingestd(*command, given=body).returncode == 0
    # A file that is lost or was spoiled comes again from the journal.
    station.stop()
    (path,) = (station.state / "custody").glob("*.jsonl")
    path.write_bytes(b"".join(body.splitlines(keepends=True)[:-1]))
    station.start()
    assert closed(station, released["load_id"]) == entries
    # One that was altered is not given out as the record.
    path.write_bytes(body.replace(b'"outcome":"loaded"', b'"outcome":"failed"'))
    for what in ("show", "export"):
        done = station.ingestd("custody", what, released["load_id"])
        assert (done.returncode, done.stdout) == (1, "")
        assert "is not as the daemon wrote it: line" in done.stderr


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
def test_the_write_blocks_and_the_drivers_of_an_image_are_in_the_record(make_station: MakeStation) -> None:
    station = make_station(drives={"watch": "loop"})
    bay = station.bays / "bay-1"
    bay.mkdir()
    image = support.make_image(bay / "drive.img", {}, size_mib=24)
    support.write_into(image, {"reef.enc": sealed(90_000, 1)}, cleanly=False)
    (bay / "drive.json").write_text(json.dumps({"serial": "LOOP-1", "image": "drive.img"}))
    station.start()
    station.announce("TW-loop", "LOOP-1")
    with support.attached(image):
        released = station.wait_released("LOOP-1")
        entries = closed(station, released["load_id"])
    identified = next(entry for entry in entries if entry["action"] == "identified")["details"]
    assert identified["write_blocks"] == ["sealed", "read-only-loop", "read-only-mount"]
    (volume,) = identified["volumes"]
    assert (volume["file_system"], volume["driver"], volume["readable"]) == ("ext4", "ext4", True)
    assert volume["overlay"] is True
    assert identified["tools"]["mount"]
    assert identified["kernel"]


# -- seals -----------------------------------------------------------------------------------------


def test_a_record_is_sealed_at_the_release(make_station: MakeStation, tmp_path: Path) -> None:
    private, public = tmp_path / "site.pem", tmp_path / "site.pub"
    made = Ed25519PrivateKey.generate()
    private.write_bytes(made.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    public.write_bytes(pem_of(made))
    station = make_station(custody={"key_file": str(private), "key_id": "harrow-2031"})
    station.start()
    released = Visit(station, FILES).announce().plug().released()

    def sealed_now() -> str | None:
        return station.ingestd("custody", "export", released["load_id"], "--seal").stdout or None

    (tmp_path / "record.jws").write_text(wait_for(sealed_now, 60.0, "the seal"))
    (tmp_path / "record.jsonl").write_bytes(export(station, released["load_id"]))
    head = released["custody"]["sha256"]
    command = ("custody", "verify", str(tmp_path / "record.jsonl"), "--key", str(public), "--head", head)
    done = station.ingestd(*command)
    assert (done.returncode, done.stderr) == (0, "")
