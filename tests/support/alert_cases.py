"""For each alert: what makes it fire, from a known moment on, and what is near and does not.

Series are in promtool's notation, a sample every minute. Trouble begins after an hour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Series = Mapping[str, str]

SITE = "harrow-quay"
ELSEWHERE = "brine-wharf"
"""Another site, for what must not count together."""
HERE = f'site="{SITE}",station="quay-03"'
BEGINS_MIN = 60
_MINUTES = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    fires: Series
    quiet: Series
    after_min: int
    """So long after the trouble has begun it is told of; not before."""
    begins_min: int = BEGINS_MIN
    step_min: int = 1


def turns(good: object, bad: object) -> str:
    """As it should be for an hour, and then not any more."""
    return f"{good}x{BEGINS_MIN - 1} {bad}x{_MINUTES}"


def always(value: object) -> str:
    return f"{value}x{_MINUTES}"


def stops(rate: int = 9) -> str:
    """A counter that moves for an hour, and then not any more."""
    return f"0+{rate}x{BEGINS_MIN} {rate * BEGINS_MIN}x{_MINUTES}"


def begins(rate: int) -> str:
    """A counter that begins to move after an hour."""
    return f"0x{BEGINS_MIN - 1} {rate}+{rate}x{_MINUTES}"


def appears(value: object) -> str:
    return f"_x{BEGINS_MIN} {value}x{_MINUTES}"


def vanishes(value: object) -> str:
    return f"{value}x{BEGINS_MIN - 1} stale"


def quays(name: str, labels: str, *values: str, site: str = SITE) -> Series:
    """The same metric at several stations of a site."""
    return {
        f'{name}{{site="{site}",station="quay-{number:02}",{labels}}}': value
        for number, value in enumerate(values, 3)
    }


def phase(bay: str, name: str) -> str:
    return f'ingestd_bay_phase{{{HERE},bay="{bay}",phase="{name}"}}'


BUSY: Series = {
    f'ingestd_loads{{{HERE},phase="loading"}}': always(2),
    phase("bay-1", "loading"): always(1),
}
"""Two loads under way."""

WENT_DOWN, UP = turns(1, 0), always(1)
CAME_UP = turns(0, 1)
_NEVER = always(0)
_ANSWERED = "0+60x400"
"""A moment that is always now."""
_DAYS = 29
_HOURS = 24 * _DAYS


def held(reason: str, since: str) -> Series:
    return {
        phase("bay-2", "held"): CAME_UP,
        f'ingestd_bay_waits{{{HERE},bay="bay-2",reason="{reason}"}}': appears(1),
        f'ingestd_bay_since_timestamp_seconds{{{HERE},bay="bay-2"}}': appears(since),
        f'ingestd_hold_oldest_timestamp_seconds{{{HERE},reason="{reason}"}}': appears(since),
    }


_HELD_AT = str(BEGINS_MIN * 60)

CASES: Mapping[str, Case] = {
    "IngestSiteStoreDown": Case(
        fires={
            **quays("ingestd_store_up", 'store="archive"', WENT_DOWN, WENT_DOWN, WENT_DOWN, UP),
            # The fourth is at work, the fifth has not asked for an hour and more.
            **quays(
                "ingestd_store_last_success_timestamp_seconds", 'store="archive"',
                _NEVER, _NEVER, _NEVER, _ANSWERED,
            ),
        },
        quiet={
            **quays("ingestd_store_up", 'store="archive"', WENT_DOWN, WENT_DOWN, UP, UP),
            **quays(
                "ingestd_store_last_success_timestamp_seconds", 'store="archive"',
                _NEVER, _NEVER, _ANSWERED, _ANSWERED,
            ),
            **quays("ingestd_store_up", 'store="cold"', WENT_DOWN),
            **quays("ingestd_store_up", 'store="cold"', WENT_DOWN, site=ELSEWHERE),
        },
        after_min=2,
    ),
    "IngestSiteHolds": Case(
        fires=quays("ingestd_holds", 'reason="store-refused"', CAME_UP, CAME_UP, "0x400", "0x400"),
        quiet={
            **quays("ingestd_holds", 'reason="store-refused"', turns(0, 5), "0x400"),
            **quays("ingestd_holds", 'reason="store-refused"', turns(0, 1), site=ELSEWHERE),
            **quays("ingestd_holds", 'reason="doubtful"', turns(0, 1), turns(0, 1)),
        },
        after_min=2,
    ),
    "IngestSiteBrokerDown": Case(
        fires=quays("ingestd_bus_up", 'direction="in"', WENT_DOWN, WENT_DOWN, UP),
        quiet={
            **quays("ingestd_bus_up", 'direction="in"', WENT_DOWN, WENT_DOWN, UP, UP),
            **quays("ingestd_bus_up", 'direction="in"', WENT_DOWN, UP, site=ELSEWHERE),
            **quays("ingestd_bus_up", 'direction="out"', WENT_DOWN, WENT_DOWN, UP, UP),
        },
        after_min=2,
    ),
    "IngestSiteSilent": Case(
        # Of four, one is silent and two have gone from the list.
        fires=quays("up", 'job="ingestd"', WENT_DOWN, vanishes(1), vanishes(1), UP),
        quiet={
            **quays("up", 'job="ingestd"', WENT_DOWN, WENT_DOWN, UP, UP),
            **quays("up", 'job="ingestd"', WENT_DOWN, site=ELSEWHERE),
        },
        after_min=2,
    ),
    "IngestStationSilent": Case(
        fires=quays("up", 'job="ingestd",instance="quay:9758"', WENT_DOWN, UP),
        quiet={f'up{{job="ingestd",{HERE}}}': UP, f'up{{job="node",{HERE}}}': WENT_DOWN},
        after_min=3,
    ),
    "IngestStationGone": Case(
        fires=quays("up", 'job="ingestd"', vanishes(1), UP),
        # It answers under another address, or does not answer.
        quiet={
            f'up{{job="ingestd",instance="10.1.0.3:9758",{HERE}}}': vanishes(1),
            f'up{{job="ingestd",instance="10.1.0.4:9758",{HERE}}}': appears(1),
            **quays("up", 'job="ingestd"', WENT_DOWN, site=ELSEWHERE),
        },
        after_min=5,
    ),
    "IngestStationRestarts": Case(
        # Anew every five minutes.
        fires={f'process_start_time_seconds{{job="ingestd",{HERE}}}':
               "7x59 8x4 9x4 10x4 11x4 12x4 13x4 14x4 15x4 16x400"},
        quiet={f'process_start_time_seconds{{job="ingestd",{HERE}}}': "7x59 8x20 9x400"},
        after_min=10,
    ),
    "IngestStationNotReady": Case(
        fires={f"ingestd_ready{{{HERE}}}": WENT_DOWN, f"ingestd_draining{{{HERE}}}": _NEVER},
        quiet={f"ingestd_ready{{{HERE}}}": WENT_DOWN, f"ingestd_draining{{{HERE}}}": CAME_UP},
        after_min=5,
    ),
    "IngestThreadStalled": Case(
        fires={f'ingestd_thread_stalled{{{HERE},thread="bus"}}': CAME_UP},
        quiet={f'ingestd_thread_stalled{{{HERE},thread="bus"}}': _NEVER},
        after_min=1,
    ),
    "IngestNoProgress": Case(
        # One drive is read, another is surveyed, and both stop; a third is not let go.
        fires={**BUSY, f'ingestd_read_bytes_total{{{HERE},bay="bay-1"}}': stops(),
               f'ingestd_loads{{{HERE},phase="releasing"}}': always(1),
               phase("bay-2", "surveying"): always(1),
               f'ingestd_bay_moved_timestamp_seconds{{{HERE},bay="bay-1"}}': _ANSWERED,
               f'ingestd_bay_moved_timestamp_seconds{{{HERE},bay="bay-2"}}':
               f"0+60x{BEGINS_MIN} {60 * BEGINS_MIN}x{_MINUTES}",
               f'ingestd_loads_ended_total{{{HERE},outcome="loaded",reason=""}}': always(3)},
        # What moves is proved here, surveyed there, and at a third station just being taken back.
        quiet={f'ingestd_loads{{{HERE},phase="waiting"}}': always(2),
               f'ingestd_loads{{{HERE},phase="proving"}}': always(1),
               f'ingestd_read_bytes_total{{{HERE},bay="bay-1"}}': stops(),
               **quays("ingestd_loads", 'phase="waiting"', _NEVER, always(2), always(2)),
               **quays("ingestd_bay_phase", 'bay="bay-1",phase="surveying"', _NEVER, always(1)),
               **quays("ingestd_bay_moved_timestamp_seconds", 'bay="bay-1"', _NEVER, _ANSWERED),
               **quays("ingestd_loads", 'phase="releasing"', _NEVER, _NEVER,
                       f"0x{BEGINS_MIN - 1} " + "1x50 0 " * 7)},
        after_min=20,
    ),
    "IngestReleaseStuck": Case(
        fires={phase("bay-1", "releasing"): turns(0, 1)},
        quiet={phase("bay-1", "releasing"): f"0x{BEGINS_MIN - 1} " + "1x90 0 " * 4},
        after_min=120,
    ),
    "IngestBayStuck": Case(
        fires={**BUSY, f'ingestd_read_bytes_total{{{HERE},bay="bay-1"}}': stops(),
               f'ingestd_read_bytes_total{{{HERE},bay="bay-2"}}': "0+9x400"},
        quiet={**BUSY, f'ingestd_read_bytes_total{{{HERE},bay="bay-1"}}': "0+9x400"},
        after_min=25,
    ),
    "IngestDueSoon": Case(
        fires={f'ingestd_bay_at_risk{{{HERE},bay="bay-1"}}': CAME_UP},
        quiet={f'ingestd_bay_at_risk{{{HERE},bay="bay-1"}}': _NEVER},
        after_min=10,
    ),
    "IngestOverdue": Case(
        fires={f'ingestd_bay_due_timestamp_seconds{{{HERE},bay="bay-1"}}': always(BEGINS_MIN * 60 - 1),
               phase("bay-1", "released"): _NEVER,
               f"ingestd_jobs_overdue{{{HERE}}}": CAME_UP},
        quiet={f'ingestd_bay_due_timestamp_seconds{{{HERE},bay="bay-1"}}': always(3600),
               phase("bay-1", "released"): always(1),
               f"ingestd_jobs_overdue{{{HERE}}}": _NEVER},
        after_min=5,
    ),
    "IngestFailuresAboveUsual": Case(
        # One load in an hour for four weeks, one in eleven fails; from then on every second.
        fires={f'ingestd_loads_ended_total{{{HERE},outcome="failed",reason="not-encrypted"}}':
               f"0+0.1x{_HOURS} {_HOURS // 10 + 1}+1x40",
               f'ingestd_loads_ended_total{{{HERE},outcome="loaded",reason=""}}': f"0+1x{_HOURS + 40}"},
        # Many fail, as ever.
        quiet={f'ingestd_loads_ended_total{{{HERE},outcome="failed",reason="not-encrypted"}}':
               f"0+1x{_HOURS + 40}",
               f'ingestd_loads_ended_total{{{HERE},outcome="loaded",reason=""}}': f"0+1x{_HOURS + 40}"},
        after_min=7 * 60,
        begins_min=_HOURS * 60,
        step_min=60,
    ),
    "IngestHoldOld": Case(
        fires=held("doubtful", _HELD_AT),
        quiet={f'ingestd_bay_since_timestamp_seconds{{{HERE},bay="bay-2"}}': always(0),
               f'ingestd_bay_waits{{{HERE},bay="bay-2",reason="place"}}': always(1),
               phase("bay-2", "held"): _NEVER},
        after_min=241,
    ),
    "IngestHoldByStation": Case(
        fires=held("store-refused", _HELD_AT),
        quiet=held("doubtful", _HELD_AT),
        after_min=5,
    ),
    "IngestStoreDown": Case(
        fires={f'ingestd_store_up{{{HERE},store="archive"}}': WENT_DOWN},
        quiet={f'ingestd_store_up{{{HERE},store="archive"}}': "1x357 0x3 1x40"},
        after_min=5,
    ),
    "IngestStoreErrors": Case(
        # Nine of a hundred.
        fires={f'ingestd_store_errors_total{{{HERE},store="archive",kind="503"}}': begins(9),
               f'ingestd_store_answer_seconds_count{{{HERE},store="archive",method="PUT"}}': "0+100x400"},
        quiet={f'ingestd_store_errors_total{{{HERE},store="archive",kind="503"}}': begins(4),
               f'ingestd_store_answer_seconds_count{{{HERE},store="archive",method="PUT"}}': "0+100x400"},
        after_min=15,
    ),
    "IngestBrokerDown": Case(
        fires={f'ingestd_bus_up{{{HERE},direction="out"}}': WENT_DOWN},
        quiet={f'ingestd_bus_up{{{HERE},direction="out"}}': UP},
        after_min=5,
    ),
    "IngestOutboxStuck": Case(
        fires={f"ingestd_outbox_oldest_timestamp_seconds{{{HERE}}}": f"0+60x{BEGINS_MIN} {_HELD_AT}x400"},
        quiet={f"ingestd_outbox_oldest_timestamp_seconds{{{HERE}}}": _ANSWERED},
        after_min=12,
    ),
    "IngestEventNotTaken": Case(
        fires={f"ingestd_outbox_stuck_subjects{{{HERE}}}": CAME_UP},
        quiet={f"ingestd_outbox_stuck_subjects{{{HERE}}}": _NEVER},
        after_min=5,
    ),
    "IngestNoticesRefused": Case(
        fires={f'ingestd_notices_total{{{HERE},result="refused"}}': CAME_UP},
        quiet={f'ingestd_notices_total{{{HERE},result="accepted"}}': "0+1x400"},
        after_min=0,
    ),
    "IngestDriveHealth": Case(
        fires={f'ingestd_drive_health{{{HERE},bay="bay-1",state="suspect"}}': CAME_UP},
        quiet={f'ingestd_drive_health{{{HERE},bay="bay-1",state="ok"}}': UP},
        after_min=1,
    ),
    "IngestReadErrors": Case(
        fires={f'ingestd_read_errors_total{{{HERE},bay="bay-1"}}': begins(3)},
        quiet={f'ingestd_read_errors_total{{{HERE},bay="bay-1"}}': turns(0, 18)},
        after_min=6,
    ),
    "IngestJournalDiskFilling": Case(
        fires={f"ingestd_journal_disk_free_bytes{{{HERE}}}": f"18e9x{BEGINS_MIN - 1} 1.9e9x400",
               f"ingestd_journal_disk_bytes{{{HERE}}}": always("100e9")},
        quiet={f"ingestd_journal_disk_free_bytes{{{HERE}}}": always("18e9"),
               f"ingestd_journal_disk_bytes{{{HERE}}}": always("100e9")},
        after_min=10,
    ),
    "IngestLoopSlow": Case(
        fires={f'ingestd_loop_turn_seconds_bucket{{{HERE},le="1.0"}}': stops(10),
               f'ingestd_loop_turn_seconds_bucket{{{HERE},le="2.5"}}': "0+10x400",
               f'ingestd_loop_turn_seconds_bucket{{{HERE},le="+Inf"}}': "0+10x400"},
        quiet={f'ingestd_loop_turn_seconds_bucket{{{HERE},le="1.0"}}': "0+10x400",
               f'ingestd_loop_turn_seconds_bucket{{{HERE},le="2.5"}}': "0+10x400",
               f'ingestd_loop_turn_seconds_bucket{{{HERE},le="+Inf"}}': "0+10x400"},
        after_min=11,
    ),
    "IngestStationMislabelled": Case(
        fires={f'ingestd_station_info{{{HERE},name="quay-04"}}': appears(1)},
        quiet={f'ingestd_station_info{{{HERE},name="quay-03"}}': UP},
        after_min=10,
    ),
}  # fmt: skip
