from __future__ import annotations

import math
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.shares import Wish, max_min_shares

LINE = ("line",)


def on_one_link(capacity: float, wishes: Mapping[str, tuple[float, float]]) -> dict[str, float]:
    return max_min_shares({"line": capacity}, {flow: Wish(w, d, LINE) for flow, (w, d) in wishes.items()})


def test_an_example_of_the_literature() -> None:
    """S. Keshav, An Engineering Approach to Computer Networking, 1997, chapter 9: demands of 2, 2.6, 4
    and 5 on a capacity of 10."""
    shares = on_one_link(10, {"a": (1, 2), "b": (1, 2.6), "c": (1, 4), "d": (1, 5)})
    assert shares == pytest.approx({"a": 2, "b": 2.6, "c": 2.7, "d": 2.7})


def test_an_example_with_weights() -> None:
    """The same chapter's weighted example, from memory (the arithmetic was done again by hand): weights
    2.5, 4, 0.5 and 1, demands of 4, 2, 10 and 4 on a capacity of 16."""
    shares = on_one_link(16, {"a": (2.5, 4), "b": (4, 2), "c": (0.5, 10), "d": (1, 4)})
    assert shares == pytest.approx({"a": 4, "b": 2, "c": 6, "d": 4})


def test_an_example_with_several_links() -> None:
    """Bertsekas and Gallager, section 6.5.2, from memory (the arithmetic was done again by hand): links
    of capacity 1 in a row; one session crosses both, three more the first, one more the second."""
    wishes = {
        "long": Wish(1.0, links=("first", "second")),
        "a": Wish(1.0, links=("first",)),
        "b": Wish(1.0, links=("first",)),
        "c": Wish(1.0, links=("second",)),
    }
    shares = max_min_shares({"first": 1.0, "second": 1.0}, wishes)
    assert shares == pytest.approx({"long": 1 / 3, "a": 1 / 3, "b": 1 / 3, "c": 2 / 3})


def test_the_edges() -> None:
    assert on_one_link(10, {}) == {}
    assert on_one_link(10, {"a": (1, 0.0)}) == {"a": 0.0}
    assert on_one_link(0, {"a": (1, 5)}) == {"a": 0.0}
    assert on_one_link(12, {"a": (2, math.inf), "b": (1, math.inf)}) == {"a": 8.0, "b": 4.0}
    assert on_one_link(10, {"a": (3, 5e-324)}) == {"a": 0.0}
    assert max_min_shares({}, {"a": Wish(1.0, links=LINE)}) == {"a": math.inf}


links = st.sets(st.sampled_from("lmnop"), max_size=4).map(lambda some: tuple(sorted(some)))
wishes = st.dictionaries(
    st.integers(0, 20),
    st.builds(
        Wish,
        st.integers(1, 36),
        st.one_of(st.floats(0, 1e9, allow_subnormal=False), st.just(math.inf)),
        links,
    ),
    max_size=9,
)
capacities = st.dictionaries(st.sampled_from("lmnop"), st.one_of(st.just(0.0), st.floats(1, 1e9)))


@given(capacities, wishes)
def test_shares_are_max_min_fair(capacity: dict[str, float], wanted: dict[int, Wish[str]]) -> None:
    """Bertsekas and Gallager, section 6.5.2: an allocation is max-min fair if and only if each flow that
    gets less than it wants has a bottleneck, a full link on which nobody has more (here: per weight)."""
    shares = max_min_shares(capacity, wanted)
    assert set(shares) == set(wanted)
    carried = {
        link: sum(shares[flow] for flow, wish in wanted.items() if link in wish.links) for link in capacity
    }
    for link, most in capacity.items():
        assert carried[link] <= most * (1 + 1e-9)
    for flow, wish in wanted.items():
        assert shares[flow] <= wish.demand
        if shares[flow] < wish.demand * (1 - 1e-9):
            assert any(_bottleneck(link, flow, shares, wanted, capacity, carried) for link in wish.links)


def _bottleneck(
    link: str,
    flow: int,
    shares: dict[int, float],
    wanted: dict[int, Wish[str]],
    capacity: dict[str, float],
    carried: dict[str, float],
) -> bool:
    if link not in capacity or carried[link] < capacity[link] * (1 - 1e-9):
        return False
    mine = shares[flow] / wanted[flow].weight
    others = (each for each, wish in wanted.items() if link in wish.links)
    return all(shares[other] / wanted[other].weight <= mine * (1 + 1e-6) + 1e-9 for other in others)
