"""Turns on the line, in simulated time: exact where the threads of the governor can only be nearly so."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.line import NO_CAP, SITE, Cap, Course, Line, Link
from ingestd.core.shares import Wish, max_min_shares

MB = 1_000_000
HARROW, ALDER = Link("store", "harrow-archive"), Link("store", "alder-vault")
BAYS = [Link("bay", f"bay-{number}") for number in range(1, 17)]


@dataclass
class Customer:
    """Asks for bytes at a rate of its own; `math.inf` keeps `threads` requests waiting all the time."""

    course: Course = Course()
    demand: float = math.inf
    piece: int = 1 << 20
    threads: int = 2
    asked: int = 0
    waits: int = 0
    served: int = 0
    grants: list[tuple[float, int]] = field(default_factory=list)


Change = Callable[[Line, float], None]


def unchanged(line: Line, at: float) -> None:
    del line, at


def simulate(
    caps: Mapping[Link, Cap],
    customers: Mapping[str, Customer],
    seconds: float,
    change: Change = unchanged,
    *,
    late_s: float = 0.0,
) -> None:
    """Let the customers take from a line for so long. Each turn is taken `late_s` after it has come."""
    line, at = Line(), 0.0
    line.set_caps(caps, at)
    for name, customer in customers.items():
        line.set_course(name, customer.course)
    while at < seconds:
        change(line, at)
        for name, customer in customers.items():
            _ask(line, name, customer, at)
        turn = line.next(at)
        if turn is None:
            at += 0.001
        elif turn.wait_s > 0:
            at += min(turn.wait_s + late_s, 0.01)
        else:
            line.grant(turn, at)
            customer = customers[turn.ticket.flow]
            customer.waits -= 1
            customer.served += turn.size_bytes
            customer.grants.append((at, turn.size_bytes))
            customer.asked -= turn.ticket.wanted_bytes - turn.size_bytes


def _ask(line: Line, name: str, customer: Customer, at: float) -> None:
    while customer.waits < customer.threads and (
        customer.demand == math.inf or customer.asked + customer.piece <= customer.demand * at
    ):
        line.request(name, customer.piece)
        customer.asked += customer.piece
        customer.waits += 1


def shares(caps: Mapping[Link, Cap], customers: Mapping[str, Customer]) -> dict[str, float]:
    capacities = {link: float(cap.rate_bytes_per_second or math.inf) for link, cap in caps.items()}
    return max_min_shares(
        capacities, {name: Wish(c.course.weight, c.demand, c.course.links) for name, c in customers.items()}
    )


def window_max(grants: list[tuple[float, int]], length_s: float) -> int:
    worst = inside = first = 0
    for at, size in grants:
        inside += size
        while at - grants[first][0] > length_s:
            inside -= grants[first][1]
            first += 1
        worst = max(worst, inside)
    return worst


def all_grants(customers: Mapping[str, Customer]) -> list[tuple[float, int]]:
    return sorted(grant for customer in customers.values() for grant in customer.grants)


# -- order ----------------------------------------------------------------------------------------


def drain(line: Line) -> list[str]:
    """Who gets the waiting requests, and in which order."""
    order, at = [], 0.0
    while (turn := line.next(at)) is not None:
        at += turn.wait_s
        if turn.wait_s == 0:
            line.grant(turn, at)
            order.append(turn.ticket.flow)
    return order


def test_equal_flows_take_turns() -> None:
    line = Line()
    for flow in "aaabbb":
        line.request(flow, 10)
    assert drain(line) == ["a", "b", "a", "b", "a", "b"]


def test_a_double_weight_has_double_turns() -> None:
    line = Line()
    line.set_course("a", Course(2))
    for flow in "aaaabb":
        line.request(flow, 10)
    assert drain(line) == ["a", "b", "a", "a", "b", "a"]


def test_a_flow_that_was_idle_has_saved_nothing_up() -> None:
    line = Line()
    for _ in range(100):
        line.request("busy", 10)
        drain(line)
    for flow in ["late", "busy"] * 50:
        line.request(flow, 10)
    # One request of a head start, out of the hundred that it did not make use of.
    assert drain(line)[:40].count("late") in (20, 21)


def test_one_that_leaves_makes_room() -> None:
    line = Line()
    first, second = line.request("a", 10), line.request("a", 10)
    line.withdraw(first)
    turn = line.next(0.0)
    assert turn is not None
    assert turn.ticket is second
    line.withdraw(second)
    assert line.next(0.0) is None
    line.forget("a")
    assert line.idle() == frozenset()


def test_a_weight_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        Line().set_course("a", Course(0))


def test_a_request_is_granted_in_pieces_that_fit_every_budget_on_its_way() -> None:
    line = Line()
    line.set_caps({SITE: Cap(80 * MB), BAYS[0]: Cap(MB, 50_000)}, 0.0)
    line.set_course("a", Course(1, bay=BAYS[0]))
    line.request("a", 40 * MB)
    line.request("b", 4 * MB)
    first = line.next(0.0)
    assert first is not None
    assert (first.ticket.flow, first.size_bytes) == ("a", 25_000)
    line.grant(first, 0.0)
    second = line.next(0.0)
    assert second is not None
    assert (second.ticket.flow, second.size_bytes) == ("b", 4 * MB)


# -- what it comes to -----------------------------------------------------------------------------

courses = st.builds(
    Course,
    weight=st.integers(1, 9),
    store=st.sampled_from([None, HARROW, ALDER]),
    bay=st.sampled_from([None, *BAYS[:3]]),
)
customers = st.builds(
    Customer,
    course=courses,
    demand=st.one_of(st.just(math.inf), st.integers(MB, 50 * MB).map(float)),
    piece=st.sampled_from([64 << 10, 256 << 10, 1 << 20]),
    threads=st.integers(1, 3),
)
some_caps = st.dictionaries(
    st.sampled_from([SITE, HARROW, ALDER, *BAYS[:3]]), st.integers(2 * MB, 60 * MB).map(Cap), min_size=1
)


def one_load_a_bay(some: list[Customer]) -> dict[str, Customer]:
    taken: set[Link] = set()
    for customer in some:
        if customer.course.bay in taken:
            customer.course = Course(customer.course.weight, customer.course.store)
        elif customer.course.bay is not None:
            taken.add(customer.course.bay)
    return {str(number): customer for number, customer in enumerate(some)}


@settings(max_examples=30, deadline=None)
@given(some_caps, st.lists(customers, min_size=1, max_size=6))
def test_what_flows_get_comes_to_their_max_min_share(caps: dict[Link, Cap], some: list[Customer]) -> None:
    flows = {name: c for name, c in one_load_a_bay(some).items() if set(c.course.links) & set(caps)}
    seconds = 8.0
    simulate(caps, flows, seconds)
    for name, share in shares(caps, flows).items():
        # The bursts at the beginning, and a piece or two of each flow either way.
        bursts = sum(cap.burst for link, cap in caps.items() if link in flows[name].course.links)
        slack = bursts + 6 * (1 << 20)
        assert abs(flows[name].served - share * seconds) <= slack + 0.02 * share * seconds
    for link, cap in caps.items():
        grants = all_grants({n: c for n, c in flows.items() if link in c.course.links})
        assert window_max(grants, 1.0) <= (cap.rate_bytes_per_second or 0) + cap.burst + 1


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.builds(
            Customer,
            course=st.builds(Course, weight=st.integers(1, 9)),
            piece=st.integers(1, 100),
            threads=st.integers(1, 3),
        ),
        min_size=2,
        max_size=5,
    )
)
def test_backlogged_flows_never_drift_apart(some: list[Customer]) -> None:
    """Theorem 1 of Goyal, Vin and Cheng: |Wf/rf - Wm/rm| <= lf/rf + lm/rm at every moment."""
    flows = {str(number): each for number, each in enumerate(some)}

    def check(line: Line, at: float) -> None:
        for f in flows.values():
            for m in flows.values():
                apart = abs(f.served / f.course.weight - m.served / m.course.weight)
                assert apart <= f.piece / f.course.weight + m.piece / m.course.weight + 1e-6

    simulate({SITE: Cap(1_000, 200)}, flows, 3.0, check)


@pytest.mark.parametrize("rate", [20 * MB, 200 * MB, 800 * MB])
@pytest.mark.parametrize(("loads", "weights"), [(1, (1,)), (4, (1,)), (16, (1,)), (16, (1, 2, 4, 9))])
def test_the_figures_of_a_site(rate: int, loads: int, weights: tuple[int, ...]) -> None:
    """Exact in simulated time, with threads that wake up late: the mean, the shares, the largest window."""
    flows = {
        str(n): Customer(Course(weights[n % len(weights)], HARROW, BAYS[n]), piece=rate // 800)
        for n in range(loads)
    }
    seconds = 5.0
    simulate({SITE: Cap(rate)}, flows, seconds, late_s=0.005)
    total = sum(customer.served for customer in flows.values())
    assert 0.995 * rate * seconds <= total <= rate * seconds + Cap(rate).burst + 1
    assert window_max(all_grants(flows), 1.0) <= rate + Cap(rate).burst + 1
    parts = sum(customer.course.weight for customer in flows.values())
    for customer in flows.values():
        fair = total * customer.course.weight / parts
        assert customer.served == pytest.approx(fair, rel=0.02)


def test_a_limited_store_leaves_the_rest_to_the_others_and_shares_its_own_by_weight() -> None:
    caps = {SITE: Cap(100 * MB), HARROW: Cap(20 * MB), BAYS[3]: Cap(4 * MB)}
    flows = {
        "a": Customer(Course(1, HARROW, BAYS[0])),
        "b": Customer(Course(3, HARROW, BAYS[1])),
        "c": Customer(Course(2, ALDER, BAYS[2])),
        "d": Customer(Course(9, ALDER, BAYS[3])),
    }
    simulate(caps, flows, 20.0)
    rates = {name: customer.served / 20.0 / MB for name, customer in flows.items()}
    assert rates == pytest.approx({"a": 5.0, "b": 15.0, "c": 76.0, "d": 4.0}, rel=0.03)


# -- changes --------------------------------------------------------------------------------------


def gained(
    flows: Mapping[str, Customer], caps: Mapping[Link, Cap], change: Change, at: float, until: float
) -> dict[str, float]:
    """Bytes per second of each flow between a change and a moment later."""
    done = False

    def changing(line: Line, now: float) -> None:
        nonlocal done
        if not done and now >= at:
            done = True
            change(line, now)

    simulate(caps, flows, until, changing)
    return {
        name: sum(size for when, size in customer.grants if when >= at) / (until - at)
        for name, customer in flows.items()
    }


def test_a_new_weight_counts_at_once() -> None:
    flows = {name: Customer(Course(1), piece=64 << 10) for name in "ab"}
    rates = gained(flows, {SITE: Cap(20 * MB)}, lambda line, _: line.set_course("a", Course(9)), 5.0, 10.0)
    assert rates["a"] / rates["b"] == pytest.approx(9, rel=0.05)


@pytest.mark.parametrize("link", [HARROW, BAYS[0]])
def test_one_whose_limit_is_lifted_has_saved_nothing_up(link: Link) -> None:
    """Else it would have had the line for itself for as long as it had been limited."""
    flows = {"a": Customer(Course(1, HARROW, BAYS[0])), "b": Customer(Course(1, ALDER, BAYS[1]))}
    caps = {SITE: Cap(20 * MB), link: Cap(MB)}
    rates = gained(flows, caps, lambda line, now: line.set_caps({SITE: Cap(20 * MB)}, now), 30.0, 32.0)
    assert rates["b"] == pytest.approx(rates["a"], rel=0.3)


def test_one_that_comes_to_a_limited_store_late_waits_for_no_more_than_its_share() -> None:
    """The others of that store lag behind the rest of the line by then; it begins where they are."""
    flows = {
        "a": Customer(Course(1, HARROW)),
        "b": Customer(Course(1, ALDER)),
        "late": Customer(Course(1, HARROW), threads=0),
    }

    def arrive(line: Line, now: float) -> None:
        flows["late"].threads = 2

    rates = gained(flows, {SITE: Cap(40 * MB), HARROW: Cap(4 * MB)}, arrive, 30.0, 40.0)
    assert rates["late"] == pytest.approx(2 * MB, rel=0.1)
    assert rates["a"] == pytest.approx(2 * MB, rel=0.1)


@pytest.mark.parametrize("loads", [1, 16])
def test_a_smaller_cap_counts_for_what_waits_already(loads: int) -> None:
    flows = {str(n): Customer(Course(1), piece=4 << 20) for n in range(loads)}
    small = Cap(MB)

    def shrink(line: Line, now: float) -> None:
        line.set_caps({SITE: small}, now)

    rates = gained(flows, {SITE: Cap(80 * MB)}, shrink, 1.0, 5.0)
    assert sum(rates.values()) * 4 <= 4 * MB + small.burst + 1


def test_lifted_caps_are_forgotten() -> None:
    line = Line()
    line.set_caps({SITE: Cap(MB), HARROW: Cap(MB)}, 0.0)
    assert line.limited([HARROW])
    line.set_caps({SITE: NO_CAP}, 0.0)
    assert not line.limited([SITE, HARROW])
