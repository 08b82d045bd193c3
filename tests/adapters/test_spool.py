"""The spool bus on real folders, and what the system can do to it."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, invariant, rule

from ingestd.bus import inbox
from ingestd.bus.spool import FOLDERS, SpoolBus, put_notice
from ingestd.bus.strict import BODY_MAX
from ingestd.ports import Bus, BusDown, Delivery, OutboxEntry

DAY_S = 86_400.0


class FakeClock:
    """A monotonic clock that moves when told."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def bus(tmp_path: Path, clock: FakeClock) -> SpoolBus:
    made = SpoolBus(str(tmp_path), clock=clock)
    made.prepare()
    return made


def drop(folder: Path, name: str, body: bytes = b"{}", *, age_s: float = 0.0) -> Path:
    path = folder / "notices" / name
    path.write_bytes(body)
    when = time.time() - age_s
    os.utime(path, (when, when))
    return path


def names(folder: Path, sub: str) -> list[str]:
    return sorted(os.listdir(folder / sub))


def taken(bus: Bus) -> list[str]:
    return [delivery.name for delivery in bus.poll(0)]


def entry(sequence: int, body: bytes = b"{}") -> OutboxEntry:
    return OutboxEntry(
        sequence=sequence, event_id=f"id-{sequence}", subject="s", type="ingest.load.held", body=body
    )


# -- taking ---------------------------------------------------------------------------------------


def test_the_constructor_takes_no_action(tmp_path: Path) -> None:
    SpoolBus(str(tmp_path / "nowhere"))
    assert os.listdir(tmp_path) == []


def test_prepare_makes_what_is_missing_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "events").mkdir()
    (tmp_path / "events" / "0000000000001-x.json").write_bytes(b"{}")
    SpoolBus(str(tmp_path)).prepare()
    assert sorted(os.listdir(tmp_path)) == sorted(FOLDERS)
    assert names(tmp_path, "events") == ["0000000000001-x.json"]


def test_prepare_does_not_make_the_spool_itself(tmp_path: Path) -> None:
    with pytest.raises(BusDown, match=r"nowhere is missing; create it"):
        SpoolBus(str(tmp_path / "nowhere")).prepare()


def test_notices_are_taken_oldest_first(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "c.json", age_s=30)
    drop(tmp_path, "a.json", age_s=10)
    drop(tmp_path, "b.json", age_s=20)
    (tmp_path / "notices" / "d.json").write_bytes(b"{}")
    os.utime(tmp_path / "notices" / "d.json", ns=(0, os.stat(tmp_path / "notices" / "b.json").st_mtime_ns))
    assert taken(bus) == ["c.json", "b.json", "d.json", "a.json"]


def test_a_delivery_has_its_bytes_and_is_not_given_out_twice(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json", b'{"a": 1}')
    (delivery,) = bus.poll(0)
    assert delivery.body == b'{"a": 1}'
    assert bus.poll(0) == []
    bus.acknowledge(delivery, [])
    assert bus.poll(0) == []


@pytest.mark.parametrize("name", [".a.json", "a.json.tmp", "a.txt", "README", "a.JSON"])
def test_other_names_are_passed_over(bus: SpoolBus, tmp_path: Path, name: str) -> None:
    drop(tmp_path, name)
    assert bus.poll(0) == []


def test_only_regular_files_are_read_and_nothing_is_waited_for(bus: SpoolBus, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b'{"a": 1}')
    (tmp_path / "notices" / "link.json").symlink_to(tmp_path / "secret")
    os.mkfifo(tmp_path / "notices" / "pipe.json")
    (tmp_path / "notices" / "folder.json").mkdir()
    drop(tmp_path, "good.json")
    assert taken(bus) == ["good.json"]


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_what_turns_into_something_else_after_the_listing_is_not_read(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.json"
    (tmp_path / "secret").write_bytes(b"{}")
    {"link": lambda: path.symlink_to(tmp_path / "secret"), "pipe": lambda: os.mkfifo(path)}.get(
        kind, path.mkdir
    )()
    before = len(os.listdir("/proc/self/fd"))
    assert inbox.load(str(tmp_path), "a.json") is None
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_poll_is_bounded_in_number(bus: SpoolBus, tmp_path: Path) -> None:
    for number in range(300):
        drop(tmp_path, f"{number:03}.json", b'{"n": %d}' % number)
    assert len(bus.poll(0)) == 256
    assert len(bus.poll(0)) == 44


def test_a_poll_is_bounded_in_bytes(bus: SpoolBus, tmp_path: Path, clock: FakeClock) -> None:
    body = b'{"a": "' + b"x" * (BODY_MAX - 9) + b'"}'
    for number in range(20):
        drop(tmp_path, f"{number:03}.json", body)
    first, second = bus.poll(0), bus.poll(0)
    assert (len(first), len(second)) == (16, 4)


def test_of_a_file_that_is_too_large_one_byte_more_is_read(
    bus: SpoolBus, tmp_path: Path, clock: FakeClock
) -> None:
    drop(tmp_path, "a.json", b" " * (3 * BODY_MAX))
    bus.poll(0)
    clock.now += 2.5
    (delivery,) = bus.poll(0)
    assert len(delivery.body) == BODY_MAX + 1


def test_files_that_cannot_be_read_do_not_stand_in_the_way(
    bus: SpoolBus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(300):
        drop(tmp_path, f"bad-{number:03}.json", age_s=100)
    drop(tmp_path, "good.json")
    really_open = os.open

    def refusing(path: str, *args: Any, **kwargs: Any) -> int:
        if "bad-" in str(path):
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return really_open(path, *args, **kwargs)

    monkeypatch.setattr(os, "open", refusing)
    assert taken(bus) == ["good.json"]


def test_a_station_without_descriptors_says_so(
    bus: SpoolBus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop(tmp_path, "a.json")

    def exhausted(*_: Any, **__: Any) -> int:
        raise OSError(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(os, "open", exhausted)
    with pytest.raises(BusDown, match="too many open files"):
        bus.poll(0)
    monkeypatch.undo()
    assert taken(bus) == ["a.json"]


def test_a_name_of_any_bytes_is_taken_and_set_aside(bus: SpoolBus, tmp_path: Path) -> None:
    raw = os.fsencode(tmp_path) + b"/notices/caf\xe9\n\\x.json"
    with open(raw, "wb") as file:
        file.write(b"{}")
    (delivery,) = bus.poll(0)
    assert delivery.name == "caf\\xe9\\n\\\\x.json"
    delivery.origin.encode("utf-8")
    bus.acknowledge(delivery, ["wrong"])
    assert names(tmp_path, "notices") == []
    assert len(names(tmp_path, "refused")) == 2


# -- half-written files ---------------------------------------------------------------------------


def test_a_file_that_is_being_copied_in_is_never_taken_short(bus: SpoolBus, tmp_path: Path) -> None:
    body = json.dumps({"id": "é", "data": {"items": [{"name": "a}"}, {}], "n": 1.5, "t": True}}).encode()
    path = tmp_path / "notices" / "slow.json"
    for end in range(len(body)):
        path.write_bytes(body[:end])
        assert bus.poll(0) == [], body[:end]
    path.write_bytes(body)
    assert [delivery.body for delivery in bus.poll(0)] == [body]


def test_what_stays_broken_is_delivered_once_it_has_settled(
    bus: SpoolBus, tmp_path: Path, clock: FakeClock
) -> None:
    drop(tmp_path, "a.json", b'{"id": ', age_s=60)
    assert bus.poll(0) == []
    clock.now += 1.9
    assert bus.poll(0) == []
    drop(tmp_path, "a.json", b'{"id": 1')
    clock.now += 1.9
    assert bus.poll(0) == [], "it has changed in the meantime"
    clock.now += 2.1
    (delivery,) = bus.poll(0)
    assert delivery.body == b'{"id": 1'
    clock.now += 10
    assert bus.poll(0) == []


def test_a_whole_file_is_not_kept_waiting_by_a_broken_one(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "broken.json", b"{", age_s=5)
    drop(tmp_path, "whole.json")
    assert taken(bus) == ["whole.json"]


# -- origin ---------------------------------------------------------------------------------------


def test_the_origin_outlives_a_restart(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json")
    (before,) = bus.poll(0)
    (after,) = SpoolBus(str(tmp_path)).poll(0)
    assert before == after


def test_a_corrected_file_of_the_same_name_is_another_notice(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json", b'{"version": 1}')
    (wrong,) = bus.poll(0)
    bus.acknowledge(wrong, ["wrong"])
    drop(tmp_path, "a.json", b'{"version": 2}')
    (right,) = bus.poll(0)
    assert right.origin != wrong.origin


def test_a_file_that_is_only_touched_is_the_same_notice(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json")
    (delivery,) = bus.poll(0)
    drop(tmp_path, "a.json", age_s=50)
    assert bus.poll(0) == []
    bus.acknowledge(delivery, [])
    assert names(tmp_path, "notices") == []
    drop(tmp_path, "a.json")
    assert [again.origin for again in bus.poll(0)] == [delivery.origin]


# -- acknowledging --------------------------------------------------------------------------------


def test_an_accepted_notice_moves_with_the_time_before_its_name(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json", b'{"a": 1}')
    (delivery,) = bus.poll(0)
    bus.acknowledge(delivery, [])
    (kept,) = names(tmp_path, "accepted")
    stamp, _, name = kept.partition("-")
    assert name == "a.json"
    assert abs(time.time() - _time_of(stamp)) < 60
    assert (tmp_path / "accepted" / kept).read_bytes() == b'{"a": 1}'
    assert names(tmp_path, "notices") == []


def _time_of(stamp: str) -> float:
    whole, _, fraction = stamp.removesuffix("Z").partition(".")
    return time.mktime((*time.strptime(whole, "%Y%m%dT%H%M%S")[:8], 0)) - time.timezone + int(fraction) / 1e6


def test_a_refused_notice_has_its_problems_beside_it_a_line_each(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json", b"{}")
    (delivery,) = bus.poll(0)
    bus.acknowledge(delivery, ["id: is missing", "data: two\nlines – é"])
    kept, problems = names(tmp_path, "refused")
    assert problems == f"{kept}.problems.txt"
    text = (tmp_path / "refused" / problems).read_text(encoding="utf-8")
    assert text == "id: is missing\ndata: two lines – é\n"


def test_acknowledging_again_changes_nothing(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json")
    (delivery,) = bus.poll(0)
    bus.acknowledge(delivery, [])
    bus.acknowledge(delivery, [])
    SpoolBus(str(tmp_path)).acknowledge(delivery, ["late"])
    assert len(names(tmp_path, "accepted")) == 1
    assert names(tmp_path, "refused") == []


def test_a_notice_that_came_under_the_same_name_is_not_lost(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json", b'{"version": 1}')
    (old,) = bus.poll(0)
    drop(tmp_path, "a.json", b'{"version": 2}')
    (new,) = bus.poll(0)
    bus.acknowledge(old, [])
    bus.acknowledge(new, [])
    kept = [(tmp_path / "accepted" / name).read_bytes() for name in names(tmp_path, "accepted")]
    assert kept == [b'{"version": 1}', b'{"version": 2}']
    assert names(tmp_path, "notices") == []


def test_a_notice_that_comes_in_the_moment_of_the_move_is_not_lost(
    bus: SpoolBus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop(tmp_path, "a.json", b'{"version": 1}')
    (old,) = bus.poll(0)
    really_rename = os.rename

    def overtaken(source: str, target: str) -> None:
        monkeypatch.undo()
        newer = drop(tmp_path, ".newer", b'{"version": 2}')
        really_rename(newer, tmp_path / "notices" / "a.json")
        really_rename(source, target)

    monkeypatch.setattr(os, "rename", overtaken)
    bus.acknowledge(old, [])
    assert [delivery.body for delivery in bus.poll(0)] == [b'{"version": 2}']
    kept = [(tmp_path / "accepted" / name).read_bytes() for name in names(tmp_path, "accepted")]
    assert kept == [b'{"version": 1}']


def test_a_notice_that_somebody_moves_back_is_taken_again(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json")
    (delivery,) = bus.poll(0)
    bus.acknowledge(delivery, ["no such store"])
    kept, _ = names(tmp_path, "refused")
    os.rename(tmp_path / "refused" / kept, tmp_path / "notices" / "a.json")
    assert bus.poll(0) == [delivery]


def test_names_as_long_as_the_system_allows_are_set_aside(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "x" * 250 + ".json")
    (delivery,) = bus.poll(0)
    bus.acknowledge(delivery, ["wrong"])
    kept, _ = names(tmp_path, "refused")
    assert kept.endswith("xxx.json")


def test_a_move_that_fails_is_told_and_can_be_tried_again(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json")
    (delivery,) = bus.poll(0)
    (tmp_path / "accepted").rmdir()
    with pytest.raises(BusDown, match=r"accepted is missing; create it"):
        bus.acknowledge(delivery, [])
    assert bus.poll(0) == []
    bus.prepare()
    bus.acknowledge(delivery, [])
    assert len(names(tmp_path, "accepted")) == 1


# -- waiting --------------------------------------------------------------------------------------


def test_a_poll_of_nothing_takes_its_time_and_no_more(tmp_path: Path) -> None:
    bus = SpoolBus(str(tmp_path))
    bus.prepare()
    begun = time.monotonic()
    assert bus.poll(0.25) == []
    assert 0.25 <= time.monotonic() - begun < 2.0


def _meanwhile(after_s: float, action: Callable[[], object]) -> threading.Timer:
    timer = threading.Timer(after_s, action)
    timer.start()
    return timer


def test_a_waiting_poll_returns_with_what_comes(tmp_path: Path) -> None:
    bus = SpoolBus(str(tmp_path))
    bus.prepare()
    timer = _meanwhile(0.15, lambda: put_notice(str(tmp_path), b"{}", "a"))
    begun = time.monotonic()
    assert taken_within(bus, 20.0) == ["a.json"]
    assert time.monotonic() - begun < 5.0
    timer.join()


def taken_within(bus: Bus, timeout_s: float) -> list[str]:
    return [delivery.name for delivery in bus.poll(timeout_s)]


def test_closing_ends_a_poll_that_waits(tmp_path: Path) -> None:
    bus = SpoolBus(str(tmp_path))
    bus.prepare()
    timer = _meanwhile(0.1, bus.close)
    begun = time.monotonic()
    assert bus.poll(20.0) == []
    assert time.monotonic() - begun < 5.0
    timer.join()


def test_a_spool_that_is_gone_is_told(bus: SpoolBus, tmp_path: Path) -> None:
    (tmp_path / "notices").rmdir()
    with pytest.raises(BusDown, match=r"notices is missing"):
        bus.poll(0)


# -- publishing -----------------------------------------------------------------------------------


def test_events_are_files_in_the_order_of_their_names(bus: SpoolBus, tmp_path: Path) -> None:
    bus.publish([entry(n, b'{"n": %d}' % n) for n in (9, 10, 11)])
    assert names(tmp_path, "events") == [
        "0000000000009-ingest.load.held.json",
        "0000000000010-ingest.load.held.json",
        "0000000000011-ingest.load.held.json",
    ]
    assert (tmp_path / "events" / "0000000000010-ingest.load.held.json").read_bytes() == b'{"n": 10}'


def test_the_same_event_again_is_the_same_file(bus: SpoolBus, tmp_path: Path) -> None:
    bus.publish([entry(1), entry(2)])
    before = [(name, (tmp_path / "events" / name).read_bytes()) for name in names(tmp_path, "events")]
    bus.publish([entry(1), entry(2)])
    assert [(n, (tmp_path / "events" / n).read_bytes()) for n in names(tmp_path, "events")] == before


def test_an_event_is_durable_before_its_name_appears_and_its_name_before_it_counts(
    bus: SpoolBus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[str] = []
    fsync, rename = os.fsync, os.rename

    def watched_fsync(fd: int) -> None:
        seen.append(f"fsync {os.path.basename(os.readlink(f'/proc/self/fd/{fd}'))}")
        fsync(fd)

    def watched_rename(source: str, target: str) -> None:
        seen.append(f"rename {os.path.basename(target)}")
        rename(source, target)

    monkeypatch.setattr(os, "fsync", watched_fsync)
    monkeypatch.setattr(os, "rename", watched_rename)
    bus.publish([entry(1), entry(2)])
    one, two = "0000000000001-ingest.load.held.json", "0000000000002-ingest.load.held.json"
    assert seen == [
        f"fsync .{one}.tmp",
        f"rename {one}",
        f"fsync .{two}.tmp",
        f"rename {two}",
        "fsync events",
    ]


def test_a_disk_that_is_full_is_told_and_leaves_nothing_behind(
    bus: SpoolBus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BusDown, match=r"events is full; free some space"):
        bus.publish([entry(1)])
    assert names(tmp_path, "events") == []
    monkeypatch.undo()
    bus.publish([entry(1)])
    assert len(names(tmp_path, "events")) == 1


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() != 0:
        pytest.skip("needs root to mount a small file system")
    mounted = tmp_path / "small"
    mounted.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", mounted], check=True, timeout=30)
    try:
        yield mounted
    finally:
        subprocess.run(["umount", mounted], check=True, timeout=30)


@pytest.mark.root
def test_a_disk_that_really_is_full_loses_no_event(small_disk: Path) -> None:
    bus = SpoolBus(str(small_disk))
    bus.prepare()
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"x" * 160 * 1024)
    entries = [entry(n, b'"%s"' % (b"x" * 20_000)) for n in range(1, 7)]
    with pytest.raises(BusDown, match=r"events is full"):
        bus.publish(entries)
    there = names(small_disk, "events")
    assert 0 < len(there) < 6
    assert all((small_disk / "events" / name).stat().st_size == 20_002 for name in there)
    ballast.unlink()
    bus.publish(entries)
    assert len(names(small_disk, "events")) == 6


def test_nothing_is_published_without_events(bus: SpoolBus, tmp_path: Path) -> None:
    (tmp_path / "events").rmdir()
    bus.publish([])
    with pytest.raises(BusDown, match=r"events is missing"):
        bus.publish([entry(1)])


@pytest.mark.skipif(not os.path.isdir("/dev/shm"), reason="needs a tmpfs")
def test_five_hundred_events_take_a_moment() -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        bus = SpoolBus(folder)
        bus.prepare()
        begun = time.monotonic()
        for start in range(0, 500, 50):
            bus.publish([entry(n, b"x" * 1500) for n in range(start, start + 50)])
        assert time.monotonic() - begun < 3.0, "measured at 0.02 s"
        assert len(os.listdir(os.path.join(folder, "events"))) == 500


def test_a_kill_at_any_moment_leaves_whole_events_and_all_that_were_confirmed(tmp_path: Path) -> None:
    bus = SpoolBus(str(tmp_path))
    bus.prepare()
    program = textwrap.dedent("""
        import sys
        from ingestd.bus.spool import SpoolBus
        from ingestd.ports import OutboxEntry
        bus, number = SpoolBus(sys.argv[1]), 0
        while True:
            batch = range(number + 1, number + 4)
            bus.publish([OutboxEntry(n, str(n), "s", "t", b'{"n": %d}' % n + b" " * 9000) for n in batch])
            number += 3
            print(number, flush=True)
    """)
    for _ in range(3):
        confirmed = _killed_after(0.25, [sys.executable, "-c", program, str(tmp_path)])
        whole = [name for name in names(tmp_path, "events") if not name.startswith(".")]
        for name in whole:
            body = (tmp_path / "events" / name).read_bytes()
            assert json.loads(body)["n"] == int(name[:13])
            assert len(body) > 9000
        assert {f"{n:013}-t.json" for n in range(1, confirmed + 1)} <= set(whole)
    assert confirmed > 0


def _killed_after(seconds: float, command: Sequence[str]) -> int:
    """Start, let it run for a while from its first line on, kill it; the last whole line it wrote."""
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(seconds)
        process.send_signal(signal.SIGKILL)
        lines = process.stdout.read().split("\n")[:-1]
        process.wait(timeout=10)
    return int(lines[-1])


# -- keeping --------------------------------------------------------------------------------------


def test_tidy_removes_what_is_older_than_it_is_kept(tmp_path: Path) -> None:
    bus = SpoolBus(str(tmp_path), keep_days=10)
    bus.prepare()
    for name, body in (("old.json", b"{}"), ("bad.json", b'{"bad": 1}')):
        drop(tmp_path, name, body, age_s=90 * DAY_S)
    for delivery in bus.poll(0):
        bus.acknowledge(delivery, ["wrong"] if b"bad" in delivery.body else [])
    bus.publish([entry(1)])
    drop(tmp_path, "waiting.json", age_s=90 * DAY_S)
    now = time.time()
    assert bus.tidy(now + 9.9 * DAY_S) == 0
    assert len(names(tmp_path, "accepted")) == 1, "kept from when it came, however old the file is"
    assert bus.tidy(now + 10.1 * DAY_S) == 2
    assert [len(names(tmp_path, sub)) for sub in ("accepted", "events", "refused", "notices")] == [0, 0, 2, 1]


def test_tidy_removes_what_a_crash_left_behind(bus: SpoolBus, tmp_path: Path) -> None:
    for sub in FOLDERS:
        (tmp_path / sub / ".000000000001-x.json.tmp").write_bytes(b"{")
        (tmp_path / sub / ".keep").write_bytes(b"")
    assert bus.tidy(time.time() + 0.9 * DAY_S) == 0
    assert bus.tidy(time.time() + 1.1 * DAY_S) == 4
    assert [names(tmp_path, sub) for sub in FOLDERS] == [[".keep"]] * 4


def test_tidy_is_bounded_and_begins_with_the_oldest(bus: SpoolBus, tmp_path: Path) -> None:
    for number in range(1100):
        (tmp_path / "events" / f"{number:013}-t.json").touch()
    later = time.time() + 31 * DAY_S
    assert bus.tidy(later) == 1000
    assert names(tmp_path, "events")[0] == f"{1000:013}-t.json"
    assert bus.tidy(later) == 100


# -- dropping a notice ----------------------------------------------------------------------------


def test_a_notice_that_was_put_is_taken(bus: SpoolBus, tmp_path: Path) -> None:
    path = put_notice(str(tmp_path), b'{"a": 1}', "assign-bay-2")
    assert path == str(tmp_path / "notices" / "assign-bay-2.json")
    (delivery,) = bus.poll(0)
    assert (delivery.name, delivery.body) == ("assign-bay-2.json", b'{"a": 1}')
    assert os.stat(path).st_mode & 0o777 == 0o644
    assert names(tmp_path, "notices") == ["assign-bay-2.json"]


def test_putting_never_replaces_a_notice_that_waits(bus: SpoolBus, tmp_path: Path) -> None:
    paths = [put_notice(str(tmp_path), b'{"n": %d}' % n, "a.json") for n in range(3)]
    assert [os.path.basename(path) for path in paths] == ["a.json", "a-2.json", "a-3.json"]
    assert sorted(delivery.body for delivery in bus.poll(0)) == [b'{"n": 0}', b'{"n": 1}', b'{"n": 2}']


def test_a_file_system_without_links_will_do(
    bus: SpoolBus, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: Any, **__: Any) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    put_notice(str(tmp_path), b"{}", "a")
    put_notice(str(tmp_path), b"{}", "a")
    assert names(tmp_path, "notices") == ["a-2.json", "a.json"]


@pytest.mark.parametrize("name", ["", ".a.json", "../a.json", "a/b", "a\x00"])
def test_only_a_plain_name_is_put(bus: SpoolBus, tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="not a plain file name"):
        put_notice(str(tmp_path), b"{}", name)
    assert names(tmp_path, "notices") == []


def test_putting_into_no_spool_is_told(tmp_path: Path) -> None:
    with pytest.raises(BusDown, match=r"notices is missing"):
        put_notice(str(tmp_path / "nowhere"), b"{}", "a")


# -- problems -------------------------------------------------------------------------------------


def test_a_spool_in_order_has_no_problems(bus: SpoolBus, tmp_path: Path) -> None:
    drop(tmp_path, "a.json")
    assert bus.problems() == []
    assert names(tmp_path, "notices") == ["a.json"]


def test_a_missing_spool_is_one_problem(tmp_path: Path) -> None:
    (problem,) = SpoolBus(str(tmp_path / "nowhere")).problems()
    assert (problem.where, problem.fatal) == (str(tmp_path / "nowhere"), True)
    assert "create it" in problem.remedy


def test_folders_not_made_yet_are_no_reason_to_stop(tmp_path: Path) -> None:
    found = SpoolBus(str(tmp_path)).problems()
    assert [os.path.basename(problem.where) for problem in found] == list(FOLDERS)
    assert not any(problem.fatal for problem in found)


def test_a_file_in_the_place_of_a_folder_is_a_problem(bus: SpoolBus, tmp_path: Path) -> None:
    (tmp_path / "events").rmdir()
    (tmp_path / "events").touch()
    (problem,) = bus.problems()
    assert problem.where.endswith("/events")
    assert problem.text == "cannot be written to: it is not a folder"
    assert problem.fatal


@pytest.mark.root
def test_a_folder_on_another_disk_is_a_problem(bus: SpoolBus, tmp_path: Path, small_disk: Path) -> None:
    (tmp_path / "accepted").rmdir()
    (tmp_path / "accepted").symlink_to(small_disk)
    (problem,) = bus.problems()
    assert problem.text == "is on another file system than the rest of the spool"
    drop(tmp_path, "a.json")
    (delivery,) = bus.poll(0)
    with pytest.raises(BusDown, match="another file system"):
        bus.acknowledge(delivery, [])
    assert names(tmp_path, "notices") == ["a.json"]


def test_notices_that_are_never_read_are_named(bus: SpoolBus, tmp_path: Path) -> None:
    (tmp_path / "notices" / "link.json").symlink_to("/dev/null")
    (problem,) = bus.problems()
    assert "link.json" in problem.text
    assert not problem.fatal


# -- any order of things --------------------------------------------------------------------------


class Spool(RuleBasedStateMachine):
    """People put and replace notices, the daemon polls, acknowledges and restarts, in any order."""

    deliveries = Bundle("deliveries")

    def __init__(self) -> None:
        super().__init__()
        self.temporary = tempfile.TemporaryDirectory()
        self.folder = Path(self.temporary.name)
        self.count = 0
        self.waiting: dict[str, bytes] = {}
        self.delivered: set[tuple[str, bytes]] = set()
        self.open: set[str] = set()
        self.start()

    @rule()
    def start(self) -> None:
        """A new process: what was delivered but not acknowledged comes again."""
        self.bus = SpoolBus(str(self.folder))
        self.bus.prepare()
        self.open.clear()

    @rule(name=st.sampled_from("abc"))
    def replace(self, name: str) -> None:
        self.count += 1
        body = b'{"n": %d}' % self.count
        (self.folder / "notices" / ".new").write_bytes(body)
        os.rename(self.folder / "notices" / ".new", self.folder / "notices" / f"{name}.json")
        self.waiting[f"{name}.json"] = body

    @rule(name=st.sampled_from("abc"))
    def put(self, name: str) -> None:
        self.count += 1
        body = b'{"n": %d}' % self.count
        self.waiting[os.path.basename(put_notice(str(self.folder), body, name))] = body

    @rule(target=deliveries)
    def poll(self) -> tuple[Delivery, ...]:
        taken = tuple(self.bus.poll(0))
        for delivery in taken:
            assert delivery.origin not in self.open, "given out twice"
            assert self.waiting[delivery.name] == delivery.body
            self.open.add(delivery.origin)
            self.delivered.add((delivery.name, delivery.body))
        assert self.open >= {d.origin for d in taken}
        assert set(self.waiting.items()) <= self.delivered, "not delivered"
        return taken

    @rule(batch=consumes(deliveries), refuse=st.booleans())
    def acknowledge(self, batch: tuple[Delivery, ...], refuse: bool) -> None:
        for delivery in batch:
            self.bus.acknowledge(delivery, ["wrong"] if refuse else [])
            self.open.discard(delivery.origin)
            if self.waiting.get(delivery.name) == delivery.body:
                del self.waiting[delivery.name]

    @invariant()
    def what_waits_is_there_and_what_was_delivered_is_kept(self) -> None:
        there = {p.name: p.read_bytes() for p in (self.folder / "notices").iterdir()}
        assert there == self.waiting

    def teardown(self) -> None:
        for delivery in SpoolBus(str(self.folder)).poll(0):
            self.bus.acknowledge(delivery, [])
        assert os.listdir(self.folder / "notices") == []
        self.temporary.cleanup()


Spool.TestCase.settings = settings(max_examples=30, stateful_step_count=20, deadline=None)
TestSpool = Spool.TestCase
