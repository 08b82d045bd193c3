"""How long a request that has begun is silent while it waits for its budget, in simulated time."""

from __future__ import annotations

import itertools

import pytest

from ingestd.store.pacing import SLICE_BYTES, Allowance

PART = 8 << 20


class Budget:
    """Grants so many bytes a second; the rate may change."""

    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.now = 0.0
        self.asked: list[int] = []

    def __call__(self, size_bytes: int) -> None:
        self.asked.append(size_bytes)
        self.now += size_bytes / self.rate

    def clock(self) -> float:
        return self.now


def sent(budget: Budget, size_bytes: int) -> list[float]:
    """When something of a body was sent, from its beginning on."""
    allowance, at = Allowance(size_bytes, budget, budget.clock), [budget.now]
    left = size_bytes
    while left:
        left -= allowance.take(left)
        at.append(budget.now)
    return at


def longest_silence_s(at: list[float]) -> float:
    return max(later - earlier for earlier, later in itertools.pairwise(at))


@pytest.mark.parametrize("rate", [8_000, 100_000, 1_000_000, 50_000_000])
def test_a_request_is_never_silent_for_long_however_little_it_may_send(rate: int) -> None:
    assert longest_silence_s(sent(Budget(rate), PART)) < 3.0


def test_a_budget_that_shrinks_is_followed_within_one_slice() -> None:
    budget = Budget(1e9)
    allowance = Allowance(2 * PART, budget, budget.clock)
    for _ in range(8):
        allowance.take(SLICE_BYTES)
    budget.rate = 100_000
    silences = []
    for _ in range(40):
        before = budget.now
        allowance.take(SLICE_BYTES)
        silences.append(budget.now - before)
    assert sum(silence > 3.0 for silence in silences) <= 1


def test_where_there_is_no_limit_few_slices_are_asked_for() -> None:
    budget = Budget(1e12)
    sent(budget, PART)
    assert sum(budget.asked) == PART
    assert max(budget.asked) == SLICE_BYTES
    assert len(budget.asked) <= PART // SLICE_BYTES + 3
