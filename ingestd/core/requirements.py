"""What a drive must meet: small rules from facts to findings, and one catalogue of their codes.

A rule never decides what follows; it states a fact in words. What a code's severity is comes from
the catalogue, changed by the site's policy, changed by the job's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from ingestd.core.model import (
    Evidence,
    FailureClass,
    FaultKind,
    FileFault,
    Finding,
    FindingCode,
    ItemFact,
    Job,
    Limits,
    Policy,
    Presence,
    Samples,
    Secrecy,
    Severity,
    SurveyFacts,
)
from ingestd.core.names import shortened

_BLOCKING, _DOUBTFUL, _NOTED = Severity.BLOCKING, Severity.DOUBTFUL, Severity.NOTED
_DRIVE, _DATA, _REQUIREMENT = FailureClass.DRIVE, FailureClass.DATA, FailureClass.REQUIREMENT


@dataclass(frozen=True, slots=True)
class Entry:
    """One code of the catalogue. `fixed`: no policy may soften it, since data would be lost."""

    cause: FailureClass
    severity: Severity
    customer: str
    floor: str
    fixed: bool = False


_SEND_AGAIN = "Write the archives to another drive and send it again."
_SET_ASIDE = "Set the drive aside as refused; treat it as its disposition says."
_NOTHING = "Nothing to do."

CATALOGUE: Mapping[FindingCode, Entry] = {
    FindingCode.DRIVE_UNREADABLE: Entry(_DRIVE, _BLOCKING, _SEND_AGAIN, _SET_ASIDE, fixed=True),
    FindingCode.NO_READABLE_VOLUME: Entry(
        _DRIVE,
        _BLOCKING,
        "Format the drive with one of the accepted file systems, write the archives and send it again.",
        _SET_ASIDE,
        fixed=True,
    ),
    FindingCode.VOLUME_UNREADABLE: Entry(
        _DATA,
        _BLOCKING,
        "Unmount the drive properly before pulling it, and send it again.",
        _SET_ASIDE,
    ),
    FindingCode.FOLDER_UNREADABLE: Entry(_DRIVE, _BLOCKING, _SEND_AGAIN, _SET_ASIDE, fixed=True),
    FindingCode.FILE_UNREADABLE: Entry(_DRIVE, _BLOCKING, _SEND_AGAIN, _SET_ASIDE, fixed=True),
    FindingCode.FILE_CHANGED: Entry(
        _DATA, _BLOCKING, _SEND_AGAIN, "Make sure that nothing else has the drive in use.", fixed=True
    ),
    FindingCode.DRIVE_CHANGED: Entry(
        _DATA,
        _DOUBTFUL,
        "Tell support whether the drive was altered after it was sent.",
        "Ask who had the drive between the two looks at it.",
    ),
    FindingCode.ITEM_MISSING: Entry(
        _REQUIREMENT,
        _BLOCKING,
        "Write the missing archive to a drive, or have the order amended.",
        _SET_ASIDE,
    ),
    FindingCode.ITEM_NOT_IN_ROOT: Entry(
        _REQUIREMENT,
        _BLOCKING,
        "Put the archive, under the announced name, in the root of the volume, not in a folder.",
        _SET_ASIDE,
    ),
    FindingCode.ITEM_WRONG_KIND: Entry(
        _REQUIREMENT, _BLOCKING, "Write the archive itself to the drive, not a link to it.", _SET_ASIDE
    ),
    FindingCode.ITEM_WRONG_SIZE: Entry(
        _DATA, _BLOCKING, "Write the archive again and compare its size before sending.", _SET_ASIDE
    ),
    FindingCode.CHECKSUM_MISMATCH: Entry(
        _DATA, _BLOCKING, "Write the archive again and verify its checksum before sending.", _SET_ASIDE
    ),
    FindingCode.LISTED_FILE_MISSING: Entry(
        _DATA, _BLOCKING, "Write all files that the checksum list names, or correct the list.", _SET_ASIDE
    ),
    FindingCode.CHECKSUM_LIST_BROKEN: Entry(
        _DATA, _NOTED, "Write checksum lists as sha256sum does, one line a file.", _NOTHING
    ),
    FindingCode.NOT_ENCRYPTED: Entry(
        _REQUIREMENT, _BLOCKING, "Encrypt the archive before writing it to the drive.", _SET_ASIDE
    ),
    FindingCode.ENCRYPTION_STATISTICAL: Entry(
        _REQUIREMENT, _NOTED, "Use an encrypted format that can be recognised.", _NOTHING
    ),
    FindingCode.ENCRYPTION_UNCERTAIN: Entry(
        _REQUIREMENT,
        _DOUBTFUL,
        "Tell support how the archive was encrypted.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.NOTHING_TO_LOAD: Entry(
        _REQUIREMENT, _BLOCKING, "Write the archives to the root of a volume and send it again.", _SET_ASIDE
    ),
    FindingCode.UNEXPECTED_ITEM: Entry(
        _REQUIREMENT, _NOTED, "Announce everything that is to be loaded.", _NOTHING
    ),
    FindingCode.SYMBOLIC_LINK: Entry(_REQUIREMENT, _NOTED, "Write files, not links to files.", _NOTHING),
    FindingCode.SPECIAL_FILE: Entry(
        _REQUIREMENT, _NOTED, "Leave devices, sockets and pipes off the drive.", _NOTHING
    ),
    FindingCode.PATH_OUT_OF_BOUNDS: Entry(
        _REQUIREMENT, _BLOCKING, "Put deep folder trees into an archive.", _SET_ASIDE
    ),
    FindingCode.RESERVED_NAME: Entry(
        _REQUIREMENT, _BLOCKING, "Rename the folder; receipts are kept under that name.", _SET_ASIDE
    ),
    FindingCode.SIZE_NOT_AS_ANNOUNCED: Entry(
        _REQUIREMENT, _NOTED, "Announce the drive that is sent.", "Compare the drive's label with the order."
    ),
    FindingCode.SEEN_ONCE: Entry(_DRIVE, _NOTED, _NOTHING, "Expect trouble from this drive."),
}


def may_be_changed(code: str) -> bool:
    """Whether a policy may name this code."""
    return code in CATALOGUE and not CATALOGUE[FindingCode(code)].fixed and code != FindingCode.SEEN_ONCE


def severity_of(code: FindingCode, job: Job, limits: Limits) -> Severity | None:
    """What a finding of this code amounts to for this job; None when nobody wants to hear of it."""
    entry = CATALOGUE[code]
    severity: Severity | None = entry.severity
    if entry.fixed:
        return severity
    for change in (*limits.policies, *job.requirements):
        if change.requirement == code:
            severity = None if change.policy is Policy.OFF else Severity(change.policy.value)
    return severity


def wants_encryption(job: Job, limits: Limits) -> bool:
    """Whether files have to be looked into at all."""
    codes = (FindingCode.NOT_ENCRYPTED, FindingCode.ENCRYPTION_UNCERTAIN)
    return any(severity_of(code, job, limits) is not None for code in codes)


def refuses_plain(job: Job, limits: Limits) -> bool:
    """Whether a plainly unencrypted file is to be refused as it is read."""
    return severity_of(FindingCode.NOT_ENCRYPTED, job, limits) is Severity.BLOCKING


def make(code: FindingCode, subject: str, sentence: str, *evidence: Evidence) -> Finding:
    """A finding as the catalogue has it, before any policy."""
    entry = CATALOGUE[code]
    return Finding(
        code=code,
        severity=entry.severity,
        cause=entry.cause,
        subject=subject,
        sentence=sentence,
        evidence=evidence,
        remedy_customer=entry.customer,
        remedy_floor=entry.floor,
    )


# -- the rules ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What the rules look at. `elsewhere`: items found on the job's other drives; None while some of
    those drives have yet to be surveyed."""

    job: Job
    drive_index: int
    drive_size_bytes: int | None
    facts: SurveyFacts
    elsewhere: frozenset[str] | None = frozenset()


Rule = Callable[[Case], Iterator[Finding]]


def _volumes(case: Case) -> Iterator[Finding]:
    broken = [v for v in case.facts.volumes if v.problem]
    if len(broken) == len(case.facts.volumes):
        seen = tuple(f"{v.name}: {v.problem}" for v in broken) or ("nothing recognised",)
        yield make(
            FindingCode.NO_READABLE_VOLUME,
            "drive",
            f"The drive holds no volume that can be read: {shortened('; '.join(seen), 300)}.",
            Evidence(name="volumes", value=seen),
        )
        return
    for volume in broken:
        finding = make(
            FindingCode.VOLUME_UNREADABLE,
            volume.name,
            f"{volume.name} ({volume.file_system or 'unknown format'}) cannot be read: {volume.problem}.",
            Evidence(name="volume", value=volume.name),
            Evidence(name="driver", value=volume.problem or ""),
        )
        yield replace(finding, severity=_NOTED) if _all_items_found(case) else finding


def _all_items_found(case: Case) -> bool:
    return bool(case.facts.items) and all(i.presence is Presence.FOUND for i in case.facts.items)


def _items(case: Case) -> Iterator[Finding]:
    for fact in case.facts.items:
        if fact.presence is Presence.FOUND:
            yield from _size(fact)
        elif case.elsewhere is None:
            continue
        elif fact.item.name not in case.elsewhere:
            yield _absent(fact)


def _size(fact: ItemFact) -> Iterator[Finding]:
    announced = fact.item.size_bytes
    if announced is None or announced == fact.size_bytes:
        return
    found = fact.size_bytes or 0
    word = "shorter" if found < announced else "longer"
    yield make(
        FindingCode.ITEM_WRONG_SIZE,
        fact.item.name,
        f"{fact.item.name} has {found:,} bytes; {announced:,} were announced: "
        f"it is {abs(announced - found):,} bytes {word}.",
        Evidence(name="expected_bytes", value=announced),
        Evidence(name="found_bytes", value=found),
        Evidence(name="volume", value=fact.volume or ""),
    )


def _absent(fact: ItemFact) -> Finding:
    name, near = fact.item.name, Evidence(name="near", value=fact.near)
    if fact.presence is Presence.ELSEWHERE:
        return make(
            FindingCode.ITEM_NOT_IN_ROOT,
            name,
            f"{name} is not in the root of a volume; something of that name lies at "
            f"{shortened(fact.near[0])}.",
            near,
        )
    if fact.presence is Presence.NOT_THAT_KIND:
        return make(
            FindingCode.ITEM_WRONG_KIND, name, f"{name} is there, but it is not a {fact.item.kind}.", near
        )
    return make(FindingCode.ITEM_MISSING, name, f"{name} was announced and is not on the drive.")


def _nothing(case: Case) -> Iterator[Finding]:
    ledger = case.facts.ledger
    if ledger.pending_files + ledger.stored_files + ledger.failed_files == 0:
        yield make(
            FindingCode.NOTHING_TO_LOAD,
            "drive",
            "There is nothing on the drive that is to be loaded.",
            Evidence(name="skipped_files", value=ledger.skipped_files),
        )


def _oddities(case: Case) -> Iterator[Finding]:
    facts = case.facts
    table: tuple[tuple[FindingCode, Samples, str], ...] = (
        (FindingCode.FOLDER_UNREADABLE, facts.unlistable, "folders cannot be read"),
        (FindingCode.DRIVE_CHANGED, facts.changed, "files have changed since the look at the drive before"),
        (FindingCode.PATH_OUT_OF_BOUNDS, facts.out_of_bounds, "paths are too long or too deep to be carried"),
        (FindingCode.RESERVED_NAME, facts.reserved, "files lie under a name that is reserved for receipts"),
        (FindingCode.UNEXPECTED_ITEM, facts.unexpected, "items were not announced and are not loaded"),
        (FindingCode.SYMBOLIC_LINK, facts.links, "symbolic links were not followed and are not stored"),
        (FindingCode.SPECIAL_FILE, facts.specials, "devices, sockets or pipes are not stored"),
    )
    for code, samples, words in table:
        if samples.count:
            yield make(
                code,
                "drive",
                f"{samples.count:,} {words}, for example {shortened(samples.examples[0])}.",
                Evidence(name="count", value=samples.count),
                Evidence(name="size_bytes", value=samples.size_bytes),
                Evidence(name="examples", value=samples.examples),
            )


def _secrecy(case: Case) -> Iterator[Finding]:
    words = {
        Secrecy.PLAIN: (FindingCode.NOT_ENCRYPTED, "is not encrypted: it is"),
        Secrecy.RANDOM_LIKE: (FindingCode.ENCRYPTION_STATISTICAL, "has no known structure; it is"),
        Secrecy.UNKNOWN: (FindingCode.ENCRYPTION_UNCERTAIN, "may or may not be encrypted:"),
    }
    for fact in case.facts.secrecy:
        if fact.secrecy in words:
            code, text = words[fact.secrecy]
            yield make(
                code,
                fact.path,
                f"{shortened(fact.path)} {text} {fact.kind}.",
                Evidence(name="format", value=fact.kind),
            )


def _checksum_lists(case: Case) -> Iterator[Finding]:
    for fact in case.facts.checksum_lists:
        if fact.missing:
            yield make(
                FindingCode.LISTED_FILE_MISSING,
                fact.path,
                f"The checksum list {fact.path} names {len(fact.missing):,} files that are not on the drive, "
                f"for example {shortened(fact.missing[0])}.",
                Evidence(name="missing", value=fact.missing[: Samples.EXAMPLES_MAX]),
            )
        if fact.unreadable_lines:
            yield make(
                FindingCode.CHECKSUM_LIST_BROKEN,
                fact.path,
                f"The checksum list {fact.path} has lines that cannot be understood, "
                f"the first being line {fact.unreadable_lines[0]}.",
                Evidence(name="lines", value=tuple(str(n) for n in fact.unreadable_lines)),
            )


def _capacity(case: Case) -> Iterator[Finding]:
    announced, found = case.job.drives[case.drive_index].size_bytes, case.drive_size_bytes
    if announced is not None and found is not None and announced != found:
        yield make(
            FindingCode.SIZE_NOT_AS_ANNOUNCED,
            "drive",
            f"The drive has {found:,} bytes; one of {announced:,} bytes was announced.",
            Evidence(name="expected_bytes", value=announced),
            Evidence(name="found_bytes", value=found),
        )


RULES: tuple[Rule, ...] = (_volumes, _items, _nothing, _oddities, _secrecy, _checksum_lists, _capacity)


def judge_survey(case: Case, limits: Limits) -> tuple[Finding, ...]:
    """Every finding of a survey, with the severity that applies to this job."""
    found = (finding for rule in RULES for finding in rule(case))
    return _with_policy(found, case.job, limits)


def judge_faults(faults: Iterable[FileFault], job: Job, limits: Limits) -> tuple[Finding, ...]:
    """The findings that faults of single files amount to."""
    return _with_policy((_of_fault(fault) for fault in faults), job, limits)


def _with_policy(findings: Iterable[Finding], job: Job, limits: Limits) -> tuple[Finding, ...]:
    judged: list[Finding] = []
    for finding in findings:
        severity = severity_of(finding.code, job, limits)
        if severity is not None:
            softened = finding.severity is not CATALOGUE[finding.code].severity
            judged.append(finding if softened else replace(finding, severity=severity))
    return tuple(judged)


def _of_fault(fault: FileFault) -> Finding:
    path = shortened(fault.path)
    if fault.kind is FaultKind.UNREADABLE:
        ranges = tuple(f"{r.offset_bytes}+{r.length_bytes}" for r in fault.ranges)
        lost = sum(r.length_bytes for r in fault.ranges)
        return make(
            FindingCode.FILE_UNREADABLE,
            fault.path,
            f"{path} cannot be read: {lost:,} of its {fault.size_bytes:,} bytes are lost, "
            f"in {len(ranges):,} places.",
            Evidence(name="ranges", value=ranges[:100]),
            Evidence(name="error", value=fault.found or ""),
        )
    if fault.kind is FaultKind.CHECKSUM_MISMATCH:
        by = "the notice" if fault.source in (None, "notice") else f"the checksum list {fault.source}"
        return make(
            FindingCode.CHECKSUM_MISMATCH,
            fault.path,
            f"The SHA-256 of {path} is not the one that {by} gives.",
            Evidence(name="expected", value=fault.expected or ""),
            Evidence(name="found", value=fault.found or ""),
        )
    if fault.kind is FaultKind.CHANGED_WHILE_READ:
        return make(
            FindingCode.FILE_CHANGED,
            fault.path,
            f"{path} changed while it was read.",
            Evidence(name="expected", value=fault.expected or ""),
            Evidence(name="found", value=fault.found or ""),
        )
    return make(
        FindingCode.NOT_ENCRYPTED,
        fault.path,
        f"{path} is not encrypted: it is {fault.found or 'a plain format'}.",
        Evidence(name="format", value=fault.found or ""),
    )


def blocking(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(f for f in findings if f.severity is _BLOCKING)


def doubtful(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(f for f in findings if f.severity is _DOUBTFUL)


def noted(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(f for f in findings if f.severity is _NOTED)


def as_noted(findings: Iterable[Finding], words: str) -> tuple[Finding, ...]:
    """The same facts, kept for the record under a code that blocks nothing."""
    return tuple(
        replace(
            make(FindingCode.SEEN_ONCE, f.subject, f"{words} {f.sentence}", *f.evidence),
            cause=f.cause,
        )
        for f in findings
    )
