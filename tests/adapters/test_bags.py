"""Bags on a drive, as a survey and the one reading of their files see them. Rules by RFC 8493's sections."""

from __future__ import annotations

import os
import tracemalloc
import unicodedata
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from ingestd.content import bags as module
from ingestd.content.blocks import blocks
from ingestd.content.checksums import Algorithms
from ingestd.core.drive import VolumeFacts
from ingestd.core.found import BagFact, FindingCode, Presence
from ingestd.core.job import Item
from ingestd.core.model import LoadId
from ingestd.ports import FileEntry
from tests.support.bags import DECLARED, Bag, Seen, bag, digest, line, look, retagged, write
from tests.support.drives import Going
from tests.support.fake_drive import FakeVolume
from tests.support.journals import open_journal
from tests.support.sealed import age, noise

SEALED = age(noise(20_000))
PAYLOAD = {
    "north.age": SEALED,
    "deep/er/south.age": SEALED[:9_000],
    "empty": b"",
    "caf\u00e9 100%\n.age": b"kelp",
}
BOTH = ("sha512", "md5")


@pytest.fixture(params=["", "reef"], ids=["root", "folder"])
def place(request: pytest.FixtureRequest) -> str:
    """Where in the volume the bag is."""
    return str(request.param)


def seen(tmp_path: Path, made: Bag, place: str = "", *items: Item, sniff: bool = False) -> Seen:
    write(tmp_path / "volume-1" / place, made)
    return look(tmp_path, *items, sniff=sniff)


def named(place: str) -> str:
    return f"volume-1/{place}" if place else "volume-1"


# -- good ones ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "algorithms", [("sha512",), ("sha256", "sha512"), ("md5", "sha1", "sha224", "sha384")]
)
def test_a_valid_bag(tmp_path: Path, place: str, algorithms: tuple[str, ...]) -> None:
    made = bag(PAYLOAD, algorithms=algorithms, tag_algorithms=algorithms)
    found = seen(tmp_path, made, place)
    (fact,) = found.facts.bags
    assert (fact.path, fact.algorithms) == (named(place), tuple(sorted(algorithms)))
    assert (found.blocking, found.doubtful, found.mismatches) == (set(), set(), ())
    assert found.noted == {FindingCode.FILE_EMPTY}
    assert found.loaded == {f"{place}/{path}".lstrip("/") for path in made}


def test_an_empty_payload(tmp_path: Path, place: str) -> None:
    assert seen(tmp_path, {**bag({}), "data/": b""}, place).valid


@pytest.mark.parametrize("version", ["0.93", "0.95", "0.96", "0.97", "1.0"])
def test_versions(tmp_path: Path, version: str) -> None:
    made = bag(PAYLOAD if version == "1.0" else {"north.age": SEALED})
    made["bagit.txt"] = DECLARED.replace(b"1.0", version.encode())
    made["package-info.txt"] = made["bag-info.txt"]
    assert seen(tmp_path, retagged(made)).valid


@pytest.mark.parametrize("encoding", ["UTF-16", "utf-16-be", "ISO-8859-1", "UTF-8"])
def test_encodings_of_tag_files(tmp_path: Path, encoding: str) -> None:
    made = bag({"caf\u00e9.age": SEALED})
    for path in ("manifest-sha512.txt", "bag-info.txt"):
        made[path] = made[path].decode().encode(encoding)
    made["bagit.txt"] = DECLARED.replace(b"UTF-8", encoding.encode())
    made = retagged(made)
    made["tagmanifest-sha512.txt"] = made["tagmanifest-sha512.txt"].decode().encode(encoding)
    assert seen(tmp_path, made).valid


@pytest.mark.parametrize("ending", [b"\r\n", b"\r"])
def test_endings_of_lines(tmp_path: Path, ending: bytes) -> None:
    made = bag(PAYLOAD)
    for path in ("bagit.txt", "manifest-sha512.txt", "bag-info.txt"):
        made[path] = made[path].replace(b"\n", ending)
    assert seen(tmp_path, retagged(made)).valid


def test_blocks_may_end_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = bag({**PAYLOAD, **{f"\u20ac{number}.age": b"kelp" for number in range(30)}})
    made["manifest-sha512.txt"] = made["manifest-sha512.txt"].replace(b"\n", b"\r\n")
    write(tmp_path / "volume-1", retagged(made))
    for block_bytes in (1, 2, 3, 5, 7, 4096):
        small = partial(blocks, block_bytes=block_bytes)
        monkeypatch.setattr("ingestd.content.bags.blocks", small)
        assert look(tmp_path).valid


# -- the examples of section 4 --------------------------------------------------------------------

BASIC = {
    "bagit.txt": b"BagIt-version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
    "manifest-md5.txt": b"49afbd86a1ca9f34b677a3f09655eae9 data/27613-h/images/q172.png\n"
    b"408ad21d50cef31da4df6d9ed81b01a7 data/27613-h/images/q172.txt\n",
}
"""Section 4.1, from the source of the specification (bagit-spec repository). It does not have the files."""


def test_the_basic_bag_of_section_4_1(tmp_path: Path) -> None:
    made = {**BASIC, "data/27613-h/images/q172.png": b"png", "data/27613-h/images/q172.txt": b"ocr"}
    found = seen(tmp_path, made, "myfirstbag")
    assert (found.blocking, found.doubtful) == (set(), set())
    assert found.noted == {FindingCode.CHECKSUMS_WEAK}
    assert [algorithm for _, algorithm in found.mismatches] == ["md5", "md5"], "the files are not the RFC's"


def test_the_bag_to_be_fetched_of_section_4_2(tmp_path: Path) -> None:
    made = {
        "bagit.txt": b"BagIt-version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "manifest-md5.txt": b"102b0e6effe208ef9b29864946de9e22 data/23364a.tif\n",
        "fetch.txt": b"https://cdn.loc.gov/master/pnp/highsm/23300/23364a.tif 216951362 data/23364a.tif\n",
        "bag-info.txt": b"Internal-Sender-Description: Download link found at\n"
        b"  https://www.loc.gov/resource/highsm.23364/\n",
        "data/": b"",
    }
    found = seen(tmp_path, made, "highsmith-tahoe")
    assert found.blocking >= {FindingCode.BAG_TO_BE_FETCHED, FindingCode.BAG_INCOMPLETE}
    assert "nothing is fetched here" in found.sentences


# -- what is wrong with a bag ---------------------------------------------------------------------

Change = Callable[[Bag], Bag]


def without(*paths: str) -> Change:
    return lambda made: {path: body for path, body in made.items() if path not in paths}


def having(path: str, body: bytes) -> Change:
    return lambda made: {**made, path: body}


def more(path: str, text: str) -> Change:
    """Lines behind a tag file, with the tag manifests made anew."""
    return lambda made: retagged({**made, path: made[path] + text.encode()})


def tagged(change: Change) -> Change:
    return lambda made: retagged(change(made))


MANIFEST = "manifest-sha512.txt"
ELSEWHERE = digest("sha512", b"x")


def unlisted(made: Bag) -> Bag:
    """One file in one of two manifests only."""
    kept = [each for each in made["manifest-md5.txt"].splitlines(True) if b"north" not in each]
    return retagged({**made, "manifest-md5.txt": b"".join(kept)})


BROKEN: dict[str, tuple[Change, FindingCode, str]] = {
    "a declaration of one line": (
        tagged(having("bagit.txt", b"BagIt-Version: 1.0\n")),
        FindingCode.BAG_BROKEN,
        "bagit.txt does not have just the two lines",
    ),
    "a byte-order mark in the declaration": (
        tagged(having("bagit.txt", b"\xef\xbb\xbf" + DECLARED)),
        FindingCode.BAG_BROKEN,
        "byte-order mark",
    ),
    "an endless declaration": (
        tagged(having("bagit.txt", DECLARED + b"x" * 5000)),
        FindingCode.BAG_BROKEN,
        "bagit.txt is longer than 4,096 bytes",
    ),
    "no manifest": (without(MANIFEST, "manifest-md5.txt"), FindingCode.BAG_BROKEN, "there is no manifest"),
    "no payload": (
        lambda made: {path: body for path, body in made.items() if not path.startswith("data/")},
        FindingCode.BAG_BROKEN,
        "data is not there",
    ),
    "a payload that is a file": (
        lambda made: {"data": b"", **{p: b for p, b in made.items() if not p.startswith("data/")}},
        FindingCode.BAG_BROKEN,
        "data is not there, or is no folder",
    ),
    "a line that is none": (
        more(MANIFEST, "kelp\n"),
        FindingCode.BAG_BROKEN,
        f"{MANIFEST} line 5 is not a checksum and a path",
    ),
    "a path that leads out": (
        more(MANIFEST, f"{ELSEWHERE}  data/../../outside\n"),
        FindingCode.BAG_BROKEN,
        f"{MANIFEST} line 5 has a path that leads out of the bag",
    ),
    "an absolute path": (more(MANIFEST, f"{ELSEWHERE}  /etc/passwd\n"), FindingCode.BAG_BROKEN, "leads out"),
    "an encoded path that leads out": (
        lambda made: {
            **made,
            "tagmanifest-sha512.txt": made["tagmanifest-sha512.txt"] + f"{ELSEWHERE}  %0A/../../x\n".encode(),
        },
        FindingCode.BAG_BROKEN,
        "leads out of the bag",
    ),
    "a tag file in a manifest of the payload": (
        lambda made: retagged(
            {**made, MANIFEST: made[MANIFEST] + line("sha512", "bagit.txt", DECLARED).encode()}
        ),
        FindingCode.BAG_BROKEN,
        "line 5 lists a file outside the payload",
    ),
    "a file listed twice": (
        lambda made: retagged({**made, MANIFEST: made[MANIFEST] + made[MANIFEST].splitlines(True)[0]}),
        FindingCode.BAG_BROKEN,
        f"{MANIFEST} lists data/north.age more than once",
    ),
    "a file listed twice by two paths": (
        more(MANIFEST, f"{digest('sha512', SEALED)}  data/.//north.age\n"),
        FindingCode.BAG_BROKEN,
        f"{MANIFEST} lists data/north.age more than once",
    ),
    "a manifest that is not in its encoding": (
        lambda made: retagged({**made, MANIFEST: made[MANIFEST] + ELSEWHERE.encode() + b"  data/\xff\n"}),
        FindingCode.BAG_BROKEN,
        "line 5 is not in the encoding",
    ),
    "a tag manifest without a manifest": (
        lambda made: {
            **made,
            "tagmanifest-sha512.txt": b"".join(
                each for each in made["tagmanifest-sha512.txt"].splitlines(True) if b"-md5" not in each
            ),
        },
        FindingCode.BAG_BROKEN,
        "tagmanifest-sha512.txt does not list manifest-md5.txt",
    ),
    "payload in a tag manifest": (
        lambda made: {
            **made,
            "tagmanifest-sha512.txt": made["tagmanifest-sha512.txt"]
            + line("sha512", "data/north.age", SEALED).encode(),
        },
        FindingCode.BAG_BROKEN,
        "lists a file of the payload",
    ),
    "an oxum that is none": (
        tagged(having("bag-info.txt", b"Payload-Oxum: much\n")),
        FindingCode.BAG_BROKEN,
        "Payload-Oxum that is not two numbers",
    ),
    "two oxums": (
        more("bag-info.txt", f"Payload-Oxum: {sum(map(len, PAYLOAD.values()))}.4\n"),
        FindingCode.BAG_BROKEN,
        "has Payload-Oxum more than once",
    ),
    "a line of bag-info that is none": (
        more("bag-info.txt", "kelp\n"),
        FindingCode.BAG_BROKEN,
        "bag-info.txt line 3 is no label",
    ),
    "an oxum of other bytes": (
        tagged(having("bag-info.txt", b"Payload-Oxum: 1.4\n")),
        FindingCode.BAG_OXUM_WRONG,
        "4 files of 1 bytes; there are 4 files of",
    ),
    "an oxum of other files": (
        tagged(having("bag-info.txt", f"payload-oxum: {sum(map(len, PAYLOAD.values()))}.5\n".encode())),
        FindingCode.BAG_OXUM_WRONG,
        "5 files of",
    ),
    "a file of the payload missing": (
        without("data/north.age"),
        FindingCode.BAG_INCOMPLETE,
        "lists 2 files that are not there, for example volume-1/data/north.age",
    ),
    "a tag file missing": (
        without("bag-info.txt"),
        FindingCode.BAG_INCOMPLETE,
        "lists a file that is not there: volume-1/bag-info.txt",
    ),
    "a file more": (
        having("data/deep/more.age", b"kelp"),
        FindingCode.BAG_FILE_UNLISTED,
        "a file in its payload that its manifests do not list: volume-1/data/deep/more.age",
    ),
    "a file in one of two manifests": (
        unlisted,
        FindingCode.BAG_FILE_UNLISTED,
        "do not list: volume-1/data/north.age",
    ),
    "something to be fetched": (
        tagged(having("fetch.txt", b"https://example.org/north - data/north.age\n")),
        FindingCode.BAG_TO_BE_FETCHED,
        "has a fetch.txt",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_what_is_wrong_with_a_bag_is_said(tmp_path: Path, case: str) -> None:
    change, code, words = BROKEN[case]
    found = seen(tmp_path, change(bag(PAYLOAD, algorithms=BOTH)))
    assert code in found.blocking
    assert words in found.sentences + str(found.facts.bags)
    assert not found.valid


DOUBTFUL: dict[str, tuple[Change, str]] = {
    "an algorithm that is not known": (
        tagged(having("manifest-sha3512.txt", b"")),
        "manifest-sha3512.txt is not checked: its algorithm",
    ),
    "a manifest by another name": (
        tagged(having("Manifest-SHA256.txt", b"")),
        "Manifest-SHA256.txt is not checked: is not called as a manifest",
    ),
    "a version that is not known": (
        tagged(having("bagit.txt", DECLARED.replace(b"1.0", b"1.1"))),
        "BagIt 1.1 is not known here",
    ),
    "an encoding that is not known": (
        tagged(having("bagit.txt", DECLARED.replace(b"UTF-8", b"rot13"))),
        "encoding rot13 is not known here",
    ),
}


@pytest.mark.parametrize("case", DOUBTFUL)
def test_what_cannot_be_checked_goes_to_a_person(tmp_path: Path, case: str) -> None:
    change, words = DOUBTFUL[case]
    found = seen(tmp_path, change(bag(PAYLOAD)))
    assert (found.blocking, found.doubtful) == (set(), {FindingCode.BAG_NOT_CHECKED})
    assert words in found.sentences


LOOSE: dict[str, tuple[Change, str]] = {
    "an asterisk": (
        lambda made: retagged({**made, MANIFEST: made[MANIFEST].replace(b"  data/north", b" *data/north")}),
        "line 1: an asterisk",
    ),
    "a byte-order mark": (
        lambda made: retagged({**made, MANIFEST: b"\xef\xbb\xbf" + made[MANIFEST]}),
        "begins with a byte-order mark",
    ),
}


@pytest.mark.parametrize("case", LOOSE)
def test_what_has_one_meaning_all_the_same_is_noted(tmp_path: Path, case: str) -> None:
    change, words = LOOSE[case]
    found = seen(tmp_path, change(bag(PAYLOAD)))
    assert found.valid
    assert found.noted == {FindingCode.BAG_NOT_STRICT, FindingCode.FILE_EMPTY}
    assert words in found.sentences


def test_a_manifest_of_all_the_files_is_not_needed_before_version_1(tmp_path: Path) -> None:
    made = unlisted(bag({"north.age": SEALED, "south.age": b"kelp"}, algorithms=BOTH))
    made["bagit.txt"] = DECLARED.replace(b"1.0", b"0.97")
    assert seen(tmp_path, retagged(made)).valid
    write(tmp_path / "volume-1", {"data/more.age": b"kelp"})
    assert FindingCode.BAG_FILE_UNLISTED in look(tmp_path).blocking


# -- content --------------------------------------------------------------------------------------


@pytest.mark.parametrize("algorithm", ["md5", "sha1", "sha224", "sha256", "sha384", "sha512"])
def test_one_flipped_bit_of_the_payload(tmp_path: Path, place: str, algorithm: str) -> None:
    made = bag(PAYLOAD, algorithms=(algorithm,))
    made["data/north.age"] = SEALED[:-1] + bytes([SEALED[-1] ^ 1])
    found = seen(tmp_path, made, place)
    assert (found.blocking, found.doubtful) == (set(), set())
    assert found.mismatches == ((f"{place}/data/north.age".lstrip("/"), algorithm),)


def test_a_tag_file_that_was_edited(tmp_path: Path) -> None:
    made = bag(PAYLOAD)
    made["bag-info.txt"] += b"Contact-Phone: +1 2\n"
    assert seen(tmp_path, made).mismatches == (("bag-info.txt", "sha512"),)


def test_every_manifest_is_held_against_the_files(tmp_path: Path) -> None:
    made = bag(PAYLOAD, algorithms=BOTH)
    wrong = digest("md5", b"other").encode()
    right = digest("md5", SEALED).encode()
    made["manifest-md5.txt"] = made["manifest-md5.txt"].replace(right, wrong)
    assert seen(tmp_path, retagged(made)).mismatches == (("data/north.age", "md5"),)


# -- names ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("listed", "on_drive"),
    [
        ("caf\u00e9.age", unicodedata.normalize("NFD", "caf\u00e9.age")),
        ("North.AGE", "north.age"),
        ("a%b.age", "a%25b.age"),
    ],
    ids=["normalisation", "case", "percent"],
)
def test_a_file_of_nearly_the_listed_name_is_named_and_held_against_it(
    tmp_path: Path, listed: str, on_drive: str
) -> None:
    made = bag({listed: SEALED, "other.age": b"kelp"})
    made[f"data/{on_drive}"] = made.pop(f"data/{listed}")
    found = seen(tmp_path, made)
    assert (found.blocking, found.doubtful) == (set(), {FindingCode.BAG_NAMES_DIFFER})
    assert found.mismatches == ()
    (example,) = found.facts.bags[0].differing.examples
    assert "is data/" in example
    assert example.isascii()
    write(tmp_path / "volume-1", {f"data/{on_drive}": b"x" * len(SEALED)})
    assert look(tmp_path).mismatches == ((f"data/{on_drive}", "sha512"),)


def test_all_names_of_a_bag_may_be_in_another_normalisation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "NEAR_MAX", 3)
    made = bag({f"r\u00e9cif {number}.age": b"kelp" for number in range(2500)}, algorithms=BOTH)
    found = seen(tmp_path, {unicodedata.normalize("NFD", path): body for path, body in made.items()})
    assert (found.blocking, found.doubtful) == (set(), {FindingCode.BAG_NAMES_DIFFER})
    assert found.facts.bags[0].differing.count == 5000
    assert found.mismatches == ()


def test_one_file_under_a_name_listed_in_two_normalisations(tmp_path: Path) -> None:
    """As a file system that normalises names would leave it, of two files with one name each."""
    made = bag({"caf\u00e9": b"x", "cafe\u0301": b"x"})
    del made["data/caf\u00e9"]
    found = seen(tmp_path, made)
    assert found.blocking == {FindingCode.BAG_BROKEN, FindingCode.BAG_OXUM_WRONG}
    assert "caf" in found.sentences


def test_which_of_two_files_is_meant_is_not_guessed(tmp_path: Path) -> None:
    made = bag({"NORTH.age": SEALED})
    del made["data/NORTH.age"]
    found = seen(tmp_path, {**made, "data/north.age": SEALED, "data/North.age": SEALED})
    assert found.blocking >= {FindingCode.BAG_INCOMPLETE, FindingCode.BAG_FILE_UNLISTED}
    assert found.doubtful == set()


def test_names_from_a_drive_are_escaped(tmp_path: Path) -> None:
    made = bag({"north.age": SEALED})
    made["data/\x1b[31mred"] = b"?"
    made["manifest-\x07.txt"] = b"?"
    found = seen(tmp_path, made, "\x1b]0;reef")
    assert {FindingCode.BAG_FILE_UNLISTED} <= found.blocking
    assert all(sentence.isprintable() for sentence in found.sentences.splitlines())
    assert r"\x1b[31mred" in found.sentences
    assert r"manifest-\x07.txt" in found.sentences


def test_facts_of_a_hostile_bag_can_be_put_on_record(tmp_path: Path) -> None:
    made = bag({"north.age": SEALED}, info=f"Payload-Oxum: {10**29}.{10**19}\n")
    (fact,) = seen(tmp_path, made).facts.bags
    record = TypeAdapter(BagFact)
    assert record.validate_json(record.dump_json(fact)) == fact
    assert fact.oxum == (10**29, 10**19)


def test_links_are_no_files_of_a_bag(tmp_path: Path) -> None:
    made = bag({"north.age": SEALED, "south.age": SEALED})
    write(tmp_path / "volume-1", made)
    os.unlink(tmp_path / "volume-1" / "data" / "south.age")
    os.symlink("north.age", tmp_path / "volume-1" / "data" / "south.age")
    assert FindingCode.BAG_INCOMPLETE in look(tmp_path).blocking
    os.unlink(tmp_path / "volume-1" / MANIFEST)
    os.symlink("/etc/passwd", tmp_path / "volume-1" / MANIFEST)
    found = look(tmp_path)
    assert f"{MANIFEST} cannot be read" in str(found.facts.bags)


# -- what is a bag, and what is loaded of it ------------------------------------------------------


def test_items_are_looked_for_in_the_payload_and_the_bag_is_loaded_whole(tmp_path: Path) -> None:
    made = bag({"north.age": SEALED, "south.age": SEALED[:50], "tiles/1": b"kelp"})
    items = (Item(name="north.age"), Item(name="tiles", kind="folder"))
    found = seen(tmp_path, made, "", *items)
    assert [(fact.presence, fact.size_bytes) for fact in found.facts.items] == [
        (Presence.FOUND, len(SEALED)),
        (Presence.FOUND, 4),
    ]
    assert found.loaded == set(made)
    assert found.valid
    assert found.noted == {FindingCode.BAG_BEYOND_NOTICE}
    assert found.facts.beyond_notice.examples == ("volume-1/data/south.age",)


def test_the_checksum_of_an_item_in_the_payload_is_the_notices(tmp_path: Path) -> None:
    item = Item(name="north.age", sha256=digest("sha256", b"other"))
    found = seen(tmp_path, bag({"north.age": SEALED}), "", item)
    assert found.mismatches == (("data/north.age", "sha256"),)


def test_of_an_item_in_the_root_and_in_the_payload_the_first_counts(tmp_path: Path) -> None:
    made = {**bag({"north.age": SEALED}), "north.age": SEALED[:10]}
    found = seen(tmp_path, made, "", Item(name="north.age"))
    (fact,) = found.facts.items
    assert (fact.size_bytes, fact.near) == (10, ("volume-1/data/north.age",))
    assert found.loaded == set(made)


def test_a_folder_data_may_be_the_item_itself(tmp_path: Path) -> None:
    made = bag(PAYLOAD)
    found = seen(tmp_path, made, "", Item(name="data", kind="folder"))
    assert found.valid
    assert found.facts.items[0].size_bytes == sum(map(len, PAYLOAD.values()))
    assert found.facts.beyond_notice.count == 0


def test_a_folder_that_is_announced_and_is_a_bag(tmp_path: Path) -> None:
    made = bag(PAYLOAD)
    del made["data/north.age"]
    found = seen(tmp_path, made, "reef", Item(name="reef", kind="folder"))
    assert found.blocking == {FindingCode.BAG_INCOMPLETE, FindingCode.BAG_OXUM_WRONG}
    assert "volume-1/reef" in found.sentences


def test_a_bag_that_is_not_to_be_loaded_is_not_looked_into(tmp_path: Path) -> None:
    write(tmp_path / "volume-1", {"north.age": SEALED})
    found = seen(tmp_path, {"bagit.txt": b"?"}, "reef", Item(name="north.age"))
    assert (found.facts.bags, found.loaded) == ((), {"north.age"})


def test_a_bag_within_the_payload_of_another_is_its_content(tmp_path: Path) -> None:
    inner = {f"reef/{path}": body for path, body in bag(PAYLOAD).items()}
    del inner["reef/data/north.age"]
    found = seen(tmp_path, bag(inner))
    assert found.valid
    assert len(found.facts.bags) == 1


def test_a_bag_deep_in_folders_is_their_content(tmp_path: Path) -> None:
    assert seen(tmp_path, {"bagit.txt": b"?"}, "deep/reef").facts.bags == ()


def test_what_systems_put_beside_a_bag_is_not_loaded(tmp_path: Path) -> None:
    found = seen(tmp_path, {**bag(PAYLOAD), "System Volume Information/x": b"?", "data/lost+found": b"?"})
    assert "System Volume Information/x" not in found.loaded
    assert found.blocking == {FindingCode.BAG_FILE_UNLISTED, FindingCode.BAG_OXUM_WRONG}


def test_many_bags(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BAGS_MAX", 3)
    for number in range(5):
        write(tmp_path / "volume-1" / f"bag-{number}", bag({"north.age": SEALED}))
    found = look(tmp_path)
    assert len(found.facts.bags) == 3
    assert (found.facts.bags_passed_over.count, found.doubtful) == (2, {FindingCode.BAG_NOT_CHECKED})
    assert "2 bags are not looked into" in found.sentences


# -- encryption -----------------------------------------------------------------------------------


def test_the_files_of_a_bag_about_its_payload_are_plain_by_their_nature(tmp_path: Path, place: str) -> None:
    found = seen(tmp_path, bag({"north.age": SEALED}), place, sniff=True)
    assert [fact.path for fact in found.facts.secrecy] == [f"{named(place)}/data/north.age"]
    assert found.valid


def test_its_payload_and_other_tag_files_are_not(tmp_path: Path, place: str) -> None:
    made = bag({"north.age": SEALED, "diary.txt": b"nobody sealed this\n" * 99})
    made["notes.txt"] = b"nor this\n" * 99
    found = seen(tmp_path, retagged(made), place, sniff=True)
    assert found.blocking == {FindingCode.NOT_ENCRYPTED}
    for path in ("data/diary.txt", "notes.txt"):
        assert f"{named(place)}/{path} is not encrypted" in found.sentences


# -- bounds ---------------------------------------------------------------------------------------


def test_a_manifest_that_is_too_long_goes_to_a_person(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = bag(PAYLOAD)
    monkeypatch.setattr(module, "MANIFEST_BYTES_MAX", len(made[MANIFEST]) - 1)
    found = seen(tmp_path, made)
    assert found.doubtful == {FindingCode.BAG_NOT_CHECKED}
    assert "it is longer than what is read of it" in found.sentences


def test_all_manifests_of_a_drive_have_a_bound_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "DRIVE_BYTES_MAX", len(bag(PAYLOAD)[MANIFEST]) + 10)
    assert seen(tmp_path, bag(PAYLOAD)).doubtful == {FindingCode.BAG_NOT_CHECKED}


def test_so_have_their_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "DRIVE_LINES_MAX", 100)
    made = bag(PAYLOAD)
    assert seen(tmp_path, made).valid
    found = seen(tmp_path, retagged({**made, MANIFEST: b"\n" * 100 + made[MANIFEST]}))
    assert found.doubtful == {FindingCode.BAG_NOT_CHECKED}


def test_more_manifests_than_are_taken_account_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MANIFESTS_MAX", 1)
    found = seen(tmp_path, bag(PAYLOAD, algorithms=BOTH))
    assert found.doubtful == {FindingCode.BAG_NOT_CHECKED}


def test_a_line_without_end(tmp_path: Path) -> None:
    made = bag(PAYLOAD)
    found = seen(tmp_path, retagged({**made, MANIFEST: made[MANIFEST] + b"a" * 5_000_000}))
    assert found.blocking == {FindingCode.BAG_BROKEN}


def test_a_large_manifest_stays_out_of_memory(tmp_path: Path) -> None:
    """Not a line of it is kept: 30,000 of them, in the memory of two batches and a block."""
    many = 30_000
    lines = (f"{number:0128x}  data/{number:040d}\n" for number in range(many))
    made = {"bagit.txt": DECLARED, MANIFEST: "".join(lines).encode(), "data/": b""}
    write(tmp_path / "volume-1", made)
    (tmp_path / "journal").mkdir()
    journal = open_journal(tmp_path / "journal")
    manifest = journal.manifest(LoadId("load-1"))
    manifest.begin_survey()
    for at in range(0, many, 1000):
        manifest.add(
            [FileEntry("volume-1", b"data/%040d" % number, 1, 0, 0) for number in range(at, at + 1000)]
        )
    fd = os.open(tmp_path / "volume-1", os.O_RDONLY)
    tracemalloc.start()
    try:
        found = module.Bags(manifest, Algorithms(), Going(), lambda: None)
        found.found(FakeVolume(VolumeFacts(name="volume-1", file_system="ext4"), fd), b"")
        (fact,) = found.facts()
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        os.close(fd)
        journal.close()
    assert (fact.missing.count, fact.unlisted.count, fact.problems.count) == (0, 0, 0)
    assert peak < 8 << 20, peak
