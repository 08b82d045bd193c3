"""The log of a real daemon: the story of one load can be followed by its id, and floods are kept small."""

from __future__ import annotations

from typing import Any

import pytest

from ingestd.content.survey import LISTS_MAX
from ingestd.telemetry.seldom import EACH_SECOND
from tests.daemon.conftest import MakeStation
from tests.support.daemon import Station, sealed, wait_for
from tests.support.log_lines import in_the_code

KELP, STRAY = "KELP-0071", "DOME-1180"


@pytest.fixture
def told(make_station: MakeStation) -> Station:
    """A station that says everything, with two drives at once: one with too much to check, one that fails."""
    quay = make_station(
        logs={"level": "debug", "format": "json"},
        uplink={"rate_bytes_per_second": 1_500_000},
        transfer={"buffer_bytes": 65_536},
    )
    lists = {b"%d.sha256" % number: b"no checksums\n" for number in range(LISTS_MAX + 1)}
    quay.write_drive(KELP, {b"north.enc": sealed(6_000_000, 1), **lists})
    quay.write_drive(STRAY, {b"diary.txt": b"nobody sealed this\n" * 900, b"ingest-ticket.json": b"{"})
    quay.announce("TW-1", KELP, requirements={"not-encrypted": "off", "encryption-uncertain": "off"})
    quay.announce("TW-2", STRAY)
    return quay


def about(line: dict[str, Any], *words: str) -> bool:
    """Whether a line has one of these words in any of its fields."""
    return any(word in str(value) for value in line.values() for word in words)


def test_the_story_of_a_load_can_be_followed_by_its_id_through_a_kill(told: Station) -> None:
    told.start()
    told.plug("bay-1", KELP)
    told.plug("bay-2", STRAY)
    told.wait_phase(KELP, "loading")
    told.kill()
    told.start()
    assert told.wait_released(KELP)["outcome"] == "loaded"
    assert told.wait_released(STRAY)["outcome"] == "failed"
    told.stop()
    kelp, stray = (told.wait_told("ingest.drive.released", job_id=job)["load_id"] for job in ("TW-1", "TW-2"))
    lines = list(told.log_lines())

    story = [line["phase"] for line in lines if line.get("load") == kelp and line["event"] == "load_phase"]
    assert story[:3] == ["waiting", "surveying", "loading"]
    assert story[-4:] == ["loading", "proving", "releasing", "released"]
    said = [line["type"] for line in lines if line.get("load") == kelp and line["event"] == "event_decided"]
    assert said[0] == "ingest.load.started"
    assert said[-1] == "ingest.drive.released"
    (passed_over,) = [line for line in lines if line["event"] == "checksum_lists_passed_over"][:1]
    assert passed_over["load"] == kelp
    assert passed_over["job"] == "TW-1"

    # Whatever is about one of them says so, and is about one of them only.
    strangers = [line for line in lines if about(line, KELP, STRAY, kelp, stray) and "load" not in line]
    assert strangers == []
    mixed = [line for line in lines if about(line, KELP, kelp, "TW-1") and about(line, STRAY, stray, "TW-2")]
    assert mixed == []
    # Before a drive is known there is no load: then its bay is named.
    assert all("load" in line or "bay" in line for line in lines if "effect" in line)


def test_a_daemon_writes_the_lines_that_the_guide_lists(told: Station) -> None:
    told.start()
    told.plug("bay-1", KELP)
    told.plug("bay-2", STRAY)
    told.wait_released(KELP)
    told.wait_released(STRAY)
    told.stop()
    listed = in_the_code()
    everywhere = {"timestamp", "level", "event", "effect", "attempt", "bay", "load", "job"}
    for line in told.log_lines():
        known = listed[line["event"]]
        assert line["level"] in known.levels, line
        assert line.keys() - everywhere <= known.fields, line


def test_a_flood_of_notices_that_are_refused_is_a_few_lines_that_count_them(
    make_station: MakeStation,
) -> None:
    quay = make_station(logs={"format": "json"})
    for number in range(300):
        quay.drop(b"no notice", f"flood-{number}")
    quay.start()
    refused = quay.spool / "refused"
    wait_for(lambda: len(list(refused.glob("*.problems.txt"))) == 300, 30, "all of them set aside")
    wait_for(
        lambda: sum(line.get("more", 1) for line in quay.lines("notice_refused")) == 300, 10, "all counted"
    )
    lines = quay.lines("notice_refused")
    assert {line["level"] for line in lines} == {"warning"}
    seconds = {line["timestamp"][:19] for line in lines}
    assert len(lines) <= (EACH_SECOND + 1) * (len(seconds) + 1)
    assert len(lines) < 300
