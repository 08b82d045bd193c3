"""What `ingestd inspect` shows: the verdict, what was seen, and every finding with what to do about it."""

from __future__ import annotations

from collections.abc import Iterator

from ingestd.bus.shapes import written
from ingestd.core.drive import VolumeFacts
from ingestd.core.found import Finding
from ingestd.core.inspected import InspectionReport
from ingestd.core.model import Severity
from ingestd.core.names import counted, printable
from ingestd.runtime.inspection import Inspection
from ingestd.runtime.show import size, wrapped

_READ = "Every file was read to its end, those at fault twice; a station also surveys twice to refuse."
_NOT_READ = "One look, and not at every byte: a station looks twice before it refuses, and reads every file."
_ORDER = (Severity.BLOCKING, Severity.DOUBTFUL, Severity.NOTED)


def inspection(seen: Inspection, path: str) -> Iterator[str]:
    """Lines of at most 80 columns; names are escaped."""
    by = (
        f"as job {seen.job.job_id} wants it"
        if seen.job is not None
        else "by the site's own rules, no job given"
    )
    yield from wrapped(
        f"{printable(path.encode('utf-8', 'surrogateescape'))}: {seen.verdict.upper()}, {by}", ""
    )
    yield from wrapped(_READ if seen.read else _NOT_READ, "")
    yield ""
    for volume in seen.drive.volumes:
        yield from wrapped(_volume(volume), "  ")
    ledger = seen.facts.ledger
    found = f"{counted(ledger.discovered_files, 'file', 'files')}, {size(ledger.discovered_bytes)}"
    yield from wrapped(f"{found}; of these {size(ledger.pending_bytes)} to be loaded", "  ")
    for severity in _ORDER:
        for finding in seen.findings:
            if finding.severity is severity:
                yield ""
                yield from _finding(finding)


def _volume(volume: VolumeFacts) -> str:
    label = f", label {volume.label}" if volume.label else ""
    problem = f": {volume.problem}" if volume.problem else ""
    return f"{volume.name} ({volume.file_system or 'unknown format'}{label}){problem}"


def _finding(finding: Finding) -> Iterator[str]:
    yield f"{finding.severity.upper()}  {finding.code}"
    yield from wrapped(finding.sentence, "    ")
    for each in finding.evidence:
        value = ", ".join(map(str, each.value)) if isinstance(each.value, tuple) else str(each.value)
        if value:
            yield from wrapped(f"{each.name}: {value}", "      ")
    if finding.remedy_customer:
        yield from wrapped(f"customer: {finding.remedy_customer}", "    ")
    if finding.remedy_floor:
        yield from wrapped(f"floor: {finding.remedy_floor}", "    ")


def as_json(seen: Inspection) -> object:
    """The same, for scripts: `ingestd schema ingestd.inspection` describes it."""
    return written(
        InspectionReport(
            verdict=seen.verdict,
            job_id=seen.job.job_id if seen.job is not None else None,
            read=seen.read,
            volumes=seen.drive.volumes,
            ledger=seen.facts.ledger,
            findings=seen.findings,
        )
    )
