"""When each job will be done, and which will miss its due time, as far as today's figures tell.

A simulation over what is known: the loads that are at work and those that wait for a place, the caps of
the days to come, and the weights by which the line is shared (`core/shares.py`). What it takes for
granted, and says so (`ASSUMPTIONS`): every load goes on without a fault; a drive that was slower than its
share of the line stays as slow; sizes are those found by the survey or else announced; proving takes no
time; drives that have not arrived take nothing of the line. Where a figure is missing it says that
instead of guessing.

Source of the sharing: D. Bertsekas and R. Gallager, Data Networks, section 6.5.2. Times are in seconds
since 1970, sizes in bytes, rates in bytes per second.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from ingestd.core.awaited import AwaitedPicture
from ingestd.core.line import SITE, Link
from ingestd.core.model import Phase
from ingestd.core.schedule import Schedule
from ingestd.core.shares import Wish, max_min_shares
from ingestd.core.snapshot import LoadPicture, Picture, UplinkPicture, schedule_of

ASSUMPTIONS = (
    "every load goes on without a fault, and those that wait for a place begin by their due times",
    "a drive that is slower now than its share of the line stays as slow; the others fill the line",
    "sizes are those found on the drive, or else announced; a load of unknown size shares throughout",
    "proving takes no time, and drives that have not arrived take nothing of the line",
)

_SLOWER = 0.9
"""A load that gets less than this part of its share is taken to be held up by its drive."""


# -- what comes out -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """A job with drives here. `done_at` is None where it cannot be told, and `why` says why."""

    job_id: str
    bays: tuple[str, ...]
    bytes_left: int | None
    """As far as it is known of all its drives here; None when it is not."""
    done_at: float | None
    due_at: float | None
    late_s: float | None
    """How long after its due time it will be done; None when it is in time, or nothing can be told."""
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """`here` are the jobs with a drive at the station, `awaited` is what has yet to arrive."""

    at: float
    here: tuple[Expected, ...]
    awaited: AwaitedPicture
    at_risk: int
    """Jobs here that will be late, and awaited ones that cannot be in time any more."""
    assumptions: tuple[str, ...] = ASSUMPTIONS


@dataclass(frozen=True, slots=True)
class BayFigures:
    """Seconds until the load in a bay is done, and by how many its job will be late; None for unknown."""

    left_s: float | None
    late_s: float | None


# -- the simulation -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Task:
    """A load with something to send."""

    key: int
    load: LoadPicture
    bytes_left: float
    """Infinite where it is not known."""
    own_rate: float = math.inf
    """What its drive gives at most."""

    @property
    def links(self) -> tuple[Link, ...]:
        links = [SITE]
        if self.load.store is not None:
            links.append(Link("store", self.load.store))
        if self.load.bay is not None:
            links.append(Link("bay", self.load.bay))
        return tuple(links)

    def weight(self, uplink: UplinkPicture, at: float) -> float:
        due = self.load.due_at
        guarded = due is not None and uplink.due_guard_s > 0 and at >= due - uplink.due_guard_s
        return self.load.weight * (uplink.due_guard_factor if guarded else 1.0)


class _Run:
    """One simulation, from now until all is done that can be."""

    def __init__(self, picture: Picture, schedule: Schedule) -> None:
        self._uplink, self._schedule = picture.uplink, schedule
        self._at = picture.at
        tasks = [_task(key, load) for key, load in enumerate(picture.loads) if _sends(load)]
        self.done_at = {task.key: picture.at for task in tasks if not task.bytes_left}
        tasks = [task for task in tasks if task.bytes_left]
        running = [task for task in tasks if task.load.phase is not Phase.WAITING]
        self._typical = _mean([task.load.rate_bytes_per_second for task in running])
        self._running = self._as_measured(running)
        self._queue = sorted(
            (task for task in tasks if task.load.phase is Phase.WAITING),
            key=lambda task: (_or_never(task.load.due_at), -task.load.weight, task.key),
        )
        self._places = picture.loads_max
        self._guards = sorted(
            task.load.due_at - self._uplink.due_guard_s for task in tasks if task.load.due_at is not None
        )

    def _as_measured(self, running: Sequence[_Task]) -> list[_Task]:
        shares = self._shares(running)
        return [
            replace(task, own_rate=rate)
            if 0 < (rate := task.load.rate_bytes_per_second) < _SLOWER * shares[task.key]
            else task
            for task in running
        ]

    def run(self) -> None:
        """Fill `done_at`. Each step ends with a load that is done, or a change of the caps or weights:
        their number is bounded by those of loads and of changes that are shown."""
        while self._at < self._schedule.until:
            self._admit()
            rates = self._rates()
            if rates is None or not any(math.isfinite(task.bytes_left) for task in self._running):
                return
            self._advance(rates)

    def _admit(self) -> None:
        while self._queue and len(self._running) < self._places:
            self._running.append(self._queue.pop(0))

    def _rates(self) -> dict[int, float] | None:
        """What each load gets now; None where that cannot be told."""
        rates = self._shares(self._running)
        for key, rate in rates.items():
            if math.isinf(rate):
                if not self._typical:
                    return None
                rates[key] = self._typical
        return rates

    def _shares(self, tasks: Iterable[_Task]) -> dict[int, float]:
        capacities = dict(self._schedule.within)
        site = self._schedule.rate(self._at)
        if site is not None:
            capacities[SITE] = site
        wishes = {
            task.key: Wish(task.weight(self._uplink, self._at), task.own_rate, task.links) for task in tasks
        }
        return max_min_shares(capacities, wishes)

    def _advance(self, rates: Mapping[int, float]) -> None:
        """To the next moment at which something changes."""
        ends = {
            task.key: self._at + task.bytes_left / rates[task.key]
            for task in self._running
            if rates[task.key] > 0
        }
        guard = next((moment for moment in self._guards if moment > self._at), math.inf)
        until = min([*ends.values(), guard, self._schedule.next_change(self._at)])
        # By their ends, not by what is left: a difference of two times may be no time at all.
        over = {key for key, end in ends.items() if end <= until}
        self.done_at |= dict.fromkeys(over, until)
        self._running = [
            replace(task, bytes_left=task.bytes_left - rates[task.key] * (until - self._at))
            for task in self._running
            if task.key not in over
        ]
        self._at = until


def _sends(load: LoadPicture) -> bool:
    return load.job_id is not None and load.phase in (Phase.WAITING, Phase.SURVEYING, Phase.LOADING)


def _task(key: int, load: LoadPicture) -> _Task:
    left = bytes_left(load)
    return _Task(key, load, math.inf if left is None else float(left))


def bytes_left(load: LoadPicture) -> int | None:
    """What a load has yet to send: as the survey found it, or else as it was announced."""
    if load.ledger.discovered_files:
        return load.ledger.pending_bytes - load.ledger.arrived_bytes
    return load.announced_bytes


def _mean(rates: Iterable[float]) -> float:
    measured = [rate for rate in rates if rate > 0]
    return sum(measured) / len(measured) if measured else 0.0


# -- what is made of it ---------------------------------------------------------------------------


def forecast(picture: Picture) -> Forecast:
    """From the picture that the daemon writes."""
    run = _Run(picture, schedule_of(picture.uplink, picture.at))
    run.run()
    by_job: dict[str, list[tuple[int, LoadPicture]]] = {}
    for key, load in enumerate(picture.loads):
        if load.job_id is not None and load.phase is not Phase.RELEASED:
            by_job.setdefault(load.job_id, []).append((key, load))
    missing = {job.job_id: job.drives for job in picture.awaited.jobs}
    here = [_expected(job, loads, run.done_at, missing.get(job, 0)) for job, loads in by_job.items()]
    here.sort(key=lambda job: (_or_never(job.due_at), _or_never(job.done_at), job.job_id))
    late = sum(job.late_s is not None for job in here)
    return Forecast(
        at=picture.at, here=tuple(here), awaited=picture.awaited, at_risk=late + picture.awaited.too_late
    )


def _expected(
    job_id: str, loads: Sequence[tuple[int, LoadPicture]], done: Mapping[int, float], missing: int
) -> Expected:
    due_at = loads[0][1].due_at
    reasons = [reason for key, load in loads if (reason := _unknown(load, key in done))]
    if missing:
        reasons.append(f"{missing} of its drives have not arrived" if missing > 1 else "waits for a drive")
    left = [bytes_left(load) for _, load in loads]
    done_at = None if reasons else max((done[key] for key, _ in loads if key in done), default=None)
    late = done_at - due_at if done_at is not None and due_at is not None and done_at > due_at else None
    return Expected(
        job_id=job_id,
        bays=tuple(load.bay or "(away)" for _, load in loads),
        bytes_left=None if None in left else sum(each for each in left if each is not None),
        done_at=done_at,
        due_at=due_at,
        late_s=late,
        why="; ".join(dict.fromkeys(reasons)),
    )


def _unknown(load: LoadPicture, simulated: bool) -> str:
    """Why it cannot be told when a load will be done; empty when it can."""
    if simulated or load.phase in (Phase.RELEASING, Phase.RELEASED):
        return ""
    reasons = {
        Phase.HELD: "is held until a person decides",
        Phase.AWAY: "waits for its drive to come back",
        Phase.PROVING: "is being proved",
    }
    if load.phase in reasons:
        return reasons[load.phase]
    if bytes_left(load) is None:
        return "its size is not known before the survey"
    return "no rate is known yet for a line without a cap, or it takes longer than the days looked at"


def _or_never(at: float | None) -> float:
    return math.inf if at is None else at


def by_bay(picture: Picture, told: Forecast) -> Iterator[tuple[str, BayFigures]]:
    """The same figures for each bay with a job's load in it, as metrics take them."""
    jobs = {job.job_id: job for job in told.here}
    for load in picture.loads:
        job = jobs.get(load.job_id or "")
        if load.bay is not None and job is not None:
            left = None if job.done_at is None else max(0.0, job.done_at - told.at)
            yield load.bay, BayFigures(left, job.late_s)
