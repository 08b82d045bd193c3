"""What lists of checksums on a drive amount to, and files that are not as somebody says they are."""

from __future__ import annotations

from collections.abc import Iterator

from ingestd.core.catalogue import make
from ingestd.core.digests import SHA256, WEAK, spoken
from ingestd.core.model import (
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
    by = "the notice" if fault.source in (None, "notice") else f"the checksum list {fault.source}"
    algorithm = fault.algorithm or SHA256
    return make(
        FindingCode.CHECKSUM_MISMATCH,
        fault.path,
        f"The {spoken(algorithm)} of {shortened(fault.path)} is not the one that {by} gives.",
        Evidence(name="algorithm", value=algorithm),
        Evidence(name="expected", value=fault.expected or ""),
        Evidence(name="found", value=fault.found or ""),
    )
