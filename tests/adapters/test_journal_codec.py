"""Facts to JSON and back."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingestd.core.job_record import JobRecord
from ingestd.core.messages import SaveUplink
from ingestd.core.phases import Load, State
from ingestd.journal.codec import JOBS, LOADS, UPLINKS, guard
from ingestd.ports import JournalError
from tests.support.journals import save_job, save_load, values

relaxed = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


@relaxed
@given(values(JobRecord))
def test_a_job_comes_back_as_it_was(record: JobRecord) -> None:
    assert JOBS.decode(JOBS.encode(record)) == record


@pytest.mark.parametrize("state", get_args(State), ids=lambda state: str(state.__name__))
@settings(relaxed, max_examples=15)
@given(st.data())
def test_a_load_comes_back_as_it_was_in_every_phase(state: type, data: st.DataObject) -> None:
    load = replace(data.draw(values(Load)), state=data.draw(values(state)))
    back = LOADS.decode(LOADS.encode(load))
    assert back == load
    assert type(back.state) is state


@relaxed
@given(values(SaveUplink))
def test_the_uplink_comes_back_as_it_was(record: SaveUplink) -> None:
    assert UPLINKS.decode(UPLINKS.encode(record)) == record


def test_fields_of_other_versions_are_passed_over_or_read_with_their_defaults() -> None:
    body = LOADS.encode(save_load("load-1").load)
    assert b'"receipt":null' in body
    older = body.replace(b',"receipt":null', b"")
    newer = body.replace(b'"receipt":null', b'"receipt":null,"unheard_of":[1]')
    assert LOADS.decode(older) == LOADS.decode(newer) == save_load("load-1").load


def test_what_could_not_be_read_back_is_refused() -> None:
    with pytest.raises(JournalError, match="could not be read back"):
        LOADS.encode(replace(save_load("load-1").load, started_at=float("nan")))


@relaxed
@given(st.integers(min_value=0), st.integers(0, 7), st.binary(max_size=3))
def test_what_is_not_a_record_is_refused_in_words(at: int, bit: int, junk: bytes) -> None:
    """Bytes of which one is changed are read as some record, or refused; nothing else is raised."""
    body = bytearray(JOBS.encode(save_job(1).record))
    body[at % len(body)] ^= 1 << bit
    for damaged in (bytes(body), bytes(body[: at % len(body)]), junk):
        try:
            assert isinstance(JOBS.decode(damaged), JobRecord)
        except JournalError as error:
            assert "put it back from a backup" in str(error)


@relaxed
@given(
    st.binary(min_size=1, max_size=64), st.binary(max_size=64), st.integers(min_value=0), st.integers(0, 7)
)
def test_a_guard_finds_every_flipped_bit(head: bytes, tail: bytes, at: int, bit: int) -> None:
    flipped = bytearray(head)
    flipped[at % len(head)] ^= 1 << bit
    assert guard(bytes(flipped), tail) != guard(head, tail) == guard(head + tail)


def test_the_guard_is_crc_32() -> None:
    """The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms."""
    assert guard(b"123456789") == guard(b"12345", b"6789") == 0xCBF43926
