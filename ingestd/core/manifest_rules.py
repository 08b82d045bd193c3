"""What checksum lists and bags on a drive amount to, and files that are not as these say they are."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from ingestd.core.catalogue import make
from ingestd.core.checksum_lines import list_algorithm
from ingestd.core.digests import SHA256, WEAK, spoken
from ingestd.core.found import (
    BagFact,
    ChecksumListFact,
    Evidence,
    FileFault,
    Finding,
    FindingCode,
    Samples,
    SurveyFacts,
)
from ingestd.core.names import counted, shortened, with_example


def findings(facts: SurveyFacts) -> Iterator[Finding]:
    for fact in facts.checksum_lists:
        yield from _list(fact)
    for bag in facts.bags:
        yield from _bag(bag)
    for samples, words in ((facts.bags_passed_over, _PASSED_OVER), (facts.beyond_notice, _BEYOND)):
        if samples.count:
            code, one, many = words
            yield _counted(code, "drive", counted(samples.count, one, many), samples)


_PASSED_OVER = (
    FindingCode.BAG_NOT_CHECKED,
    "bag is not looked into, since there are too many on the drive",
    "bags are not looked into, since there are too many on the drive",
)
_BEYOND = (
    FindingCode.BAG_BEYOND_NOTICE,
    "file in the payload of the bag was not announced, and is loaded with it",
    "files in the payload of the bag were not announced, and are loaded with it",
)


def _counted(code: FindingCode, subject: str, text: str, samples: Samples) -> Finding:
    return make(
        code,
        subject,
        with_example(text, samples.examples, samples.count),
        Evidence(name="count", value=samples.count),
        Evidence(name="examples", value=samples.examples),
    )


def _list(fact: ChecksumListFact) -> Iterator[Finding]:
    if fact.missing:
        count = len(fact.missing)
        named = counted(count, "file that is", "files that are")
        yield make(
            FindingCode.LISTED_FILE_MISSING,
            fact.path,
            with_example(
                f"The checksum list {shortened(fact.path)} names {named} not on the drive",
                fact.missing,
                count,
            ),
            Evidence(name="missing", value=fact.missing[: Samples.EXAMPLES_MAX]),
        )
    if fact.unreadable_lines:
        yield make(
            FindingCode.CHECKSUM_LIST_BROKEN,
            fact.path,
            f"The checksum list {shortened(fact.path)} has lines that cannot be understood, "
            f"the first being line {fact.unreadable_lines[0]}.",
            Evidence(name="lines", value=tuple(str(n) for n in fact.unreadable_lines)),
        )
    if fact.algorithms and WEAK.issuperset(fact.algorithms):
        yield weak(fact.path, f"The checksum list {shortened(fact.path)}", fact.algorithms)


_OF_A_BAG: tuple[tuple[FindingCode, Callable[[BagFact], Samples], str, str], ...] = (
    (
        FindingCode.BAG_BROKEN,
        lambda bag: bag.problems,
        "is not as BagIt has it",
        "is not as BagIt has it in {} places",
    ),
    (
        FindingCode.BAG_INCOMPLETE,
        lambda bag: bag.missing,
        "lists a file that is not there",
        "lists {} files that are not there",
    ),
    (
        FindingCode.BAG_FILE_UNLISTED,
        lambda bag: bag.unlisted,
        "has a file in its payload that its manifests do not list",
        "has {} files in its payload that its manifests do not list",
    ),
    (
        FindingCode.BAG_NAMES_DIFFER,
        lambda bag: bag.differing,
        "lists a file under a name that differs in case or Unicode form",
        "lists {} files under names that differ in case or Unicode form",
    ),
    (
        FindingCode.BAG_NOT_CHECKED,
        lambda bag: bag.unchecked,
        "has a part that could not be checked",
        "has {} parts that could not be checked",
    ),
    (
        FindingCode.BAG_NOT_STRICT,
        lambda bag: bag.loose,
        "is not strictly as RFC 8493 has it, and is read all the same",
        "is not strictly as RFC 8493 has it in {} places, and is read all the same",
    ),
)
"""What to say of one, and of several."""


def _bag(bag: BagFact) -> Iterator[Finding]:
    named = f"The bag {shortened(bag.path)}"
    for code, samples_of, one, several in _OF_A_BAG:
        samples = samples_of(bag)
        if samples.count:
            words = one if samples.count == 1 else several.format(f"{samples.count:,}")
            yield _counted(code, bag.path, f"{named} {words}", samples)
    yield from _sums(bag, named)


def _sums(bag: BagFact, named: str) -> Iterator[Finding]:
    if bag.to_be_fetched:
        yield make(
            FindingCode.BAG_TO_BE_FETCHED,
            bag.path,
            f"{named} has a fetch.txt: a part of it lies elsewhere, and nothing is fetched here.",
        )
    if bag.oxum is not None:
        (size, files), (found_size, found_files) = bag.oxum, bag.found
        yield make(
            FindingCode.BAG_OXUM_WRONG,
            bag.path,
            f"{named} says in its Payload-Oxum that its payload is {counted(files, 'file', 'files')} of "
            f"{size:,} bytes; there {'is' if found_files == 1 else 'are'} "
            f"{counted(found_files, 'file', 'files')} of {found_size:,} bytes.",
            Evidence(name="expected", value=f"{size}.{files}"),
            Evidence(name="found", value=f"{found_size}.{found_files}"),
        )
    if bag.algorithms and WEAK.issuperset(bag.algorithms):
        yield weak(bag.path, named, bag.algorithms)


def weak(subject: str, named: str, algorithms: tuple[str, ...]) -> Finding:
    """That nothing stronger than these is given there."""
    words = " and ".join(spoken(algorithm) for algorithm in algorithms)
    return make(
        FindingCode.CHECKSUMS_WEAK,
        subject,
        f"{named} gives {words} and nothing stronger. Its files are held against it, which tells "
        "accidents; it is no proof that nobody has exchanged them on purpose.",
        Evidence(name="algorithms", value=tuple(algorithms)),
    )


def mismatch(fault: FileFault) -> Finding:
    algorithm = fault.algorithm or SHA256
    return make(
        FindingCode.CHECKSUM_MISMATCH,
        fault.path,
        f"The {spoken(algorithm)} of {shortened(fault.path)} is not the one that {_source(fault)} gives.",
        Evidence(name="algorithm", value=algorithm),
        Evidence(name="expected", value=fault.expected or ""),
        Evidence(name="found", value=fault.found or ""),
    )


def _source(fault: FileFault) -> str:
    if fault.source in (None, "notice"):
        return "the notice"
    is_list = list_algorithm(fault.source.rpartition("/")[2].encode()) is not None
    return f"the {'checksum list' if is_list else 'manifest'} {shortened(fault.source)}"
