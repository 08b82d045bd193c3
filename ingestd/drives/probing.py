"""What a drive holds: one file system from end to end, or the partitions of a table, each looked into.

Everything is looked at through a read-only window of its own, so that what is said of a volume comes
from that stretch of the drive and nothing else.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

from ingestd.core.drive import VolumeFacts, VolumeFlaw
from ingestd.core.names import from_printable, printable
from ingestd.drives import block, marks, mounts, ntfs, partitions
from ingestd.drives.block import WHOLE, Extent, LoopWindow
from ingestd.drives.file_systems import DRIVERS, why_not_opened
from ingestd.drives.partitions import Part, Table, TableError
from ingestd.drives.programs import run
from ingestd.ports import ToolFailed

_FIRST_BYTES = 1 << 20
_WHOLE_NAME = "whole-drive"
_HYBRID = ("iso9660", "udf")
"""File systems of discs, beside which a partition table may lie by design."""
_IN_FIRST_SECTOR = ("vfat", "exfat", "ntfs", "xfs", "squashfs")
"""Their mark lies where an MBR would: what looks like one is their boot code. (A GPT lies elsewhere.)"""


@dataclass(frozen=True, slots=True)
class Place:
    """A volume and the stretch of the drive that it takes."""

    facts: VolumeFacts
    extent: Extent = WHOLE


def probe(drive_fd: int, accepted: Collection[str]) -> list[Place]:
    """The volumes on a drive, in their order; those that are not to be mounted come with a problem.

    `accepted`: the file systems that the site takes. Raises ToolFailed or ResourcesExhausted when the
    probing itself does not work.
    """
    with _window(drive_fd, WHOLE) as window:
        whole = VolumeFacts(name="volume-1", size_bytes=block.size_bytes(window.fd))
        if problem := _unreadable(window.fd):
            return [Place(replace(whole, problem=problem, flaw=VolumeFlaw.UNREADABLE))]
        fields = _fields(window.path)
        facts = _judged(window.fd, recognised(whole, fields, accepted))
        if not _has_table(fields):
            return [Place(facts)]
        found = _of_table(window, fields["ID_PART_TABLE_TYPE"], whole)
    places = [_look_at(drive_fd, place, accepted) for place in found]
    return places + _beside_table(facts, fields)


@contextlib.contextmanager
def _window(drive_fd: int, extent: Extent) -> Iterator[LoopWindow]:
    window = block.attach_read_only(drive_fd, extent)
    try:
        yield window
    finally:
        os.close(window.fd)


def _unreadable(fd: int) -> str | None:
    at = 0
    try:
        # blkid takes what it cannot read for empty
        while at < _FIRST_BYTES and (got := len(os.pread(fd, _FIRST_BYTES - at, at))):
            at += got
    except OSError as error:
        return block.at_fault(error, "reading its first megabyte gives")
    return None


def _fields(device: str) -> dict[str, str]:
    """blkid's low-level answer, in the form it has for udev, which is the one that keeps labels exact:
    in the fields ending in _ENC every byte that could be mistaken is written as `\\xNN`."""
    answer = run("blkid", "-p", "-o", "udev", device)
    if answer.code not in (0, 2, 8):
        raise ToolFailed(f"blkid ended with {answer.code}: {answer.words}")
    return dict(line.split("=", 1) for line in answer.out.splitlines() if "=" in line)


# -- partitions -----------------------------------------------------------------------------------


def _has_table(fields: Mapping[str, str]) -> bool:
    """Whether the partitions are to be looked at: not where one thing takes the drive from end to end."""
    kind = fields.get("ID_FS_TYPE")
    taken = kind is not None and why_not_opened(kind)[0] in (VolumeFlaw.LOCKED, VolumeFlaw.MEMBER)
    table = fields.get("ID_PART_TABLE_TYPE")
    boot_code = table == "dos" and kind in _IN_FIRST_SECTOR
    return table is not None and kind not in _HYBRID and not boot_code and not taken


def _of_table(window: LoopWindow, kind: str, whole: VolumeFacts) -> list[Place]:
    """The partitions of the table on the whole drive, those with a problem included."""
    try:
        if kind not in partitions.READ_TABLES:
            raise TableError("it is of a kind that is not read here")
        table = partitions.read_table(window.path, whole.size_bytes or 0)
    except TableError as error:
        problem = f"it holds a partition table ({printable(kind.encode())}): {error}"
        return [Place(replace(whole, problem=problem, flaw=VolumeFlaw.UNREADABLE))]
    if not table.parts:
        problem = f"it holds a partition table ({kind}) without partitions"
        return [Place(replace(whole, problem=problem, flaw=VolumeFlaw.UNREADABLE))]
    return [_place(part) for part in table.parts] + _left_out(table)


def _place(part: Part) -> Place:
    flaw, problem = partitions.flaw_of(part) or (None, None)
    facts = VolumeFacts(name=part.name, size_bytes=part.extent.length_bytes, problem=problem, flaw=flaw)
    return Place(facts, part.extent)


def _left_out(table: Table) -> list[Place]:
    if table.count <= len(table.parts):
        return []
    problem = f"the drive has {table.count:,} partitions, of which the first {len(table.parts)} are looked at"
    return [Place(VolumeFacts(name="other-volumes", problem=problem, flaw=VolumeFlaw.UNREADABLE))]


def _look_at(drive_fd: int, place: Place, accepted: Collection[str]) -> Place:
    """The place with what lies there, unless it has a problem already."""
    if place.facts.problem is not None:
        return place
    with _window(drive_fd, place.extent) as window:
        if problem := _unreadable(window.fd):
            return replace(place, facts=replace(place.facts, problem=problem, flaw=VolumeFlaw.UNREADABLE))
        facts = recognised(place.facts, _fields(window.path), accepted)
        return replace(place, facts=_judged(window.fd, facts))


def _beside_table(whole: VolumeFacts, fields: Mapping[str, str]) -> list[Place]:
    """A volume with a problem for the marks of a file system that lie beside a partition table."""
    if "ID_FS_TYPE" not in fields and "ID_FS_AMBIVALENT" not in fields:
        return []
    kind = fields.get("ID_FS_TYPE", "several")
    problem = (
        f"the drive bears the marks of a file system ({printable(kind.encode())}) from end to end beside "
        f"a partition table, and which is real is unknown; its partitions are looked at"
    )
    facts = VolumeFacts(name=_WHOLE_NAME, size_bytes=whole.size_bytes)
    return [Place(replace(facts, problem=problem, flaw=VolumeFlaw.UNREADABLE))]


# -- one volume -----------------------------------------------------------------------------------


def recognised(volume: VolumeFacts, fields: Mapping[str, str], accepted: Collection[str]) -> VolumeFacts:
    """The volume with what blkid's fields say of it."""
    kind = fields.get("ID_FS_TYPE")
    known = replace(
        volume,
        file_system=kind,
        label=_decoded(fields.get("ID_FS_LABEL_ENC")),
        uuid=_decoded(fields.get("ID_FS_UUID_ENC")),
    )
    if kind in accepted and kind in DRIVERS:
        return known
    flaw, problem = _unsupported(kind, fields)
    if flaw is VolumeFlaw.NOT_ACCEPTED:
        problem += f"; the station reads {', '.join(name for name in DRIVERS if name in accepted)}"
    return replace(known, problem=problem, flaw=flaw)


def _unsupported(kind: str | None, fields: Mapping[str, str]) -> tuple[VolumeFlaw, str]:
    if "ID_FS_AMBIVALENT" in fields:
        kinds = sorted({kind.split(":")[1] for kind in fields["ID_FS_AMBIVALENT"].split() if ":" in kind})
        return VolumeFlaw.UNREADABLE, (
            f"it bears the marks of several file systems ({', '.join(kinds)}), and which is real is unknown"
        )
    if kind is None and (table := fields.get("ID_PART_TABLE_TYPE")):
        return VolumeFlaw.UNREADABLE, f"it holds a partition table ({table}) where a file system is expected"
    return why_not_opened(None if kind is None else printable(kind.encode()))


def _decoded(encoded: str | None) -> str | None:
    """A label as text: as it is where that is harmless to show, in printable form otherwise."""
    if not encoded:
        return None
    raw = from_printable(encoded)
    with contextlib.suppress(UnicodeDecodeError):
        text = raw.decode("utf-8")
        if text.isprintable():
            return text
    return printable(raw)


def _judged(fd: int, facts: VolumeFacts) -> VolumeFacts:
    """The facts, with what the volume itself says of how it was unmounted.

    Asked here only where the driver would mount without telling what is missing.
    """
    if facts.problem is not None or facts.file_system is None:
        return facts
    try:
        if facts.file_system == "ntfs":
            return _judged_ntfs(facts, ntfs.state_of(fd))
        marked = marks.is_marked_unclean(fd, facts.file_system)
    except OSError as error:
        problem = block.at_fault(error, "reading its first sectors gives")
        return replace(facts, problem=problem, flaw=VolumeFlaw.UNREADABLE)
    if marked and facts.file_system == "hfsplus":
        return _unclean(facts, "the volume says: it was not unmounted")  # its journal is never replayed
    return replace(facts, marked_unclean=marked)


def _judged_ntfs(facts: VolumeFacts, state: ntfs.State) -> VolumeFacts:
    if state.log_problem is not None:
        return _unclean(facts, f"the volume says: {state.log_problem}")
    return replace(facts, marked_unclean=state.marked)


def _unclean(facts: VolumeFacts, evidence: str) -> VolumeFacts:
    problem = mounts.not_cleanly_unmounted(evidence)
    return replace(facts, problem=problem, flaw=VolumeFlaw.UNCLEAN)
