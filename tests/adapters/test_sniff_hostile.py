"""Files that are made to mislead the look into them, or to keep it busy."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import struct
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.content import sniff
from ingestd.content.sample import STRUCTURE_BYTES_MAX, Allowance
from ingestd.core.found import Secrecy
from ingestd.ports import Cancelled
from tests.support import sealed
from tests.support.drives import Going, StoppedAfter
from tests.support.looking import looked_at
from tests.support.sealed import noise, prose

Look = Callable[..., tuple[Secrecy, str]]
PROVEN, PLAIN, UNKNOWN = Secrecy.PROVEN, Secrecy.PLAIN, Secrecy.UNKNOWN
RANDOM, TEXT = noise(200_000), prose(200_000)
FEW = 2000
"""Bytes that may lie beside a structure: an extra field, a comment."""


@pytest.fixture
def look(tmp_path: Path) -> Look:
    def at(body: bytes) -> tuple[Secrecy, str]:
        return looked_at(tmp_path / "looked at", body)

    return at


# -- plain content that hides beside an encrypted structure ---------------------------------------


def sealed_zip(before: bytes = b"", behind: bytes = b"") -> sealed.Zip:
    archive = sealed.Zip().skip(before).add(b"a", RANDOM, encrypted=True, aes=True)
    return archive.skip(behind)


def folder_entry(body: bytes) -> bytes:
    """An archive with an entry that is named like a folder, and is not encrypted."""
    archive = sealed_zip().add(b"dives/", body, encrypted=False)
    return archive.add(b"b", RANDOM, encrypted=True).built()


def entries_that_overlap(text: bytes) -> bytes:
    """Two entries of the same place, whose sizes would make up for the text if they were added up."""
    archive = bytearray(sealed_zip().skip(text).add(b"b", RANDOM, encrypted=True).built())
    second = archive.rindex(b"PK\1\2")
    archive[second + 42 : second + 46] = bytes(4)
    return bytes(archive)


def age_words(text: bytes) -> bytes:
    return b"".join(b"-> note " + line + b"\n\n" for line in text.splitlines())


def age_bodies(text: bytes) -> bytes:
    code = base64.b64encode(text).rstrip(b"=")
    lines = b"".join(code[at : at + 64] + b"\n" for at in range(0, len(code), 64))
    return b"-> note x\n" + lines + (b"\n" if len(code) % 64 == 0 else b"")


def keys_of_text(text: bytes) -> bytes:
    pieces = (text[at : at + 8000] for at in range(0, len(text), 8000))
    return b"".join(sealed.packet(1, b"\x03" + noise(8) + b"\x01" + piece) for piece in pieces)


def with_long_json(text: bytes) -> bytes:
    segment = {"type": "crypt", "offset": "65536", "encryption": "aes-xts-plain64", "size": "dynamic"}
    return json.dumps({"segments": {"0": segment}}).encode() + b"\0" + text


def cms(note: bytes) -> bytes:
    """Enveloped data whose one recipient is named at length."""

    def tlv(tag: int, body: bytes) -> bytes:
        return bytes([tag, 0x83]) + len(body).to_bytes(3, "big") + body

    oid = bytes.fromhex("060b2a864886f70d0109100117")
    recipients = tlv(0x31, tlv(0x30, b"\x02\x01\x00" + tlv(0x30, note) + tlv(4, noise(256))))
    cipher = tlv(0x30, bytes.fromhex("060960864801650304012a"))
    sealed_data = tlv(0x30, bytes.fromhex("06092a864886f70d010701") + cipher + tlv(0x80, RANDOM))
    return tlv(0x30, oid + tlv(0xA0, tlv(0x30, b"\x02\x01\x00" + recipients + sealed_data)))


KEYED, SEALED = sealed.PKESK + sealed.SKESK, sealed.seipd(RANDOM)
HIDING: dict[str, Callable[[bytes], bytes]] = {
    "zip, between entry and directory": lambda text: sealed_zip(behind=text).built(),
    "zip, between entries": lambda text: sealed_zip(behind=text).add(b"b", RANDOM, encrypted=True).built(),
    "zip, between directory and end": lambda text: sealed_zip().built(behind=text),
    "zip, in the comment": lambda text: sealed_zip().built(comment=text[:60_000]),
    "zip, as a folder": folder_entry,
    "zip, under entries that overlap": entries_that_overlap,
    "7z, before the header": lambda text: sealed.sevenzip(
        RANDOM + noise(3 << 20) + text, [sealed.AES], size=len(RANDOM) + (3 << 20)
    ),
    "7z, behind the header": lambda text: sealed.sevenzip(RANDOM, [sealed.AES]) + text,
    "openpgp, in padding": lambda text: sealed.packet(21, text) + KEYED + SEALED,
    "openpgp, as keys": lambda text: keys_of_text(text) + SEALED,
    "openpgp, behind it": lambda text: KEYED + SEALED + text,
    "openpgp, armoured, in its headers": lambda text: sealed.pgp_armour(
        KEYED + SEALED, b"Comment: " + text.replace(b"\n", b" ")[:40_000] + b"\n"
    ),
    "openpgp, armoured, behind it": lambda text: sealed.pgp_armour(KEYED + SEALED) + text,
    "age, in words": lambda text: sealed.age(RANDOM, stanzas=age_words(text)),
    "age, as keys": lambda text: sealed.age(RANDOM, stanzas=age_bodies(text)),
    "age, armoured, behind it": lambda text: sealed.age_armour(sealed.age(RANDOM)) + text,
    "luks1, before the payload": lambda text: sealed.luks1(RANDOM, room=text),
    "luks2, before the payload": lambda text: sealed.luks2(RANDOM, room=text[:40_000]),
    "luks2, behind its description": lambda text: sealed.luks2(RANDOM, area=with_long_json(text[:9000])),
    "cms, in a name": lambda text: cms(text[:50_000]),
}


@pytest.mark.parametrize("case", HIDING)
def test_text_beside_a_structure_is_noticed(look: Look, case: str) -> None:
    secrecy, words = look(HIDING[case](TEXT))
    assert secrecy in (UNKNOWN, PLAIN), words


def test_long_names_in_a_zip_may_be_there_twice(look: Look) -> None:
    """Once more in UTF-8, in an extra field of their own beside those for times and owners."""
    archive = sealed.Zip()
    for number in range(200):
        name = b"%0120d.dat" % number
        archive.add(name, sealed.noise(200, number), encrypted=True, aes=True)
        archive.skip(sealed.noise(9 + len(name) + 55, number))
    assert look(archive.built()) == (Secrecy.PROVEN, "zip (AES)")


@pytest.mark.parametrize("case", [case for case in HIDING if "behind" not in case and "as keys" not in case])
def test_what_is_small_beside_a_structure_may_be_there(look: Look, case: str) -> None:
    """Comments, extra fields, names."""
    if case in ("zip, as a folder", "zip, under entries that overlap"):
        return
    assert look(HIDING[case](TEXT[:FEW]))[0] is PROVEN


def test_what_does_not_begin_before_the_end_proves_nothing(look: Look) -> None:
    for body in (
        sealed.luks1(b"", sectors=4096)[:4096] + TEXT,
        sealed.luks1(b"", sectors=4096),
        sealed.luks2(b"")[:20_000],
        sealed.luks2(bytes(100_000)),
    ):
        assert look(body)[0] is UNKNOWN
    header = sealed.luks1(b"", sectors=1 << 20)[:4096]
    assert look(header + noise(1 << 20))[0] is UNKNOWN


def test_many_small_entries_are_looked_at_too(look: Look) -> None:
    archive, honest = sealed.Zip(), sealed.Zip()
    for number in range(3000):
        archive.add(b"%d" % number, prose(4000), encrypted=True)
        honest.add(b"%d" % number, noise(40 + number % 4000, number), encrypted=True)
    secrecy, words = look(archive.built())
    assert secrecy is PLAIN
    assert "header over plain content" in words
    assert look(honest.built()) == (PROVEN, "zip (PKWARE encryption)")


def test_entries_of_a_few_bytes_are_looked_at_together(look: Look) -> None:
    archive, honest = sealed.Zip(), sealed.Zip()
    for number in range(3000):
        archive.add(b"%d" % number, TEXT[number * 20 : number * 20 + 20], encrypted=True)
        honest.add(b"%d" % number, noise(20, number), encrypted=True)
    assert look(archive.built())[0] is PLAIN
    assert look(honest.built())[0] is PROVEN


def test_a_directory_that_calls_plain_entries_encrypted(look: Look) -> None:
    """Their own headers say otherwise. Behind the first ones, which are looked at from the front."""
    archive = sealed.Zip().add(b"a", noise(100_000), encrypted=True)
    at = len(archive.built()) - 22
    body = bytearray(archive.add(b"b", noise(90_000, 2), encrypted=True).built())
    place = body.index(b"PK\3\4", 50_000)
    assert place < at
    body[place + 6] &= 0xFE
    assert look(bytes(body))[0] is UNKNOWN


def test_little_text_under_a_header(look: Look) -> None:
    for length in (64, 300, 4000):
        for body in (KEYED + sealed.seipd(TEXT[:length]), sealed.age(TEXT[: length + 16])):
            assert look(body)[0] is PLAIN
        archive = sealed.Zip().add(b"a", TEXT[:length], encrypted=True).built()
        assert look(archive)[0] is PLAIN


def test_text_of_letters_that_are_not_base64(look: Look) -> None:
    foreign = "Фукус и ламинария вдоль западного склона, от мыса до маяка.\n".encode()
    begin, _, end = sealed.pgp_armour(KEYED + SEALED).rpartition(b"=abcd")
    assert look(begin + foreign * 20_000 + b"=abcd" + end)[0] is PLAIN


# -- structures that take long, or much memory ----------------------------------------------------


def seven_of_many_folders(header_bytes: int) -> bytes:
    """Folders of one coder each, of which each costs four bytes."""
    count = sealed.number((header_bytes - 64) // 4)
    folders = (header_bytes - 64) // 4
    header = bytes([1, 4, 6, 0]) + count + b"\x09" + b"\x01" * folders + b"\0"
    header += bytes([7, 0x0B]) + count + b"\0" + b"\x01\x00" * folders
    header += b"\x0c" + b"\x01" * folders + b"\0\0\0"
    return sealed.sevenzip_around(noise(5000), header)


def zip_of_many_entries(directory_bytes: int) -> bytes:
    entry = struct.pack(
        "<4s6H3I5H2I", b"PK\1\2", 20, 20, 1, 0, 0, 0, 0, 20, 20, 0, 0, 0, 0, 0, 0, 0
    )  # fmt: skip
    count = directory_bytes // len(entry)
    one = sealed.Zip().add(b"", noise(20), encrypted=True).built()
    local = one[: one.index(b"PK\1\2")]
    end = struct.pack(
        "<4s4H2IH", b"PK\5\6", 0, 0, count & 0xFFFF, count & 0xFFFF, count * len(entry), len(local), 0
    )
    return local + entry * count + end


def luks2_of_much_json(length: int) -> bytes:
    size = 4 << 20
    area = b'{"segments":[' + b"{}," * (length // 3) + b"{}]}"
    binary = bytearray(4096)
    struct.pack_into(">6sHQ", binary, 0, b"LUKS\xba\xbe", 2, size)
    binary[72:78] = b"sha256"
    header = binary + area.ljust(size - 4096, b"\0")
    header[448:480] = hashlib.sha256(header).digest()
    return bytes(header) + RANDOM


LONG = {
    "7z, plain header": lambda: seven_of_many_folders(40 << 20),
    "7z, header at its bound": lambda: seven_of_many_folders(1 << 20),
    "7z, packed header": lambda: sealed.sevenzip_packed(seven_of_many_folders(30 << 20)),
    "zip": lambda: zip_of_many_entries(100 << 20),
    "luks2": lambda: luks2_of_much_json(4_000_000),
    "age": lambda: sealed.age(b"", stanzas=b"-> x\n\n" * 170_000) + RANDOM,
    "openpgp": lambda: b"".join(map(sealed.pkesk, range(900))) + SEALED,
}


@pytest.mark.parametrize("case", LONG)
def test_long_structures_cost_bounded_memory_and_beat(tmp_path: Path, case: str) -> None:
    path = tmp_path / "long"
    path.write_bytes(LONG[case]())
    tracemalloc.start()
    try:
        beats = Beats()
        # Of a quarter of what a drive has, since memory that is traced is slow.
        secrecy, words = look_at(path, beats, Allowance(STRUCTURE_BYTES_MAX // 4))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 32 << 20
    assert secrecy is not PROVEN or case == "openpgp", words
    # In processor time, with memory being traced, which makes it some ten times slower.
    assert beats.longest_s < 10


@pytest.mark.parametrize("case", ["7z, header at its bound", "zip", "openpgp"])
def test_long_structures_can_be_cancelled(tmp_path: Path, case: str) -> None:
    path = tmp_path / "long"
    path.write_bytes(LONG[case]())
    with pytest.raises(Cancelled):
        look_at(path, StoppedAfter(12))


def test_an_allowance_for_structures_is_shared_by_looks(tmp_path: Path) -> None:
    path = tmp_path / "archive"
    path.write_bytes(zip_of_many_entries(1 << 20))
    gpg = tmp_path / "gpg"
    gpg.write_bytes(KEYED + SEALED)
    allowance = Allowance()
    looks = 0
    while look_at(path, Going(), allowance)[1] != "more structure than is looked into":
        looks += 1
        assert looks <= STRUCTURE_BYTES_MAX >> 20
    assert looks >= (STRUCTURE_BYTES_MAX >> 20) - 1
    assert look_at(gpg, Going(), allowance)[0] is UNKNOWN
    assert look_at(gpg, Going()) == (PROVEN, "openpgp")


def test_json_with_numbers_beyond_all_bounds(look: Look) -> None:
    for offset in ("1e999", "Infinity", "NaN", "9" * 5000, '"-1"', "true", "[]"):
        area = b'{"segments": {"0": {"type": "crypt", "encryption": "aes", "offset": %s}}}' % offset.encode()
        assert look(sealed.luks2(RANDOM, area=area))[0] is not PROVEN


def test_damaged_archives_of_each_kind_get_a_verdict(look: Look) -> None:
    whole = sealed_zip(behind=b"x" * 50).add(b"b", b"", encrypted=False).built()
    for at in range(len(RANDOM), len(whole)):
        damaged = whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :]
        assert look(damaged)[0] in Secrecy


class Beats(Going):
    """Remembers the longest time of this thread's processor between two beats, in seconds."""

    longest_s = 0.0

    def __init__(self) -> None:
        super().__init__()
        self._last = time.thread_time()

    def beat(self) -> None:
        now = time.thread_time()
        self.longest_s = max(self.longest_s, now - self._last)
        self._last = now


def look_at(path: Path, cancel: Going, allowance: Allowance | None = None) -> tuple[Secrecy, str]:
    fd = os.open(path, os.O_RDONLY)
    try:
        size_bytes = os.fstat(fd).st_size
        return sniff.look(fd, size_bytes, name=b"archive", cancel=cancel, allowance=allowance)
    finally:
        os.close(fd)
