"""BagIt bags for tests: written by our own few lines, and looked at as a station does."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ingestd.content.survey import survey
from ingestd.core import requirements
from ingestd.core.found import FindingCode, SurveyFacts
from ingestd.core.job import Item
from ingestd.transfer.hashes import Hashes
from tests.support import values as v
from tests.support.drives import Going
from tests.support.fake_drive import FakeDrive
from tests.support.fake_manifest import FakeManifest

DECLARED = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

Bag = dict[str, bytes]
"""Path within the bag, and content."""


def digest(algorithm: str, body: bytes) -> str:
    return hashlib.new(algorithm, body).hexdigest()


def line(algorithm: str, path: str, body: bytes) -> str:
    written = path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")
    return f"{digest(algorithm, body)}  {written}\n"


def bag(
    payload: Mapping[str, bytes],
    *,
    algorithms: Sequence[str] = ("sha512",),
    tag_algorithms: Sequence[str] = ("sha512",),
    info: str | None = None,
) -> Bag:
    """A valid bag with this payload, named below `data/`; with bag-info.txt and tag manifests."""
    oxum = f"{sum(map(len, payload.values()))}.{len(payload)}"
    made: Bag = {f"data/{name}": body for name, body in payload.items()}
    tags: Bag = {
        "bagit.txt": DECLARED,
        "bag-info.txt": (info or f"Contact-Name: The kelp desk\nPayload-Oxum: {oxum}\n").encode(),
    }
    for algorithm in algorithms:
        lines = "".join(line(algorithm, path, body) for path, body in made.items())
        tags[f"manifest-{algorithm}.txt"] = lines.encode()
    return retagged({**made, **tags}, tag_algorithms)


def retagged(made: Bag, algorithms: Sequence[str] = ("sha512",)) -> Bag:
    """The bag with its tag manifests made anew."""
    tags = {
        path: body
        for path, body in made.items()
        if not path.startswith(("data/", "tagmanifest-")) and path != "data"
    }
    fresh = {path: body for path, body in made.items() if not path.startswith("tagmanifest-")}
    for algorithm in algorithms:
        lines = "".join(line(algorithm, path, body) for path, body in tags.items())
        fresh[f"tagmanifest-{algorithm}.txt"] = lines.encode()
    return fresh


def write(folder: Path, made: Bag) -> Path:
    """On disk; a path that ends in a slash is an empty folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for path, body in made.items():
        target = folder / path
        if path.endswith("/"):
            target.mkdir(parents=True, exist_ok=True)
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(body)
    return folder


@dataclass(frozen=True)
class Seen:
    """What a station makes of a drive whose one volume is a folder."""

    facts: SurveyFacts
    blocking: set[FindingCode]
    doubtful: set[FindingCode]
    noted: set[FindingCode]
    sentences: str
    mismatches: tuple[tuple[str, str], ...]
    """Path and algorithm of the files that are not as somebody says, as their one reading shows."""
    loaded: set[str]

    @property
    def valid(self) -> bool:
        """Whether it is loaded without anybody being asked."""
        return not (self.blocking or self.doubtful or self.mismatches)


def look(drive_folder: Path, *items: Item, sniff: bool = False) -> Seen:
    """`drive_folder` has a folder `volume-1`."""
    drive, manifest = FakeDrive(drive_folder), FakeManifest()
    try:
        job = v.job(items=items)
        facts = survey(drive, job, manifest, reserved=b".ingest", cancel=Going(), sniff=sniff)
        case = requirements.Case(job=job, drive_index=0, drive_size_bytes=None, facts=facts)
        findings = requirements.judge_survey(case, v.LIMITS)
        files = manifest.pending(-1, 1_000_000)
        mismatches = []
        for file in files:
            hashes = Hashes(file.expected)
            hashes.update(memoryview((drive_folder / "volume-1" / file.path.decode()).read_bytes()))
            broken = hashes.broken()
            if broken is not None:
                mismatches.append((file.path.decode(), broken[0].algorithm))
        return Seen(
            facts,
            {finding.code for finding in requirements.blocking(findings)},
            {finding.code for finding in requirements.doubtful(findings)},
            {finding.code for finding in requirements.noted(findings)},
            "\n".join(finding.sentence for finding in findings),
            tuple(sorted(mismatches)),
            {file.path.decode() for file in files},
        )
    finally:
        drive.close()
