"""Pieces of one file, looked into as that file and each by itself."""

from __future__ import annotations

import os
import random
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import cast

import pytest

from ingestd.content.looks import Looks
from ingestd.content.walk import Found, Kind
from ingestd.core.drive import VolumeFacts
from ingestd.core.found import Secrecy, SecrecyFact
from ingestd.ports import Volume
from tests.support.byte_path import Token

MIB = 1 << 20
AGE = b"age-encryption.org/v1\n-> X25519 " + b"A" * 43 + b"\n" + b"B" * 43 + b"\n--- " + b"C" * 43 + b"\n"
RECORDS = b"".join(struct.pack("<IIQ", number, number * 3, 7) for number in range(60_000))
"""Of no known format, and plainly not random."""


class OneVolume:
    def __init__(self, root: Path) -> None:
        self.root_fd = os.open(root, os.O_RDONLY)
        self.facts = VolumeFacts(name="volume-1")


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Volume]:
    made = OneVolume(tmp_path)
    yield cast(Volume, made)
    os.close(made.root_fd)


def looked(volume: Volume, root: Path, pieces: dict[str, bytes]) -> tuple[SecrecyFact, ...]:
    for name, body in pieces.items():
        (root / name).write_bytes(body)
    found = [(volume, Found(name.encode(), Kind.FILE, size_bytes=len(body))) for name, body in pieces.items()]
    return Looks(Token(), lambda: None, None).take(found, ())


def test_a_small_piece_of_something_else_between_large_ones_is_told(volume: Volume, tmp_path: Path) -> None:
    noise = random.Random(7).randbytes(16 * MIB)
    pieces = {"b.tar.age.00": AGE + noise, "b.tar.age.01": RECORDS, "b.tar.age.02": noise[::-1]}
    facts = looked(volume, tmp_path, pieces)
    assert [(fact.path, fact.secrecy) for fact in facts] == [
        ("volume-1/b.tar.age.00", Secrecy.PROVEN),
        ("volume-1/b.tar.age.01", Secrecy.UNKNOWN),
    ]


def test_pieces_that_look_like_pieces_are_one_file(volume: Volume, tmp_path: Path) -> None:
    noise = random.Random(7).randbytes(16 * MIB)
    pieces = {"b.tar.age.00": AGE + noise, "b.tar.age.01": noise[::-1], "b.tar.age.02": noise[:700]}
    assert [fact.secrecy for fact in looked(volume, tmp_path, pieces)] == [Secrecy.PROVEN]
