"""The whole daemon with a broker for its bus, and with one that is killed under it."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from ingestd.journal.database import FILE_NAME
from tests.support.broker import VirtualHost
from tests.support.broker_station import BrokerStation
from tests.support.daemon import sealed, wait_for
from tests.support.told import complaints

KILLS = int(os.environ.get("INGESTD_BROKER_KILLS", "2"))
"""How often the broker is killed under a running load: a figure to be raised by hand."""

SERIALS = [f"KELP-{number}" for number in range(4)]

Make = Callable[..., BrokerStation]


@pytest.fixture
def make_station(tmp_path: Path, virtual_host: VirtualHost) -> Iterator[Make]:
    made: list[BrokerStation] = []

    def make(**settings: Mapping[str, Any]) -> BrokerStation:
        made.append(BrokerStation(tmp_path, virtual_host, **settings))
        return made[-1]

    yield make
    for station in made:
        station.end()


def test_a_job_comes_by_the_broker_and_what_became_of_it_goes_there(make_station: Make) -> None:
    station = make_station()
    station.write_drive("KELP-1", {b"a.enc": sealed(300_000)})
    station.start()
    station.announce("TW-1", "KELP-1")
    station.plug("bay-1", "KELP-1")
    station.wait_told("ingest.job.loaded", job_id="TW-1")
    station.wait_released("KELP-1")
    assert station.stop() == 0
    assert complaints(station.events(), station.seen) == []
    assert not list((station.spool / "events").iterdir()), "events go to the broker only"
    claims = [json.loads(message.body)["type"] for message in station.host.read_stream("ingest.claims")]
    assert {"ingest.job.loaded", "ingest.drive.released"} <= set(claims)
    assert "ingest.load.started" not in claims


def test_people_at_the_station_reach_the_daemon_with_or_without_the_broker(make_station: Make) -> None:
    station = make_station()
    station.write_drive("KELP-1", {b"a.enc": sealed(300_000)})
    station.start()
    station.host.broker.manager.ctl("clear_permissions", "--vhost", station.host.name, "ingest-station")
    station.host.close_connections()
    wait_for(lambda: station.lines("bus_down"), what="the trouble")
    body = station.notice("ingest.uplink.set", {"station": "quay-03", "rate_bytes_per_second": 70_000}, "u-1")
    (station.root / "notice.json").write_bytes(body)
    done = station.ingestd("send", str(station.root / "notice.json"))
    assert done.returncode == 0, done.stderr
    wait_for(lambda: (station.picture() or {})["uplink_bytes_per_second"] == 70_000, what="the cap")
    trouble = (station.picture() or {})["problems"]
    assert any("does not let the user ingest-station into the virtual host" in text for text in trouble)


def test_a_message_that_cannot_be_understood_is_told_of_and_copied(make_station: Make) -> None:
    station = make_station()
    station.start()
    station.drop(b'{"specversion": "1.0"', "broken")
    station.host.send(b" " * (20 << 20))
    station.host.send(station.notice("ingest.job.withdrawn", {"job_id": "TW-1", "reason": "x"}, "w"))
    first = station.wait_told("ingest.notice.refused", notice="ingest.notices@0")
    second = station.wait_told("ingest.notice.refused", notice="ingest.notices@1")
    assert "is not JSON" in first["problems"][0]
    assert "is larger than 1,048,576 bytes" in second["problems"][0]
    reasons: dict[str, list[str]] = {}

    def both() -> bool:
        copies = station.host.read_queue("ingest.refused")
        reasons.update({copy.id: copy.properties.headers["ingest-problems"] for copy in copies})
        return {"amqp:ingest.notices:0", "amqp:ingest.notices:1"} <= set(reasons)

    wait_for(both, what="copies")
    assert reasons["amqp:ingest.notices:0"] == first["problems"]
    assert reasons["amqp:ingest.notices:1"] == second["problems"]


def test_a_word_through_the_broker_about_whatever_is_in_a_bay_is_refused(make_station: Make) -> None:
    """A station without its journal reads the stream from its beginning: last month's "accept" must not meet
    the drive that is in the bay today."""
    station = make_station()
    station.start()
    word = {"station": "quay-03", "bay": "bay-1", "decision": "accept", "by": "M. Okafor"}
    station.host.send(station.notice("ingest.hold.lifted", word, "late"))
    told = station.wait_told("ingest.notice.refused", notice="ingest.notices@0")
    assert told["problems"][0].startswith("data.load_id: is missing; ")
    named = {**word, "load_id": "load-of-last-month"}
    station.host.send(station.notice("ingest.hold.lifted", named, "named"))
    told = station.wait_told("ingest.notice.refused", notice="lifting the hold of bay-1")
    assert "load_id" not in told["problems"][0]


def test_notices_that_are_delivered_ten_thousand_times_act_once(make_station: Make) -> None:
    station = make_station()
    bodies = [_announcement(station, number, "archive") for number in range(498)]
    bodies += [_announcement(station, number, "nowhere") for number in range(498, 500)]
    with station.host.channel() as channel:
        for body in bodies * 10:
            channel.basic_publish("ingest.notices", "", body)
    bodies.append(_announcement(station, 500, "archive"))
    station.host.send(bodies[-1])
    station.start()
    _wait_pending(station, 499)
    assert station.stop() == 0
    with sqlite3.connect(station.state / "journal" / FILE_NAME) as sql:
        assert sql.execute("SELECT count(*) FROM positions").fetchone()[0]
        sql.execute("DELETE FROM positions")
    sql.close()
    # The whole stream comes again, then one more that shows that its end was reached.
    station.host.send(_announcement(station, 501, "archive"))
    station.start()
    _wait_pending(station, 500)
    assert station.stop() == 0
    refused = [json.loads(m.body) for m in station.host.read_stream("ingest.audit")]
    names = sorted(e["data"]["notice"] for e in refused if e["type"] == "ingest.notice.refused")
    assert names == ["job TW-498 version 1", "job TW-499 version 1"]


def _announcement(station: BrokerStation, number: int, store: str) -> bytes:
    data = {
        "job_id": f"TW-{number}",
        "version": 1,
        "tenant": "tidewrack-survey",
        "drives": [{"serial": f"HQ-{number}"}],
        "items": [],
        "destination": {"store": store, "prefix": f"tidewrack-survey/TW-{number}"},
    }
    return station.notice("ingest.job.announced", data, f"order-{number}")


def _wait_pending(station: BrokerStation, count: int) -> None:
    wait_for(lambda: (station.picture() or {}).get("jobs_pending") == count, 60, f"{count} pending jobs")


def test_check_says_what_the_broker_lacks(make_station: Make) -> None:
    station = make_station()
    for folder in ("notices", "accepted", "refused", "events"):
        (station.spool / folder).mkdir()
    assert station.ingestd("check").returncode == 0
    with station.host.channel() as channel:
        channel.queue_delete("ingest.notices")
    done = station.ingestd("check")
    assert done.returncode == 2
    assert "has no queue ingest.notices in the virtual host" in done.stdout + done.stderr
    assert "rabbitmqctl import_definitions deploy/rabbitmq/definitions.json" in done.stdout + done.stderr


def _outbox(station: BrokerStation) -> list[tuple[str, str]]:
    """Id and subject of every event that was decided, in that order."""
    path = station.state / "journal" / FILE_NAME
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return connection.execute("SELECT event_id, subject FROM outbox ORDER BY sequence").fetchall()
    finally:
        connection.close()


def _wait_down(station: BrokerStation) -> None:
    wait_for(lambda: (station.picture() or {}).get("problems"), what="the broker missed")


def _wait_events(station: BrokerStation, count: int) -> None:
    wait_for(lambda: len(station.events()) >= count, 90, "events after the broker came back")


@pytest.mark.timeout(120 + 60 * KILLS)
def test_the_broker_is_killed_under_running_loads(make_station: Make, virtual_host: VirtualHost) -> None:
    node = virtual_host.broker.node()
    station = make_station(
        station={"progress_every_seconds": 0.1, "report_every_seconds": 1.0},
        uplink={"rate_bytes_per_second": 200_000},
    )
    for serial in SERIALS:
        station.write_drive(serial, {b"a.enc": sealed(30_000_000), b"b.enc": sealed(400_000)})
    station.start()
    for number, serial in enumerate(SERIALS):
        station.announce(f"TW-{number}", serial)
        station.plug(f"bay-{number}", serial)
    for serial in SERIALS:
        station.wait_phase(serial, "loading")
    for kill in range(KILLS):
        node.kill()
        _wait_down(station)
        node.start()
        _wait_events(station, len(station.events()) + 20)
        time.sleep(0.2 * (kill % 4))
    fast = {"station": "quay-03", "rate_bytes_per_second": 500_000_000}
    station.drop(station.notice("ingest.uplink.set", fast, "fast"), "fast")
    for number in range(len(SERIALS)):
        station.wait_told("ingest.job.loaded", job_id=f"TW-{number}", within_s=60)
    for serial in SERIALS:
        station.wait_released(serial)
    assert station.stop() == 0
    decided = _outbox(station)
    wait_for(lambda: len(station.events()) >= len(decided), 20, "the last events")
    heard_ids = [event["id"] for event in station.events()]
    assert sorted(heard_ids) == sorted(event_id for event_id, _ in decided), "none lost, none made up"
    for subject in {subject for _, subject in decided}:
        ours = [event_id for event_id, of in decided if of == subject]
        assert [event_id for event_id in heard_ids if event_id in set(ours)] == ours
    assert complaints(station.events(), station.seen) == []
    print(f"{KILLS} kills, {len(decided)} events, {station.follower.repeats()} repeats")
