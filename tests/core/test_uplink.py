from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.uplink import FairQueue, TokenBucket, max_min_shares

# -- the bucket -----------------------------------------------------------------------------------


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


# -- max-min shares -------------------------------------------------------------------------------


def test_an_example_of_the_literature() -> None:
    """S. Keshav, An Engineering Approach to Computer Networking, 1997, chapter 9: demands of 2, 2.6, 4
    and 5 on a capacity of 10."""
    shares = max_min_shares(10, {"a": (1, 2), "b": (1, 2.6), "c": (1, 4), "d": (1, 5)})
    assert shares == pytest.approx({"a": 2, "b": 2.6, "c": 2.7, "d": 2.7})


def test_an_example_with_weights() -> None:
    """The same chapter's weighted example, from memory (the arithmetic was done again by hand): weights
    2.5, 4, 0.5 and 1, demands of 4, 2, 10 and 4 on a capacity of 16."""
    shares = max_min_shares(16, {"a": (2.5, 4), "b": (4, 2), "c": (0.5, 10), "d": (1, 4)})
    assert shares == pytest.approx({"a": 4, "b": 2, "c": 6, "d": 4})


def test_the_edges() -> None:
    assert max_min_shares(10, {}) == {}
    assert max_min_shares(10, {"a": (1, 0.0)}) == {"a": 0.0}
    assert max_min_shares(0, {"a": (1, 5)}) == {"a": 0.0}
    assert max_min_shares(12, {"a": (2, math.inf), "b": (1, math.inf)}) == {"a": 8.0, "b": 4.0}


demands = st.dictionaries(
    st.integers(0, 20),
    st.tuples(st.integers(1, 9), st.one_of(st.floats(0, 1e9), st.just(math.inf))),
    max_size=8,
)


@given(st.floats(1, 1e9), demands)
def test_shares_are_max_min_fair(capacity: float, wanted: dict[int, tuple[int, float]]) -> None:
    shares = max_min_shares(capacity, wanted)
    slack = 1e-6 * capacity
    assert set(shares) == set(wanted)
    assert sum(shares.values()) <= capacity + slack
    assert all(shares[flow] <= demand for flow, (_, demand) in wanted.items())
    # Work-conserving: something is left over only when nobody wants more.
    assert sum(shares.values()) >= min(capacity, sum(demand for _, demand in wanted.values())) - slack
    # The bottleneck condition: whoever wants more has at least as much per weight as anybody else.
    for flow, (weight, demand) in wanted.items():
        if shares[flow] < demand - slack:
            for other, (other_weight, _) in wanted.items():
                assert shares[other] / other_weight <= shares[flow] / weight + slack


# -- the queue ------------------------------------------------------------------------------------


def drain(queue: FairQueue[str]) -> list[str]:
    order = []
    while (ticket := queue.head()) is not None:
        queue.grant(ticket)
        order.append(ticket.flow)
    return order


def test_equal_flows_take_turns() -> None:
    queue: FairQueue[str] = FairQueue()
    for flow in "aaabbb":
        queue.request(flow, 10)
    assert drain(queue) == ["a", "b", "a", "b", "a", "b"]


def test_a_double_weight_has_double_turns() -> None:
    queue: FairQueue[str] = FairQueue()
    queue.set_weight("a", 2)
    for flow in "aaaabb":
        queue.request(flow, 10)
    assert drain(queue) == ["a", "b", "a", "a", "b", "a"]


def test_a_flow_that_was_idle_has_saved_nothing_up() -> None:
    queue: FairQueue[str] = FairQueue()
    for _ in range(100):
        queue.request("busy", 10)
        queue.grant(queue.head() or pytest.fail("somebody waits"))
    for flow in ["late", "busy"] * 50:
        queue.request(flow, 10)
    # One request of a head start, out of the hundred that it did not make use of.
    assert drain(queue)[:40].count("late") in (20, 21)


def test_one_that_leaves_makes_room() -> None:
    queue: FairQueue[str] = FairQueue()
    first, second = queue.request("a", 10), queue.request("a", 10)
    queue.withdraw(first)
    assert queue.head() is second
    queue.withdraw(second)
    assert queue.head() is None
    queue.forget("a")
    assert queue.idle() == frozenset()


def test_a_weight_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        FairQueue[str]().set_weight("a", 0)


@dataclass
class Customer:
    """Asks for packets at a rate of its own; `math.inf` keeps it waiting all the time."""

    weight: float
    demand: float
    sizes: list[int]
    asked: float = 0.0
    served: float = 0.0
    packets: int = 0

    def next_size(self) -> int:
        return self.sizes[self.packets % len(self.sizes)]


def simulate(
    capacity: float,
    customers: dict[str, Customer],
    seconds: float,
    change: Callable[[FairQueue[str], float], None] = lambda queue, at: None,
) -> None:
    """Serve the queue at `capacity` bytes per second, in simulated time."""
    queue: FairQueue[str] = FairQueue()
    for name, customer in customers.items():
        queue.set_weight(name, customer.weight)
    at = 0.0
    while at < seconds:
        change(queue, at)
        for name, customer in customers.items():
            due = (
                customer.served + customer.next_size()
                if customer.demand == math.inf
                else customer.demand * at
            )
            while customer.asked < due:
                queue.request(name, customer.next_size())
                customer.asked += customer.next_size()
                customer.packets += 1
        ticket = queue.head()
        if ticket is None:
            at += 0.01
            continue
        queue.grant(ticket)
        at += ticket.size_bytes / capacity
        customers[ticket.flow].served += ticket.size_bytes


customer = st.builds(
    Customer,
    weight=st.integers(1, 9),
    demand=st.one_of(st.just(math.inf), st.floats(10, 2_000)),
    sizes=st.lists(st.integers(10, 100), min_size=1, max_size=5),
)


@settings(max_examples=60)
@given(st.lists(customer, min_size=2, max_size=5))
def test_what_flows_get_comes_to_their_max_min_share(some: list[Customer]) -> None:
    capacity, seconds = 1_000.0, 50.0
    customers = {str(number): each for number, each in enumerate(some)}
    simulate(capacity, customers, seconds)
    shares = max_min_shares(capacity, {name: (each.weight, each.demand) for name, each in customers.items()})
    for name, each in customers.items():
        # A packet or two of each flow either way, over 50 s at 1,000 bytes per second.
        assert each.served / seconds == pytest.approx(shares[name], abs=0.02 * capacity)


@given(
    st.lists(
        st.builds(
            Customer,
            weight=st.integers(1, 9),
            demand=st.just(math.inf),
            sizes=st.lists(st.integers(1, 100), min_size=1, max_size=5),
        ),
        min_size=2,
        max_size=5,
    )
)
def test_backlogged_flows_never_drift_apart(some: list[Customer]) -> None:
    """Theorem 1 of Goyal, Vin and Cheng: |Wf/rf - Wm/rm| <= lf/rf + lm/rm at every moment."""
    customers = {str(number): each for number, each in enumerate(some)}

    def check(queue: FairQueue[str], at: float) -> None:
        for f in customers.values():
            for m in customers.values():
                apart = abs(f.served / f.weight - m.served / m.weight)
                assert apart <= max(f.sizes) / f.weight + max(m.sizes) / m.weight + 1e-6

    simulate(1_000.0, customers, 8.0, check)


def test_a_new_weight_counts_at_once() -> None:
    customers = {name: Customer(1, math.inf, [10]) for name in "ab"}
    before: dict[str, float] = {}

    def change(queue: FairQueue[str], at: float) -> None:
        if at >= 50 and not before:
            before.update({name: each.served for name, each in customers.items()})
            queue.set_weight("a", 9)

    simulate(100.0, customers, 100.0, change)
    assert before["a"] == pytest.approx(before["b"], abs=20)
    gained = {name: each.served - before[name] for name, each in customers.items()}
    assert gained["a"] / gained["b"] == pytest.approx(9, rel=0.05)
