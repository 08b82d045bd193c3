"""What is asked from outside over HTTP: figures for metrics, and whether the station moves and can work.

Asked from the threads that answer requests. Looks at the parts, holds nothing up and changes nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from prometheus_client import ProcessCollector

from ingestd.core.snapshot import Picture
from ingestd.drives.watch import DriveWatch
from ingestd.journal.journal import Journal
from ingestd.ports import Store
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.clock import Clock
from ingestd.runtime.config import Config
from ingestd.runtime.loop import Loop
from ingestd.runtime.vigil import LOOP_HUNG_S, Vigil
from ingestd.telemetry.collector import Sight, StationCollector
from ingestd.telemetry.counts import Counts
from ingestd.telemetry.exposition import Exposition, Listening
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.governor import Governor


class Watched:
    """The station as those see it who watch it."""

    def __init__(
        self,
        config: Config,
        *,
        loop: Loop,
        journal: Journal,
        bus: BusThread,
        watch: DriveWatch,
        stores: Mapping[str, Store],
        vigil: Vigil,
        pool: BufferPool,
        governor: Governor,
        picture: Callable[[], Picture | None],
        clock: Clock,
    ) -> None:
        """`picture`: what the status file was last written from."""
        self._config = config
        self._loop = loop
        self._journal = journal
        self._bus = bus
        self._watch = watch
        self._stores = stores
        self._vigil = vigil
        self._pool = pool
        self._governor = governor
        self._picture = picture
        self._clock = clock

    @contextmanager
    def exposed(self, listening: Listening, counts: Counts) -> Iterator[Exposition]:
        """Serve all of it for as long as the context lasts."""
        counts.registry.register(StationCollector(self.sight, counts))
        ProcessCollector(registry=counts.registry)
        served = Exposition(listening, counts.registry, self.not_alive, self.not_ready)
        served.start()
        try:
            yield served
        finally:
            served.close()

    def sight(self) -> Sight | None:
        """None before the first picture."""
        picture = self._picture()
        if picture is None:
            return None
        return Sight(
            picture=picture,
            bus=self._config.bus.kind,
            watch=self._config.drives.watch,
            ready=not self.not_alive() and not self.not_ready(),
            bus_up=self._bus.up,
            outbox=self._journal.outbox_depth(),
            stuck_subjects=self._bus.outward.refused_subjects,
            stores_up={name: not store.trouble for name, store in self._stores.items()},
            stalled={**self._vigil.stalled, "loop": self._loop_stalled},
            moved=self._moved(),
            buffers=self._pool.count,
            buffers_free=self._pool.free,
            buffer_bytes=self._pool.size_bytes,
            sent_bytes=self._governor.granted_bytes,
            journal_folder=os.path.join(self._config.station.state_folder, "journal"),
        )

    def _moved(self) -> dict[str, float]:
        now, moment = self._clock.now(), self._clock.monotonic()
        return {load_id: now - (moment - at) for load_id, at in self._loop.work_moved().items()}

    @property
    def _loop_stalled(self) -> bool:
        moved_at = self._loop.moved_at
        return moved_at is not None and self._clock.monotonic() - moved_at > LOOP_HUNG_S

    def not_alive(self) -> Sequence[str]:
        """What time alone will not mend."""
        stalled = [f"the loop has not moved for {LOOP_HUNG_S:.0f} seconds"] if self._loop_stalled else []
        return [*stalled, *self._vigil.trouble]

    def not_ready(self) -> Sequence[str]:
        """Why the station cannot do its work just now."""
        found = ["it is being stopped"] if self._loop.station.draining else []
        if not self._bus.alive:
            found.append("the bus is not served: the station is being started or stopped")
        found += [f"messages do not go {way}" for way, is_up in self._bus.up.items() if not is_up]
        if self._watch.trouble:
            found.append(f"the bays cannot be looked at: {self._watch.trouble}")
        if all(store.trouble for store in self._stores.values()):
            found.append(f"no store works: {', '.join(self._stores)}")
        return found
