"""The whole way of a drive, from plugged in to released, as people outside see it."""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, checked, files_now, sealed, tree, wait_for
from tests.support.sealed import SKESK, noise, seipd
from tests.support.visits import Visit

FILES = {
    b"north-transect.enc": sealed(700_000, 1),
    b"south-transect.enc": sealed(300_000, 2),
    b"logs/day-1.enc": sealed(70_000, 3),
}
WAY = ["ingest.load.started", "ingest.load.finished", "ingest.job.loaded", "ingest.drive.released"]

SLOW = {"uplink": {"rate_bytes_per_second": 200_000}, "transfer": {"buffer_bytes": 65_536}}


def stored_bytes(folder: Path) -> int:
    sizes = 0
    for path in files_now(folder):
        with contextlib.suppress(FileNotFoundError):
            sizes += path.stat().st_size
    return sizes


# -- a good drive ----------------------------------------------------------------------------------


def test_a_matched_drive_is_stored_proved_and_released(quay: Station) -> None:
    visit = Visit(quay, FILES).announce(return_label_enclosed=True).plug()
    released = visit.released()
    assert (released["outcome"], released["disposition"]) == ("loaded", "return")
    assert released["bay"] == visit.bay
    assert visit.stored() == FILES
    assert visit.kinds() == WAY
    assert not list(quay.archive.glob(".ingest-parts/*"))


def test_the_receipt_says_what_was_stored_and_names_its_manifest(quay: Station) -> None:
    visit = Visit(quay, FILES).announce().plug()
    visit.released()
    receipt = json.loads(visit.record("*.receipt.json").read_bytes())
    manifest = quay.archive / receipt["manifest"]
    assert hashlib.sha256(manifest.read_bytes()).hexdigest() == receipt["manifest_sha256"]
    assert (receipt["files"], receipt["stored_bytes"]) == (len(FILES), sum(map(len, FILES.values())))
    assert (receipt["job_id"], receipt["serial"]) == (visit.job_id, visit.serial)
    assert receipt["station"] == "quay-03"

    (published,) = visit.told("ingest.job.loaded")[0]["receipts"]
    moments = [datetime.fromisoformat(each.pop("proved_at")) for each in (receipt, published)]
    assert published == receipt
    assert abs(moments[0] - moments[1]) < timedelta(milliseconds=1)


@pytest.mark.parametrize(
    ("level", "files", "size_bytes"),
    [("listed", 0, 0), ("sampled", 3, 1_070_000), ("full", 3, 1_070_000)],
)
def test_each_level_of_proof_says_how_much_was_read_back(
    quay: Station, level: str, files: int, size_bytes: int
) -> None:
    visit = Visit(quay, FILES).announce(proof=level).plug()
    visit.released()
    (receipt,) = visit.told("ingest.job.loaded")[0]["receipts"]
    assert receipt["proof"] == level
    assert (receipt["files_read_back"], receipt["bytes_read_back"]) == (files, size_bytes)


def test_only_what_was_announced_is_loaded_and_the_rest_is_told(quay: Station) -> None:
    items = [{"name": "north-transect.enc"}, {"name": "logs", "kind": "folder"}]
    visit = Visit(quay, {**FILES, b"holiday.jpg": b"\xff\xd8\xff" + bytes(5000)})
    visit.announce(items=items).plug().released()
    assert sorted(visit.stored()) == [b"logs/day-1.enc", b"north-transect.enc"]
    (loaded,) = visit.told("ingest.job.loaded")
    assert [finding["code"] for finding in loaded["findings"]] == ["unexpected-item"]
    assert loaded["receipts"][0]["skipped_files"] == 2


def test_the_first_byte_is_stored_within_a_second_of_the_drive_appearing(quay: Station) -> None:
    visit = Visit(quay, {b"north.enc": sealed(6_000_000, 1)}).announce()
    before = stored_bytes(quay.archive)
    began = time.monotonic()
    visit.plug()
    wait_for(lambda: stored_bytes(quay.archive) > before, what="the first byte")
    # The aim is one second on a quiet machine; the benchmark prints the figure, this is the alarm.
    assert time.monotonic() - began < 3.0
    visit.released()


# -- several drives --------------------------------------------------------------------------------


def test_a_job_of_several_drives_is_loaded_once_when_the_last_of_them_is(quay: Station) -> None:
    serials = ["TRIO-1", "TRIO-2", "TRIO-3"]
    for number, serial in enumerate(serials, 1):
        quay.write_drive(serial, {b"part.enc": sealed(200_000, number)})
    quay.announce("TW-trio", *serials)
    for number in (3, 1, 2):
        quay.plug(f"bay-trio-{number}", f"TRIO-{number}")
    for serial in serials:
        quay.wait_released(serial)

    (loaded,) = quay.told("ingest.job.loaded", job_id="TW-trio")
    assert [receipt["serial"] for receipt in loaded["receipts"]] == serials
    folder = quay.archive / TENANT / "TW-trio"
    assert tree(folder) == {b"drive-%d/part.enc" % n: sealed(200_000, n) for n in (1, 2, 3)}
    for manifest in (folder / ".ingest").glob("*.sha256"):
        assert checked(folder, manifest) == []


def test_an_item_may_lie_on_any_drive_of_its_job(quay: Station) -> None:
    quay.write_drive("PAIR-1", {b"north.enc": sealed(100_000, 1)})
    quay.write_drive("PAIR-2", {b"south.enc": sealed(100_000, 2)})
    items = [{"name": "north.enc"}, {"name": "south.enc"}]
    quay.announce("TW-pair", "PAIR-1", "PAIR-2", items=items)
    for serial in ("PAIR-1", "PAIR-2"):
        quay.plug(f"bay-{serial}", serial)
        assert quay.wait_released(serial)["outcome"] == "loaded"
    assert len(quay.told("ingest.job.loaded", job_id="TW-pair")) == 1


@pytest.mark.parametrize("announced", [True, False])
@pytest.mark.parametrize("order", [(0, 1), (1, 0)], ids=["first first", "last first"])
def test_pieces_of_an_archive_may_lie_on_several_drives(
    quay: Station, announced: bool, order: tuple[int, int]
) -> None:
    """None of the drives is held for want of the pieces that are on the other one."""
    body = SKESK + seipd(noise(900_000))
    names = [f"north.tar.gpg.{number:03}" for number in range(1, 7)]
    pieces = [body[at * 160_000 :][:160_000] for at in range(6)]
    job_id = f"TW-pieces-{announced}-{order[0]}"
    serials = (f"{job_id}-A", f"{job_id}-B")
    for serial, numbers in zip(serials, ((0, 1, 4), (2, 3, 5)), strict=True):
        quay.write_drive(serial, {names[number].encode(): pieces[number] for number in numbers})
    items: dict[str, Any] = {"items": [{"name": name} for name in names]} if announced else {}
    quay.announce(job_id, *serials, **items)
    for number in order:
        quay.plug(f"bay-{serials[number]}", serials[number])
        if order[0]:
            quay.wait_released(serials[number])
    for number in order:
        assert quay.wait_released(serials[number])["outcome"] == "loaded"
    (loaded,) = quay.told("ingest.job.loaded", job_id=job_id)
    assert len(loaded["receipts"]) == 2
    assert not quay.told("ingest.load.held", job_id=job_id)


def test_several_jobs_at_once_end_in_their_own_places(quay: Station) -> None:
    contents = [{b"show.enc": sealed(150_000, number)} for number in range(10)]
    visits = [Visit(quay, files).announce() for files in contents]
    for visit in visits:
        visit.plug()
    for visit, files in zip(visits, contents, strict=True):
        assert visit.released()["job_id"] == visit.job_id
        assert visit.stored() == files


def test_two_drives_of_the_same_identity_are_not_mixed_up(quay: Station) -> None:
    visit = Visit(quay, FILES).plug()
    visit.held("no-matching-job")
    first = visit.bay
    visit.plug("bay-double")
    assert first in visit.held("duplicate-identity")["text"]
    for bay in (first, "bay-double"):
        quay.pull(bay)


# -- drives that come too early, twice, or for nobody ----------------------------------------------


def test_a_drive_that_comes_before_its_announcement_waits_for_it(quay: Station) -> None:
    visit = Visit(quay, FILES).plug()
    held = visit.held("no-matching-job")
    assert any(visit.serial in tried for tried in held["tried"])
    visit.announce()
    assert visit.released()["outcome"] == "loaded"
    assert visit.kinds() == ["ingest.load.held", "ingest.load.resumed", *WAY]


def test_a_drive_that_was_loaded_is_held_as_done_when_it_is_plugged_in_again(quay: Station) -> None:
    visit = Visit(quay, FILES).announce().plug()
    visit.released()
    visit.pull()
    wait_for(lambda: quay.load(visit.serial) is None, what="the bay empty")
    visit.plug()
    assert visit.job_id in visit.held("already-done")["text"]
    assert len(visit.told("ingest.job.loaded")) == 1


def test_an_unknown_drive_is_released_unclaimed(make_station: MakeStation) -> None:
    station = make_station(station={"unclaimed_after_seconds": 0.3})
    station.start()
    visit = Visit(station, FILES).plug()
    released = visit.released()
    assert (released["outcome"], released["job_id"]) == ("unclaimed", None)
    assert visit.told("ingest.drive.unclaimed")[0]["tried"]
    assert tree(station.archive) == {}


def test_a_released_drive_stays_released_in_its_bay_also_over_a_restart(station: Station) -> None:
    station.start()
    visit = Visit(station, FILES).announce().plug()
    visit.released()
    before = station.events()
    assert station.stop() == 0
    station.start()
    load = station.wait_phase(visit.serial, "released")
    assert (load["outcome"], load["bay"]) == ("loaded", visit.bay)
    time.sleep(0.3)
    assert station.events() == before


# -- pulled, amended, withdrawn --------------------------------------------------------------------


def test_a_drive_pulled_halfway_goes_on_where_it_stopped(make_station: MakeStation) -> None:
    station = make_station(**SLOW, station={"progress_every_seconds": 0.1})
    station.configure(**{**SLOW, "uplink": {"rate_bytes_per_second": 2_000_000}})
    station.start()
    files = {b"long.enc": sealed(3_000_000, 1), b"short.enc": sealed(60_000, 2)}
    visit = Visit(station, files).announce().plug()
    wait_for(lambda: stored_bytes(station.archive) > 500_000, what="half a megabyte")
    visit.pull()
    away = visit.wait_told("ingest.load.away")
    visit.plug("bay-9")
    released = visit.released()
    assert (released["outcome"], released["bay"]) == ("loaded", "bay-9")
    assert away["load_id"] == released["load_id"]
    assert visit.stored() == files
    assert visit.told("ingest.load.resumed")[0]["after"] == "away"


def test_an_amendment_in_time_changes_what_is_demanded(quay: Station) -> None:
    visit = Visit(quay, {b"books.txt": b"In the margin, in another hand.\n" * 4000})
    visit.announce(requirements={"not-encrypted": "blocking"})
    visit.announce(version=2, requirements={"not-encrypted": "off"})
    assert visit.plug().released()["outcome"] == "loaded"


def slow_visit(make_station: MakeStation) -> Visit:
    """A drive in the middle of a load that takes half a minute."""
    station = make_station(**SLOW)
    station.start()
    files = {b"day/%d.enc" % n: sealed(20_000, n) for n in range(30)}
    visit = Visit(station, {b"long.enc": sealed(5_000_000, 1), **files}).announce().plug()
    wait_for(lambda: stored_bytes(station.archive) > 100_000, what="something stored")
    return visit


def test_a_withdrawn_load_stops_and_leaves_nothing(make_station: MakeStation) -> None:
    visit = slow_visit(make_station)
    destination = {"store": "archive", "prefix": f"{TENANT}/elsewhere"}
    visit.announce(version=2, destination=destination)
    (problem,) = visit.station.wait_told("ingest.notice.refused")["problems"]
    assert problem.startswith("data.destination: cannot change once a load has begun")

    visit.station.withdraw(visit.job_id)
    completed = visit.wait_told("ingest.job.withdrawal-completed")
    assert completed["taken_back"] is True
    assert visit.released()["outcome"] == "withdrawn"
    assert [path.name for path in visit.station.archive.iterdir()] == [".ingest-parts"]
    assert list(visit.station.archive.glob(".ingest-parts/*")) == []


def test_a_job_withdrawn_before_its_drive_came_is_answered_at_once(quay: Station) -> None:
    visit = Visit(quay, None).announce()
    quay.withdraw(visit.job_id)
    assert visit.wait_told("ingest.job.withdrawal-completed")["taken_back"] is False


def test_a_withdrawal_after_the_end_is_answered_and_takes_nothing_back(quay: Station) -> None:
    visit = Visit(quay, FILES).announce().plug()
    visit.released()
    quay.withdraw(visit.job_id)
    completed = visit.wait_told("ingest.job.withdrawal-completed")
    assert (completed["taken_back"], "loaded already" in completed["text"]) == (False, True)
    assert visit.stored() == FILES
