"""The catalogue of findings: whose fault each is, how much it weighs, and what to do about it.

What a code's severity is comes from here, changed by the site's policy, changed by the job's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ingestd.core.found import Evidence, Finding, FindingCode
from ingestd.core.job import Job
from ingestd.core.limits import Limits
from ingestd.core.model import FailureClass, Policy, Severity

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
SET_ASIDE = "Keep the drive locked until support has closed the case, then treat it as its disposition says."
_NOTHING = "Nothing to do."

CATALOGUE: Mapping[FindingCode, Entry] = {
    FindingCode.DRIVE_UNREADABLE: Entry(_DRIVE, _BLOCKING, _SEND_AGAIN, SET_ASIDE, fixed=True),
    FindingCode.NO_READABLE_VOLUME: Entry(
        _DRIVE,
        _BLOCKING,
        "Format the drive with one of the accepted file systems, write the archives and send it again.",
        SET_ASIDE,
        fixed=True,
    ),
    FindingCode.VOLUME_UNREADABLE: Entry(
        _DATA,
        _BLOCKING,
        "Check the volume for errors, or format it with an accepted file system, and send the drive again.",
        SET_ASIDE,
    ),
    FindingCode.VOLUME_IN_DOUBT: Entry(
        _DATA,
        _DOUBTFUL,
        "Check the volume for errors with the tools of its system, and tell support how it was made.",
        "Have the station's kernel log looked at. Accept: load without this volume; refuse: the job fails; "
        "again: when the station has been mended.",
        fixed=True,
    ),
    FindingCode.VOLUME_NOT_UNMOUNTED: Entry(
        _DATA,
        _BLOCKING,
        "Connect the drive to a computer, let it mount, eject it properly and send it again.",
        SET_ASIDE,
    ),
    FindingCode.VOLUME_LOCKED: Entry(
        _DATA,
        _BLOCKING,
        "Write the encrypted archives to a volume that is not itself locked, and send the drive again.",
        SET_ASIDE,
    ),
    FindingCode.VOLUME_ARRAY_MEMBER: Entry(
        _DATA,
        _BLOCKING,
        "Write the archives to a drive that can be read by itself, and send that one.",
        SET_ASIDE,
    ),
    FindingCode.VOLUME_NOT_ACCEPTED: Entry(
        _DATA,
        _BLOCKING,
        "Use one of the accepted file systems, and send the drive again.",
        SET_ASIDE,
    ),
    FindingCode.VOLUME_SPARE: Entry(_DATA, _NOTED, _NOTHING, _NOTHING),
    FindingCode.VOLUME_REPLAYED: Entry(
        _DATA, _NOTED, "Eject drives properly before unplugging them.", _NOTHING
    ),
    FindingCode.VOLUME_MARKED_UNCLEAN: Entry(
        _DATA, _NOTED, "Eject drives properly before unplugging them.", _NOTHING
    ),
    FindingCode.FOLDER_UNREADABLE: Entry(_DRIVE, _BLOCKING, _SEND_AGAIN, SET_ASIDE, fixed=True),
    FindingCode.FILE_UNREADABLE: Entry(_DRIVE, _BLOCKING, _SEND_AGAIN, SET_ASIDE, fixed=True),
    FindingCode.FILE_IN_DOUBT: Entry(
        _DATA,
        _DOUBTFUL,
        "Write the file anew without the compression or encryption of its file system, or tell support how "
        "it was made.",
        "Have the station's kernel log looked at. Accept: load without this file; refuse: the job fails; "
        "again: when the station has been mended.",
        fixed=True,
    ),
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
        SET_ASIDE,
    ),
    FindingCode.ITEM_NOT_IN_ROOT: Entry(
        _REQUIREMENT,
        _BLOCKING,
        "Put the archive, under the announced name, in the root of the volume, not in a folder.",
        SET_ASIDE,
    ),
    FindingCode.ITEM_NAME_DIFFERS: Entry(
        _REQUIREMENT,
        _DOUBTFUL,
        "Announce the archive under the name that it has on the drive, or tell support that it is the one.",
        "Leave the drive in its bay; support decides. Accept: it is loaded under the name that it has.",
    ),
    FindingCode.ITEM_WRONG_KIND: Entry(
        _REQUIREMENT, _BLOCKING, "Write the archive itself to the drive, not a link to it.", SET_ASIDE
    ),
    FindingCode.ITEM_WRONG_SIZE: Entry(
        _DATA, _BLOCKING, "Write the archive again and compare its size before sending.", SET_ASIDE
    ),
    FindingCode.ITEM_EMPTY: Entry(
        _DATA,
        _DOUBTFUL,
        "Tell support whether this file is meant to be empty, and announce its size.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.FILE_EMPTY: Entry(
        _DATA, _NOTED, "Tell support whether these files are meant to be empty.", _NOTHING
    ),
    FindingCode.PART_MISSING: Entry(
        _DATA,
        _DOUBTFUL,
        "Write all parts of the archive to the drive, or tell support that there are no more.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.MORE_THAN_DRIVE: Entry(
        _DATA,
        _DOUBTFUL,
        "Write files without holes, and each of them once.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.CHECKSUM_MISMATCH: Entry(
        _DATA,
        _BLOCKING,
        "Write the archive again and verify its checksum before sending.",
        SET_ASIDE,
        fixed=True,
    ),
    FindingCode.LISTED_FILE_MISSING: Entry(
        _DATA, _BLOCKING, "Write all files that the checksum list names, or correct the list.", SET_ASIDE
    ),
    FindingCode.CHECKSUM_LIST_BROKEN: Entry(
        _DATA, _NOTED, "Write checksum lists as sha256sum does, one line a file.", _NOTHING
    ),
    FindingCode.CHECKSUMS_WEAK: Entry(
        _DATA, _NOTED, "Give SHA-256 or SHA-512 checksums: MD5 and SHA-1 can be forged.", _NOTHING
    ),
    FindingCode.BAG_BROKEN: Entry(
        _DATA,
        _BLOCKING,
        "Make the bag anew with a tool for BagIt, and validate it before sending.",
        SET_ASIDE,
    ),
    FindingCode.BAG_INCOMPLETE: Entry(
        _DATA, _BLOCKING, "Copy the whole bag to the drive, and validate it there before sending.", SET_ASIDE
    ),
    FindingCode.BAG_FILE_UNLISTED: Entry(
        _DATA,
        _BLOCKING,
        "Put nothing into the payload of a finished bag; make its manifests anew.",
        SET_ASIDE,
    ),
    FindingCode.BAG_TO_BE_FETCHED: Entry(
        _REQUIREMENT,
        _BLOCKING,
        "Send bags with all of their payload in them; nothing is fetched from elsewhere.",
        SET_ASIDE,
    ),
    FindingCode.BAG_OXUM_WRONG: Entry(
        _DATA, _BLOCKING, "Copy the whole bag to the drive, and validate it there before sending.", SET_ASIDE
    ),
    FindingCode.BAG_NAMES_DIFFER: Entry(
        _DATA,
        _DOUBTFUL,
        "Copy bags in a way that keeps names as they are, or make the bag on the drive itself.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.BAG_NOT_CHECKED: Entry(
        _DATA,
        _DOUBTFUL,
        "Make bags of version 1.0, in UTF-8, with manifests by SHA-256 or SHA-512.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.BAG_NOT_STRICT: Entry(
        _DATA, _NOTED, "Make the bag anew with a tool for BagIt 1.0.", _NOTHING
    ),
    FindingCode.BAG_BEYOND_NOTICE: Entry(
        _REQUIREMENT, _NOTED, "Announce everything that is to be loaded.", _NOTHING
    ),
    FindingCode.NOT_ENCRYPTED: Entry(
        _REQUIREMENT, _BLOCKING, "Encrypt the archive before writing it to the drive.", SET_ASIDE
    ),
    FindingCode.ENCRYPTION_STATISTICAL: Entry(
        _REQUIREMENT,
        _DOUBTFUL,
        "Use an encrypted format that can be recognised.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.ENCRYPTION_UNCERTAIN: Entry(
        _REQUIREMENT,
        _DOUBTFUL,
        "Tell support how the archive was encrypted.",
        "Leave the drive in its bay; support decides.",
    ),
    FindingCode.NOTHING_TO_LOAD: Entry(
        _REQUIREMENT, _BLOCKING, "Write the archives to the root of a volume and send it again.", SET_ASIDE
    ),
    FindingCode.UNEXPECTED_ITEM: Entry(
        _REQUIREMENT, _NOTED, "Announce everything that is to be loaded.", _NOTHING
    ),
    FindingCode.SYMBOLIC_LINK: Entry(_REQUIREMENT, _NOTED, "Write files, not links to files.", _NOTHING),
    FindingCode.SPECIAL_FILE: Entry(
        _REQUIREMENT, _NOTED, "Leave devices, sockets and pipes off the drive.", _NOTHING
    ),
    FindingCode.SUBVOLUME: Entry(
        _REQUIREMENT,
        _BLOCKING,
        "Copy what lies in subvolumes into plain folders of the volume, and send the drive again.",
        SET_ASIDE,
        fixed=True,
    ),
    FindingCode.PATH_OUT_OF_BOUNDS: Entry(
        _REQUIREMENT, _BLOCKING, "Put deep folder trees into an archive.", SET_ASIDE
    ),
    FindingCode.RESERVED_NAME: Entry(
        _REQUIREMENT, _BLOCKING, "Rename the folder; receipts are kept under that name.", SET_ASIDE
    ),
    FindingCode.SIZE_NOT_AS_ANNOUNCED: Entry(
        _REQUIREMENT, _NOTED, "Announce the drive that is sent.", "Compare the drive's label with the order."
    ),
    FindingCode.INTERFACE_NOT_ACCEPTED: Entry(
        _REQUIREMENT,
        _BLOCKING,
        "Send the data on a drive with SATA, eSATA, NVMe, SAS, or USB 3 or faster.",
        SET_ASIDE,
    ),
    FindingCode.INTERFACE_NOT_AS_ANNOUNCED: Entry(
        _REQUIREMENT, _NOTED, "Announce the drive that is sent.", "Compare the drive with the order."
    ),
    FindingCode.LINK_DEGRADED: Entry(
        _REQUIREMENT,
        _NOTED,
        _NOTHING,
        "Try another cable or bay before the next drive; this one is slow, and loads all the same.",
        fixed=True,
    ),
    FindingCode.HEALTH_SUSPECT: Entry(
        _DRIVE, _NOTED, "Use another drive for the next order.", "Expect trouble from this drive."
    ),
    FindingCode.HEALTH_WORSENED: Entry(
        _DRIVE,
        _NOTED,
        "Use another drive for the next order.",
        "Do not plug it in more often than need be.",
        fixed=True,
    ),
    FindingCode.HEALTH_NOTE: Entry(
        _DRIVE, _NOTED, _NOTHING, "Let a cold or hot drive come to room temperature."
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
