"""What each effect command does: the one place where drives, content, transfer and stores meet."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence

from ingestd.content import sniff
from ingestd.content.survey import Carries, Room, survey
from ingestd.core.custody import Entry
from ingestd.core.drive import DriveHandle
from ingestd.core.found import Ledger, Secrecy
from ingestd.core.layout import RECORDS, has_several_volumes, key_of, path_below_prefix
from ingestd.core.messages import (
    Close,
    Closed,
    Event,
    Identified,
    Identify,
    Progressed,
    ProofFailed,
    Prove,
    Proved,
    Recheck,
    Rechecked,
    Survey,
    Surveyed,
    TakeBack,
    TakenBack,
    Transfer,
    Transferred,
)
from ingestd.core.model import LoadId
from ingestd.journal.journal import Journal
from ingestd.ports import Cancelled, Drives, Manifest, OpenDrive, PortError, Store, StoreMissing, ToolFailed
from ingestd.runtime.clock import Clock
from ingestd.runtime.effects import Handler, Token
from ingestd.runtime.uncounted import uncounted
from ingestd.telemetry import logs
from ingestd.transfer.proof import ProofMismatch
from ingestd.transfer.transfers import Transfers


class OpenDrives:
    """The drives that loads have open, one per load; each is used by one effect at a time.

    No lock is held while a drive is opened or closed: either may take for ever.
    """

    def __init__(self, drives: Drives) -> None:
        self._drives = drives
        self._lock = threading.Lock()
        self._open: dict[LoadId, tuple[DriveHandle | None, OpenDrive]] = {}
        """Without a handle: to be opened anew when it is asked for next."""
        self._opening: dict[LoadId, Token] = {}
        """Whose opening counts; one that comes back and is not named here came too late."""
        self._closing: set[LoadId] = set()
        self._over = False

    @contextlib.contextmanager
    def using(
        self, load_id: LoadId, handle: DriveHandle, token: Token, *, fresh: bool
    ) -> Iterator[OpenDrive]:
        """The drive, as `get` gives it. After a ToolFailed the next to ask for it has it opened anew: what
        failed may be what holds it, such as a helper that was restarted."""
        drive = self.get(load_id, handle, token, fresh=fresh)
        try:
            yield drive
        except ToolFailed:
            self._outdate(load_id, drive)
            raise

    def _outdate(self, load_id: LoadId, drive: OpenDrive) -> None:
        with self._lock:
            known = self._open.get(load_id)
            if known is not None and known[1] is drive:
                self._open[load_id] = (None, drive)

    def get(self, load_id: LoadId, handle: DriveHandle, token: Token, *, fresh: bool) -> OpenDrive:
        """The drive, opened if need be; `fresh`: opened anew. Checks that it is still the same one.

        Raises Cancelled, and leaves nothing open, when the work was given up in the meantime.
        """
        with self._lock:
            known = self._open.get(load_id)
        if known is not None and not fresh and known[0] == handle and known[1].still_there():
            return known[1]
        with token.lets_go():
            self.close(load_id)
        with self._lock:
            self._opening[load_id] = token
        try:
            drive = self._drives.open(handle, token)
        except BaseException:
            self._take_turn(load_id, token)
            raise
        with self._lock:
            wanted = self._take_turn_locked(load_id, token) and not token.cancelled and not self._over
            if wanted:
                self._open[load_id] = (handle, drive)
        if not wanted:
            drive.close()
            raise Cancelled
        return drive

    def _take_turn(self, load_id: LoadId, token: Token) -> None:
        with self._lock:
            self._take_turn_locked(load_id, token)

    def _take_turn_locked(self, load_id: LoadId, token: Token) -> bool:
        """Whether this opening is still the one that counts; afterwards none is."""
        if self._opening.get(load_id) is not token:
            return False
        del self._opening[load_id]
        return True

    def close(self, load_id: LoadId) -> None:
        """Let go of the load's drive. Raises ToolFailed while an earlier attempt at it has not come back."""
        with self._lock:
            if load_id in self._closing:
                raise ToolFailed(
                    "the drive has not been let go of yet: something of the station still has it in use; "
                    "should that go on, restart the daemon before the drive is unplugged"
                )
            self._opening.pop(load_id, None)
            known = self._open.pop(load_id, None)
            if known is None:
                return
            self._closing.add(load_id)
        try:
            known[1].close()
        finally:
            with self._lock:
                self._closing.discard(load_id)

    def close_all(self, within_s: float) -> bool:
        """Let go of every drive, and of those still being opened once they are; whether all were in time.

        One that hangs does not keep the others from being let go of.
        """
        with self._lock:
            self._over = True
            loads = list(self._open)
        threads = [threading.Thread(target=self._close_last, args=(load,), daemon=True) for load in loads]
        for thread in threads:
            thread.start()
        until = time.monotonic() + within_s
        for thread in threads:
            thread.join(max(0.0, until - time.monotonic()))
        return not any(thread.is_alive() for thread in threads)

    def _close_last(self, load_id: LoadId) -> None:
        try:
            self.close(load_id)
        except (PortError, OSError) as error:
            logs.get().warning("drive_not_let_go", load=load_id, text=str(error))


_SHORT_BYTES = 128
"""Every store takes paths of this length, whatever has to be encoded and stands before them."""


class Handlers:
    """One method per effect command; each gives its completion or raises PortError or Cancelled."""

    def __init__(
        self,
        *,
        station: str,
        drives: Drives,
        stores: Mapping[str, Store],
        journal: Journal,
        custody: Callable[[LoadId], Sequence[Entry]],
        transfers: Transfers,
        report: Callable[[Event], None],
        clock: Clock,
        room: Room,
    ) -> None:
        self._station = station
        self._room = room
        self._drives = drives
        self.open = OpenDrives(drives)
        self._stores = stores
        self._journal = journal
        self._custody = custody
        self._transfers = transfers
        self._report = report
        self._clock = clock

    def table(self) -> Mapping[type, Handler]:
        return {
            Identify: self.identify,
            Survey: self.survey,
            Transfer: self.transfer,
            Recheck: self.recheck,
            Prove: self.prove,
            TakeBack: self.take_back,
            Close: self.close,
        }

    def identify(self, command: Identify, token: Token) -> Event:
        drive = self._drives.open(command.sighting.handle, token)
        try:
            facts = drive.facts
        finally:
            with token.lets_go():
                drive.close()
        return Identified(at=self._clock.now(), bay=command.bay, attempt=command.attempt, facts=facts)

    def survey(self, command: Survey, token: Token) -> Event:
        manifest = self._manifest(command, token)
        with self.open.using(command.load_id, command.handle, token, fresh=command.fresh) as drive:
            if command.fresh:
                drive.drop_caches()
            facts = survey(
                drive,
                command.job,
                manifest,
                reserved=RECORDS,
                cancel=token,
                sniff=command.sniff,
                carries=self._carries(command, drive),
                room=self._room,
            )
        return Surveyed(at=self._clock.now(), load_id=command.load_id, attempt=command.attempt, facts=facts)

    def _carries(self, command: Survey, drive: OpenDrive) -> Carries:
        """Whether the store takes the name that a file would get: better known now than in mid-load."""
        destination, several = command.job.destination, has_several_volumes(drive.facts)
        store = self._stores.get(destination.store)

        def carries(volume: str, path: bytes) -> bool:
            if store is None or len(path) <= _SHORT_BYTES:
                return True
            below = path_below_prefix(command.folder, volume, path, several_volumes=several)
            return store.carries(key_of(destination, below))

        return carries

    def transfer(self, command: Transfer, token: Token) -> Event:
        manifest = self._manifest(command, token)

        def report(ledger: Ledger, rate_bytes_per_second: float) -> None:
            self._report(
                Progressed(
                    at=self._clock.now(),
                    load_id=command.load_id,
                    attempt=command.attempt,
                    ledger=ledger,
                    rate_bytes_per_second=rate_bytes_per_second,
                )
            )

        with self.open.using(command.load_id, command.handle, token, fresh=False) as drive:
            ledger, faults = self._transfers.transfer(
                command,
                drive,
                self._store(command.job.destination.store),
                manifest,
                report,
                token,
            )
        return Transferred(
            at=self._clock.now(),
            load_id=command.load_id,
            attempt=command.attempt,
            ledger=ledger,
            faults=tuple(faults),
            health=self._drives.health(command.handle),
        )

    def recheck(self, command: Recheck, token: Token) -> Event:
        manifest = self._manifest(command, token)
        with self.open.using(command.load_id, command.handle, token, fresh=True) as drive:
            ledger, confirmed = self._transfers.recheck(command, drive, manifest, token)
        return Rechecked(
            at=self._clock.now(),
            load_id=command.load_id,
            attempt=command.attempt,
            ledger=ledger,
            confirmed=tuple(confirmed),
        )

    def prove(self, command: Prove, token: Token) -> Event:
        result = self._transfers.prove(
            command,
            self._station,
            self._store(command.job.destination.store),
            self._manifest(command, token),
            token,
            self._clock.now,
            self._custody(command.load_id),
        )
        if isinstance(result, ProofMismatch):
            return ProofFailed(
                at=self._clock.now(),
                load_id=command.load_id,
                attempt=command.attempt,
                ledger=result.ledger,
                paths=tuple(result.paths),
            )
        return Proved(at=self._clock.now(), load_id=command.load_id, attempt=command.attempt, receipt=result)

    def take_back(self, command: TakeBack, token: Token) -> Event:
        files, size_bytes = self._transfers.take_back(
            command,
            self._store(command.destination.store),
            self._manifest(command, token),
            token,
        )
        return TakenBack(
            at=self._clock.now(),
            load_id=command.load_id,
            attempt=command.attempt,
            files=files,
            size_bytes=size_bytes,
        )

    def close(self, command: Close, _token: Token) -> Event:
        self.open.close(command.load_id)
        powered_down = False
        if command.power_down and command.handle is not None:
            try:
                powered_down = self._drives.power_down(command.handle)
            except PortError as error:
                # The drive may have been pulled already; that is where it was going.
                logs.get().warning("power_down_failed", load=command.load_id, text=str(error))
        return Closed(
            at=self._clock.now(),
            load_id=command.load_id,
            attempt=command.attempt,
            powered_down=powered_down,
        )

    def _manifest(self, command: Survey | Transfer | Recheck | Prove | TakeBack, token: Token) -> Manifest:
        """The load's manifest, for this attempt to write. Asked for before the drive, which may hang:
        from then on earlier attempts that were given up change nothing any more."""
        manifest = uncounted(self._journal.manifest(command.load_id), token)
        token.check()
        manifest.claim(command.attempt)
        return manifest

    def _store(self, name: str) -> Store:
        store = self._stores.get(name)
        if store is None:
            raise StoreMissing(f"no store named {name} is configured any more; configure it again")
        return store


def plain_kind(head: bytes) -> str | None:
    """The name of a plainly unencrypted format, by the first bytes of a file; None when they do not tell."""
    verdict = sniff.look_head(head)
    if verdict is not None and verdict[0] is Secrecy.PLAIN:
        return verdict[1]
    return None
