"""Notices as other people's programs drop them: each acted on once, none of them able to do harm."""

from __future__ import annotations

import os
import time
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, wait_for
from tests.support.visits import Visit

FILES = {b"a.enc": sealed(80_000, 1)}
WAY = ["ingest.load.started", "ingest.load.finished", "ingest.job.loaded", "ingest.drive.released"]


def job_data(number: int, **more: Any) -> dict[str, Any]:
    return {
        "job_id": f"TW-{number}",
        "version": 1,
        "tenant": TENANT,
        "drives": [{"serial": f"KELP-{number}"}],
        "items": [],
        "destination": {"store": "archive", "prefix": f"{TENANT}/TW-{number}"},
        **more,
    }


def put(station: Station, name: str, body: bytes) -> None:
    """Drop a notice, and wait until it has been taken."""
    station.drop(body, name)
    path = station.spool / "notices" / f"{name}.json"
    wait_for(lambda: not path.exists(), what=f"{name} taken")


def set_aside(station: Station, folder: str, name: str) -> list[Path]:
    """What lies in a folder of the spool of a notice that was dropped under this name."""
    return sorted((station.spool / folder).glob(f"*-{name}.json*"))


def both_set_aside(station: Station, name: str) -> list[Path] | None:
    """A refused notice and its list of problems, once both are there."""
    found = set_aside(station, "refused", name)
    return found if len(found) == 2 else None


def refusal(station: Station, notice: str) -> list[str]:
    """The problems that were told of a notice."""
    problems: list[str] = station.wait_told("ingest.notice.refused", notice=notice)["problems"]
    return problems


def withdrawal(job_id: str) -> dict[str, str]:
    return {"job_id": job_id, "reason": "the customer sent the wrong drive"}


# -- what cannot be understood ---------------------------------------------------------------------


WRONG = job_data(1, version=0, tenant="tidewrack survey", proof="ful")
MALFORMED = {
    "not-json": b"{",
    "not-utf-8": b"\xff\xfe\x00",
    "empty": b"",
    "no-object": b"[1, 2]",
    "deep": b"[" * 100_000,
    "twice": b'{"id": "1", "id": "2"}',
    "large": b" " * 2_000_000,
}


def test_malformed_notices_are_set_aside_with_their_problems(quay: Station) -> None:
    for name, body in MALFORMED.items():
        quay.drop(body, name)
    for name, body in MALFORMED.items():
        problems = refusal(quay, f"{name}.json")
        notice, listed = wait_for(partial(both_set_aside, quay, name), what=f"{name} set aside")
        assert notice.read_bytes() == body
        assert listed.read_text().splitlines() == problems != []


def test_every_problem_of_a_notice_is_told(quay: Station) -> None:
    put(quay, "wrong", quay.notice("ingest.job.announced", WRONG, "wrong"))
    fields = [problem.split(":")[0] for problem in refusal(quay, "wrong.json")]
    assert fields == ["data.version", "data.tenant", "data.proof"]
    put(quay, "unknown", quay.notice("ingest.job.anounced", {}, "unknown"))
    assert "did you mean “ingest.job.announced”?" in refusal(quay, "unknown.json")[0]


def test_the_daemon_goes_on_after_what_it_could_not_understand(quay: Station) -> None:
    quay.drop(b"{", "in-between")
    visit = Visit(quay, FILES).announce().plug()
    assert visit.released()["outcome"] == "loaded"
    assert refusal(quay, "in-between.json")


def test_refusals_are_set_aside_as_such_also_after_a_kill(station: Station) -> None:
    station.start()
    elsewhere = job_data(1, destination={"store": "nowhere", "prefix": TENANT})
    (station.spool / "refused").rename(station.root / "kept")
    station.drop(b"{", "malformed")
    station.drop(station.notice("ingest.job.announced", elsewhere, "1"), "elsewhere")
    wait_for(lambda: len(station.told("ingest.notice.refused")) == 2, what="both refusals")
    station.kill()
    (station.root / "kept").rename(station.spool / "refused")
    station.start()
    wait_for(lambda: not list((station.spool / "notices").iterdir()), what="both set aside")
    _, listed = set_aside(station, "refused", "malformed")
    assert listed.read_text().splitlines() == refusal(station, "malformed.json")
    _, listed = set_aside(station, "refused", "elsewhere")
    assert "was refused before, under the same source and id" in listed.read_text()
    assert station.stop() == 0
    assert len(station.told("ingest.notice.refused")) == 2


# -- half-written, again, not for us ---------------------------------------------------------------


def test_a_file_that_is_being_written_is_not_read(quay: Station) -> None:
    visit = Visit(quay, FILES).plug()
    visit.held("no-matching-job")
    number = int(visit.serial.partition("-")[0])
    data = job_data(number, drives=[{"serial": visit.serial}])
    body = quay.notice("ingest.job.announced", data, "half")
    path = quay.spool / "notices" / ".half.json.tmp"
    path.write_bytes(body[:100])
    time.sleep(0.4)
    path.write_bytes(body)
    time.sleep(0.2)
    assert visit.kinds() == ["ingest.load.held"]
    os.rename(path, path.with_name("half.json"))
    assert visit.released()["outcome"] == "loaded"


def test_a_notice_that_comes_again_is_acted_on_once(quay: Station) -> None:
    visit = Visit(quay, None).announce()
    body = quay.notice("ingest.job.withdrawn", withdrawal(visit.job_id), "again")
    for number in range(4):
        put(quay, f"again-{number}", body)
    put(quay, "after-again", b"{")
    refusal(quay, "after-again.json")
    assert len(visit.told("ingest.job.withdrawal-completed")) == 1
    assert all(set_aside(quay, "accepted", f"again-{number}") for number in range(4))


def test_the_same_over_a_kill(station: Station) -> None:
    station.start()
    body = station.notice("ingest.job.withdrawn", withdrawal("TW-1"), "withdrawn")
    put(station, "first", body)
    station.wait_told("ingest.job.withdrawal-completed")
    station.kill()
    station.drop(body, "second")
    station.start()
    wait_for(lambda: set_aside(station, "accepted", "second"), what="it taken")
    assert station.stop() == 0
    assert len(station.told("ingest.job.withdrawal-completed")) == 1


def test_a_notice_for_another_station_is_passed_over(quay: Station) -> None:
    data = {"station": "quay-04", "rate_bytes_per_second": 65_536}
    put(quay, "other", quay.notice("ingest.uplink.set", data, "other"))
    assert set_aside(quay, "accepted", "other")
    time.sleep(1.1)
    assert (quay.picture() or {})["uplink_bytes_per_second"] is None


def test_files_that_are_no_notices_are_left_alone(quay: Station) -> None:
    folder = quay.spool / "notices"
    os.mkfifo(folder / "pipe.json")
    (folder / "README.txt").write_text("put notices here")
    (folder / "folder.json").mkdir()
    os.symlink("/etc/passwd", folder / "link.json")
    Visit(quay, None).announce()
    left = {path.name for path in folder.iterdir()}
    assert left == {"pipe.json", "README.txt", "folder.json", "link.json"}


# -- what this station cannot do -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("destination", "words"),
    [
        (
            {"store": "arhcive", "prefix": f"{TENANT}/x"},
            "data.destination.store: no store named 'arhcive' here",
        ),
        (
            {"store": "archive", "prefix": "lumen-dome/x"},
            "data.destination.prefix: must begin with the tenant",
        ),
    ],
)
def test_a_job_that_would_land_elsewhere_is_refused(
    quay: Station, destination: dict[str, str], words: str
) -> None:
    visit = Visit(quay, FILES).announce(destination=destination).plug()
    assert refusal(quay, f"job {visit.job_id} version 1")[0].startswith(words)
    assert set_aside(quay, "refused", f"{visit.job_id}-1")
    visit.held("no-matching-job")


@pytest.mark.parametrize("prefix", ["/etc", "../x", f"{TENANT}/../lumen-dome", ".ingest-parts/x", "a//b"])
def test_a_prefix_that_leads_elsewhere_is_refused(quay: Station, prefix: str) -> None:
    visit = Visit(quay, None).announce(destination={"store": "archive", "prefix": prefix})
    problems = refusal(quay, f"{visit.job_id}-1.json")
    assert any(problem.startswith("data.destination.prefix: ") for problem in problems)


# -- many ------------------------------------------------------------------------------------------


def fill_spool(station: Station, count: int) -> Path:
    folder = station.spool / "notices"
    folder.mkdir()
    for number in range(count):
        body = station.notice("ingest.job.announced", job_data(number), f"order-{number}")
        (folder / f"{number:04}.json").write_bytes(body)
    return folder


def pending(station: Station) -> int:
    picture = station.picture()
    return picture["jobs_pending"] if picture is not None else 0


def test_two_thousand_notices_at_once_are_taken_within_seconds(station: Station) -> None:
    folder = fill_spool(station, 2_000)
    station.start()
    began = time.monotonic()
    wait_for(lambda: pending(station) == 2_000, what="all jobs")
    # About a second on a quiet machine.
    assert time.monotonic() - began < 8.0
    wait_for(lambda: not list(folder.iterdir()), what="the folder empty")
    assert len(list((station.spool / "accepted").iterdir())) == 2_000


def test_jobs_survive_a_kill_with_hundreds_of_notices_under_way(station: Station) -> None:
    fill_spool(station, 600)
    station.start()
    wait_for(lambda: list((station.spool / "accepted").iterdir()), what="the first taken")
    station.kill()
    station.start()
    wait_for(lambda: pending(station) == 600, what="all jobs")
    assert station.events() == []


# -- events ----------------------------------------------------------------------------------------


def test_events_wait_while_the_spool_is_away_and_come_later(station: Station) -> None:
    station.start()
    visit = Visit(station, FILES).announce()
    away = station.root / "elsewhere"
    station.spool.rename(away)
    visit.plug()
    station.wait_phase(visit.serial, "released")
    assert station.lines("bus_down")
    wait_for(lambda: (station.picture() or {})["problems"], what="the status to say so")
    away.rename(station.spool)
    assert visit.released()["outcome"] == "loaded"
    assert visit.kinds() == WAY
    wait_for(lambda: station.lines("bus_up"), what="the log to say so")


def test_events_of_before_a_kill_come_after_it(station: Station) -> None:
    station.start()
    visit = Visit(station, FILES).announce()
    events = station.spool / "events"
    events.rename(station.root / "kept")
    visit.plug()
    station.wait_phase(visit.serial, "released")
    station.kill()
    (station.root / "kept").rename(events)
    station.start()
    visit.released()
    assert visit.kinds() == WAY


def test_a_daemon_without_its_spool_does_not_start_and_says_why(station: Station) -> None:
    station.spool.rmdir()
    ended = station.ingestd("run")
    assert ended.returncode == 1
    last = ended.stderr.splitlines()[-1]
    assert last.startswith(f"ingestd: the spool folder {station.spool} is missing; create it")


def test_the_report_of_the_station_comes_regularly(make_station: MakeStation) -> None:
    station = make_station(station={"report_every_seconds": 1.0})
    station.start()
    visit = Visit(station, FILES).plug()
    report = station.wait_told("ingest.station.reported")
    assert (report["station"], report["draining"]) == ("quay-03", False)
    (bay,) = report["bays"]
    assert (bay["bay"], bay["phase"]) == (visit.bay, "held")
    assert "no job" in bay["reason"]
