"""What a drive must meet: small rules from facts to findings.

A rule never decides what follows; it states a fact in words. How much it weighs is the catalogue's
business, and the policies'.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from ingestd.core import drive_rules, manifest_rules
from ingestd.core.catalogue import (
    CATALOGUE,
    make,
    may_be_changed,
    refuses_plain,
    severity_of,
    wants_encryption,
)
from ingestd.core.drive import HealthFacts, VolumeFacts, VolumeFlaw
from ingestd.core.found import (
    ByteRange,
    Evidence,
    FaultKind,
    FileFault,
    Finding,
    FindingCode,
    ItemFact,
    Presence,
    Secrecy,
    SecrecyFact,
    SurveyFacts,
)
from ingestd.core.job import Job
from ingestd.core.limits import Limits
from ingestd.core.model import Severity
from ingestd.core.names import counted, printable, same_text, shortened, with_example

__all__ = [
    "CATALOGUE",
    "RULES",
    "Case",
    "as_noted",
    "blocking",
    "doubtful",
    "judge_faults",
    "judge_survey",
    "make",
    "may_be_changed",
    "noted",
    "refuses_plain",
    "severity_of",
    "wants_encryption",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What the rules look at. `elsewhere`: items found on the job's other drives; None while some of
    those drives have yet to be surveyed."""

    job: Job
    drive_index: int
    drive_size_bytes: int | None
    facts: SurveyFacts
    interfaces_refused: tuple[str, ...] = ()
    elsewhere: frozenset[str] | None = frozenset()


Rule = Callable[[Case], Iterator[Finding]]


_FLAWS: Mapping[VolumeFlaw, FindingCode] = {
    VolumeFlaw.UNREADABLE: FindingCode.VOLUME_UNREADABLE,
    VolumeFlaw.IN_DOUBT: FindingCode.VOLUME_IN_DOUBT,
    VolumeFlaw.UNCLEAN: FindingCode.VOLUME_NOT_UNMOUNTED,
    VolumeFlaw.LOCKED: FindingCode.VOLUME_LOCKED,
    VolumeFlaw.MEMBER: FindingCode.VOLUME_ARRAY_MEMBER,
    VolumeFlaw.NOT_ACCEPTED: FindingCode.VOLUME_NOT_ACCEPTED,
    VolumeFlaw.SPARE: FindingCode.VOLUME_SPARE,
}

_MENDABLE = frozenset(_FLAWS) - {VolumeFlaw.UNREADABLE, VolumeFlaw.SPARE}
"""Flaws that say more than that the drive holds nothing to be read."""


def _volumes(case: Case) -> Iterator[Finding]:
    broken = [v for v in case.facts.volumes if v.problem]
    if _none_readable(case) and not any(v.flaw in _MENDABLE for v in broken):
        seen = tuple(f"{v.name}: {v.problem}" for v in broken) or ("nothing recognised",)
        yield make(
            FindingCode.NO_READABLE_VOLUME,
            "drive",
            f"The drive holds no volume that can be read: {shortened('; '.join(seen), 300)}.",
            Evidence(name="volumes", value=seen),
        )
        return
    for volume in broken:
        finding = _flaw(volume)
        yield replace(finding, severity=Severity.NOTED) if _all_items_found(case) else finding


def _flaw(volume: VolumeFacts) -> Finding:
    return make(
        _FLAWS[volume.flaw or VolumeFlaw.UNREADABLE],
        volume.name,
        f"{_named(volume)} cannot be read: {volume.problem}.",
        Evidence(name="volume", value=volume.name),
        Evidence(name="driver", value=volume.problem or ""),
    )


def _named(volume: VolumeFacts) -> str:
    return f"{volume.name} ({volume.file_system or 'unknown format'})"


def _unclean(case: Case) -> Iterator[Finding]:
    """What was done about volumes that were not cleanly unmounted and can be read all the same."""
    for volume in case.facts.volumes:
        if volume.problem is None and volume.replayed:
            yield make(
                FindingCode.VOLUME_REPLAYED,
                volume.name,
                f"{_named(volume)} was not cleanly unmounted. Its log was replayed onto an overlay, "
                "and it was read with that; the drive itself is as it was.",
                Evidence(name="volume", value=volume.name),
            )
        elif volume.problem is None and volume.marked_unclean:
            yield make(
                FindingCode.VOLUME_MARKED_UNCLEAN,
                volume.name,
                f"{_named(volume)} bears the mark of a volume that was not cleanly unmounted. "
                "It has no log to replay, and was read as it is.",
                Evidence(name="volume", value=volume.name),
            )


def _none_readable(case: Case) -> bool:
    return all(v.problem for v in case.facts.volumes)


def _all_items_found(case: Case) -> bool:
    return bool(case.facts.items) and all(i.presence is Presence.FOUND for i in case.facts.items)


def _items(case: Case) -> Iterator[Finding]:
    for fact in case.facts.items:
        if fact.presence is Presence.FOUND:
            yield from _called(fact)
            yield from _size(fact)
        elif case.elsewhere is None:
            continue
        elif fact.item.name not in case.elsewhere:
            yield _absent(fact)


def _called(fact: ItemFact) -> Iterator[Finding]:
    """A name that a drive has in another case is perhaps the one that was meant; one in another normalisation
    is that very name, as another system writes it."""
    if fact.called is None:
        return
    called = printable(fact.called.encode("utf-8", "surrogateescape"))
    announced, found = (name.encode("utf-8", "surrogateescape") for name in (fact.item.name, fact.called))
    same = same_text(announced, found)
    how = "the same text in another Unicode normalisation" if same else "a name that differs in case"
    finding = make(
        FindingCode.ITEM_NAME_DIFFERS,
        _name_of(fact),
        f"{shortened(_name_of(fact))} was announced; on the drive is {shortened(called)}, {how}.",
        Evidence(name="volume", value=fact.volume or ""),
        Evidence(name="expected", value=_name_of(fact)),
        Evidence(name="found", value=called),
        Evidence(name="near", value=fact.near),
    )
    others = any(place.count("/") == 1 for place in fact.near)
    yield replace(finding, severity=Severity.NOTED) if same and not others else finding


def _name_of(fact: ItemFact) -> str:
    """The announced name, fit for a terminal: a notice may give any that a file can have."""
    return printable(fact.item.name.encode("utf-8", "surrogateescape"))


_SHA256_OF_NOTHING = hashlib.sha256().hexdigest()


def _size(fact: ItemFact) -> Iterator[Finding]:
    announced, found = fact.item.size_bytes, fact.size_bytes
    as_announced = announced is not None or fact.item.sha256 == _SHA256_OF_NOTHING
    if found == 0 and not as_announced and fact.item.kind == "file":
        yield make(
            FindingCode.ITEM_EMPTY,
            fact.item.name,
            f"{fact.item.name} was announced and is empty.",
            Evidence(name="volume", value=fact.volume or ""),
        )
    if announced is None or found is None or announced == found:
        return
    word = "shorter" if found < announced else "longer"
    name = _name_of(fact)
    yield make(
        FindingCode.ITEM_WRONG_SIZE,
        name,
        f"{shortened(name)} has {counted(found, 'byte', 'bytes')}; {announced:,} were announced: "
        f"it is {counted(abs(announced - found), 'byte', 'bytes')} {word}.",
        Evidence(name="expected_bytes", value=announced),
        Evidence(name="found_bytes", value=found),
        Evidence(name="volume", value=fact.volume or ""),
    )


def _absent(fact: ItemFact) -> Finding:
    subject, near = _name_of(fact), Evidence(name="near", value=fact.near)
    name = shortened(subject)
    if fact.presence is Presence.ELSEWHERE:
        return make(
            FindingCode.ITEM_NOT_IN_ROOT,
            subject,
            with_example(
                f"{name} is not in the root of a volume; something of that name is there", fact.near
            ),
            near,
        )
    if fact.presence is Presence.NOT_THAT_KIND:
        return make(
            FindingCode.ITEM_WRONG_KIND, subject, f"{name} is there, but it is not a {fact.item.kind}.", near
        )
    return make(FindingCode.ITEM_MISSING, subject, f"{name} was announced and is not on the drive.")


def _nothing(case: Case) -> Iterator[Finding]:
    ledger = case.facts.ledger
    if ledger.pending_files + ledger.stored_files + ledger.failed_files == 0:
        yield make(
            FindingCode.NOTHING_TO_LOAD,
            "drive",
            "There is nothing on the drive that is to be loaded.",
            Evidence(name="skipped_files", value=ledger.skipped_files),
        )


_ODDITIES: Mapping[FindingCode, tuple[str, str]] = {
    FindingCode.DRIVE_CHANGED: (
        "file has changed since the look at the drive before",
        "files have changed since the look at the drive before",
    ),
    FindingCode.PATH_OUT_OF_BOUNDS: (
        "path is too long or too deep to be carried",
        "paths are too long or too deep to be carried",
    ),
    FindingCode.RESERVED_NAME: (
        "file lies under a name that is reserved for receipts",
        "files lie under a name that is reserved for receipts",
    ),
    FindingCode.FILE_EMPTY: (
        "file has no content",
        "files have no content",
    ),
    FindingCode.PART_MISSING: (
        "numbered part of an archive is not among what is to be loaded, though later ones are",
        "numbered parts of archives are not among what is to be loaded, though later ones are",
    ),
    FindingCode.UNEXPECTED_ITEM: (
        "item was not announced and is not loaded",
        "items were not announced and are not loaded",
    ),
    FindingCode.SYMBOLIC_LINK: (
        "symbolic link was not followed and is not stored",
        "symbolic links were not followed and are not stored",
    ),
    FindingCode.SUBVOLUME: (
        "folder is a subvolume, which is a file system of its own and is not read",
        "folders are subvolumes, which are file systems of their own and are not read",
    ),
    FindingCode.SPECIAL_FILE: (
        "device, socket or pipe is not stored",
        "devices, sockets or pipes are not stored",
    ),
}
"""What to say of one, and of several."""


def _oddities(case: Case) -> Iterator[Finding]:
    facts = case.facts
    for path in facts.unlistable.examples:
        # One each, so that two looks agree only about the same folder.
        yield make(FindingCode.FOLDER_UNREADABLE, path, f"The folder {shortened(path)} cannot be read.")
    table = (
        (FindingCode.DRIVE_CHANGED, facts.changed),
        (FindingCode.PATH_OUT_OF_BOUNDS, facts.out_of_bounds),
        (FindingCode.RESERVED_NAME, facts.reserved),
        (FindingCode.FILE_EMPTY, facts.empty),
        (FindingCode.PART_MISSING, facts.missing_parts),
        (FindingCode.UNEXPECTED_ITEM, facts.unexpected),
        (FindingCode.SYMBOLIC_LINK, facts.links),
        (FindingCode.SPECIAL_FILE, facts.specials),
        (FindingCode.SUBVOLUME, facts.subvolumes),
    )
    for code, samples in table:
        if samples.count:
            text = counted(samples.count, *_ODDITIES[code])
            finding = make(
                code,
                "drive",
                with_example(text, samples.examples, samples.count),
                Evidence(name="count", value=samples.count),
                Evidence(name="size_bytes", value=samples.size_bytes),
                Evidence(name="examples", value=samples.examples),
            )
            elsewhere = code is FindingCode.PART_MISSING and len(case.job.drives) > 1
            yield replace(finding, severity=Severity.NOTED) if elsewhere else finding


def _more_than_it_holds(case: Case) -> Iterator[Finding]:
    """Holes and hard links are loaded at their full size: that may be months more than there is."""
    ledger = case.facts.ledger
    wanted = ledger.discovered_bytes - ledger.skipped_bytes
    sizes = [volume.size_bytes for volume in case.facts.volumes if volume.problem is None]
    known = sum(size for size in sizes if size) if sizes and all(sizes) else None
    room = min((size for size in (known, case.drive_size_bytes) if size is not None), default=None)
    if room is not None and wanted > room:
        yield make(
            FindingCode.MORE_THAN_DRIVE,
            "drive",
            f"The files that are to be loaded have {wanted:,} bytes together, and the drive has room for "
            f"{room:,}: some have holes, share their content with others, or are compressed, and each is "
            "loaded at its full size.",
            Evidence(name="files_bytes", value=wanted),
            Evidence(name="drive_bytes", value=room),
        )


def _secrecy(case: Case) -> Iterator[Finding]:
    words = {
        Secrecy.PLAIN: (FindingCode.NOT_ENCRYPTED, "is not encrypted: it is"),
        Secrecy.RANDOM_LIKE: (FindingCode.ENCRYPTION_STATISTICAL, "has no known structure; it is"),
        Secrecy.UNKNOWN: (FindingCode.ENCRYPTION_UNCERTAIN, "may or may not be encrypted:"),
    }
    for fact in case.facts.secrecy:
        if fact.secrecy not in words:
            continue
        code, text = words[fact.secrecy]
        format_told = Evidence(name="format", value=fact.kind)
        begun = _begun(case, fact)
        if begun is None:
            yield make(code, fact.path, f"{shortened(fact.path)} {text} {fact.kind}.", format_told)
            continue
        first, where = begun
        finding = make(
            code,
            fact.path,
            f"{shortened(fact.path)} has no structure of its own, as a later piece of {shortened(first)} has "
            f"none, which {where}; it is {fact.kind}.",
            format_told,
            Evidence(name="first_piece", value=first),
        )
        yield replace(finding, severity=Severity.NOTED)


def _begun(case: Case, fact: SecrecyFact) -> tuple[str, str] | None:
    """The first piece of the file that this is a later piece of, and what is known of that; None where it is
    judged by itself. What the file is, is judged where its first piece lies."""
    if not fact.piece_of or fact.secrecy is Secrecy.PLAIN or len(case.job.drives) < 2:
        return None
    announced = {item.name for item in case.job.items}
    elsewhere = case.elsewhere or frozenset()
    known = (
        (frozenset(case.facts.begun), "is on this drive"),
        (elsewhere, "is on another drive of the job"),
        (announced, "was announced"),
    )
    for names, where in known:
        for first in fact.piece_of:
            if first in names:
                return printable(first.encode("utf-8", "surrogateescape")), where
    if case.elsewhere is None and not announced:
        first = printable(fact.piece_of[-1].encode("utf-8", "surrogateescape"))
        return first, "may lie on a drive of the job that has yet to be seen"
    return None


def _checksum_lists(case: Case) -> Iterator[Finding]:
    return manifest_rules.findings(case.facts)


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


def _drive(case: Case) -> Iterator[Finding]:
    return drive_rules.findings(case.facts, case.job.drives[case.drive_index], case.interfaces_refused)


RULES: tuple[Rule, ...] = (
    _volumes,
    _unclean,
    _items,
    _nothing,
    _oddities,
    _more_than_it_holds,
    _secrecy,
    _checksum_lists,
    _capacity,
    _drive,
)


_WHY_NOTHING = frozenset(
    {
        FindingCode.NO_READABLE_VOLUME,
        FindingCode.VOLUME_NOT_UNMOUNTED,
        FindingCode.VOLUME_UNREADABLE,
        FindingCode.VOLUME_LOCKED,
        FindingCode.VOLUME_ARRAY_MEMBER,
        FindingCode.VOLUME_NOT_ACCEPTED,
        FindingCode.ITEM_MISSING,
        FindingCode.ITEM_NOT_IN_ROOT,
        FindingCode.ITEM_WRONG_KIND,
    }
)
"""Where one of these blocks, nobody needs to be told that there is nothing to load besides."""


_MAY_LIE_THERE = frozenset(
    {
        FindingCode.ITEM_MISSING,
        FindingCode.ITEM_NOT_IN_ROOT,
        FindingCode.ITEM_WRONG_KIND,
        FindingCode.NOTHING_TO_LOAD,
    }
)
"""What proves nothing while a volume could not be looked into, perhaps by the station's fault."""


def _doubted(case: Case, judged: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """What may lie on a volume that is in doubt is in doubt as well: a person decides about both."""
    if not any(volume.flaw is VolumeFlaw.IN_DOUBT for volume in case.facts.volumes):
        return judged
    return tuple(
        replace(finding, severity=Severity.DOUBTFUL)
        if finding.code in _MAY_LIE_THERE and finding.severity is Severity.BLOCKING
        else finding
        for finding in judged
    )


def judge_survey(case: Case, limits: Limits) -> tuple[Finding, ...]:
    """Every finding of a survey, with the severity that applies to this job."""
    found = (finding for rule in RULES for finding in rule(case))
    judged = _doubted(case, _with_policy(found, case.job, limits))
    if any(finding.code in _WHY_NOTHING for finding in blocking(judged)):
        return tuple(finding for finding in judged if finding.code is not FindingCode.NOTHING_TO_LOAD)
    return judged


def judge_faults(faults: Iterable[FileFault], job: Job, limits: Limits) -> tuple[Finding, ...]:
    """The findings that faults of single files amount to."""
    return _with_policy((_of_fault(fault) for fault in faults), job, limits)


def judge_health(before: HealthFacts, after: HealthFacts, job: Job, limits: Limits) -> tuple[Finding, ...]:
    """The findings that two readings of a drive's own counts amount to, before and after it was read."""
    return _with_policy(drive_rules.worsened(before, after), job, limits)


def _with_policy(findings: Iterable[Finding], job: Job, limits: Limits) -> tuple[Finding, ...]:
    judged: list[Finding] = []
    for finding in findings:
        severity = severity_of(finding.code, job, limits)
        if severity is not None:
            softened = finding.severity is not CATALOGUE[finding.code].severity
            judged.append(finding if softened else replace(finding, severity=severity))
    return tuple(judged)


def _of_range(lost: ByteRange) -> str:
    return f"{lost.offset_bytes}+{lost.length_bytes} {lost.error or 'not read'}"


def _of_fault(fault: FileFault) -> Finding:
    path = shortened(fault.path)
    if fault.kind is FaultKind.UNREADABLE:
        ranges = tuple(_of_range(r) for r in fault.ranges)
        lost = sum(r.length_bytes for r in fault.ranges)
        return make(
            FindingCode.FILE_UNREADABLE,
            fault.path,
            f"{path} cannot be read: {lost:,} of its {fault.size_bytes:,} bytes are lost, "
            f"in {counted(len(ranges), 'place', 'places')}.",
            Evidence(name="ranges", value=ranges[:100]),
            Evidence(name="error", value=fault.found or ""),
        )
    if fault.kind is FaultKind.CHECKSUM_MISMATCH:
        return manifest_rules.mismatch(fault)
    if fault.kind is FaultKind.CHANGED_WHILE_READ:
        return make(
            FindingCode.FILE_CHANGED,
            fault.path,
            f"{path} changed while it was read.",
            Evidence(name="expected", value=fault.expected or ""),
            Evidence(name="found", value=fault.found or ""),
        )
    if fault.kind is FaultKind.NOT_SUPPORTED:
        return make(
            FindingCode.FILE_IN_DOUBT,
            fault.path,
            f"{path} ({counted(fault.size_bytes, 'byte', 'bytes')}) is not read by this station's driver of "
            f"its file system: {fault.found or 'it does not say why'}.",
            Evidence(name="error", value=fault.found or ""),
        )
    return make(
        FindingCode.NOT_ENCRYPTED,
        fault.path,
        f"{path} is not encrypted: it is {fault.found or 'a plain format'}.",
        Evidence(name="format", value=fault.found or ""),
    )


def blocking(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(f for f in findings if f.severity is Severity.BLOCKING)


_GRAVITY = (Severity.BLOCKING, Severity.DOUBTFUL, Severity.NOTED)

FINDINGS_MAX = 100
EVIDENCE_MAX = 25


def told(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings as an event carries them, the gravest first: a disk may have more of them, and more ranges
    of bad sectors, than a broker takes in one message. What is left out is counted; the journal has it."""
    grave = sorted(findings, key=lambda finding: _GRAVITY.index(finding.severity))
    shown = [replace(finding, evidence=_shortened(finding)) for finding in grave[:FINDINGS_MAX]]
    left_out = len(findings) - len(shown)
    if left_out:
        last = shown[-1]
        more = Evidence(name="more findings", value=left_out)
        shown[-1] = replace(last, evidence=(*last.evidence, more))
    return tuple(shown)


def _shortened(finding: Finding) -> tuple[Evidence, ...]:
    return tuple(_shortened_one(each) for each in finding.evidence)


def _shortened_one(each: Evidence) -> Evidence:
    if not isinstance(each.value, tuple) or len(each.value) <= EVIDENCE_MAX + 1:
        return each
    more = f"and {len(each.value) - EVIDENCE_MAX} more"
    return Evidence(name=each.name, value=(*each.value[:EVIDENCE_MAX], more))


def doubtful(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(f for f in findings if f.severity is Severity.DOUBTFUL)


def noted(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(f for f in findings if f.severity is Severity.NOTED)


def as_noted(findings: Iterable[Finding], words: str) -> tuple[Finding, ...]:
    """The same facts, kept for the record under a code that blocks nothing."""
    return tuple(
        replace(
            make(FindingCode.SEEN_ONCE, f.subject, f"{words} {f.sentence}", *f.evidence),
            cause=f.cause,
        )
        for f in findings
    )
