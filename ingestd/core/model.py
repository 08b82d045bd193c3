"""The vocabulary as frozen values. Units are in the names; times are seconds since 1970, UTC."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, NewType

from ingestd.core.uplink import UplinkSettings

JobId = NewType("JobId", str)
LoadId = NewType("LoadId", str)
BayName = NewType("BayName", str)
Attempt = NewType("Attempt", int)
"""Numbers the commands of one load (or one bay): a completion that carries an older one is stale."""


class FailureClass(StrEnum):
    """Whose fault it is. Only the first three can ever fail a job."""

    DRIVE = "drive"
    DATA = "data"
    REQUIREMENT = "requirement"
    STATION = "station"
    DEPENDENCY = "dependency"

    @property
    def may_fail_a_job(self) -> bool:
        return self in (FailureClass.DRIVE, FailureClass.DATA, FailureClass.REQUIREMENT)


class Severity(StrEnum):
    BLOCKING = "blocking"
    DOUBTFUL = "doubtful"
    """Neither provably right nor provably wrong: a person decides."""
    NOTED = "noted"


class Policy(StrEnum):
    """What a site or a job makes of a requirement that is not met."""

    BLOCKING = "blocking"
    DOUBTFUL = "doubtful"
    NOTED = "noted"
    OFF = "off"


class UnsignedTickets(StrEnum):
    """What a site makes of a job ticket that nobody has signed, which anybody may have written."""

    HINT = "hint"
    """It decides where nothing better does and nothing that was announced says otherwise."""
    HOLD = "hold"
    """Where it would decide, a person does."""
    IGNORE = "ignore"


class ProofLevel(StrEnum):
    LISTED = "listed"
    SAMPLED = "sampled"
    FULL = "full"


class Disposition(StrEnum):
    RETURN = "return"
    DISPOSE = "dispose"


class Outcome(StrEnum):
    LOADED = "loaded"
    FAILED = "failed"
    WITHDRAWN = "withdrawn"
    UNCLAIMED = "unclaimed"


class Phase(StrEnum):
    WAITING = "waiting"
    SURVEYING = "surveying"
    LOADING = "loading"
    PROVING = "proving"
    RELEASING = "releasing"
    RELEASED = "released"
    HELD = "held"
    AWAY = "away"


# -- drives ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveIdentity:
    """What is known of one physical drive. Empty strings are never used for an unknown fact."""

    serial: str | None = None
    wwn: str | None = None
    model: str | None = None
    size_bytes: int | None = None

    def agrees_with(self, other: DriveIdentity) -> bool:
        """Whether both describe the same unit.

        No known fact may contradict, and serial and WWN must agree, or else serial, model and size.
        """
        if self.contradicts(other):
            return False
        same_serial, same_wwn, same_model, same_size = (
            a is not None and a == b for a, b in self._pairs(other)
        )
        return same_serial and (same_wwn or (same_model and same_size))

    def contradicts(self, other: DriveIdentity) -> bool:
        """Whether some fact that both know is not the same."""
        return any(a is not None and b is not None and a != b for a, b in self._pairs(other))

    def _pairs(self, other: DriveIdentity) -> tuple[tuple[object, object], ...]:
        return (
            (self.serial, other.serial),
            (self.wwn, other.wwn),
            (self.model, other.model),
            (self.size_bytes, other.size_bytes),
        )

    @property
    def label(self) -> str:
        """What a person on the floor would call it."""
        return self.serial or self.wwn or "no serial"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveHandle:
    """Where a drive can be opened now, and a number that changes when another one takes its place."""

    locator: str
    generation: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """How fast the line between station and drive runs, and how fast it could, in megabits per second.

    Signalling rates, as the kernel gives them; what arrives of files is less.
    """

    mbit_per_second: int
    capable_mbit_per_second: int | None = None
    """What the drive, or the bay, is known to be capable of; None where that cannot be told."""

    @property
    def degraded(self) -> bool:
        return (
            self.capable_mbit_per_second is not None and self.mbit_per_second < self.capable_mbit_per_second
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A drive that a watch sees in a bay, before anything on it has been read."""

    bay: BayName
    handle: DriveHandle
    identity: DriveIdentity
    interface: str
    link: Link | None = None
    rotational: bool | None = None


class Health(StrEnum):
    """What a drive says of its own condition."""

    OK = "ok"
    SUSPECT = "suspect"
    """It shows signs that precede failures; it is read first, and gently."""
    UNKNOWN = "unknown"
    """It gave no answer. That is no sign of anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthCounter:
    """One of the numbers by which a drive counts what went wrong in its life."""

    name: str
    """Such as `reallocated sectors`."""
    attribute: str
    """What the drive's own table calls it: `5`, `media errors`."""
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthFacts:
    """One reading of a drive's own account of its condition."""

    verdict: Health = Health.UNKNOWN
    reasons: tuple[str, ...] = ()
    """In words: what makes it suspect, or why it is unknown."""
    notes: tuple[str, ...] = ()
    """In words: what is out of the ordinary and says nothing about the medium, such as heat."""
    counters: tuple[HealthCounter, ...] = ()
    temperature_celsius: int | None = None


class VolumeFlaw(StrEnum):
    """What kind of problem keeps a volume from being read."""

    UNREADABLE = "unreadable"
    """Damaged, or nothing that is known."""
    IN_DOUBT = "in-doubt"
    """It cannot be mounted, and nothing says whether it or the station is at fault."""
    UNCLEAN = "unclean"
    """Not cleanly unmounted, which its owner can mend without loss."""
    LOCKED = "locked"
    """An encrypted container around all of it."""
    MEMBER = "member"
    """A part of something that takes other drives, or other programs, to put together."""
    NOT_ACCEPTED = "not-accepted"
    """A file system that this site does not take."""
    SPARE = "spare"
    """Meant for no files: swap space, a reserved partition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeFacts:
    """One volume as probed. `problem` says, in the driver's words, why it cannot be read."""

    name: str
    file_system: str | None = None
    label: str | None = None
    uuid: str | None = None
    size_bytes: int | None = None
    problem: str | None = None
    flaw: VolumeFlaw | None = None
    """Of what kind the problem is; None counts as unreadable."""
    replayed: bool = False
    """It was not cleanly unmounted, and its log was replayed onto an overlay; the drive is as it was."""
    marked_unclean: bool = False
    """It bears the mark of a volume that was not cleanly unmounted, and has no log to replay."""
    driver: str | None = None
    """What reads it: a driver of the kernel, or a program; None while nothing does, and for a folder."""

    @property
    def unclean(self) -> bool:
        return self.flaw is VolumeFlaw.UNCLEAN


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """A job ticket found in a volume's root: a hint about whose drive this is or, with a signature that
    was verified, the word of whoever holds that key."""

    volume: str
    job_id: JobId
    key_id: str | None = None
    """Of the key that it is signed with; None for a hint, which has none of what follows either."""
    tenant: str | None = None
    serial: str | None = None
    """Of the one drive that it was written for."""
    volume_uuid: str | None = None
    """Of the one volume that it was written for."""
    valid_from: float | None = None
    valid_until: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoiltTicket:
    """A job ticket that says it is signed and proves nothing; never taken for a hint."""

    volume: str
    why: str
    """Follows the words `the job ticket on VOLUME`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveFacts:
    """What identifying a drive brought to light."""

    identity: DriveIdentity
    interface: str
    volumes: tuple[VolumeFacts, ...] = ()
    tickets: tuple[Ticket, ...] = ()
    spoilt_tickets: tuple[SpoiltTicket, ...] = ()
    link: Link | None = None
    rotational: bool | None = None
    health: HealthFacts = HealthFacts()
    write_blocks: tuple[str, ...] = ()
    """What stood between the drive and a write while it was open, from the drive outwards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyHead:
    """How far the record of custody of a load goes, and the hash of its last entry, which stands for all."""

    entries: int
    sha256: str


# -- jobs -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedDrive:
    """A drive as the notice announces it; at least one of serial, WWN, label and UUID is given."""

    serial: str | None = None
    wwn: str | None = None
    volume_label: str | None = None
    volume_uuid: str | None = None
    size_bytes: int | None = None
    interface: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One announced archive: a file in the root of a volume, or a folder there with all it holds."""

    name: str
    kind: Literal["file", "folder"] = "file"
    size_bytes: int | None = None
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    store: str
    prefix: str
    """Relative, '/' between its parts, none of them empty, '.' or '..'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PolicyChange:
    """One requirement that this job wants treated differently from the site's rule."""

    requirement: str
    policy: Policy


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One customer's load as the order system expects it."""

    job_id: JobId
    version: int
    tenant: str
    drives: tuple[ExpectedDrive, ...]
    items: tuple[Item, ...]
    """Empty: everything on the drive is to be loaded."""
    destination: Destination
    requirements: tuple[PolicyChange, ...] = ()
    priority: int = 5
    """1 to 9; also the weight of its share of the uplink."""
    due_at: float | None = None
    proof: ProofLevel = ProofLevel.LISTED
    disposition: Disposition = Disposition.DISPOSE
    carrier_reference: str | None = None
    keep_on_failure: bool = False
    """Leave in the store what was stored of a load that failed."""


class JobStatus(StrEnum):
    PENDING = "pending"
    LOADED = "loaded"
    FAILED = "failed"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveClaim:
    """Which load has, or had, one of the drives of a job."""

    drive_index: int
    load_id: LoadId
    station: str | None = None
    """Whose load it is; None where the station shares its jobs with nobody."""
    lapsed: bool = False
    """The drive was pulled before its end: whoever claims it next has it."""
    bay: BayName | None = None
    surveyed: bool = False
    outcome: Outcome | None = None
    receipt: Receipt | None = None
    findings: tuple[Finding, ...] = ()
    items: tuple[str, ...] = ()
    """Announced items that were found on this drive."""
    over: bool = False
    """The load has let go: nothing of it will change in the store any more."""
    custody: CustodyHead | None = None
    """How far the load's record of custody went when its drive was last pulled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsettled:
    """A load, of whichever station, that has begun and has not let go: of it something may lie in the
    store, or come to lie there, and may have to be taken back."""

    load_id: LoadId
    station: str | None
    version: int
    """Of the job, as it was when the load was claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """A job and how far it is. `job` is None for one that was withdrawn before it was announced."""

    job_id: JobId
    job: Job | None
    status: JobStatus = JobStatus.PENDING
    claims: tuple[DriveClaim, ...] = ()
    kept: tuple[LoadId, ...] = ()
    """Loads that came to nothing and whose data was left in the store, as the job demanded."""
    failed_version: int = 0
    """The version of the job that failed last; 0 when none has."""
    asked: int | None = None
    """The number under which its withdrawal has yet to be answered."""
    noted: tuple[int, ...] = ()
    """The numbers of all its withdrawals that have taken their place in the log."""
    unsettled: tuple[Unsettled, ...] = ()
    abandoned: tuple[LoadId, ...] = ()
    """Loads whose station has lost its journal: what they stored is known to nobody."""

    def is_open_for(self, version: int) -> bool:
        """Whether this version of the job may still be loaded: a later one than that which failed may."""
        if self.status is JobStatus.FAILED:
            return version > self.failed_version
        return self.status is JobStatus.PENDING

    def in_the_way(self) -> Unsettled | None:
        """A load of a version that failed and has not let go: what is found in the store may be its, and
        about to go."""
        return next((left for left in self.unsettled if left.version <= self.failed_version), None)

    def claim_of(self, drive_index: int) -> DriveClaim | None:
        return next((c for c in self.claims if c.drive_index == drive_index), None)


# -- what a load found ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """Where every discovered byte and file of a load is. It balances at every moment."""

    discovered_bytes: int = 0
    stored_bytes: int = 0
    skipped_bytes: int = 0
    failed_bytes: int = 0
    pending_bytes: int = 0
    discovered_files: int = 0
    stored_files: int = 0
    skipped_files: int = 0
    failed_files: int = 0
    pending_files: int = 0
    arrived_bytes: int = 0
    """Of the pending bytes, those that the store already holds as parts of unfinished files."""

    @property
    def balanced(self) -> bool:
        return (
            self.discovered_bytes
            == self.stored_bytes + self.skipped_bytes + self.failed_bytes + self.pending_bytes
            and self.discovered_files
            == self.stored_files + self.skipped_files + self.failed_files + self.pending_files
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """How many of a kind there are, with a few examples in printable form."""

    count: int = 0
    size_bytes: int = 0
    examples: tuple[str, ...] = ()

    EXAMPLES_MAX = 20


class Presence(StrEnum):
    FOUND = "found"
    MISSING = "missing"
    ELSEWHERE = "elsewhere"
    """Not in a root, but something of its name lies in a folder, or under a name that differs in case."""
    NOT_THAT_KIND = "not-that-kind"
    """Something else of that name is there: a folder, a link, a special file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemFact:
    """What the survey saw of one announced item."""

    item: Item
    presence: Presence
    volume: str | None = None
    size_bytes: int | None = None
    near: tuple[str, ...] = ()
    """Printable paths of near misses, volume name first."""


class Secrecy(StrEnum):
    """What a look into a file says about its encryption."""

    PROVEN = "proven"
    """The structure of an encrypted format, with a payload that statistics cannot tell from random."""
    PLAIN = "plain"
    """A known format that is not encrypted."""
    RANDOM_LIKE = "random-like"
    """No known structure; indistinguishable from random. Never called encrypted."""
    UNKNOWN = "unknown"
    """Cannot tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecrecyFact:
    path: str
    """Printable, volume name first."""
    secrecy: Secrecy
    kind: str
    """Name of the recognised format, or why it cannot be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumListFact:
    """A checksum list found on the drive, and what it says that the drive does not bear out."""

    path: str
    entries: int
    missing: tuple[str, ...] = ()
    unreadable_lines: tuple[int, ...] = ()
    algorithms: tuple[str, ...] = ()
    """Those of its entries, by the names of `digests.py`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagFact:
    """A BagIt bag, and all that is wrong with it but for the content of its files."""

    path: str
    """The volume's name where the root is the bag, else the folder's printable path."""
    algorithms: tuple[str, ...] = ()
    """Those of the manifests of its payload, by the names of `digests.py`."""
    problems: Samples = Samples()
    """What is not as RFC 8493 has it: which file, which line, why."""
    missing: Samples = Samples()
    """Listed, and not there."""
    unlisted: Samples = Samples()
    """Files of the payload that are not in the manifests that they have to be in."""
    differing: Samples = Samples()
    """Listed under a name that differs in case or Unicode normalisation from that of the file."""
    unchecked: Samples = Samples()
    """What could not be checked here, and why."""
    loose: Samples = Samples()
    """What is not as RFC 8493 has it, and has one meaning all the same."""
    to_be_fetched: bool = False
    """Whether a part of it lies elsewhere."""
    oxum: tuple[int, int] | None = None
    """Bytes and files of its payload as it gives them, where they are others than those found."""
    found: tuple[int, int] = (0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyFacts:
    """One observation of everything but the files' content."""

    volumes: tuple[VolumeFacts, ...]
    ledger: Ledger
    interface: str = ""
    link: Link | None = None
    health: HealthFacts = HealthFacts()
    items: tuple[ItemFact, ...] = ()
    unexpected: Samples = Samples()
    links: Samples = Samples()
    specials: Samples = Samples()
    subvolumes: Samples = Samples()
    """Folders of a volume that are file systems of their own."""
    unlistable: Samples = Samples()
    """Folders that could not be read."""
    out_of_bounds: Samples = Samples()
    """Paths that are too long or too deep to be carried."""
    reserved: Samples = Samples()
    """Paths that lie where receipts are kept."""
    empty: Samples = Samples()
    """Files to be loaded that have no content."""
    missing_parts: Samples = Samples()
    """Parts that lack between others of an archive, by the numbers in their names."""
    changed: Samples = Samples()
    """Files of an earlier survey of this load that are gone or differ in size or time."""
    secrecy: tuple[SecrecyFact, ...] = ()
    checksum_lists: tuple[ChecksumListFact, ...] = ()
    bags: tuple[BagFact, ...] = ()
    bags_passed_over: Samples = Samples()
    """Bags beyond the number that is looked into."""
    beyond_notice: Samples = Samples()
    """Files in the payload of a bag in a root that belong to no announced item."""


class FaultKind(StrEnum):
    UNREADABLE = "unreadable"
    CHECKSUM_MISMATCH = "checksum-mismatch"
    CHANGED_WHILE_READ = "changed-while-read"
    NOT_ENCRYPTED = "not-encrypted"


@dataclass(frozen=True, slots=True, kw_only=True)
class ByteRange:
    """Bytes of a file that could not be had."""

    offset_bytes: int
    length_bytes: int
    error: str = ""
    """What the system calls the error that reading them gave, such as EIO; empty where they were not
    read, since looking at the damage had taken all the time that it is granted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFault:
    """One thing that reading a file brought to light."""

    kind: FaultKind
    file_no: int
    path: str
    """Printable, volume name first."""
    size_bytes: int
    expected: str | None = None
    found: str | None = None
    source: str | None = None
    """Who said what was expected: the notice, or a checksum list on the drive."""
    algorithm: str | None = None
    """What the digests were made with, by the names of `digests.py`; None for SHA-256."""
    ranges: tuple[ByteRange, ...] = ()


class FindingCode(StrEnum):
    DRIVE_UNREADABLE = "drive-unreadable"
    NO_READABLE_VOLUME = "no-readable-volume"
    VOLUME_UNREADABLE = "volume-unreadable"
    VOLUME_IN_DOUBT = "volume-in-doubt"
    VOLUME_NOT_UNMOUNTED = "volume-not-unmounted"
    VOLUME_LOCKED = "volume-locked"
    VOLUME_ARRAY_MEMBER = "volume-array-member"
    VOLUME_NOT_ACCEPTED = "volume-not-accepted"
    VOLUME_SPARE = "volume-spare"
    VOLUME_REPLAYED = "volume-replayed"
    VOLUME_MARKED_UNCLEAN = "volume-marked-unclean"
    FOLDER_UNREADABLE = "folder-unreadable"
    FILE_UNREADABLE = "file-unreadable"
    FILE_CHANGED = "file-changed"
    DRIVE_CHANGED = "drive-changed"
    ITEM_MISSING = "item-missing"
    ITEM_NOT_IN_ROOT = "item-not-in-root"
    ITEM_WRONG_KIND = "item-wrong-kind"
    ITEM_WRONG_SIZE = "item-wrong-size"
    ITEM_EMPTY = "item-empty"
    FILE_EMPTY = "file-empty"
    PART_MISSING = "part-missing"
    MORE_THAN_DRIVE = "more-than-drive"
    CHECKSUM_MISMATCH = "checksum-mismatch"
    LISTED_FILE_MISSING = "listed-file-missing"
    CHECKSUM_LIST_BROKEN = "checksum-list-broken"
    CHECKSUMS_WEAK = "checksums-weak"
    BAG_BROKEN = "bag-broken"
    BAG_INCOMPLETE = "bag-incomplete"
    BAG_FILE_UNLISTED = "bag-file-unlisted"
    BAG_TO_BE_FETCHED = "bag-to-be-fetched"
    BAG_OXUM_WRONG = "bag-oxum-wrong"
    BAG_NAMES_DIFFER = "bag-names-differ"
    BAG_NOT_CHECKED = "bag-not-checked"
    BAG_NOT_STRICT = "bag-not-strict"
    BAG_BEYOND_NOTICE = "bag-beyond-notice"
    NOT_ENCRYPTED = "not-encrypted"
    ENCRYPTION_STATISTICAL = "encryption-statistical"
    ENCRYPTION_UNCERTAIN = "encryption-uncertain"
    NOTHING_TO_LOAD = "nothing-to-load"
    UNEXPECTED_ITEM = "unexpected-item"
    SYMBOLIC_LINK = "symbolic-link"
    SPECIAL_FILE = "special-file"
    SUBVOLUME = "subvolume"
    PATH_OUT_OF_BOUNDS = "path-out-of-bounds"
    RESERVED_NAME = "reserved-name"
    SIZE_NOT_AS_ANNOUNCED = "size-not-as-announced"
    INTERFACE_NOT_ACCEPTED = "interface-not-accepted"
    INTERFACE_NOT_AS_ANNOUNCED = "interface-not-as-announced"
    LINK_DEGRADED = "link-degraded"
    HEALTH_SUSPECT = "health-suspect"
    HEALTH_WORSENED = "health-worsened"
    HEALTH_NOTE = "health-note"
    SEEN_ONCE = "seen-once"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    name: str
    value: str | int | tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fact that breaks or bends a requirement, in words that support could paste into a letter."""

    code: FindingCode
    severity: Severity
    cause: FailureClass
    subject: str
    """What it is about; two observations agree when code and subject do."""
    sentence: str
    evidence: tuple[Evidence, ...] = ()
    remedy_customer: str = ""
    remedy_floor: str = ""

    @property
    def key(self) -> tuple[str, str]:
        return (self.code, self.subject)


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """The proof of a load. The manifest it names is the list that `sha256sum -c` accepts."""

    load_id: LoadId
    job_id: JobId
    tenant: str
    station: str
    serial: str | None
    wwn: str | None
    model: str | None
    store: str
    prefix: str
    manifest: str
    """Path of the manifest below the store's root."""
    manifest_sha256: str
    files: int
    stored_bytes: int
    skipped_files: int
    skipped_bytes: int
    proof: ProofLevel
    files_read_back: int
    bytes_read_back: int
    proved_at: float
    replayed: tuple[str, ...] = ()
    """Volumes that were not cleanly unmounted, and were read with their logs replayed onto an overlay."""
    custody: CustodyHead | None = None
    """How far the record of custody beside the manifest goes; it ends where the proof began."""


# -- what goes wrong beside findings --------------------------------------------------------------


class FailureKind(StrEnum):
    """Every way in which an effect can fail. `retry.py` has the one table that says what follows."""

    DRIVE_UNREADABLE = "drive-unreadable"
    DRIVE_GONE = "drive-gone"
    DRIVE_SWAPPED = "drive-swapped"
    READ_STALLED = "read-stalled"
    STORE_UNREACHABLE = "store-unreachable"
    STORE_BUSY = "store-busy"
    STORE_DIGEST = "store-digest"
    STORE_REFUSED = "store-refused"
    STORE_MISSING = "store-missing"
    STORE_FULL = "store-full"
    STORE_CONFLICT = "store-conflict"
    TOOL_FAILED = "tool-failed"
    RESOURCES = "resources"
    STATION_FULL = "station-full"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    kind: FailureKind
    text: str


class HoldReason(StrEnum):
    """Why a load waits for a person (or for what resolves it by itself)."""

    NO_MATCHING_JOB = "no-matching-job"
    SEVERAL_JOBS = "several-jobs"
    ALREADY_DONE = "already-done"
    TICKET_IN_DOUBT = "ticket-in-doubt"
    NOT_IDENTIFIED = "not-identified"
    DUPLICATE_IDENTITY = "duplicate-identity"
    OBSERVATIONS_DISAGREE = "observations-disagree"
    DOUBTFUL = "doubtful"
    RETRIES_EXHAUSTED = "retries-exhausted"
    STORE_REFUSED = "store-refused"
    STORE_MISSING = "store-missing"
    STORE_FULL = "store-full"
    STORE_CONFLICT = "store-conflict"
    STATION_FAULT = "station-fault"
    CLAIMED_ELSEWHERE = "claimed-elsewhere"


class Decision(StrEnum):
    """What a person says about a hold."""

    AGAIN = "again"
    ACCEPT = "accept"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The station's own settings that decisions depend on."""

    station: str
    loads_max: int = 8
    unclaimed_after_s: float = 86_400.0
    progress_every_s: float = 30.0
    report_every_s: float = 60.0
    passes_max: int = 3
    policies: tuple[PolicyChange, ...] = ()
    interfaces_refused: tuple[str, ...] = ()
    """Interfaces by which a drive is not accepted, by the names in `drive_rules.INTERFACES`."""
    stores: tuple[str, ...] = ()
    stores_shared: tuple[str, ...] = ()
    """Stores in which a job's prefix need not begin with its tenant's name."""
    shared: bool = False
    """Whether other stations work on the same jobs, and all follow one log of what each has decided."""
    lease_s: float = 300.0
    """After this long without a word from a station, what it has claimed may be claimed by another."""
    unsigned_tickets: UnsignedTickets = UnsignedTickets.HINT
    uplink: UplinkSettings = UplinkSettings()
