"""What the station looks like at one moment, for Prometheus: gauges made of one look, anew for each scrape.

Nothing here waits: the look is at a picture that was made before, and at figures that are at hand.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from prometheus_client import Metric
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.registry import Collector

from ingestd import __version__
from ingestd.core.drive import Health
from ingestd.core.forecast import by_bay, forecast
from ingestd.core.model import Phase
from ingestd.core.snapshot import LoadPicture, Picture
from ingestd.telemetry.counts import Counts

_LEDGER = ("discovered", "stored", "skipped", "failed", "pending")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """Everything that gauges are made of. Times in seconds since 1970, sizes in bytes."""

    picture: Picture
    bus: str
    """Its kind, as the configuration has it."""
    watch: str
    """How drives are found, as the configuration has it."""
    ready: bool
    bus_up: Mapping[str, bool]
    """By direction, `in` and `out`."""
    outbox: tuple[int, float | None]
    """Events that wait for the bus, and when the oldest was decided."""
    stuck_subjects: int
    stores_up: Mapping[str, bool]
    stalled: Mapping[str, bool]
    """By thread."""
    moved: Mapping[str, float]
    """By load that is being worked on, when that work last moved on."""
    buffers: int
    buffers_free: int
    buffer_bytes: int
    sent_bytes: int
    journal_folder: str


class StationCollector(Collector):
    """Looks and tells. `look` gives None while there is nothing to be seen yet."""

    def __init__(self, look: Callable[[], Sight | None], counts: Counts) -> None:
        self._look = look
        self._counts = counts

    def describe(self) -> Iterable[Metric]:
        """Nothing beforehand: registering must not look."""
        return ()

    def collect(self) -> Iterator[Metric]:
        began = time.perf_counter()
        info = GaugeMetricFamily(
            "ingestd_build_info", "The version that runs; always 1.", labels=("version", "python")
        )
        info.add_metric([__version__, platform.python_version()], 1)
        yield info
        yield from self._moments()
        if (seen := self._look()) is not None:
            yield from _station(seen)
            yield from _loads(seen.picture)
            yield from _bays(seen)
            yield from _line(seen)
            yield from _outside(seen)
            yield from _journal(seen.journal_folder)
        yield _gauge(
            "ingestd_scrape_seconds", "How long these figures took to gather.", time.perf_counter() - began
        )

    def _moments(self) -> Iterator[Metric]:
        """What has never happened has no time, rather than the year 1970."""
        for name, about, at in (
            ("load", "When a load last ended as loaded.", self._counts.last_load_at),
            ("publish", "When the bus last confirmed an event.", self._counts.last_publish_at),
            ("notice", "When a notice was last recorded.", self._counts.last_notice_at),
        ):
            if at is not None:
                yield _gauge(f"ingestd_last_{name}_timestamp_seconds", about, at)


def _gauge(name: str, about: str, value: float) -> Metric:
    return GaugeMetricFamily(name, about, value=value)


def _family(name: str, about: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, about, labels=labels)


def _station(seen: Sight) -> Iterator[Metric]:
    info = _family("ingestd_station_info", "Which station this is; always 1.", "name", "bus", "watch")
    info.add_metric([seen.picture.station, seen.bus, seen.watch], 1)
    yield info
    yield _gauge("ingestd_draining", "1 while the daemon is being stopped.", seen.picture.draining)
    yield _gauge(
        "ingestd_ready", "1 while the station can do its work; /readyz says what is wrong.", seen.ready
    )
    yield _gauge("ingestd_picture_timestamp_seconds", "When the station was last looked at.", seen.picture.at)
    stalled = _family("ingestd_thread_stalled", "1 while a thread of the daemon does not move.", "thread")
    for name, is_stalled in seen.stalled.items():
        stalled.add_metric([name], is_stalled)
    yield stalled


def _loads(picture: Picture) -> Iterator[Metric]:
    loads = _family("ingestd_loads", "Drives at the station or away from it, by phase.", "phase")
    for phase in Phase:
        loads.add_metric([phase], sum(load.phase is phase for load in picture.loads))
    yield loads
    yield _gauge("ingestd_loads_max", "Loads that may be at work at once.", picture.loads_max)
    holds = _family("ingestd_holds", "Loads that a person has to decide about, by reason.", "reason")
    oldest = _family("ingestd_hold_oldest_timestamp_seconds", "Since when the oldest is held.", "reason")
    held: dict[str, list[float]] = {}
    for load in picture.loads:
        if load.hold is not None:
            held.setdefault(load.hold, []).append(load.since or picture.at)
    for reason, since in sorted(held.items()):
        holds.add_metric([reason], len(since))
        oldest.add_metric([reason], min(since))
    yield holds
    yield oldest
    jobs = _family("ingestd_jobs", "Jobs that are known.", "state")
    jobs.add_metric(["pending"], picture.jobs_pending)
    jobs.add_metric(["ended"], picture.jobs_ended)
    yield jobs
    told = forecast(picture)
    yield _gauge("ingestd_jobs_at_risk", "Jobs that will miss their due time, by the forecast.", told.at_risk)
    overdue = {x.job_id for x in told.here if x.due_at is not None and x.due_at < picture.at}
    yield _gauge("ingestd_jobs_overdue", "Jobs with a drive here whose due time has passed.", len(overdue))
    done = _family(
        "ingestd_bay_done_timestamp_seconds", "When the job of the load in a bay will be done.", "bay"
    )
    risk = _family(
        "ingestd_bay_at_risk", "1 where the job of the load in a bay will miss its due time.", "bay"
    )
    for bay, figures in by_bay(picture, told):
        if figures.left_s is not None:
            done.add_metric([bay], picture.at + figures.left_s)
        risk.add_metric([bay], figures.late_s is not None)
    yield done
    yield risk


def _bays(seen: Sight) -> Iterator[Metric]:
    phase = _family("ingestd_bay_phase", "1 for the phase of the load in a bay.", "bay", "phase")
    since = _family("ingestd_bay_since_timestamp_seconds", "Since when it waits or has ended.", "bay")
    waits = _family("ingestd_bay_waits", "1 while the load in a bay waits, and for what.", "bay", "reason")
    rate = _family("ingestd_bay_rate_bytes_per_second", "What is sent of the drive in a bay.", "bay")
    share = _family("ingestd_bay_share_ratio", "What that is of the line.", "bay")
    size = _family("ingestd_bay_bytes", "Bytes of the drive in a bay, by state.", "bay", "state")
    due = _family("ingestd_bay_due_timestamp_seconds", "When the job of the drive in a bay is due.", "bay")
    moved = _family(
        "ingestd_bay_moved_timestamp_seconds",
        "When work on the drive in a bay last moved on: an entry listed, a block read, a wait begun.",
        "bay",
    )
    health = _family("ingestd_drive_health", "1 for what the drive in a bay says of itself.", "bay", "state")
    for load in seen.picture.loads:
        if load.bay is None:
            continue
        bay = load.bay
        if (moved_at := seen.moved.get(load.load_id or "")) is not None:
            moved.add_metric([bay], moved_at)
        for each in Phase:
            phase.add_metric([bay, each], each is load.phase)
        if load.since is not None:
            since.add_metric([bay], load.since)
        if load.waits:
            waits.add_metric([bay, load.waits], 1)
        rate.add_metric([bay], load.rate_bytes_per_second)
        share.add_metric([bay], load.share or 0.0)
        for state in _LEDGER:
            size.add_metric([bay, state], _bytes(load, state))
        if load.due_at is not None:
            due.add_metric([bay], load.due_at)
        for verdict in Health:
            health.add_metric([bay, verdict], verdict is load.facts.health.verdict)
    yield from (phase, since, moved, waits, rate, share, size, due, health)


def _bytes(load: LoadPicture, state: str) -> int:
    count = getattr(load.ledger, f"{state}_bytes")
    arrived = load.ledger.arrived_bytes
    # Parts that have arrived are as good as stored, for whoever watches a load get on.
    return int(count + {"stored": arrived, "pending": -arrived}.get(state, 0))


def _line(seen: Sight) -> Iterator[Metric]:
    cap = seen.picture.uplink_bytes_per_second
    yield _gauge("ingestd_uplink_capped", "1 while the line has a cap.", cap is not None)
    if cap is not None:
        yield _gauge("ingestd_uplink_cap_bytes_per_second", "What the line may be used for.", cap)
    yield _gauge(
        "ingestd_uplink_rate_bytes_per_second",
        "What all loads send, over the last few seconds.",
        seen.picture.rate_bytes_per_second,
    )
    yield CounterMetricFamily(
        "ingestd_uplink_sent_bytes", "Bytes sent to stores, those sent again included.", value=seen.sent_bytes
    )
    buffers = _family("ingestd_buffers", "Buffers of the byte path, by state.", "state")
    buffers.add_metric(["used"], seen.buffers - seen.buffers_free)
    buffers.add_metric(["free"], seen.buffers_free)
    yield buffers
    yield _gauge(
        "ingestd_buffer_bytes", "Memory that all buffers take at most.", seen.buffers * seen.buffer_bytes
    )


def _outside(seen: Sight) -> Iterator[Metric]:
    stores = _family("ingestd_store_up", "0 while a store does not work.", "store")
    for name, is_up in seen.stores_up.items():
        stores.add_metric([name], is_up)
    yield stores
    bus = _family("ingestd_bus_up", "1 while messages go this way.", "direction")
    for direction, is_up in seen.bus_up.items():
        bus.add_metric([direction], is_up)
    yield bus
    depth, oldest_at = seen.outbox
    yield _gauge("ingestd_outbox_messages", "Events that wait for the bus.", depth)
    if oldest_at is not None:
        yield _gauge("ingestd_outbox_oldest_timestamp_seconds", "When the oldest was decided.", oldest_at)
    yield _gauge(
        "ingestd_outbox_stuck_subjects", "Subjects behind an event that is not taken.", seen.stuck_subjects
    )


def _journal(folder: str) -> Iterator[Metric]:
    try:
        size_bytes = sum(entry.stat().st_size for entry in os.scandir(folder) if entry.is_file())
        disk = os.statvfs(folder)
    except OSError:
        return
    yield _gauge("ingestd_journal_bytes", "Size of the journal's files.", size_bytes)
    yield _gauge(
        "ingestd_journal_disk_free_bytes", "Free on the journal's disk.", disk.f_bavail * disk.f_frsize
    )
    yield _gauge("ingestd_journal_disk_bytes", "Size of the journal's disk.", disk.f_blocks * disk.f_frsize)
