"""What the station counts as it goes, for Prometheus. What can be looked at any time is `collector.py`'s.

Labels come from closed sets: bays and stores of the configuration, codes of the core. Nothing here knows a
job, a tenant, a serial number or a file.
"""

from __future__ import annotations

from collections.abc import Callable

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, disable_created_metrics

from ingestd.core.found import FindingCode
from ingestd.core.model import FailureKind
from ingestd.ports import ReadInto

# When each series was made is nobody's question, and half as many lines again.
disable_created_metrics()  # type: ignore[no-untyped-call]

_QUICK = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)
_ANSWERS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 120.0)
_HOURS = (600.0, 1_800.0, 3_600.0, 7_200.0, 14_400.0, 28_800.0, 57_600.0, 86_400.0, 172_800.0, 604_800.0)

OUTCOMES = ("loaded", "failed", "withdrawn", "unclaimed")
FAILED_OFTEN = ("unanswered", "400", "403", "429", "500", "502", "503", "504")
"""The kinds of failure of a store's requests whose series begin at 0; any other begins with its first."""


class Counts:
    """Counters and histograms in a registry of their own. Safe between threads."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._of_the_loop(self.registry)
        self._of_loads(self.registry)
        self._of_the_byte_path(self.registry)
        self._of_stores(self.registry)
        self._of_the_bus(self.registry)

    def _of_the_loop(self, made: CollectorRegistry) -> None:
        self.events = Counter(
            "ingestd_loop_events_total", "Events that the loop has stepped the core with.", registry=made
        )
        self.turn_seconds = Histogram(
            "ingestd_loop_turn_seconds",
            "How long the loop took for the events it had gathered: what comes meanwhile waits so long.",
            buckets=_QUICK,
            registry=made,
        )
        self.commit_seconds = Histogram(
            "ingestd_journal_commit_seconds",
            "How long a commit of the journal took.",
            buckets=_QUICK,
            registry=made,
        )

    def _of_loads(self, made: CollectorRegistry) -> None:
        self.ended = Counter(
            "ingestd_loads_ended_total",
            "Loads that have ended, by outcome and the code of the first finding that decided it.",
            ("outcome", "reason"),
            registry=made,
        )
        self.duration_seconds = Histogram(
            "ingestd_load_duration_seconds",
            "From plugged in to released, by outcome.",
            ("outcome",),
            buckets=_HOURS,
            registry=made,
        )
        for outcome in OUTCOMES:
            self.ended.labels(outcome, "")
            self.duration_seconds.labels(outcome)
        # All from 0 on: an increase is not seen of a series that begins with 1.
        for code in FindingCode:
            self.ended.labels("failed", code)
        self.last_load_at: float | None = None
        self.retries = Counter(
            "ingestd_retries_total",
            "Work that failed and is done again or held, by the kind of failure.",
            ("kind",),
            registry=made,
        )
        for kind in FailureKind:
            self.retries.labels(kind)

    def _of_the_byte_path(self, made: CollectorRegistry) -> None:
        self.read_bytes = Counter(
            "ingestd_read_bytes_total", "Bytes read from the drive in a bay.", ("bay",), registry=made
        )
        self.read_errors = Counter(
            "ingestd_read_errors_total",
            "Reads that failed, of the drive in a bay, tries again included.",
            ("bay",),
            registry=made,
        )
        self.stored_bytes = Counter(
            "ingestd_stored_bytes_total",
            "Bytes of the drive in a bay that a store holds for good.",
            ("bay",),
            registry=made,
        )

    def _of_stores(self, made: CollectorRegistry) -> None:
        self.answer_seconds = Histogram(
            "ingestd_store_answer_seconds",
            "From a request sent, with its body, to the answer, by HTTP method.",
            ("store", "method"),
            buckets=_ANSWERS,
            registry=made,
        )
        self.store_errors = Counter(
            "ingestd_store_errors_total", "Requests that failed, by kind.", ("store", "kind"), registry=made
        )
        self.lost_bytes = Counter(
            "ingestd_resent_bytes_total",
            "Bytes of requests that failed, which are sent again.",
            ("store",),
            registry=made,
        )
        self.last_store_success = Gauge(
            "ingestd_store_last_success_timestamp_seconds",
            "When the store last did what it was asked for.",
            ("store",),
            registry=made,
        )

    def _of_the_bus(self, made: CollectorRegistry) -> None:
        self.publish_seconds = Histogram(
            "ingestd_publish_seconds",
            "How long the bus took to confirm what it was given at once.",
            buckets=_QUICK,
            registry=made,
        )
        self.published = Counter(
            "ingestd_published_total", "Events that the bus has confirmed.", registry=made
        )
        self.publish_refusals = Counter(
            "ingestd_publish_refusals_total", "How often the bus did not take an event.", registry=made
        )
        self.last_publish_at: float | None = None
        self.notices = Counter(
            "ingestd_notices_total", "Notices that were recorded, by result.", ("result",), registry=made
        )
        # At hand: there may be a hundred thousand of them.
        self._accepted, self._refused = (self.notices.labels(result) for result in ("accepted", "refused"))
        self.last_notice_at: float | None = None

    # -- said by the parts ------------------------------------------------------------------------

    def begin_bay(self, name: str) -> None:
        """Its series begin at 0, not with what is counted first; nothing more where they have begun."""
        for counter in (self.read_bytes, self.read_errors, self.stored_bytes):
            counter.labels(name)

    def counted(self, bay: Callable[[], str], read: ReadInto) -> ReadInto:
        """`read`, with what it reads and what it cannot read counted for the bay."""

        def read_counted(fd: int, views: list[memoryview], offset: int) -> int:
            try:
                got = read(fd, views, offset)
            except OSError:
                self.read_errors.labels(bay()).inc()
                raise
            self.read_bytes.labels(bay()).inc(got)
            return got

        return read_counted

    def load_ended(self, outcome: str, reason: str, seconds: float, at: float) -> None:
        """A load was released, so many seconds after it was plugged in."""
        self.ended.labels(outcome, reason).inc()
        self.duration_seconds.labels(outcome).observe(max(0.0, seconds))
        if outcome == "loaded":
            self.last_load_at = at

    def taken(self, count: int, refused: int, seconds: float, at: float) -> None:
        """The bus was given events: so many it has confirmed, so many not."""
        self.publish_seconds.observe(seconds)
        self.published.inc(count)
        self.publish_refusals.inc(refused)
        if count:
            self.last_publish_at = at

    def noticed(self, *, refused: bool, at: float) -> None:
        """A notice was recorded."""
        (self._refused if refused else self._accepted).inc()
        self.last_notice_at = at

    def store(self, name: str, now: Callable[[], float]) -> StoreCounts:
        """What one store's requests are told to."""
        return StoreCounts(self, name, now)


class StoreCounts:
    """Implements what `store/s3_client.py` tells: how its requests end."""

    def __init__(self, counts: Counts, store: str, now: Callable[[], float]) -> None:
        self._counts, self._store, self._now = counts, store, now
        counts.lost_bytes.labels(store)
        for kind in FAILED_OFTEN:
            counts.store_errors.labels(store, kind)

    def answered(self, method: str, seconds: float) -> None:
        self._counts.answer_seconds.labels(self._store, method).observe(seconds)

    def worked(self) -> None:
        self._counts.last_store_success.labels(self._store).set(self._now())

    def failed(self, kind: str, size_bytes: int) -> None:
        """`size_bytes`: how large the body was that has to be sent again."""
        self._counts.store_errors.labels(self._store, kind).inc()
        self._counts.lost_bytes.labels(self._store).inc(size_bytes)
