"""The watch: what it tells when drives come and go, and what it survives."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from ingestd.core.drive import DriveHandle, DriveIdentity, HealthFacts, Sighting
from ingestd.core.messages import DriveAppeared, DriveGone
from ingestd.core.model import BayName
from ingestd.drives.folder import FolderDrives
from ingestd.drives.watch import DriveWatch, compare, one_per_bay
from ingestd.ports import CancelToken, OpenDrive, Problem, ToolFailed
from tests.support.drives import plug_folder, unplug_folder

Told = DriveAppeared | DriveGone

INTERVAL_S = 0.01
SOON_S = 10.0


def sighting(bay: str, generation: int = 1, locator: str = "/dev/loop1") -> Sighting:
    handle = DriveHandle(locator=locator, generation=generation)
    return Sighting(bay=BayName(bay), handle=handle, identity=DriveIdentity(), interface="loop")


class ScriptedDrives:
    """Shows what it is told to show, or raises it."""

    def __init__(self, *shown: Sighting) -> None:
        self.shown: Sequence[Sighting] | Exception = shown
        self.looks = 0
        self.gate = threading.Event()
        self.gate.set()

    def enumerate(self) -> Sequence[Sighting]:
        self.looks += 1
        self.gate.wait(SOON_S)
        if isinstance(self.shown, Exception):
            raise self.shown
        return self.shown

    def open(self, handle: DriveHandle, cancel: CancelToken) -> OpenDrive:
        raise NotImplementedError

    def power_down(self, handle: DriveHandle) -> bool:
        raise NotImplementedError

    def health(self, handle: DriveHandle) -> HealthFacts:
        raise NotImplementedError

    def clean_up(self) -> Sequence[str]:
        raise NotImplementedError

    def problems(self) -> Sequence[Problem]:
        raise NotImplementedError

    def wait_looks(self, more: int) -> None:
        """Until it was looked at that often again, begun and ended."""
        target = self.looks + more + 1
        wait_until(lambda: self.looks >= target)


def wait_until(condition: Callable[[], bool]) -> None:
    until = time.monotonic() + SOON_S
    while not condition():
        assert time.monotonic() < until, "it has not come to pass"
        time.sleep(0.002)


@contextmanager
def watching(drives: ScriptedDrives | FolderDrives) -> Iterator[tuple[DriveWatch, list[Told]]]:
    told: list[Told] = []
    watch = DriveWatch(drives, told.append, INTERVAL_S, lambda: 1_700_000_000.0)
    try:
        yield watch, told
    finally:
        watch.stop()
        assert not watch.alive


# -- comparing ------------------------------------------------------------------------------------


def test_nothing_changed() -> None:
    one = sighting("bay-1")
    assert compare({one.bay: one}, [one]) == ([], [])


def test_come_and_gone() -> None:
    one, two = sighting("bay-1"), sighting("bay-2")
    assert compare({one.bay: one}, [two]) == ([one.bay], [two])


@pytest.mark.parametrize("other", [sighting("bay-1", generation=2), sighting("bay-1", locator="/dev/loop2")])
def test_another_drive_in_the_bay_is_gone_then_appeared(other: Sighting) -> None:
    one = sighting("bay-1")
    assert compare({one.bay: one}, [other]) == ([one.bay], [other])


def test_of_two_in_one_bay_the_first_counts() -> None:
    one, two = sighting("bay-1", 1), sighting("bay-1", 2)
    assert compare({}, [one, two]) == ([], [one])


def test_a_second_drive_does_not_displace_the_one_believed() -> None:
    one, two = sighting("bay-1", 1), sighting("bay-1", 2)
    assert compare({one.bay: one}, [two, one]) == ([], [])


SIGHTINGS = st.builds(sighting, st.sampled_from(["bay-1", "bay-2", "bay-3"]), st.integers(1, 3))


@given(st.lists(SIGHTINGS), st.lists(SIGHTINGS))
def test_what_is_told_leads_from_what_was_believed_to_what_is(
    before: list[Sighting], after: list[Sighting]
) -> None:
    believed = one_per_bay({}, before)
    gone, appeared = compare(believed, after)
    result = {bay: found for bay, found in believed.items() if bay not in gone}
    for found in appeared:
        assert found.bay not in result, "a drive appears only in a bay that is empty"
        result[found.bay] = found
    assert result == one_per_bay(believed, after)
    assert compare(result, after) == ([], [])


# -- watching -------------------------------------------------------------------------------------


def test_what_was_there_first_is_not_told_again() -> None:
    one = sighting("bay-1")
    drives = ScriptedDrives(one)
    with watching(drives) as (watch, told):
        assert watch.first() == (one,)
        watch.start()
        drives.wait_looks(3)
        assert told == []


def test_changes_are_told_in_order_with_the_time() -> None:
    one, other = sighting("bay-1", 1), sighting("bay-1", 2)
    drives = ScriptedDrives(one)
    with watching(drives) as (watch, told):
        watch.first()
        watch.start()
        drives.shown = (other,)
        wait_until(lambda: len(told) == 2)
        drives.shown = ()
        wait_until(lambda: len(told) == 3)
        drives.wait_looks(3)
    at = 1_700_000_000.0
    gone = DriveGone(at=at, bay=one.bay)
    assert told == [gone, DriveAppeared(at=at, sighting=other), gone]


def test_a_failing_look_is_logged_once_and_nothing_is_believed_gone() -> None:
    one = sighting("bay-1")
    drives = ScriptedDrives(one)
    with capture_logs() as logs, watching(drives) as (watch, told):
        watch.first()
        watch.start()
        drives.shown = ToolFailed("the bays cannot be listed")
        drives.wait_looks(4)
        assert [log["event"] for log in logs] == ["drive_enumeration_failed"]
        drives.shown = (one,)
        wait_until(lambda: len(logs) == 2)
        drives.shown = ValueError("something never thought of")
        wait_until(lambda: len(logs) == 3)
        assert watch.alive
        drives.shown = ()
        wait_until(lambda: len(told) == 1)
    failed, works = "drive_enumeration_failed", "drive_enumeration_works_again"
    assert [log["event"] for log in logs] == [failed, works, failed, works]
    assert told == [DriveGone(at=1_700_000_000.0, bay=one.bay)]


def test_a_first_look_that_fails_is_not_known_and_never_empty() -> None:
    one = sighting("bay-1")
    drives = ScriptedDrives()
    drives.shown = ToolFailed("not yet")
    with capture_logs() as logs, watching(drives) as (watch, told):
        assert watch.first() is None
        assert watch.first() is None
        assert watch.trouble == "not yet"
        drives.shown = (one,)
        assert watch.first() == (one,)
        drives.shown = ()
        assert watch.first() == (), "an empty station is known to be empty"
        watch.start()
        drives.shown = (one,)
        wait_until(lambda: len(told) == 1)
    assert [log["event"] for log in logs] == ["drive_enumeration_failed", "drive_enumeration_works_again"]


def test_a_second_drive_in_a_bay_is_logged_once() -> None:
    one, two = sighting("bay-1", 1, "/dev/loop1"), sighting("bay-1", 2, "/dev/loop2")
    drives = ScriptedDrives(one, two)
    with capture_logs() as logs, watching(drives) as (watch, told):
        assert watch.first() == (one,)
        watch.start()
        drives.wait_looks(3)
        drives.shown = (two,)
        wait_until(lambda: len(told) == 2)
    assert [(log["event"], log["ignored"]) for log in logs] == [("second_drive_in_bay", "/dev/loop2")]
    assert told[1] == DriveAppeared(at=1_700_000_000.0, sighting=two)


def test_the_beat_stops_when_a_look_hangs() -> None:
    drives = ScriptedDrives()
    with watching(drives) as (watch, _):
        watch.start()
        drives.wait_looks(2)
        before = watch.beat
        wait_until(lambda: watch.beat > before)
        drives.gate.clear()
        drives.wait_looks(0)
        hung = watch.beat
        time.sleep(10 * INTERVAL_S)
        assert watch.beat == hung
        assert watch.alive
        drives.gate.set()
        wait_until(lambda: watch.beat > hung)


def test_a_listener_that_breaks_ends_the_watch_aloud() -> None:
    def refuse(event: Told) -> None:
        raise RuntimeError("no room")

    drives = ScriptedDrives(sighting("bay-1"))
    watch = DriveWatch(drives, refuse, INTERVAL_S, time.time)
    with capture_logs() as logs:
        watch.start()
        wait_until(lambda: not watch.alive)
    assert [log["event"] for log in logs] == ["drive_watch_died"]


def test_stopping_does_not_wait_for_a_look_that_hangs() -> None:
    drives = ScriptedDrives()
    with watching(drives) as (watch, _):
        watch.start()
        drives.wait_looks(2)
        drives.gate.clear()
        drives.wait_looks(0)
        began = time.monotonic()
        watch.stop(within_s=0.05)
        assert time.monotonic() - began < 2
        assert watch.alive
        drives.gate.set()


def test_stopping_before_starting_is_fine() -> None:
    with watching(ScriptedDrives()) as (watch, _):
        assert not watch.alive


def test_real_folders_come_and_go(tmp_path: Path) -> None:
    with watching(FolderDrives(str(tmp_path))) as (watch, told):
        watch.first()
        watch.start()
        plug_folder(tmp_path, "bay-1", serial="KX-1")
        wait_until(lambda: len(told) == 1)
        plug_folder(tmp_path, "bay-1", serial="KX-2")
        wait_until(lambda: len(told) == 3)
        unplug_folder(tmp_path, "bay-1")
        wait_until(lambda: len(told) == 4)
    kinds = [type(event).__name__ for event in told]
    assert kinds == ["DriveAppeared", "DriveGone", "DriveAppeared", "DriveGone"]
    serials = [event.sighting.identity.serial for event in told if isinstance(event, DriveAppeared)]
    assert serials == ["KX-1", "KX-2"]
