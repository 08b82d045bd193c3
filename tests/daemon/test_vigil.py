"""The daemon's eye on itself: threads that hang, and a stop that does not come to an end."""

from __future__ import annotations

import threading

import pytest
from structlog.testing import capture_logs

from ingestd.runtime.host import Signals
from ingestd.runtime.vigil import HUNG_S, STOP_SPARE_S, Backstop, Pulse, Vigil
from tests.support.at_work import FakeClock
from tests.support.daemon import wait_for


class Watched:
    """Two threads, looked at ten times a second."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.vigil = Vigil(self.clock)
        self.beats = {"bus": self.clock.seconds, "status": self.clock.seconds}

    def look(self) -> None:
        self.vigil.look({n: Pulse(beat, HUNG_S, f"{n} is deaf") for n, beat in self.beats.items()})

    def pass_time(self, seconds: float, *beating: str) -> None:
        for _ in range(round(seconds)):
            self.clock.seconds += 1.0
            self.beats.update(dict.fromkeys(beating, self.clock.seconds))
            self.look()


@pytest.fixture
def watched() -> Watched:
    return Watched()


def test_threads_that_move_are_no_trouble(watched: Watched) -> None:
    with capture_logs() as logs:
        watched.pass_time(5 * HUNG_S, "bus", "status")
    assert logs == []
    assert watched.vigil.trouble == []


def test_a_thread_that_hangs_is_told_of_once_and_until_it_moves(watched: Watched) -> None:
    with capture_logs() as logs:
        watched.pass_time(HUNG_S, "status")
        assert logs == []
        watched.pass_time(3 * HUNG_S, "status")
        (trouble,) = watched.vigil.trouble
        assert trouble.startswith("bus is deaf: the thread bus has not moved for 60 seconds; ")
        watched.pass_time(1, "bus", "status")
    assert [(log["event"], log["thread"]) for log in logs] == [
        ("thread_hung", "bus"),
        ("thread_moves_again", "bus"),
    ]
    assert watched.vigil.trouble == []


def test_a_process_that_was_suspended_does_not_take_its_threads_for_hung(watched: Watched) -> None:
    with capture_logs() as logs:
        watched.clock.seconds += 10 * HUNG_S
        watched.look()
        watched.pass_time(HUNG_S - 1)
        assert logs == []
        watched.pass_time(2, "bus")
    assert [(log["event"], log["thread"]) for log in logs] == [("thread_hung", "status")]


# -- the end of a stop -----------------------------------------------------------------------------


def test_a_stop_that_does_not_end_is_cut_short() -> None:
    signals, clock, ends = Signals(), FakeClock(), list[int]()
    backstop = Backstop(signals, lambda: 5.0, clock, ends.append)
    backstop.start()
    clock.seconds += 100
    assert backstop.left_s() == 5.0 + STOP_SPARE_S
    signals.stop = True
    wait_for(lambda: backstop.stop_asked, 5.0, "the stop noticed")
    clock.seconds += 5.0
    assert backstop.left_s() == pytest.approx(STOP_SPARE_S)
    assert ends == []
    with capture_logs() as logs:
        clock.seconds += STOP_SPARE_S
        wait_for(lambda: ends, 5.0, "the end")
    assert ends == [0]
    assert [log["event"] for log in logs] == ["stop_cut_short"]


def test_what_has_ended_is_not_cut_short() -> None:
    signals, clock, ends = Signals(), FakeClock(), list[int]()
    backstop = Backstop(signals, lambda: 5.0, clock, ends.append)
    backstop.start()
    backstop.stop()
    wait_for(lambda: "backstop" not in [t.name for t in threading.enumerate()], 5.0, "the end of the thread")
    signals.stop = True
    clock.seconds += 100
    assert ends == []
