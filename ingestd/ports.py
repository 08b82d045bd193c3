"""What the shell needs from outside, and the only errors that its adapters may raise.

Foreign errors stop at the adapter: it translates them into one of the classes below, whose `kind`
says, through the table in `core/retry.py`, whether trying again can help and whose fault it is.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from ingestd.core.drive import DriveFacts, DriveHandle, HealthFacts, Sighting, VolumeFacts
from ingestd.core.found import Ledger
from ingestd.core.model import Failure, FailureKind

# -- errors ---------------------------------------------------------------------------------------


class PortError(Exception):
    """Something outside did not work. `kind` says what, the message says it in words."""

    kind = FailureKind.UNKNOWN

    is_try = True
    """False where nothing was tried, since the other side is being left alone for a while."""
    not_before_s = 0.0
    """Seconds after which asking again makes sense: the other side said so, or is left alone till then."""
    reserve: Callable[[], float] | None = None
    """Asks the budget for tries against that side for one more: the seconds to wait for it."""
    placed: frozenset[bytes] = frozenset()
    """Keys of a batch that the same call had given to objects before this happened."""
    existed: frozenset[bytes] = frozenset()
    """Keys of a batch under which it had found the same content before this happened."""

    def failure(self) -> Failure:
        return Failure(kind=self.kind, text=str(self) or type(self).__name__)


class DriveUnreadable(PortError):
    """The drive cannot be opened or read at all."""

    kind = FailureKind.DRIVE_UNREADABLE


class DriveGoneError(PortError):
    """The drive is no longer there."""

    kind = FailureKind.DRIVE_GONE


class DriveSwapped(PortError):
    """Another drive stands where this one was."""

    kind = FailureKind.DRIVE_SWAPPED


class ReadStalled(PortError):
    """A read has not come back within its limit."""

    kind = FailureKind.READ_STALLED


class StoreUnreachable(PortError):
    """The store does not answer: try again."""

    kind = FailureKind.STORE_UNREACHABLE


class StoreBusy(PortError):
    """The store asks to be left alone for a while."""

    kind = FailureKind.STORE_BUSY


class StoreDigest(PortError):
    """What the store says it received is not what was sent."""

    kind = FailureKind.STORE_DIGEST


class StoreRefused(PortError):
    """Credentials or permission are missing: a person has to mend it."""

    kind = FailureKind.STORE_REFUSED


class StoreMissing(PortError):
    """There is no such bucket or folder."""

    kind = FailureKind.STORE_MISSING


class StoreFull(PortError):
    """No space or quota left."""

    kind = FailureKind.STORE_FULL


class StoreConflict(PortError):
    """Something else lies under this key already; it is never overwritten."""

    kind = FailureKind.STORE_CONFLICT

    def __init__(self, text: str, placed: Collection[bytes] = ()) -> None:
        super().__init__(text)
        self.placed = frozenset(placed)


class ObjectMissing(PortError):
    """There is no such object in the store, although it was put there: somebody has taken it away."""

    kind = FailureKind.STORE_CONFLICT


class ToolFailed(PortError):
    """A program of the host is missing or did not do its work."""

    kind = FailureKind.TOOL_FAILED


class ResourcesExhausted(PortError):
    """The station itself is out of descriptors, memory or space."""

    kind = FailureKind.RESOURCES


class StationFull(PortError):
    """There is more on the drive than the station has room to remember; trying again changes nothing."""

    kind = FailureKind.STATION_FULL


class JournalError(Exception):
    """The journal cannot be read or written. The daemon stops: nothing may be decided unrecorded."""


class Cancelled(Exception):
    """The work was asked to stop, and did."""


class CancelToken(Protocol):
    """Asked often by everything that takes long."""

    def check(self) -> None:
        """Raise `Cancelled` once the work should stop."""

    @property
    def cancelled(self) -> bool: ...

    def wait(self, seconds: float) -> bool:
        """Sleep unless cancelled; whether it was."""

    def beat(self) -> None:
        """Tell the stall detector that work has moved on."""


# -- drives ---------------------------------------------------------------------------------------


class Volume(Protocol):
    """A volume of an open drive; reads go beneath `root_fd` and nowhere else."""

    @property
    def facts(self) -> VolumeFacts: ...

    @property
    def root_fd(self) -> int:
        """Descriptor of the root folder. Raises ValueError for a volume that has a problem."""


class OpenDrive(Protocol):
    @property
    def facts(self) -> DriveFacts: ...

    @property
    def volumes(self) -> Sequence[Volume]:
        """In a fixed order for this drive, those with a problem included."""

    def still_there(self) -> bool:
        """Whether the drive that was opened is still the one plugged in."""

    def drop_caches(self) -> None:
        """Make the next reads come from the medium."""

    def close(self) -> None:
        """Let go of everything. Safe to call twice."""


class Drives(Protocol):
    """Detection and access for one kind of drive source."""

    def enumerate(self) -> Sequence[Sighting]:
        """Everything plugged into a bay now. Never blocks on a drive."""

    def open(self, handle: DriveHandle, cancel: CancelToken) -> OpenDrive:
        """Seal, probe and mount. Raises DriveGoneError, DriveSwapped, DriveUnreadable, ToolFailed."""

    def power_down(self, handle: DriveHandle) -> bool:
        """Make the drive safe to pull, where that is possible; whether it was."""

    def health(self, handle: DriveHandle) -> HealthFacts:
        """What the drive says of its own condition now. Raises nothing, and takes half a minute at most."""

    def clean_up(self) -> Sequence[str]:
        """Undo what a dead process left behind (mounts, loop devices); say what it was."""

    def problems(self) -> Sequence[Problem]:
        """What in the surroundings stands in the way."""


ReadInto = Callable[[int, list[memoryview], int], int]
"""Reads from a drive's file as `os.preadv` does."""


# -- stores ---------------------------------------------------------------------------------------


Pace = Callable[[int], None]
"""Called with a number of bytes before they are sent; returns when the uplink budget allows them."""


@dataclass(frozen=True, slots=True)
class StoredObject:
    key: bytes
    size_bytes: int
    sha256: bytes | None = None
    """Only where the store vouches for it by itself."""
    existed: bool = False
    """Only from `Upload.complete`: somebody else had put the same content there before."""


@dataclass(frozen=True, slots=True)
class SmallObject:
    """A whole object in memory. The view is valid until the call that got it returns."""

    key: bytes
    body: memoryview
    sha256: bytes


class Upload(Protocol):
    """An object that arrives in parts. `token` finds it again after a crash."""

    @property
    def token(self) -> str: ...

    def put_part(self, number: int, offset: int, body: memoryview, pace: Pace) -> None:
        """Store one part, durably by the time this returns. Parts are numbered from 1 and of the size
        that `Store.part_bytes` gave, but for the last; they may come in any order, from any thread, and
        again."""

    def stream_part(
        self,
        number: int,
        offset: int,
        size_bytes: int,
        block_bytes: int,
        blocks: Iterator[memoryview],
        pace: Pace,
    ) -> None:
        """As `put_part`, for a part that is not in memory as a whole. The blocks are of `block_bytes`
        each, but for the last, and valid until the next one is asked for; what asking raises comes out."""

    def may_hold(self, number: int, size_bytes: int) -> bool:
        """Whether `holds` is worth asking, which takes an MD5."""

    def holds(self, number: int, size_bytes: int, md5: bytes) -> bool:
        """Whether the store vouches for having this very part, from before this upload was resumed."""

    def complete(self, size_bytes: int, sha256: bytes) -> StoredObject:
        """Make the object appear whole under its key. Raises StoreConflict when something different
        is there; the same content there counts as done, and is told as `existed`, except where it
        came from this very upload."""

    def abort(self) -> None:
        """Forget all parts. Safe to call twice."""


class Store(Protocol):
    """A destination. Keys are byte paths relative to its root; nothing is ever overwritten."""

    @property
    def name(self) -> str: ...

    @property
    def trouble(self) -> str | None:
        """Why work with this store waits just now; None when nothing is known to be wrong."""

    def part_bytes(self, size_bytes: int, preferred_bytes: int) -> int:
        """The size of the parts of an object of this size, as near to the preferred one as the store
        allows. Raises StoreRefused for an object that it cannot hold at all."""

    def carries(self, key: bytes) -> bool:
        """Whether the store can hold an object of this name at all; True where only trying would tell."""

    def begin(self, key: bytes, size_bytes: int) -> Upload: ...

    def resume(self, key: bytes, size_bytes: int, token: str) -> Upload | None:
        """The upload begun before, or None when the store no longer has it."""

    def adopt(self, key: bytes, size_bytes: int, part_bytes: int) -> Upload | None:
        """An upload of this object in parts of this size that somebody has begun and left, to go on with;
        None where there is none, or a store cannot tell. Its token is a new one."""

    def put_batch(self, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
        """Store several whole objects, all durable when this returns. An object that is there already
        with the same content counts as done; a different one raises StoreConflict. Returns the keys
        of those that were there already, by this call's own knowledge. An error that comes out names
        in `placed` and `existed` what is done by then: the rest is to be sent again."""

    def replace(self, key: bytes, body: bytes) -> None:
        """Store or overwrite one of our own small records (manifest, receipt), durably."""

    def stat(self, key: bytes) -> StoredObject | None: ...

    def stat_many(self, keys: Sequence[bytes]) -> Mapping[bytes, StoredObject | None]:
        """What `stat` says of these, asked for together where that is quicker. Raises what it does; where
        something is told before that, this is what comes out, and the rest is to be asked for again."""

    def read(self, key: bytes, block_bytes: int) -> Iterator[memoryview]:
        """The object's content from the medium, in blocks that are valid until the next one."""

    def remove(self, key: bytes) -> None:
        """Remove the object and folders that are empty without it. Absent is fine."""

    def abandon(self, token: str) -> None:
        """Abort an upload known only by its token. Absent is fine."""

    def sweep(self, live_tokens: Iterable[str]) -> int:
        """Abort dead uploads of this station, all but the live ones; how many."""

    def problems(self) -> Sequence[Problem]: ...


# -- the manifest, as the journal keeps it --------------------------------------------------------


class FileEntry(NamedTuple):
    """A regular file as the survey found it. One of hundreds of thousands: a tuple is made faster."""

    volume: str
    path: bytes
    size_bytes: int
    mtime_ns: int
    inode: int
    skip: str | None = None
    """Why it is not to be loaded; None when it is."""
    place: int = 0
    """Where it lies on the medium: files are read in the order of these numbers, and of the survey where
    they are the same. At most 63 bits."""


class Said(NamedTuple):
    """What somebody says of a file's content."""

    algorithm: str
    """By the names of `core/digests.py`."""
    digest: bytes
    by: str
    """'notice', or the printable path of a checksum list or of a bag's manifest."""


class Expectation(NamedTuple):
    """The same, of the file that lies there."""

    volume: str
    path: bytes
    said: Said


class Unmet(NamedTuple):
    """What the files of a survey are not like, of what was expected."""

    missing: Sequence[bytes]
    """Paths that no file has."""
    repeated: Sequence[bytes]
    """Paths of files that this manifest of a bag had listed before."""


@dataclass(frozen=True, slots=True)
class PendingFile:
    """A file that has yet to be stored, with what is left of an upload that was begun before."""

    file_no: int
    volume: str
    path: bytes
    size_bytes: int
    mtime_ns: int
    inode: int
    expected: tuple[Said, ...] = ()
    """All that is said of its content, the notice first. It is loaded only if all of it is true."""
    upload_token: str | None = None
    part_bytes: int | None = None
    left_sha256: bytes | None = None
    """Of what this load has put into the store for this file, or was about to: see `LeftFile`."""
    left_key: bytes | None = None


@dataclass(frozen=True, slots=True)
class LeftFile:
    """A file that is not stored, but for which this load may have an object in the store: it was being
    put there when its record broke off, or the file was stored and has changed since. The object is
    this load's only if it has this content."""

    file_no: int
    sha256: bytes
    key: bytes
    pending: bool
    """Whether the file is to be stored yet; else it is skipped, or not on the drive any more."""


@dataclass(frozen=True, slots=True)
class StoredFile:
    file_no: int
    volume: str
    path: bytes
    size_bytes: int
    sha256: bytes
    key: bytes
    found: bool = False
    """The same content was there before this load came: it is not this load's to remove."""


@dataclass(frozen=True, slots=True)
class PartRecord:
    """A part that the store holds. `prefix_sha256` is the digest of the file up to the part's end: it
    costs nothing on the way and lets a later pass check every part while it reads the file again."""

    file_no: int
    number: int
    prefix_sha256: bytes


@dataclass(frozen=True, slots=True)
class SurveyDifferences:
    """What a renewed survey found different from the one before."""

    gone: tuple[bytes, ...]
    changed: tuple[bytes, ...]
    count: int


LEFT_OUT = "not-supported"
"""Why a file is skipped that a pass has left out."""


class Manifest(Protocol):
    """The files of one load. Batches in, batches out; never a million rows in memory.

    Work that was given up may come back from a read that hung, beside its successor. So whatever
    writes raises Cancelled once a later attempt has claimed the manifest, or, for a survey's calls,
    once another survey was begun.
    """

    def claim(self, attempt: int) -> None:
        """From now on this object writes for this attempt, and those of earlier ones do not write any
        more. Raises Cancelled if a later attempt has claimed it. One that claims nothing may write."""

    def require_claim(self) -> None:
        """Raise Cancelled unless this object may still write."""

    def begin_survey(self, before_step: Callable[[], None] = ...) -> None:
        """Everything is to be seen anew; failed files are pending again. `before_step` is asked, from
        whichever thread, before each step of this survey that adds to what is recorded; what it raises
        breaks the survey off."""

    def add(self, entries: Sequence[FileEntry]) -> None:
        """Files as the running survey finds them, each path once, unless `end_survey` is told."""

    def end_survey(self, *, repeated: bool = False) -> SurveyDifferences:
        """`repeated`: a path may have been added more than once, and only the first one is to stay.

        Files known from an earlier survey keep their state if size and time are the same; stored
        ones are pending again if something is said of them that they were not held against. What was
        said in earlier surveys, and not again, is forgotten."""

    def expect(self, expected: Sequence[Expectation], listed_by: int = 0) -> Unmet:
        """Attach what is said of files; the first to say it counts as who did. Of two that say the same,
        or of more than two that differ by one algorithm, the later are passed over.

        `listed_by`: the bit of the manifest of a bag that these are entries of; else 0.
        """

    def unlisted(
        self, volume: str, folder: bytes, listed_by: int, limit: int, *, by_any: bool = False
    ) -> tuple[int, Sequence[bytes]]:
        """How many of the running survey's files below a folder are not listed by all of these manifests
        of a bag, or with `by_any` by none; and the paths of the first of them, in their order."""

    def sum_below(self, volume: str, folder: bytes) -> tuple[int, int]:
        """How many files the running survey has found below a folder, and their bytes."""

    def pending(self, after: int, limit: int) -> Sequence[PendingFile]:
        """The next pending files in reading order, those behind the file with the number `after`; -1
        is before all."""

    def file(self, file_no: int) -> PendingFile: ...

    def parts(self, file_no: int) -> dict[int, bytes]:
        """Part number to prefix digest, of the parts recorded as stored."""

    def record_attempt(self, files: Sequence[tuple[int, bytes, bytes]]) -> None:
        """(file number, sha256, key) of files that may from now on be found in the store as ours."""

    def left(self, after: int, limit: int) -> Sequence[LeftFile]:
        """The next files of which something may be left, those with a number above `after`."""

    def forget_left(self, file_nos: Sequence[int]) -> None:
        """Of these files, none of which is stored, nothing of ours is left in the store."""

    def record_upload(self, file_no: int, token: str, part_bytes: int) -> None: ...

    def record_parts(self, parts: Sequence[PartRecord]) -> None: ...

    def record_stored(self, files: Sequence[tuple[int, bytes, bytes]], found: Collection[int] = ()) -> None:
        """(file number, sha256, key) of files that are in the store, durably; `found`: the numbers of
        those that were there before this load came."""

    def record_failed(self, file_no: int, reason: str) -> None: ...

    def record_left_out(self, file_no: int) -> None:
        """This pass does without the file, which counts as skipped, with nothing of it in the store."""

    def record_pending(self, file_nos: Sequence[int]) -> None:
        """Forget that these were stored, failed or begun, and what may be left of them in the store."""

    def retry_failed(self) -> None:
        """Files that failed, or that a pass has left out, are pending again: each pass tells of its own."""

    def stored(self, after: int, limit: int) -> Sequence[StoredFile]: ...

    def uploads(self) -> Sequence[tuple[int, str]]:
        """(file number, token) of uploads that are not complete."""

    def ledger(self) -> Ledger:
        """Summed from the rows."""


# -- the journal ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OutboxEntry:
    sequence: int
    event_id: str
    subject: str
    type: str
    body: bytes
    """The event as it goes on the wire."""


# -- the bus --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Position:
    """Where a message stands in a log that keeps its messages: offsets of one stream only rise."""

    stream: str
    offset: int


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message taken from the bus. `origin` identifies it for good: a repeat has the same one."""

    origin: str
    name: str
    body: bytes
    position: Position | None = None
    """None where the bus is no log, and forgets what was acknowledged."""
    flaws: tuple[str, ...] = ()
    """What is wrong with it before its body is looked at; it is to be set aside."""


@dataclass(frozen=True, slots=True)
class Published:
    """What became of events, by sequence number; those that are in neither were not tried."""

    taken: Collection[int]
    """The bus has them, durably."""
    refused: Mapping[int, str] = field(default_factory=dict)
    """The bus works and does not take them, with the reason."""


class Bus(Protocol):
    """Owned by one thread, which polls, acknowledges and publishes in turn."""

    def follow(self, positions: Mapping[str, int]) -> None:
        """Called once, before the first poll: of each stream the offset up to which everything has been
        acted on. The bus goes on behind it, and at a stream's beginning where it is not named."""

    def poll(self, timeout_s: float) -> Sequence[Delivery]:
        """What has arrived, at most `timeout_s` later. Raises BusDown."""

    def acknowledge(self, delivery: Delivery, problems: Sequence[str]) -> None:
        """The delivery is recorded; with problems it is set aside for people to see."""

    def publish(self, entries: Sequence[OutboxEntry]) -> Published:
        """Those of one subject in order, and none behind one that was not taken. Raises BusDown."""

    def tidy(self, now: float) -> int:
        """Remove what has been kept long enough, a bounded number at a time; how many."""

    def close(self) -> None: ...

    def problems(self) -> Sequence[Problem]: ...


class BusDown(PortError):
    """The bus cannot be reached; everything is kept and tried again."""

    kind = FailureKind.STORE_UNREACHABLE


# -- surroundings ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that `ingestd check` reports, with its remedy."""

    where: str
    text: str
    remedy: str
    fatal: bool = True
