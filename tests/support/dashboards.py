"""Makes the dashboards in `grafana/dashboards`: `python -m tests.support.dashboards` writes them anew.

They are written by a program so that all panels have a description, a unit and thresholds, and look alike.
What a colour says, a word or a number says too.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "grafana" / "dashboards"
SOURCE = {"type": "prometheus", "uid": "${source}"}
WIDTH = 24

GOOD, WARN, BAD, CALM = "green", "orange", "red", "blue"
PHASES = ("waiting", "surveying", "loading", "proving", "releasing", "released", "held", "away")
_PHASE_COLOURS = ("text", CALM, GOOD, GOOD, CALM, "purple", BAD, WARN)
_SITE = 'site=~"$site"'
_HERE = f'{_SITE},station=~"$station"'
_BAY = f'{_HERE},bay=~"$bay"'

Panel = dict[str, Any]


def _mappings(words: Mapping[str, tuple[str, str]]) -> list[dict[str, Any]]:
    options = {
        value: {"text": text, "color": colour, "index": index}
        for index, (value, (text, colour)) in enumerate(words.items())
    }
    return [{"type": "value", "options": options}]


PHASE_WORDS = _mappings(
    {str(n): (phase, colour) for n, (phase, colour) in enumerate(zip(PHASES, _PHASE_COLOURS, strict=True), 1)}
)
UP_WORDS = _mappings({"0": ("✗ down", BAD), "1": ("✓ up", GOOD)})
YES_WORDS = _mappings({"0": ("✗ no", BAD), "1": ("✓ yes", GOOD)})
HEALTH_WORDS = _mappings({"0": ("? unknown", "text"), "1": ("✓ ok", GOOD), "2": ("! suspect", BAD)})


def phases(where: str) -> str:
    """The phase of each bay as a number, from 1 on in the order of `PHASES`."""
    each = [f'ingestd_bay_phase{{{where},phase="{phase}"}} * {n}' for n, phase in enumerate(PHASES, 1)]
    return f"max by (station, bay) ({' or '.join(each)})"


def panel(
    kind: str,
    title: str,
    about: str,
    queries: Mapping[str, str] | str,
    *,
    unit: str = "short",
    steps: Sequence[tuple[float | None, str]] = ((None, "text"),),
    width: int = 6,
    height: int = 7,
    instant: bool | None = None,
    mappings: Sequence[dict[str, Any]] = (),
    options: Mapping[str, Any] | None = None,
    custom: Mapping[str, Any] | None = None,
    more: Mapping[str, Any] | None = None,
) -> Panel:
    """`queries`: by legend, or one without."""
    asked = {"": queries} if isinstance(queries, str) else queries
    at_once = kind in ("stat", "table", "bargauge") if instant is None else instant
    return {
        "type": kind,
        "title": title,
        "description": about,
        "datasource": SOURCE,
        "gridPos": {"w": width, "h": height, "x": 0, "y": 0},
        "targets": [
            {
                "refId": chr(ord("A") + number),
                "datasource": SOURCE,
                "expr": expression,
                "legendFormat": legend or "__auto",
                "instant": at_once,
                "range": not at_once,
                "format": "table" if kind == "table" else "time_series",
            }
            for number, (legend, expression) in enumerate(asked.items())
        ],
        "fieldConfig": {
            "defaults": {
                "unit": unit,
                "mappings": list(mappings),
                "noValue": "–",
                "thresholds": {
                    "mode": "absolute",
                    "steps": [{"value": value, "color": colour} for value, colour in steps],
                },
                "custom": dict(custom or {}),
            },
            "overrides": [],
        },
        "options": dict(options or {}),
        **(more or {}),
    }


def stat(title: str, about: str, query: Mapping[str, str] | str, **more: Any) -> Panel:
    options = {
        "colorMode": "background",
        "graphMode": "none",
        "textMode": "value_and_name" if isinstance(query, Mapping) and len(query) > 1 else "auto",
        "reduceOptions": {"calcs": ["lastNotNull"]},
        **more.pop("options", {}),
    }
    return panel("stat", title, about, query, options=options, **{"width": 4, "height": 5, **more})


def lines(title: str, about: str, queries: Mapping[str, str], **more: Any) -> Panel:
    options = {
        "legend": {"displayMode": "table", "placement": "bottom", "calcs": ["lastNotNull", "max"]},
        "tooltip": {"mode": "multi", "sort": "desc"},
    }
    custom = {"lineWidth": 2, "fillOpacity": 8, "showPoints": "never", **more.pop("custom", {})}
    return panel(
        "timeseries",
        title,
        about,
        queries,
        options=options,
        custom=custom,
        **{"width": 12, "height": 8, **more},
    )


def states(title: str, about: str, queries: Mapping[str, str], **more: Any) -> Panel:
    options = {"showValue": "auto", "rowHeight": 0.8, "legend": {"showLegend": False}, "mergeValues": True}
    return panel("state-timeline", title, about, queries, options=options, **{"width": 12, **more})


def table(
    title: str,
    about: str,
    queries: Mapping[str, str],
    by: Sequence[str],
    units: Mapping[str, str | Sequence[dict[str, Any]]],
    **more: Any,
) -> Panel:
    """A row for each combination of the labels `by`; a column for each query, by its legend."""
    made = panel("table", title, about, queries, **{"width": WIDTH, "height": 9, **more})
    letters = {f"Value #{chr(ord('A') + n)}": name for n, name in enumerate(queries)}
    made["transformations"] = [
        {"id": "merge", "options": {}},
        {
            "id": "organize",
            "options": {
                "excludeByName": {"Time": True, "phase": True},
                "indexByName": {name: n for n, name in enumerate([*by, *letters])},
                "renameByName": letters,
            },
        },
    ]
    for column, unit in units.items():
        is_unit = isinstance(unit, str)
        properties: list[dict[str, Any]] = [{"id": "unit" if is_unit else "mappings", "value": unit}]
        if not is_unit:
            properties.append({"id": "custom.cellOptions", "value": {"type": "color-background"}})
        made["fieldConfig"]["overrides"].append(
            {"matcher": {"id": "byName", "options": column}, "properties": properties}
        )
    if "station" in by:
        link = {
            "title": "One station",
            "url": "/d/ingest-station?var-station=${__value.text}&${site:queryparam}&${source:queryparam}",
        }
        made["fieldConfig"]["overrides"].append(
            {
                "matcher": {"id": "byName", "options": "station"},
                "properties": [{"id": "links", "value": [link]}],
            }
        )
    made["options"] = {"showHeader": True, "cellHeight": "sm"}
    return made


def row(title: str) -> Panel:
    return {
        "type": "row",
        "title": title,
        "collapsed": False,
        "panels": [],
        "gridPos": {"w": WIDTH, "h": 1, "x": 0, "y": 0},
    }


def fleet() -> Iterator[Panel]:
    yield row("At a glance")
    yield stat(
        "Stations that can work",
        "Those whose daemon says that it is ready. Below the number of stations somebody has to look.",
        f"sum(ingestd_ready{{{_SITE}}}) or vector(0)",
        steps=((None, BAD), (1, GOOD)),
    )
    yield stat(
        "Silent stations",
        "Prometheus gets no answer from these, or has them in no list any more since yesterday.",
        f'count(max by (site, station) (up{{job="ingestd",{_SITE}}}) == 0 '
        f"or station:ingestd_vanished:bool{{{_SITE}}}) or vector(0)",
        steps=((None, GOOD), (1, BAD)),
    )
    yield stat(
        "Being loaded",
        "Drives whose data is on its way to storage.",
        f'sum(ingestd_loads{{{_SITE},phase=~"loading|proving"}})',
        steps=((None, CALM),),
    )
    yield stat(
        "Held",
        "Drives that wait for a person to decide. The table below says where.",
        f"sum(ingestd_holds{{{_SITE}}}) or vector(0)",
        steps=((None, GOOD), (1, WARN), (5, BAD)),
    )
    yield stat(
        "Will be late",
        "Jobs that will miss their due time, by the stations' forecasts.",
        f"sum(ingestd_jobs_at_risk{{{_SITE}}})",
        steps=((None, GOOD), (1, WARN)),
    )
    yield stat(
        "Overdue",
        "Jobs with a drive here whose due time has passed.",
        f"sum(ingestd_jobs_overdue{{{_SITE}}})",
        steps=((None, GOOD), (1, BAD)),
    )
    yield row("Stations")
    yield table(
        "Stations now",
        "A row for each station; its name leads to its own dashboard.",
        {
            "Works": f"max by (site, station) (ingestd_ready{{{_SITE}}})",
            "Loading": f'sum by (site, station) (ingestd_loads{{{_SITE},phase=~"loading|proving"}})',
            "Waiting": f'sum by (site, station) (ingestd_loads{{{_SITE},phase=~"waiting|surveying"}})',
            "Held": f'sum by (site, station) (ingestd_loads{{{_SITE},phase="held"}})',
            "To be pulled": f'sum by (site, station) (ingestd_loads{{{_SITE},phase="released"}})',
            "Late": f"max by (site, station) (ingestd_jobs_at_risk{{{_SITE}}})",
            "Sent": f"max by (site, station) (ingestd_uplink_rate_bytes_per_second{{{_SITE}}})",
            "Events waiting": f"max by (site, station) (ingestd_outbox_messages{{{_SITE}}})",
        },
        ("site", "station"),
        {"Works": YES_WORDS, "Sent": "Bps"},
    )
    sent = lines(
        "What the stations send",
        "Bytes per second to storage, over five minutes, sent again ones included.",
        {"{{station}}": f"sum by (station) (rate(ingestd_uplink_sent_bytes_total{{{_SITE}}}[5m]))"},
        unit="Bps",
        custom={"stacking": {"mode": "normal"}},
    )
    sent["links"] = [
        {"title": "One station", "url": "/d/ingest-station?${site:queryparam}&${source:queryparam}"}
    ]
    yield sent
    yield lines(
        "Loads that ended",
        "In each hour, by outcome.",
        {"{{outcome}}": f"sum by (outcome) (increase(ingestd_loads_ended_total{{{_SITE}}}[1h]))"},
        custom={"drawStyle": "bars", "fillOpacity": 60},
    )
    yield row("What all of them need")
    yield states(
        "Stores",
        "Whether each station reaches each store. Down everywhere: the store or the line.",
        {"{{store}} from {{station}}": f"min by (station, store) (ingestd_store_up{{{_SITE}}})"},
        mappings=UP_WORDS,
    )
    yield states(
        "Broker",
        "Whether messages go in and out at each station.",
        {"{{station}} {{direction}}": f"min by (station, direction) (ingestd_bus_up{{{_SITE}}})"},
        mappings=UP_WORDS,
    )
    yield lines(
        "Turnaround",
        "From plugged in to released: half of the loads of a week took no longer.",
        {"{{station}}": f"station:ingestd_load_duration_seconds:p50{{{_SITE}}}"},
        unit="s",
    )
    yield lines(
        "Pending jobs",
        "Announced, and not ended.",
        {"{{station}}": f'max by (station) (ingestd_jobs{{{_SITE},state="pending"}})'},
    )


def station() -> Iterator[Panel]:
    yield row("Now")
    yield table(
        "Bays",
        "What is in each bay, why it waits, since when, and when it will be done.",
        {
            "Phase": phases(_BAY),
            "Sent": f"max by (station, bay) (ingestd_bay_rate_bytes_per_second{{{_BAY}}})",
            "Share of the line": f"max by (station, bay) (ingestd_bay_share_ratio{{{_BAY}}})",
            "Stored": f'sum by (station, bay) (ingestd_bay_bytes{{{_BAY},state="stored"}})',
            "Left": f'sum by (station, bay) (ingestd_bay_bytes{{{_BAY},state="pending"}})',
            "Waits or ended": f"1000 * max by (station, bay) (ingestd_bay_since_timestamp_seconds{{{_BAY}}})",
            "Done": f"1000 * max by (station, bay) (ingestd_bay_done_timestamp_seconds{{{_BAY}}})",
            "Due": f"1000 * max by (station, bay) (ingestd_bay_due_timestamp_seconds{{{_BAY}}})",
        },
        ("station", "bay"),
        {
            "Phase": PHASE_WORDS,
            "Sent": "Bps",
            "Share of the line": "percentunit",
            "Stored": "decbytes",
            "Left": "decbytes",
            "Waits or ended": "dateTimeFromNow",
            "Done": "dateTimeFromNow",
            "Due": "dateTimeFromNow",
        },
    )
    yield table(
        "What they wait for",
        "The code of the reason; the runbook has a section for each for which a load is held.",
        {"Waits": f"max by (station, bay, reason) (ingestd_bay_waits{{{_BAY}}})"},
        ("station", "bay", "reason"),
        {"Waits": _mappings({"1": ("waits", WARN)})},
        width=8,
    )
    yield states(
        "Phases",
        "What the drive in each bay went through.",
        {"{{bay}}": phases(_BAY)},
        mappings=PHASE_WORDS,
        width=16,
        height=9,
    )
    yield row("The line")
    yield lines(
        "Sent, and what may be sent",
        "Bytes per second to storage against the cap. There is no cap where its line is missing.",
        {
            "sent by {{station}}": f"sum by (station) (rate(ingestd_uplink_sent_bytes_total{{{_HERE}}}[1m]))",
            "cap of {{station}}": f"max by (station) (ingestd_uplink_cap_bytes_per_second{{{_HERE}}})",
        },
        unit="Bps",
    )
    yield lines(
        "By bay",
        "What is sent of each drive, over the last few seconds.",
        {"{{bay}}": f"max by (station, bay) (ingestd_bay_rate_bytes_per_second{{{_BAY}}})"},
        unit="Bps",
        custom={"stacking": {"mode": "normal"}},
    )
    yield lines(
        "Read and stored",
        "Bytes per second read from the drives, and of them durably in storage.",
        {
            "read": f"sum(rate(ingestd_read_bytes_total{{{_BAY}}}[1m]))",
            "stored": f"sum(rate(ingestd_stored_bytes_total{{{_BAY}}}[1m]))",
        },
        unit="Bps",
    )
    yield lines(
        "Buffers",
        "In use, of those there are. All in use: the line or the store is slower than the drives.",
        {"{{state}}": f"sum by (state) (ingestd_buffers{{{_HERE}}})"},
        custom={"stacking": {"mode": "normal"}},
    )
    yield row("Drives")
    yield states(
        "Health",
        "What each drive says of itself.",
        {
            "{{bay}}": f'max by (station, bay) (ingestd_drive_health{{{_BAY},state="suspect"}} * 2 '
            f'or ingestd_drive_health{{{_BAY},state="ok"}} '
            f'or ingestd_drive_health{{{_BAY},state="unknown"}} * 0)'
        },
        mappings=HEALTH_WORDS,
    )
    yield lines(
        "Reads that failed",
        "In five minutes, tries again included. Several drives in one bay: it is the bay.",
        {"{{bay}}": f"sum by (station, bay) (increase(ingestd_read_errors_total{{{_BAY}}}[5m]))"},
        steps=((None, GOOD), (20, WARN)),
    )
    yield row("Stores")
    yield lines(
        "Answers",
        "95 of 100 requests were answered within this time, from the last byte sent.",
        {
            "{{store}}": "histogram_quantile(0.95, sum by (station, store, le) "
            f"(rate(ingestd_store_answer_seconds_bucket{{{_HERE}}}[5m])))"
        },
        unit="s",
        steps=((None, GOOD), (5, WARN)),
    )
    yield lines(
        "Requests that failed",
        "In a second, by kind: an HTTP status, or unanswered.",
        {"{{store}} {{kind}}": f"sum by (store, kind) (rate(ingestd_store_errors_total{{{_HERE}}}[5m]))"},
        unit="reqps",
    )
    yield row("Messages")
    yield lines(
        "Oldest event that waits",
        "For how long it has been waiting for the broker. Nothing waits where there is no line.",
        {"{{station}}": f"time() - ingestd_outbox_oldest_timestamp_seconds{{{_HERE}}}"},
        unit="s",
        steps=((None, GOOD), (600, BAD)),
    )
    yield lines(
        "Events and notices",
        "In a second.",
        {
            "events confirmed": f"sum(rate(ingestd_published_total{{{_HERE}}}[5m]))",
            "events not taken": f"sum(rate(ingestd_publish_refusals_total{{{_HERE}}}[5m]))",
            "notices {{result}}": f"sum by (result) (rate(ingestd_notices_total{{{_HERE}}}[5m]))",
        },
        unit="ops",
    )
    yield row("The daemon")
    yield lines(
        "Turns and commits",
        "99 of 100 turns of the loop, and commits of the journal, took no longer.",
        {
            "turns": "histogram_quantile(0.99, sum by (le) "
            f"(rate(ingestd_loop_turn_seconds_bucket{{{_HERE}}}[5m])))",
            "commits": "histogram_quantile(0.99, sum by (le) "
            f"(rate(ingestd_journal_commit_seconds_bucket{{{_HERE}}}[5m])))",
        },
        unit="s",
        steps=((None, GOOD), (1, WARN)),
        width=8,
    )
    yield lines(
        "Journal",
        "Size of the journal, and what is free on its disk.",
        {
            "journal": f"max by (station) (ingestd_journal_bytes{{{_HERE}}})",
            "free": f"min by (station) (ingestd_journal_disk_free_bytes{{{_HERE}}})",
        },
        unit="decbytes",
        width=8,
    )
    yield lines(
        "Memory",
        "What the daemon has resident. The unit of the service manager ends it above 2 GiB.",
        {"{{station}}": f'process_resident_memory_bytes{{job="ingestd",{_HERE}}}'},
        unit="decbytes",
        width=8,
    )


def trouble() -> Iterator[Panel]:
    yield row("Held now")
    yield table(
        "Holds",
        "Where, why and for how long. The runbook has a section for each reason.",
        {"Held for": f"max by (station, bay, reason) (bay:ingestd_hold:seconds{{{_HERE}}})"},
        ("station", "bay", "reason"),
        {"Held for": "s"},
        width=12,
    )
    yield lines(
        "Holds over time",
        "How many loads wait for a person, by reason.",
        {"{{reason}}": f"sum by (reason) (ingestd_holds{{{_HERE}}})"},
        custom={"stacking": {"mode": "normal"}},
        height=9,
    )
    yield row("Failed")
    yield panel(
        "bargauge",
        "Failures by reason",
        "In the time shown, by the code of the first finding. DEVELOPERS.md lists the codes.",
        {
            "{{reason}}": "sum by (reason) "
            f'(increase(ingestd_loads_ended_total{{{_HERE},outcome="failed"}}[$__range]))'
        },
        width=12,
        height=9,
        steps=((None, WARN),),
        options={"orientation": "horizontal", "displayMode": "basic", "showUnfilled": True},
    )
    yield lines(
        "Share of loads that fail",
        "Of those that ended as loaded or failed within a day.",
        {"{{station}}": f"station:ingestd_loads_failed:ratio1d{{{_HERE}}}"},
        unit="percentunit",
        steps=((None, GOOD), (0.25, BAD)),
        height=9,
    )
    yield row("What went wrong on the way")
    yield lines(
        "Tried again",
        "Work that failed and was done again or held, in an hour, by the kind of failure.",
        {"{{kind}}": f"sum by (kind) (increase(ingestd_retries_total{{{_HERE}}}[1h]))"},
    )
    yield lines(
        "Sent in vain",
        "Bytes of requests that failed, which were sent again.",
        {"{{store}}": f"sum by (store) (rate(ingestd_resent_bytes_total{{{_HERE}}}[5m]))"},
        unit="Bps",
    )
    yield lines(
        "Reads that failed, by bay",
        "In an hour.",
        {"{{station}} {{bay}}": f"sum by (station, bay) (increase(ingestd_read_errors_total{{{_BAY}}}[1h]))"},
    )
    yield lines(
        "Notices that were refused",
        "In an hour; their copies and the reasons are in ingest.refused.",
        {
            "{{station}}": "sum by (station) "
            f'(increase(ingestd_notices_total{{{_HERE},result="refused"}}[1h]))'
        },
    )


def _variable(name: str, query: str) -> dict[str, Any]:
    return {
        "type": "query",
        "name": name,
        "label": name.capitalize(),
        "datasource": SOURCE,
        "query": {"query": query, "refId": name},
        "definition": query,
        "refresh": 2,
        "sort": 3,
        "multi": True,
        "includeAll": True,
        "allValue": ".*",
        "current": {"text": ["All"], "value": ["$__all"]},
        "options": [],
    }


def _placed(panels: Iterator[Panel]) -> list[Panel]:
    """Side by side while there is room, in rows of the tallest."""
    placed: list[Panel] = []
    x = y = tallest = 0
    for number, made in enumerate(panels, 1):
        place = made["gridPos"]
        if x + place["w"] > WIDTH:
            x, y, tallest = 0, y + tallest, 0
        place["x"], place["y"] = x, y
        x, tallest = x + place["w"], max(tallest, place["h"])
        placed.append({"id": number, **made})
    return placed


def dashboard(uid: str, title: str, about: str, panels: Iterator[Panel], variables: Sequence[str]) -> Panel:
    queries = {
        "site": "label_values(ingestd_station_info, site)",
        "station": f"label_values(ingestd_station_info{{{_SITE}}}, station)",
        "bay": f"label_values(ingestd_bay_phase{{{_HERE}}}, bay)",
    }
    source = {
        "type": "datasource",
        "name": "source",
        "label": "Prometheus",
        "query": "prometheus",
        "current": {},
        "options": [],
        "refresh": 1,
    }
    return {
        "uid": uid,
        "title": title,
        "description": about,
        "tags": ["ingest"],
        "schemaVersion": 39,
        "version": 1,
        "editable": False,
        "timezone": "browser",
        "refresh": "30s",
        "time": {"from": "now-12h", "to": "now"},
        "graphTooltip": 1,
        "links": [
            {
                "type": "dashboards",
                "title": "Ingest",
                "tags": ["ingest"],
                "includeVars": True,
                "keepTime": True,
                "asDropdown": False,
                "icon": "external link",
            }
        ],
        "templating": {"list": [source, *(_variable(name, queries[name]) for name in variables)]},
        "annotations": {"list": []},
        "panels": _placed(panels),
    }


def everything() -> Mapping[str, Panel]:
    """The dashboards by the names of their files."""
    return {
        "stations.json": dashboard(
            "ingest-fleet",
            "Ingest: all stations",
            "What all stations do, and what is stuck.",
            fleet(),
            ("site",),
        ),
        "station.json": dashboard(
            "ingest-station",
            "Ingest: one station",
            "What is in the bays of a station, why it waits, and what it needs.",
            station(),
            ("site", "station", "bay"),
        ),
        "trouble.json": dashboard(
            "ingest-trouble",
            "Ingest: failures and holds",
            "What people have to decide, and what failed.",
            trouble(),
            ("site", "station", "bay"),
        ),
    }


def text(made: Panel) -> str:
    return json.dumps(made, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for file, made in everything().items():
        (FOLDER / file).write_text(text(made))
