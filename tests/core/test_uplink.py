"""Whose word counts for the line: the configuration's, the timetable's or a message's; and the plan."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import pytest

from ingestd.core.line import NO_CAP, SITE, Cap, Course, Link
from ingestd.core.messages import UplinkSet
from ingestd.core.plan import plan_at
from ingestd.core.timetable import Entry, Timetable
from ingestd.core.uplink import InForce, Limit, UplinkOrder, UplinkSettings, caps, changes, in_force, weight
from tests.core.test_timetable import at
from tests.support import values as v
from tests.support.one_station import Quay

MB = 1_000_000
OFFICE = Entry((0, 1, 2, 3, 4), 8 * 60, 18 * 60, Cap(20 * MB))
NIGHT = Entry((0, 1, 2, 3, 4), 22 * 60, 6 * 60, NO_CAP)
SETTINGS = UplinkSettings(
    cap=Cap(100 * MB),
    timetable=Timetable(entries=(OFFICE, NIGHT)),
    stores=(Limit("harrow-archive", 50 * MB),),
    bays=(Limit("bay-3", 5 * MB),),
)
FRIDAY_NOON = at("2026-06-05 12:00")
HOUR = 3_600.0


def test_the_timetable_counts_while_an_entry_is_in_force_and_the_configured_cap_between_them() -> None:
    office = in_force(SETTINGS, None, FRIDAY_NOON)
    assert office == InForce(cap=Cap(20 * MB), source="timetable", entry="mon-fri 08:00-18:00 UTC")
    assert in_force(SETTINGS, None, FRIDAY_NOON + 7 * HOUR).source == "configuration"
    night = in_force(SETTINGS, None, FRIDAY_NOON + 11 * HOUR)
    assert (night.cap, night.source) == (NO_CAP, "timetable")


def test_a_message_counts_for_the_cap_whatever_the_timetable_does_until_its_time() -> None:
    order = UplinkOrder(cap=Cap(7 * MB), until=FRIDAY_NOON + 8 * HOUR)
    for hours in (0, 5, 6.5, 7.9):
        assert in_force(SETTINGS, order, FRIDAY_NOON + hours * HOUR).source == "message"
    after = in_force(SETTINGS, order, FRIDAY_NOON + 8 * HOUR)
    assert (after.cap, after.source) == (Cap(100 * MB), "configuration")


def test_a_message_without_a_cap_leaves_that_as_configured() -> None:
    assert in_force(SETTINGS, UplinkOrder(), FRIDAY_NOON).source == "timetable"


def test_a_message_may_lift_the_cap() -> None:
    assert in_force(SETTINGS, UplinkOrder(cap=NO_CAP), FRIDAY_NOON).cap == NO_CAP


def test_the_changes_to_come() -> None:
    coming = changes(SETTINGS, None, FRIDAY_NOON)
    told = [((moment - FRIDAY_NOON) / HOUR, then.cap) for moment, then in islice(coming, 4)]
    assert told == [(6, Cap(100 * MB)), (10, NO_CAP), (18, Cap(100 * MB)), (68, Cap(20 * MB))]


def test_what_a_message_sets_changes_when_its_time_is_over_and_else_never() -> None:
    order = UplinkOrder(cap=Cap(7 * MB), until=FRIDAY_NOON + 8 * HOUR)
    told = [
        ((moment - FRIDAY_NOON) / HOUR, then.cap) for moment, then in changes(SETTINGS, order, FRIDAY_NOON)
    ]
    assert told[:2] == [(8, Cap(100 * MB)), (10, NO_CAP)]
    for_ever = replace(order, until=None)
    assert list(changes(SETTINGS, for_ever, FRIDAY_NOON)) == []


def test_limits_of_a_message_replace_those_configured_by_name() -> None:
    order = UplinkOrder(bays=(Limit("bay-3", None), Limit("bay-4", MB)), until=FRIDAY_NOON + HOUR)
    store, three, four = Link("store", "harrow-archive"), Link("bay", "bay-3"), Link("bay", "bay-4")
    assert caps(SETTINGS, order, FRIDAY_NOON) == {SITE: Cap(20 * MB), store: Cap(50 * MB), four: Cap(MB)}
    assert caps(SETTINGS, order, FRIDAY_NOON + HOUR)[three] == Cap(5 * MB)
    assert SITE not in caps(UplinkSettings(), None, FRIDAY_NOON)


# -- weights --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("due_in_s", "expected"), [(None, 5.0), (7_201.0, 5.0), (7_200.0, 20.0), (0.0, 20.0), (-9_999.0, 20.0)]
)
def test_a_job_weighs_more_when_its_due_time_is_near_or_past(due_in_s: float | None, expected: float) -> None:
    guarded = UplinkSettings(due_guard_s=7_200.0, due_guard_factor=4.0)
    due_at = None if due_in_s is None else FRIDAY_NOON + due_in_s
    assert weight(guarded, 5, due_at, FRIDAY_NOON) == expected
    assert weight(UplinkSettings(), 5, due_at, FRIDAY_NOON) == 5.0


def test_weights_go_by_priority() -> None:
    assert weight(UplinkSettings(weights=(1, 1, 2, 2, 4, 4, 8, 8, 16)), 9, None, 0.0) == 16.0


# -- the plan -------------------------------------------------------------------------------------


def test_the_plan_has_every_load_at_work_with_its_store_and_bay() -> None:
    quay = Quay().announce(v.job(priority=7)).plug("bay-1").surveyed()
    (load,) = quay.station.loads.values()
    plan = plan_at(quay.station, quay.at)
    store = Link("store", v.job().destination.store)
    assert plan.courses == {load.load_id: Course(7.0, store, Link("bay", "bay-1"))}
    assert plan.caps == {}
    quay.amend(v.job(version=2, priority=9))
    assert plan_at(quay.station, quay.at).courses[load.load_id].weight == 9.0


def test_a_load_that_sends_nothing_is_not_in_the_plan() -> None:
    quay = Quay().announce(v.job()).plug("bay-1")
    assert plan_at(quay.station, quay.at).courses == {}


def test_what_a_message_sets_is_in_the_plan_until_its_time() -> None:
    quay = Quay()
    quay.take(UplinkSet(at=quay.at, order=UplinkOrder(cap=Cap(MB), until=quay.at + 60.0)))
    assert plan_at(quay.station, quay.at).site == Cap(MB)
    assert plan_at(quay.station, quay.at + 60.0).site == NO_CAP
