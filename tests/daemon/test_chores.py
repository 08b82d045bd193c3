"""Old records go, bounded pieces at a time, and a broken journal is told."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import cast

from structlog.testing import capture_logs

from ingestd.bus import codec
from ingestd.core.outgoing import NoticeRefused, Publish
from ingestd.journal.journal import Journal
from ingestd.ports import JournalError
from ingestd.runtime.chores import Chores
from ingestd.runtime.clock import Clock
from tests.support.daemon import wait_for


def _said(number: int) -> Publish:
    body = NoticeRefused(notice="x.json", problems=("no",))
    return Publish(subject="quay-03", number=number, at=1.0, body=body)


def test_sent_events_go_when_they_are_old(tmp_path: Path) -> None:
    journal = Journal.open(str(tmp_path), encode=lambda p: codec.encode(p, station="quay-03"))
    journal.commit([_said(1), _said(2)], at=1.0, identities=["/orders 1"])
    journal.mark_sent([entry.sequence for entry in journal.outbox(10)])
    broken: list[JournalError] = []
    chores = Chores(
        journal,
        keep_days=lambda: 1.0,
        keep_loads=lambda: (),
        broken=broken.append,
        clock=Clock(),
        every_s=0.01,
    )
    chores.start()
    wait_for(lambda: not journal.knows("/orders 1"), what="the pruning")
    chores.stop()
    journal.close()
    assert not broken


def test_a_broken_journal_is_told() -> None:
    told = threading.Event()

    class Broken:
        def prune(self, before: float, keep: object) -> object:
            raise JournalError("disk full")

    chores = Chores(
        cast(Journal, Broken()),
        keep_days=lambda: 1.0,
        keep_loads=lambda: (),
        broken=lambda _: told.set(),
        clock=Clock(),
        every_s=0.01,
    )
    chores.start()
    assert told.wait(5)
    chores.stop()


def test_a_bug_costs_one_round_and_no_more() -> None:
    rounds: list[float] = []

    class Surprising:
        def prune(self, before: float, keep: object) -> object:
            rounds.append(before)
            raise ZeroDivisionError

    chores = Chores(
        cast(Journal, Surprising()),
        keep_days=lambda: 1.0,
        keep_loads=lambda: (),
        broken=lambda _: None,
        clock=Clock(),
        every_s=0.01,
    )
    with capture_logs() as logs:
        chores.start()
        wait_for(lambda: len(rounds) > 1, what="a second round")
        chores.stop()
    assert {line["event"] for line in logs if line["log_level"] == "error"} == {"chores_broke"}
