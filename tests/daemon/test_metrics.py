"""What Prometheus is told by a real daemon, and whether it says that it lives and is ready."""

from __future__ import annotations

import re
import shutil
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client import Metric
from prometheus_client.openmetrics import parser as openmetrics
from prometheus_client.parser import text_string_to_metric_families

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, sealed, wait_for

GOLDEN = Path(__file__).parent / "metrics.txt"
SLOW = {
    "uplink": {"rate_bytes_per_second": 400_000},
    "transfer": {"buffer_bytes": 65_536},
    "metrics": {"listen": "127.0.0.1:0"},
}
FILES = {b"kelp-forest.enc": sealed(1_500_000, 3), b"north/shoal.enc": sealed(300_000, 4)}


def get(station: Station, path: str, accept: str = "text/plain") -> str:
    (served,) = wait_for(lambda: station.lines("metrics_served")[-1:], what="the port")
    request = urllib.request.Request(f"http://127.0.0.1:{served['port']}{path}", headers={"Accept": accept})
    with urllib.request.urlopen(request, timeout=5) as answer:
        return str(answer.read().decode())


def scrape(station: Station) -> dict[str, Metric]:
    return {metric.name: metric for metric in text_string_to_metric_families(get(station, "/metrics"))}


def value(station: Station, name: str, **labels: str) -> float | None:
    for metric in scrape(station).values():
        for sample in metric.samples:
            if sample.name == name and sample.labels == labels:
                return float(sample.value)
    return None


def shape(metrics: dict[str, Metric]) -> Iterator[str]:
    """A line for each metric of ours: name, type, labels, and what it means."""
    for name, metric in sorted(metrics.items()):
        if name.startswith("ingestd_"):
            labels = sorted({label for sample in metric.samples for label in sample.labels} - {"le"})
            yield f"{name} {metric.type} {','.join(labels) or '-'}: {metric.documentation}"


@pytest.fixture
def at_work(make_station: MakeStation) -> Station:
    """One drive is being loaded, slowly; another is held, since nobody knows it."""
    quay = make_station(**SLOW)
    quay.write_drive("KQX-5511", FILES)
    quay.write_drive("KQX-0000", {b"stray.enc": sealed(1000, 5)})
    quay.start()
    quay.announce("TS-1", "KQX-5511", due_at="2027-01-01T00:00:00Z")
    quay.plug("bay-01", "KQX-5511")
    quay.plug("bay-02", "KQX-0000")
    quay.wait_phase("KQX-5511", "loading")
    quay.wait_phase("KQX-0000", "held")
    # The picture is made anew every second, and then there is a rate.
    wait_for(lambda: value(quay, "ingestd_bay_rate_bytes_per_second", bay="bay-01"), what="a rate")
    return quay


def test_a_scrape_during_a_load_says_what_goes_on_and_names_nobody(at_work: Station, rewrite: bool) -> None:
    text = get(at_work, "/metrics")
    metrics = scrape(at_work)
    assert value(at_work, "ingestd_loads", phase="loading") == 1
    assert value(at_work, "ingestd_loads", phase="held") == 1
    assert value(at_work, "ingestd_loads", phase="away") == 0
    assert value(at_work, "ingestd_bay_phase", bay="bay-01", phase="loading") == 1
    assert value(at_work, "ingestd_bay_waits", bay="bay-02", reason="no-matching-job") == 1
    assert value(at_work, "ingestd_holds", reason="no-matching-job") == 1
    since = value(at_work, "ingestd_hold_oldest_timestamp_seconds", reason="no-matching-job")
    assert since is not None
    assert abs(time.time() - since) < 60
    assert value(at_work, "ingestd_uplink_cap_bytes_per_second") == 400_000
    assert value(at_work, "ingestd_bay_due_timestamp_seconds", bay="bay-01") == 1_798_761_600
    assert value(at_work, "ingestd_bay_bytes", bay="bay-01", state="discovered") == 1_800_000
    done = value(at_work, "ingestd_bay_done_timestamp_seconds", bay="bay-01")
    assert done is not None
    assert 0 < done - time.time() < 60
    assert value(at_work, "ingestd_store_up", store="archive") == 1
    assert value(at_work, "ingestd_ready") == 1
    for private in ("KQX", "TS-1", TENANT, "kelp", "shoal", "Brinecroft"):
        assert private not in text
    lines = list(shape(metrics))
    if rewrite:
        GOLDEN.write_text("\n".join(lines) + "\n")
    assert lines == GOLDEN.read_text().splitlines(), "names are promises; look at the diff, then --rewrite"


def test_names_and_types_pass_promtools_lint(at_work: Station) -> None:
    if shutil.which("promtool") is None:
        pytest.skip("needs promtool (Debian package prometheus)")
    told = subprocess.run(
        ["promtool", "check", "metrics"],
        input=get(at_work, "/metrics"),
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    # The process collector's own are not ours to name.
    ours = [line for line in (told.stdout + told.stderr).splitlines() if line.startswith("ingestd")]
    assert ours == []


def _openmetrics(text: str) -> Iterator[Metric]:
    yield from openmetrics.text_string_to_metric_families(text)  # type: ignore[no-untyped-call]


def test_openmetrics_for_those_who_ask_for_it(at_work: Station) -> None:
    text = get(at_work, "/metrics", "application/openmetrics-text; version=1.0.0")
    names = {metric.name for metric in _openmetrics(text)}
    assert {"ingestd_loads", "ingestd_read_bytes"} <= names


def test_counters_say_what_has_come_to_pass(at_work: Station) -> None:
    at_work.wait_released("KQX-5511")
    total = sum(map(len, FILES.values()))
    wait_for(lambda: value(at_work, "ingestd_loads_ended_total", outcome="loaded", reason=""), what="the end")
    assert value(at_work, "ingestd_stored_bytes_total", bay="bay-01") == total
    read = value(at_work, "ingestd_read_bytes_total", bay="bay-01")
    assert read is not None
    assert read >= total
    assert (value(at_work, "ingestd_uplink_sent_bytes_total") or 0) >= total
    assert value(at_work, "ingestd_load_duration_seconds_count", outcome="loaded") == 1
    assert value(at_work, "ingestd_notices_total", result="accepted") == 1
    assert (value(at_work, "ingestd_published_total") or 0) >= 4
    assert value(at_work, "ingestd_last_load_timestamp_seconds") == pytest.approx(time.time(), abs=60)


def test_a_failed_load_is_counted_by_its_finding(make_station: MakeStation) -> None:
    quay = make_station(**SLOW)
    quay.write_drive("KQX-7", {b"diary.txt": b"dear diary, nobody sealed this\n" * 500})
    quay.start()
    quay.announce("TS-7", "KQX-7")
    quay.plug("bay-01", "KQX-7")
    quay.wait_released("KQX-7")
    ended = wait_for(
        lambda: value(quay, "ingestd_loads_ended_total", outcome="failed", reason="not-encrypted"),
        what="the failure",
    )
    assert ended == 1
    assert value(quay, "ingestd_last_load_timestamp_seconds") is None


def test_health_says_yes_and_what_else_is_there(at_work: Station) -> None:
    assert get(at_work, "/livez") == "alive\n"
    assert get(at_work, "/readyz") == "ready\n"
    with pytest.raises(urllib.error.HTTPError, match="404"):
        get(at_work, "/status")


def test_a_taken_address_is_trouble_and_no_end(
    make_station: MakeStation, tmp_path_factory: pytest.TempPathFactory
) -> None:
    quay = make_station(**SLOW)
    quay.start()
    (served,) = wait_for(lambda: quay.lines("metrics_served")[-1:], what="the port")
    other = make_station(tmp_path_factory.mktemp("other"), metrics={"listen": f"127.0.0.1:{served['port']}"})
    other.start()
    picture = wait_for(lambda: p if (p := other.picture()) and p["problems"] else None, what="the trouble")
    (problem,) = picture["problems"]
    assert re.match(r"metrics are not served at 127\.0\.0\.1:\d+ \(.*in use\)", problem)
    quay.stop()
    wait_for(lambda: other.lines("metrics_served"), 15, what="the address once it is free")
