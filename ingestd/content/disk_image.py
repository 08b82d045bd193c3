"""Images of whole disks, known by their partition table: MBR, or GPT (UEFI specification, chapter 5).

A disk image is plain, unless one of its partitions is of an encrypted kind: then it cannot be told
how much of the data lies there.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from ingestd.content.sample import Content, Verdict
from ingestd.core.found import Secrecy

_SECTORS_BYTES = (512, 4096)
_GPT_MAGIC = b"EFI PART\0\0\x01\0"
_GPT_ENTRIES_MAX = 128
_GPT_ENTRY_BYTES = 128
_ENTRY_COST_BYTES = 4 << 10
_MBR_ENTRIES = slice(446, 510)
_SEALED: tuple[tuple[int, bytes], ...] = ((0, b"LUKS\xba\xbe"), (3, b"-FVE-FS-"))


def recognise(content: Content) -> Verdict | None:
    """The verdict on a disk image; None for anything else."""
    head = content.read(0, 2 * max(_SECTORS_BYTES))
    gpt_sector = next((size for size in _SECTORS_BYTES if head.startswith(_GPT_MAGIC, size)), None)
    if gpt_sector is not None:
        kind, starts = "gpt disk image", _gpt_starts(content, gpt_sector)
    elif _is_mbr(head):
        kind, starts = "mbr disk image", _mbr_starts(head)
    else:
        return None
    if any(_is_sealed(content.read(start, 16)) for start in starts):
        return Secrecy.UNKNOWN, f"{kind} with an encrypted partition"
    return Secrecy.PLAIN, kind


def _is_mbr(head: bytes) -> bool:
    """A boot signature, and four entries of which at least one is used and none makes no sense."""
    if head[510:512] != b"\x55\xaa":
        return False
    entries = _mbr_entries(head)
    used = [entry for entry in entries if entry[4]]
    unused_are_blank = all(not any(entry) for entry in entries if not entry[4])
    sized = all(entry[0] in (0, 0x80) and any(entry[8:12]) and any(entry[12:16]) for entry in used)
    return bool(used) and unused_are_blank and sized


def _mbr_entries(head: bytes) -> list[bytes]:
    table = head[_MBR_ENTRIES]
    return [table[at : at + 16] for at in range(0, len(table), 16)]


def _mbr_starts(head: bytes) -> Iterator[int]:
    """Where primary partitions may begin, in bytes: the table counts in sectors of an unknown size."""
    for entry in _mbr_entries(head):
        if entry[4]:
            first = int.from_bytes(entry[8:12], "little")
            yield from (first * size for size in _SECTORS_BYTES)


def _gpt_starts(content: Content, sector_bytes: int) -> Iterator[int]:
    header = content.read(sector_bytes, 92)
    if len(header) < 92:
        return
    table_at, count, size = struct.unpack_from("<QII", header, 72)
    if size < _GPT_ENTRY_BYTES or size > 4096:
        return
    for number in range(min(count, _GPT_ENTRIES_MAX)):
        entry = content.read(table_at * sector_bytes + number * size, _GPT_ENTRY_BYTES)
        content.spend(_ENTRY_COST_BYTES)
        if len(entry) == _GPT_ENTRY_BYTES and any(entry[:16]):
            yield int.from_bytes(entry[32:40], "little") * sector_bytes


def _is_sealed(start: bytes) -> bool:
    return any(start.startswith(magic, offset) for offset, magic in _SEALED)
