"""The one table of failure kinds."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core import retry
from ingestd.core.model import FailureClass, FailureKind, HoldReason
from ingestd.core.retry import TABLE, HoldNow, Observed, Then, TryAgain
from tests.support import values as v

kinds = st.sampled_from(FailureKind)


def test_every_kind_has_its_row() -> None:
    assert set(TABLE) == set(FailureKind)


@pytest.mark.parametrize("kind", FailureKind)
def test_every_row_makes_sense(kind: FailureKind) -> None:
    rule = TABLE[kind]
    assert rule.tries >= 1
    assert 0 < rule.first_delay_s <= rule.longest_delay_s
    if rule.then is Then.FIND:
        assert rule.cause.may_fail_a_job
        assert rule.tries >= 2, "one observation is none"
    if rule.cause in (FailureClass.STATION, FailureClass.DEPENDENCY):
        assert rule.then is not Then.FIND


def test_what_nobody_foresaw_is_the_stations_fault() -> None:
    rule = TABLE[FailureKind.UNKNOWN]
    assert (rule.cause, rule.then, rule.hold) == (
        FailureClass.STATION,
        Then.HOLD,
        HoldReason.STATION_FAULT,
    )


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        (FailureKind.STORE_REFUSED, HoldReason.STORE_REFUSED),
        (FailureKind.STORE_MISSING, HoldReason.STORE_MISSING),
        (FailureKind.STORE_CONFLICT, HoldReason.STORE_CONFLICT),
    ],
)
def test_wrong_credentials_or_a_missing_bucket_hold_at_once(kind: FailureKind, reason: HoldReason) -> None:
    assert retry.after(v.failure(kind), 1, "load") == HoldNow(reason=reason, cause=FailureClass.DEPENDENCY)


@given(kinds, st.integers(1, 10_000), st.text(max_size=20))
def test_verdicts_are_bounded_and_repeatable(kind: FailureKind, times: int, key: str) -> None:
    rule, verdict = TABLE[kind], retry.after(v.failure(kind), times, key)
    assert verdict == retry.after(v.failure(kind), times, key)
    match verdict:
        case TryAgain(after_s=after_s):
            assert rule.first_delay_s / 2 <= after_s <= rule.longest_delay_s
            assert times < rule.tries or rule.then is Then.GO_ON
        case HoldNow(cause=cause):
            assert times >= rule.tries
            assert not cause.may_fail_a_job
        case Observed(observations=observations):
            assert observations == times >= 2
            assert rule.cause.may_fail_a_job


@given(kinds, st.text(max_size=20))
def test_delays_at_least_keep_up_until_they_are_longest(kind: FailureKind, key: str) -> None:
    delays = [retry.last_resort(v.failure(kind), times, key).after_s for times in range(1, 40)]
    assert max(delays) <= TABLE[kind].longest_delay_s
    assert all(later >= 0.5 * earlier for earlier, later in pairwise(delays))
    assert min(delays[-10:]) >= TABLE[kind].longest_delay_s / 2


def test_loads_that_fail_together_do_not_come_back_together() -> None:
    failure = v.failure(FailureKind.STORE_BUSY)
    delays = {retry.last_resort(failure, 9, f"load-{number}").after_s for number in range(100)}
    assert len(delays) > 90
    assert max(delays) - min(delays) > 0.4 * TABLE[FailureKind.STORE_BUSY].longest_delay_s


@given(st.lists(kinds, max_size=60))
def test_each_kind_is_counted_by_itself(failures: list[FailureKind]) -> None:
    tally: tuple[tuple[FailureKind, int], ...] = ()
    for kind in failures:
        tally = retry.counted(tally, kind)
    assert dict(tally) == {kind: failures.count(kind) for kind in failures}
    assert len(tally) <= len(FailureKind)
