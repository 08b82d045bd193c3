"""Dashboards: as Grafana reads them, and every expression against a Prometheus that watches a station."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import urllib.parse
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models.dashboard import Dashboard

from tests.adapters.test_alerts import RULES, free_port, rules
from tests.daemon.conftest import MakeStation
from tests.support import dashboards
from tests.support.daemon import Station, sealed, wait_for

needs_prometheus = pytest.mark.skipif(
    shutil.which("prometheus") is None, reason="needs Prometheus (Debian package prometheus)"
)

OF_A_BUCKET = ("ingestd_store_answer_seconds", "ingestd_store_errors_total", "ingestd_resent_bytes_total")
OF_TROUBLE = (
    "ingestd_read_errors_total",
    "ingestd_retries_total",
    "ingestd_outbox_oldest_timestamp_seconds",
    "station:ingestd_load_duration_seconds",
)
"""What there is nothing of in a station with a folder where all goes well: asked all the same, for errors."""


def expressions() -> Iterator[tuple[str, str]]:
    """Of every panel, by its place."""
    for file, made in dashboards.everything().items():
        for panel in made["panels"]:
            for target in panel.get("targets", ()):
                yield f"{file}: {panel['title']}", target["expr"]


@pytest.mark.parametrize("file", dashboards.everything())
def test_a_dashboard_is_as_it_is_made_and_as_grafana_reads_it(file: str) -> None:
    """Outside check: the models of Grafana's own SDK, which are made from its published schema."""
    written = (dashboards.FOLDER / file).read_text()
    assert written == dashboards.text(dashboards.everything()[file]), "python -m tests.support.dashboards"
    made = json.loads(written)
    read = json.loads(JSONEncoder().encode(Dashboard.from_json(made)))
    # What the models do not know is dropped on the way through them. This one Grafana's own export has.
    assert set(lost(made, read)) <= {"definition"}


def lost(made: Any, read: Any, name: str = "") -> Iterator[str]:
    """The names of fields that are not, or are otherwise, in what was read."""
    if isinstance(made, dict) and isinstance(read, dict):
        for key, value in made.items():
            yield from lost(value, read.get(key), key)
    elif isinstance(made, list) and isinstance(read, list) and len(made) == len(read):
        for value, other in zip(made, read, strict=True):
            yield from lost(value, other, name)
    elif made != read and made not in ({}, []):
        yield name


@pytest.mark.parametrize("file", dashboards.everything())
def test_every_panel_says_what_it_shows(file: str) -> None:
    taken: set[tuple[int, int]] = set()
    for panel in dashboards.everything()[file]["panels"]:
        place = panel["gridPos"]
        cells = {
            (x, y)
            for x in range(place["x"], place["x"] + place["w"])
            for y in range(place["y"], place["y"] + place["h"])
        }
        assert not cells & taken
        assert max(x for x, _ in cells) < dashboards.WIDTH
        taken |= cells
        if panel["type"] == "row":
            continue
        assert len(panel["description"]) > 8
        assert panel["fieldConfig"]["defaults"]["unit"]
        assert panel["fieldConfig"]["defaults"]["thresholds"]["steps"]
        assert "$source" not in panel["title"]
        assert panel["datasource"]["uid"] == "${source}"


def test_every_metric_that_is_asked_for_is_there() -> None:
    golden = (Path(__file__).parent / "metrics.txt").read_text()
    known = {line.split()[0] for line in golden.splitlines()}
    recorded = {rule["record"] for rule in rules() if "record" in rule}
    asked = [expression for _, expression in expressions()] + [rule["expr"] for rule in rules()]
    names = {
        re.sub(r"_(total|bucket|sum|count)$", "", name)
        for expression in asked
        for name in re.findall(r"\b(?:(?:site|station|bay):)?ingestd_\w+(?::\w+)?", expression)
        if name not in recorded
    }
    assert names - known == {"ingestd_outbox_oldest_timestamp_seconds"}, "there only while events wait"


@contextmanager
def prometheus(folder: Path, port: int) -> Iterator[str]:
    """A real one that watches the daemon at this port, with the rules that are shipped."""
    own = free_port()
    target = {"targets": [f"127.0.0.1:{port}"], "labels": {"site": "harrow-quay", "station": "quay-03"}}
    settings = {
        "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
        "rule_files": ["rules.yml"],
        "scrape_configs": [{"job_name": "ingestd", "static_configs": [target]}],
    }
    # No group waits for longer than the others here.
    (folder / "rules.yml").write_text(re.sub(r"\n +interval: \w+", "", RULES.read_text()))
    (folder / "prometheus.yml").write_text(yaml.safe_dump(settings))
    command = [
        "prometheus",
        f"--config.file={folder}/prometheus.yml",
        f"--storage.tsdb.path={folder}/data",
        f"--web.listen-address=127.0.0.1:{own}",
    ]
    with (folder / "prometheus.log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        yield f"http://127.0.0.1:{own}"
    finally:
        process.terminate()
        process.wait(20)


def ask(address: str, expression: str) -> list[Any]:
    query = urllib.parse.urlencode({"query": expression})
    with urllib.request.urlopen(f"{address}/api/v1/query?{query}", timeout=10) as answer:
        told: Mapping[str, Any] = json.load(answer)
    assert told["status"] == "success"
    return list(told["data"]["result"])


def filled_in(expression: str) -> str:
    """As Grafana fills in its variables when all is chosen; rates over as little as a test has time for."""
    expression = expression.replace("$station", ".*").replace("$bay", ".*").replace("$__range", "1h")
    return re.sub(r"\[(1m|5m|10m)\]", "[15s]", expression)


@pytest.fixture
def busy(make_station: MakeStation) -> Station:
    """One drive was loaded, one failed, one is held, one is being loaded."""
    quay = make_station(
        uplink={"rate_bytes_per_second": 300_000},
        transfer={"buffer_bytes": 65_536},
        metrics={"listen": "127.0.0.1:0"},
    )
    quay.write_drive("KQX-1", {b"reef.enc": sealed(20_000, 1)})
    quay.write_drive("KQX-2", {b"diary.txt": b"nobody sealed this\n" * 900})
    quay.write_drive("KQX-3", {b"stray.enc": sealed(1_000, 3)})
    quay.write_drive("KQX-4", {b"kelp.enc": sealed(12_000_000, 4)})
    quay.start()
    for number in (1, 2, 4):
        quay.announce(f"TS-{number}", f"KQX-{number}", due_at="2027-01-01T00:00:00Z")
    return quay


@needs_prometheus
def test_every_expression_has_an_answer_from_a_real_prometheus(busy: Station, tmp_path: Path) -> None:
    (served,) = wait_for(lambda: busy.lines("metrics_served")[-1:], what="the port")
    (tmp_path / "prometheus").mkdir()
    with prometheus(tmp_path / "prometheus", served["port"]) as address:
        wait_for(lambda: _up(address), 30, "the first scrape")
        for number in (1, 2, 3, 4):
            busy.plug(f"bay-{number}", f"KQX-{number}")
        busy.wait_released("KQX-1")
        busy.wait_released("KQX-2")
        busy.wait_phase("KQX-3", "held")
        busy.wait_phase("KQX-4", "loading")
        wait_for(
            lambda: ask(address, "ingestd_bay_done_timestamp_seconds and ingestd_holds > 0 or "
                                 "(ingestd_bay_done_timestamp_seconds and on() increase("
                                 "ingestd_loads_ended_total{outcome='failed',reason!=''}[15s]) >= 0)"),
            20,
            "figures of all of it",
        )  # fmt: skip
        empty = [
            place
            for place, expression in expressions()
            if not wait_for_some(address, filled_in(expression))
            and not any(name in expression for name in (*OF_A_BUCKET, *OF_TROUBLE))
        ]
        asked = {rule.get("record") or rule["alert"]: ask(address, rule["expr"]) for rule in rules()}
    assert empty == []
    assert asked["station:ingestd_stored_bytes:rate5m"]
    assert not asked["IngestStationSilent"]
    assert not asked["IngestStationMislabelled"]
    assert not asked["IngestNoProgress"]


def _up(address: str) -> bool:
    try:
        return bool(ask(address, "ingestd_ready == 1"))
    except OSError:
        return False


def wait_for_some(address: str, expression: str) -> bool:
    """Whether there is an answer, within the few scrapes that a rate needs."""
    try:
        return bool(wait_for(lambda: ask(address, expression), 4, expression))
    except AssertionError:
        return False
