"""What every manifest has to do, run over the journal and over the fake that other tests use."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingestd.core.found import Ledger
from ingestd.core.model import LoadId
from ingestd.journal import expected as journal_expected
from ingestd.ports import (
    Cancelled,
    Expectation,
    FileEntry,
    LeftFile,
    Manifest,
    PartRecord,
    Said,
    StationFull,
    StoredFile,
    SurveyDifferences,
    Unmet,
)
from tests.support.fake_manifest import FakeManifest
from tests.support.journals import entry, expected, open_journal

A, B, C = b"a" * 32, b"b" * 32, b"c" * 32
NOTHING = SurveyDifferences(gone=(), changed=(), count=0)


def fake(folder: Path) -> Iterator[Manifest]:
    yield FakeManifest()


def in_journal(folder: Path) -> Iterator[Manifest]:
    journal = open_journal(folder)
    yield journal.manifest(LoadId("load-1"))
    journal.close()


@pytest.fixture(params=[in_journal, fake], ids=["journal", "fake"])
def manifest(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manifest]:
    make: Callable[[Path], Iterator[Manifest]] = request.param
    yield from make(tmp_path)


def survey(manifest: Manifest, *entries: FileEntry) -> SurveyDifferences:
    manifest.begin_survey()
    manifest.add(entries)
    return manifest.end_survey()


def numbered(manifest: Manifest) -> dict[bytes, int]:
    return {file.path: file.file_no for file in manifest.pending(-1, 100)}


def store(manifest: Manifest, *names: str, sha256: bytes = A) -> None:
    numbers = numbered(manifest)
    manifest.record_stored([(numbers[name.encode()], sha256, b"in/" + name.encode()) for name in names])


def stored_names(manifest: Manifest) -> list[bytes]:
    return [file.path for file in manifest.stored(-1, 100)]


# -- survey ---------------------------------------------------------------------------------------


def test_a_new_manifest_is_empty(manifest: Manifest) -> None:
    assert manifest.ledger() == Ledger()
    assert (manifest.pending(-1, 10), manifest.stored(-1, 10), manifest.uploads()) == ([], [], [])
    assert manifest.left(-1, 10) == []
    assert survey(manifest) == NOTHING


def test_files_are_numbered_as_they_are_added_and_come_back_whole(manifest: Manifest) -> None:
    strange = FileEntry(
        volume="volume-2",
        path=b"scans/\xff\n\\ \xc3\xa9.tif",
        size_bytes=0,
        mtime_ns=-1,
        inode=1 << 63,
    )
    assert survey(manifest, entry("z.gpg"), strange, entry("a.gpg")) == NOTHING
    first, second, third = manifest.pending(-1, 10)
    assert first.file_no < second.file_no < third.file_no
    assert [f.path for f in (first, second, third)] == [b"z.gpg", strange.path, b"a.gpg"]
    assert (second.volume, second.size_bytes, second.mtime_ns, second.inode) == ("volume-2", 0, -1, 1 << 63)
    assert second.expected == ()
    assert (second.upload_token, second.part_bytes) == (None, None)
    assert manifest.file(second.file_no) == second
    assert manifest.pending(-1, 2) == [first, second]
    assert manifest.pending(first.file_no, 10) == [second, third]
    assert manifest.pending(third.file_no, 10) == []


def test_files_come_in_the_order_of_their_places_and_then_of_the_survey(manifest: Manifest) -> None:
    places = {"a": 30, "b": 10, "c": (1 << 63) - 1, "d": 10, "e": 0}
    survey(manifest, *(entry(name, place=place) for name, place in places.items()))
    order = [b"e", b"b", b"d", b"a", b"c"]
    after, seen = -1, list[bytes]()
    while rows := manifest.pending(after, 2):
        seen += [row.path for row in rows]
        after = rows[-1].file_no
    assert seen == order
    store(manifest, "b", "a")
    assert [row.path for row in manifest.pending(-1, 9)] == [b"e", b"d", b"c"]
    survey(manifest, *(entry(name, place=9 - number) for number, name in enumerate("abcde")))
    assert [row.path for row in manifest.pending(-1, 9)] == [b"e", b"d", b"c"]
    survey(manifest, *(entry(name, place=number) for number, name in enumerate("abcde")))
    assert [row.path for row in manifest.pending(-1, 9)] == [b"c", b"d", b"e"]


def test_the_same_path_in_two_volumes_is_two_files(manifest: Manifest) -> None:
    survey(manifest, entry("a.gpg"), entry("a.gpg", volume="volume-2"))
    assert manifest.ledger().discovered_files == 2


def test_skipped_files_are_counted_and_not_pending(manifest: Manifest) -> None:
    survey(manifest, entry("a.gpg", size_bytes=10), entry("b.txt", size_bytes=5, skip="not-announced"))
    assert [f.path for f in manifest.pending(-1, 10)] == [b"a.gpg"]
    assert manifest.ledger() == Ledger(
        discovered_bytes=15,
        pending_bytes=10,
        skipped_bytes=5,
        discovered_files=2,
        pending_files=1,
        skipped_files=1,
    )


def test_what_is_as_it_was_keeps_state_and_number(manifest: Manifest) -> None:
    names = ("stored", "failed", "begun", "pending")
    survey(manifest, *map(entry, names))
    numbers = numbered(manifest)
    store(manifest, "stored")
    manifest.record_failed(numbers[b"failed"], "unreadable")
    manifest.record_upload(numbers[b"begun"], "token", 50)
    manifest.record_parts([PartRecord(numbers[b"begun"], 1, B)])

    assert survey(manifest, *(entry(name, inode=99) for name in reversed(names))) == NOTHING
    ledger = manifest.ledger()
    assert (ledger.stored_files, ledger.pending_files, ledger.arrived_bytes) == (1, 3, 50)
    assert manifest.stored(-1, 10) == [
        StoredFile(numbers[b"stored"], "volume-1", b"stored", 106, A, b"in/stored")
    ]
    assert numbered(manifest) == {name: no for name, no in numbers.items() if name != b"stored"}
    assert manifest.parts(numbers[b"begun"]) == {1: B}
    assert manifest.file(numbers[b"stored"]).inode == 99, "another station may number inodes differently"


@pytest.mark.parametrize("change", [{"size_bytes": 1}, {"mtime_ns": 1}])
def test_what_is_different_begins_anew(manifest: Manifest, change: dict[str, Any]) -> None:
    names = ("stored", "failed", "begun")
    survey(manifest, *map(entry, names))
    numbers = numbered(manifest)
    store(manifest, "stored")
    manifest.record_failed(numbers[b"failed"], "unreadable")
    manifest.record_upload(numbers[b"begun"], "token", 50)
    manifest.record_parts([PartRecord(numbers[b"begun"], 1, B)])

    differences = survey(manifest, *(entry(name, **change) for name in names))
    assert differences == SurveyDifferences(gone=(), changed=(b"stored",), count=1)
    assert numbered(manifest) == numbers
    assert manifest.ledger().pending_files == 3
    assert manifest.uploads() == []
    assert manifest.parts(numbers[b"begun"]) == {}


def test_a_stored_file_that_changed_is_told_until_it_is_stored_again(manifest: Manifest) -> None:
    survey(manifest, entry("a"))
    store(manifest, "a")
    changed = SurveyDifferences(gone=(), changed=(b"a",), count=1)
    assert survey(manifest, entry("a", mtime_ns=2)) == changed
    assert survey(manifest, entry("a", mtime_ns=2)) == changed, "a second observation has to agree"
    store(manifest, "a", sha256=B)
    assert survey(manifest, entry("a", mtime_ns=2)) == NOTHING


def test_stored_files_that_are_gone_are_told_and_kept_and_others_dropped(manifest: Manifest) -> None:
    survey(
        manifest, *map(entry, ("stored", "failed", "begun", "pending", "kept")), entry("skipped", skip="x")
    )
    numbers = numbered(manifest)
    store(manifest, "stored")
    manifest.record_failed(numbers[b"failed"], "unreadable")
    manifest.record_upload(numbers[b"begun"], "token", 50)
    manifest.record_parts([PartRecord(numbers[b"begun"], 1, B)])

    gone = SurveyDifferences(gone=(b"stored",), changed=(), count=1)
    assert survey(manifest, entry("kept")) == gone
    assert survey(manifest, entry("kept")) == gone
    assert stored_names(manifest) == [b"stored"]
    assert numbered(manifest) == {b"kept": numbers[b"kept"]}
    assert manifest.uploads() == []
    assert manifest.ledger().discovered_files == 2
    with pytest.raises(KeyError):
        manifest.file(numbers[b"begun"])
    survey(manifest, entry("kept"), entry("begun"))
    assert numbered(manifest)[b"begun"] > max(numbers.values()), "numbers are never given out twice"


def test_differences_are_counted_in_full_and_listed_in_part(manifest: Manifest) -> None:
    names = [f"{n:03d}" for n in range(60)]
    survey(manifest, *map(entry, names))
    store(manifest, *names)
    differences = survey(manifest, *(entry(name, size_bytes=1) for name in names[:25]))
    assert differences.count == 60
    assert differences.changed == tuple(name.encode() for name in names[:20])
    assert differences.gone == tuple(name.encode() for name in names[25:45])


def test_a_survey_that_was_broken_off_is_simply_begun_again(manifest: Manifest) -> None:
    survey(manifest, entry("stored"), entry("pending"))
    store(manifest, "stored")
    manifest.begin_survey()
    manifest.add([entry("stored", mtime_ns=5), entry("new")])
    differences = survey(manifest, entry("stored", mtime_ns=5), entry("pending"))
    assert differences == SurveyDifferences(gone=(), changed=(b"stored",), count=1)
    assert set(numbered(manifest)) == {b"stored", b"pending"}


def test_of_a_path_that_was_found_twice_the_first_stays(manifest: Manifest) -> None:
    for _ in range(2):
        manifest.begin_survey()
        manifest.add([entry("a", size_bytes=1), entry("b"), entry("a", volume="volume-2")])
        manifest.add([entry("c"), entry("a", size_bytes=1)])
        assert manifest.end_survey(repeated=True) == NOTHING
        assert [file.file_no for file in manifest.pending(-1, 100)] == [0, 1, 2, 3]
        assert manifest.ledger().discovered_files == 4


def test_a_survey_that_finds_no_files_at_all(manifest: Manifest) -> None:
    for _ in range(2):
        manifest.begin_survey()
        manifest.add([])
        assert manifest.end_survey() == NOTHING
    assert manifest.expect([expected("a", A, "list")]) == Unmet([b"a"], [])


def test_places_are_those_of_the_last_survey(manifest: Manifest) -> None:
    survey(manifest, *(entry(name, place=place) for name, place in zip("abc", (0, 0, 0), strict=True)))
    assert list(numbered(manifest)) == [b"a", b"b", b"c"]
    survey(manifest, *(entry(name, place=place) for name, place in zip("abcd", (3, 0, 2, 1), strict=True)))
    assert list(numbered(manifest)) == [b"b", b"d", b"c", b"a"]
    number = numbered(manifest)[b"d"]
    assert [file.path for file in manifest.pending(number, 100)] == [b"c", b"a"]
    survey(manifest, *(entry(name) for name in "acd"))
    assert list(numbered(manifest)) == [b"a", b"c", b"d"]
    store(manifest, "a")
    survey(manifest, *(entry(name, place=9) for name in "acd"))
    manifest.record_pending([0])
    assert list(numbered(manifest)) == [b"a", b"c", b"d"]


def test_what_is_to_be_skipped_may_change_unless_it_is_stored(manifest: Manifest) -> None:
    survey(manifest, entry("stored"), entry("a"), entry("b", skip="not-announced"), entry("c", skip="x"))
    store(manifest, "stored")
    number = numbered(manifest)[b"a"]
    manifest.record_upload(number, "token", 50)
    again = (entry("stored", skip="x"), entry("a", skip="x"), entry("b"), entry("c", skip="y"))
    assert survey(manifest, *again) == NOTHING
    assert stored_names(manifest) == [b"stored"]
    assert set(numbered(manifest)) == {b"b"}
    assert manifest.uploads() == []
    ledger = manifest.ledger()
    assert (ledger.stored_files, ledger.skipped_files, ledger.pending_files) == (1, 2, 1)


# -- expected checksums ---------------------------------------------------------------------------


def expectations(manifest: Manifest, name: str) -> tuple[Said, ...]:
    return manifest.file(numbered(manifest)[name.encode()]).expected


def test_everything_that_is_said_is_kept_and_the_notice_comes_first(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("b"))
    md5 = Said("md5", bytes(16), "volume-1/MD5SUMS")
    sha256, noticed = Said("sha256", A, "volume-1/SHA256SUMS"), Said("sha256", B, "notice")
    for said in (sha256, md5, noticed):
        assert manifest.expect([Expectation("volume-1", b"a", said)]) == Unmet([], [])
    assert expectations(manifest, "a") == (noticed, md5, sha256)
    assert expectations(manifest, "b") == ()
    assert [file.expected for file in manifest.pending(-1, 9)] == [(noticed, md5, sha256), ()]


def test_the_first_to_say_it_counts_and_a_third_digest_says_nothing_new(manifest: Manifest) -> None:
    survey(manifest, entry("a"))
    manifest.expect([expected("a", A, "notice"), expected("a", A, "list"), expected("a", B, "list")])
    manifest.expect([expected("a", C, "list"), expected("a", C, "list")])
    assert expectations(manifest, "a") == (Said("sha256", A, "notice"), Said("sha256", B, "list"))


def test_paths_that_no_file_has_are_named(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("skipped", skip="x"))
    rows = [
        expected("missing", A, "list"),
        expected("a", A, "list"),
        expected("a", A, "list", volume="volume-2"),
        expected("skipped", A, "list"),
    ]
    assert manifest.expect(rows) == Unmet([b"missing", b"a"], [])


def test_expectations_are_those_of_the_last_survey(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("gone"))
    store(manifest, "gone")
    manifest.expect([expected("a", A, "volume-1/SHA256SUMS"), expected("a", B, "list")])
    manifest.begin_survey()
    manifest.add([entry("a")])
    manifest.expect([expected("a", B, "other list")])
    manifest.end_survey()
    assert expectations(manifest, "a") == (Said("sha256", B, "other list"),)
    assert manifest.expect([expected("gone", A, "list")]) == Unmet([b"gone"], [])


# -- bags -----------------------------------------------------------------------------------------


def test_what_a_bag_lists_and_what_not(manifest: Manifest) -> None:
    manifest.begin_survey()
    names = ("bag/data/a", "bag/data/b/c", "bag/data0", "bag/data", "other")
    manifest.add([entry(name, size_bytes=10) for name in names])
    manifest.add([entry("bag/data/a", volume="volume-2")])
    assert manifest.sum_below("volume-1", b"bag/data") == (2, 20)
    assert manifest.sum_below("volume-1", b"nothing") == (0, 0)
    assert manifest.unlisted("volume-1", b"bag/data", 1, 9) == (2, [b"bag/data/a", b"bag/data/b/c"])
    assert manifest.unlisted("volume-1", b"bag/data", 1, 1) == (2, [b"bag/data/a"])
    rows = [expected("bag/data/a", A, "m"), expected("bag/data/b/c", A, "m")]
    assert manifest.expect(rows, 1) == Unmet([], [])
    assert manifest.unlisted("volume-1", b"bag/data", 1, 9) == (0, [])
    assert manifest.expect([*rows[:1], expected("bag/data/x", A, "m")], 2) == Unmet([b"bag/data/x"], [])
    assert manifest.unlisted("volume-1", b"bag/data", 3, 9) == (1, [b"bag/data/b/c"])
    assert manifest.unlisted("volume-1", b"bag/data", 3, 9, by_any=True) == (0, [])
    assert manifest.unlisted("volume-1", b"bag/data", 4, 9, by_any=True)[0] == 2
    assert manifest.expect([rows[0], rows[1], rows[1]], 2) == Unmet([], [b"bag/data/a", b"bag/data/b/c"])
    manifest.end_survey()


def test_what_is_asked_before_a_step_may_break_a_survey_off(manifest: Manifest) -> None:
    """And the next survey goes on from what there is."""
    asked = 0

    def ask() -> None:
        nonlocal asked
        asked += 1
        if asked > 1:
            raise StationFull("no room")

    manifest.begin_survey(ask)
    manifest.add([entry("a")])
    with pytest.raises(StationFull):
        manifest.add([entry("b")])
    with pytest.raises(StationFull):
        manifest.expect([expected("a", A, "m")])
    manifest.begin_survey()
    manifest.add([entry("b"), entry("c"), entry("a")])
    assert manifest.expect([expected("a", A, "m")]) == Unmet([], [])
    manifest.end_survey()
    assert sorted(file.path for file in manifest.pending(-1, 9)) == [b"a", b"b", b"c"]


def test_a_bag_of_more_files_than_are_looked_at_in_one_go(
    manifest: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal_expected, "_WINDOW_ROWS", 3)
    for _ in range(2):
        manifest.begin_survey()
        manifest.add([entry(f"bag/data/{n}") for n in range(12)])
    manifest.begin_survey()
    manifest.add([entry(f"bag/data/{n}", size_bytes=10) for n in range(8)])
    manifest.expect([expected("bag/data/0", A, "m"), expected("bag/data/4", A, "m")], 1)
    assert manifest.sum_below("volume-1", b"bag/data") == (8, 80)
    paths = [b"bag/data/%d" % n for n in (1, 2, 3, 5, 6, 7)]
    assert manifest.unlisted("volume-1", b"bag/data", 1, 9) == (6, paths)
    assert manifest.unlisted("volume-1", b"bag/data", 1, 4) == (6, paths[:4])
    assert manifest.unlisted("volume-1", b"bag/data", 1, 9, by_any=True) == (6, paths)


def test_what_a_bag_lists_is_that_of_the_running_survey(manifest: Manifest) -> None:
    for _ in range(2):
        manifest.begin_survey()
        manifest.add([entry("data/a")])
        assert manifest.expect([expected("data/a", A, "m")], 1) == Unmet([], [])
    manifest.begin_survey()
    assert manifest.sum_below("volume-1", b"data") == (0, 0)
    assert manifest.unlisted("volume-1", b"data", 1, 9) == (0, [])


def test_sizes_whose_sum_is_beyond_63_bits(manifest: Manifest) -> None:
    survey(manifest, *(entry(f"data/{n}", size_bytes=(1 << 63) - 1) for n in range(3)))
    assert manifest.sum_below("volume-1", b"data") == (3, 3 * ((1 << 63) - 1))


# -- uploads and parts ----------------------------------------------------------------------------


def test_an_upload_and_its_parts_are_found_again(manifest: Manifest) -> None:
    survey(manifest, entry("a", size_bytes=120), entry("b"))
    number = numbered(manifest)[b"a"]
    manifest.record_upload(number, "token", 50)
    manifest.record_parts([PartRecord(number, 3, C), PartRecord(number, 1, A)])
    manifest.record_parts([PartRecord(number, 1, B)])
    assert manifest.parts(number) == {1: B, 3: C}
    assert list(manifest.uploads()) == [(number, "token")]
    file = manifest.file(number)
    assert (file.upload_token, file.part_bytes) == ("token", 50)
    assert manifest.pending(-1, 1) == [file]
    manifest.record_upload(number, "token", 50)
    assert manifest.parts(number) == {1: B, 3: C}, "the same upload again keeps its parts"


@pytest.mark.parametrize(("token", "part_bytes"), [("another", 50), ("token", 60)])
def test_parts_never_pass_to_another_upload(manifest: Manifest, token: str, part_bytes: int) -> None:
    survey(manifest, entry("a"))
    number = numbered(manifest)[b"a"]
    manifest.record_upload(number, "token", 50)
    manifest.record_parts([PartRecord(number, 1, A)])
    manifest.record_upload(number, token, part_bytes)
    assert manifest.parts(number) == {}
    assert list(manifest.uploads()) == [(number, token)]


def test_a_part_of_a_file_that_was_given_up_is_passed_over(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("b"))
    a, b = numbered(manifest).values()
    manifest.record_upload(b, "token", 50)
    manifest.record_parts([PartRecord(a, 1, A), PartRecord(b, 1, B)])
    assert (manifest.parts(a), manifest.parts(b)) == ({}, {1: B})


# -- what may be left in the store ----------------------------------------------------------------


def test_what_was_about_to_be_stored_is_known_until_it_is(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("b"), entry("c"))
    a, b, c = numbered(manifest).values()
    manifest.record_attempt([(a, A, b"in/a"), (b, A, b"in/b")])
    manifest.record_attempt([(b, B, b"in/b")])
    assert manifest.left(-1, 10) == [
        LeftFile(a, A, b"in/a", pending=True),
        LeftFile(b, B, b"in/b", pending=True),
    ]
    assert manifest.left(a, 1) == manifest.left(-1, 10)[1:]
    assert (manifest.file(b).left_sha256, manifest.file(b).left_key) == (B, b"in/b")
    assert manifest.file(c).left_sha256 is None
    manifest.record_stored([(a, A, b"in/a")])
    manifest.forget_left([a, b, c])
    assert manifest.left(-1, 10) == []
    assert stored_names(manifest) == [b"a"], "what is stored is not forgotten"


@pytest.mark.parametrize("again", [{"mtime_ns": 2}, {"size_bytes": 9, "skip": "not-announced"}])
def test_of_a_stored_file_that_changed_the_old_object_is_known(
    manifest: Manifest, again: dict[str, Any]
) -> None:
    survey(manifest, entry("a"))
    number = numbered(manifest)[b"a"]
    store(manifest, "a")
    survey(manifest, entry("a", **again))
    assert manifest.left(-1, 10) == [LeftFile(number, A, b"in/a", pending="skip" not in again)]
    ledger = manifest.ledger()
    assert (ledger.stored_files, ledger.discovered_files) == (0, 1)
    survey(manifest)
    assert manifest.left(-1, 10) == [LeftFile(number, A, b"in/a", pending=False)]
    assert manifest.ledger() == Ledger(), "a file that is gone counts no more"
    survey(manifest, entry("a"))
    assert numbered(manifest) == {b"a": number}
    assert manifest.left(-1, 10) == [LeftFile(number, A, b"in/a", pending=True)]
    survey(manifest)
    manifest.record_pending([number])
    assert manifest.ledger() == Ledger()
    manifest.forget_left([number])
    assert manifest.left(-1, 10) == []


def test_what_others_had_stored_is_never_told_as_left(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("b"))
    a, b = numbered(manifest).values()
    manifest.record_stored([(a, A, b"in/a"), (b, A, b"in/b")], found={a})
    assert [(row.file_no, row.found) for row in manifest.stored(-1, 10)] == [(a, True), (b, False)]
    survey(manifest, entry("a", mtime_ns=2), entry("b", mtime_ns=2))
    assert [row.file_no for row in manifest.left(-1, 10)] == [b]
    assert manifest.file(a).left_sha256 is None
    manifest.record_attempt([(a, A, b"in/a")])
    assert [row.file_no for row in manifest.left(-1, 10)] == [b], "the same content is still theirs"
    manifest.record_attempt([(a, B, b"in/a")])
    assert [row.file_no for row in manifest.left(-1, 10)] == [a, b]


def test_a_stored_file_is_pending_again_when_it_should_have_another_checksum(manifest: Manifest) -> None:
    survey(manifest, entry("a"), entry("b"), entry("c"), entry("gone"))
    numbers = numbered(manifest)
    store(manifest, "a", "b", "c", "gone")
    manifest.begin_survey()
    manifest.add([entry("a"), entry("b"), entry("c")])
    manifest.expect([expected("a", A, "notice"), expected("b", B, "notice")])
    assert manifest.end_survey() == SurveyDifferences(gone=(b"gone",), changed=(), count=1)
    assert numbered(manifest) == {b"b": numbers[b"b"]}
    assert [row.file_no for row in manifest.left(-1, 10)] == [numbers[b"b"]]


def test_a_stored_file_that_was_not_held_against_what_is_said_of_it_is_pending_again(
    manifest: Manifest,
) -> None:
    md5, sha512 = (Said(name, bytes(16), "list") for name in ("md5", "sha512"))

    def look(*said: Said) -> list[bytes]:
        manifest.begin_survey()
        manifest.add([entry("a"), entry("b")])
        manifest.expect([Expectation("volume-1", b"a", each) for each in said])
        manifest.end_survey()
        return list(numbered(manifest))

    assert look(md5) == [b"a", b"b"]
    store(manifest, "a", "b")
    assert look(md5) == look() == []
    assert look(md5) == [b"a"], "it had been forgotten that it was"
    store(manifest, "a")
    assert look(md5._replace(by="another list")) == []
    assert look(md5, sha512) == [b"a"]


# -- who may write --------------------------------------------------------------------------------


def test_an_earlier_attempt_does_not_claim_what_a_later_one_has(manifest: Manifest) -> None:
    manifest.claim(4)
    manifest.claim(4)
    manifest.claim(5)
    with pytest.raises(Cancelled):
        manifest.claim(4)
    manifest.require_claim()


# -- states ---------------------------------------------------------------------------------------


def test_stored_files_leave_their_uploads_behind(manifest: Manifest) -> None:
    survey(manifest, entry("a", size_bytes=7), entry("b", size_bytes=5))
    number = numbered(manifest)[b"a"]
    manifest.record_upload(number, "token", 50)
    manifest.record_parts([PartRecord(number, 1, A)])
    manifest.record_stored([(number, B, b"prefix/a")])
    assert manifest.stored(-1, 10) == [StoredFile(number, "volume-1", b"a", 7, B, b"prefix/a")]
    assert manifest.stored(number, 10) == []
    assert (list(manifest.uploads()), manifest.parts(number)) == ([], {})
    assert manifest.ledger() == Ledger(
        discovered_bytes=12,
        stored_bytes=7,
        pending_bytes=5,
        discovered_files=2,
        stored_files=1,
        pending_files=1,
    )


def test_bytes_of_parts_have_arrived_until_the_file_is_whole(manifest: Manifest) -> None:
    survey(manifest, entry("a", size_bytes=120), entry("b", size_bytes=100), entry("c", size_bytes=7))
    a, b, c = (file.file_no for file in manifest.pending(-1, 10))
    for number in (a, b, c):
        manifest.record_upload(number, "token", 50)
    manifest.record_parts([PartRecord(a, 1, A), PartRecord(a, 3, A)])
    manifest.record_parts([PartRecord(b, 2, A), PartRecord(c, 1, A)])
    assert manifest.ledger().arrived_bytes == 50 + 20 + 50 + 7
    manifest.record_stored([(a, A, b"a")])
    manifest.record_failed(c, "unreadable")
    assert manifest.ledger() == Ledger(
        discovered_bytes=227,
        stored_bytes=120,
        pending_bytes=100,
        failed_bytes=7,
        discovered_files=3,
        stored_files=1,
        pending_files=1,
        failed_files=1,
        arrived_bytes=50,
    )


def test_stored_files_come_in_pages(manifest: Manifest) -> None:
    names = [f"{n}" for n in range(5)]
    survey(manifest, *map(entry, names))
    store(manifest, *names)
    first = manifest.stored(-1, 2)
    rest = manifest.stored(first[-1].file_no, 10)
    assert [f.path.decode() for f in [*first, *rest]] == names


def test_a_failed_file_keeps_its_upload_to_be_aborted(manifest: Manifest) -> None:
    survey(manifest, entry("a", size_bytes=7))
    number = numbered(manifest)[b"a"]
    manifest.record_upload(number, "token", 50)
    manifest.record_failed(number, "unreadable")
    assert manifest.pending(-1, 10) == []
    assert list(manifest.uploads()) == [(number, "token")]
    assert manifest.ledger() == Ledger(discovered_bytes=7, failed_bytes=7, discovered_files=1, failed_files=1)


@pytest.mark.parametrize("again", [Manifest.begin_survey, Manifest.retry_failed])
def test_a_failed_file_is_read_again_after_an_interruption(
    manifest: Manifest, again: Callable[[Manifest], None]
) -> None:
    survey(manifest, entry("a"))
    number = numbered(manifest)[b"a"]
    manifest.record_failed(number, "unreadable")
    getattr(manifest, again.__name__)()
    assert numbered(manifest) == {b"a": number}


@pytest.mark.parametrize("places", [(2, 1), (0, 0)])
def test_a_file_that_a_pass_has_left_out_has_its_turn_in_the_next(
    manifest: Manifest, places: tuple[int, int]
) -> None:
    """A pass that breaks off has told nobody of it yet."""
    survey(manifest, entry("a", place=places[0]), entry("b", place=places[1]), entry("c", skip="x"))
    before = [file.path for file in manifest.pending(-1, 10)]
    manifest.record_left_out(numbered(manifest)[b"b"])
    assert numbered(manifest).keys() == {b"a"}
    manifest.retry_failed()
    assert [file.path for file in manifest.pending(-1, 10)] == before
    assert (manifest.ledger().skipped_files, manifest.ledger().pending_files) == (1, 2)


def test_a_file_that_is_left_out_has_no_turn_until_a_survey_comes_upon_it(manifest: Manifest) -> None:
    survey(manifest, entry("a", size_bytes=7, place=2), entry("b", size_bytes=9, place=1))
    numbers = numbered(manifest)
    manifest.record_left_out(numbers[b"b"])
    assert numbered(manifest) == {b"a": numbers[b"a"]}
    assert manifest.ledger() == Ledger(
        discovered_bytes=16,
        pending_bytes=7,
        skipped_bytes=9,
        discovered_files=2,
        pending_files=1,
        skipped_files=1,
    )
    assert survey(manifest, entry("a", size_bytes=7, place=2), entry("b", size_bytes=9, place=1)) == NOTHING
    assert [file.path for file in manifest.pending(-1, 10)] == [b"b", b"a"]


def test_pending_again_means_never_begun(manifest: Manifest) -> None:
    survey(manifest, *map(entry, ("stored", "failed", "begun")), entry("skipped", skip="x"))
    numbers = numbered(manifest)
    store(manifest, "stored")
    manifest.record_failed(numbers[b"failed"], "unreadable")
    manifest.record_upload(numbers[b"begun"], "token", 50)
    manifest.record_parts([PartRecord(numbers[b"begun"], 1, A)])
    manifest.record_pending([*numbers.values(), max(numbers.values()) + 1])
    assert numbered(manifest) == numbers
    assert (manifest.stored(-1, 10), list(manifest.uploads())) == ([], [])
    assert manifest.parts(numbers[b"begun"]) == {}
    assert manifest.ledger().skipped_files == 1, "what is not to be loaded stays so"
    assert survey(manifest, *map(entry, ("stored", "failed", "begun"))) == NOTHING


def test_a_number_that_no_file_has_is_an_error_and_nothing_of_the_call_is_kept(manifest: Manifest) -> None:
    survey(manifest, entry("a"))
    number = numbered(manifest)[b"a"]
    with pytest.raises(KeyError):
        manifest.record_stored([(number, A, b"a"), (number + 1, A, b"b")])
    with pytest.raises(KeyError):
        manifest.record_upload(number + 1, "token", 50)
    with pytest.raises(KeyError):
        manifest.record_failed(number + 1, "unreadable")
    with pytest.raises(KeyError):
        manifest.record_left_out(number + 1)
    with pytest.raises(KeyError):
        manifest.file(number + 1)
    assert numbered(manifest) == {b"a": number}
    store(manifest, "a")
    assert stored_names(manifest) == [b"a"], "the manifest works on"
