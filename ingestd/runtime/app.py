"""The composition root: builds the parts from the configuration, starts and stops them in order."""

from __future__ import annotations

import os
import queue
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from functools import partial

from ingestd import __version__
from ingestd.bus import codec
from ingestd.bus.amqp.bus import AmqpBus
from ingestd.bus.spool import SpoolBus
from ingestd.core import station as core
from ingestd.core.awaited import AwaitedPicture
from ingestd.core.drive import Sighting
from ingestd.core.messages import Event, LimitsChanged, StationStarted, StopRequested
from ingestd.core.model import LoadId
from ingestd.core.outgoing import Publish
from ingestd.core.snapshot import Picture, picture
from ingestd.core.station_state import Station
from ingestd.drives.folder import FolderDrives
from ingestd.drives.jws import PublicKeys
from ingestd.drives.loop import LoopDrives
from ingestd.drives.ticket_keys import KeyRing
from ingestd.drives.tools import surroundings
from ingestd.drives.udev import UdevDrives
from ingestd.drives.uevents import Uevents, listen
from ingestd.drives.watch import DriveWatch, Nap, Pause
from ingestd.journal.journal import Journal
from ingestd.ports import Bus, Drives, JournalError, PortError, ReadInto, Store
from ingestd.runtime import config as configuration
from ingestd.runtime import show
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.chores import Chores
from ingestd.runtime.clock import Clock
from ingestd.runtime.config import Config
from ingestd.runtime.config_stores import FolderStoreSection, S3StoreSection
from ingestd.runtime.custody_files import CustodyFiles, record_of
from ingestd.runtime.effects import Effects
from ingestd.runtime.handlers import Handlers, plain_kind
from ingestd.runtime.host import Signals
from ingestd.runtime.loop import Inbox, Loop
from ingestd.runtime.notify import Manager
from ingestd.runtime.privilege import make_privileged
from ingestd.runtime.reload import changed_keys, fixed_differences, keep_fixed
from ingestd.runtime.room import Room
from ingestd.runtime.rounds import Rounds
from ingestd.runtime.status import StatusWriter, custody_folder, make_folders, running
from ingestd.runtime.store_looks import StoreLooks
from ingestd.runtime.vigil import HUNG_S, STOP_SPARE_S, Backstop, Pulse, Vigil
from ingestd.runtime.watched import Watched
from ingestd.store.folder import FolderStore
from ingestd.telemetry import logs
from ingestd.telemetry.counts import Counts
from ingestd.telemetry.exposition import Exposition
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.governor import Governor
from ingestd.transfer.senders import SenderPool
from ingestd.transfer.settings import TransferSettings
from ingestd.transfer.transfers import Transfers


def make_drives(config: Config, keys: PublicKeys | None = None) -> Drives:
    """`keys`: those that job tickets are verified with, where they are not simply the configuration's."""
    keys = config.ring() if keys is None else keys
    if config.drives.watch == "udev":
        bays = [section.bay() for section in config.bays]
        return UdevDrives(bays, make_privileged(config), powers_down=config.drives.power_down, keys=keys)
    assert config.drives.bays_folder is not None, "the configuration was looked through for that"
    if config.drives.watch == "loop":
        return LoopDrives(config.drives.bays_folder, make_privileged(config), keys)
    return FolderDrives(config.drives.bays_folder, keys)


def make_pause(drives: Drives) -> Pause:
    """What tells the watch of drives that come and go, where anything does."""
    if isinstance(drives, UdevDrives):
        return Uevents(partial(listen, drives.context))
    return Nap()


def make_stores(config: Config, counts: Counts | None = None) -> dict[str, Store]:
    return {store.name: _make_store(store, config.station.name, counts) for store in config.stores}


def _make_store(section: FolderStoreSection | S3StoreSection, station: str, counts: Counts | None) -> Store:
    if isinstance(section, FolderStoreSection):
        return FolderStore(section.name, section.folder, station)
    # Only here: its libraries take 0.3 s and 15 MiB, which a station with folders need not pay.
    from ingestd.runtime.s3 import make_s3_store

    store = make_s3_store(section, station)
    if counts is not None:
        store.tell(counts.store(section.name, time.time))
    return store


def make_spool(config: Config) -> SpoolBus:
    """The bus, or, with a broker, the way in which the commands speak to the daemon."""
    return SpoolBus(config.bus.spool_folder, keep_days=config.station.keep_records_days)


def make_broker(config: Config) -> AmqpBus | None:
    if config.bus.kind == "amqp":
        return AmqpBus(config.amqp.settings(config.station.name))
    return None


def journal_folder(config: Config) -> str:
    return os.path.join(config.station.state_folder, "journal")


def scratch_folder(config: Config) -> str:
    return os.path.join(config.station.state_folder, "scratch")


PROGRESS_WAITING_MAX = 4096

_JOBS_FEW = 2_000
_AWAITED_LASTS_S = 60.0
"""How often the pending jobs are looked over, once there are more than a few."""
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
        self._keys = KeyRing(config.ring())
        self._drives: Drives | None = None
        self._watch: DriveWatch | None = None
        self._custody: CustodyFiles | None = None
        self._bus_thread: BusThread | None = None
        self._status: StatusWriter | None = None
        self._vigil = Vigil(self._clock)
        self._pending: list[Event] = []
        self._began_at = self._clock.now()
        self._seen: AwaitedPicture | None = None
        self._stores: dict[str, Store] = {}
        self._counts = Counts()
        for bay in config.bays:
            self._counts.begin_bay(bay.name)
        self._picture: Picture | None = None
        self._pool = BufferPool(config.transfer.buffers, config.transfer.buffer_bytes)
        self._governor = Governor()
        self._exposition: Exposition | None = None
        self._manager = Manager()
        self._rounds: dict[str, Rounds] = {}

    def run(self) -> int:
        folder = self._config.station.state_folder
        make_folders(folder)
        with ExitStack() as stack:
            stack.enter_context(running(folder))
            below = journal_folder(self._config), scratch_folder(self._config), custody_folder(folder)
            make_folders(folder, *below)
            return self._run(stack)

    def _run(self, stack: ExitStack) -> int:
        """Build the parts, from the journal outwards, and work; `stack` ends them in reverse."""
        backstop = Backstop(self._signals, self._stop_within_s, self._clock)
        backstop.start()
        stack.callback(backstop.stop)
        journal = Journal.open(journal_folder(self._config), encode=self._encode)
        stack.callback(journal.close)
        drives, stores = make_drives(self._config, self._keys), make_stores(self._config, self._counts)
        self._stores = stores
        self._tidy_up(drives, stores, journal)
        inbox: Inbox = queue.SimpleQueue()
        self._build_loop(stack, backstop, journal, drives, stores, inbox)
        self._build_helpers(stack, journal, drives, inbox)
        assert self._watch is not None, "the helpers have been built"
        sightings = self._first_look(self._watch)
        if sightings is None:
            logs.get().info("station_stopped", in_time=True)
            return 0
        self._start_helpers(stack, journal)
        return self._work(sightings)

    def _stop_within_s(self) -> float:
        return self._config.station.stop_within_seconds

    def _build_loop(
        self,
        stack: ExitStack,
        backstop: Backstop,
        journal: Journal,
        drives: Drives,
        stores: dict[str, Store],
        inbox: Inbox,
    ) -> None:
        """The core's loop and the effects it performs, beginning from what the journal remembers."""
        config, clock = self._config, self._clock
        handlers = Handlers(
            station=config.station.name,
            drives=drives,
            stores=stores,
            journal=journal,
            custody=partial(record_of, journal, custody_folder(config.station.state_folder)),
            transfers=self._byte_path(stack),
            report=_lossy(inbox),
            clock=clock,
            room=Room(journal_folder(config), lambda: self._config.drives.files_max),
        )
        effects = Effects(handlers.table(), inbox.put, self._broken, clock, config.drives.read_stall_seconds)
        remembered = journal.restore()
        self.loop = Loop(
            core.restored(
                config.limits(),
                remembered.jobs.values(),
                remembered.loads,
                remembered.uplink,
                remembered.unsaid,
                remembered.seen,
            ),
            inbox=inbox,
            journal=journal,
            effects=effects,
            governor=self._governor,
            clock=clock,
            tick=self._tick,
            counts=self._counts,
        )
        stack.callback(lambda: handlers.open.close_all(max(_CLOSE_S, backstop.left_s() - _CLOSE_S)))

    def _byte_path(self, stack: ExitStack) -> Transfers:
        transfer = self._config.transfer
        settings = TransferSettings(
            buffer_bytes=transfer.buffer_bytes,
            buffers=transfer.buffers,
            senders=transfer.senders,
            damage_s=self._config.drives.damage_seconds,
        )
        senders = SenderPool(transfer.senders)
        stack.callback(senders.close)
        shared = (lambda: self._governor.cap, lambda: self._pool.free, lambda: senders.running)
        self._rounds["transfer"] = Rounds("transfer", shared)
        scratch = scratch_folder(self._config)
        return Transfers(
            settings, self._pool, senders, self._governor, scratch, plain_kind, counted=self._counted
        )

    def _counted(self, load_id: LoadId, read: ReadInto) -> ReadInto:
        """Reading for one load, counted for the bay that its drive is in."""

        def bay() -> str:
            load = self.loop.station.loads.get(load_id)
            return (load.bay or load.last_bay or "") if load is not None else ""

        return self._counts.counted(bay, read)

    def _build_helpers(self, stack: ExitStack, journal: Journal, drives: Drives, inbox: Inbox) -> None:
        """The threads beside the loop. The status is written from now on, whatever else has to wait."""
        config, clock = self._config, self._clock
        self._watch = DriveWatch(drives, inbox.put, config.drives.look_every_s, clock.now, make_pause(drives))
        self._drives = drives
        spool, broker = make_spool(config), make_broker(config)
        spool.prepare()
        bus: Bus = broker or spool
        bus.follow(journal.positions())
        self._bus_thread = BusThread(
            bus,
            local=spool if broker else None,
            log=config.amqp.claims_stream if broker else None,
            station=config.station.name,
            inbox=inbox,
            journal=journal,
            broken=self._broken,
            clock=clock,
            poll_s=config.bus.poll_every_seconds,
            counts=self._counts,
            moved=broker.moved if broker else None,
        )
        self._rounds["journal"] = Rounds("journal", (lambda: journal.knows(""),))
        self._status = StatusWriter(config.station.state_folder, self._look, self._trouble)
        self._status.start()
        stack.callback(self._status.stop)
        self._custody = CustodyFiles(
            custody_folder(config.station.state_folder),
            journal,
            self._broken,
            keep_days=lambda: self._config.station.keep_records_days,
            key=config.custody.key(),
        )
        self._custody.start()
        stack.callback(self._custody.stop)
        self._exposition = self._exposed(stack, journal, self._watch, self._bus_thread)

    def _exposed(
        self, stack: ExitStack, journal: Journal, watch: DriveWatch, bus: BusThread
    ) -> Exposition | None:
        listening = self._config.metrics.listening()
        if listening is None:
            return None
        watched = Watched(
            self._config,
            loop=self.loop,
            journal=journal,
            bus=bus,
            watch=watch,
            stores=self._stores,
            vigil=self._vigil,
            pool=self._pool,
            governor=self._governor,
            picture=lambda: self._picture,
            clock=self._clock,
        )
        return stack.enter_context(watched.exposed(listening, self._counts))

    def _start_helpers(self, stack: ExitStack, journal: Journal) -> None:
        assert self._watch is not None, "the helpers have been built"
        assert self._bus_thread is not None, "the helpers have been built"
        chores = Chores(
            journal,
            keep_days=lambda: self._config.station.keep_records_days,
            keep_loads=lambda: self.loop.station.loads,
            pruned=self._custody_pruned,
            broken=self._broken,
            clock=self._clock,
        )
        chores.start()
        stack.callback(chores.stop)
        self._watch.start()
        stack.callback(self._watch.stop)
        self._bus_thread.start()
        for rounds in self._rounds.values():
            rounds.start()
            stack.callback(rounds.stop)
        for looks in self._looks(journal):
            looks.start()
            stack.callback(looks.stop)

    def _work(self, sightings: tuple[Sighting, ...]) -> int:
        assert self._bus_thread is not None, "the helpers have been started"
        logs.get().info(
            "station_started",
            version=__version__,
            station=self._config.station.name,
            config=self._path,
            bays_taken=len(sightings),
            loads=len(self.loop.station.loads),
            jobs=len(self.loop.station.jobs),
        )
        self._manager.ready()
        try:
            here = surroundings(__version__)
            first = StationStarted(at=self._clock.now(), sightings=sightings, surroundings=here)
            in_time = self.loop.run(first, self._stop_within_s)
        finally:
            self._bus_thread.stop(within_s=2.0)
        logs.get().info("station_stopped", in_time=in_time)
        return 0

    def _custody_pruned(self) -> None:
        if self._custody is not None:
            self._custody.look_over()

    def _encode(self, publish: Publish) -> bytes:
        return codec.encode(publish, station=self._config.station.name)

    def _tidy_up(self, drives: Drives, stores: dict[str, Store], journal: Journal) -> None:
        """Undo what a process that was killed left behind."""
        for sentence in drives.clean_up():
            logs.get().warning("left_behind", what=sentence)
        for name, store in stores.items():
            try:
                self._sweep(store, journal)
            except PortError as error:
                logs.get().error("store_not_swept", store=name, text=str(error))

    def _sweep(self, store: Store, journal: Journal) -> None:
        if swept := store.sweep(journal.live_uploads()):
            logs.get().warning("dead_uploads_swept", store=store.name, count=swept)

    def _looks(self, journal: Journal) -> Iterator[StoreLooks]:
        """A bucket is swept while loads run, too: only what is old goes there. In a folder all goes."""
        for section in self._config.stores:
            store = self._stores[section.name]
            aged = isinstance(section, S3StoreSection)
            yield StoreLooks(store, sweep=partial(self._sweep, store, journal) if aged else None)

    def _first_look(self, watch: DriveWatch) -> tuple[Sighting, ...] | None:
        """What is plugged in; None when a stop was asked for before that could be told.

        Nothing begins before it is known: a look that fails says nothing, and from a drive that is not
        seen it would be concluded that it was unplugged.
        """
        while (sightings := watch.first()) is None:
            self._manager.starting(f"waits until the bays can be looked at: {watch.trouble}")
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
        station, now = self.loop.station, self._clock.now()
        seen = picture(station, now, self._awaited(station, now))
        self._seen = seen.awaited
        self._picture = seen
        return seen

    def _awaited(self, station: Station, now: float) -> AwaitedPicture | None:
        """What was seen of the pending jobs before, where that is good enough; None to look again.

        A look over very many takes a while, in which the loop has to share the interpreter.
        """
        seen = self._seen
        if seen is None or station.jobs_pending < _JOBS_FEW or abs(now - seen.at) > _AWAITED_LASTS_S:
            return None
        return seen

    def _trouble(self) -> Sequence[str]:
        """What is wrong with the station itself."""
        found: list[str] = []
        if self._bus_thread is not None:
            found += self._bus_thread.trouble
        if self._watch is not None and self._watch.trouble:
            found.append(f"the bays cannot be looked at: {self._watch.trouble}")
        if isinstance(self._drives, UdevDrives):
            found += self._drives.passed_over
        if self._exposition is not None and self._exposition.trouble:
            found.append(self._exposition.trouble)
        if self._custody is not None and self._custody.trouble:
            found.append(self._custody.trouble)
        found += self._unheard()
        troubles = {name: store.trouble for name, store in self._stores.items()}
        found += [f"store {name} does not work just now: {why}" for name, why in troubles.items() if why]
        return [*found, *self._vigil.trouble]

    def _unheard(self) -> Sequence[str]:
        """Where stations share jobs, nothing begins or ends before it is heard in their log."""
        station = self.loop.station
        limits = station.limits
        since_s = self._clock.now() - max(station.seen.get(limits.station, 0.0), self._began_at)
        if not limits.shared or since_s <= max(limits.lease_s, 3 * limits.report_every_s):
            return ()
        return (
            f"nothing this station has said has been heard in the stream {self._config.amqp.claims_stream} "
            f"for {since_s:.0f} s: loads wait for their claims; look at the broker and at what the stream is "
            "bound to (ingestd check)",
        )

    # -- what the loop asks now and then --

    def _tick(self) -> Event | None:
        """A stop or a changed setting that the loop should know of; makes sure that nobody has died."""
        assert self._watch is not None, "the loop runs after everything has been built"
        assert self._bus_thread is not None, "the loop runs after everything has been built"
        assert self._status is not None, "the loop runs after everything has been built"
        assert self._custody is not None, "the loop runs after everything has been built"
        if not self._signals.stop:
            self._look_after_threads(self._watch, self._bus_thread, self._status, self._custody)
        self._manager.turn(lambda limit_s: self._signals.stop or self._vigil.moves(limit_s), self._in_a_line)
        if self._pending:
            return self._pending.pop(0)
        if self._signals.take_stop():
            logs.get().info("stop_asked_for")
            self._manager.stopping(self._stop_within_s() + STOP_SPARE_S + 2.0)
            self._watch.stop(within_s=0.0)
            return StopRequested(at=self._clock.now())
        if self._signals.take_reload():
            self._manager.reloading()
            self._reload()
            self._manager.ready()
        return None

    def _look_after_threads(
        self, watch: DriveWatch, bus: BusThread, status: StatusWriter, custody: CustodyFiles
    ) -> None:
        """A dead thread ends the daemon, which would be deaf without it; one that hangs is told of."""
        threads = (("drive-watch", watch), ("bus", bus), ("status", status), ("custody", custody))
        for name, thread in threads:
            if not thread.alive:
                self._broken(JournalError(f"the thread {name} of the daemon has died; see the log above"))
        drives_s = max(HUNG_S, 3 * self._config.drives.look_every_s)
        bus_s = max(HUNG_S, 3 * self._config.bus.poll_every_seconds)
        self._vigil.look(
            {
                "drive-watch": Pulse(watch.beat, drives_s, "drives that come and go are not noticed"),
                "bus": Pulse(bus.moved_at, bus_s, "no notices or events go in or out"),
                "status": Pulse(status.beat, HUNG_S, "what the station shows is not renewed"),
                "custody": Pulse(custody.beat, HUNG_S, "the files of records of custody are not renewed"),
                "rounds-journal": Pulse(self._rounds["journal"].beat, HUNG_S, "nothing can be recorded"),
                "rounds-transfer": Pulse(self._rounds["transfer"].beat, HUNG_S, "no load can go on"),
            }
        )

    def _in_a_line(self) -> str:
        return "" if self._picture is None else show.line(self._picture, self._trouble())

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
        logs.set_up(new.logs.level, new.logs.format)
        self._keys.renew(new.ring())
        changed = changed_keys(self._config, new)
        self._config = new
        logs.get().info("reloaded", changed=changed)


def _lossy(inbox: Inbox) -> Callable[[Event], None]:
    """For progress: figures that nobody has come to read yet are superseded by the next anyway."""

    def tell(event: Event) -> None:
        if inbox.qsize() < PROGRESS_WAITING_MAX:
            inbox.put(event)

    return tell
