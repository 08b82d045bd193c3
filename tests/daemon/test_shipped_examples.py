"""The examples that are shipped go together: notices, configuration, drive card, events."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import get_args

import pytest

from ingestd.bus import examples
from ingestd.bus.codec import decode
from ingestd.core.messages import JobAmended, JobAnnounced
from ingestd.core.outgoing import LoadHeld, LoadStarted, Outgoing
from ingestd.core.station_jobs import why_not_takeable
from ingestd.drives.card import look_at_card
from ingestd.runtime import config

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
NOTICES = sorted((DEPLOY / "examples" / "notices").glob("*.json"))


def test_there_is_a_notice_of_every_type() -> None:
    assert [path.stem for path in NOTICES] == sorted(examples.NOTICES)


@pytest.mark.parametrize("path", NOTICES, ids=lambda path: path.stem)
def test_the_station_of_the_shipped_configuration_takes_the_shipped_notices(path: Path) -> None:
    limits = config.read(str(DEPLOY / "ingestd.toml")).limits()
    decoded = decode(path.read_bytes(), at=0.0, station=limits.station)
    assert decoded.notice is not None
    if isinstance(decoded.notice, JobAnnounced | JobAmended):
        assert why_not_takeable(decoded.notice.job, limits) == ()


def test_the_shipped_drive_card_is_that_of_the_announced_drive(tmp_path: Path) -> None:
    shutil.copy(DEPLOY / "examples" / "bays" / "bay-1" / "drive.json", tmp_path)
    seen = look_at_card(str(tmp_path))
    assert seen is not None
    assert seen.card is not None, seen.problem
    (drive,) = json.loads((DEPLOY / "examples" / "notices" / "ingest.job.announced.json").read_text())[
        "data"
    ]["drives"]
    assert (seen.card.serial, seen.card.wwn) == (drive["serial"], drive["wwn"])


def test_there_is_one_example_of_every_event() -> None:
    assert tuple(type(event) for event in examples.EVENTS) == get_args(Outgoing)


def test_the_examples_show_what_a_station_writes() -> None:
    (started,) = [event for event in examples.EVENTS if isinstance(event, LoadStarted)]
    assert re.fullmatch(r"quay-03\.bay-1\.\d{8}T\d{9}Z", started.load_id)
    assert started.matched_by == f"serial {started.drive.serial}"
    (held,) = [event for event in examples.EVENTS if isinstance(event, LoadHeld)]
    assert (held.reason, held.cause) == ("no-matching-job", "station")
    assert held.tried[0] == f"serial {held.drive.serial}: no job"
