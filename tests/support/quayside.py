"""Several stations, each with a daemon of its own, on one broker and with one archive."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.support.broker import PASSWORD, STATION_USER, Message, VirtualHost
from tests.support.daemon import TENANT, Station, wait_for

LEASE_S = 5.0


class SharingStation(Station):
    """A station whose jobs come from the broker, and whose archive is that of its neighbours."""

    def __init__(self, root: Path, name: str, archive: Path, host: VirtualHost, **settings: Any) -> None:
        root.mkdir()
        super().__init__(root)
        password = root / "password"
        password.write_text(PASSWORD)
        password.chmod(0o600)
        self.archive = archive
        sections: dict[str, dict[str, Any]] = {
            "station": {"name": name, "report_every_seconds": 1.0},
            "bus": {"kind": "amqp"},
            "amqp": {
                "urls": [f"amqp://{host.broker.host}:{host.broker.port}"],
                "user": STATION_USER,
                "password_file": str(password),
                "virtual_host": host.name,
                "lease_seconds": LEASE_S,
            },
        }
        for section, values in settings.items():
            sections.setdefault(section, {}).update(values)
        self.configure(**sections)


class Quayside:
    """The stations, what the order system sends them, and what it hears."""

    def __init__(self, root: Path, host: VirtualHost) -> None:
        self.root = root
        self.host = host
        self.archive = root / "archive"
        self.archive.mkdir()
        self.stations: list[SharingStation] = []
        self._sent = 0

    def station(self, name: str, **settings: Mapping[str, Any]) -> SharingStation:
        """A station with a running daemon."""
        station = SharingStation(self.root / name, name, self.archive, self.host, **settings)
        self.stations.append(station)
        station.start()
        return station

    def end(self) -> None:
        for station in self.stations:
            station.end()

    # -- the order system --

    def announce(self, job_id: str, *serials: str, version: int = 1, **more: Any) -> None:
        data = {
            "job_id": job_id,
            "version": version,
            "tenant": TENANT,
            "drives": [{"serial": serial} for serial in serials],
            "items": [],
            "destination": {"store": "archive", "prefix": f"{TENANT}/{job_id}"},
            **more,
        }
        self.send("ingest.job.announced" if version == 1 else "ingest.job.amended", data)

    def withdraw(self, job_id: str) -> None:
        self.send("ingest.job.withdrawn", {"job_id": job_id, "reason": "the customer sent the wrong drive"})

    def send(self, kind: str, data: Mapping[str, Any]) -> None:
        self._sent += 1
        body = {
            "specversion": "1.0",
            "id": f"order-{self._sent}",
            "source": "/orders",
            "type": kind,
            "datacontenttype": "application/json",
            "data": data,
        }
        self.host.send(json.dumps(body).encode())

    # -- what is heard --

    def events(self, kind: str | None = None, **about: Any) -> list[dict[str, Any]]:
        """The events so far, in the order of the audit log, repeats left out."""
        return self._told("ingest.audit", kind, about)

    def claims(self, kind: str) -> list[dict[str, Any]]:
        """The same in the order of the log that stations go by, which may be another."""
        return self._told("ingest.claims", kind, {})

    def _told(self, stream: str, kind: str | None, about: Mapping[str, Any]) -> list[dict[str, Any]]:
        found: dict[str, dict[str, Any]] = {}
        for message in self._messages(stream):
            event = json.loads(message.body)
            if kind in (None, event["type"]) and _is_about(event["data"], about):
                found.setdefault(event["id"], event)
        return list(found.values())

    def _messages(self, stream: str) -> list[Message]:
        """As many as there are now: the stations report all the time, so that no pause ever marks an end."""
        with self.host.channel() as channel:
            count = int(channel.queue_declare(stream, passive=True).method.message_count)
        return self.host.read_stream(stream, count, within_s=2.0) if count else []

    def wait_event(self, kind: str, within_s: float = 60.0, **about: Any) -> dict[str, Any]:
        what = f"{kind} about {about}; the logs are below {self.root}"
        return wait_for(lambda: self.events(kind, **about), within_s, what)[0]


def _is_about(data: Mapping[str, Any], about: Mapping[str, Any]) -> bool:
    return all(data.get(name) == value for name, value in about.items())
