"""A station in a simulated world, driven at random: whatever happens, its promises hold.

The invariants are checked after every single step (`tests.support.invariants`), every message is
compared with what is really on the drives and in the store (`tests.support.world`), and at the end of
each run everything has to come to rest.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import ClassVar

from hypothesis import event, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from ingestd.core.job import ExpectedDrive, Job, PolicyChange
from ingestd.core.line import Cap
from ingestd.core.messages import (
    Close,
    DriveAssigned,
    HoldLifted,
    JobAmended,
    JobAnnounced,
    LimitsChanged,
    NoticeMalformed,
    Prove,
    Recheck,
    Survey,
    TakeBack,
    Timer,
    Transfer,
    UplinkSet,
)
from ingestd.core.model import BayName, Decision, FailureKind, JobId, LoadId, Phase, Policy, ProofLevel
from ingestd.core.uplink import UplinkOrder
from tests.support import values as v
from tests.support.world import Flaw, Unit, World

BAYS = ("bay-0", "bay-1", "bay-2")
NOT_THE_DRIVES = tuple(
    kind for kind in FailureKind if kind not in (FailureKind.DRIVE_UNREADABLE, FailureKind.READ_STALLED)
)
EXAMPLES = int(os.environ.get("INGESTD_MACHINE_EXAMPLES", "100"))
"""How many runs; a night's worth is set by the environment."""

numbers = st.integers(0, 63)


def units(flaws: list[Flaw]) -> list[Unit]:
    """Six drives; the last one claims to be the first."""
    drives = [
        v.facts("S0"),
        v.facts("S1"),
        v.facts("S2", label="DUNES"),
        v.facts("S3", label="KELP"),
        v.facts("S4", label="KELP", ticket="by-ticket"),
        v.facts("S0"),
    ]
    return [
        Unit(
            facts=facts,
            files={f"a{n}.age": f"a{n}", f"b{n}.age": f"b{n}", f"c{n}.age": f"c{n}"},
            flaw=flaw,
        )
        for n, (facts, flaw) in enumerate(zip(drives, flaws, strict=True))
    ]


LABELLED = (ExpectedDrive(volume_label="KELP"),)
JOBS = (
    v.job("one", "S0"),
    v.job("two", "S1", "S2", items=(v.item("a1.age"), v.item("a2.age"), v.item("b2.age"))),
    v.job("kelp-a", drives=LABELLED, proof=ProofLevel.FULL, due_at=v.AT + 9_000.0),
    v.job("kelp-b", drives=LABELLED, priority=9),
    v.job("kept", "S1", "S3", keep_on_failure=True),
    v.job("by-ticket", drives=(ExpectedDrive(serial="S4"), *LABELLED)),
    v.job("on-top", "S2", prefix="tidewrack-survey/one/deeper"),
)


def amended(job: Job, how: int) -> Job:
    """The next version of a job."""
    noted = PolicyChange(requirement="not-encrypted", policy=Policy.NOTED)
    changes: tuple[dict[str, object], ...] = (
        {"priority": 1 + how % 9},
        {"requirements": () if job.requirements else (noted,)},
        {"proof": ProofLevel.LISTED if job.proof is ProofLevel.FULL else ProofLevel.FULL},
        {"keep_on_failure": not job.keep_on_failure},
        {"drives": tuple(reversed(job.drives))},
        {"drives": (*job.drives, ExpectedDrive(serial="S9"))},
        {"items": job.items[:1]},
        {},
    )
    return replace(job, version=job.version + 1, **changes[how % len(changes)])  # type: ignore[arg-type]


class StationMachine(RuleBasedStateMachine):
    """Every rule is something that may happen at any time."""

    make_world: ClassVar[type[World]] = World

    def __init__(self) -> None:
        super().__init__()
        self.world = self.make_world(units([Flaw.SOUND] * 6))
        self.versions = {job.job_id: [job] for job in JOBS}

    @initialize(
        flaws=st.lists(st.sampled_from([Flaw.SOUND] * 8 + list(Flaw)), min_size=6, max_size=6),
        announced=st.sets(st.sampled_from(range(len(JOBS)))),
        plugged=st.lists(st.integers(0, 5), max_size=3, unique=True),
    )
    def begin(self, flaws: list[Flaw], announced: set[int], plugged: list[int]) -> None:
        self.world = self.make_world(units(flaws))
        for which in sorted(announced):
            self.announce(which)
        for bay, number in zip(BAYS, plugged, strict=False):
            self.world.plug_unit(number, bay)

    # -- notices --

    @rule(which=numbers)
    def announce(self, which: int) -> None:
        job = JOBS[which % len(JOBS)]
        self._deliver(self.versions[job.job_id][-1], amendment=False)

    @rule(which=numbers, version=numbers)
    def deliver_an_old_version(self, which: int, version: int) -> None:
        versions = self.versions[JOBS[which % len(JOBS)].job_id]
        self._deliver(versions[version % len(versions)], amendment=bool(version % 2))

    @rule(which=numbers, how=numbers)
    def amend(self, which: int, how: int) -> None:
        versions = self.versions[JOBS[which % len(JOBS)].job_id]
        versions.append(amended(versions[-1], how))
        self._deliver(versions[-1], amendment=True)

    def _deliver(self, job: Job, *, amendment: bool) -> None:
        kind = JobAmended if amendment else JobAnnounced
        self.world.take(kind(at=self.world.at, job=job))

    @rule(which=numbers)
    def withdraw(self, which: int) -> None:
        self.world.note_withdrawal(JOBS[which % len(JOBS)].job_id)

    @rule(which=numbers, bay=st.sampled_from(BAYS))
    def assign(self, which: int, bay: str) -> None:
        job_id = JOBS[which % len(JOBS)].job_id
        self.world.take(DriveAssigned(at=self.world.at, bay=BayName(bay), job_id=job_id, by="m.okafor"))

    @rule(bay=st.sampled_from(BAYS), decision=st.sampled_from(Decision))
    def lift(self, bay: str, decision: Decision) -> None:
        self.world.take(HoldLifted(at=self.world.at, bay=BayName(bay), decision=decision, by="m.okafor"))

    @precondition(lambda self: any(x.phase is Phase.HELD for x in self.world.station.loads.values()))
    @rule(decision=st.sampled_from(Decision), data=st.data())
    def lift_by_id(self, decision: Decision, data: st.DataObject) -> None:
        """Whether its drive is plugged in or not."""
        held = [x for x in self.world.station.in_order() if x.phase is Phase.HELD]
        self.world.lift_load(data.draw(st.sampled_from(held), label="held"), decision)

    @rule(loads_max=st.integers(1, 3))
    def change_settings(self, loads_max: int) -> None:
        world = self.world
        world.limits = replace(world.limits, loads_max=loads_max)
        world.take(LimitsChanged(at=world.at, limits=world.limits))
        world.take(UplinkSet(at=world.at, order=UplinkOrder(cap=Cap(loads_max))))
        world.take(NoticeMalformed(at=world.at, name="0001.json", problems=("type: is missing",)))

    # -- the floor --

    @rule(number=st.integers(0, 5), bay=st.sampled_from(BAYS))
    def plug(self, number: int, bay: str) -> None:
        self.world.plug_unit(number, bay)

    @rule(bay=st.sampled_from(BAYS))
    def unplug(self, bay: str) -> None:
        self.world.unplug_bay(bay)

    # -- effects --

    @precondition(lambda self: self.world.effects)
    @rule(which=numbers)
    def finish(self, which: int) -> None:
        self.world.finish(self._owner(which))

    @rule(kind=st.sampled_from((Survey, Transfer, Recheck, Prove, TakeBack, Close, Timer)))
    def work_until(self, kind: type) -> None:
        """Everything goes well for a while, until an effect of this kind has begun."""
        for _ in range(20):
            heads = [queue[0] for queue in self.world.effects.values()]
            if not heads or any(isinstance(head, kind) for head in heads):
                return
            self.world.finish(self._owner(0))

    @precondition(lambda self: self.world.effects)
    @rule(which=numbers, kind=st.sampled_from(NOT_THE_DRIVES))
    def fail(self, which: int, kind: FailureKind) -> None:
        self.world.finish(self._owner(which), kind=kind)

    @rule()
    def progress(self) -> None:
        self.work_until(Transfer)
        for owner, queue in list(self.world.effects.items()):
            if isinstance(queue[0], Transfer):
                self.world.progress(LoadId(owner))

    def _owner(self, which: int) -> BayName | LoadId:
        owners = sorted(self.world.effects)
        return owners[which % len(owners)]

    @rule(often=st.integers(1, 4))
    def let_time_pass(self, often: int) -> None:
        """Timers fire, and what they begin goes well."""
        for _ in range(often):
            self.world.fire_next()
            self.work_until(Timer)

    @rule(which=numbers)
    def echo(self, which: int) -> None:
        self.world.echo(which)

    @rule(which=numbers)
    def lose(self, which: int) -> None:
        self.work_until(Prove)
        keys = sorted(self.world.truth.store)
        if keys:
            self.world.lose(keys[which % len(keys)])

    # -- the process --

    @rule(swaps=st.lists(st.tuples(st.sampled_from(BAYS), st.none() | st.integers(0, 5)), max_size=2))
    def crash(self, swaps: list[tuple[str, int | None]]) -> None:
        self.world.crash(swaps)

    @rule()
    def halt(self) -> None:
        self.world.halt()

    # -- the end --

    @invariant()
    def time_does_not_stand_still_for_ever(self) -> None:
        """Most rules leave the clock alone, so that several things happen in one moment; some move it."""
        self.world.at += 0.25

    def teardown(self) -> None:
        self.world.settle()
        for name in {record.body.TYPE for record in self.world.journal.told}:
            event(name)


TestStation = StationMachine.TestCase
TestStation.settings = settings(max_examples=EXAMPLES, stateful_step_count=60)


def test_the_names_of_the_jobs_are_those_that_the_rules_use() -> None:
    assert len({job.job_id for job in JOBS}) == len(JOBS)
    assert JobId("by-ticket") in {job.job_id for job in JOBS}
