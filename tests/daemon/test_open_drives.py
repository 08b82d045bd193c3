"""The drives that loads have open: what comes back too late is let go of, and nobody waits for it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any, cast

import pytest

from ingestd.core.drive import DriveHandle
from ingestd.core.messages import Transfer
from ingestd.core.model import Attempt, LoadId
from ingestd.journal.journal import Journal
from ingestd.ports import (
    Cancelled,
    CancelToken,
    Drives,
    DriveUnreadable,
    OpenDrive,
    PortError,
    ReadStalled,
    Store,
    ToolFailed,
)
from ingestd.runtime.clock import Clock
from ingestd.runtime.effects import Token
from ingestd.runtime.handlers import Handlers, OpenDrives
from ingestd.transfer.transfers import Transfers
from tests.support import values
from tests.support.daemon import wait_for
from tests.support.fake_manifest import FakeManifest

SOON_S = 10.0
LOAD = LoadId("load-1")


class FakeOpen:
    """An open drive; letting go of it waits for `gate`."""

    def __init__(self) -> None:
        self.closes = 0
        self.gate = threading.Event()
        self.gate.set()

    def still_there(self) -> bool:
        return True

    def close(self) -> None:
        self.closes += 1
        self.gate.wait(SOON_S)


class FakeDrives:
    """Each opening takes the next of `gates` and returns when that is opened."""

    def __init__(self) -> None:
        self.gates: list[threading.Event] = []
        self.begun: list[CancelToken] = []
        self.opened: list[FakeOpen] = []
        self.error: Exception | None = None

    def open(self, handle: DriveHandle, cancel: CancelToken) -> OpenDrive:
        gate = self.gates.pop(0) if self.gates else None
        self.begun.append(cancel)
        if gate is not None:
            assert gate.wait(SOON_S)
        if self.error is not None:
            raise self.error
        self.opened.append(FakeOpen())
        return cast(OpenDrive, self.opened[-1])


class InThread:
    """A call in a thread of its own, and what became of it."""

    def __init__(self, call: Callable[..., object], *args: Any, **more: Any) -> None:
        self.result: object = None
        self.error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, args=(call, args, more), daemon=True)
        self._thread.start()

    def _run(self, call: Callable[..., object], args: Sequence[Any], more: Any) -> None:
        try:
            self.result = call(*args, **more)
        except BaseException as error:  # noqa: BLE001 - handed to the test
            self.error = error

    def wait(self) -> InThread:
        self._thread.join(SOON_S)
        assert not self._thread.is_alive()
        return self


@pytest.fixture
def drives() -> FakeDrives:
    return FakeDrives()


@pytest.fixture
def open_drives(drives: FakeDrives) -> OpenDrives:
    return OpenDrives(cast(Drives, drives))


def token() -> Token:
    return Token(Clock())


def hanging_open(
    drives: FakeDrives, open_drives: OpenDrives, mine: Token
) -> tuple[InThread, threading.Event]:
    gate = threading.Event()
    drives.gates.append(gate)
    call = InThread(open_drives.get, LOAD, values.handle(), mine, fresh=True)
    wait_for(lambda: mine in drives.begun, SOON_S, "the opening")
    return call, gate


def test_an_opening_that_was_given_up_is_closed_and_replaces_nothing(
    drives: FakeDrives, open_drives: OpenDrives
) -> None:
    late = token()
    call, gate = hanging_open(drives, open_drives, late)
    late.cancel()
    newer = open_drives.get(LOAD, values.handle(), token(), fresh=False)
    gate.set()
    assert isinstance(call.wait().error, Cancelled)
    mine, theirs = drives.opened
    assert (mine.closes, theirs.closes) == (0, 1)
    assert open_drives.get(LOAD, values.handle(), token(), fresh=False) is newer


def test_an_opening_that_was_overtaken_is_closed_even_if_nobody_cancelled_it(
    drives: FakeDrives, open_drives: OpenDrives
) -> None:
    call, gate = hanging_open(drives, open_drives, token())
    newer = open_drives.get(LOAD, values.handle(), token(), fresh=False)
    gate.set()
    assert isinstance(call.wait().error, Cancelled)
    assert open_drives.get(LOAD, values.handle(), token(), fresh=False) is newer


@pytest.mark.parametrize("cancelled", [True, False])
def test_an_opening_that_returns_after_the_load_let_go_is_closed(
    drives: FakeDrives, open_drives: OpenDrives, cancelled: bool
) -> None:
    late = token()
    call, gate = hanging_open(drives, open_drives, late)
    if cancelled:
        late.cancel()
    else:
        open_drives.close(LOAD)
    gate.set()
    assert isinstance(call.wait().error, Cancelled)
    assert [drive.closes for drive in drives.opened] == [1]


def test_an_opening_that_fails_leaves_nothing_behind(drives: FakeDrives, open_drives: OpenDrives) -> None:
    drives.error = DriveUnreadable("dying")
    with pytest.raises(DriveUnreadable):
        open_drives.get(LOAD, values.handle(), token(), fresh=True)
    drives.error = None
    opened = open_drives.get(LOAD, values.handle(), token(), fresh=False)
    assert open_drives.get(LOAD, values.handle(), token(), fresh=False) is opened


def test_while_letting_go_hangs_the_drive_is_never_said_to_be_free(
    drives: FakeDrives, open_drives: OpenDrives
) -> None:
    open_drives.get(LOAD, values.handle(), token(), fresh=False)
    (hung,) = drives.opened
    hung.gate.clear()
    closing = InThread(open_drives.close, LOAD)
    wait_for(lambda: hung.closes == 1, SOON_S, "the closing")
    with pytest.raises(ToolFailed, match="has not been let go of yet"):
        open_drives.close(LOAD)
    with pytest.raises(ToolFailed, match="has not been let go of yet"):
        open_drives.get(LOAD, values.handle(), token(), fresh=False)
    other = open_drives.get(LoadId("load-2"), values.handle("bay-2"), token(), fresh=False)
    assert other is not None
    hung.gate.set()
    assert closing.wait().error is None
    open_drives.close(LOAD)


def test_the_last_closing_has_an_end_whatever_hangs(drives: FakeDrives, open_drives: OpenDrives) -> None:
    for load in ("load-2", "load-3", "load-4"):
        open_drives.get(LoadId(load), values.handle(), token(), fresh=False)
    drives.opened[0].gate.clear()
    call, gate = hanging_open(drives, open_drives, token())
    began = time.monotonic()
    assert not open_drives.close_all(0.2)
    assert time.monotonic() - began < 2
    assert [drive.closes for drive in drives.opened] == [1, 1, 1]
    gate.set()
    assert isinstance(call.wait().error, (Cancelled, ToolFailed))
    drives.opened[0].gate.set()


def test_the_last_closing_says_when_all_is_done(drives: FakeDrives, open_drives: OpenDrives) -> None:
    open_drives.get(LOAD, values.handle(), token(), fresh=False)
    assert open_drives.close_all(SOON_S)
    with pytest.raises(Cancelled):
        open_drives.get(LOAD, values.handle(), token(), fresh=False)
    assert [drive.closes for drive in drives.opened] == [1, 1]


@pytest.mark.parametrize(
    ("error", "anew"), [(ToolFailed("the helper is gone"), True), (ReadStalled(), False)]
)
def test_after_a_fault_of_the_station_the_next_try_opens_the_drive_anew(
    drives: FakeDrives, error: PortError, anew: bool
) -> None:
    handlers = handlers_of(drives, error)
    for _ in range(2):
        with pytest.raises(type(error)):
            handlers.transfer(transfer(), token())
    assert [drive.closes for drive in drives.opened] == ([1, 0] if anew else [0])


def test_a_fault_of_the_station_leaves_what_a_later_try_has_opened(
    drives: FakeDrives, open_drives: OpenDrives
) -> None:
    with pytest.raises(ToolFailed), open_drives.using(LOAD, values.handle(), token(), fresh=False):
        newer = open_drives.get(LOAD, values.handle(), token(), fresh=True)
        raise ToolFailed("the helper is gone")
    assert open_drives.get(LOAD, values.handle(), token(), fresh=False) is newer


def transfer() -> Transfer:
    return Transfer(
        load_id=LOAD, attempt=Attempt(1), handle=values.handle(), job=values.job(), folder="", sniff=False
    )


def handlers_of(drives: FakeDrives, error: Exception) -> Handlers:
    """Handlers whose transfers end in this error."""

    def fails(*_: object) -> None:
        raise error

    return Handlers(
        station="quay-03",
        drives=cast(Drives, drives),
        stores={values.job().destination.store: cast(Store, object())},
        journal=cast(Journal, SimpleNamespace(manifest=lambda load_id: FakeManifest())),
        custody=lambda load_id: (),
        transfers=cast(Transfers, SimpleNamespace(transfer=fails)),
        report=lambda event: None,
        clock=Clock(),
        room=lambda files: None,
    )
