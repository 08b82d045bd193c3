"""The look at a damaged file, on a simulated disk that counts its reads and takes its time for failures."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.found import ByteRange
from ingestd.transfer import damage
from ingestd.transfer.damage import Attempt, Damage, Patience
from tests.support.byte_path import content

SECTOR = 512
BLOCK = 16 << 10
FAILED_READ_S = 3.0
"""A failing disk tries for seconds before it gives up; from memory, such a time is common."""


@dataclass
class Disk:
    """`bad`: sector to how many reads of it fail, -1 for all. `whole`: it tells nothing of what it could
    read before it failed, as a direct read may."""

    body: bytes
    bad: dict[int, int] = field(default_factory=dict)
    whole: bool = False
    now: float = 0.0
    reads: int = 0
    failures: int = 0
    failed_at: dict[int, int] = field(default_factory=dict)

    def read_at(self, view: memoryview, offset: int) -> Attempt:
        self.reads += 1
        for sector in range(offset // SECTOR, -(-(offset + len(view)) // SECTOR)):
            if self.bad.get(sector, 0):
                self.bad[sector] -= 1
                self.failures += 1
                self.failed_at[sector] = self.failed_at.get(sector, 0) + 1
                self.now += FAILED_READ_S
                good = 0 if self.whole else max(0, sector * SECTOR - offset)
                view[:good] = self.body[offset : offset + good]
                return Attempt(good, errno.EIO)
        view[:] = self.body[offset : offset + len(view)]
        return Attempt(len(view))

    def patience(self, limit_s: float = 1e9) -> Patience:
        return Patience(limit_s, lambda: self.now)

    def look(self, patience: Patience, offset: int = 0) -> tuple[bytearray, tuple[ByteRange, ...]]:
        """Read the block at `offset` as a transfer does; the block, and what is lost if anything is."""
        block = bytearray(min(BLOCK, len(self.body) - offset))
        view = memoryview(block)
        if not self.read_at(view, offset).error:
            return block, ()
        look = Damage(len(self.body), self.read_at, patience, grain_bytes=SECTOR, block_bytes=BLOCK)
        lost_until = look.search(view, offset)
        if lost_until is not None:
            look.survey(memoryview(bytearray(BLOCK)), lost_until)
        return block, look.ranges


def lost_sectors(disk: Disk) -> set[int]:
    return {sector for sector, times in disk.bad.items() if times < 0 and sector * SECTOR < len(disk.body)}


def sectors_of(ranges: tuple[ByteRange, ...]) -> Iterator[int]:
    for each in ranges:
        assert each.offset_bytes % SECTOR == 0
        yield from range(each.offset_bytes // SECTOR, -(-(each.offset_bytes + each.length_bytes) // SECTOR))


BODY = content(300_000, 4)
SECTORS = -(-len(BODY) // SECTOR)
SPOTS = st.lists(
    st.tuples(st.integers(0, SECTORS - 1), st.integers(1, 12), st.sampled_from([-1, -1, 1, 2, 4])), max_size=5
)


def spotted(spots: list[tuple[int, int, int]]) -> dict[int, int]:
    return {sector: times for first, count, times in spots for sector in range(first, first + count)}


@given(spots=SPOTS, whole=st.booleans(), block=st.integers(0, len(BODY) // BLOCK))
def test_the_map_is_exact_and_no_byte_is_ever_wrong(
    spots: list[tuple[int, int, int]], whole: bool, block: int
) -> None:
    disk = Disk(BODY, spotted(spots), whole)
    offset = block * BLOCK
    got, ranges = disk.look(disk.patience(), offset)
    before = range(offset // SECTOR)  # read by the transfer already, and fine
    expected = lost_sectors(disk) - set(before)
    if not ranges:
        assert got == BODY[offset : offset + BLOCK]
        assert not expected & set(range(offset // SECTOR, (offset + BLOCK) // SECTOR))
        return
    told = list(sectors_of(ranges))
    assert len(told) == len(set(told)), "no sector is told twice"
    # One that failed whenever it was looked at, and would have come back later, may be among them.
    assert expected <= set(told) <= set(disk.failed_at)
    assert {each.error for each in ranges} == {"EIO"}


@given(spots=SPOTS, whole=st.booleans())
def test_the_reads_are_bounded(spots: list[tuple[int, int, int]], whole: bool) -> None:
    disk = Disk(BODY, spotted(spots), whole)
    disk.look(disk.patience())
    # The first sector that is lost fails as part of its block, of its piece, and three times by itself.
    assert max(disk.failed_at.values(), default=0) <= 2 + damage.TRIES
    blocks = len(BODY) // BLOCK + 1
    assert disk.reads <= blocks + damage.TRIES + disk.failures * damage.PIECES


@given(st.floats(0, 200), st.integers(0, SECTORS - 40))
def test_when_the_time_is_up_the_rest_is_listed_as_unread(limit_s: float, first: int) -> None:
    disk = Disk(BODY, dict.fromkeys(range(first, SECTORS, 3), -1))
    block = first * SECTOR // BLOCK * BLOCK
    _, ranges = disk.look(disk.patience(limit_s), block)
    # Past the limit there may come what is needed to say that one sector is lost, and the read under way.
    assert disk.now <= limit_s + (3 + damage.TRIES) * FAILED_READ_S
    assert lost_sectors(disk) <= set(sectors_of(ranges))
    assert {each.error for each in ranges} <= {"EIO", ""}


def test_what_was_never_read_is_told_apart_from_what_failed() -> None:
    disk = Disk(BODY, {2: -1, SECTORS - 1: -1})
    _, ranges = disk.look(disk.patience(3 * FAILED_READ_S))
    assert ranges == (
        ByteRange(offset_bytes=1024, length_bytes=512, error="EIO"),
        ByteRange(offset_bytes=1536, length_bytes=len(BODY) - 1536),
    )


def test_a_sector_that_comes_back_at_the_third_try_is_no_damage() -> None:
    disk = Disk(BODY, {7: 4})
    block, ranges = disk.look(disk.patience())
    assert (bytes(block), ranges) == (BODY[:BLOCK], ())
    assert disk.failures == 4


def test_far_ahead_of_a_large_hole_is_looked_before_into_it() -> None:
    """With time for few failures, what is good behind the hole is found to be good all the same."""
    body = bytes(4 << 20)
    hole = range(64, 64 + 2048)
    disk = Disk(body, dict.fromkeys(hole, -1))
    _, ranges = disk.look(disk.patience(20 * FAILED_READ_S), 32 << 10)
    last = ranges[-1]
    end = (last.offset_bytes + last.length_bytes) // SECTOR
    assert hole.stop <= end <= hole.stop + 2 * BLOCK // SECTOR
    assert disk.reads < 400


def test_a_file_without_one_good_sector_costs_a_bounded_number_of_reads() -> None:
    body = bytes(64 << 20)
    disk = Disk(body, dict.fromkeys(range(len(body) // SECTOR), -1))
    _, ranges = disk.look(disk.patience())
    assert sum(each.length_bytes for each in ranges) == len(body)
    assert disk.reads <= damage.FAILURES_MAX + 8


def test_neighbours_with_different_errors_stay_apart() -> None:
    def read_at(view: memoryview, offset: int) -> Attempt:
        return Attempt(0, errno.ENODATA if offset < SECTOR else errno.EIO)

    look = Damage(2 * SECTOR, read_at, Patience(1e9), grain_bytes=SECTOR)
    assert look.search(memoryview(bytearray(2 * SECTOR)), 0) == SECTOR
    look.survey(memoryview(bytearray(BLOCK)), SECTOR)
    assert [(each.offset_bytes, each.error) for each in look.ranges] == [(0, "ENODATA"), (512, "EIO")]


@pytest.mark.parametrize("offset", [0, 1000, 65_537])
def test_reads_begin_at_whole_sectors_wherever_a_block_does(offset: int) -> None:
    begun: list[int] = []
    disk = Disk(BODY, {(offset + 4000) // SECTOR: -1})

    def read_at(view: memoryview, at: int) -> Attempt:
        begun.append(at)
        return disk.read_at(view, at)

    look = Damage(len(BODY), read_at, disk.patience(), grain_bytes=SECTOR, block_bytes=BLOCK)
    lost_until = look.search(memoryview(bytearray(BLOCK)), offset)
    assert lost_until == (offset + 4000) // SECTOR * SECTOR + SECTOR
    look.survey(memoryview(bytearray(BLOCK)), lost_until)
    assert {at for at in begun if at % SECTOR} <= {offset}
