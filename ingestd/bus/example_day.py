"""An invented day at station quay-03, played through the core: its words are the core's own.

Made up is only what comes from outside: notices, drives, and what surveys, transfers and proofs report.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from ingestd.bus.codec import Malformed, decode, encode_notice
from ingestd.core import station as core
from ingestd.core.drive import DriveFacts, DriveHandle, DriveIdentity, Sighting, VolumeFacts
from ingestd.core.found import ItemFact, Ledger, Presence, Receipt, SurveyFacts
from ingestd.core.job import Item
from ingestd.core.layout import manifest_key
from ingestd.core.limits import Limits
from ingestd.core.messages import (
    Closed,
    DriveAppeared,
    DriveGone,
    Event,
    Heard,
    Identified,
    NoticeMalformed,
    Progressed,
    Proved,
    SaveUnsaid,
    Say,
    StationStarted,
    Surveyed,
    Timer,
    TimerFired,
    Transferred,
)
from ingestd.core.model import Attempt, BayName
from ingestd.core.outgoing import Outgoing, Publish
from ingestd.core.phases import Load

STATION = "quay-03"
_DAWN = 1_936_772_400.25
_FILES, _BYTES, _RATE = 412, 1_832_600_000_000, 182_000_000


def play(notices: Mapping[str, Mapping[str, Any]]) -> tuple[Outgoing, ...]:
    """Everything that the station said that day. `notices`: data by type, of the jobs it was about."""
    day = _Day()
    sonar = notices["ingest.job.announced"]
    day.notice("ingest.job.announced", sonar)
    _one_that_loads_begins(day, sonar)
    _one_without_a_job(day, notices["ingest.drive.assigned"])
    _one_that_loads_ends(day)
    _one_that_fails(day)
    withdrawn = notices["ingest.job.withdrawn"]
    day.notice("ingest.job.announced", _job(withdrawn["job_id"], {"serial": "AP77102"}, "plates-16.7z"))
    day.notice("ingest.job.withdrawn", withdrawn)
    day.malformed("order-7741.json", {**sonar, "version": "1"})
    _one_that_nobody_asks_for(day)
    return (*day.said, *_among_other_stations(withdrawn))


# -- the drives -----------------------------------------------------------------------------------


def _one_that_loads_begins(day: _Day, sonar: Mapping[str, Any]) -> None:
    drive, names = sonar["drives"][0], [item["name"] for item in sonar["items"]]
    day.plug("bay-1", drive["serial"], "Fathom D4000", wwn=drive["wwn"], size_bytes=drive["capacity_bytes"])
    day.surveyed("bay-1", Ledger(pending_files=_FILES, pending_bytes=_BYTES), *names)


def _one_without_a_job(day: _Day, assigned: Mapping[str, Any]) -> None:
    """Announced by a label that the customer then wrote otherwise."""
    day.notice(
        "ingest.job.announced", _job(assigned["job_id"], {"volume_label": "DOME-31"}, "aurora.tar.gpg")
    )
    day.plug(assigned["bay"], "LD0031B", "Ilex P2", label="DOME_31")
    day.progressed("bay-1", Ledger(stored_files=160, stored_bytes=700_000_000_000), rate=_RATE)
    day.report()
    day.notice("ingest.drive.assigned", assigned)


def _one_that_loads_ends(day: _Day) -> None:
    """Somebody pulls it, and plugs it in again."""
    facts = day.unplug("bay-1")
    day.plug_again("bay-1", facts)
    load = day.load_in("bay-1")
    day.surveyed("bay-1", load.ledger, *load.items)
    day.transferred("bay-1", Ledger(stored_files=_FILES, stored_bytes=_BYTES), rate=_RATE)
    day.proved("bay-1", files_read_back=16, bytes_read_back=3_138_512)
    day.closed("bay-1")


def _one_that_fails(day: _Day) -> None:
    """The announced archive is not there, at the second look neither."""
    plates = "plates-17.7z"
    day.notice("ingest.job.announced", _job("alder-press-0461", {"serial": "AP77120"}, plates))
    day.plug("bay-3", "AP77120", "Ilex P2")
    for _ in range(2):
        day.missing("bay-3", plates, near=f"volume-1/scans/{plates}")


def _one_that_nobody_asks_for(day: _Day) -> None:
    day.plug("bay-5", "X-0093", "Ilex P2")
    day.waited_in_vain("bay-5")


def _job(job_id: str, drive: Mapping[str, str], item: str) -> dict[str, Any]:
    tenant = job_id.rpartition("-")[0]
    return {
        "job_id": job_id,
        "version": 1,
        "tenant": tenant,
        "drives": [dict(drive)],
        "items": [{"name": item}],
        "destination": {"store": "harrow-archive", "prefix": f"{tenant}/{job_id}"},
    }


def _among_other_stations(withdrawn: Mapping[str, Any]) -> list[Outgoing]:
    """One drive of two of a job that all stations know of, withdrawn while it is loaded."""
    day = _Day(shared=True)
    names = ("plates-18.7z", "plates-19.7z")
    job = _job(withdrawn["job_id"], {"serial": "AP77131"}, names[0])
    job["drives"].append({"serial": "AP77132"})
    job["items"].append({"name": names[1]})
    day.notice("ingest.job.announced", job)
    day.plug("bay-1", "AP77131", "Ilex P2")
    day.surveyed("bay-1", Ledger(pending_files=_FILES, pending_bytes=_BYTES), names[0])
    day.notice("ingest.job.withdrawn", withdrawn)
    return day.said


# -- the station ----------------------------------------------------------------------------------


class _Day:
    """A station, its clock, and what it has said."""

    def __init__(self, *, shared: bool = False) -> None:
        self._at = _DAWN
        self._notices = self._plugged = 0
        self._station = core.empty(Limits(station=STATION, stores=("harrow-archive",), shared=shared))
        self.said: list[Outgoing] = []
        self._unsaid: dict[str, Publish] = {}
        self._take(StationStarted(at=self._at, sightings=()))

    def _take(self, event: Event) -> None:
        decision = core.step(self._station, event)
        self._station = decision.station
        for record in decision.records:
            if isinstance(record, SaveUnsaid):
                self._unsaid[record.message.event_id] = record.message
        said = [
            record if isinstance(record, Publish) else self._unsaid[record.event_id]
            for record in decision.records
            if isinstance(record, Publish | Say)
        ]
        self.said += [message.body for message in said]
        if self._station.limits.shared:
            for message in said:
                self._hear(message)

    def _hear(self, message: Publish) -> None:
        """The log that stations share, in which this one hears itself."""
        heard = Heard(
            at=self._at,
            station=STATION,
            said_at=message.at,
            event_id=message.event_id,
            body=message.body,
        )
        self._take(heard)

    def _later(self, seconds: float = 2.0) -> float:
        self._at += seconds
        return self._at

    def load_in(self, bay: str) -> Load:
        load_id = self._station.bays[BayName(bay)].load_id
        assert load_id is not None, "a drive that is plugged in here is identified at once"
        return self._station.loads[load_id]

    def _asked(self, bay: str, after_s: float = 2.0) -> dict[str, Any]:
        """What the completion has to carry that the load in this bay waits for."""
        load = self.load_in(bay)
        return {"at": self._later(after_s), "load_id": load.load_id, "attempt": load.attempt}

    # -- notices --

    def notice(self, type: str, data: Mapping[str, Any]) -> None:
        decoded = decode(self._written(type, data), at=self._at, station=STATION)
        assert decoded.notice is not None, "the examples are for this station"
        self._take(decoded.notice)

    def malformed(self, name: str, data: Mapping[str, Any]) -> None:
        try:
            decode(self._written("ingest.job.announced", data), at=self._at, station=STATION)
        except Malformed as error:
            problems, identity = error.problems, error.identity
            self._take(NoticeMalformed(at=self._at, name=name, problems=problems, identity=identity))

    def _written(self, type: str, data: Mapping[str, Any]) -> bytes:
        self._notices += 1
        number = f"order-{88212 + self._notices}"
        return encode_notice(type, data, id=number, source="/orders/harrow-quay", time=self._later())

    # -- the floor --

    def plug(
        self,
        bay: str,
        serial: str,
        model: str,
        *,
        wwn: str | None = None,
        label: str | None = None,
        size_bytes: int = 2_000_398_934_016,
    ) -> None:
        volume = VolumeFacts(name="volume-1", file_system="exfat", label=label, size_bytes=size_bytes)
        identity = DriveIdentity(serial=serial, wwn=wwn, model=model, size_bytes=size_bytes)
        self.plug_again(bay, DriveFacts(identity=identity, interface="usb3", volumes=(volume,)))

    def plug_again(self, bay: str, facts: DriveFacts) -> None:
        self._plugged += 1
        name, handle = BayName(bay), DriveHandle(locator=f"/dev/{bay}", generation=self._plugged)
        sighting = Sighting(bay=name, handle=handle, identity=facts.identity, interface=facts.interface)
        self._take(DriveAppeared(at=self._later(), sighting=sighting))
        attempt = self._station.bays[name].attempt
        self._take(Identified(at=self._later(), bay=name, attempt=attempt, facts=facts))

    def unplug(self, bay: str) -> DriveFacts:
        facts = self.load_in(bay).facts
        self._take(DriveGone(at=self._later(), bay=BayName(bay)))
        return facts

    def waited_in_vain(self, bay: str) -> None:
        load = self.load_in(bay)
        timer = Timer(purpose="unclaimed", owner=load.load_id, attempt=load.attempt)
        self._take(TimerFired(at=self._later(self._station.limits.unclaimed_after_s), timer=timer))

    def report(self) -> None:
        timer = Timer(purpose="report", owner="", attempt=Attempt(0))
        self._take(TimerFired(at=self._later(), timer=timer))

    # -- what effects report --

    def surveyed(self, bay: str, ledger: Ledger, *found: str) -> None:
        items = (ItemFact(item=Item(name=n), presence=Presence.FOUND, volume="volume-1") for n in found)
        self._surveyed(bay, ledger, tuple(items))

    def missing(self, bay: str, name: str, *, near: str) -> None:
        item = ItemFact(item=Item(name=name), presence=Presence.ELSEWHERE, near=(near,))
        self._surveyed(bay, Ledger(pending_files=3, pending_bytes=9_412), (item,))

    def _surveyed(self, bay: str, ledger: Ledger, items: tuple[ItemFact, ...]) -> None:
        volumes = self.load_in(bay).facts.volumes
        facts = SurveyFacts(volumes=volumes, ledger=_balanced(ledger), items=items)
        self._take(Surveyed(**self._asked(bay), facts=facts))

    def progressed(self, bay: str, ledger: Ledger, *, rate: int) -> None:
        left = {
            "pending_files": _FILES - ledger.stored_files,
            "pending_bytes": _BYTES - ledger.stored_bytes,
        }
        ledger = _balanced(replace(ledger, **left))
        asked = self._asked(bay, after_s=ledger.stored_bytes / rate)
        self._take(Progressed(**asked, ledger=ledger, rate_bytes_per_second=rate))

    def transferred(self, bay: str, ledger: Ledger, *, rate: int) -> None:
        asked = self._asked(bay, after_s=self.load_in(bay).ledger.pending_bytes / rate)
        self._take(Transferred(**asked, ledger=_balanced(ledger), faults=()))

    def proved(self, bay: str, *, files_read_back: int, bytes_read_back: int) -> None:
        load = self.load_in(bay)
        job = self._station.job_of(load)
        assert job is not None, "a load that is proved has a job"
        receipt = Receipt(
            load_id=load.load_id,
            job_id=job.job_id,
            tenant=job.tenant,
            station=STATION,
            serial=load.drive.serial,
            wwn=load.drive.wwn,
            model=load.drive.model,
            store=job.destination.store,
            prefix=job.destination.prefix,
            manifest=manifest_key(job.destination, load.load_id).decode(),
            manifest_sha256="0f1e2d3c4b5a69788796a5b4c3d2e1f00f1e2d3c4b5a69788796a5b4c3d2e1f0",
            files=load.ledger.stored_files,
            stored_bytes=load.ledger.stored_bytes,
            skipped_files=load.ledger.skipped_files,
            skipped_bytes=load.ledger.skipped_bytes,
            proof=job.proof,
            files_read_back=files_read_back,
            bytes_read_back=bytes_read_back,
            proved_at=self._at,
        )
        self._take(Proved(**self._asked(bay), receipt=receipt))

    def closed(self, bay: str) -> None:
        self._take(Closed(**self._asked(bay), powered_down=False))


def _balanced(ledger: Ledger) -> Ledger:
    """With what was discovered as the sum of the rest."""
    return replace(
        ledger,
        discovered_files=ledger.stored_files + ledger.skipped_files + ledger.pending_files,
        discovered_bytes=ledger.stored_bytes + ledger.skipped_bytes + ledger.pending_bytes,
    )
