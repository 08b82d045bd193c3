"""Rules and alerts: each fires when it should and keeps silent when it should, told by promtool.

And whom Alertmanager tells: a real one, with many stations in trouble at once.
"""

from __future__ import annotations

import http.server
import json
import re
import shutil
import socket
import subprocess
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml

from ingestd.core.model import HoldReason
from tests.support.daemon import wait_for

DEPLOY = Path(__file__).parents[2] / "deploy"
RULES = DEPLOY / "prometheus" / "ingestd.rules.yml"
RUNBOOK = DEPLOY / "runbook.md"

needs_prometheus = pytest.mark.skipif(
    shutil.which("promtool") is None, reason="needs promtool (Debian package prometheus)"
)
needs_alertmanager = pytest.mark.skipif(
    shutil.which("prometheus-alertmanager") is None, reason="needs the Debian package prometheus-alertmanager"
)

Series = Mapping[str, str]
"""What a sample every minute for six hours is, in promtool's notation."""

AT = 'station="quay-03"'
LONG = "x360"
"""Six hours of minutes."""


def both(name: str, value: str, labels: str = "") -> Series:
    """The same at two stations."""
    return {f'{name}{{station="{quay}",{labels}}}': value for quay in ("quay-03", "quay-04")}


BUSY: Series = {
    f'ingestd_loads{{{AT},phase="loading"}}': f"2{LONG}",
    f'ingestd_bay_phase{{{AT},bay="bay-1",phase="loading"}}': f"1{LONG}",
}
"""Two loads under way."""

CASES: Mapping[str, tuple[Series, Series]] = {
    "IngestSiteStoreDown": (
        both("ingestd_store_up", f"0{LONG}", 'store="archive"'),
        {**both("ingestd_store_up", f"1{LONG}", 'store="archive"'),
         f'ingestd_store_up{{{AT},store="archive"}}': f"0{LONG}"},
    ),
    "IngestSiteBrokerDown": (
        both("ingestd_bus_up", f"0{LONG}", 'direction="in"'),
        {f'ingestd_bus_up{{{AT},direction="in"}}': f"0{LONG}",
         f'ingestd_bus_up{{{AT},direction="out"}}': f"0{LONG}"},
    ),
    "IngestSiteSilent": (
        {f'up{{job="ingestd",station="{quay}"}}': f"0{LONG}" for quay in ("quay-03", "quay-04")},
        {f'up{{job="ingestd",{AT}}}': f"0{LONG}", 'up{job="ingestd",station="quay-04"}': f"1{LONG}"},
    ),
    "IngestStationSilent": (
        {f'up{{job="ingestd",{AT}}}': f"0{LONG}"},
        {f'up{{job="ingestd",{AT}}}': f"1{LONG}", 'up{job="node",station="quay-03"}': f"0{LONG}"},
    ),
    "IngestStationRestarts": (
        {f'process_start_time_seconds{{job="ingestd",{AT}}}': "0+300x360"},
        {f'process_start_time_seconds{{job="ingestd",{AT}}}': "7x340 8x20"},
    ),
    "IngestStationNotReady": (
        {f"ingestd_ready{{{AT}}}": f"0{LONG}", f"ingestd_draining{{{AT}}}": f"0{LONG}"},
        {f"ingestd_ready{{{AT}}}": f"0{LONG}", f"ingestd_draining{{{AT}}}": f"1{LONG}"},
    ),
    "IngestThreadStalled": (
        {f'ingestd_thread_stalled{{{AT},thread="bus"}}': f"1{LONG}"},
        {f'ingestd_thread_stalled{{{AT},thread="bus"}}': f"0{LONG}"},
    ),
    "IngestNoProgress": (
        {**BUSY, f'ingestd_read_bytes_total{{{AT},bay="bay-1"}}': f"5{LONG}"},
        {f'ingestd_loads{{{AT},phase="waiting"}}': f"2{LONG}",
         f'ingestd_loads{{{AT},phase="proving"}}': f"1{LONG}",
         f'ingestd_read_bytes_total{{{AT},bay="bay-1"}}': f"5{LONG}"},
    ),
    "IngestBayStuck": (
        {**BUSY, f'ingestd_read_bytes_total{{{AT},bay="bay-1"}}': f"5{LONG}",
         f'ingestd_read_bytes_total{{{AT},bay="bay-2"}}': "0+9x360"},
        {**BUSY, f'ingestd_read_bytes_total{{{AT},bay="bay-1"}}': "0+9x360"},
    ),
    "IngestDueSoon": (
        {f'ingestd_bay_at_risk{{{AT},bay="bay-1"}}': f"1{LONG}"},
        {f'ingestd_bay_at_risk{{{AT},bay="bay-1"}}': f"0{LONG}"},
    ),
    "IngestOverdue": (
        {f"ingestd_jobs_overdue{{{AT}}}": f"1{LONG}"},
        {f"ingestd_jobs_overdue{{{AT}}}": f"0{LONG}"},
    ),
    "IngestFailuresAboveUsual": (
        {f'ingestd_loads_ended_total{{{AT},outcome="failed",reason="not-encrypted"}}': "0+1x360",
         f'ingestd_loads_ended_total{{{AT},outcome="loaded",reason=""}}': "0+1x360"},
        {f'ingestd_loads_ended_total{{{AT},outcome="failed",reason="not-encrypted"}}': "0+1x360",
         f'ingestd_loads_ended_total{{{AT},outcome="loaded",reason=""}}': "0+9x360"},
    ),
    "IngestHoldOld": (
        {f'ingestd_hold_oldest_timestamp_seconds{{{AT},reason="doubtful"}}': f"0{LONG}"},
        {f'ingestd_hold_oldest_timestamp_seconds{{{AT},reason="doubtful"}}': f"20000{LONG}"},
    ),
    "IngestHoldByStation": (
        {f'ingestd_holds{{{AT},reason="store-refused"}}': f"1{LONG}"},
        {f'ingestd_holds{{{AT},reason="doubtful"}}': f"1{LONG}"},
    ),
    "IngestStoreDown": (
        {f'ingestd_store_up{{{AT},store="archive"}}': f"0{LONG}"},
        {f'ingestd_store_up{{{AT},store="archive"}}': "1x357 0x3"},
    ),
    "IngestStoreErrors": (
        {f'ingestd_store_errors_total{{{AT},store="archive",kind="503"}}': "0+10x360",
         f'ingestd_store_answer_seconds_count{{{AT},store="archive",method="PUT"}}': "0+100x360"},
        {f'ingestd_store_errors_total{{{AT},store="archive",kind="503"}}': "0+1x360",
         f'ingestd_store_answer_seconds_count{{{AT},store="archive",method="PUT"}}': "0+100x360"},
    ),
    "IngestBrokerDown": (
        {f'ingestd_bus_up{{{AT},direction="out"}}': f"0{LONG}"},
        {f'ingestd_bus_up{{{AT},direction="out"}}': f"1{LONG}"},
    ),
    "IngestOutboxStuck": (
        {f"ingestd_outbox_oldest_timestamp_seconds{{{AT}}}": f"0{LONG}"},
        {f"ingestd_outbox_oldest_timestamp_seconds{{{AT}}}": "0+60x360"},
    ),
    "IngestEventNotTaken": (
        {f"ingestd_outbox_stuck_subjects{{{AT}}}": f"1{LONG}"},
        {f"ingestd_outbox_stuck_subjects{{{AT}}}": f"0{LONG}"},
    ),
    "IngestNoticesRefused": (
        {f'ingestd_notices_total{{{AT},result="refused"}}': "0x340 1x20"},
        {f'ingestd_notices_total{{{AT},result="accepted"}}': "0+1x360"},
    ),
    "IngestDriveHealth": (
        {f'ingestd_drive_health{{{AT},bay="bay-1",state="suspect"}}': f"1{LONG}"},
        {f'ingestd_drive_health{{{AT},bay="bay-1",state="ok"}}': f"1{LONG}"},
    ),
    "IngestReadErrors": (
        {f'ingestd_read_errors_total{{{AT},bay="bay-1"}}': "0+1x360"},
        {f'ingestd_read_errors_total{{{AT},bay="bay-1"}}': "0x350 3x10"},
    ),
    "IngestJournalDiskFilling": (
        {f"ingestd_journal_disk_free_bytes{{{AT}}}": "18e9-20e6x360",
         f"ingestd_journal_disk_bytes{{{AT}}}": f"100e9{LONG}"},
        {f"ingestd_journal_disk_free_bytes{{{AT}}}": f"18e9{LONG}",
         f"ingestd_journal_disk_bytes{{{AT}}}": f"100e9{LONG}"},
    ),
    "IngestLoopSlow": (
        {f'ingestd_loop_turn_seconds_bucket{{{AT},le="1.0"}}': "0+1x360",
         f'ingestd_loop_turn_seconds_bucket{{{AT},le="2.5"}}': "0+10x360",
         f'ingestd_loop_turn_seconds_bucket{{{AT},le="+Inf"}}': "0+10x360"},
        {f'ingestd_loop_turn_seconds_bucket{{{AT},le="1.0"}}': "0+10x360",
         f'ingestd_loop_turn_seconds_bucket{{{AT},le="2.5"}}': "0+10x360",
         f'ingestd_loop_turn_seconds_bucket{{{AT},le="+Inf"}}': "0+10x360"},
    ),
    "IngestStationMislabelled": (
        {f'ingestd_station_info{{{AT},name="quay-04"}}': f"1{LONG}"},
        {f'ingestd_station_info{{{AT},name="quay-03"}}': f"1{LONG}"},
    ),
}  # fmt: skip
"""For each alert, what makes it fire, and what is near and does not."""


def rules() -> Sequence[Mapping[str, Any]]:
    document = yaml.safe_load(RULES.read_text())
    return [rule for group in document["groups"] for rule in group["rules"]]


def alerts() -> Mapping[str, Mapping[str, Any]]:
    return {rule["alert"]: rule for rule in rules() if "alert" in rule}


def case(series: Series, alert: str, firing: int) -> dict[str, Any]:
    expression = f'count(ALERTS{{alertname="{alert}",alertstate="firing"}}) or vector(0)'
    return {
        "name": f"{alert} {firing}",
        "interval": "1m",
        "input_series": [{"series": name, "values": value} for name, value in series.items()],
        "promql_expr_test": [
            {"expr": expression, "eval_time": "6h", "exp_samples": [{"labels": "{}", "value": firing}]}
        ],
    }


@needs_prometheus
def test_the_rules_are_sound() -> None:
    for check in (["rules", RULES], ["config", "--syntax-only", RULES.parent / "prometheus.yml"]):
        told = subprocess.run(
            ["promtool", "check", *map(str, check)], capture_output=True, text=True, check=False
        )
        assert told.returncode == 0, told.stdout + told.stderr


def test_every_alert_has_a_case() -> None:
    assert set(CASES) == set(alerts())


@needs_prometheus
def test_each_alert_fires_when_it_should_and_else_keeps_silent(tmp_path: Path) -> None:
    tests = [case(fires, alert, 1) for alert, (fires, _) in CASES.items()]
    tests += [case(quiet, alert, 0) for alert, (_, quiet) in CASES.items()]
    path = tmp_path / "tests.yml"
    path.write_text(yaml.safe_dump({"rule_files": [str(RULES)], "tests": tests}))
    told = subprocess.run(
        ["promtool", "test", "rules", str(path)], capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, (told.stdout + told.stderr)[-3000:]


def sections() -> set[str]:
    """The anchors of the runbook's headings, as they are made of them."""
    headings = re.findall(r"^#+ (.*)$", RUNBOOK.read_text(), re.MULTILINE)
    return {re.sub(r"[^a-z0-9 -]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("name", CASES)
def test_an_alert_says_how_grave_where_and_what_to_do(name: str) -> None:
    rule = alerts()[name]
    told = rule["annotations"]
    assert rule["labels"]["severity"] in ("page", "ticket")
    assert {"summary", "description", "runbook_url"} <= told.keys()
    if rule["labels"].get("scope") != "site":
        assert "$labels.station" in told["description"] + told["summary"]
    anchor = told["runbook_url"].partition("#")[2]
    assert anchor == name.lower()
    assert anchor in sections()


def test_every_reason_for_a_hold_has_a_section_in_the_runbook_and_nothing_else_has() -> None:
    text = RUNBOOK.read_text().split("\n## When a load is held\n", 1)[1].split("\n## ", 1)[0]
    assert set(re.findall(r"^### `([a-z-]+)`$", text, re.MULTILINE)) == {str(each) for each in HoldReason}


# -- whom Alertmanager tells -----------------------------------------------------------------------


class Told(http.server.BaseHTTPRequestHandler):
    heard: list[tuple[str, dict[str, Any]]]

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.heard.append((self.path, json.loads(body)))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: Any) -> None: ...


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def alertmanager(folder: Path) -> Iterator[tuple[str, list[tuple[str, dict[str, Any]]]]]:
    """A real one with the shipped routes, in more of a hurry; its address, and what it tells whom."""
    heard: list[tuple[str, dict[str, Any]]] = []
    ears = http.server.ThreadingHTTPServer(("127.0.0.1", 0), type("Ears", (Told,), {"heard": heard}))
    threading.Thread(target=ears.serve_forever, daemon=True).start()
    text = (DEPLOY / "prometheus" / "alertmanager.yml").read_text()
    text = text.replace("127.0.0.1:9099", f"127.0.0.1:{ears.server_port}")
    text = re.sub(r"group_wait: \S+", "group_wait: 1s", text)
    (folder / "alertmanager.yml").write_text(text)
    port = free_port()
    command = [
        "prometheus-alertmanager",
        f"--config.file={folder}/alertmanager.yml",
        f"--storage.path={folder}/data",
        f"--web.listen-address=127.0.0.1:{port}",
        "--cluster.listen-address=",
    ]
    with (folder / "log").open("wb") as log, subprocess.Popen(command, stdout=log, stderr=log) as process:
        try:
            address = f"http://127.0.0.1:{port}"
            wait_for(lambda: _answers(address), 20, "Alertmanager")
            yield address, heard
        finally:
            process.terminate()
            ears.shutdown()
            ears.server_close()


def _answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/-/ready", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def send(address: str, sent: Sequence[Mapping[str, str]]) -> None:
    ends = (datetime.now(UTC) + timedelta(minutes=5)).isoformat()
    body = [{"labels": labels, "annotations": {}, "endsAt": ends} for labels in sent]
    request = urllib.request.Request(
        f"{address}/api/v2/alerts", json.dumps(body).encode(), {"Content-Type": "application/json"}
    )
    urllib.request.urlopen(request, timeout=5).close()


@needs_alertmanager
def test_a_site_wide_outage_is_one_page_and_not_one_for_each_station(tmp_path: Path) -> None:
    with alertmanager(tmp_path) as (address, heard):
        site = {"alertname": "IngestSiteStoreDown", "severity": "page", "scope": "site", "store": "archive"}
        down = [
            {"alertname": name, "severity": "page", "station": f"quay-{number:02}"}
            | ({"store": "archive"} if name == "IngestStoreDown" else {})
            for number in range(16)
            for name in ("IngestStoreDown", "IngestNoProgress", "IngestStationNotReady")
        ]
        held = {
            "alertname": "IngestHoldOld",
            "severity": "ticket",
            "station": "quay-07",
            "reason": "doubtful",
        }
        send(address, [site, *down, held])
        wait_for(lambda: len(heard) >= 2, 20, "two messages")
        time.sleep(3)
        said = [(path, [alert["labels"]["alertname"] for alert in body["alerts"]]) for path, body in heard]
    assert sorted(said) == [("/floor", ["IngestHoldOld"]), ("/on-call", ["IngestSiteStoreDown"])]


@needs_alertmanager
def test_one_station_in_trouble_is_one_message_about_its_cause(tmp_path: Path) -> None:
    with alertmanager(tmp_path) as (address, heard):
        names = ("IngestStoreDown", "IngestNoProgress", "IngestStationNotReady", "IngestOverdue")
        send(address, [{"alertname": n, "severity": "page", "station": "quay-03"} for n in names])
        send(address, [{"alertname": "IngestOverdue", "severity": "page", "station": "quay-04"}])
        wait_for(lambda: len(heard) >= 2, 20, "two messages")
        time.sleep(2)
        said = Counter(
            (alert["labels"]["station"], alert["labels"]["alertname"])
            for _, body in heard
            for alert in body["alerts"]
        )
    assert said == {
        ("quay-03", "IngestStoreDown"): 1,
        ("quay-03", "IngestOverdue"): 1,
        ("quay-04", "IngestOverdue"): 1,
    }
