"""The life of one load.

Theory of operation
-------------------
A load begins when the drive in a bay has been identified, and ends when the drive may be pulled:

    waiting ─ surveying ─ loading ─ proving ─ releasing ─ released
       │          │          │         │          │
       └──────────┴── held ──┴─────────┘          └─ (withdrawn, failed, unclaimed end here too)
       └──────────┴── away ──┘

* `waiting`: the job is not known yet, or the station works on as many loads as it may.
* `surveying`: everything but the files' content is looked at. Blocking findings are looked for a
  second time on a freshly opened drive; only what both looks agree on fails the job.
* `loading`: every pending file is read once and stored. Files at fault are read a second time; what
  is confirmed fails the job, what is not is loaded again.
* `proving`: evidence that the store holds the manifest. It does not need the drive.
* `releasing`: the outcome is decided and told; stored data of a load that did not succeed is taken
  back, the drive is let go. This is tried until it works.
* `held`: a person decides, or what the load waits for comes to pass. Never a dead end.
* `away`: the drive was pulled. When it is back, here, its load begins again with a survey; what has
  been stored is known and not sent again.

`step` takes a load and one event and gives the load as it is then, the messages to publish and the
commands to perform. Which handler serves which pair of phase and event stands in `ROWS`; a pair that
is not listed cannot happen, and raises. A completion or timer that carries another attempt than the
phase waits for is stale: it changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from ingestd.core.load_events import (
    Admitted,
    Amended,
    Context,
    Doubled,
    Expired,
    Freed,
    Judged,
    Lifted,
    LoadEvent,
    Matched,
    Outbid,
    ReportHeard,
    Restarted,
    Returned,
    TimeUp,
    Unheard,
    Unmatched,
    Unplugged,
    Withdrawn,
    Won,
)
from ingestd.core.load_moves import Out, Unlisted
from ingestd.core.load_turns import (
    on_absence_confirmed,
    on_amended,
    on_amended_while_held,
    on_lifted,
    on_restarted_anyway,
    on_restarted_at_drive,
    on_restarted_held,
    on_restarted_proving,
    on_restarted_while_away,
    on_returned,
    on_returned_quietly,
    on_unplugged_at_work,
    on_unplugged_early,
    on_unplugged_late,
    on_withdrawn,
    on_withdrawn_late,
)
from ingestd.core.load_work import (
    on_admitted,
    on_cancelled,
    on_closed,
    on_doubled,
    on_expired,
    on_failed,
    on_freed,
    on_judged,
    on_matched,
    on_outbid,
    on_outbid_without_drive,
    on_progressed,
    on_proof_failed,
    on_proved,
    on_rechecked,
    on_release_failed,
    on_report_heard,
    on_surveyed,
    on_taken_back,
    on_time_up,
    on_transferred,
    on_unheard,
    on_unmatched,
    on_won,
    on_won_while_held,
)
from ingestd.core.messages import (
    Closed,
    Command,
    EffectCancelled,
    EffectFailed,
    Progressed,
    ProofFailed,
    Proved,
    Rechecked,
    Surveyed,
    TakenBack,
    Transferred,
)
from ingestd.core.model import Phase
from ingestd.core.outgoing import (
    Outgoing,
)
from ingestd.core.phases import (
    Load,
)


@dataclass(frozen=True, slots=True)
class Step:
    load: Load
    messages: tuple[Outgoing, ...]
    commands: tuple[Command, ...]


Handler = Callable[[Load, Any, Any, Out], Load]
"""(load, its phase data, event, what comes of it) -> the load afterwards."""


def step(load: Load, event: LoadEvent, context: Context) -> Step:
    """One event in the life of a load. Raises `Unlisted` for a pair that is not in `ROWS`."""
    handler = ROWS[load.phase].get(type(event))
    if handler is None:
        raise Unlisted(f"{type(event).__name__} while {load.phase}")
    if is_stale(load, event):
        return Step(load, (), ())
    out = Out(context)
    after = handler(load, load.state, event, out)
    return Step(after, tuple(out.messages), tuple(out.commands))


def is_stale(load: Load, event: LoadEvent) -> bool:
    """Whether the event belongs to an attempt that the load no longer waits for."""
    attempt = getattr(event, "attempt", None)
    if attempt is None:
        return False
    if isinstance(event, Expired | Won):
        return bool(attempt != load.attempt)
    if isinstance(event, TimeUp) and getattr(load.state, "pause", None) is None:
        return True
    return bool(attempt != getattr(load.state, "attempt", None))


def unchanged(load: Load, state: object, event: object, out: Out) -> Load:
    """Listed, and nothing follows from it."""
    return load


def out_of_place(load: Load, state: object, event: object, out: Out) -> Load:
    """An answer that the awaited effect cannot give. Passed over in silence, it would leave the load
    waiting for ever."""
    raise Unlisted(f"{type(event).__name__} in answer to another effect while {load.phase}")


# -- the table -------------------------------------------------------------------------------------

# Completions of attempts that are over come late; `is_stale` has dropped them before this is asked.
_STALE: Mapping[type, Handler] = {
    **dict.fromkeys(
        (
            Surveyed,
            Transferred,
            Rechecked,
            Proved,
            ProofFailed,
            TakenBack,
            Closed,
            EffectFailed,
            EffectCancelled,
        ),
        out_of_place,
    ),
    # So do words of the log, which is read behind what has been decided here.
    **dict.fromkeys(
        (Progressed, TimeUp, Expired, Won, Outbid, Freed, Judged, Unheard, ReportHeard), unchanged
    ),
    # What has been read to the end of a drive, or has stopped, stays as it is.
    Doubled: unchanged,
}

ROWS: Mapping[Phase, Mapping[type, Handler]] = {
    Phase.WAITING: {
        **_STALE,
        Matched: on_matched,
        Unmatched: on_unmatched,
        Won: on_won,
        Unheard: on_unheard,
        Outbid: on_outbid,
        Admitted: on_admitted,
        Doubled: on_doubled,
        Unplugged: on_unplugged_early,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn,
        Amended: unchanged,
        Restarted: on_restarted_at_drive,
    },
    Phase.SURVEYING: {
        **_STALE,
        Surveyed: on_surveyed,
        ReportHeard: on_report_heard,
        Unheard: on_unheard,
        EffectFailed: on_failed,
        EffectCancelled: on_cancelled,
        TimeUp: on_time_up,
        Outbid: on_outbid,
        Doubled: on_doubled,
        Unplugged: on_unplugged_at_work,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn,
        Amended: on_amended,
        Restarted: on_restarted_at_drive,
    },
    Phase.LOADING: {
        **_STALE,
        Progressed: on_progressed,
        Transferred: on_transferred,
        Rechecked: on_rechecked,
        EffectFailed: on_failed,
        EffectCancelled: on_cancelled,
        TimeUp: on_time_up,
        Outbid: on_outbid,
        Doubled: on_doubled,
        Unplugged: on_unplugged_at_work,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn,
        Amended: on_amended,
        Restarted: on_restarted_at_drive,
    },
    Phase.PROVING: {
        **_STALE,
        Proved: on_proved,
        ProofFailed: on_proof_failed,
        EffectFailed: on_failed,
        EffectCancelled: on_cancelled,
        TimeUp: on_time_up,
        Outbid: on_outbid,
        Unplugged: on_unplugged_late,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn,
        Amended: on_amended,
        Restarted: on_restarted_proving,
    },
    Phase.RELEASING: {
        **_STALE,
        Judged: on_judged,
        TakenBack: on_taken_back,
        Closed: on_closed,
        EffectFailed: on_release_failed,
        EffectCancelled: on_cancelled,
        TimeUp: on_time_up,
        Unplugged: on_unplugged_late,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn_late,
        Amended: unchanged,
        Restarted: on_restarted_anyway,
    },
    Phase.RELEASED: {
        # The end, unless the rest of the job comes to nothing.
        **_STALE,
        Unplugged: on_unplugged_late,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn_late,
        Amended: unchanged,
        Restarted: unchanged,
    },
    Phase.HELD: {
        **_STALE,
        Matched: on_matched,
        Unmatched: on_unmatched,
        Expired: on_expired,
        Won: on_won_while_held,
        Outbid: on_outbid_without_drive,
        Freed: on_freed,
        Unplugged: on_unplugged_early,
        Returned: on_returned_quietly,
        Withdrawn: on_withdrawn,
        Lifted: on_lifted,
        Amended: on_amended_while_held,
        Restarted: on_restarted_held,
    },
    Phase.AWAY: {
        **_STALE,
        Outbid: on_outbid_without_drive,
        Unplugged: on_absence_confirmed,
        Returned: on_returned,
        Withdrawn: on_withdrawn,
        Amended: unchanged,
        Restarted: on_restarted_while_away,
    },
}
