"""What is particular to S3 stores: plans, meanings of answers, leaving a store alone, what check says."""

from __future__ import annotations

import hashlib
import itertools
import json
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import pytest
from botocore.exceptions import ClientError
from botocore.httpchecksum import AwsChunkedWrapper, Crc32Checksum
from botocore.session import Session
from hypothesis import given
from hypothesis import strategies as st
from tenacity import wait_none

from ingestd.core.model import FailureClass
from ingestd.core.retry import TABLE
from ingestd.ports import (
    Cancelled,
    Pace,
    PortError,
    StoreBusy,
    StoreConflict,
    StoreDigest,
    StoreFull,
    StoreMissing,
    StoreRefused,
    StoreUnreachable,
)
from ingestd.store import s3_listing
from ingestd.store.pacing import Allowance
from ingestd.store.s3 import S3Store
from ingestd.store.s3_circuit import FAILURES, Circuit, RetryBudget
from ingestd.store.s3_client import Framing, Request, Stream, _send_stream
from ingestd.store.s3_credentials import CredentialSource
from ingestd.store.s3_errors import counts_against, error_of
from ingestd.store.s3_integrity import combined_etag
from ingestd.store.s3_listing import text_of
from ingestd.store.s3_objects import ORIGIN
from ingestd.store.s3_settings import MIB, PARTS_MAX, Payload, S3Settings, planned_part_bytes
from ingestd.store.s3_wire import Answer, Endpoint
from ingestd.transfer import stopping
from ingestd.transfer.stopping import persistently
from tests.support import s3_servers
from tests.support.byte_path import Token
from tests.support.fault_proxy import SEALED_ETAGS, FaultProxy, Seen
from tests.support.ports import free_ports
from tests.support.scripted_store import ABLE, Served, in_chunks, served, told_of
from tests.support.stores import at_will, content, put, small, some_bytes

SETTINGS = S3Settings(name="tides", bucket="tides", endpoint="http://127.0.0.1:9")
_places = itertools.count(1)


def opened(kind: str = "moto", **changes: object) -> S3Store:
    return s3_servers.open_known(s3_servers.shared(kind), **{"prefix": f"store-{next(_places)}", **changes})


# -- plans ----------------------------------------------------------------------------------------


@given(st.integers(1, 48 << 40))
def test_every_object_that_s3_takes_fits_into_its_parts(size_bytes: int) -> None:
    """Amazon S3 User Guide, "Amazon S3 multipart upload limits": 10,000 parts of 5 MiB to 5 GiB."""
    part = planned_part_bytes(SETTINGS, size_bytes)
    assert 5 * MIB <= part <= 5 << 30
    assert -(-size_bytes // part) <= PARTS_MAX
    assert part == SETTINGS.part_bytes or part % MIB == 0


def test_the_plan_at_its_edges() -> None:
    edge = SETTINGS.part_bytes * PARTS_MAX
    assert planned_part_bytes(SETTINGS, edge) == 8 * MIB
    assert planned_part_bytes(SETTINGS, edge + 1) == 9 * MIB
    assert planned_part_bytes(SETTINGS, 20 * 10**12) == 1908 * MIB
    with pytest.raises(ValueError, match="do not fit"):
        planned_part_bytes(SETTINGS, (5 << 30) * PARTS_MAX + 1)


# -- what answers mean ----------------------------------------------------------------------------


def error(status: int, code: str = "", **headers: str) -> PortError:
    body = f"<Error><Code>{code}</Code><Key>kelp</Key></Error>".encode() if code else b""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return error_of(Answer(status, named, body), "store 'tides'")


@pytest.mark.parametrize(
    ("status", "code", "kind"),
    [
        (403, "AccessDenied", StoreRefused),
        (403, "InvalidAccessKeyId", StoreRefused),
        (403, "SignatureDoesNotMatch", StoreRefused),
        (403, "", StoreRefused),
        (403, "RequestTimeTooSkewed", StoreUnreachable),
        (400, "ExpiredToken", StoreUnreachable),
        (400, "RequestTimeout", StoreUnreachable),
        (400, "BadDigest", StoreDigest),
        (400, "XAmzContentSHA256Mismatch", StoreDigest),
        (404, "NoSuchBucket", StoreMissing),
        (403, "QuotaExceeded", StoreFull),
        (507, "", StoreFull),
        (413, "", StoreFull),
        (500, "InternalError", StoreUnreachable),
        (502, "", StoreUnreachable),
        (503, "ServiceUnavailable", StoreUnreachable),
        (503, "SlowDown", StoreBusy),
        (429, "", StoreBusy),
        (409, "OperationAborted", StoreUnreachable),
        (301, "PermanentRedirect", StoreRefused),
        (501, "NotImplemented", StoreRefused),
        (418, "Teapot", StoreRefused),
        (200, "InternalError", StoreUnreachable),
    ],
)
def test_each_answer_has_its_meaning_and_none_is_the_drives_fault(
    status: int, code: str, kind: type[PortError]
) -> None:
    found = error(status, code)
    assert type(found) is kind
    assert TABLE[found.kind].cause is FailureClass.DEPENDENCY
    assert "; " in str(found), "a remedy"
    assert "kelp" not in str(found)


def test_how_long_a_store_wants_to_be_left_alone_is_heard() -> None:
    assert error(503, "SlowDown", retry_after="7").not_before_s == 7
    assert error(503, "SlowDown", retry_after="100000").not_before_s == 300
    date = "Wed, 21 Oct 2026 07:28:00 GMT"
    assert error(503, "SlowDown", retry_after=date).not_before_s == 0
    for later, seconds in (("07:28:20", 20), ("07:27:00", 0), ("17:28:00", 300), ("tomorrow", 0)):
        answer = error(503, "SlowDown", date=date, retry_after=f"Wed, 21 Oct 2026 {later} GMT")
        assert answer.not_before_s == seconds


def test_a_busy_store_is_not_one_in_trouble() -> None:
    assert counts_against(Answer(503))
    assert not counts_against(Answer(503, {}, b"<Error><Code>SlowDown</Code></Error>"))
    assert not counts_against(Answer(403))


# -- leaving a store alone ------------------------------------------------------------------------


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def failing(circuit: Circuit, times: int) -> None:
    for _ in range(times):
        circuit.failed("dark", probing=circuit.enter())


def test_after_five_failures_in_a_row_one_probe_at_a_time_goes_out() -> None:
    clock = Clock()
    circuit = Circuit(clock)
    failing(circuit, FAILURES - 1)
    circuit.succeeded(probing=circuit.enter())
    failing(circuit, FAILURES - 1)
    troubles = [circuit.trouble]
    failing(circuit, 1)
    troubles.append(circuit.trouble)
    assert troubles == [None, "dark"]
    with pytest.raises(StoreUnreachable) as turned_away:
        circuit.enter()
    assert not turned_away.value.is_try
    clock.now += turned_away.value.not_before_s
    assert circuit.enter() is True
    with pytest.raises(StoreUnreachable):
        circuit.enter()
    circuit.left(probing=True)
    assert circuit.enter() is True
    circuit.succeeded(probing=True)
    assert (circuit.trouble, circuit.enter()) == (None, False)


def test_a_store_that_stays_away_is_probed_every_half_minute() -> None:
    clock, rests = Clock(), []
    circuit = Circuit(clock)
    failing(circuit, FAILURES)
    for _ in range(8):
        with pytest.raises(StoreUnreachable) as turned_away:
            circuit.enter()
        rests.append(round(turned_away.value.not_before_s))
        clock.now += turned_away.value.not_before_s
        circuit.failed("dark", probing=circuit.enter())
    assert rests == [1, 2, 4, 8, 16, 30, 30, 30]


def test_the_budget_for_tries() -> None:
    clock = Clock()
    budget = RetryBudget(clock)
    assert [budget.reserve() for _ in range(20)] == [0.0] * 20
    assert [budget.reserve() for _ in range(3)] == [1.0, 2.0, 3.0]
    budget.earn(20)
    assert budget.reserve() == pytest.approx(2.0)
    clock.now += 3
    assert budget.reserve() == pytest.approx(0.0)


@pytest.fixture
def no_jitter(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stopping, "_JITTER", wait_none())


def raising(*errors: PortError) -> Callable[[], str]:
    left = list(errors)

    def call() -> str:
        if left:
            raise left.pop(0)
        return "done"

    return call


def turned_away(after_s: float) -> StoreUnreachable:
    error = StoreUnreachable("left alone")
    error.is_try, error.not_before_s = False, after_s
    return error


@pytest.mark.usefixtures("no_jitter")
def test_waiting_for_a_store_that_is_left_alone_spends_no_try() -> None:
    assert persistently(Token(), raising(*[turned_away(0.001)] * 50)) == "done"
    with pytest.raises(StoreUnreachable, match="dark"):
        persistently(Token(), raising(*[turned_away(0.001), StoreUnreachable("dark")] * 5))
    assert persistently(Token(), raising(*[StoreUnreachable("dark")] * 4)) == "done"


@pytest.mark.usefixtures("no_jitter")
def test_garbled_data_is_sent_three_times() -> None:
    assert persistently(Token(), raising(*[StoreDigest("garbled")] * 2)) == "done"
    with pytest.raises(StoreDigest):
        persistently(Token(), raising(*[StoreDigest("garbled")] * 3))


@pytest.mark.usefixtures("no_jitter")
def test_a_store_is_left_alone_as_long_as_it_asked_for_and_waiting_can_be_cancelled() -> None:
    busy = StoreBusy("tide")
    busy.not_before_s = 0.3
    began = time.monotonic()
    assert persistently(Token(), raising(busy)) == "done"
    assert time.monotonic() - began >= 0.3
    token = Token()
    threading.Timer(0.2, token.cancel).start()
    with pytest.raises(Cancelled):
        persistently(token, raising(turned_away(600.0)))
    assert time.monotonic() - began < 10


# -- the wire -------------------------------------------------------------------------------------


def test_endpoints() -> None:
    assert Endpoint.of("https://objects.example") == Endpoint("objects.example", 443, True, "objects.example")
    assert Endpoint.of("http://10.1.1.1:8080").host == "10.1.1.1:8080"
    assert Endpoint.of("https://objects.example", "tides").host == "tides.objects.example"
    assert Endpoint.of("http://[::1]:81").host == "[::1]:81"


@given(st.integers(0, 5000), st.sampled_from([64, 1000, 4096]))
def test_a_trailer_is_framed_as_botocore_frames_it(size: int, block_bytes: int) -> None:
    """Length, and what is said of it beforehand; botocore cuts into chunks of its own size."""
    body = some_bytes(size)
    blocks = (memoryview(body)[at : at + block_bytes] for at in range(0, size, block_bytes))
    stream = Stream(blocks, size, block_bytes, Framing.TRAILER)
    sent: list[bytes] = []

    class Line:
        def send(self, data: bytes | memoryview) -> None:
            sent.append(bytes(data))

        def send_both(self, head: bytes, data: memoryview) -> None:
            sent.extend((head, bytes(data)))

    _send_stream(Line(), stream, None, Allowance(size, at_will))  # type: ignore[arg-type]
    theirs = AwsChunkedWrapper(
        BytesIO(body), Crc32Checksum, "x-amz-checksum-crc32", chunk_size=block_bytes
    ).read()
    assert b"".join(sent) == theirs
    assert stream.length == len(theirs)


def test_the_etag_of_an_object_in_parts() -> None:
    """The MD5 of b"" and of b"a", from RFC 1321, appendix A.5, put together as S3 does."""
    parts = ["d41d8cd98f00b204e9800998ecf8427e", '"0cc175b9c0f1b6a831c399e269772661"']
    found = combined_etag(parts)
    assert found is not None
    assert found.endswith("-2")
    assert combined_etag(["sink"]) is None


def test_the_etag_that_real_stores_give_is_the_combined_one() -> None:
    body = some_bytes(200_000)
    for kind in ("moto", "swift"):
        store = opened(kind)
        put(store, b"a/b", body)
        found = store._objects.find(store._objects.key_of(b"a/b"))
        etags = [hashlib.md5(body[at : at + 64_000]).hexdigest() for at in range(0, len(body), 64_000)]
        assert found is not None
        assert found.etag == combined_etag(etags)


# -- particular turns -----------------------------------------------------------------------------


def test_an_answer_that_was_lost_on_the_way_counts_as_done_and_as_ones_own() -> None:
    body = some_bytes(100_000)
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        upload = store.begin(b"a/b", len(body))
        upload.put_part(1, 0, memoryview(body), at_will)
        proxy.choose = lambda seen: "lost answer" if seen.method == "POST" else None
        with pytest.raises(StoreUnreachable):
            upload.complete(len(body), some_bytes(32))
        proxy.choose = lambda seen: None
        assert not upload.complete(len(body), hashlib.sha256(body).digest()).existed
        assert content(store, b"a/b") == body


def test_a_store_may_take_its_time_to_put_a_large_object_together() -> None:
    """Longer than anything else may stand still, without a word meanwhile."""
    body = some_bytes(100_000)

    def slow(seen: Seen) -> None:
        if seen.method == "POST" and "uploadId" in seen.target:
            time.sleep(2.5)

    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url, timeout_s=1.0)
        upload = store.begin(b"a/b", len(body))
        upload.put_part(1, 0, memoryview(body), at_will)
        proxy.choose = slow
        assert not upload.complete(len(body), hashlib.sha256(body).digest()).existed
        assert len([seen for seen in proxy.seen if "uploadId" in seen.target and seen.method == "POST"]) == 1


@pytest.mark.parametrize("fault", ["error", "reset"])
def test_an_object_that_may_still_be_being_put_together_is_waited_for(fault: str) -> None:
    """A balancer loses its patience while the store goes on: the upload is gone then, its object to come.
    To send terabytes again for that would be foolish."""
    body = some_bytes(100_000)
    digest = hashlib.sha256(body).digest()
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        behind = opened(prefix=store._settings.prefix)
        upload = store.begin(b"a/b", len(body))
        upload.put_part(1, 0, memoryview(body), at_will)
        proxy.choose = first(fault, "POST")
        with pytest.raises(StoreUnreachable):
            upload.complete(len(body), digest)
        number, _, key = upload.token.split(" ")
        proxy.choose = lambda seen: "gone" if seen.method == "POST" else None
        with pytest.raises(StoreUnreachable) as told:
            upload.complete(len(body), digest)
        assert not told.value.is_try
        assert told.value.not_before_s > 0
        headers = {ORIGIN: number}
        behind._client.must(Request(method="PUT", key=key, body=memoryview(body), headers=headers))
        assert not upload.complete(len(body), digest).existed
        assert content(store, b"a/b") == body


@pytest.mark.parametrize("status", [404, 412])
def test_an_object_of_ones_own_that_is_wrong_is_removed_and_sent_anew(
    monkeypatch: pytest.MonkeyPatch, status: int
) -> None:
    store, body = opened(), some_bytes(100_000)
    upload, ask = store.begin(b"a/b", len(body)), store._client.ask
    upload.put_part(1, 0, memoryview(body), at_will)

    def garbled(request: Request, pace: Pace = at_will) -> Answer:
        if request.method != "POST":
            return ask(request, pace)
        wrong, origin = memoryview(some_bytes(100_000, 7)), upload.token.partition(" ")[0]
        ask(Request(method="PUT", key=request.key, body=wrong, headers={ORIGIN: origin}))
        return Answer(status)

    monkeypatch.setattr(store._client, "ask", garbled)
    with pytest.raises(StoreUnreachable, match="anew"):
        upload.complete(len(body), hashlib.sha256(body).digest())
    assert store.stat(b"a/b") is None
    assert store.resume(b"a/b", len(body), upload.token) is None


def test_a_part_that_is_another_in_the_store_than_was_sent_is_not_believed() -> None:
    store, body = opened(), some_bytes(100_000)
    upload = store.begin(b"a/b", len(body))
    upload.put_part(1, 0, memoryview(body), at_will)
    _, upload_id, key = upload.token.split(" ")
    query = [("partNumber", "1"), ("uploadId", upload_id)]
    store._client.must(Request(method="PUT", key=key, query=query, body=memoryview(some_bytes(100_000, 7))))
    for _ in range(2):
        with pytest.raises(StoreDigest):
            upload.complete(len(body), hashlib.sha256(body).digest())
    assert store.stat(b"a/b") is None


def test_a_batch_in_a_bad_line_says_what_it_placed() -> None:
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url, in_flight=2)
        proxy.choose = lambda seen: "reset" if seen.target.endswith("/5") else None
        batch = [small(b"tiles/%d" % number, some_bytes(500, number)) for number in range(9)]
        with pytest.raises(StoreUnreachable) as raised:
            store.put_batch(batch, at_will)
        proxy.choose = lambda seen: None
        assert b"tiles/0" in raised.value.placed
        assert {each.key for each in batch if store.stat(each.key)} == raised.value.placed


def test_an_object_is_read_on_where_the_line_broke() -> None:
    body = some_bytes(300_000)
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        put(store, b"a/b", body)
        turns = itertools.count()

        def choose(seen: Seen) -> str | None:
            return "truncated" if seen.method == "GET" and next(turns) < 3 else None

        proxy.choose = choose
        assert content(store, b"a/b", 10_000) == body
        assert proxy.done["truncated"] == 3


def test_a_store_that_begins_again_where_it_was_to_read_on_is_not_believed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        put(store, b"a/b", some_bytes(300_000))
        turns, fetching = itertools.count(), store._client.fetching
        proxy.choose = lambda seen: "truncated" if seen.method == "GET" and next(turns) == 0 else None
        monkeypatch.setattr(store._client, "fetching", lambda request: fetching(replace(request, headers={})))
        with pytest.raises(StoreUnreachable, match="read on"):
            content(store, b"a/b", 10_000)


def test_a_bucket_that_is_gone_is_not_a_missing_object() -> None:
    server = s3_servers.shared("moto")
    with pytest.raises(StoreMissing):
        S3Store(server.settings("gone"), s3_servers.open_known(server).abilities).stat(b"a/b")
    assert opened().stat(b"a/b") is None


def test_white_space_before_an_answer_is_no_part_of_it() -> None:
    body = b' \n<?xml version="1.0"?><Error><Code>SlowDown</Code></Error>'
    assert type(error_of(Answer(200, {}, body), "store 'tides'")) is StoreBusy
    body = b"\n" + body.replace(b"Error", b"Result").replace(b"Code", b"UploadId")
    assert text_of(opened()._client, body, "UploadId") == "SlowDown"


def test_a_store_that_cannot_refuse_to_overwrite_is_looked_at_first() -> None:
    server = s3_servers.shared("moto")
    able = replace(s3_servers.open_known(server).abilities, conditional_put=False, conditional_complete=False)
    store = S3Store(server.settings("tides", prefix=f"plain-{next(_places)}"), able)
    put(store, b"a", b"there")
    with pytest.raises(StoreConflict):
        put(store, b"a", b"other")
    with pytest.raises(StoreConflict):
        store.put_batch([small(b"b", b"new"), small(b"a", b"other")], at_will)
    assert (content(store, b"a"), content(store, b"b")) == (b"there", b"new")
    assert set(store.put_batch([small(b"a", b"there"), small(b"c", b"")], at_will)) == {b"a"}


def test_a_name_that_is_too_long_is_refused_before_anything_is_sent() -> None:
    with pytest.raises(StoreRefused, match="1024 at most"):
        opened().begin(b"a/" + b"\xff" * 400, 10)


@pytest.mark.parametrize("payload", [Payload.SIGNED, Payload.UNSIGNED])
def test_both_ways_of_protecting_a_body(payload: Payload) -> None:
    for kind in ("moto", "swift"):
        server = s3_servers.shared(kind)
        store = S3Store(server.settings("tides", prefix=f"way-{next(_places)}", payload=payload))
        body = some_bytes(150_000)
        assert store.abilities.signed is (payload is Payload.SIGNED)
        put(store, b"a", body)
        assert content(store, b"a") == body


# -- many looks -----------------------------------------------------------------------------------


def test_many_looks_are_on_their_way_together() -> None:
    """Else a million small objects on a line of 50 ms would take hours to look at."""
    together, seen_by_now = threading.Event(), itertools.count(1)
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        keys = [b"a/%d" % number for number in range(24)]
        store.put_batch([small(key, key) for key in keys], at_will)

        def wait(seen: Seen) -> None:
            if seen.method == "HEAD" and next(seen_by_now) == 12:
                together.set()
            assert together.wait(60)

        proxy.choose = wait
        found = store.stat_many(keys)
        assert {key: each and each.size_bytes for key, each in found.items()} == {
            key: len(key) for key in keys
        }


def test_of_many_looks_those_that_were_answered_count() -> None:
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        keys = [b"a/%d" % number for number in range(40)]
        store.put_batch([small(key, key) for key in keys], at_will)
        for fault, kind in (("reset", StoreUnreachable), ("denied", StoreRefused), ("too many", StoreBusy)):
            proxy.choose = lambda seen, fault=fault: fault if seen.target.endswith("/7") else None  # type: ignore[misc]
            found = store.stat_many(keys)
            assert len(found) >= 7
            assert b"a/7" not in found
            assert all(found.values())
            with pytest.raises(kind):
                store.stat_many([b"a/7"])
        proxy.choose = lambda seen: "reset"
        for _ in range(FAILURES):
            with pytest.raises(StoreUnreachable):
                store.stat_many(keys)
        assert store.trouble is not None
        proxy.choose = lambda seen: None
        assert persistently(Token(), store.stat_many, keys)
        assert store.trouble is None


# -- refusals without words, and answers that are not the store's -------------------------------------


def from_script(at: Served, **changes: object) -> S3Store:
    keys = str(s3_servers.shared("moto")._credentials())
    return S3Store(told_of(at.url, credentials_file=keys, **changes), ABLE)


def first(fault: str, method: str, times: int = 1) -> Callable[[Seen], str | None]:
    """The first requests by this method that come from now on."""
    turns = itertools.count()
    return lambda seen: fault if seen.method == method and next(turns) < times else None


def by_answer(fault: str) -> Callable[[Seen], str | None]:
    """HEAD and GET of one object, as a store refuses them: the one without a word, the other with it."""
    return lambda seen: fault if seen.method in ("HEAD", "GET") else None


@pytest.mark.parametrize(
    ("fault", "kind"),
    [("skewed", StoreUnreachable), ("expired", StoreUnreachable), ("denied", StoreRefused)],
)
def test_what_a_refusal_without_words_means_is_asked_for(fault: str, kind: type[PortError]) -> None:
    """An answer to HEAD has no body, so no code: a 403 or 400 may be for now, or until somebody acts."""
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        put(store, b"a/b", b"there")
        proxy.choose = by_answer(fault)
        for key in (b"a/b", b"a/none"):
            with pytest.raises(kind):
                store.stat(key)
        proxy.choose = first(fault, "HEAD")
        with pytest.raises(StoreUnreachable):
            store.stat(b"a/b")
        assert store.stat(b"a/b") is not None
        proxy.choose = lambda seen: fault if seen.method == "HEAD" and seen.target == "/tides" else None
        with pytest.raises(StoreUnreachable):
            store.stat(b"a/none")


def test_credentials_that_have_expired_are_looked_for_anew_whatever_asks(tmp_path: Path) -> None:
    fresh = iter(["one", "two"])

    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)
        put(store, b"a/b", b"there")
        renewed: list[str] = []
        store._client._credentials.renew = lambda: renewed.append(next(fresh))  # type: ignore[method-assign]
        proxy.choose = by_answer("expired")
        with pytest.raises(StoreUnreachable):
            store.stat(b"a/b")
        assert renewed == ["one"]


def test_a_page_for_people_is_no_answer_of_a_store() -> None:
    """As a sign-in page, a proxy or a balancer without a store behind it gives, in the store's place."""
    body = some_bytes(9_000)
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url)

        def believed(method: str, act: Callable[[], object], page: str = "page") -> bool:
            proxy.choose = lambda seen: page if seen.method == method else None
            try:
                act()
            except StoreUnreachable:
                return False
            finally:
                proxy.choose = lambda seen: None
            return True

        upload = store.begin(b"a/part", len(body))
        batch = [small(b"a/small", body)]
        assert not believed("PUT", lambda: store.put_batch(batch, at_will))
        assert store.stat(b"a/small") is None
        assert not believed("PUT", lambda: store.put_batch(batch, at_will), "page for 404")
        assert not believed("PUT", lambda: store.replace(b"a/record", body))
        assert not believed("PUT", lambda: upload.put_part(1, 0, memoryview(body), at_will))
        assert not believed("PUT", lambda: upload.put_part(1, 0, memoryview(body), at_will), "page for 404")
        upload.put_part(1, 0, memoryview(body), at_will)
        assert not believed("POST", lambda: upload.complete(len(body), hashlib.sha256(body).digest()))
        assert not upload.complete(len(body), hashlib.sha256(body).digest()).existed
        assert not believed("POST", lambda: store.begin(b"a/new", 10))
        assert not believed("HEAD", lambda: store.stat(b"a/part"))
        assert not believed("GET", lambda: list(s3_listing.objects(store._client, "a")))
        assert not believed("GET", lambda: list(s3_listing.uploads(store._client, "a")))
        begun = store.begin(b"a/begun", 10)
        assert not believed("GET", lambda: store.resume(b"a/begun", 10, begun.token))
        assert not believed("GET", lambda: store.resume(b"a/begun", 10, begun.token), "page for 404")
        assert not believed("DELETE", lambda: store.abandon(begun.token), "page for 404")
        assert not believed("DELETE", lambda: store.remove(b"a/part"), "page for 404")
        assert content(store, b"a/part") == body
        assert not believed("GET", lambda: content(store, b"a/part"))


def test_a_body_that_is_too_large_for_something_on_the_way_says_so() -> None:
    body = b"<html><head><title>413 Request Entity Too Large</title></head></html>"
    found = error_of(Answer(413, {"content-type": "text/html"}, body), "store 'tides'")
    assert type(found) is StoreRefused
    assert "part_bytes" in str(found)


def test_a_listing_that_does_not_say_how_it_goes_on_is_not_believed() -> None:
    """Without a place to go on from the same page would come for ever."""
    page = b"<ListBucketResult><IsTruncated>true</IsTruncated></ListBucketResult>"
    for body in (page, page.replace(b"</List", b"<NextContinuationToken/></List")):
        with served([Answer(200, {}, body)] * 3) as at, pytest.raises(StoreUnreachable, match="go on"):
            list(s3_listing.objects(from_script(at)._client, "a"))


def test_an_object_is_read_without_its_length_being_told_beforehand() -> None:
    """RFC 9112, section 7.1: an answer in chunks needs no length."""
    body = some_bytes(70_000)
    chunked = Answer(200, {"transfer-encoding": "chunked", "etag": '"x"'}, in_chunks(body, 9_000))
    with served([chunked]) as at:
        assert content(from_script(at), b"a", 16_384) == body
    endless = Answer(200, {"etag": '"x"', "connection": "close"}, body)
    with served([endless] * 5) as at, pytest.raises(StoreUnreachable, match="length"):
        content(from_script(at), b"a", 16_384)


@pytest.mark.parametrize("length", ["-5", "0x10", "1_0", "\u00b2", ""])
def test_a_length_that_is_no_length_is_an_error_of_the_line(length: str) -> None:
    answer = Answer(403, {"content-length": length}, b"kelp")
    with served([answer]) as at, pytest.raises(StoreUnreachable):
        from_script(at)._client.ask(Request(method="GET", key="a"))


def test_a_number_in_a_listing_that_is_none_is_no_listing() -> None:
    for rows in ("<Contents><Key>a</Key><Size>many</Size></Contents>", "<Contents><Key>a</Key></Contents>"):
        page = f"<ListBucketResult><IsTruncated>false</IsTruncated>{rows}</ListBucketResult>".encode()
        with served([Answer(200, {}, page)]) as at, pytest.raises(StoreUnreachable):
            list(s3_listing.objects(from_script(at)._client, "a"))


# -- how objects are to be kept ---------------------------------------------------------------------


def test_everything_that_is_put_is_encrypted_as_configured_and_data_has_its_storage_class() -> None:
    """A bucket may refuse whatever comes without these headers (Amazon S3 User Guide, "Protecting data with
    server-side encryption"), our own notes included."""
    wanted = {"storage_class": "STANDARD_IA", "encryption": "aws:kms", "encryption_key_id": "alias/quay"}
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        settings = s3_servers.shared("moto").settings("tides", prefix=f"kept-{next(_places)}", **wanted)
        store = S3Store(replace(settings, endpoint=proxy.url))
        assert store.abilities.conditional_put
        put(store, b"a/large", some_bytes(100_000))
        store.put_batch([small(b"a/small", b"kelp")], at_will)
        store.replace(b"a/record", b"{}")
        begun = [seen for seen in proxy.seen if seen.method == "POST" and seen.target.endswith("?uploads=")]
        puts = [seen for seen in proxy.seen if seen.method == "PUT" and "partNumber" not in seen.target]
        assert len(begun) == 2
        assert any("/notes/" in seen.target for seen in puts)
        for seen in begun + puts:
            assert seen.headers["x-amz-server-side-encryption"] == "aws:kms", seen.target
            assert seen.headers["x-amz-server-side-encryption-aws-kms-key-id"] == "alias/quay"
        for name in ("large", "small", "record"):
            head = store._client.must(
                Request(method="HEAD", key=store._objects.key_of(b"a/%b" % name.encode()))
            )
            assert head.headers["x-amz-storage-class"] == "STANDARD_IA"
            assert head.headers["x-amz-server-side-encryption"] == "aws:kms"


def test_etags_say_nothing_where_the_store_encrypts_with_keys_of_its_own() -> None:
    """With SSE-KMS an ETag is no MD5 (Amazon S3 API Reference, "Object"), which is no reason to read an
    object back: its parts were checked as they arrived."""
    body = some_bytes(150_000)
    with FaultProxy(s3_servers.shared("moto").url) as proxy:
        store = opened(endpoint=proxy.url, encryption="aws:kms")
        proxy.choose = lambda seen: SEALED_ETAGS
        put(store, b"a/b", body)
        assert not [seen for seen in proxy.seen if seen.method == "GET"]
        assert content(store, b"a/b") == body
        upload = store.begin(b"a/c", len(body))
        upload._objects.probe._found = replace(ABLE, chunks=False)
        upload.stream_part(1, 0, len(body), len(body), iter([memoryview(body)]), at_will)
        assert not upload.complete(len(body), hashlib.sha256(body).digest()).existed


# -- what check says ------------------------------------------------------------------------------


def problem(**changes: object) -> str:
    server = s3_servers.shared("swift")
    settings = replace(server.settings("tides", prefix="checked", timeout_s=5.0), **changes)  # type: ignore[arg-type]
    (found,) = S3Store(settings).problems()
    assert found.remedy
    assert found.fatal
    return f"{found.text}; {found.remedy}"


def test_a_store_that_works_has_no_problems() -> None:
    server = s3_servers.shared("swift")
    assert s3_servers.open_store(server, "tides", prefix="checked").problems() == []


def test_what_is_wrong_is_told_with_its_remedy(tmp_path: Path) -> None:
    server = s3_servers.shared("swift")
    (port,) = free_ports(1)
    wrong = tmp_path / "credentials"
    wrong.write_text("[default]\naws_access_key_id = harrow:uploader\naws_secret_access_key = no\n")
    assert "Connection refused" in problem(endpoint=f"http://127.0.0.1:{port}")
    assert "certificate" in problem(endpoint=server.tls_url)
    assert "ca_file cannot be used" in problem(endpoint=server.tls_url, ca_file="/nowhere.pem")
    assert "NoSuchBucket" in problem(bucket="no-such-bucket")
    assert "valid credentials" in problem(credentials_file=str(wrong))
    assert "credentials_file cannot be read" in problem(credentials_file="/nowhere")


# -- credentials ----------------------------------------------------------------------------------


def test_credentials_come_from_a_file_that_may_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "harrow-tides"
    path.write_text("[default]\naws_access_key_id=one\naws_secret_access_key=secret\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    source = CredentialSource(replace(SETTINGS, credentials_file="harrow-tides"))
    assert source.secret().access_key == "one"
    fresh = tmp_path / "new"
    fresh.write_text("[default]\naws_access_key_id=two\naws_secret_access_key=s\naws_session_token=t\n")
    fresh.rename(path)
    assert (source.secret().access_key, source.secret().token) == ("two", "t")
    path.write_text("aws_secret_access_key = top secret\n")
    with pytest.raises(StoreRefused) as refused:
        source.secret()
    assert "top secret" not in str(refused.value)


def test_credentials_come_from_the_usual_chain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_PROFILE"):
        monkeypatch.delenv(name, raising=False)
    shared = tmp_path / "shared"
    shared.write_text("[harrow]\naws_access_key_id=three\naws_secret_access_key=s\n")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(shared))
    monkeypatch.setenv("AWS_CONFIG_FILE", str(tmp_path / "none"))
    assert CredentialSource(replace(SETTINGS, profile="harrow")).secret().access_key == "three"
    with pytest.raises(StoreRefused, match="no credentials"):
        CredentialSource(SETTINGS).secret()
    with pytest.raises(StoreRefused, match="no credentials"):
        CredentialSource(replace(SETTINGS, profile="absent")).secret()
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "four")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "s")
    assert CredentialSource(SETTINGS).secret().access_key == "four"


def test_a_source_of_credentials_that_fails_for_now_is_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the station may do is not in question then: nobody has to be called for it."""
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(tmp_path / "none"))
    program, settings = tmp_path / "keys", tmp_path / "config"
    settings.write_text(f"[profile harrow]\ncredential_process = {program}\n")
    monkeypatch.setenv("AWS_CONFIG_FILE", str(settings))
    program.write_text("#!/bin/sh\nexit 1\n")
    program.chmod(0o700)
    source = CredentialSource(replace(SETTINGS, profile="harrow"))
    with pytest.raises(StoreUnreachable, match="tried again"):
        source.secret()
    told = {"Version": 1, "AccessKeyId": "five", "SecretAccessKey": "s", "SessionToken": "t"}
    # Renewed 15 minutes before they expire, so at each use.
    told["Expiration"] = datetime.fromtimestamp(time.time() + 300, UTC).isoformat()
    program.write_text(f"#!/bin/sh\necho '{json.dumps(told)}'\n")
    assert source.secret().access_key == "five"
    program.write_text("#!/bin/sh\nexit 1\n")
    with pytest.raises(StoreUnreachable, match="tried again"):
        source.secret()
    program.unlink()
    with pytest.raises(StoreRefused, match="No such file"):
        source.secret()


@pytest.mark.parametrize(
    ("status", "code", "kind"),
    [
        (403, "AccessDenied", StoreRefused),
        (503, "ServiceUnavailable", StoreUnreachable),
        (400, "Throttling", StoreUnreachable),
    ],
)
def test_what_a_role_is_refused_with(
    monkeypatch: pytest.MonkeyPatch, status: int, code: str, kind: type[PortError]
) -> None:
    told = {"Error": {"Code": code, "Message": "no"}, "ResponseMetadata": {"HTTPStatusCode": status}}

    def assume(session: object) -> object:
        raise ClientError(told, "AssumeRole")

    monkeypatch.setattr(Session, "get_credentials", assume)
    with pytest.raises(kind, match=code):
        CredentialSource(SETTINGS).secret()
