from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.bucket import TokenBucket, default_burst_bytes, slice_bytes

MB = 1_000_000
KIB = 1 << 10


def test_slices_follow_the_rate() -> None:
    assert slice_bytes(1) == 64 * KIB
    assert slice_bytes(25 * MB) == 500_000
    assert slice_bytes(10**10) == 1024 * KIB
    assert default_burst_bytes(80 * MB) == 10 * MB
    assert default_burst_bytes(1) == 128 * KIB


def bucket(rate: float = 100.0, burst: float = 50.0, now: float = 0.0) -> TokenBucket:
    return TokenBucket.full(rate, burst, now)


def test_a_bucket_is_full_at_first_and_never_fuller() -> None:
    assert bucket().tokens == 50.0
    assert bucket().refilled(1_000.0).tokens == 50.0


def test_tokens_come_in_at_the_rate() -> None:
    empty = bucket().taken(50.0, 0.0)
    assert empty.refilled(0.2).tokens == pytest.approx(20.0)
    assert empty.wait_s(30.0, 0.1) == pytest.approx(0.2, abs=1e-5)
    assert empty.wait_s(10.0, 0.1) == 0.0


def test_more_than_the_burst_has_to_be_sliced() -> None:
    with pytest.raises(ValueError, match="slice"):
        bucket().wait_s(51.0, 0.0)


def test_what_is_not_there_cannot_be_taken() -> None:
    with pytest.raises(ValueError, match="holds 10"):
        bucket().taken(40.0, 0.0).taken(11.0, 0.0)


@pytest.mark.parametrize(("rate", "burst"), [(0, 1), (1, 0), (-1, 1)])
def test_a_budget_of_nothing_is_refused(rate: float, burst: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        bucket(rate, burst)


def test_a_clock_that_steps_back_brings_and_takes_nothing() -> None:
    assert bucket(now=10.0).taken(30.0, 10.0).refilled(3.0).tokens == 20.0


def test_a_new_rate_counts_from_its_moment_on() -> None:
    changed = bucket().taken(50.0, 0.0).with_rate(1_000.0, 500.0, 0.1)
    assert changed.tokens == pytest.approx(10.0)
    assert changed.refilled(0.2).tokens == pytest.approx(110.0)


def test_a_smaller_burst_forgets_what_does_not_fit() -> None:
    assert bucket().with_rate(100.0, 20.0, 0.0).tokens == 20.0
    assert bucket().taken(50.0, 0.0).with_rate(100.0, 500.0, 0.0).tokens == 0.0


@given(st.lists(st.tuples(st.floats(0, 3), st.floats(1, 50)), max_size=60))
def test_no_window_sees_more_than_rate_times_length_and_a_burst(steps: list[tuple[float, float]]) -> None:
    at, state, grants = 0.0, bucket(), list[tuple[float, float]]()
    for pause, size in steps:
        at += pause
        at += state.wait_s(size, at)
        state = state.taken(size, at)
        grants.append((at, size))
    for first, (begin, _) in enumerate(grants):
        for last in range(first, len(grants)):
            passed = sum(size for _, size in grants[first : last + 1])
            assert passed <= 100.0 * (grants[last][0] - begin) + 50.0 + 1e-6


@given(st.floats(1, 50), st.floats(0, 10), st.floats(0.1, 1e9))
def test_after_the_wait_the_bytes_are_there(size: float, at: float, rate: float) -> None:
    empty = TokenBucket.full(rate, 50.0, 0.0).taken(50.0, 0.0)
    then = at + empty.wait_s(size, at)
    assert empty.wait_s(size, then) == 0.0
    empty.taken(size, then)
