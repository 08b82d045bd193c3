"""How many requests are on their way, over lines in simulated time."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.window import Window


@dataclass
class FarStore:
    """Takes so many requests a second, one after the other, and each answer has so far to come."""

    per_second: float
    away_s: float
    now: float = 0.0
    free_at: float = 0.0
    on_the_way: list[tuple[float, float]] = field(default_factory=list)
    answers: int = 0

    def send(self) -> None:
        self.free_at = max(self.now, self.free_at) + 1 / self.per_second
        heapq.heappush(self.on_the_way, (self.free_at + self.away_s, self.now))

    def work(self, window: Window, seconds: float, offered_per_second: float = 1e9) -> float:
        """Keep the window full, as far as there is something to send; what was answered in a second."""
        until, before, began, sent = self.now + seconds, self.answers, self.now, 0
        while self.now < until:
            while len(self.on_the_way) < window.size and sent <= (self.now - began) * offered_per_second:
                self.send()
                sent += 1
            if not self.on_the_way:
                self.now += 1 / offered_per_second
                continue
            at, sent_at = heapq.heappop(self.on_the_way)
            self.now = max(self.now, at)
            self.answers += 1
            window.answered(self.now - sent_at, self.now)
        return (self.answers - before) / seconds


LINES = [(1900.0, 0.05), (1900.0, 0.2), (300.0, 0.2), (2000.0, 0.002), (40.0, 1.0)]


@pytest.mark.parametrize(("per_second", "away_s"), LINES)
def test_a_line_is_filled_within_seconds_and_kept_full(per_second: float, away_s: float) -> None:
    store, window = FarStore(per_second, away_s), Window(4, 2000)
    store.work(window, 10 + 20 * away_s)
    assert store.work(window, 70) > 0.98 * per_second


@pytest.mark.parametrize(("per_second", "away_s"), LINES)
def test_no_more_than_the_line_needs_is_on_the_way(per_second: float, away_s: float) -> None:
    store, window = FarStore(per_second, away_s), Window(4, 2000)
    for _ in range(100):
        store.work(window, 1)
        assert window.size <= max(4, 2.5 * per_second * (away_s + 1 / per_second) + 4)


def test_a_line_that_becomes_longer_is_filled_again() -> None:
    store, window = FarStore(1900, 0.02), Window(4, 2000)
    store.work(window, 20)
    store.away_s = 0.2
    store.work(window, 30)
    assert store.work(window, 30) > 0.98 * 1900


def test_a_line_that_becomes_shorter_needs_fewer() -> None:
    store, window = FarStore(1900, 0.2), Window(4, 2000)
    store.work(window, 20)
    assert window.size > 380
    store.away_s = 0.02
    store.work(window, 100)
    assert window.size < 120


def test_what_a_drive_gives_is_no_more_than_needs_to_be_on_the_way() -> None:
    store, window = FarStore(1900, 0.1), Window(4, 2000)
    assert store.work(window, 60, offered_per_second=100) == pytest.approx(100, rel=0.05)
    assert window.size < 50


def test_a_pause_says_nothing_about_the_line() -> None:
    store, window = FarStore(1900, 0.2), Window(4, 2000)
    store.work(window, 20)
    before = window.size
    store.now += 3600
    store.work(window, 1)
    assert window.size > 0.8 * before


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), max_size=200))
def test_whatever_is_seen_it_stays_within_its_bounds(seen: list[tuple[float, float]]) -> None:
    window, now = Window(3, 50), 0.0
    for took_s, passed_s in seen:
        now += passed_s
        window.answered(took_s, now)
        assert 3 <= window.size <= 50


def test_bounds_that_let_nothing_through_are_refused() -> None:
    with pytest.raises(ValueError, match="lets nothing through"):
        Window(5, 4)
