"""Bags compared with the reference library, `bagit` (PyPI, of the Library of Congress): the same verdict.

`VERDICTS_DIFFER` is all in which the two differ, each with its reason. Where RFC 8493 says MUST, we
follow it; where it leaves a doubt, we ask a person, which counts as not valid here.
"""

from __future__ import annotations

import logging
import tempfile
import unicodedata
from collections.abc import Callable
from pathlib import Path

import bagit
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from ingestd.core.found import FindingCode
from tests.support.bags import DECLARED, Bag, bag, digest, line, look, retagged, write

MANIFEST, TAGS = "manifest-sha512.txt", "tagmanifest-sha512.txt"


def by_the_library(folder: Path) -> bool:
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    try:
        return bool(bagit.Bag(str(folder)).is_valid())
    except bagit.BagError:
        return False


def both(made: Bag) -> tuple[bool, bool]:
    """The library's verdict, and ours."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = write(Path(scratch) / "volume-1", made)
        return by_the_library(folder), look(Path(scratch)).valid


# -- bags that are generated ----------------------------------------------------------------------

letters = st.sampled_from("abcXYZ0 .-_~*()#$&'\"\\,;:=@+\u00e9\u0142\u20ac\U0001f40b")
parts = st.text(letters, min_size=1, max_size=8).filter(lambda part: part.strip(". ") == part)
paths = st.lists(parts, min_size=1, max_size=3).map("/".join)


def apart(names: list[str]) -> bool:
    """Whether no name is a folder of another, and no two are nearly the same."""
    folds = [unicodedata.normalize("NFC", name).casefold() for name in names]
    return not any(a == b or b.startswith(a + "/") for a in folds for b in folds if a is not b)


payloads = st.dictionaries(paths, st.binary(max_size=40), min_size=1, max_size=5).filter(
    lambda payload: apart(list(payload))
)
algorithms = st.sets(st.sampled_from(["md5", "sha1", "sha224", "sha256", "sha384", "sha512"]), max_size=3)


@st.composite
def bags(draw: st.DrawFn) -> Bag:
    """Valid ones, as people make them."""
    chosen = sorted(draw(algorithms) | {"sha512"})
    made = bag(draw(payloads), algorithms=chosen)
    ending = draw(st.sampled_from([b"\n", b"\r\n"]))
    separator = draw(st.sampled_from([b"  ", b" ", b"\t", b" \t "]))
    for path in [path for path in made if path.startswith("manifest-")]:
        lines = made[path].replace(b"  ", separator, 1) if separator != b"  " else made[path]
        made[path] = (b"" if not draw(st.booleans()) else b"\n") + lines.replace(b"\n", ending)
    if draw(st.booleans()):
        digests = made[MANIFEST].split(b"\n")
        made[MANIFEST] = b"\n".join([digests[0][:128].upper() + digests[0][128:], *digests[1:]])
    if draw(st.booleans()):
        del made["bag-info.txt"]
    if draw(st.booleans()):
        made["meta/notes.txt"] = draw(st.binary(max_size=20))
    if draw(st.integers(0, 3)) == 0:
        return {path: body for path, body in made.items() if not path.startswith("tagmanifest-")}
    return retagged(made)


@settings(max_examples=150, deadline=None)
@given(bags())
def test_valid_bags_are_valid_to_both(made: Bag) -> None:
    assert both(made) == (True, True)


Break = Callable[[Bag, st.DataObject], Bag]


def some(made: Bag, data: st.DataObject, beginning: str) -> str:
    return data.draw(st.sampled_from(sorted(path for path in made if path.startswith(beginning))))


def flip(made: Bag, data: st.DataObject) -> Bag:
    path = some(made, data, "data/")
    body = made[path] or b"\0"
    at = data.draw(st.integers(0, len(body) - 1))
    return {**made, path: body[:at] + bytes([body[at] ^ data.draw(st.integers(1, 255))]) + body[at + 1 :]}


def flip_tag(made: Bag, data: st.DataObject) -> Bag:
    return (
        {**made, "bagit.txt": made["bagit.txt"].replace(b"UTF-8", b"utf-8")}
        if TAGS in made
        else flip(made, data)
    )


def drop(made: Bag, data: st.DataObject) -> Bag:
    gone = some(made, data, "data/")
    return {path: body for path, body in made.items() if path != gone} | {"data/": b""}


def drop_tag(made: Bag, data: st.DataObject) -> Bag:
    return {**made, TAGS: line("sha512", "meta/gone", b"").encode() + made.get(TAGS, tags_of(made))}


def tags_of(made: Bag) -> bytes:
    return retagged(made)[TAGS]


def add(made: Bag, data: st.DataObject) -> Bag:
    return {**made, "data/something more": data.draw(st.binary(max_size=9))}


def rename(made: Bag, data: st.DataObject) -> Bag:
    path = some(made, data, "data/")
    fresh = dict(made)
    fresh["data/quite another name"] = fresh.pop(path)
    return fresh


def unlist(made: Bag, data: st.DataObject) -> Bag:
    """In all manifests; in one only is a difference of its own, below."""
    fresh = dict(made)
    for path in [path for path in made if path.startswith("manifest-")]:
        lines = [each for each in made[path].splitlines(True) if each.strip()]
        fresh[path] = b"".join(lines[1:])
    return retag_if_tagged(made, fresh)


def list_more(made: Bag, data: st.DataObject) -> Bag:
    where = data.draw(st.sampled_from(["data/not there", "data/../../out", "../out", "/etc/passwd"]))
    return with_line(made, f"{digest('sha512', b'')}  {where}\n")


def list_twice(made: Bag, data: st.DataObject) -> Bag:
    path = some(made, data, "data/")
    body = made[path] if data.draw(st.booleans()) else made[path] + b"x"
    return with_line(made, f"{digest('sha512', body)}  {path}\n")


def with_line(made: Bag, text: str) -> Bag:
    body = made[MANIFEST] + (b"" if made[MANIFEST].endswith(b"\n") else b"\n") + text.encode()
    return retag_if_tagged(made, {**made, MANIFEST: body})


def retag_if_tagged(made: Bag, fresh: Bag) -> Bag:
    return retagged(fresh) if TAGS in made else fresh


def other_digest(made: Bag, data: st.DataObject) -> Bag:
    lines = [each for each in made[MANIFEST].split(b"\n") if each.strip()]
    lines[0] = bytes([lines[0][0] ^ 1]) + lines[0][1:]
    return retag_if_tagged(made, {**made, MANIFEST: b"\n".join(lines)})


def no_manifest(made: Bag, data: st.DataObject) -> Bag:
    return retag_if_tagged(made, {path: body for path, body in made.items() if "manifest-" not in path})


def no_payload(made: Bag, data: st.DataObject) -> Bag:
    return {path: body for path, body in made.items() if not path.startswith("data/")}


def declared_otherwise(made: Bag, data: st.DataObject) -> Bag:
    body = data.draw(
        st.sampled_from(
            [
                b"BagIt-Version: 1.0\n",
                b"Tag-File-Character-Encoding: UTF-8\n",
                DECLARED.replace(b"1.0", b"2.0"),
                DECLARED.replace(b"1.0", b"0.92"),
                DECLARED.replace(b"1.0", b"one"),
                DECLARED.replace(b"UTF-8", b"no-such-encoding"),
                b"",
            ]
        )
    )
    return retag_if_tagged(made, {**made, "bagit.txt": body})


def oxum_otherwise(made: Bag, data: st.DataObject) -> Bag:
    size = sum(len(body) for path, body in made.items() if path.startswith("data/"))
    files = sum(path.startswith("data/") for path in made)
    value = data.draw(
        st.sampled_from(
            [f"{size + 1}.{files}", f"{size}.{files + 1}", f"{files}.{size}x", f"-{size}.{files}"]
        )
    )
    return retag_if_tagged(made, {**made, "bag-info.txt": f"Payload-Oxum: {value}\n".encode()})


BREAKS: dict[str, Break] = {
    each.__name__: each
    for each in (
        flip,
        flip_tag,
        drop,
        drop_tag,
        add,
        rename,
        unlist,
        list_more,
        list_twice,
        other_digest,
        no_manifest,
        no_payload,
        declared_otherwise,
        oxum_otherwise,
    )
}


@settings(max_examples=300, deadline=None)
@given(bags(), st.data())
def test_bags_that_are_broken_are_broken_to_both(made: Bag, data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(sorted(BREAKS)))
    event(kind)
    broken = BREAKS[kind](made, data)
    assert both(broken) == (False, False), kind


@settings(max_examples=60, deadline=None)
@given(payloads, algorithms)
def test_bags_that_the_library_makes_are_valid(payload: dict[str, bytes], chosen: set[str]) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = write(Path(scratch) / "volume-1", dict(payload))
        bagit.make_bag(str(folder), checksums=sorted(chosen | {"sha256"}))
        found = look(Path(scratch))
    assert (found.valid, found.blocking) == (True, set())
    assert found.noted <= {FindingCode.FILE_EMPTY}


# -- where the verdicts differ --------------------------------------------------------------------

TWO = bag({"north.age": b"north", "south.age": b"south"}, algorithms=("md5", "sha512"))
ONE = bag({"north.age": b"north"})
MD5 = "tagmanifest-md5.txt"
MD5_TAGS = retagged(ONE, ("md5",))[MD5]


def replaced(made: Bag, path: str, old: bytes, new: bytes) -> Bag:
    assert old in made[path]
    return retagged({**made, path: made[path].replace(old, new)})


def appended(made: Bag, path: str, text: str) -> Bag:
    fresh = {**made, path: made[path] + text.encode()}
    return fresh if path == TAGS else retagged(fresh)


def renamed(made: Bag, old: str, new: str) -> Bag:
    fresh = dict(made)
    fresh[new] = fresh.pop(old)
    return fresh


VERDICTS_DIFFER: dict[str, tuple[bool, Bag]] = {
    # Section 3: since 1.0 every file of the payload is in every payload manifest. The library wants one.
    "a file in one of two manifests": (
        True,
        replaced(TWO, "manifest-md5.txt", line("md5", "data/north.age", b"north").encode(), b""),
    ),
    # Section 2.2.1: each tag manifest lists every payload manifest.
    "a tag manifest that leaves a payload manifest out": (
        True,
        {**ONE, TAGS: b"".join(each for each in ONE[TAGS].splitlines(True) if b" manifest-" not in each)},
    ),
    # Section 2.1.3: a payload manifest lists nothing outside the payload.
    "a tag file in a payload manifest": (
        True,
        {**ONE, "notes.txt": b"x"} | retagged(appended(ONE, MANIFEST, line("sha512", "notes.txt", b"x"))),
    ),
    # Section 2.2.1: a tag manifest lists no payload.
    "payload in a tag manifest": (
        True,
        {**retagged(ONE, ()), MD5: MD5_TAGS + line("md5", "data/north.age", b"north").encode()},
    ),
    # Section 2.1.1: just two lines, in this order, as they are printed there.
    "three lines of declaration": (True, appended(ONE, "bagit.txt", "Bag-Software: x\n")),
    "a declaration in another order": (
        True,
        retagged({**ONE, "bagit.txt": b"".join(reversed(DECLARED.splitlines(True)))}),
    ),
    "other space in the declaration": (True, replaced(ONE, "bagit.txt", b": 1.0", b" :  1.0")),
    # Section 2.1.3: each line is a checksum and a path. The library passes over what is not.
    "a line of a manifest that is none": (True, appended(ONE, MANIFEST, "kelp\n")),
    # Section 2.2.2: Payload-Oxum is there once at most. The library takes the first.
    "two oxums": (True, appended(ONE, "bag-info.txt", "Payload-Oxum: 5.1\n")),
    # Section 5.1: the RFC leaves such paths to the implementer. We take none with '..', wherever it leads.
    "a path that leaves a folder and comes back": (
        True,
        replaced(ONE, MANIFEST, b"data/north.age", b"data/x/../north.age"),
    ),
    # Ours: nothing is fetched, whatever fetch.txt lists, even what is there.
    "something to be fetched that is there": (
        True,
        retagged({**ONE, "fetch.txt": b"https://example.org/north 5 data/north.age\n"}),
    ),
    # Section 6.1.1: the library takes the names for the same. So do we, but ask a person: another system has
    # written the drive, and what is stored has the name that it has there.
    "another normalisation": (
        True,
        renamed(bag({"caf\u00e9": b"x"}), "data/caf\u00e9", "data/cafe\u0301"),
    ),
    # Section 2.4: an algorithm that neither knows. The library looks for the manifests that it knows only.
    "an algorithm that is not known": (
        True,
        retagged({**ONE, "manifest-whirlpool.txt": b"00 data/north.age\n"}),
    ),
    # Version 1.0 is the last there is. The library takes 1.1 for known.
    "a version that is yet to come": (True, replaced(ONE, "bagit.txt", b"1.0", b"1.1")),
    # Section 4.1 itself prints BagIt-version.
    "the label of section 4.1": (False, replaced(ONE, "bagit.txt", b"BagIt-Version", b"BagIt-version")),
    # Section 2.1.3: a percent sign is written as %25. The library does not read it so.
    "a percent sign": (False, bag({"100%": b"x"})),
    # The library turns at most two of each into line feeds, and only where they are in capitals.
    "three line feeds": (False, bag({"a\nb\nc\nd": b"x"})),
    "an encoded line feed in small letters": (False, replaced(bag({"a\nb": b"x"}), MANIFEST, b"%0A", b"%0a")),
    # The library takes the blanks at the end of a line away.
    "a name that ends in a blank": (False, bag({"north ": b"x"})),
}
"""The library's verdict, which is not ours, and the bag."""


@pytest.mark.parametrize("case", VERDICTS_DIFFER)
def test_where_the_verdicts_differ(case: str) -> None:
    theirs, made = VERDICTS_DIFFER[case]
    assert both(made) == (theirs, not theirs)
