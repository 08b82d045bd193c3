"""Two daemons on one broker: each drive of a job is loaded once, and each job has one end."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.support.broker import VirtualHost
from tests.support.daemon import TENANT, checked, sealed, tree, wait_for
from tests.support.quayside import Quayside, SharingStation

FILES = {b"reef-north.bin": sealed(300_000, 1), b"reef-south.bin": sealed(200_000, 2)}
SLOW = {
    "uplink": {"rate_bytes_per_second": 65_536, "burst_bytes": 65_536},
    "transfer": {"buffer_bytes": 65_536},
}


@pytest.fixture
def quayside(tmp_path: Path, virtual_host: VirtualHost) -> Iterator[Quayside]:
    quayside = Quayside(tmp_path, virtual_host)
    yield quayside
    quayside.end()


def write_twice(serial: str, *stations: SharingStation) -> None:
    """The same drive, as it is plugged in here and there, or two that say they are the same."""
    for station in stations:
        station.write_drive(serial, FILES)


def is_stored(quayside: Quayside, job_id: str, below: str = "") -> bool:
    return tree(quayside.archive / TENANT / job_id / below) == FILES


def test_of_two_claims_to_one_drive_the_first_in_the_log_is_loaded_and_the_other_held(
    quayside: Quayside,
) -> None:
    one, other = quayside.station("quay-03", **SLOW), quayside.station("quay-05", **SLOW)
    write_twice("HQ7K2M9A", one, other)
    # Plugged in before the job is known, so that both hear of it, and claim, at the same moment.
    for station in (one, other):
        station.plug("bay-1", "HQ7K2M9A")
        station.wait_phase("HQ7K2M9A", "held")
    quayside.announce("TW-0117", "HQ7K2M9A")
    claims = wait_for(lambda: _two(quayside.events("ingest.load.claimed")), 30, "two claims")
    first = claims[0]["data"]["load_id"]
    held = quayside.wait_event("ingest.load.held", reason="claimed-elsewhere")
    assert held["data"]["load_id"] != first
    assert first in held["data"]["text"]
    quayside.wait_event("ingest.job.loaded", job_id="TW-0117")
    assert quayside.wait_event("ingest.load.held", reason="already-done")["data"]["load_id"] != first
    assert {e["data"]["load_id"] for e in quayside.events("ingest.load.started")} == {first}
    assert is_stored(quayside, "TW-0117")


def _has_a_job(station: SharingStation) -> bool:
    picture = station.picture()
    return picture is not None and picture["jobs_pending"] == 1


def _continued(station: SharingStation) -> tuple[str, object] | None:
    """What a station's one record of custody says that its load continues."""
    for path in (station.state / "custody").glob("*.jsonl"):
        for entry in map(json.loads, path.read_bytes().splitlines()):
            if entry["action"] == "matched":
                return entry["details"]["continues"], entry["details"]["continues_custody"]
    return None


def _two(found: list[dict[str, Any]]) -> list[dict[str, Any]] | None:
    return found if len(found) == 2 else None


def test_the_record_that_completes_the_set_makes_the_job_loaded_once(quayside: Quayside) -> None:
    one, other = quayside.station("quay-03"), quayside.station("quay-05")
    for number in range(3):
        serials = (f"HQ{number}A", f"HQ{number}B")
        for station, serial in zip((one, other), serials, strict=True):
            station.write_drive(serial, FILES)
            station.plug(f"bay-{number}", serial)
        quayside.announce(f"TW-{number}", *serials)
    for number in range(3):
        loaded = quayside.wait_event("ingest.job.loaded", job_id=f"TW-{number}")
        receipts = loaded["data"]["receipts"]
        assert {receipt["station"] for receipt in receipts} == {"quay-03", "quay-05"}
        for receipt in receipts:
            below = quayside.archive / TENANT / f"TW-{number}"
            assert checked(below, quayside.archive / receipt["manifest"]) == []
    wait_for(lambda: len(quayside.events("ingest.drive.released")) == 6, 30, "six releases")
    assert len(quayside.events("ingest.job.loaded")) == 3
    finished = quayside.claims("ingest.load.finished")
    for loaded in quayside.events("ingest.job.loaded"):
        last = [e for e in finished if e["data"]["job_id"] == loaded["data"]["job_id"]][-1]
        assert loaded["source"] == last["source"], "the station whose record completes the set says so"


def test_a_drive_that_is_pulled_goes_on_at_another_station(quayside: Quayside) -> None:
    one, other = quayside.station("quay-03", **SLOW), quayside.station("quay-05")
    write_twice("HQ7K2M9A", one, other)
    quayside.announce("TW-0117", "HQ7K2M9A")
    one.plug("bay-1", "HQ7K2M9A")
    one.wait_phase("HQ7K2M9A", "loading")
    one.pull("bay-1")
    quayside.wait_event("ingest.load.away")
    other.plug("bay-4", "HQ7K2M9A")
    loaded = quayside.wait_event("ingest.job.loaded", job_id="TW-0117")
    assert [receipt["station"] for receipt in loaded["data"]["receipts"]] == ["quay-05"]
    told = quayside.events("ingest.load.away")[0]["data"]
    away = told["load_id"]
    assert quayside.events("ingest.load.claimed")[-1]["data"]["continues"] == away
    continued = wait_for(lambda: _continued(other), what="the record of custody at the other station")
    assert continued == (away, told["custody"])
    assert quayside.wait_event("ingest.drive.released", load_id=away)["data"]["outcome"] == "withdrawn"
    assert is_stored(quayside, "TW-0117")


def test_the_drives_of_a_station_that_falls_silent_go_on_elsewhere(quayside: Quayside) -> None:
    one, other = quayside.station("quay-03", **SLOW), quayside.station("quay-05")
    write_twice("HQ7K2M9A", one, other)
    quayside.announce("TW-0117", "HQ7K2M9A")
    one.plug("bay-1", "HQ7K2M9A")
    one.wait_phase("HQ7K2M9A", "loading")
    one.kill()
    other.plug("bay-4", "HQ7K2M9A")
    assert other.wait_phase("HQ7K2M9A", "held")["hold"] == "claimed-elsewhere"
    loaded = quayside.wait_event("ingest.job.loaded", job_id="TW-0117")
    assert [receipt["station"] for receipt in loaded["data"]["receipts"]] == ["quay-05"]
    # Back again, it learns what has become of its load, and does not load it a second time.
    one.start()
    one.wait_phase("HQ7K2M9A", "held", "released")
    assert len(quayside.events("ingest.job.loaded")) == 1
    assert is_stored(quayside, "TW-0117")


def test_a_station_with_an_empty_journal_learns_what_others_have_done(quayside: Quayside) -> None:
    one = quayside.station("quay-03")
    write_twice("HQ7K2M9A", one)
    quayside.announce("TW-0117", "HQ7K2M9A")
    one.plug("bay-1", "HQ7K2M9A")
    quayside.wait_event("ingest.job.loaded", job_id="TW-0117")
    newcomer = quayside.station("quay-05")
    write_twice("HQ7K2M9A", newcomer)
    newcomer.plug("bay-1", "HQ7K2M9A")
    held = newcomer.wait_phase("HQ7K2M9A", "held")
    assert (held["hold"], "TW-0117 is loaded already" in held["reason"]) == ("already-done", True)
    # The same for a station whose own journal was lost.
    one.kill()
    shutil.rmtree(one.state)
    one.state.mkdir()
    one.start()
    assert one.wait_phase("HQ7K2M9A", "held")["hold"] == "already-done"
    assert len(quayside.events("ingest.job.loaded")) == 1
    assert len(quayside.events("ingest.load.started")) == 1


def test_a_withdrawal_in_mid_load_is_answered_once_when_nothing_is_left(quayside: Quayside) -> None:
    one, other = quayside.station("quay-03", **SLOW), quayside.station("quay-05", **SLOW)
    one.write_drive("HQ7K2M9A", FILES)
    other.write_drive("HQ7K2M9B", FILES)
    quayside.announce("TW-0117", "HQ7K2M9A", "HQ7K2M9B")
    one.plug("bay-1", "HQ7K2M9A")
    other.plug("bay-1", "HQ7K2M9B")
    for station, serial in ((one, "HQ7K2M9A"), (other, "HQ7K2M9B")):
        station.wait_phase(serial, "loading")
    quayside.withdraw("TW-0117")
    answer = quayside.wait_event("ingest.job.withdrawal-completed", job_id="TW-0117")
    assert answer["data"]["taken_back"]
    assert tree(quayside.archive / TENANT) == {}
    released = quayside.events("ingest.drive.released")
    assert [e["data"]["outcome"] for e in released] == ["withdrawn", "withdrawn"]
    order = [event["id"] for event in quayside.events()]
    assert order.index(answer["id"]) > max(order.index(event["id"]) for event in released)
    # What nobody has begun is answered as well, and once.
    quayside.announce("TW-0118", "HQ7K2M9C")
    quayside.withdraw("TW-0118")
    answer = quayside.wait_event("ingest.job.withdrawal-completed", job_id="TW-0118")
    assert not answer["data"]["taken_back"]
    assert len(quayside.events("ingest.job.withdrawal-completed")) == 2


def test_what_is_refused_is_said_once_and_set_aside(quayside: Quayside) -> None:
    stations = [quayside.station(name) for name in ("quay-03", "quay-05")]
    quayside.send("ingest.job.announced", {"job_id": "TW-0117", "version": "1"})
    refused = quayside.wait_event("ingest.notice.refused")
    assert any("data.version" in problem for problem in refused["data"]["problems"])
    assert refused["data"]["identity"] == "/orders order-1"
    quayside.announce("TW-0118", "HQ7K2M9A")
    for station in stations:
        wait_for(partial(_has_a_job, station), 30, "the next notice")
    assert len(quayside.events("ingest.notice.refused")) == 1
    copies = quayside.host.read_queue("ingest.refused")
    assert len({copy.id for copy in copies}) == 1
    assert json.loads(copies[0].body)["id"] == "order-1"
