"""Rules and alerts: each fires when it should and keeps silent when it should, told by promtool.

And whom Alertmanager tells: a real one, with many stations in trouble at once.
"""

from __future__ import annotations

import http.server
import itertools
import json
import re
import shutil
import subprocess
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml

from ingestd.core import retry
from ingestd.core.model import HoldReason
from tests.support.alert_cases import CASES, ELSEWHERE, HERE, SITE, Case, Series, begins
from tests.support.daemon import wait_for
from tests.support.ports import free_ports

DEPLOY = Path(__file__).parents[2] / "deploy"
RULES = DEPLOY / "prometheus" / "ingestd.rules.yml"
RUNBOOK = DEPLOY / "runbook.md"
TEXTS = Path(__file__).parent / "alerts.yml"

needs_prometheus = pytest.mark.skipif(
    shutil.which("promtool") is None, reason="needs promtool (Debian package prometheus)"
)
needs_alertmanager = pytest.mark.skipif(
    shutil.which("prometheus-alertmanager") is None, reason="needs the Debian package prometheus-alertmanager"
)


def rules() -> Sequence[Mapping[str, Any]]:
    document = yaml.safe_load(RULES.read_text())
    return [rule for group in document["groups"] for rule in group["rules"]]


def alerts() -> Mapping[str, Mapping[str, Any]]:
    return {rule["alert"]: rule for rule in rules() if "alert" in rule}


def at(case: Case, minutes: int) -> str:
    return f"{case.begins_min + minutes}m"


def firing(name: str, series: Series, case: Case, moments: Mapping[int, int]) -> dict[str, Any]:
    """One of promtool's tests: how many of this alert fire, by minutes after the trouble has begun."""
    expression = f'count(ALERTS{{alertname="{name}",alertstate="firing"}}) or vector(0)'
    return {
        "name": f"{name} {dict(moments)}",
        "interval": f"{case.step_min}m",
        "input_series": [{"series": each, "values": values} for each, values in series.items()],
        "promql_expr_test": [
            {
                "expr": expression,
                "eval_time": at(case, minutes),
                "exp_samples": [{"labels": "{}", "value": count}],
            }
            for minutes, count in moments.items()
        ],
    }


def texts(name: str, case: Case, expected: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Another: what is said, with all labels and annotations filled in."""
    return {
        "name": name,
        "interval": f"{case.step_min}m",
        "input_series": [{"series": each, "values": values} for each, values in case.fires.items()],
        "alert_rule_test": [
            {
                "alertname": name,
                "eval_time": at(case, case.after_min),
                "exp_alerts": [
                    {"exp_labels": each["labels"], "exp_annotations": each["annotations"]}
                    for each in expected
                ],
            }
        ],
    }


def promtool(folder: Path, tests: Sequence[Mapping[str, Any]]) -> tuple[int, str]:
    """Run tests of one step; their rules are looked at as often as there are samples."""
    (interval,) = {each["interval"] for each in tests}
    path = folder / f"tests-{interval}.yml"
    asked = {
        "rule_files": [str(RULES)],
        "evaluation_interval": interval,
        # What is recorded comes first: promtool has no order of its own.
        "group_eval_order": [group["name"] for group in yaml.safe_load(RULES.read_text())["groups"]],
        "tests": list(tests),
    }
    path.write_text(yaml.safe_dump(asked))
    told = subprocess.run(
        ["promtool", "test", "rules", str(path)], capture_output=True, text=True, check=False
    )
    return told.returncode, told.stdout + told.stderr


def by_step(tests: Iterable[Mapping[str, Any]]) -> Iterator[Sequence[Mapping[str, Any]]]:
    sorted_tests = sorted(tests, key=lambda each: str(each["interval"]))
    for _, some in itertools.groupby(sorted_tests, key=lambda each: str(each["interval"])):
        yield list(some)


@needs_prometheus
def test_the_rules_are_sound() -> None:
    for check in (
        ["rules", "--lint=all", "--lint-fatal", RULES],
        ["config", "--syntax-only", RULES.parent / "prometheus.yml"],
    ):
        told = subprocess.run(
            ["promtool", "check", *map(str, check)], capture_output=True, text=True, check=False
        )
        assert told.returncode == 0, told.stdout + told.stderr


def test_every_alert_has_a_case() -> None:
    assert set(CASES) == set(alerts())


@needs_prometheus
def test_each_alert_fires_when_it_should_not_before_and_else_keeps_silent(tmp_path: Path) -> None:
    tests = []
    for name, case in CASES.items():
        before = {case.after_min - case.step_min: 0} if case.after_min else {-1: 0}
        tests.append(firing(name, case.fires, case, {**before, case.after_min: 1}))
        tests.append(firing(name, case.quiet, case, {case.after_min: 0, case.after_min + 60: 0}))
    for some in by_step(tests):
        code, told = promtool(tmp_path, some)
        assert code == 0, told[-3000:]


@needs_prometheus
def test_what_is_told_reads_as_it_should(tmp_path: Path, rewrite: bool) -> None:
    """Every alert as people get it, written down in `alerts.yml`; promtool fills in the words."""
    if rewrite:
        TEXTS.write_text(yaml.safe_dump(dict(rendered(tmp_path)), width=100, sort_keys=True))
    written = yaml.safe_load(TEXTS.read_text())
    assert set(written) == set(CASES)
    for some in by_step(texts(name, case, written[name]) for name, case in CASES.items()):
        code, told = promtool(tmp_path, some)
        assert code == 0, told[-3000:]
    for name, alerts_told in written.items():
        for each in alerts_told:
            words = " ".join(each["annotations"].values())
            assert not re.search(r"<no value>|\{\{|%!|NaN|  |\b(in|of|at|to) *[,.]", words), words
            assert each["labels"]["site"] == SITE, name
            # Where to go: the bay where there is one, the station, or the site.
            for label in ("bay", "station") if "station" in each["labels"] else ("site",):
                assert each["labels"].get(label, "") in words, (name, label)


def rendered(folder: Path) -> Iterator[tuple[str, list[dict[str, dict[str, str]]]]]:
    """What promtool finds where nothing was expected."""
    for name, case in CASES.items():
        _, told = promtool(folder, [texts(name, case, [])])
        found = re.findall(r"Labels:(\{.*\})\s*Annotations:(\{.*\})", told.split("got:", 1)[1])
        yield name, [{"labels": _labels(labels), "annotations": _labels(said)} for labels, said in found]


def _labels(text: str) -> dict[str, str]:
    pairs = re.findall(r'(\w+)=("(?:[^"\\]|\\.)*")', text)
    return {key: json.loads(value) for key, value in pairs if key != "alertname"}


@needs_prometheus
def test_usual_is_the_stations_own_else_its_sites_else_a_guess(tmp_path: Path) -> None:
    hours = 24 * 30

    def ended(station: str, failed: str, loaded: str, site: str = SITE) -> Series:
        of = f'site="{site}",station="{station}"'
        return {
            f'ingestd_loads_ended_total{{{of},outcome="failed",reason="x"}}': failed,
            f'ingestd_loads_ended_total{{{of},outcome="loaded",reason=""}}': loaded,
        }

    series = {
        **ended("quay-03", f"0+1x{hours}", f"0+3x{hours}"),
        # New since yesterday.
        **ended("quay-04", f"_x{hours - 20} 0+1x20", f"_x{hours - 20} 0+1x20"),
        **ended("wharf-01", f"_x{hours - 20} 0+1x20", f"_x{hours - 20} 0+1x20", ELSEWHERE),
    }
    usual = [
        {"labels": f'{{site="{site}",station="{station}"}}', "value": value}
        for site, station, value in (
            (SITE, "quay-03", 0.25), (SITE, "quay-04", 0.25), (ELSEWHERE, "wharf-01", 0.1)
        )
    ]  # fmt: skip
    code, told = promtool(
        tmp_path,
        [
            {
                "interval": "60m",
                "input_series": [{"series": name, "values": values} for name, values in series.items()],
                "promql_expr_test": [
                    {
                        "expr": "round(station:ingestd_loads_failed:usual, 0.01)",
                        "eval_time": f"{hours}h",
                        "exp_samples": usual,
                    }
                ],
            }
        ],
    )
    assert code == 0, told[-2000:]


def test_the_runbook_says_how_soon_each_alert_is_told() -> None:
    text = RUNBOOK.read_text().split("\n### How soon\n", 1)[1].split("\n### ", 1)[0]
    rows = re.findall(r"^\| `(\w+)` \| (\w+) \| ([\d ]+(?:min|h)) \|", text, re.MULTILINE)
    assert {name: (how, soon) for name, how, soon in rows} == {
        name: (alerts()[name]["labels"]["severity"], soon(case)) for name, case in CASES.items()
    }


def soon(case: Case) -> str:
    return f"{case.after_min // 60} h" if case.after_min >= 240 else f"{case.after_min} min"


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
    else:
        assert "$labels.site" in told["summary"]
    anchor = told["runbook_url"].partition("#")[2]
    assert anchor == name.lower()
    assert anchor in sections()


def test_every_reason_for_a_hold_has_a_section_in_the_runbook_and_nothing_else_has() -> None:
    text = RUNBOOK.read_text().split("\n## When a load is held\n", 1)[1].split("\n## ", 1)[0]
    assert set(re.findall(r"^### `([a-z-]+)`$", text, re.MULTILINE)) == {str(each) for each in HoldReason}


def counted_by(name: str) -> set[str]:
    """The reasons for holds that an alert is about."""
    (reasons,) = re.findall(r'reason=~"([a-z|-]+)"', alerts()[name]["expr"])
    return set(reasons.split("|"))


def test_what_a_store_refuses_all_loads_for_is_one_page_at_a_site() -> None:
    assert counted_by("IngestSiteHolds") == {"store-refused", "store-missing", "store-full"}


def test_whatever_is_not_the_customers_fault_pages_whoever_has_to_mend_it() -> None:
    ours = {rule.hold for rule in retry.TABLE.values() if not rule.cause.may_fail_a_job}
    assert counted_by("IngestHoldByStation") == {str(reason) for reason in ours}


# -- whom Alertmanager tells -----------------------------------------------------------------------


class Told(http.server.BaseHTTPRequestHandler):
    heard: list[tuple[str, dict[str, Any]]]

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.heard.append((self.path, json.loads(body)))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: Any) -> None: ...


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
    (port,) = free_ports(1)
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


def quay(name: str, number: int, **more: str) -> dict[str, str]:
    labels = {"alertname": name, "severity": "page", "site": SITE, "station": f"quay-{number:02}"}
    return labels | more


def of_site(name: str, **more: str) -> dict[str, str]:
    return {"alertname": name, "severity": "page", "scope": "site", "site": SITE, **more}


def told_of(heard: Sequence[tuple[str, dict[str, Any]]]) -> list[tuple[str, list[str]]]:
    """Whom each message went to, and which alerts it was about."""
    return sorted((path, [each["labels"]["alertname"] for each in body["alerts"]]) for path, body in heard)


@needs_alertmanager
def test_a_site_wide_outage_is_one_page_and_not_one_for_each_station(tmp_path: Path) -> None:
    with alertmanager(tmp_path) as (address, heard):
        down = [
            quay(name, number, **({"store": "archive"} if name == "IngestStoreDown" else {}))
            for number in range(16)
            for name in ("IngestStoreDown", "IngestNoProgress", "IngestStationNotReady")
        ]
        hold = quay("IngestHoldOld", 7, severity="ticket", reason="doubtful")
        send(address, [of_site("IngestSiteStoreDown", store="archive"), *down, hold])
        wait_for(lambda: len(heard) >= 2, 20, "two messages")
        time.sleep(3)
        said = told_of(heard)
    assert said == [("/floor", ["IngestHoldOld"]), ("/on-call", ["IngestSiteStoreDown"])]


@needs_alertmanager
def test_withdrawn_credentials_at_sixteen_stations_are_one_page(tmp_path: Path) -> None:
    with alertmanager(tmp_path) as (address, heard):
        holds = [
            quay("IngestHoldByStation", number, bay=f"bay-{bay}", reason="store-refused")
            for number in range(16)
            for bay in range(4)
        ]
        send(address, [of_site("IngestSiteHolds", reason="store-refused"), *holds])
        wait_for(lambda: heard, 20, "a message")
        time.sleep(3)
        said = told_of(heard)
    assert said == [("/on-call", ["IngestSiteHolds"])]


@needs_alertmanager
def test_a_cause_at_one_site_keeps_nothing_quiet_at_another(tmp_path: Path) -> None:
    with alertmanager(tmp_path) as (address, heard):
        elsewhere = {"alertname": "IngestStoreDown", "severity": "page", "site": ELSEWHERE}
        send(
            address,
            [
                of_site("IngestSiteStoreDown", store="archive"),
                quay("IngestStoreDown", 3, store="archive"),
                *({**elsewhere, "station": f"wharf-{n}", "store": "archive"} for n in range(3)),
            ],
        )
        wait_for(lambda: len(heard) >= 2, 20, "two messages")
        time.sleep(2)
        said = told_of(heard)
    # Three stations elsewhere are one message that lists them.
    assert said == [("/on-call", ["IngestSiteStoreDown"]), ("/on-call", ["IngestStoreDown"] * 3)]


@needs_alertmanager
def test_one_station_in_trouble_is_told_of_by_its_cause(tmp_path: Path) -> None:
    with alertmanager(tmp_path) as (address, heard):
        names = ("IngestStoreDown", "IngestNoProgress", "IngestStationNotReady", "IngestOverdue")
        send(address, [quay(name, 3) for name in names])
        send(address, [quay("IngestOverdue", 4)])
        wait_for(lambda: len(heard) >= 2, 20, "two messages")
        time.sleep(2)
        said = Counter(
            (alert["labels"]["station"], alert["labels"]["alertname"])
            for _, body in heard
            for alert in body["alerts"]
        )
        count = len(heard)
    assert said == {
        ("quay-03", "IngestStoreDown"): 1,
        ("quay-03", "IngestOverdue"): 1,
        ("quay-04", "IngestOverdue"): 1,
    }
    assert count == 2


def test_a_store_that_answers_nothing_fails_all_requests_and_not_more(tmp_path: Path) -> None:
    """What was not answered is a request, too."""
    name = "IngestStoreErrors"
    unanswered = f'ingestd_store_errors_total{{{HERE},store="archive",kind="unanswered"}}'
    answers = f'ingestd_store_answer_seconds_count{{{HERE},store="archive",method="PUT"}}'
    told = alerts()[name]["annotations"]["description"].replace("{{ $labels.station }}", "quay-03")
    labels = {"severity": "ticket", "site": "harrow-quay", "station": "quay-03", "store": "archive"}
    notes = {
        "summary": "100% of the requests of quay-03 to archive fail",
        "description": told.strip(),
        "runbook_url": alerts()[name]["annotations"]["runbook_url"],
    }
    for answered in ({}, {answers: "100x400"}):
        case = Case(fires={unanswered: begins(9), **answered}, quiet={}, after_min=15)
        status, said = promtool(tmp_path, [texts(name, case, [{"labels": labels, "annotations": notes}])])
        assert status == 0, said
