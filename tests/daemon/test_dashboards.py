"""Dashboards: as Grafana reads them, and every expression against a Prometheus that watches a station."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import time
import urllib.error
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

from ingestd.files import write_whole
from tests.adapters.test_alerts import RULES, rules
from tests.daemon.conftest import MakeStation
from tests.daemon.test_dying_disk import plugged
from tests.daemon.test_s3_daemon import on_bucket
from tests.support import dashboards, s3_servers
from tests.support.daemon import TENANT, Station, sealed, wait_for
from tests.support.drives import make_image
from tests.support.fault_proxy import FaultProxy, at_random
from tests.support.nbd import NBD_WORKS, with_bad_sectors
from tests.support.ports import free_ports
from tests.vmlab import find_sectors

needs_prometheus = pytest.mark.skipif(
    shutil.which("prometheus") is None, reason="needs Prometheus (Debian package prometheus)"
)

OF_A_BROKEN_DISK = "ingestd_read_errors_total"
"""Where no disk can be made to fail, there is nothing of this."""


_SELECTOR = re.compile(r"([a-z]+:[\w:]+|ingestd_\w+|\bup|process_\w+)\b(\{.*?\})?")


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


@pytest.mark.parametrize("file", dashboards.everything())
def test_a_dashboard_shows_the_chosen_sites_only(file: str) -> None:
    made = dashboards.everything()[file]
    chosen = {variable["name"]: variable for variable in made["templating"]["list"]}
    queries = [variable["definition"] for name, variable in chosen.items() if name in ("station", "bay")]
    asked = [target["expr"] for panel in made["panels"] for target in panel.get("targets", ())]
    for expression in (*asked, *queries):
        looked_at = _SELECTOR.findall(expression)
        assert looked_at
        for name, labels in looked_at:
            assert 'site=~"$site"' in labels, f"{name} in {expression}"
        assert set(re.findall(r"\$(\w+)", expression)) <= {*chosen, "__range"}
    # Prometheus may have been told of no sites.
    assert chosen["site"]["allValue"] == ".*"


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


class Watching:
    """A real Prometheus with the rules that are shipped, in a hurry."""

    def __init__(self, folder: Path, targets: Mapping[str, int]) -> None:
        """`targets`: the ports of the stations."""
        folder.mkdir()
        self._list = folder / "stations.json"
        self.watch(targets)
        # No group waits for longer than the others here, and four weeks are a minute.
        text = re.sub(r"\n +interval: \w+", "", RULES.read_text())
        (folder / "rules.yml").write_text(text.replace("[28d:1d] offset 1d", "[1m:1s]"))
        settings = {
            "global": {"scrape_interval": "1s", "evaluation_interval": "1s"},
            "rule_files": ["rules.yml"],
            "scrape_configs": [
                {
                    "job_name": "ingestd",
                    "file_sd_configs": [{"files": [self._list.name]}],
                }
            ],
        }
        (folder / "prometheus.yml").write_text(yaml.safe_dump(settings))
        (port,) = free_ports(1)
        self.address = f"http://127.0.0.1:{port}"
        self._command = [
            "prometheus",
            f"--config.file={folder}/prometheus.yml",
            f"--storage.tsdb.path={folder}/data",
            f"--web.listen-address=127.0.0.1:{port}",
        ]
        self._log = folder / "prometheus.log"

    def watch(self, targets: Mapping[str, int]) -> None:
        entries = [
            {"targets": [f"127.0.0.1:{port}"], "labels": {"site": "harrow-quay", "station": name}}
            for name, port in targets.items()
        ]
        write_whole(str(self._list), json.dumps(entries).encode())

    def __enter__(self) -> Watching:
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(20)

    def answer(self, expression: str) -> list[Any]:
        """Samples, those left out that are no number."""
        query = urllib.parse.urlencode({"query": expression})
        try:
            with urllib.request.urlopen(f"{self.address}/api/v1/query?{query}", timeout=10) as answer:
                told: Mapping[str, Any] = json.load(answer)
        except urllib.error.HTTPError as error:
            if error.code == 503:  # It has only just begun.
                return []
            raise AssertionError(f"{expression}: {error.read().decode()}") from error
        except OSError:
            return []
        return [sample for sample in told["data"]["result"] if sample["value"][1] != "NaN"]


def filled_in(expression: str) -> str:
    """As Grafana fills in its variables when all is chosen; rates over as little as a test has time for."""
    expression = re.sub(r"\$(site|station|bay)", ".*", expression).replace("$__range", "1h")
    return re.sub(r"\[(1m|5m|10m)\]", "[15s]", expression)


FIRES = {
    "IngestStationSilent",
    "IngestStationGone",
    "IngestStationNotReady",
    "IngestStoreDown",
    "IngestStoreErrors",
    "IngestBrokerDown",
    "IngestHoldByStation",
    "IngestNoticesRefused",
}
"""Alerts whose trouble is there while the test lasts."""


def selectors() -> Iterator[tuple[str, str]]:
    """What alerts look at. When they speak is tested with promtool; that there is something to see, here."""
    for rule in rules():
        if "alert" in rule:
            for name, labels in _SELECTOR.findall(rule["expr"]):
                yield f"{rule['alert']}: {name}{labels}", name + labels


def asked() -> Iterator[tuple[str, str]]:
    """Everything that is asked of Prometheus, by where it stands."""
    yield from ((place, filled_in(expression)) for place, expression in expressions())
    yield from selectors()
    for rule in rules():
        if "record" in rule:
            yield rule["record"], rule["expr"].replace("[28d:1d] offset 1d", "[1m:1s]")
        elif rule["alert"] in FIRES:
            yield rule["alert"], filled_in(rule["expr"])


@pytest.fixture
def busy(make_station: MakeStation) -> Station:
    """One drive is to be loaded, one to fail, one to be held, one to take a while, one to find no store."""
    quay = make_station(
        uplink={"rate_bytes_per_second": 300_000},
        transfer={"buffer_bytes": 65_536},
        metrics={"listen": "127.0.0.1:0"},
    )
    with quay.config.open("a") as config:
        config.write(f'[[stores]]\nname = "shelf"\nfolder = "{quay.root / "not-mounted"}"\n')
    quay.write_drive("KQX-1", {b"reef.enc": sealed(20_000, 1)})
    quay.write_drive("KQX-2", {b"diary.txt": b"nobody sealed this\n" * 900})
    quay.write_drive("KQX-3", {b"stray.enc": sealed(1_000, 3)})
    quay.write_drive("KQX-4", {b"kelp.enc": sealed(12_000_000, 4)})
    quay.write_drive("KQX-5", {b"dome.enc": sealed(20_000, 5)})
    quay.start()
    for number in (1, 2, 4):
        quay.announce(f"TS-{number}", f"KQX-{number}", due_at="2027-01-01T00:00:00Z")
    quay.announce("TS-5", "KQX-5", destination={"store": "shelf", "prefix": f"{TENANT}/TS-5"})
    return quay


@contextmanager
def in_trouble(station: Station, proxy: FaultProxy) -> Iterator[None]:
    """A station whose bucket is busy now and then, whose spool is away, and whose drive is worn."""
    on_bucket(station, proxy.url, "watched")
    files = {f"line-{number}.enc": sealed(1_500_000, number) for number in range(4)}
    station.announce("TS-7", "WORN-7")
    station.start()
    wait_for(lambda: station.lines("notice_accepted"), what="the notice")
    proxy.choose = at_random(7, 0.15, ("busy",))
    station.spool.rename(station.root / "elsewhere")
    if NBD_WORKS:
        image = make_image(station.root / "worn.img", files)
        # In what is read first: the line is slow, and there is much left to do then.
        first = min(sector for body in files.values() for sector, _ in find_sectors(image, body))
        with plugged(station, "bay-1", "WORN-7", lambda at: with_bad_sectors(image, at, [(first + 101, 3)])):
            yield
    else:
        station.write_drive("WORN-7", {name.encode(): body for name, body in files.items()})
        station.plug("bay-1", "WORN-7")
        yield


@needs_prometheus
def test_every_expression_has_an_answer_from_a_real_prometheus(
    busy: Station, make_station: MakeStation, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Two stations that between them are in all the states that anything is about."""
    troubled = make_station(
        tmp_path_factory.mktemp("quay-04"),
        station={"name": "quay-04"},
        metrics={"listen": "127.0.0.1:0"},
        drives={"watch": "loop"} if NBD_WORKS else {},
        transfer={"buffer_bytes": 65_536},
        uplink={"rate_bytes_per_second": 200_000},
    )
    missing = dict(asked())
    if not NBD_WORKS:
        missing = {place: each for place, each in missing.items() if OF_A_BROKEN_DISK not in each}
    with FaultProxy(s3_servers.shared("moto").url) as proxy, in_trouble(troubled, proxy):
        ports = {"quay-03": port_of(busy), "quay-04": port_of(troubled)}
        with Watching(tmp_path / "prometheus", {**ports, "quay-05": free_ports(1)[0]}) as prometheus:
            wait_for(lambda: prometheus.answer("sum(ingestd_station_info) == 2"), 30, "the first scrapes")
            for number in range(1, 6):
                busy.plug(f"bay-{number}", f"KQX-{number}")
            busy.drop(b"no notice", "no-notice")
            busy.wait_phase("KQX-4", "loading")
            wait_for(
                lambda: not NBD_WORKS or prometheus.answer("ingestd_read_errors_total > 0"), 30, "bad sectors"
            )
            look(prometheus, missing, 5)
            # From here on the store does not answer at all, and one station is in no list any more.
            proxy.choose = lambda seen: "reset"
            prometheus.watch(ports)
            look(prometheus, missing, 40)
            others = {rule["alert"]: prometheus.answer(rule["expr"]) for rule in rules() if "alert" in rule}
    assert list(missing) == []
    assert not others["IngestStationMislabelled"]
    assert not others["IngestNoProgress"]


def port_of(station: Station) -> int:
    (served,) = wait_for(lambda: station.lines("metrics_served")[-1:], what="the port")
    return int(served["port"])


def look(prometheus: Watching, missing: dict[str, str], within_s: float) -> None:
    """Ask for what is missing again and again, and strike off what has an answer."""
    until = time.monotonic() + within_s
    while missing and time.monotonic() < until:
        for place, expression in list(missing.items()):
            if prometheus.answer(expression):
                del missing[place]
        time.sleep(0.5)
