"""The threads that send: as many as there is work for, up to a number, and one to itself for every load."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from ingestd.ports import Cancelled

Work = Callable[[], None]
Failed = Callable[[BaseException], None]
Width = Callable[[], int]


@dataclass(slots=True)
class _Flow:
    promised: bool = False
    width: Width | None = None
    waiting: deque[tuple[Work, Failed]] = field(default_factory=deque)
    running: int = 0
    served: int = 0
    """When it last got a thread, as a count of all that were given out."""

    @property
    def ready(self) -> bool:
        """Whether there is work that may be begun as far as the flow itself is concerned."""
        if not self.waiting:
            return False
        return not self.running or self.width is None or self.running < self.width()


class SenderPool:
    """Up to `threads` threads for the work of all flows (loads), in the order of submission within a flow.
    Each is started when there is work for it that no other one waits for.

    Every registered flow can have one thread at any moment, whatever the others do: a second one goes
    to a flow only where enough stay idle for all that have none. Beyond that, the flow with the fewest
    is next. So a store that hangs holds up the loads that go there, and no other.
    """

    def __init__(self, threads: int) -> None:
        if threads < 1:
            raise ValueError("at least one thread has to send")
        self.threads = threads
        self._flows: dict[str, _Flow] = {}
        self._grants = 0
        self._closing = False
        self._changed = threading.Condition()
        self._workers: list[threading.Thread] = []
        self._asleep = 0
        with self._changed:
            self._hire()

    def register(self, flow: str, width: Width | None = None) -> None:
        """Promise a flow one thread. It never has more than `width()`, asked anew each time.

        Raises ValueError when all threads are promised already.
        """
        with self._changed:
            state = self._flows.setdefault(flow, _Flow())
            promised = sum(each.promised for each in self._flows.values() if each is not state)
            if promised >= self.threads:
                raise ValueError(
                    f"all {self.threads} senders are promised already: "
                    "configure more senders or fewer loads at a time"
                )
            state.promised, state.width = True, width

    def unregister(self, flow: str) -> None:
        """Take the promise back. Work that still waits is done when there is a thread to spare."""
        with self._changed:
            state = self._flows.get(flow)
            if state is not None:
                state.promised, state.width = False, None
                self._tidy(flow, state)
                self._wake()

    @contextlib.contextmanager
    def registered(self, flow: str, width: Width | None = None) -> Iterator[None]:
        self.register(flow, width)
        try:
            yield
        finally:
            self.unregister(flow)

    def submit(self, flow: str, work: Work, failed: Failed) -> None:
        """Have `work` done on one of the threads; what it raises goes to `failed`, on that thread.

        A flow that is not registered is served from what is left over. Raises RuntimeError after `close`.
        """
        with self._changed:
            if self._closing:
                raise RuntimeError("the senders have been stopped")
            self._flows.setdefault(flow, _Flow()).waiting.append((work, failed))
            self._wake()

    def withdraw(self, flow: str, work: Work) -> int:
        """Take back what was submitted as `work` and has not been begun; how many times it was there."""
        with self._changed:
            state = self._flows.get(flow)
            if state is None:
                return 0
            before = len(state.waiting)
            state.waiting = deque(each for each in state.waiting if each[0] is not work)
            self._tidy(flow, state)
            return before - len(state.waiting)

    def drop(self, flow: str) -> None:
        """Let what waits of a flow fail with Cancelled, on this thread."""
        with self._changed:
            state = self._flows.get(flow)
            if state is None:
                return
            dropped, state.waiting = state.waiting, deque()
            self._tidy(flow, state)
        for _, failed in dropped:
            failed(Cancelled())

    def close(self, timeout_s: float = 5.0) -> bool:
        """Finish what was submitted and stop; whether all threads did within that time."""
        until = time.monotonic() + timeout_s
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        for worker in self._workers:
            worker.join(max(0.0, until - time.monotonic()))
        return not any(worker.is_alive() for worker in self._workers)

    @property
    def running(self) -> dict[str, int]:
        """How many threads each flow has now."""
        with self._changed:
            return {flow: state.running for flow, state in self._flows.items() if state.running}

    @property
    def waiting(self) -> dict[str, int]:
        """How many pieces of work of each flow have not been begun."""
        with self._changed:
            return {flow: len(state.waiting) for flow, state in self._flows.items() if state.waiting}

    # -- the threads ------------------------------------------------------------------------------

    def _serve(self) -> None:
        while (taken := self._next()) is not None:
            flow, work, failed = taken
            try:
                work()
            except BaseException as error:  # noqa: BLE001 - whatever it is belongs to the flow
                failed(error)
            finally:
                del work, failed, taken
                self._done(flow)

    def _next(self) -> tuple[str, Work, Failed] | None:
        """The next piece of work, waited for; None when there will be none any more."""
        with self._changed:
            while (flow := self._choose()) is None:
                if self._closing and not any(state.waiting for state in self._flows.values()):
                    return None
                self._asleep += 1
                self._changed.wait()
                self._asleep -= 1
            state = self._flows[flow]
            self._grants += 1
            state.running += 1
            state.served = self._grants
            work, failed = state.waiting.popleft()
            self._wake()
            return flow, work, failed

    def _wake(self) -> None:
        """Have a thread look, where there is work to be begun: it does likewise once it has taken that."""
        if self._choose() is None:
            return
        if self._asleep:
            self._changed.notify()
        elif len(self._workers) < self.threads:
            # Where the system has no thread to give, those that there are come to it later.
            with contextlib.suppress(RuntimeError):
                self._hire()

    def _hire(self) -> None:
        worker = threading.Thread(target=self._serve, name=f"sender-{len(self._workers)}", daemon=True)
        worker.start()
        self._workers.append(worker)

    def _choose(self) -> str | None:
        idle = self.threads - sum(state.running for state in self._flows.values())
        owed = sum(state.promised and not state.running for state in self._flows.values())
        open_to = [
            (state.running, state.served, flow)
            for flow, state in self._flows.items()
            if state.ready and ((state.promised and not state.running) or idle > owed)
        ]
        return min(open_to)[2] if open_to else None

    def _done(self, flow: str) -> None:
        with self._changed:
            state = self._flows[flow]
            state.running -= 1
            self._tidy(flow, state)
            if self._closing:
                self._changed.notify_all()

    def _tidy(self, flow: str, state: _Flow) -> None:
        if not (state.promised or state.waiting or state.running):
            self._flows.pop(flow, None)


def spread(senders: SenderPool, flow: str, works: Sequence[Work]) -> None:
    """Do all of these, on this thread and on those senders that nobody was promised.

    For much that is quick, such as asking the store about many objects: a borrowed thread should be
    back before its owner misses it. Raises the first error; what was not begun by then is left.
    """
    left, errors, over = deque(works), list[BaseException](), threading.Semaphore(0)

    def run() -> None:
        while not errors:
            try:
                work = left.popleft()
            except IndexError:
                return
            try:
                work()
            except BaseException as error:  # noqa: BLE001 - raised again below
                errors.append(error)

    def help_out() -> None:
        run()
        over.release()

    helpers = min(len(works), senders.threads) - 1
    for _ in range(helpers):
        senders.submit(flow, help_out, errors.append)
    run()
    for _ in range(helpers - senders.withdraw(flow, help_out)):
        over.acquire()
    if errors:
        raise errors[0]
