"""`ingestd forecast` as a person and a script see it."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.awaited import AwaitedJob, AwaitedPicture
from ingestd.core.forecast import Expected, Forecast
from ingestd.runtime import show_forecast
from tests.daemon.conftest import MakeStation
from tests.support.daemon import sealed, wait_for

MB = 1_000_000


def test_the_forecast_of_a_running_station(make_station: MakeStation) -> None:
    station = make_station(
        uplink={"rate_bytes_per_second": 200_000}, transfer={"buffer_bytes": 65_536, "buffers": 8}
    )
    missing = station.ingestd("forecast")
    assert (missing.returncode, missing.stdout) == (1, "")
    assert missing.stderr == "ingestd: the daemon is not running, so nothing can be foretold\n"
    station.write_drive("KELP-0071", {b"dive.tar.enc": sealed(10 * MB, 1)})
    items = [{"name": "reef.tar.age", "size_bytes": 5_000 * MB}]
    station.announce("TW-2041", "KELP-0071", due_at="2031-05-17T08:30:00Z")
    station.announce("TW-2042", "KELP-0072", items=items, due_at="2020-05-17T08:30:00Z")
    station.start()
    station.plug("bay-1", "KELP-0071")

    def told() -> dict[str, Any] | None:
        told: dict[str, Any] = json.loads(station.ingestd("forecast", "--json").stdout)
        known = told["here"] and told["here"][0]["done_at"] and told["awaited"]["count"] == 1
        return told if known else None

    forecast = wait_for(told, what="a forecast")
    (job,) = forecast["here"]
    left = job["bytes_left"]
    assert (job["job_id"], job["bays"], job["late_s"]) == ("TW-2041", ["bay-1"], None)
    assert left / 200_000 * 0.8 < job["done_at"] - forecast["at"] < left / 200_000 * 2
    assert forecast["bays"]["bay-1"]["left_s"] == job["done_at"] - forecast["at"]
    assert (forecast["at_risk"], forecast["awaited"]["too_late"]) == (1, 1)
    shown = station.ingestd("forecast").stdout.splitlines()
    assert shown[0].split() == ["JOB", "BAY", "LEFT", "DONE", "DUE"]
    assert shown[1].split()[:2] == ["TW-2041", "bay-1"]
    assert "    TOO LATE, even if it began now and had the line to itself" in shown
    assert "1 of them will miss the due time" in shown


_NAMES = st.text(st.characters(codec="ascii", categories=("L", "N")), min_size=1, max_size=128)
_TIMES = st.one_of(st.none(), st.floats(0, 4e9))
_SIZES = st.one_of(st.none(), st.integers(0, 10**15))


@settings(max_examples=50)
@given(
    st.lists(st.tuples(_NAMES, _NAMES, _SIZES, _TIMES, _TIMES, _TIMES), max_size=4),
    st.lists(st.tuples(_NAMES, st.integers(1, 100), _SIZES, _TIMES, _TIMES, st.booleans()), max_size=4),
)
def test_the_forecast_fits_eighty_columns_whatever_is_in_it(here: list[Any], awaited: list[Any]) -> None:
    told = Forecast(
        at=1.0,
        here=tuple(
            Expected(
                job_id=job,
                bays=(bay, bay),
                bytes_left=left,
                done_at=done_at,
                due_at=due_at,
                late_s=late_s,
                why=f"{job} cannot be told",
            )
            for job, bay, left, done_at, due_at, late_s in here
        ),
        awaited=AwaitedPicture(
            at=1.0,
            count=10**6,
            size_bytes=10**18,
            unknown=10**6,
            jobs=tuple(
                AwaitedJob(
                    job_id=job,
                    drives=drives,
                    size_bytes=size,
                    due_at=due_at,
                    begin_by=begin_by,
                    too_late=late,
                )
                for job, drives, size, due_at, begin_by, late in awaited
            ),
        ),
        at_risk=10**6,
    )
    lines = list(show_forecast.forecast(told, 1_000_000.0))
    assert max(map(len, lines)) <= 80
