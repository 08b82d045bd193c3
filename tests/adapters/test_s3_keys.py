"""Keys: reversible, within what S3 and XML can carry, and never outside the prefix."""

from __future__ import annotations

import os
import random
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.store.s3 import S3Store
from ingestd.store.s3_keys import BadKey, KeyTooLong, decoded, encoded, object_key, url_path
from ingestd.store.s3_settings import S3Settings


def hostile_names(count: int, seed: int) -> list[bytes]:
    """Names as no customer should have them: any bytes, control characters, pieces of escapes and paths."""
    chance = random.Random(seed)
    pieces = [
        b"%",
        b"%2F",
        b"%25",
        b"..",
        b".",
        b"~",
        b"+",
        b"&",
        b"<",
        b"]]>",
        b"\\",
        b"\r\n",
        b"\x1b[2J",
        b"\x7f",
    ]
    pieces += [
        "ü".encode(),
        "\u202e".encode(),
        "\ufffe".encode(),
        "\x85".encode(),
        b"\xff",
        b"\xc3",
        b"\xed\xa0\x80",
    ]
    pieces += ["\U0001f9ed".encode(), b"dive", b" ", b"\t", b"'", b'"', b"?", b"#", b"*", b";"]
    names = []
    for _ in range(count):
        if chance.random() < 0.3:
            name = chance.randbytes(chance.randrange(1, 60))
        else:
            name = b"".join(chance.choices(pieces, k=chance.randrange(1, 8)))
        names.append(name.replace(b"\0", b"").replace(b"/", b"") or b"x")
    return names


def test_ten_thousand_hostile_names_come_back_as_they_were() -> None:
    keys: dict[str, bytes] = {}
    for name in hostile_names(10_000, seed=7):
        key = encoded(name)
        assert decoded(key) == name
        assert ElementTree.fromstring(f"<Key>{escape(key)}</Key>").text == key
        assert key.isprintable() or not any(ord(char) < 0x20 or 0x7F <= ord(char) < 0xA0 for char in key)
        key.encode("utf-8")
        assert keys.setdefault(key, name) == name


@given(st.binary(max_size=80))
def test_any_bytes_come_back(path: bytes) -> None:
    assert decoded(encoded(path)) == path
    assert encoded(path).count("/") == path.count(b"/")


@given(st.text(max_size=40))
def test_what_is_no_key_of_ours_is_told_from_one(text: str) -> None:
    try:
        path = decoded(text)
    except (BadKey, UnicodeEncodeError):
        return
    assert encoded(path) == text


def test_ordinary_names_stay_as_they_are() -> None:
    for name in ("dive 3.tar.age", "Küstenfahrt/Tag 1 (neu).zip", "a+b=c&d~e.7z", "日本/夜.tar"):
        assert encoded(name.encode()) == name
    assert encoded(b"100% sonar") == "100%25 sonar"
    assert encoded(b"tab\there\xff") == "tab%09here%FF"


@pytest.mark.parametrize("path", [b"", b"/", b"/a", b"a/", b"a//b", b".", b"..", b"a/../b", b"./a", b"a\0b"])
def test_no_path_leads_out_of_the_prefix(path: bytes) -> None:
    with pytest.raises(BadKey):
        object_key("tides", path)


@given(st.binary(min_size=1, max_size=60))
def test_a_key_lies_below_its_prefix_whatever_a_server_makes_of_dots(path: bytes) -> None:
    try:
        key = object_key("tides", path)
    except BadKey:
        return
    assert key.startswith("tides/")
    assert os.path.normpath(f"/{key}") == f"/{key}"
    assert url_path(key).isascii()


def test_what_is_reserved_is_no_key() -> None:
    for path in (b".ingest-parts", b".ingest-parts/notes/x"):
        with pytest.raises(BadKey):
            object_key("", path)
    assert object_key("", b"a/.ingest-parts") == "a/.ingest-parts"


def test_a_key_of_1024_bytes_is_the_longest() -> None:
    """Amazon S3 User Guide, "Naming Amazon S3 objects": at most 1,024 bytes of UTF-8."""
    assert len(object_key("", b"x" * 1024)) == 1024
    for prefix, path in (
        ("", b"x" * 1025),
        ("tides", b"x" * 1019),
        ("", "ü".encode() * 513),
        ("", b"\xff" * 342),
    ):
        with pytest.raises(KeyTooLong):
            object_key(prefix, path)


def test_a_store_says_beforehand_which_names_it_carries() -> None:
    store = S3Store(S3Settings(name="quay", bucket="tides", endpoint="http://127.0.0.1:1", prefix="tides"))
    assert store.carries(b"x" * 1018)
    assert not store.carries(b"x" * 1019)
    assert not store.carries(b"\xff" * 340)
    assert store.carries(b"../tides"), "what is refused for another reason has words of its own"
