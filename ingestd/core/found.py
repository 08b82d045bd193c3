"""What a load found and proved, as frozen values. Units are in the names."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ingestd.core.drive import CustodyHead, HealthFacts, Link, VolumeFacts
from ingestd.core.job import Item
from ingestd.core.model import FailureClass, JobId, LoadId, ProofLevel, Severity


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
    """Not in a root, but something of its name lies in a folder."""
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
    called: str | None = None
    """What it is called on the drive, where that differs from the announced name in case or in Unicode
    normalisation."""


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
    piece_of: tuple[str, ...] = ()
    """Names, one of which the first piece has of the file that this looks like a later piece of, where the
    pieces before it are not all on this drive."""


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
    begun: tuple[str, ...] = ()
    """First pieces of encrypted files that may go on on other drives of the job."""
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
    NOT_SUPPORTED = "not-supported"
    """The driver of its file system does not read this one file; whose fault that is, it does not say."""


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
    FILE_IN_DOUBT = "file-in-doubt"
    FILE_CHANGED = "file-changed"
    DRIVE_CHANGED = "drive-changed"
    ITEM_MISSING = "item-missing"
    ITEM_NOT_IN_ROOT = "item-not-in-root"
    ITEM_NAME_DIFFERS = "item-name-differs"
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
