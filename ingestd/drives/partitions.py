"""Partition tables, read by `sfdisk` and believed only as far as they make sense.

The kernel's own partition nodes are not used: some kernels read no tables, and each volume is to be
reached through a read-only window of its own in any case.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from pydantic import BaseModel, Field, ValidationError

from ingestd.core.drive import VolumeFlaw
from ingestd.drives.block import Extent
from ingestd.drives.programs import run

PARTITIONS_MAX = 64
"""Partitions of one drive that are looked at. Each takes a loop device and a mount."""

READ_TABLES = ("gpt", "dos")

_CONTAINERS = ("5", "f", "85", "c5", "d5")
"""MBR types of extended partitions, which hold other partitions and no files."""

_SPARE: Mapping[str, str] = {
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": "a partition reserved by Windows",
    "21686148-6449-6E6F-744E-656564454649": "a partition reserved for booting (BIOS)",
    "8DA63339-0007-60C0-C436-083AC8230908": "a reserved partition",
    "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F": "swap space",
}
"""Partition types of GPT that are meant for no files (UEFI specification, and the lists of Microsoft and
of the Discoverable Partitions Specification; from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One partition: where it lies, or why that cannot be believed."""

    number: int
    extent: Extent
    problem: str | None = None
    spare: str | None = None
    """What it is, if it is a kind that is meant for no files."""

    @property
    def name(self) -> str:
        return f"volume-{self.number}"

    @property
    def end_bytes(self) -> int:
        return self.extent.offset_bytes + self.extent.length_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The partitions that are looked at, in the order of their numbers, and how many there are in all."""

    parts: tuple[Part, ...]
    count: int


class TableError(Exception):
    """The table cannot be understood; the message says why, in words for support."""


class _Entry(BaseModel):
    node: str
    start: int = Field(ge=0)
    size: int = Field(ge=0)
    type: str


class _Listing(BaseModel):
    label: str
    sectorsize: int = Field(ge=512, le=65_536)
    partitions: tuple[_Entry, ...] = ()


class _Answer(BaseModel):
    partitiontable: _Listing


def read_table(device: str, size_bytes: int) -> Table:
    """The partition table on a device. Raises TableError, and ToolFailed or ResourcesExhausted."""
    answer = run("sfdisk", "--json", device)
    if answer.code != 0:
        raise TableError(f"it cannot be understood ({answer.words or f'sfdisk ended with {answer.code}'})")
    return parse(answer.out, size_bytes)


def parse(listing: str, size_bytes: int) -> Table:
    """The table in sfdisk's JSON, checked against a drive of this size. Raises TableError."""
    try:
        table = _Answer.model_validate_json(listing).partitiontable
    except ValidationError as error:
        raise TableError(f"sfdisk described it in a way that is not understood ({error.title})") from error
    if table.label not in READ_TABLES:
        raise TableError(f"it is of a kind ({table.label}) that is not read here")
    found = sorted(_parts(table), key=lambda part: part.number)
    parts = [_within(part, size_bytes) for part in found]
    return Table(parts=tuple(_without_overlaps(parts)[:PARTITIONS_MAX]), count=len(parts))


def _parts(table: _Listing) -> Iterator[Part]:
    for place, entry in enumerate(table.partitions, start=1):
        if entry.size == 0 or (table.label == "dos" and entry.type.lower() in _CONTAINERS):
            continue
        number = re.search(r"(\d{1,6})$", entry.node)
        yield Part(
            number=int(number[1]) if number else place,
            extent=Extent(
                offset_bytes=entry.start * table.sectorsize, length_bytes=entry.size * table.sectorsize
            ),
            spare=_SPARE.get(entry.type.upper()) if table.label == "gpt" else None,
        )


def _within(part: Part, size_bytes: int) -> Part:
    beyond = part.end_bytes - size_bytes
    if beyond <= 0:
        return part
    problem = f"the partition table lets it end {beyond:,} bytes beyond the end of the drive"
    return replace(part, problem=problem)


def _without_overlaps(parts: Sequence[Part]) -> list[Part]:
    """The same parts; each that shares bytes with another has that for a problem."""
    shared: dict[int, str] = {}
    placed = sorted(parts, key=lambda part: part.extent.offset_bytes)
    furthest = placed[0] if placed else None
    for before, part in pairwise(placed):
        furthest = before if furthest is None or before.end_bytes > furthest.end_bytes else furthest
        if part.extent.offset_bytes < furthest.end_bytes:
            shared[furthest.number], shared[part.number] = part.name, furthest.name
    return [
        replace(part, problem=f"the partition table lets it overlap with {shared[part.number]}")
        if part.problem is None and part.number in shared
        else part
        for part in parts
    ]


def flaw_of(part: Part) -> tuple[VolumeFlaw, str] | None:
    """Why a partition is not even looked into, if so."""
    if part.problem is not None:
        return VolumeFlaw.UNREADABLE, part.problem
    if part.spare is not None:
        return VolumeFlaw.SPARE, f"it is {part.spare}, and holds no files"
    return None
