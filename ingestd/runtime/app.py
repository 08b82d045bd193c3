"""The composition root: builds the parts from the configuration, starts and stops them in order."""

from __future__ import annotations

import os
import queue
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack

from ingestd import __version__
from ingestd.bus import codec
from ingestd.bus.spool import SpoolBus
from ingestd.core import station as core
from ingestd.core.messages import Event, LimitsChanged, StationStarted, StopRequested, UplinkSet
from ingestd.core.model import Sighting
from ingestd.core.outgoing import Publish
from ingestd.core.snapshot import Picture, picture
from ingestd.drives.folder import FolderDrives
from ingestd.drives.loop import LoopDrives
from ingestd.drives.watch import DriveWatch
from ingestd.journal.journal import Journal
from ingestd.ports import Drives, JournalError, PortError, Store
from ingestd.runtime import config as configuration
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.chores import Chores
from ingestd.runtime.clock import Clock
from ingestd.runtime.config import Config
from ingestd.runtime.effects import Effects
from ingestd.runtime.handlers import Handlers, plain_kind
from ingestd.runtime.host import Signals
from ingestd.runtime.loop import Inbox, Loop
from ingestd.runtime.status import StatusWriter, make_folders, running
from ingestd.runtime.vigil import HUNG_S, Backstop, Pulse, Vigil
from ingestd.store.folder import FolderStore
from ingestd.telemetry import logs
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.governor import Governor
from ingestd.transfer.senders import SenderPool
from ingestd.transfer.settings import TransferSettings
from ingestd.transfer.transfers import Transfers


def make_drives(config: Config) -> Drives:
    if config.drives.watch == "loop":
        mounts = os.path.join(config.station.state_folder, "mounts")
        return LoopDrives(config.drives.bays_folder, mounts)
    return FolderDrives(config.drives.bays_folder)


def make_stores(config: Config) -> dict[str, Store]:
    station = config.station.name
    return {store.name: FolderStore(store.name, store.folder, station) for store in config.stores}


def make_bus(config: Config) -> SpoolBus:
    return SpoolBus(config.bus.spool_folder, keep_days=config.station.keep_records_days)


def journal_folder(config: Config) -> str:
    return os.path.join(config.station.state_folder, "journal")


def scratch_folder(config: Config) -> str:
    return os.path.join(config.station.state_folder, "scratch")


PROGRESS_WAITING_MAX = 4096

_CLOSE_S = 0.5
_SIGNALS_S = 0.05
"""How often a stop is looked for while the bays cannot be looked at."""


class App:
    """One daemon. `run` returns the exit status."""

    def __init__(self, config: Config, path: str, signals: Signals, clock: Clock | None = None) -> None:
        self._config = config
        self._path = path
        self._signals = signals
        self._clock = clock or Clock()
        self._watch: DriveWatch | None = None
        self._bus_thread: BusThread | None = None
        self._status: StatusWriter | None = None
        self._vigil = Vigil(self._clock)
        self._pending: list[Event] = []

    def run(self) -> int:
        folder = self._config.station.state_folder
        make_folders(folder)
        with ExitStack() as stack:
            stack.enter_context(running(folder))
            make_folders(folder, journal_folder(self._config), scratch_folder(self._config))
            return self._run(stack)

    def _run(self, stack: ExitStack) -> int:
        config, clock = self._config, self._clock
        backstop = Backstop(self._signals, lambda: self._config.station.stop_within_seconds, clock)
        backstop.start()
        stack.callback(backstop.stop)
        journal = Journal.open(journal_folder(config), encode=self._encode)
        stack.callback(journal.close)
        drives, stores = make_drives(config), make_stores(config)
        self._tidy_up(drives, stores, journal)

        inbox: Inbox = queue.SimpleQueue()
        governor = Governor(config.uplink.rate_bytes_per_second, config.uplink.burst_bytes)
        pool = BufferPool(config.transfer.buffers, config.transfer.buffer_bytes)
        senders = SenderPool(config.transfer.senders)
        stack.callback(senders.close)
        settings = TransferSettings(
            buffer_bytes=config.transfer.buffer_bytes,
            buffers=config.transfer.buffers,
            senders=config.transfer.senders,
        )
        handlers = Handlers(
            station=config.station.name,
            drives=drives,
            stores=stores,
            journal=journal,
            transfers=Transfers(settings, pool, senders, governor, scratch_folder(config), plain_kind),
            report=_lossy(inbox),
            clock=clock,
        )
        effects = Effects(handlers.table(), inbox.put, self._broken, clock, config.drives.read_stall_seconds)
        remembered = journal.restore()
        station = core.restored(config.limits(), remembered.jobs, remembered.loads, remembered.uplink)
        self.loop = Loop(
            station,
            inbox=inbox,
            journal=journal,
            effects=effects,
            governor=governor,
            clock=clock,
            tick=self._tick,
        )
        stack.callback(lambda: handlers.open.close_all(max(_CLOSE_S, backstop.left_s() - _CLOSE_S)))

        self._watch = DriveWatch(drives, inbox.put, config.drives.poll_every_seconds, clock.now)
        bus = make_bus(config)
        bus.prepare()
        self._bus_thread = BusThread(
            bus,
            station=config.station.name,
            inbox=inbox,
            journal=journal,
            broken=self._broken,
            clock=clock,
            poll_s=config.bus.poll_every_seconds,
        )
        self._status = StatusWriter(config.station.state_folder, self._look, self._trouble)
        self._status.start()
        stack.callback(self._status.stop)
        sightings = self._first_look(self._watch)
        if sightings is None:
            logs.get().info("station_stopped", in_time=True)
            return 0
        chores = Chores(
            journal,
            keep_days=lambda: self._config.station.keep_records_days,
            keep_loads=lambda: self.loop.station.loads,
            broken=self._broken,
            clock=clock,
        )
        chores.start()
        stack.callback(chores.stop)
        self._watch.start()
        stack.callback(self._watch.stop)
        self._bus_thread.start()
        logs.get().info(
            "station_started",
            version=__version__,
            station=config.station.name,
            config=self._path,
            bays_taken=len(sightings),
            loads=len(remembered.loads),
            jobs=len(remembered.jobs),
        )
        try:
            in_time = self.loop.run(
                StationStarted(at=clock.now(), sightings=tuple(sightings)),
                config.station.stop_within_seconds,
            )
        finally:
            self._bus_thread.stop(within_s=2.0)
        logs.get().info("station_stopped", in_time=in_time)
        return 0

    def _encode(self, publish: Publish) -> bytes:
        return codec.encode(publish, station=self._config.station.name)

    def _tidy_up(self, drives: Drives, stores: dict[str, Store], journal: Journal) -> None:
        """Undo what a process that was killed left behind."""
        for sentence in drives.clean_up():
            logs.get().warning("left_behind", what=sentence)
        for name, store in stores.items():
            try:
                swept = store.sweep(journal.live_uploads())
            except PortError as error:
                logs.get().error("store_not_swept", store=name, text=str(error))
                continue
            if swept:
                logs.get().warning("dead_uploads_swept", store=name, count=swept)

    def _first_look(self, watch: DriveWatch) -> tuple[Sighting, ...] | None:
        """What is plugged in; None when a stop was asked for before that could be told.

        Nothing begins before it is known: a look that fails says nothing, and from a drive that is not
        seen it would be concluded that it was unplugged.
        """
        while (sightings := watch.first()) is None:
            again_at = self._clock.monotonic() + self._config.drives.poll_every_seconds
            while self._clock.monotonic() < again_at:
                if self._signals.take_stop():
                    logs.get().info("stop_asked_for")
                    return None
                time.sleep(_SIGNALS_S)
        return sightings

    def _broken(self, error: JournalError) -> None:
        self.loop.broken(error)

    def _look(self) -> Picture:
        station = self.loop.station
        rate = self._config.uplink.rate_bytes_per_second
        if station.uplink is not None:
            rate = station.uplink.rate_bytes_per_second
        return picture(station, self._clock.now(), rate)

    def _trouble(self) -> Sequence[str]:
        """What is wrong with the station itself."""
        found = []
        if self._bus_thread is not None and self._bus_thread.trouble:
            found.append(f"no notices or events go in or out: {self._bus_thread.trouble}")
        if self._bus_thread is not None and self._bus_thread.stuck:
            found.append(f"a notice cannot be set aside, and is tried again: {self._bus_thread.stuck}")
        if self._watch is not None and self._watch.trouble:
            found.append(f"the bays cannot be looked at: {self._watch.trouble}")
        return [*found, *self._vigil.trouble]

    # -- what the loop asks now and then --

    def _tick(self) -> Event | None:
        """A stop or a changed setting that the loop should know of; makes sure that nobody has died."""
        assert self._watch is not None, "the loop runs after everything has been built"
        assert self._bus_thread is not None, "the loop runs after everything has been built"
        assert self._status is not None, "the loop runs after everything has been built"
        if not self._signals.stop:
            self._look_after_threads(self._watch, self._bus_thread, self._status)
        if self._pending:
            return self._pending.pop(0)
        if self._signals.take_stop():
            logs.get().info("stop_asked_for")
            self._watch.stop(within_s=0.0)
            return StopRequested(at=self._clock.now())
        if self._signals.take_reload():
            self._reload()
        return None

    def _look_after_threads(self, watch: DriveWatch, bus: BusThread, status: StatusWriter) -> None:
        """A dead thread ends the daemon, which would be deaf without it; one that hangs is told of."""
        for name, thread in (("drive-watch", watch), ("bus", bus), ("status", status)):
            if not thread.alive:
                self._broken(JournalError(f"the thread {name} of the daemon has died; see the log above"))
        drives_s = max(HUNG_S, 3 * self._config.drives.poll_every_seconds)
        bus_s = max(HUNG_S, 3 * self._config.bus.poll_every_seconds)
        self._vigil.look(
            {
                "drive-watch": Pulse(watch.beat, drives_s, "drives that come and go are not noticed"),
                "bus": Pulse(bus.moved_at, bus_s, "no notices or events go in or out"),
                "status": Pulse(status.beat, HUNG_S, "what the station shows is not renewed"),
            }
        )

    def _reload(self) -> None:
        """Take over what can change while running, and say what cannot."""
        try:
            new = configuration.read(self._path)
        except configuration.ConfigError as error:
            logs.get().error("reload_refused", problems=list(error.problems))
            return
        fixed = fixed_differences(self._config, new)
        if fixed:
            logs.get().warning("reload_needs_restart", keys=fixed)
        new = keep_fixed(self._config, new)
        problems = list(configuration.contradictions(new))
        if problems:
            logs.get().error("reload_refused", problems=problems)
            return
        self._pending.append(LimitsChanged(at=self._clock.now(), limits=new.limits()))
        if new.uplink != self._config.uplink:
            self._pending.append(
                UplinkSet(
                    at=self._clock.now(),
                    rate_bytes_per_second=new.uplink.rate_bytes_per_second,
                    burst_bytes=new.uplink.burst_bytes,
                )
            )
        logs.set_up(new.logs.level, new.logs.format)
        changed = changed_keys(self._config, new)
        self._config = new
        logs.get().info("reloaded", changed=changed)


def _lossy(inbox: Inbox) -> Callable[[Event], None]:
    """For progress: figures that nobody has come to read yet are superseded by the next anyway."""

    def tell(event: Event) -> None:
        if inbox.qsize() < PROGRESS_WAITING_MAX:
            inbox.put(event)

    return tell


_LIVE = {
    "station": {
        "loads_max",
        "stop_within_seconds",
        "unclaimed_after_seconds",
        "progress_every_seconds",
        "report_every_seconds",
    },
    "transfer": {"passes_max"},
    "uplink": {"rate_bytes_per_second", "burst_bytes"},
    "logs": {"level", "format"},
}
"""Keys that take effect on SIGHUP; `requirements` does as a whole."""


def changed_keys(old: Config, new: Config) -> list[str]:
    """The keys that differ, as `section.key`."""
    changed = []
    for name in Config.model_fields:
        a, b = getattr(old, name), getattr(new, name)
        if a == b:
            continue
        if hasattr(a, "model_fields_set"):
            fields = type(a).model_fields
            changed += [f"{name}.{key}" for key in fields if getattr(a, key) != getattr(b, key)]
        else:
            changed.append(name)
    return changed


def fixed_differences(old: Config, new: Config) -> list[str]:
    """The changed keys that take a restart."""
    return [key for key in changed_keys(old, new) if not _is_live(key)]


def _is_live(key: str) -> bool:
    section, _, name = key.partition(".")
    return section == "requirements" or name in _LIVE.get(section, set())


def keep_fixed(old: Config, new: Config) -> Config:
    """The new configuration with the keys that take a restart as they were."""
    sections = {}
    for name in Config.model_fields:
        a, b = getattr(old, name), getattr(new, name)
        if name == "requirements":
            sections[name] = b
        elif hasattr(a, "model_fields_set"):
            live = _LIVE.get(name, set())
            sections[name] = a.model_copy(update={key: getattr(b, key) for key in live})
        else:
            sections[name] = a
    return Config.model_construct(**sections)
