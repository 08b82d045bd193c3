from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import pytest

from ingestd.core.line import SITE, Cap, Course, Link
from ingestd.core.plan import Plan
from ingestd.ports import Cancelled
from ingestd.transfer.governor import Governor
from ingestd.transfer.meter import Meter
from ingestd.transfer.stopping import LinkedToken
from tests.support.attempts import one_of
from tests.support.byte_path import Token
from tests.support.daemon import wait_for

MB = 1_000_000


class Taker:
    """A thread that takes in slices until it is told to stop, and notes every grant."""

    def __init__(self, governor: Governor, flow: str, size: int = 20_000, pause_s: float = 0.0) -> None:
        self.governor, self.flow, self.size, self.pause_s = governor, flow, size, pause_s
        self.token = Token()
        self.grants: list[tuple[float, int]] = []
        self.asked: list[float] = []
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        try:
            while True:
                asked = time.monotonic()
                self.governor.take(self.flow, self.size, self.token)
                self.grants.append((time.monotonic(), self.size))
                self.asked.append(asked)
                if self.pause_s:
                    self.token.wait(self.pause_s)
        except Cancelled:
            pass

    def taken(self, since: float = 0.0, until: float = float("inf")) -> int:
        return sum(size for at, size in list(self.grants) if since <= at < until)


@contextmanager
def running(*takers: Taker) -> Iterator[None]:
    for taker in takers:
        taker.thread.start()
    try:
        yield
    finally:
        for taker in takers:
            taker.token.cancel()
        for taker in takers:
            taker.thread.join()


def governor(rate: int | None = 2 * MB, burst: int | None = None, **weights: int) -> Governor:
    made = Governor(rate, burst)
    for flow, weight in weights.items():
        made.register(flow, weight)
    return made


def test_no_window_is_above_the_cap_and_the_mean_is_on_it() -> None:
    budget = governor(2 * MB, 400_000, a=1)
    takers = [Taker(budget, "a", 20_000) for _ in range(3)]
    begin = time.monotonic()
    with running(*takers):
        time.sleep(1.5)
    seconds = time.monotonic() - begin
    # A grant is given somewhere between being asked for and being noted.
    asked = sorted(at for taker in takers for at in taker.asked)
    noted = sorted(at for taker in takers for at, _ in taker.grants)
    for first in range(len(noted)):
        for last in range(first, len(noted), 7):
            passed = 20_000 * (last - first + 1)
            assert passed <= 2 * MB * (noted[last] - asked[first]) + 400_000 + 1
    assert 20_000 * len(noted) == pytest.approx(2 * MB * seconds + 400_000, rel=0.04)


@one_of(3)
def test_shares_follow_the_weights_and_a_slow_flow_leaves_its_own_to_the_others() -> None:
    budget = governor(4 * MB, MB, a=1, b=3, slow=6)
    a, b = Taker(budget, "a"), Taker(budget, "b")
    slow = Taker(budget, "slow", 10_000, pause_s=0.05)
    with running(a, b, slow):
        time.sleep(0.2)
        since = time.monotonic()
        time.sleep(1.2)
        until = time.monotonic()
    rate_a, rate_b, rate_slow = (each.taken(since, until) / (until - since) for each in (a, b, slow))
    assert rate_slow <= 0.2 * MB * 1.1
    assert rate_b / rate_a == pytest.approx(3, rel=0.1)
    assert rate_a + rate_b + rate_slow == pytest.approx(4 * MB, rel=0.05)


def test_a_new_rate_counts_for_those_who_wait() -> None:
    budget = governor(1_000, 1_000, a=1)
    budget.take("a", 1_000, Token())
    taker = Taker(budget, "a", 400)
    with running(taker):
        # Between two looks at whether it was cancelled.
        time.sleep(0.13)
        assert taker.taken() == 0
        began = time.monotonic()
        budget.set_rate(MB, 10_000)
        while not taker.grants and time.monotonic() < began + 1:
            time.sleep(0.001)
        assert taker.grants[0][0] - began < 0.05


def test_lifting_the_cap_lets_everybody_go() -> None:
    budget = governor(1_000, 1_000, a=1)
    takers = [Taker(budget, "a", 500, pause_s=1) for _ in range(4)]
    with running(*takers):
        time.sleep(0.1)
        assert budget.cap == (1_000, 1_000)
        budget.set_rate(None)
        wait_for(lambda: all(taker.grants for taker in takers), what="a grant for each")
        assert budget.cap is None


@one_of(3)
def test_a_new_weight_counts_at_once() -> None:
    budget = governor(4 * MB, 400_000, a=1, b=1)
    a, b = Taker(budget, "a"), Taker(budget, "b")
    with running(a, b):
        time.sleep(0.4)
        budget.set_weight("a", 9)
        since = time.monotonic()
        time.sleep(0.8)
    assert a.taken(since) / b.taken(since) == pytest.approx(9, rel=0.15)


def test_requests_of_one_flow_are_served_in_their_order() -> None:
    budget = governor(100_000, 1_000, a=1)
    budget.take("a", 1_000, Token())
    order: list[int] = []

    def take(number: int) -> None:
        budget.take("a", 500, Token())
        order.append(number)

    threads = [threading.Thread(target=take, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
        time.sleep(0.01)
    for thread in threads:
        thread.join()
    assert order == sorted(order)


def test_one_that_is_cancelled_leaves_at_once_and_lets_the_next_one_go() -> None:
    budget = governor(1_000, 10_000, a=1, b=1)
    budget.take("a", 9_999, Token())
    stuck, other = Taker(budget, "a", 4_000), Taker(budget, "b", 100)
    with running(stuck, other):
        time.sleep(0.05)
        began = time.monotonic()
        stuck.token.cancel()
        stuck.thread.join(5)
        assert time.monotonic() - began < 1.5, "its turn would come in four seconds"
        assert not stuck.grants
        wait_for(lambda: other.grants, what="the other's grant")


def test_one_that_waits_shows_signs_of_life() -> None:
    budget = governor(1_000, 10_000, a=1)
    budget.take("a", 5_000, Token())
    budget.take("a", 5_000, Token())
    beats: list[float] = []
    token = LinkedToken(Token(), lambda: beats.append(time.monotonic()))
    threading.Timer(0.4, token.stop).start()
    with pytest.raises(Cancelled):
        budget.take("a", 4_000, token)
    assert len(beats) >= 3


@one_of(3)
def test_a_take_larger_than_the_burst_is_granted_bit_by_bit() -> None:
    budget = governor(MB, 10_000, a=1)
    began = time.monotonic()
    budget.take("a", 210_000, Token())
    assert 0.19 < time.monotonic() - began < 0.39


def test_without_a_cap_taking_is_nearly_free_and_counted() -> None:
    budget = governor(None, a=1)
    token, began = Token(), time.monotonic()
    for _ in range(10_000):
        budget.take("a", MB, token)
    assert time.monotonic() - began < 1
    assert budget.rate("a") > 10**9
    assert budget.rate("nobody") == 0
    assert budget.share("a") is None
    assert budget.width("a", 4 * MB) > 1_000


@one_of(3)
def test_the_share_is_what_a_flow_could_have() -> None:
    budget = governor(9 * MB, a=1, b=2)
    assert budget.share("b") == pytest.approx(9 * MB)
    taker = Taker(budget, "a", 500_000)
    with running(taker):
        time.sleep(0.5)
        assert budget.share("b") == pytest.approx(6 * MB, rel=0.05)
    assert budget.width("b", 100 * MB) == 1
    assert budget.width("b", MB) > 50


def test_the_portion_is_what_a_flow_has_moved_of_all() -> None:
    governor = Governor()
    for flow in ("a", "b"):
        governor.register(flow, 5)
    assert governor.portion("a") == 0
    governor.take("a", 300_000, Token())
    governor.take("b", 100_000, Token())
    assert governor.portion("a") == pytest.approx(0.75, rel=0.01)
    assert governor.portion("nobody") == 0


def test_a_flow_that_is_not_registered_may_take_too() -> None:
    budget = governor(MB)
    budget.set_weight("stranger", 5)
    budget.take("stranger", 1_000, Token())
    budget.unregister("stranger")


def test_a_flow_may_be_unregistered_while_a_thread_of_it_still_waits() -> None:
    budget = governor(1_000, 1_000, a=1)
    budget.take("a", 1_000, Token())
    taker = Taker(budget, "a", 500)
    with running(taker):
        time.sleep(0.05)
        budget.unregister("a")
    budget.register("a", 1)
    budget.set_rate(None)
    budget.take("a", 5, Token())


@pytest.mark.parametrize(("rate", "burst"), [(0, None), (1_000, 0), (-5, 10)])
def test_a_cap_of_nothing_is_refused(rate: int, burst: int | None) -> None:
    with pytest.raises(ValueError, match="above zero"):
        Governor(rate, burst)


def test_the_meter_forgets() -> None:
    meter = Meter(100.0)
    assert meter.rate(100.0) == 0
    for quarter in range(4):
        meter.add(250, 100.0 + quarter / 4)
    assert meter.rate(101.0) == pytest.approx(1_000)
    assert meter.rate(103.99) == pytest.approx(250, rel=0.1)
    assert meter.rate(110.0) == 0


# -- limits within the cap ------------------------------------------------------------------------

HARROW, ALDER = Link("store", "harrow-archive"), Link("store", "alder-vault")
BAY = Link("bay", "bay-3")


def planned(caps: Mapping[Link, Cap], **courses: Course) -> Governor:
    made = Governor()
    made.follow(Plan(caps, courses))
    for flow in courses:
        made.register(flow, 1)
    return made


@one_of(3)
def test_limits_of_stores_and_bays_hold_and_leave_the_rest_to_the_others() -> None:
    caps = {SITE: Cap(6 * MB, MB), HARROW: Cap(2 * MB, 500_000), BAY: Cap(500_000, 200_000)}
    courses = {
        "a": Course(1, HARROW),
        "b": Course(3, HARROW),
        "c": Course(9, ALDER, BAY),
        "d": Course(1, ALDER),
    }
    budget = planned(caps, **courses)
    takers = {flow: Taker(budget, flow, 10_000) for flow in courses}
    with running(*takers.values()):
        time.sleep(0.4)
        since = time.monotonic()
        time.sleep(1.6)
        until = time.monotonic()
    rates = {flow: taker.taken(since, until) / (until - since) / MB for flow, taker in takers.items()}
    assert rates == pytest.approx({"a": 0.5, "b": 1.5, "c": 0.5, "d": 3.5}, rel=0.15)


def test_a_plan_counts_at_once_for_those_who_wait() -> None:
    budget = planned({BAY: Cap(10, 1_000)}, a=Course(1, bay=BAY))
    budget.take("a", 1_000, Token())
    taker = Taker(budget, "a", 400)
    with running(taker):
        time.sleep(0.13)
        assert taker.taken() == 0
        began = time.monotonic()
        budget.follow(Plan({}, {"a": Course(1, bay=BAY)}))
        wait_for(lambda: taker.grants, what="the grant")
        assert taker.grants[0][0] - began < 2.0, "its turn would come in forty seconds"


def test_a_flow_that_no_limit_concerns_does_not_wait() -> None:
    budget = planned({HARROW: Cap(1_000)}, a=Course(1, HARROW), b=Course(1, ALDER))
    began = time.monotonic()
    budget.take("b", 100 * MB, Token())
    assert time.monotonic() - began < 2.0
    assert (budget.share("b"), budget.share("a")) == (None, 1_000.0)


def test_fewer_parts_are_on_the_way_where_a_bay_or_store_is_slow() -> None:
    courses = {"a": Course(1, HARROW, BAY), "b": Course(1, HARROW)}
    budget = planned({SITE: Cap(100 * MB), BAY: Cap(MB)}, **courses)
    assert budget.width("a", 4 * MB) == 2
    assert budget.width("b", 4 * MB) > 100
