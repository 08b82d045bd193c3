"""Notices as other people's programs drop them: each acted on once, none of them able to do harm."""

from __future__ import annotations

import json
import os
import time
from typing import Any

import pytest

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, wait_for


@pytest.fixture
def running(station: Station) -> Station:
    station.start()
    return station


def names(station: Station, folder: str) -> list[str]:
    return sorted(path.name for path in (station.spool / folder).iterdir())


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


def withdrawal(station: Station) -> bytes:
    """The same notice as `Station.withdraw` drops."""
    data = {"job_id": "TW-1", "reason": "the customer sent the wrong drive"}
    return station.notice("ingest.job.withdrawn", data, "TW-1-w")


def pending(station: Station) -> int:
    picture = station.picture()
    return picture["jobs_pending"] if picture is not None else 0


def test_malformed_notices_are_set_aside_with_every_problem(running: Station) -> None:
    wrong = job_data(1, version=0, tenant="tidewrack survey", proof="ful")
    bodies = {
        "not-json": b"{",
        "not-utf-8": b"\xff\xfe\x00",
        "empty": b"",
        "no-object": b"[1, 2]",
        "unknown-type": running.notice("ingest.job.anounced", {}, "1"),
        "wrong-data": running.notice("ingest.job.announced", wrong, "2"),
        "deep": b"[" * 100_000,
        "twice": b'{"id": "1", "id": "2"}',
        "large": b" " * 2_000_000,
    }
    for name, body in bodies.items():
        running.drop(body, name)
    wait_for(lambda: len(names(running, "refused")) == 2 * len(bodies), what="all refused")

    told = {event["notice"]: event["problems"] for event in running.told("ingest.notice.refused")}
    assert set(told) == {f"{name}.json" for name in bodies}
    assert [problem.split(":")[0] for problem in told["wrong-data.json"]] == [
        "data.version",
        "data.tenant",
        "data.proof",
    ]
    (listed,) = (running.spool / "refused").glob("*wrong-data.json.problems.txt")
    assert listed.read_text().splitlines() == told["wrong-data.json"]
    assert "did you mean “ingest.job.announced”?" in told["unknown-type.json"][0]
    assert names(running, "notices") == []


def test_the_daemon_goes_on_after_what_it_could_not_understand(running: Station) -> None:
    running.drop(b"{", "broken")
    running.announce("TW-1", "KELP-1")
    running.wait_told("ingest.notice.refused")
    wait_for(lambda: pending(running) == 1, what="the job")


def test_a_file_that_is_being_written_is_not_read(running: Station) -> None:
    body = running.notice("ingest.job.announced", job_data(1), "1")
    path = running.spool / "notices" / ".TW-1.json.tmp"
    path.write_bytes(body[:100])
    time.sleep(0.4)
    path.write_bytes(body)
    time.sleep(0.2)
    assert running.events() == []
    os.rename(path, path.with_name("TW-1.json"))
    wait_for(lambda: pending(running) == 1, what="the job")
    assert running.events() == []


def test_a_notice_that_comes_again_is_acted_on_once(running: Station) -> None:
    running.announce("TW-1", "KELP-1")
    running.withdraw("TW-1")
    running.wait_told("ingest.job.withdrawal-completed")
    for number in range(3):
        running.drop(withdrawal(running), f"again-{number}")
    wait_for(lambda: len(names(running, "accepted")) == 5, what="all taken")
    running.drop(b"{", "last")
    running.wait_told("ingest.notice.refused")
    assert len(running.told("ingest.job.withdrawal-completed")) == 1


def test_the_same_over_a_restart(running: Station) -> None:
    running.announce("TW-1", "KELP-1")
    running.withdraw("TW-1")
    running.wait_told("ingest.job.withdrawal-completed")
    running.kill()
    running.drop(withdrawal(running), "again")
    running.start()
    wait_for(lambda: len(names(running, "accepted")) == 3, what="all taken")
    assert running.stop() == 0
    assert len(running.told("ingest.job.withdrawal-completed")) == 1


@pytest.mark.parametrize(
    ("destination", "problem"),
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
    running: Station, destination: dict[str, str], problem: str
) -> None:
    running.announce("TW-1", "KELP-1", destination=destination)
    refused = running.wait_told("ingest.notice.refused")
    assert refused["notice"] == "job TW-1 version 1"
    assert refused["problems"][0].startswith(problem)
    assert pending(running) == 0


@pytest.mark.parametrize(
    "prefix", ["/etc", "../x", "tidewrack-survey/../lumen-dome", ".ingest-parts/x", "a//b"]
)
def test_a_prefix_that_leads_elsewhere_is_refused(running: Station, prefix: str) -> None:
    running.announce("TW-1", "KELP-1", destination={"store": "archive", "prefix": prefix})
    (problem,) = running.wait_told("ingest.notice.refused")["problems"]
    assert problem.startswith("data.destination.prefix: ")


def test_a_notice_for_another_station_is_passed_over(running: Station) -> None:
    data = {"station": "quay-04", "rate_bytes_per_second": 65_536}
    running.drop(running.notice("ingest.uplink.set", data, "u1"), "other")
    wait_for(lambda: names(running, "accepted"), what="it taken")
    assert (running.picture() or {})["uplink_bytes_per_second"] is None
    assert running.events() == []


def test_two_thousand_notices_at_once_are_taken_within_seconds(make_station: MakeStation) -> None:
    station = make_station()
    folder = station.spool / "notices"
    folder.mkdir()
    for number in range(2_000):
        body = station.notice("ingest.job.announced", job_data(number), f"order-{number}")
        (folder / f"{number:04}.json").write_bytes(body)
    station.start()
    began = time.monotonic()
    wait_for(lambda: pending(station) == 2_000, what="all jobs")
    # About a second on a quiet machine.
    assert time.monotonic() - began < 8.0
    wait_for(lambda: not list(folder.iterdir()), what="the folder empty")
    assert len(names(station, "accepted")) == 2_000
    assert station.stop() == 0


def test_jobs_survive_a_kill_with_hundreds_of_notices_under_way(make_station: MakeStation) -> None:
    station = make_station()
    folder = station.spool / "notices"
    folder.mkdir()
    for number in range(600):
        body = station.notice("ingest.job.announced", job_data(number), f"order-{number}")
        (folder / f"{number:04}.json").write_bytes(body)
    station.start()
    wait_for(lambda: names(station, "accepted"), what="the first taken")
    station.kill()
    station.start()
    wait_for(lambda: pending(station) == 600, what="all jobs")
    assert station.events() == []


def test_files_that_are_no_notices_are_left_alone(running: Station) -> None:
    folder = running.spool / "notices"
    os.mkfifo(folder / "pipe.json")
    (folder / "README.txt").write_text("put notices here")
    (folder / "folder.json").mkdir()
    os.symlink("/etc/passwd", folder / "link.json")
    running.announce("TW-1", "KELP-1")
    wait_for(lambda: pending(running) == 1, what="the job")
    time.sleep(0.3)
    assert {"pipe.json", "README.txt", "folder.json", "link.json"} <= set(names(running, "notices"))


# -- events ----------------------------------------------------------------------------------------


def test_events_wait_while_the_spool_is_away_and_come_later(running: Station) -> None:
    away = running.root / "elsewhere"
    running.write_drive("KELP-1", {b"a.enc": sealed(80_000, 1)})
    running.announce("TW-1", "KELP-1")
    wait_for(lambda: pending(running) == 1, what="the job")
    running.spool.rename(away)
    running.plug("bay-1", "KELP-1")
    running.wait_phase("KELP-1", "released")
    assert running.lines("bus_down")
    away.rename(running.spool)
    assert running.wait_released("KELP-1")["outcome"] == "loaded"
    assert running.kinds() == ["ingest.load.started", "ingest.job.loaded", "ingest.drive.released"]
    wait_for(lambda: running.lines("bus_up"), what="the log to say so")


def test_events_of_before_a_kill_come_after_it(running: Station) -> None:
    running.write_drive("KELP-1", {b"a.enc": sealed(80_000, 1)})
    running.announce("TW-1", "KELP-1")
    wait_for(lambda: pending(running) == 1, what="the job")
    events = running.spool / "events"
    events.rename(running.root / "kept")
    running.plug("bay-1", "KELP-1")
    running.wait_phase("KELP-1", "released")
    running.kill()
    (running.root / "kept").rename(events)
    running.start()
    running.wait_released("KELP-1")
    assert running.kinds() == ["ingest.load.started", "ingest.job.loaded", "ingest.drive.released"]


def test_a_daemon_without_its_spool_does_not_start_and_says_why(station: Station) -> None:
    station.spool.rmdir()
    ended = station.ingestd("run")
    assert ended.returncode == 1
    last = ended.stderr.splitlines()[-1]
    assert last.startswith(f"ingestd: the spool folder {station.spool} is missing; create it")


def test_the_report_of_the_station_comes_regularly(make_station: MakeStation) -> None:
    station = make_station(station={"report_every_seconds": 1.0})
    station.write_drive("NOBODY-9", {b"a.enc": sealed(80_000, 1)})
    station.plug("bay-4", "NOBODY-9")
    station.start()
    report = station.wait_told("ingest.station.reported")
    assert (report["station"], report["draining"]) == ("quay-03", False)
    (bay,) = report["bays"]
    assert (bay["bay"], bay["phase"]) == ("bay-4", "held")
    assert json.dumps(bay["reason"]) != '""'
