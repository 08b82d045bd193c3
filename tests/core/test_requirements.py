"""What a drive must meet, and in which words it does not."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

import pytest

from ingestd.core import requirements
from ingestd.core.catalogue import CATALOGUE, may_be_changed, severity_of
from ingestd.core.drive import Health, HealthCounter, HealthFacts, Link, VolumeFacts, VolumeFlaw
from ingestd.core.found import (
    BagFact,
    ByteRange,
    ChecksumListFact,
    Evidence,
    FaultKind,
    FileFault,
    Finding,
    FindingCode,
    ItemFact,
    Presence,
    Samples,
    Secrecy,
    SecrecyFact,
    SurveyFacts,
)
from ingestd.core.job import ExpectedDrive, Job, PolicyChange
from ingestd.core.limits import Limits
from ingestd.core.model import FailureClass, Policy, Severity
from ingestd.core.requirements import Case
from tests.support import values as v

GOOD = VolumeFacts(name="vol-1", file_system="exfat")
BAD = VolumeFacts(name="vol-2", file_system="ext4", problem="it was not unmounted cleanly")
NAME = "reef-north.tar.age"
IN_DOUBT = replace(BAD, flaw=VolumeFlaw.IN_DOUBT, problem="it cannot be mounted, and why is not known")
ONE = Samples(count=1, size_bytes=10, examples=("vol-1/odd",))
MANY = Samples(count=12_345, size_bytes=10, examples=("vol-1/odd", "vol-1/even"))


def judged(facts: SurveyFacts, job: Job | None = None, **changes: object) -> tuple[Finding, ...]:
    case = Case(job=job or v.job(), drive_index=0, drive_size_bytes=4_000, facts=facts)
    return requirements.judge_survey(replace(case, **changes), v.LIMITS)  # type: ignore[arg-type]


def the_one(findings: tuple[Finding, ...]) -> Finding:
    (one,) = findings
    return one


def item(presence: Presence, *near: str, size: int | None = None, **announced: object) -> ItemFact:
    return ItemFact(
        item=v.item(NAME, **announced), presence=presence, volume="vol-1", size_bytes=size, near=near
    )


def of_item(presence: Presence, *near: str, **more: int) -> SurveyFacts:
    announced = {"size_bytes": more["announced"]} if "announced" in more else {}
    return v.survey(items=(item(presence, *near, size=more.get("size"), **announced),))


def secret(secrecy: Secrecy, kind: str) -> SurveyFacts:
    return v.survey(secrecy=(SecrecyFact(path=f"vol-1/{NAME}", secrecy=secrecy, kind=kind),))


def listed(**changes: object) -> SurveyFacts:
    fact = ChecksumListFact(path="vol-1/SHA256SUMS", entries=9)
    return v.survey(checksum_lists=(replace(fact, **changes),))  # type: ignore[arg-type]


def bagged(**changes: object) -> SurveyFacts:
    fact = BagFact(path="vol-1/reef", algorithms=("sha512",))
    return v.survey(bags=(replace(fact, **changes),))  # type: ignore[arg-type]


SURVEYS: Mapping[FindingCode, tuple[SurveyFacts, str]] = {
    FindingCode.NO_READABLE_VOLUME: (
        v.survey(volumes=(BAD,)),
        "The drive holds no volume that can be read: vol-2: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_UNREADABLE: (
        v.survey(volumes=(GOOD, BAD)),
        "vol-2 (ext4) cannot be read: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_NOT_UNMOUNTED: (
        v.survey(volumes=(replace(BAD, flaw=VolumeFlaw.UNCLEAN),)),
        "vol-2 (ext4) cannot be read: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_LOCKED: (
        v.survey(volumes=(replace(BAD, flaw=VolumeFlaw.LOCKED),)),
        "vol-2 (ext4) cannot be read: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_ARRAY_MEMBER: (
        v.survey(volumes=(replace(BAD, flaw=VolumeFlaw.MEMBER),)),
        "vol-2 (ext4) cannot be read: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_NOT_ACCEPTED: (
        v.survey(volumes=(replace(BAD, flaw=VolumeFlaw.NOT_ACCEPTED),)),
        "vol-2 (ext4) cannot be read: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_SPARE: (
        v.survey(volumes=(GOOD, replace(BAD, flaw=VolumeFlaw.SPARE))),
        "vol-2 (ext4) cannot be read: it was not unmounted cleanly.",
    ),
    FindingCode.VOLUME_REPLAYED: (
        v.survey(volumes=(replace(GOOD, replayed=True),)),
        "vol-1 (exfat) was not cleanly unmounted. Its log was replayed onto an overlay, "
        "and it was read with that; the drive itself is as it was.",
    ),
    FindingCode.VOLUME_MARKED_UNCLEAN: (
        v.survey(volumes=(replace(GOOD, marked_unclean=True),)),
        "vol-1 (exfat) bears the mark of a volume that was not cleanly unmounted. "
        "It has no log to replay, and was read as it is.",
    ),
    FindingCode.FOLDER_UNREADABLE: (v.survey(unlistable=ONE), "The folder vol-1/odd cannot be read."),
    FindingCode.DRIVE_CHANGED: (
        v.survey(changed=MANY),
        "12,345 files have changed since the look at the drive before, for example vol-1/odd.",
    ),
    FindingCode.ITEM_MISSING: (
        of_item(Presence.MISSING),
        "reef-north.tar.age was announced and is not on the drive.",
    ),
    FindingCode.ITEM_NAME_DIFFERS: (
        v.survey(items=(replace(item(Presence.FOUND, size=10), called="Reef-North.tar.age"),)),
        "reef-north.tar.age was announced; on the drive is Reef-North.tar.age, a name that differs in case.",
    ),
    FindingCode.ITEM_NOT_IN_ROOT: (
        of_item(Presence.ELSEWHERE, f"vol-1/scans/{NAME}"),
        "reef-north.tar.age is not in the root of a volume; something of that name is there: "
        "vol-1/scans/reef-north.tar.age.",
    ),
    FindingCode.ITEM_WRONG_KIND: (
        of_item(Presence.NOT_THAT_KIND),
        "reef-north.tar.age is there, but it is not a file.",
    ),
    FindingCode.ITEM_WRONG_SIZE: (
        of_item(Presence.FOUND, announced=1_234_567, size=1_234_000),
        "reef-north.tar.age has 1,234,000 bytes; 1,234,567 were announced: it is 567 bytes shorter.",
    ),
    FindingCode.LISTED_FILE_MISSING: (
        listed(missing=("vol-1/a.age", "vol-1/b.age")),
        "The checksum list vol-1/SHA256SUMS names 2 files that are not on the drive, "
        "for example vol-1/a.age.",
    ),
    FindingCode.CHECKSUM_LIST_BROKEN: (
        listed(unreadable_lines=(3, 7)),
        "The checksum list vol-1/SHA256SUMS has lines that cannot be understood, the first being line 3.",
    ),
    FindingCode.BAG_BROKEN: (
        bagged(problems=MANY),
        "The bag vol-1/reef is not as BagIt has it in 12,345 places, for example vol-1/odd.",
    ),
    FindingCode.BAG_INCOMPLETE: (
        bagged(missing=ONE),
        "The bag vol-1/reef lists a file that is not there: vol-1/odd.",
    ),
    FindingCode.BAG_FILE_UNLISTED: (
        bagged(unlisted=MANY),
        "The bag vol-1/reef has 12,345 files in its payload that its manifests do not list, for example "
        "vol-1/odd.",
    ),
    FindingCode.BAG_TO_BE_FETCHED: (
        bagged(to_be_fetched=True),
        "The bag vol-1/reef has a fetch.txt: a part of it lies elsewhere, and nothing is fetched here.",
    ),
    FindingCode.BAG_OXUM_WRONG: (
        bagged(oxum=(5_000, 1), found=(4_000, 2)),
        "The bag vol-1/reef says in its Payload-Oxum that its payload is 1 file of 5,000 bytes; "
        "there are 2 files of 4,000 bytes.",
    ),
    FindingCode.BAG_NAMES_DIFFER: (
        bagged(differing=ONE),
        "The bag vol-1/reef lists a file under a name that differs in case or Unicode form: vol-1/odd.",
    ),
    FindingCode.BAG_NOT_CHECKED: (
        v.survey(bags_passed_over=ONE),
        "1 bag is not looked into, since there are too many on the drive: vol-1/odd.",
    ),
    FindingCode.BAG_NOT_STRICT: (
        bagged(loose=MANY),
        "The bag vol-1/reef is not strictly as RFC 8493 has it in 12,345 places, and is read all the same, "
        "for example vol-1/odd.",
    ),
    FindingCode.BAG_BEYOND_NOTICE: (
        v.survey(beyond_notice=ONE),
        "1 file in the payload of the bag was not announced, and is loaded with it: vol-1/odd.",
    ),
    FindingCode.CHECKSUMS_WEAK: (
        listed(algorithms=("md5", "sha1")),
        "The checksum list vol-1/SHA256SUMS gives MD5 and SHA-1 and nothing stronger. Its files are held "
        "against it, which tells accidents; it is no proof that nobody has exchanged them on purpose.",
    ),
    FindingCode.NOT_ENCRYPTED: (
        secret(Secrecy.PLAIN, "a tar archive"),
        "vol-1/reef-north.tar.age is not encrypted: it is a tar archive.",
    ),
    FindingCode.ENCRYPTION_STATISTICAL: (
        secret(Secrecy.RANDOM_LIKE, "indistinguishable from random"),
        "vol-1/reef-north.tar.age has no known structure; it is indistinguishable from random.",
    ),
    FindingCode.ENCRYPTION_UNCERTAIN: (
        secret(Secrecy.UNKNOWN, "it is too short to tell"),
        "vol-1/reef-north.tar.age may or may not be encrypted: it is too short to tell.",
    ),
    FindingCode.NOTHING_TO_LOAD: (
        v.survey(ledger=v.ledger(skipped=4)),
        "There is nothing on the drive that is to be loaded.",
    ),
    FindingCode.ITEM_EMPTY: (
        of_item(Presence.FOUND, size=0),
        "reef-north.tar.age was announced and is empty.",
    ),
    FindingCode.FILE_EMPTY: (
        v.survey(empty=ONE),
        "1 file has no content: vol-1/odd.",
    ),
    FindingCode.PART_MISSING: (
        v.survey(missing_parts=ONE),
        "1 numbered part of an archive is not among what is to be loaded, though later ones are: vol-1/odd.",
    ),
    FindingCode.MORE_THAN_DRIVE: (
        v.survey(pending=5),
        "The files that are to be loaded have 5,000 bytes together, and the drive has room for 4,000: "
        "some have holes, share their content with others, or are compressed, and each is loaded at its "
        "full size.",
    ),
    FindingCode.UNEXPECTED_ITEM: (
        v.survey(unexpected=MANY),
        "12,345 items were not announced and are not loaded, for example vol-1/odd.",
    ),
    FindingCode.SYMBOLIC_LINK: (
        v.survey(links=ONE),
        "1 symbolic link was not followed and is not stored: vol-1/odd.",
    ),
    FindingCode.SPECIAL_FILE: (
        v.survey(specials=ONE),
        "1 device, socket or pipe is not stored: vol-1/odd.",
    ),
    FindingCode.VOLUME_IN_DOUBT: (
        v.survey(volumes=(IN_DOUBT,)),
        "vol-2 (ext4) cannot be read: it cannot be mounted, and why is not known.",
    ),
    FindingCode.SUBVOLUME: (
        v.survey(subvolumes=ONE),
        "1 folder is a subvolume, which is a file system of its own and is not read: vol-1/odd.",
    ),
    FindingCode.PATH_OUT_OF_BOUNDS: (
        v.survey(out_of_bounds=ONE),
        "1 path is too long or too deep to be carried: vol-1/odd.",
    ),
    FindingCode.RESERVED_NAME: (
        v.survey(reserved=ONE),
        "1 file lies under a name that is reserved for receipts: vol-1/odd.",
    ),
}

FAULTS: Mapping[FindingCode, tuple[FileFault, str]] = {
    FindingCode.FILE_UNREADABLE: (
        v.fault(kind=FaultKind.UNREADABLE),
        "vol-1/reef-north.tar.age cannot be read: 256 of its 1,000 bytes are lost, in 1 place.",
    ),
    FindingCode.FILE_CHANGED: (
        v.fault(kind=FaultKind.CHANGED_WHILE_READ),
        "vol-1/reef-north.tar.age changed while it was read.",
    ),
    FindingCode.FILE_IN_DOUBT: (
        v.fault(kind=FaultKind.NOT_SUPPORTED),
        "vol-1/reef-north.tar.age (1,000 bytes) is not read by this station's driver of its file system: "
        "Operation not supported.",
    ),
    FindingCode.CHECKSUM_MISMATCH: (
        v.fault(kind=FaultKind.CHECKSUM_MISMATCH),
        "The SHA-256 of vol-1/reef-north.tar.age is not the one that the notice gives.",
    ),
    FindingCode.NOT_ENCRYPTED: (
        v.fault(kind=FaultKind.NOT_ENCRYPTED),
        "vol-1/reef-north.tar.age is not encrypted: it is a tar archive.",
    ),
}

SIZED = v.job(drives=(ExpectedDrive(serial=v.SERIAL, size_bytes=5_000),))


OF_A_DRIVE = replace(
    v.survey(),
    interface="usb-2",
    link=Link(mbit_per_second=480, capable_mbit_per_second=5000),
    health=HealthFacts(verdict=Health.SUSPECT, reasons=("pending sectors (197: 16)",), notes=("it is hot",)),
)


def everything() -> Iterator[Finding]:
    """One finding of every code, by whatever brings it forth."""
    for facts, _ in SURVEYS.values():
        yield from judged(facts)
    for fault, _ in FAULTS.values():
        yield from requirements.judge_faults([fault], v.job(), v.LIMITS)
    yield from judged(v.survey(), SIZED)
    yield from requirements.as_noted(judged(SURVEYS[FindingCode.ITEM_MISSING][0]), "Seen in one look only:")
    yield from judged(
        OF_A_DRIVE,
        replace(v.job(), drives=(ExpectedDrive(serial="x", interface="sata"),)),
        interfaces_refused=("usb-2",),
    )
    before = HealthFacts(counters=(HealthCounter(name="pending sectors", attribute="197", value=1),))
    after = HealthFacts(counters=(HealthCounter(name="pending sectors", attribute="197", value=2),))
    yield from requirements.judge_health(before, after, v.job(), v.LIMITS)
    yield requirements.make(FindingCode.DRIVE_UNREADABLE, "drive", "The drive cannot be read: no answer.")


# -- the rules, one by one -------------------------------------------------------------------------


@pytest.mark.parametrize("code", SURVEYS)
def test_a_survey_brings_forth(code: FindingCode) -> None:
    facts, sentence = SURVEYS[code]
    finding = the_one(judged(facts))
    assert (finding.code, finding.sentence) == (code, sentence)
    assert (finding.cause, finding.severity) == (CATALOGUE[code].cause, CATALOGUE[code].severity)


@pytest.mark.parametrize("code", FAULTS)
def test_a_file_at_fault_brings_forth(code: FindingCode) -> None:
    fault, sentence = FAULTS[code]
    finding = the_one(requirements.judge_faults([fault], v.job(), v.LIMITS))
    assert (finding.code, finding.sentence, finding.subject) == (code, sentence, fault.path)
    assert finding.severity is CATALOGUE[code].severity


def test_a_mismatch_names_its_algorithm_and_who_says_otherwise() -> None:
    fault = replace(v.fault(kind=FaultKind.CHECKSUM_MISMATCH), algorithm="blake2b-256", source="vol-1/x.b2")
    finding = the_one(requirements.judge_faults([fault], v.job(), v.LIMITS))
    assert finding.sentence == (
        "The BLAKE2b-256 of vol-1/reef-north.tar.age is not the one that the checksum list vol-1/x.b2 gives."
    )
    assert finding.evidence == (
        Evidence(name="algorithm", value="blake2b-256"),
        Evidence(name="expected", value=fault.expected or ""),
        Evidence(name="found", value=fault.found or ""),
    )


def test_what_a_bag_has_that_was_not_checked_is_told() -> None:
    finding = the_one(judged(bagged(unchecked=ONE)))
    assert finding.sentence == "The bag vol-1/reef has a part that could not be checked: vol-1/odd."
    assert (finding.code, finding.severity) == (FindingCode.BAG_NOT_CHECKED, Severity.DOUBTFUL)


def test_a_bag_with_weak_checksums_alone_is_told() -> None:
    finding = the_one(judged(bagged(algorithms=("md5",))))
    assert finding.code is FindingCode.CHECKSUMS_WEAK
    assert finding.sentence.startswith("The bag vol-1/reef gives MD5 and nothing stronger.")


def test_a_mismatch_with_a_manifest_of_a_bag_names_it() -> None:
    fault = replace(v.fault(kind=FaultKind.CHECKSUM_MISMATCH), source="vol-1/reef/manifest-sha256.txt")
    finding = the_one(requirements.judge_faults([fault], v.job(), v.LIMITS))
    assert finding.sentence.endswith("is not the one that the manifest vol-1/reef/manifest-sha256.txt gives.")


def test_a_good_survey_brings_forth_nothing() -> None:
    assert judged(v.survey()) == ()
    assert judged(listed(algorithms=("md5", "sha256"))) == ()
    assert judged(bagged()) == ()
    assert judged(secret(Secrecy.PROVEN, "age")) == ()
    assert judged(of_item(Presence.FOUND, announced=10, size=10)) == ()
    assert judged(of_item(Presence.FOUND, size=10)) == ()


def test_every_code_can_be_brought_forth() -> None:
    assert {finding.code for finding in everything()} == set(FindingCode)
    assert set(CATALOGUE) == set(FindingCode)


def test_every_finding_can_be_pasted_into_a_letter() -> None:
    for finding in everything():
        assert re.fullmatch(r"\S(.*\S)?\.", finding.sentence), finding
        assert "None" not in finding.sentence
        assert finding.remedy_customer.endswith(".")
        assert finding.remedy_floor.endswith(".")
        assert finding.subject


def test_only_drive_data_and_requirement_are_causes_of_findings() -> None:
    assert all(entry.cause.may_fail_a_job for entry in CATALOGUE.values())


@pytest.mark.parametrize(
    ("facts", "codes"),
    [
        (v.survey(volumes=(BAD,)), ["no-readable-volume"]),
        (of_item(Presence.MISSING), ["item-missing"]),
        (v.survey(), ["nothing-to-load"]),
    ],
)
def test_why_there_is_nothing_to_load_is_said_once(facts: SurveyFacts, codes: list[str]) -> None:
    assert [finding.code for finding in judged(replace(facts, ledger=v.ledger(skipped=2)))] == codes


def test_an_empty_drive_is_not_loaded_for_want_of_another_reason() -> None:
    nothing = replace(of_item(Presence.MISSING), ledger=v.ledger(skipped=2))
    noted = v.job(requirements=changed(FindingCode.ITEM_MISSING, Policy.NOTED))
    assert [f.code for f in requirements.blocking(judged(nothing, noted))] == ["nothing-to-load"]
    elsewhere = judged(nothing, elsewhere=frozenset({NAME}))
    assert [f.code for f in requirements.blocking(elsewhere)] == ["nothing-to-load"]


@pytest.mark.parametrize(
    ("called", "near", "severity"),
    [
        ("Gru\u0308ne.7z", (), Severity.NOTED),
        ("Gru\u0308ne.7z", ("vol-1/trash/x/GR\u00dcNE.7z",), Severity.NOTED),
        ("Gru\u0308ne.7z", ("vol-1/GR\u00dcNE.7z",), Severity.DOUBTFUL),
        ("GR\u00dcNE.7z", (), Severity.DOUBTFUL),
    ],
)
def test_a_name_in_another_normalisation_is_the_announced_one(
    called: str, near: tuple[str, ...], severity: Severity
) -> None:
    fact = ItemFact(
        item=v.item("Gr\u00fcne.7z"),
        presence=Presence.FOUND,
        volume="vol-1",
        size_bytes=9,
        near=near,
        called=called,
    )
    assert the_one(judged(v.survey(items=(fact,)))).severity is severity


def test_a_size_that_is_not_known_contradicts_nothing() -> None:
    assert judged(of_item(Presence.FOUND, announced=10)) == ()


@pytest.mark.parametrize(
    ("size", "words"), [(9, "it is 1 byte shorter"), (12, "it is 2 bytes longer"), (1, "has 1 byte;")]
)
def test_a_wrong_size_says_by_how_much(size: int, words: str) -> None:
    assert words in the_one(judged(of_item(Presence.FOUND, announced=10, size=size))).sentence


def test_oddities_without_an_example_are_told_all_the_same() -> None:
    bare = Samples(count=2)
    assert the_one(judged(v.survey(links=bare))).sentence == (
        "2 symbolic links were not followed and are not stored."
    )
    assert the_one(judged(of_item(Presence.ELSEWHERE))).sentence.endswith("something of that name is there.")


def test_a_drive_of_another_size_than_announced_is_noted() -> None:
    finding = the_one(judged(v.survey(), SIZED))
    assert finding.code is FindingCode.SIZE_NOT_AS_ANNOUNCED
    assert finding.sentence == "The drive has 4,000 bytes; one of 5,000 bytes was announced."
    assert judged(v.survey(), SIZED, drive_size_bytes=None) == ()
    assert judged(v.survey(), SIZED, drive_size_bytes=5_000) == ()


def test_a_volume_that_nobody_needs_does_not_block() -> None:
    facts = v.survey(volumes=(GOOD, BAD), items=v.found(NAME))
    assert the_one(judged(facts)).severity is Severity.NOTED
    needed = v.survey(volumes=(GOOD, BAD), items=v.missing(NAME))
    assert [finding.severity for finding in judged(needed)] == [Severity.BLOCKING, Severity.BLOCKING]


def test_a_drive_without_any_volume_says_so() -> None:
    assert "nothing recognised" in the_one(judged(v.survey(volumes=()))).sentence


def test_a_long_list_of_damage_stays_legible() -> None:
    ranges = tuple(ByteRange(offset_bytes=at * 4096, length_bytes=512) for at in range(5_000))
    fault = replace(v.fault(kind=FaultKind.UNREADABLE), ranges=ranges, size_bytes=30_000_000)
    finding = the_one(requirements.judge_faults([fault], v.job(), v.LIMITS))
    assert "2,560,000 of its 30,000,000 bytes are lost, in 5,000 places." in finding.sentence
    assert len(finding.evidence[0].value) == 100  # type: ignore[arg-type]


def test_bytes_that_failed_are_told_apart_from_those_nobody_looked_at() -> None:
    ranges = (
        ByteRange(offset_bytes=0, length_bytes=512, error="EIO"),
        ByteRange(offset_bytes=512, length_bytes=1024),
    )
    fault = replace(v.fault(kind=FaultKind.UNREADABLE), ranges=ranges)
    finding = the_one(requirements.judge_faults([fault], v.job(), v.LIMITS))
    assert finding.evidence[0].value == ("0+512 EIO", "512+1024 not read")


def test_a_checksum_list_that_contradicts_a_file_is_named() -> None:
    fault = replace(v.fault(), source="vol-1/SHA256SUMS")
    finding = the_one(requirements.judge_faults([fault], v.job(), v.LIMITS))
    assert finding.sentence.endswith("is not the one that the checksum list vol-1/SHA256SUMS gives.")


def test_sentences_stay_short_whatever_the_names_are() -> None:
    name = "n" * 4_000
    facts = v.survey(
        secrecy=(v.plain(name),),
        links=Samples(count=1, examples=(name,)),
        checksum_lists=(ChecksumListFact(path=name, entries=1, missing=(name,), unreadable_lines=(1,)),),
        volumes=(VolumeFacts(name="vol-1", problem=name),),
    )
    assert all(len(finding.sentence) < 600 for finding in judged(facts))


# -- several drives --------------------------------------------------------------------------------


FIRST, LATER = "reef.gpg.001", "reef.gpg.003"


def later_piece(secrecy: Secrecy = Secrecy.RANDOM_LIKE, **changes: object) -> SurveyFacts:
    kind = "indistinguishable from random"
    fact = SecrecyFact(path=f"vol-1/{LATER}", secrecy=secrecy, kind=kind, piece_of=("reef.gpg.000", FIRST))
    return replace(v.survey(secrecy=(fact,)), **changes)  # type: ignore[arg-type]


def of_two_drives(*names: str) -> Job:
    return v.job(v.SONAR, "HQ7K2M9A", "HQ7K2M9B", items=tuple(v.item(name) for name in names))


@pytest.mark.parametrize("secrecy", [Secrecy.RANDOM_LIKE, Secrecy.UNKNOWN])
@pytest.mark.parametrize(
    ("job", "elsewhere", "begun", "where"),
    [
        (of_two_drives(FIRST, LATER), None, (), "which was announced"),
        (of_two_drives(FIRST, LATER), frozenset({FIRST}), (), "which is on another drive of the job"),
        (of_two_drives(), None, (), "which may lie on a drive of the job that has yet to be seen"),
        (of_two_drives(), frozenset({FIRST}), (), "which is on another drive of the job"),
        (of_two_drives(), frozenset(), (FIRST,), "which is on this drive"),
    ],
)
def test_a_later_piece_is_judged_where_its_first_one_lies(
    secrecy: Secrecy, job: Job, elsewhere: frozenset[str] | None, begun: tuple[str, ...], where: str
) -> None:
    finding = the_one(judged(later_piece(secrecy, begun=begun), job, elsewhere=elsewhere))
    assert finding.severity is Severity.NOTED
    assert FIRST in finding.sentence
    assert where in finding.sentence
    assert {each.name: each.value for each in finding.evidence}["first_piece"] == FIRST


@pytest.mark.parametrize(
    ("job", "elsewhere"),
    [
        (of_two_drives(), frozenset({"kelp.gpg.001"})),
        (of_two_drives(LATER), None),
        (v.job(), None),
    ],
    ids=["on no drive", "not announced", "one drive"],
)
def test_a_later_piece_without_a_first_one_is_judged_by_itself(
    job: Job, elsewhere: frozenset[str] | None
) -> None:
    assert the_one(judged(later_piece(), job, elsewhere=elsewhere)).severity is Severity.DOUBTFUL


def test_a_plain_file_is_plain_wherever_it_may_have_begun() -> None:
    plain = later_piece(Secrecy.PLAIN)
    assert the_one(judged(plain, of_two_drives(FIRST, LATER), elsewhere=None)).severity is Severity.BLOCKING


@pytest.mark.parametrize(
    ("elsewhere", "missing"), [(frozenset(), True), (frozenset({NAME}), False), (None, False)]
)
def test_an_item_may_lie_on_another_drive_of_the_job(elsewhere: frozenset[str] | None, missing: bool) -> None:
    assert bool(judged(of_item(Presence.MISSING), elsewhere=elsewhere)) == missing


def test_parts_may_lie_on_another_drive_of_the_job() -> None:
    two = v.job(drives=(ExpectedDrive(serial="x"), ExpectedDrive(serial="y")))
    assert the_one(judged(v.survey(missing_parts=ONE), two)).severity is Severity.NOTED


# -- sizes -----------------------------------------------------------------------------------------


def test_an_item_that_is_announced_as_empty_may_be_empty() -> None:
    assert judged(of_item(Presence.FOUND, size=0, announced=0)) == ()
    found = the_one(judged(of_item(Presence.FOUND, size=0, announced=9)))
    assert found.code is FindingCode.ITEM_WRONG_SIZE
    marker = of_item(Presence.FOUND, size=0)
    (fact,) = marker.items
    item = replace(fact.item, sha256=hashlib.sha256(b"").hexdigest())
    assert judged(replace(marker, items=(replace(fact, item=item),))) == ()


@pytest.mark.parametrize(
    ("volumes", "drive", "more"),
    [
        ((1_000, 1_999), None, True),
        ((1_000, 2_000), None, False),
        ((1_000, 2_000), 2_999, True),
        ((1_000, None), None, False),
        ((1_000, None), 2_999, True),
        ((9_000,), 2_999, True),
        ((), 3_000, False),
        ((), None, False),
    ],
)
def test_files_are_held_against_what_the_drive_has_room_for(
    volumes: tuple[int | None, ...], drive: int | None, more: bool
) -> None:
    facts = v.survey(
        volumes=(
            VolumeFacts(name="vol-0"),
            *(VolumeFacts(name=f"vol-{n}", size_bytes=size) for n, size in enumerate(volumes, 1)),
        )[bool(volumes) :],
        ledger=v.ledger(pending=2, stored=1, skipped=9),
    )
    codes = [finding.code for finding in judged(facts, drive_size_bytes=drive)]
    assert codes == [FindingCode.MORE_THAN_DRIVE] * more


# -- policies --------------------------------------------------------------------------------------


def changed(code: FindingCode, policy: Policy) -> tuple[PolicyChange, ...]:
    return (PolicyChange(requirement=code.value, policy=policy),)


@pytest.mark.parametrize("code", FindingCode)
@pytest.mark.parametrize("policy", Policy)
def test_a_policy_changes_what_may_be_changed(code: FindingCode, policy: Policy) -> None:
    expected = None if policy is Policy.OFF else Severity(policy.value)
    if CATALOGUE[code].fixed:
        expected = CATALOGUE[code].severity
    site = replace(v.LIMITS, policies=changed(code, policy))
    assert severity_of(code, v.job(), site) == expected
    assert severity_of(code, v.job(requirements=changed(code, policy)), v.LIMITS) == expected


def test_a_jobs_word_goes_before_the_sites() -> None:
    code = FindingCode.UNEXPECTED_ITEM
    site = replace(v.LIMITS, policies=changed(code, Policy.OFF))
    assert severity_of(code, v.job(requirements=changed(code, Policy.BLOCKING)), site) is Severity.BLOCKING


def test_what_is_off_is_not_told_and_what_is_noted_does_not_block() -> None:
    facts = SURVEYS[FindingCode.NOT_ENCRYPTED][0]
    off = v.job(requirements=changed(FindingCode.NOT_ENCRYPTED, Policy.OFF))
    noted = v.job(requirements=changed(FindingCode.NOT_ENCRYPTED, Policy.NOTED))
    assert judged(facts, off) == ()
    assert requirements.blocking(judged(facts, noted)) == ()
    assert the_one(requirements.noted(judged(facts, noted))).code is FindingCode.NOT_ENCRYPTED


def test_what_cannot_be_stored_otherwise_than_wrongly_cannot_be_waved_through() -> None:
    fixed = {code for code in FindingCode if not may_be_changed(code)}
    assert fixed >= {
        FindingCode.DRIVE_UNREADABLE,
        FindingCode.NO_READABLE_VOLUME,
        FindingCode.FOLDER_UNREADABLE,
        FindingCode.FILE_UNREADABLE,
        FindingCode.FILE_CHANGED,
        FindingCode.CHECKSUM_MISMATCH,
    }
    assert not may_be_changed("no-such-code")
    assert not may_be_changed(FindingCode.SEEN_ONCE)


def test_a_note_keeps_whose_fault_it_would_have_been() -> None:
    facts = SURVEYS[FindingCode.ITEM_WRONG_SIZE][0]
    (note,) = requirements.as_noted(judged(facts), "Seen in one look only:")
    assert (note.code, note.severity, note.cause) == (
        FindingCode.SEEN_ONCE,
        Severity.NOTED,
        FailureClass.DATA,
    )
    assert note.subject == NAME


def test_findings_are_sorted_by_weight() -> None:
    facts = v.survey(secrecy=(v.plain(), v.doubtful()), links=ONE)
    findings = judged(facts)
    assert [f.code for f in requirements.blocking(findings)] == [FindingCode.NOT_ENCRYPTED]
    assert [f.code for f in requirements.doubtful(findings)] == [FindingCode.ENCRYPTION_UNCERTAIN]
    assert [f.code for f in requirements.noted(findings)] == [FindingCode.SYMBOLIC_LINK]


def test_two_looks_agree_when_code_and_subject_do() -> None:
    first = the_one(judged(secret(Secrecy.PLAIN, "a tar archive")))
    second = the_one(judged(secret(Secrecy.PLAIN, "a zip archive")))
    assert first.key == second.key
    assert first != second


def test_the_limits_of_a_station_have_no_policies_unless_it_sets_some() -> None:
    assert Limits(station="quay-03").policies == ()


def test_an_event_carries_the_gravest_findings_in_bounds_and_counts_the_others() -> None:
    ranges = tuple(f"{number * 512}+512 EIO" for number in range(1000))
    grave = [
        requirements.make(
            FindingCode.FILE_UNREADABLE, f"file-{n}", "Damaged.", Evidence(name="ranges", value=ranges)
        )
        for n in range(1000)
    ]
    noted = requirements.as_noted(grave[:1], "Seen in one look only:")
    told = requirements.told((*noted, *grave))
    assert len(told) == requirements.FINDINGS_MAX
    assert {finding.severity for finding in told} == {Severity.BLOCKING}
    assert told[0].evidence[0].value == (*ranges[: requirements.EVIDENCE_MAX], "and 975 more")
    assert told[-1].evidence[-1] == Evidence(name="more findings", value=901)
    assert requirements.told(told[:3]) == told[:3]


def test_of_many_findings_the_doubtful_are_told_before_the_noted() -> None:
    def some(severity: Severity, count: int) -> list[Finding]:
        made = requirements.make(FindingCode.UNEXPECTED_ITEM, "", "Not announced.")
        return [replace(made, subject=f"{severity}-{n}", severity=severity) for n in range(count)]

    told = requirements.told((*some(Severity.NOTED, 200), *some(Severity.DOUBTFUL, 3)))
    assert [finding.severity for finding in told[:4]] == [Severity.DOUBTFUL] * 3 + [Severity.NOTED]


@pytest.mark.parametrize("facts", [v.survey(0), v.survey(0, items=v.missing("reef.tar.age"))])
def test_what_may_lie_on_a_volume_in_doubt_fails_no_job(facts: SurveyFacts) -> None:
    """The station may be at fault, which never fails a job."""
    findings = judged(replace(facts, volumes=(*facts.volumes, IN_DOUBT)))
    assert requirements.blocking(findings) == ()
    assert FindingCode.VOLUME_IN_DOUBT in [f.code for f in requirements.doubtful(findings)]
    assert requirements.blocking(judged(facts))


def test_a_volume_in_doubt_is_of_no_matter_where_everything_announced_was_found() -> None:
    facts = v.survey(items=v.found("reef.tar.age"), volumes=(*v.survey().volumes, IN_DOUBT))
    assert requirements.doubtful(judged(facts)) == ()


@pytest.mark.parametrize("presence", Presence)
def test_a_name_from_a_notice_is_told_in_printable_form(presence: Presence) -> None:
    """A notice may announce any name that a file can have, and people read it in a terminal."""
    name = "reef\x1b[2J\nnorth\u202e.tar\\age"
    fact = ItemFact(item=v.item(name, size_bytes=10), presence=presence, size_bytes=9)
    finding = the_one(judged(v.survey(items=(fact,))))
    assert "reef\\x1b[2J\\nnorth\\xe2\\x80\\xae.tar\\\\age" in finding.sentence
    assert finding.sentence.isprintable()
    assert finding.subject == "reef\\x1b[2J\\nnorth\\xe2\\x80\\xae.tar\\\\age"
