"""The text in a bag's own files. Rules by the sections of RFC 8493."""

from __future__ import annotations

import hashlib
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.bag_lines import (
    CURRENT,
    Declaration,
    Line,
    ManifestName,
    declaration,
    entry,
    info_label,
    manifest_name,
    oxum,
    oxum_value,
)

HEX = hashlib.sha256(b"kelp").hexdigest()
DIGEST = bytes.fromhex(HEX)
PAYLOAD, TAGS = ManifestName(False, "sha256"), ManifestName(True, "sha256")
OLD = (0, 97)


# -- section 2.1.1 --------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("last", [True, False])
def test_a_declaration(ending: bytes, last: bool) -> None:
    body = b"BagIt-Version: 1.0" + ending + b"Tag-File-Character-Encoding: UTF-8" + ending * last
    assert declaration(body) == Declaration((1, 0), "UTF-8")


def test_the_declaration_as_section_4_1_prints_it() -> None:
    body = b"BagIt-version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert declaration(body) == Declaration((1, 0), "UTF-8")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"BagIt-Version: 1.0\n",
        b"Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n",
        b"BagIt-Version: 1.0\n\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nMore: x\n",
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n\n",
        b"BagIt-Version: one\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version: 1\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version: 1.0 \nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version : 0.97\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version:1.0\nTag-File-Character-Encoding: UTF-8\n",
        b"\xef\xbb\xbfBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        b"\xff\xfeB\0a\0g\0",
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: \x1b[31mred\n",
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: " + b"x" * 99 + b"\n",
    ],
)
def test_what_is_no_declaration(body: bytes) -> None:
    with pytest.raises(ValueError):
        declaration(body)


# -- sections 2.1.3, 2.2.1 and 2.4 ----------------------------------------------------------------


def test_names_of_manifests() -> None:
    assert manifest_name(b"manifest-sha512.txt") == ManifestName(False, "sha512")
    assert manifest_name(b"tagmanifest-md5.txt") == ManifestName(True, "md5")
    assert manifest_name(b"manifest-blake2b.txt") == ManifestName(False, "blake2b-512")
    assert manifest_name(b"manifest-blake2b256.txt") == ManifestName(False, "blake2b-256")
    assert manifest_name(b"manifest-sha3512.txt") == ManifestName(False, None)
    assert manifest_name(b"manifest-blake2b7.txt") == ManifestName(False, None)
    for name in (b"manifest.txt", b"my-manifest-md5.txt", b"manifest-md5.txt.bak", b"bag-info.txt"):
        assert manifest_name(name) is None


@pytest.mark.parametrize("name", [b"Manifest-SHA256.txt", b"manifest-sha-256.txt", b"TAGMANIFEST-MD5.TXT"])
def test_what_looks_like_the_name_of_a_manifest_is_not_passed_over(name: bytes) -> None:
    with pytest.raises(ValueError, match="not called as a manifest"):
        manifest_name(name)


@pytest.mark.parametrize(
    ("written", "path"),
    [
        ("data/a", b"data/a"),
        ("data/ two  blanks ", b"data/ two  blanks "),
        ("data/./b//c", b"data/b/c"),
        ("data/caf\u00e9", "data/café".encode()),
        ("data/line%0Afeed%0d", b"data/line\nfeed\r"),
        ("data/100%25%250A", b"data/100%%0A"),
        ("data/\u2028\x0b\x85", "data/\u2028\x0b\x85".encode()),
    ],
)
def test_paths_of_entries(written: str, path: bytes) -> None:
    for space in (" ", "  ", "\t", " \t "):
        assert entry(HEX + space + written, PAYLOAD, CURRENT) == Line(DIGEST, path)
    assert entry(HEX.upper() + " " + written, PAYLOAD, CURRENT) == Line(DIGEST, path)


def test_a_percent_sign_is_itself_before_version_1() -> None:
    assert entry(f"{HEX} data/a%25b%0A", PAYLOAD, OLD) == Line(DIGEST, b"data/a%25b\n")


@pytest.mark.parametrize("written", ["data/100%", "data/a%20b", "data/%2"])
def test_a_percent_sign_that_is_not_encoded_is_loose(written: str) -> None:
    found = entry(f"{HEX} {written}", PAYLOAD, CURRENT)
    assert found is not None
    assert (found.path, found.loose) == (written.encode(), "a percent sign is not written as %25")


def test_an_asterisk_as_md5sum_writes_it_is_loose() -> None:
    found = entry(f"{HEX} *data/a", PAYLOAD, CURRENT)
    assert found == Line(DIGEST, b"data/a", "an asterisk stands before the path")


@pytest.mark.parametrize("line", ["", "  ", "# made by hand"])
def test_lines_that_list_nothing(line: str) -> None:
    assert entry(line, PAYLOAD, CURRENT) is None


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("kelp", "is not a checksum and a path"),
        (HEX, "is not a checksum and a path"),
        (f" {HEX} data/a", "is not a checksum and a path"),
        (f"{HEX[:-2]} data/a", "has a checksum of another length"),
        (f"{HEX}00 data/a", "has a checksum of another length"),
        (f"{HEX} /data/a", "leads out of the bag"),
        (f"{HEX} /etc/passwd", "leads out of the bag"),
        (f"{HEX} data/../../a", "leads out of the bag"),
        (f"{HEX} data/b/../a", "leads out of the bag"),
        (f"{HEX} ..", "leads out of the bag"),
        (f"{HEX} data/\0", "leads out of the bag"),
        (f"{HEX} data/\udcff", "not in the encoding"),
        (f"{HEX} data", "lists a file outside the payload"),
        (f"{HEX} bag-info.txt", "lists a file outside the payload"),
        (f"{HEX} C:\\data\\a", "lists a file outside the payload"),
        (f"{HEX} ~root/a", "lists a file outside the payload"),
        (f"{HEX} data/{'b/' * 6144}a", "has a path that no file has: it is too long"),
        (f"{HEX} data/{'b' * 2296}", "has a path that no file has: it is too long"),
    ],
)
def test_lines_that_are_refused(line: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        entry(line, PAYLOAD, CURRENT)


def test_the_longest_name_that_a_file_may_have() -> None:
    """255 Hangul syllables, as NTFS and APFS allow them, taken to pieces."""
    name = "\u1112\u1161\u11ab" * 255
    assert entry(f"{HEX} data/{name}", PAYLOAD, CURRENT) == Line(DIGEST, b"data/" + name.encode())


def test_a_tag_manifest_lists_no_payload() -> None:
    assert entry(f"{HEX} meta/data/a", TAGS, CURRENT) == Line(DIGEST, b"meta/data/a")
    for path in ("data/a", "./data/a", "data"):
        with pytest.raises(ValueError, match="lists a file of the payload"):
            entry(f"{HEX} {path}", TAGS, CURRENT)


@given(st.text(max_size=80), st.sampled_from([PAYLOAD, TAGS]), st.sampled_from([OLD, CURRENT]))
def test_no_line_leads_out_of_the_bag(text: str, name: ManifestName, version: tuple[int, int]) -> None:
    for line in (text, f"{HEX} {text}", f"{HEX} data/{text}"):
        try:
            found = entry(line, name, version)
        except ValueError:
            continue
        if found is not None:
            parts = found.path.split(b"/")
            assert not {b"", b".", b".."}.intersection(parts)
            assert (parts[0] == b"data") != name.of_tags


# -- section 2.2.2 --------------------------------------------------------------------------------


def test_payload_oxum() -> None:
    assert oxum("Payload-Oxum: 279164409832.1198") == "279164409832.1198"
    assert oxum("payload-oxum :\t5.1 ") == "5.1"
    assert oxum("X-Payload-Oxum: 5.1") is None
    assert oxum_value("279164409832.1198") == (279164409832, 1198)
    assert oxum("Payload-Oxum : \t ") == ""
    for text in ("", "5", "5.", "-5.1", "5.1.1", "5,1", "0x5.1"):
        with pytest.raises(ValueError):
            oxum_value(text)


def test_a_line_of_blanks_is_soon_understood() -> None:
    """While a pattern is matched, no other thread of the daemon runs."""
    before = time.process_time()
    assert oxum("Payload-Oxum:" + "a" + " " * 100_000 + "a") == "a" + " " * 100_000 + "a"
    assert time.process_time() - before < 1


def test_lines_of_bag_info() -> None:
    for line in ("Bag-Count: 1 of 15", "   goes on", "", "A label:"):
        assert info_label(line)
    for line in ("no label", ": no label"):
        assert not info_label(line)
