"""Names as drives have them, and the text that stands for them."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.names import (
    TICKET_NAME,
    folded,
    from_printable,
    is_checksum_list,
    is_control_file,
    located,
    printable,
    shortened,
)

names = st.binary(min_size=1, max_size=40) | st.text(min_size=1, max_size=40).map(
    lambda text: text.encode("utf-8", "surrogatepass")
)


@given(names)
def test_printable_can_be_reversed(name: bytes) -> None:
    assert from_printable(printable(name)) == name


@given(names)
def test_printable_is_one_harmless_line(name: bytes) -> None:
    text = printable(name)
    assert text.isprintable()
    text.encode("utf-8")


@given(names, names)
def test_different_names_stay_different(one: bytes, other: bytes) -> None:
    assert (printable(one) == printable(other)) == (one == other)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (b"kelp forest.tar.gpg", "kelp forest.tar.gpg"),
        ("Grüße aus Köln".encode(), "Grüße aus Köln"),
        (b"two\nlines\r\tand a tab", "two\\nlines\\r\\tand a tab"),
        (b"back\\slash", "back\\\\slash"),
        (b"\xff\xfe", "\\xff\\xfe"),
        (b"red\x1b[31m", "red\\x1b[31m"),
        ("turn\u202eed".encode(), "turn\\xe2\\x80\\xaeed"),
        ("line\u2028end".encode(), "line\\xe2\\x80\\xa8end"),
        (b"nul\x00", "nul\\x00"),
    ],
)
def test_printable_of(name: bytes, text: str) -> None:
    assert printable(name) == text


@pytest.mark.parametrize("text", ["\\", "\\q", "\\x", "\\x1", "\\x+1", "\\x 1", "\\xAF", "\\xg0", "end\\"])
def test_an_escape_that_is_never_written_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="unknown escape"):
        from_printable(text)


@given(st.text(max_size=300), st.integers(3, 150))
def test_shortened_keeps_to_its_limit(text: str, limit: int) -> None:
    short = shortened(text, limit)
    assert len(short) <= limit
    assert short == text or (short[0] == text[0] and short[-1] == text[-1])


def test_located_has_the_volume_first() -> None:
    assert located("volume-1", b"dives/line\n01") == "volume-1/dives/line\\n01"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (b"Archive.TAR", b"archive.tar"),
        ("Köln.7z".encode(), unicodedata.normalize("NFD", "KÖLN.7z").encode()),
        ("Straße".encode(), b"STRASSE"),
        ("ﬁlm".encode(), b"FILM"),
        ("ᾳ".encode(), unicodedata.normalize("NFD", "ᾼ").encode()),
        ("\u03b1\u0345\u0301".encode(), "\u1fb4".encode()),
        (b"caf\xe9", b"CAF\xe9"),
    ],
)
def test_folded_alike(one: bytes, other: bytes) -> None:
    assert folded(one) == folded(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [(b"a", b"b"), (b"\xe9", b"\xe8"), (b"a ", b"a"), ("é".encode(), b"\xe9"), (b"a.gpg", b"a")],
)
def test_folded_apart(one: bytes, other: bytes) -> None:
    assert folded(one) != folded(other)


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=20))
def test_folded_knows_no_normalisation(text: str) -> None:
    forms = {folded(unicodedata.normalize(form, text).encode()) for form in ("NFC", "NFD")}
    assert len(forms) == 1


@pytest.mark.parametrize(
    "name",
    [
        b"SHA256SUMS",
        b"sha256sums",
        b"SHA256SUMS.txt",
        b"sha256sums.TXT",
        b"dives.tar.gpg.sha256",
        b"x.SHA256SUM",
        b"MD5SUMS",
        b"md5sum.txt",
        b"a.sha512",
        b"a.Sha1",
        b"a.sha384sums",
        b"B2SUMS.txt",
        b"dives.b2",
    ],
)
def test_checksum_lists(name: bytes) -> None:
    assert is_checksum_list(name)
    assert is_control_file(name)


@pytest.mark.parametrize(
    "name",
    [
        b"dives/SHA256SUMS",
        b"SHA256SUMS.gpg",
        b"sha256",
        b".sha256",
        b"SHA256SUMS.txt.bak",
        b"a.sha3",
        b"md5",
        b".b2",
        b"a.md5.txt",
    ],
)
def test_no_checksum_lists(name: bytes) -> None:
    assert not is_checksum_list(name)


def test_the_ticket_is_a_control_file_only_in_the_root() -> None:
    assert is_control_file(TICKET_NAME)
    assert not is_control_file(b"dives/" + TICKET_NAME)
    assert not is_control_file(b"dives.tar.gpg")
