"""The survey of a drive on a desk: the same look and the same findings as at a station, without one.

Read-only as the daemon is, through the same code, with a journal of its own that is thrown away. It is one
look: a station fails a job only when a second one agrees, and reads every file while it loads.
"""

from __future__ import annotations

import contextlib
import json
import os
import stat
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from ingestd.bus import codec
from ingestd.content.survey import survey
from ingestd.core import requirements
from ingestd.core.catalogue import refuses_plain, wants_encryption
from ingestd.core.drive import DriveFacts, DriveIdentity
from ingestd.core.found import Finding, SurveyFacts
from ingestd.core.inspected import Verdict
from ingestd.core.job import Destination, ExpectedDrive, Job
from ingestd.core.layout import RECORDS
from ingestd.core.limits import Limits
from ingestd.core.messages import JobAmended, JobAnnounced
from ingestd.core.model import Attempt, BayName, JobId, LoadId
from ingestd.drives import block
from ingestd.drives.file_systems import ACCEPTED
from ingestd.drives.folder import FolderDrives
from ingestd.drives.opening import open_drive
from ingestd.drives.overlay import Scratch
from ingestd.drives.privileged.keeper import Keeper, KeeperSettings
from ingestd.drives.privileged.verbs import DeviceName
from ingestd.journal.journal import Journal
from ingestd.journal.manifest import SqliteManifest
from ingestd.ports import OpenDrive, ToolFailed
from ingestd.runtime.clock import Clock
from ingestd.runtime.effects import Token
from ingestd.runtime.handlers import plain_kind
from ingestd.transfer.damage import Patience
from ingestd.transfer.reading import read_all
from ingestd.transfer.recheck import recheck
from ingestd.transfer.source import Care

_DESK = BayName("desk")
_OVERLAY_BYTES = 1 << 30
_DAMAGE_S = 7200.0
"""How long may go into finding out what of a failing drive cannot be read, as `drives.damage_seconds`."""
_SEEN_ONCE = "Seen in one look only:"


class NotLookedAt(Exception):
    """What was given cannot be looked at, and why."""


@dataclass(frozen=True, slots=True)
class Inspection:
    """What was seen, and what it amounts to."""

    job: Job | None
    drive: DriveFacts
    facts: SurveyFacts
    findings: tuple[Finding, ...]
    read: bool = False
    """Whether every file was read to its end."""

    @property
    def verdict(self) -> Verdict:
        """As a station would say after its survey."""
        if requirements.blocking(self.findings):
            return Verdict.REFUSED
        return Verdict.DOUBTFUL if requirements.doubtful(self.findings) else Verdict.ACCEPTED


def job_in(path: str) -> Job:
    """The job that a notice in a file announces or amends. Raises NotLookedAt with every problem."""
    try:
        with open(path, "rb") as file:
            body = file.read()
        notice = codec.decode(body, at=time.time(), station="").notice
    except OSError as error:
        raise NotLookedAt(f"{path}: cannot be read: {error.strerror}") from None
    except codec.Malformed as error:
        raise NotLookedAt("\n".join(f"{path}: {problem}" for problem in error.problems)) from None
    if not isinstance(notice, JobAnnounced | JobAmended):
        raise NotLookedAt(f"{path}: announces no job; give the notice ingest.job.announced or .amended")
    return notice.job


def inspect(
    path: str, job: Job | None, drive_index: int, limits: Limits, reading: Callable[[int], None] | None = None
) -> Inspection:
    """Look at a folder, an image or a block device. Raises NotLookedAt, and PortError where a look fails.

    With `reading` every file that would be loaded is read to its end; it is told of the bytes as they come.
    """
    if job is not None and not 0 <= drive_index < len(job.drives):
        raise NotLookedAt(f"--drive: the job has {len(job.drives)} drives; give a number from 1 on")
    judged_by = job or _any_job()
    with tempfile.TemporaryDirectory(prefix="ingestd-inspect-") as scratch, contextlib.ExitStack() as stack:
        drive = stack.enter_context(_opened(path, scratch))
        os.mkdir(os.path.join(scratch, "journal"))
        journal = Journal.open(os.path.join(scratch, "journal"), encode=lambda _: b"")
        stack.callback(journal.close)
        manifest = journal.manifest(LoadId("desk"))
        manifest.claim(Attempt(1))
        token = Token(Clock())
        sniff = wants_encryption(judged_by, limits)
        facts = survey(drive, judged_by, manifest, reserved=RECORDS, cancel=token, sniff=sniff)
        case = requirements.Case(
            job=judged_by,
            drive_index=drive_index,
            drive_size_bytes=drive.facts.identity.size_bytes,
            facts=facts,
            # How it is plugged in here says nothing about how it will be there.
            interfaces_refused=(),
            elsewhere=frozenset() if len(judged_by.drives) == 1 else None,
        )
        findings = requirements.judge_survey(case, limits)
        if reading is None:
            return Inspection(job, drive.facts, facts, findings)
        more = _read(drive, judged_by, manifest, limits, token, reading)
        known = {finding.key for finding in findings}
        findings += tuple(finding for finding in more if finding.key not in known)
        facts = replace(facts, ledger=manifest.ledger())
        return Inspection(job, drive.facts, facts, findings, read=True)


def _read(
    drive: OpenDrive,
    job: Job,
    manifest: SqliteManifest,
    limits: Limits,
    token: Token,
    told: Callable[[int], None],
) -> tuple[Finding, ...]:
    """What reading every file brings to light; as at a station, what a second look does not bear out is
    noted only."""
    care = Care(patience=Patience(_DAMAGE_S), turns=drive.facts.rotational is not False)
    look_head = plain_kind if refuses_plain(job, limits) else None
    faults = read_all(drive, manifest, token, look_head=look_head, care=care, told=told)
    if not faults:
        return ()
    _, confirmed = recheck(faults, drive, manifest, token, look_head=plain_kind, care=care, read=os.preadv)
    borne_out = requirements.judge_faults(confirmed, job, limits)
    keys = {finding.key for finding in borne_out}
    once = (f for f in requirements.judge_faults(faults, job, limits) if f.key not in keys)
    return borne_out + requirements.as_noted(once, _SEEN_ONCE)


def _any_job() -> Job:
    """A job that expects nothing but what the site does of every drive."""
    return Job(
        job_id=JobId("desk"),
        version=1,
        tenant="desk",
        drives=(ExpectedDrive(),),
        items=(),
        destination=Destination(store="desk", prefix="desk"),
    )


@contextlib.contextmanager
def _opened(path: str, scratch: str) -> Iterator[OpenDrive]:
    try:
        mode = os.stat(path).st_mode
    except OSError as error:
        raise NotLookedAt(f"{path}: {error.strerror}") from None
    if stat.S_ISDIR(mode):
        way = _folder(path, scratch)
    elif stat.S_ISBLK(mode):
        way = _device(path, scratch)
    elif stat.S_ISREG(mode):
        way = _image(path, scratch)
    else:
        raise NotLookedAt(f"{path}: is neither a folder, nor an image, nor a block device")
    with way as drive:
        yield drive


@contextlib.contextmanager
def _folder(path: str, scratch: str) -> Iterator[OpenDrive]:
    bay = os.path.join(scratch, "bays", _DESK)
    os.makedirs(bay)
    with open(os.path.join(bay, "drive.json"), "w", encoding="utf-8") as card:
        json.dump({"volumes": [{"path": os.path.abspath(path)}]}, card)
    drives = FolderDrives(os.path.join(scratch, "bays"))
    (sighting,) = drives.enumerate()
    with contextlib.closing(drives.open(sighting.handle, Token(Clock()))) as drive:
        yield drive


@contextlib.contextmanager
def _image(path: str, scratch: str) -> Iterator[OpenDrive]:
    """Through a loop device that cannot be written to."""
    _need_root(path)
    attached = subprocess.run(
        ["losetup", "--read-only", "--find", "--show", path], capture_output=True, text=True, check=False
    )
    if attached.returncode != 0:
        raise ToolFailed(f"{path} cannot be attached to a loop device: {attached.stderr.strip()}")
    node = attached.stdout.strip()
    try:
        with _device(node, scratch) as drive:
            yield drive
    finally:
        subprocess.run(["losetup", "--detach", node], capture_output=True, check=False)


@contextlib.contextmanager
def _device(path: str, scratch: str) -> Iterator[OpenDrive]:
    """Sealed, through read-only windows, as in a bay. Raises ToolFailed when something else uses it."""
    _need_root(path)
    node = os.path.realpath(path)
    if os.path.exists(f"/sys/class/block/{os.path.basename(node)}/partition"):
        raise NotLookedAt(f"{path}: is a partition; give the whole disk, {_disk_of(node)}")
    settings = KeeperSettings(
        mounts_folder=os.path.join(scratch, "mounts"),
        scratch=Scratch(folder=os.path.join(scratch, "overlays"), bytes_max=_OVERLAY_BYTES),
        accepted=ACCEPTED,
    )
    keeper = Keeper(settings, lambda seen: _DESK if seen == node else None)
    major, minor, sequence = block.number_and_sequence(node)
    with open(f"/sys/class/block/{os.path.basename(node)}/size", encoding="ascii") as file:
        size_bytes = 512 * int(file.read())
    opened = open_drive(
        keeper,
        DeviceName(major, minor, sequence),
        DriveFacts(identity=DriveIdentity(size_bytes=size_bytes), interface="desk"),
        Token(Clock()),
        must_be_there=lambda: None,
        still_there=lambda: True,
    )
    with contextlib.closing(opened) as drive:
        yield drive


def _disk_of(node: str) -> str:
    folder = os.path.realpath(f"/sys/class/block/{os.path.basename(node)}")
    return f"/dev/{os.path.basename(os.path.dirname(folder))}"


def _need_root(path: str) -> None:
    if os.geteuid() != 0:
        raise NotLookedAt(
            f"{path}: mounting what is on it, read-only, takes root: use sudo, or give a folder"
        )
