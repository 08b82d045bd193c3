from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator

import pytest

from ingestd.ports import Cancelled
from ingestd.transfer.buffers import Buffer, BufferPool
from ingestd.transfer.senders import SenderPool, spread
from tests.support.byte_path import Token

# -- buffers --------------------------------------------------------------------------------------


def blocked(call: threading.Thread, seconds: float = 0.15) -> bool:
    call.join(seconds)
    return call.is_alive()


def acquiring(pool: BufferPool, flow: str, got: list[Buffer], token: Token | None = None) -> threading.Thread:
    def run() -> None:
        with contextlib.suppress(Cancelled):
            got.append(pool.acquire(flow, token or Token()))

    # A daemon: one that waits for ever must not keep a failed run from ending.
    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def test_buffers_are_whole_and_used_again() -> None:
    pool = BufferPool(1, 8192)
    first = pool.acquire("a", Token())
    memory = first.view.obj
    first.view[:] = bytes(8192)
    pool.release(first)
    second = pool.acquire("b", Token())
    assert second.view.obj is memory
    assert pool.held == {"b": 1}
    assert pool.free == 0


def test_memory_is_taken_only_when_it_is_needed() -> None:
    pool = BufferPool(1_000_000, 1 << 30)
    assert pool.free == 1_000_000


def test_a_flow_without_a_promise_cannot_take_what_others_were_promised() -> None:
    pool = BufferPool(3, 4096)
    pool.register("a", 1)
    pool.register("b", 1)
    pool.acquire("a", Token())
    pool.acquire("a", Token())
    late: list[Buffer] = []
    greedy = acquiring(pool, "a", late)
    assert blocked(greedy)
    mine = pool.acquire("b", Token())
    pool.release(mine)
    assert blocked(greedy)
    pool.unregister("b")
    greedy.join(1)
    assert late


def test_an_even_share_comes_before_what_lies_beyond_it() -> None:
    pool = BufferPool(4, 4096)
    pool.register("a", 1)
    pool.register("b", 1)
    held = [pool.acquire("a", Token()) for _ in range(3)]
    pool.acquire("b", Token())
    got_a, got_b = list[Buffer](), list[Buffer]()
    greedy = acquiring(pool, "a", got_a)
    assert blocked(greedy)
    modest = acquiring(pool, "b", got_b)
    assert blocked(modest)
    pool.release(held.pop())
    modest.join(1)
    assert got_b
    assert blocked(greedy)
    pool.release(got_b.pop())
    greedy.join(1)
    assert got_a


def test_beyond_its_even_share_a_flow_has_what_it_moves() -> None:
    pool = BufferPool(8, 4096)
    portion = 0.0
    pool.register("slow", 1, lambda: portion)
    for _ in range(8):
        pool.acquire("slow", Token())
    pool.write_off("slow")
    pool.register("quick", 1, lambda: 1 - portion)
    for _ in range(4):
        pool.acquire("slow", Token())
    got: list[Buffer] = []
    late = acquiring(pool, "slow", got)
    assert blocked(late)
    portion = 0.4  # two in use and 0.4 of eight
    late.join(1)
    assert got
    later = acquiring(pool, "slow", got)
    assert blocked(later)
    pool.unregister("quick")
    later.join(1)
    assert len(got) == 2


def test_more_promises_than_buffers_are_refused_with_a_remedy() -> None:
    pool = BufferPool(2, 4096)
    pool.register("a", 2)
    pool.register("a", 1)
    with pytest.raises(ValueError, match="more buffers or fewer loads"):
        pool.register("b", 2)


def test_waiting_ends_when_cancelled_and_shows_signs_of_life() -> None:
    pool, token = BufferPool(1, 4096), Token()
    pool.acquire("a", Token())
    waiting = acquiring(pool, "b", [], token)
    time.sleep(0.3)
    assert time.monotonic() - token.moved_at < 0.2
    token.cancel()
    waiting.join(0.3)
    assert not waiting.is_alive()


def test_what_is_written_off_is_replaced_and_not_taken_back() -> None:
    pool = BufferPool(1, 4096)
    hung = pool.acquire("a", Token())
    pool.write_off("a")
    other = pool.acquire("b", Token())
    assert other.view.obj is not hung.view.obj
    hung.view[:1] = b"x"
    pool.release(hung)
    assert pool.held == {"b": 1}
    pool.release(other)
    assert pool.free == 1


MIB = 1 << 20


def test_a_piece_is_free_again_while_the_rest_of_its_buffer_is_in_use() -> None:
    pool = BufferPool(1, 4 * MIB)
    pieces = [pool.acquire_piece("a", Token()) for _ in range(4)]
    assert pool.held == {"a": 1}
    for number, piece in enumerate(pieces):
        piece.view[:] = bytes([number]) * MIB
    pool.release_piece(pieces[1])
    again = pool.acquire_piece("a", Token())
    again.view[:] = bytes([9]) * MIB
    assert [bytes(piece.view[:1]) for piece in (pieces[0], again, *pieces[2:])] == [
        b"\0",
        b"\t",
        b"\2",
        b"\3",
    ]


def test_a_buffer_is_given_back_with_the_last_of_its_pieces() -> None:
    pool = BufferPool(1, 4 * MIB)
    pieces = [pool.acquire_piece("a", Token()) for _ in range(2)]
    late = list[Buffer]()
    other = acquiring(pool, "b", late)
    pool.release_piece(pieces[0])
    assert blocked(other)
    pool.release_piece(pieces[1])
    other.join(10)
    assert late
    assert pool.held == {"b": 1}
    assert len(late[0].view) == 4 * MIB


def test_who_waits_for_a_piece_gets_one_of_its_own() -> None:
    pool = BufferPool(1, 2 * MIB)
    pieces, got = [pool.acquire_piece("a", Token()) for _ in range(2)], list[object]()
    waiting = threading.Thread(target=lambda: got.append(pool.acquire_piece("a", Token())), daemon=True)
    waiting.start()
    assert blocked(waiting)
    pool.release_piece(pieces[0])
    waiting.join(10)
    assert got


def test_pieces_of_what_was_written_off_are_nobody_s() -> None:
    pool = BufferPool(1, 4 * MIB)
    old = [pool.acquire_piece("a", Token()) for _ in range(2)]
    pool.write_off("a")
    new = [pool.acquire_piece("b", Token()) for _ in range(4)]
    for piece in old:
        piece.view[:] = bytes([7]) * MIB
        pool.release_piece(piece)
    assert all(bytes(piece.view) == bytes(MIB) for piece in new)
    for piece in new:
        pool.release_piece(piece)
    assert pool.held == {}
    assert pool.free == 1


def test_a_buffer_that_cannot_be_cut_evenly_is_one_piece() -> None:
    pool = BufferPool(1, 3 * MIB // 2)
    piece = pool.acquire_piece("a", Token())
    assert len(piece.view) == 3 * MIB // 2


def test_a_pool_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        BufferPool(0, 4096)


# -- senders --------------------------------------------------------------------------------------


@pytest.fixture
def pool() -> Iterator[SenderPool]:
    senders = SenderPool(3)
    yield senders
    assert senders.close()


class Gate:
    """Work that waits until it is let go."""

    def __init__(self) -> None:
        self.open = threading.Event()
        self.begun = 0
        self._lock = threading.Lock()

    def __call__(self) -> None:
        with self._lock:
            self.begun += 1
        assert self.open.wait(10)

    def wait_for(self, begun: int) -> None:
        until = time.monotonic() + 5
        while self.begun < begun and time.monotonic() < until:
            time.sleep(0.002)
        assert self.begun >= begun


def no_failure(error: BaseException) -> None:
    raise AssertionError(error)


def test_a_flow_may_use_all_threads_when_nobody_else_is_there(pool: SenderPool) -> None:
    gate = Gate()
    pool.register("a")
    for _ in range(5):
        pool.submit("a", gate, no_failure)
    gate.wait_for(3)
    assert pool.running == {"a": 3}
    gate.open.set()
    gate.wait_for(5)


def threads_of_senders() -> int:
    return sum(thread.name.startswith("sender-") for thread in threading.enumerate())


def test_threads_are_started_as_there_is_work_for_them() -> None:
    before, pool, gate = threads_of_senders(), SenderPool(50), Gate()
    assert threads_of_senders() == before + 1
    for number in range(1, 4):
        pool.submit("a", gate, no_failure)
        gate.wait_for(number)
    assert threads_of_senders() == before + 3
    gate.open.set()
    for _ in range(100):
        done = threading.Event()
        pool.submit("a", done.set, no_failure)
        assert done.wait(10)
    assert threads_of_senders() <= before + 4
    assert pool.close()


def test_work_that_a_promise_held_up_is_begun_by_all_threads_once_it_is_taken_back() -> None:
    pool, gate = SenderPool(4), Gate()
    for flow in "bcd":
        pool.register(flow)
    for _ in range(4):
        pool.submit("a", gate, no_failure)
    gate.wait_for(1)
    for flow in "bcd":
        pool.unregister(flow)
    gate.wait_for(4)
    gate.open.set()
    assert pool.close()


def test_every_registered_flow_has_a_thread_whatever_the_others_do(pool: SenderPool) -> None:
    hung, mine = Gate(), Gate()
    pool.register("a")
    pool.register("b")
    for _ in range(9):
        pool.submit("a", hung, no_failure)
    hung.wait_for(2)
    time.sleep(0.05)
    assert pool.running == {"a": 2}
    pool.submit("b", mine, no_failure)
    mine.wait_for(1)
    mine.open.set()
    hung.open.set()


def test_the_flow_with_the_fewest_threads_is_next(pool: SenderPool) -> None:
    gates = {flow: Gate() for flow in "ab"}
    busy = Gate()
    for _ in range(3):
        pool.submit("busy", busy, no_failure)
    busy.wait_for(3)
    for flow in "aaaabb":
        pool.submit(flow, gates[flow], no_failure)
    busy.open.set()
    gates["b"].wait_for(1)
    gates["a"].wait_for(1)
    time.sleep(0.05)
    assert sorted(pool.running.values()) == [1, 2]
    for gate in gates.values():
        gate.open.set()


def test_a_flow_never_has_more_threads_than_its_width(pool: SenderPool) -> None:
    gate, width = Gate(), [1]
    pool.register("a", lambda: width[0])
    for _ in range(4):
        pool.submit("a", gate, no_failure)
    gate.wait_for(1)
    time.sleep(0.05)
    assert gate.begun == 1
    width[0] = 2
    pool.submit("a", gate, no_failure)
    gate.wait_for(2)
    time.sleep(0.05)
    assert gate.begun == 2
    gate.open.set()


def broken() -> None:
    raise ZeroDivisionError


def test_what_goes_wrong_goes_to_its_flow_and_the_thread_lives_on(pool: SenderPool) -> None:
    errors: list[BaseException] = []
    for _ in range(10):
        pool.submit("a", broken, errors.append)
    done = threading.Event()
    pool.submit("a", done.set, no_failure)
    assert done.wait(5)
    until = time.monotonic() + 5
    while len(errors) < 10 and time.monotonic() < until:
        time.sleep(0.002)
    assert [type(error) for error in errors] == [ZeroDivisionError] * 10


def test_all_promised_is_refused_with_a_remedy(pool: SenderPool) -> None:
    for flow in "abc":
        pool.register(flow)
    pool.register("a")
    with pytest.raises(ValueError, match="more senders or fewer loads"):
        pool.register("d")
    pool.unregister("a")
    pool.register("d")


def test_what_was_not_begun_can_be_withdrawn_or_dropped(pool: SenderPool) -> None:
    gate, later, dropped = Gate(), Gate(), list[BaseException]()
    for _ in range(3):
        pool.submit("a", gate, no_failure)
    gate.wait_for(3)
    pool.submit("b", later, no_failure)
    pool.submit("b", later, no_failure)
    assert pool.withdraw("b", later) == 2
    assert pool.withdraw("b", later) == 0
    pool.submit("b", later, dropped.append)
    pool.drop("b")
    assert [type(error) for error in dropped] == [Cancelled]
    gate.open.set()
    assert later.begun == 0


def test_after_closing_nothing_is_taken() -> None:
    pool = SenderPool(2)
    done = threading.Event()
    pool.submit("a", done.set, no_failure)
    assert pool.close()
    assert done.is_set()
    with pytest.raises(RuntimeError, match="stopped"):
        pool.submit("a", done.set, no_failure)


def test_a_thread_that_hangs_does_not_hang_closing() -> None:
    pool, gate = SenderPool(1), Gate()
    pool.submit("a", gate, no_failure)
    gate.wait_for(1)
    assert not pool.close(timeout_s=0.05)
    gate.open.set()
    assert pool.close()


def test_spread_work_is_done_by_all_who_are_free(pool: SenderPool) -> None:
    threads: set[str] = set()

    def work() -> None:
        threads.add(threading.current_thread().name)
        time.sleep(0.01)

    spread(pool, "a", [work] * 30)
    assert len(threads) == 3


def test_spread_work_is_done_even_if_nobody_helps(pool: SenderPool) -> None:
    gate, done = Gate(), list[int]()
    for _ in range(3):
        pool.submit("busy", gate, no_failure)
    gate.wait_for(3)
    spread(pool, "a", [lambda: done.append(1)] * 20)
    assert len(done) == 20
    assert pool.withdraw("a", gate) == 0
    gate.open.set()


def test_spread_work_stops_at_the_first_error(pool: SenderPool) -> None:
    done: list[int] = []

    def work(number: int) -> None:
        time.sleep(0.001)
        done.append(number)
        if number == 3:
            raise KeyError(number)

    with pytest.raises(KeyError):
        spread(pool, "a", [lambda number=number: work(number) for number in range(1_000)])  # type: ignore[misc]
    assert len(done) < 50
    spread(pool, "a", [])
