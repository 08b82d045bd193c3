"""What is shipped for the surroundings of a station, as far as it can be judged without running it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any, get_args

import yaml

from ingestd.bus.amqp.settings import Names
from ingestd.core.outgoing import Outgoing
from ingestd.core.station_log import HEEDED

DEPLOY = Path(__file__).parents[2] / "deploy"
TYPES = {cls.TYPE for cls in get_args(Outgoing)}


def shipped(name: str) -> dict[str, Any]:
    read: dict[str, Any] = json.loads((DEPLOY / "rabbitmq" / name).read_text())
    return read


def bound(queue: str) -> set[str]:
    return {b["routing_key"] for b in shipped("definitions.json")["bindings"] if b["destination"] == queue}


def test_the_broker_gets_what_a_station_expects_there() -> None:
    made = shipped("definitions.json")
    kinds = {queue["name"]: queue["arguments"]["x-queue-type"] for queue in made["queues"]}
    assert [kinds[name] for name in Names().streams] == ["stream", "stream"]
    assert set(Names().exchanges) <= {exchange["name"] for exchange in made["exchanges"]}
    assert kinds["ingest.voids"] == "quorum", "streams are not synced to disk; what voids a job is"


def test_stations_hear_exactly_what_they_heed() -> None:
    assert bound(Names().claims) == set(HEEDED)


def test_every_event_has_a_queue_and_every_binding_an_event() -> None:
    assert bound("ingest.audit") == {"#"}
    assert bound("ingest.voids") == {"ingest.job.failed"}
    assert bound("ingest.alerts") | bound(Names().claims) <= TYPES


def test_nobody_can_log_in_with_a_password_that_is_shipped_and_nobody_may_change_the_broker() -> None:
    made = shipped("users.json")
    assert {user["password_hash"] for user in made["users"]} == {""}
    assert {tag for user in made["users"] for tag in user["tags"]} == set()
    assert {right["configure"] for right in made["permissions"]} == {"^$"}
    writes = {right["user"]: right["write"] for right in made["permissions"]}
    assert writes == {
        "ingest-station": r"^ingest\.(events|refused)$",
        "ingest-orders": r"^ingest\.notices$",
        "ingest-reader": "^$",
    }


def test_the_compose_file_is_closed_to_the_outside_and_holds_no_secret() -> None:
    text = (DEPLOY / "compose.yaml").read_text()
    made = yaml.safe_load(text)
    assert set(made["services"]) == {"broker", "store", "prometheus", "grafana"}
    named: set[str] = set()
    for service in made["services"].values():
        assert re.search(r":[^:]*\d", service["image"]), "its version is fixed"
        assert all(port.startswith("127.0.0.1:") for port in service.get("ports", ()))
        if service.get("network_mode") == "host":
            # On the host's own network what counts is where the program listens.
            assert "127.0.0.1" in str(service.get("command", "")) + str(service.get("environment", ""))
        for volume in service["volumes"]:
            source = volume.split(":")[0]
            named |= set() if source.startswith(".") else {source}
            assert not source.startswith(".") or (DEPLOY / source).exists()
        for name, value in service.get("environment", {}).items():
            assert "PASS" not in name or re.fullmatch(r"\$\{\w+:\?.+\}", value), name
    assert named == set(made["volumes"])
