"""Counters over the life of a simulated station: whatever happens, none goes down.

Driven at random as in `tests/core/test_station_machine.py`, and scraped after every step; at the end of each
run the time passes after which drives that nobody claims are released.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from hypothesis import settings
from hypothesis.stateful import invariant
from prometheus_client import CollectorRegistry

from ingestd.core import station as core
from ingestd.core.messages import Event
from ingestd.core.model import FailureKind
from ingestd.core.outgoing import DriveReleased
from ingestd.core.snapshot import picture
from ingestd.telemetry import tally
from ingestd.telemetry.collector import Sight, StationCollector
from ingestd.telemetry.counts import Counts
from tests.core.test_station_machine import StationMachine
from tests.support import values as v
from tests.support.invariants import Watch
from tests.support.one_station import Quay
from tests.support.world import Unit, World

Sample = tuple[str, tuple[tuple[str, str], ...]]

SERIES_MAX = 2_000


class CountingWatch(Watch):
    """Counts each decision, as the loop does, and the releases that were said."""

    def __init__(self) -> None:
        super().__init__()
        self.begin()

    def begin(self) -> None:
        """A process counts from nothing."""
        self.counts = Counts()
        self.releases = 0

    def see(self, before: core.Station, event: Event, decision: core.Decision, effects: Any) -> None:
        super().see(before, event, decision, effects)
        tally.decided(self.counts, event, before, decision)
        self.releases += sum(isinstance(getattr(r, "body", None), DriveReleased) for r in decision.records)


class CountedWorld(World):
    """A world that is scraped."""

    def __init__(self, units: Iterable[Unit]) -> None:
        super().__init__(units)
        self.watch: CountingWatch = CountingWatch()
        self.last: Mapping[Sample, float] = {}

    def _new_process(self) -> None:
        super()._new_process()
        if isinstance(getattr(self, "watch", None), CountingWatch):
            self.watch.begin()
            self.last = {}

    def scrape(self) -> Mapping[Sample, float]:
        """All samples that may only rise: of counters, and of histograms, which are made of such."""
        made = CollectorRegistry()
        made.register(StationCollector(self._sight, self.watch.counts))
        metrics = [*made.collect(), *self.watch.counts.registry.collect()]
        assert sum(len(metric.samples) for metric in metrics) < SERIES_MAX
        return {
            (sample.name, tuple(sorted(sample.labels.items()))): sample.value
            for metric in metrics
            if metric.type in ("counter", "histogram")
            for sample in metric.samples
        }

    def _sight(self) -> Sight:
        return Sight(
            picture=picture(self.station, self.at),
            bus="spool",
            watch="folder",
            ready=True,
            bus_up={"in": True, "out": True},
            outbox=(0, None),
            stuck_subjects=0,
            stores_up={},
            stalled={},
            moved={},
            buffers=8,
            buffers_free=8,
            buffer_bytes=1,
            sent_bytes=0,
            journal_folder="/nowhere",
        )

    def check_counters(self) -> None:
        now = self.scrape()
        fallen = {
            sample: (was, now.get(sample)) for sample, was in self.last.items() if now.get(sample, -1.0) < was
        }
        assert fallen == {}
        self.last = now
        ended = sum(value for (name, _), value in now.items() if name == "ingestd_loads_ended_total")
        assert ended == self.watch.releases


class CountedMachine(StationMachine):
    """What may happen to a station, with a scrape after each step."""

    make_world = CountedWorld

    @invariant()
    def no_counter_goes_down(self) -> None:
        assert isinstance(self.world, CountedWorld)
        self.world.check_counters()

    def teardown(self) -> None:
        super().teardown()
        self.no_counter_goes_down()


TestCounters = CountedMachine.TestCase
TestCounters.settings = settings(max_examples=25, stateful_step_count=40)


def test_data_that_a_proof_does_not_find_was_stored_all_the_same_and_is_stored_again() -> None:
    quay = Quay()
    quay.watch = watch = CountingWatch()

    def stored() -> float:
        return watch.counts.registry.get_sample_value("ingestd_stored_bytes_total", {"bay": "bay-1"}) or 0.0

    quay.announce().plug("bay-1").surveyed().progressed("bay-1", v.ledger(stored=2, pending=1))
    assert stored() == 2 * v.FILE_BYTES
    quay.transferred()
    assert stored() == 3 * v.FILE_BYTES
    quay.proof_failed()
    assert stored() == 3 * v.FILE_BYTES, "what is missing makes it no less"
    quay.transferred().proved().closed()
    assert stored() == 4 * v.FILE_BYTES


def test_what_fails_is_counted_from_nothing_on() -> None:
    """An increase is not seen of a series that begins with its first failures."""
    quay = Quay()
    quay.watch = watch = CountingWatch()
    watch.counts.begin_bay("bay-9")
    watch.counts.store("archive", lambda: 0.0)
    quay.announce().plug("bay-1")
    value = watch.counts.registry.get_sample_value
    for bay in ("bay-1", "bay-9"):
        for name in ("read_bytes", "read_errors", "stored_bytes"):
            assert value(f"ingestd_{name}_total", {"bay": bay}) == 0.0, (name, bay)
    for kind in FailureKind:
        assert value("ingestd_retries_total", {"kind": kind}) == 0.0, kind
    for code in ("unanswered", "403", "429", "500", "503"):
        assert value("ingestd_store_errors_total", {"store": "archive", "kind": code}) == 0.0, code
