"""Volumes of a drive: probing what they are, and holding an open drive until it is let go of."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from ingestd.core.model import DriveFacts, Ticket, VolumeFacts
from ingestd.core.names import from_printable, printable
from ingestd.drives import block, mounts, ntfs
from ingestd.drives.mounts import DRIVERS
from ingestd.drives.programs import run
from ingestd.drives.ticket import read_ticket
from ingestd.ports import ToolFailed

_WRAPPINGS: Mapping[str, str] = {
    "crypto_LUKS": "an encrypted container (LUKS) around all of it",
    "BitLocker": "an encrypted container (BitLocker) around all of it",
    "LVM2_member": "a part of a volume group (LVM)",
    "linux_raid_member": "a part of a disk array (Linux software RAID)",
}
_FIRST_BYTES = 1 << 20


@dataclass(slots=True)
class RootedVolume:
    """A volume of an open drive, with a descriptor of its root folder unless it has a problem."""

    facts: VolumeFacts
    fd: int | None = None

    @property
    def root_fd(self) -> int:
        if self.fd is None:
            raise ValueError(f"{self.facts.name} cannot be read: {self.facts.problem or 'it was closed'}")
        return self.fd

    def close(self) -> None:
        fd, self.fd = self.fd, None
        if fd is not None:
            os.close(fd)


class HeldDrive:
    """An open drive of any source: what was found, and the way back, last step first."""

    def __init__(
        self,
        facts: DriveFacts,
        volumes: Sequence[RootedVolume],
        way_back: contextlib.ExitStack,
        still_there: Callable[[], bool],
        buffered: Sequence[int] = (),
    ) -> None:
        """`buffered`: descriptors of the devices, open until the way back, whose buffers can be dropped."""
        self.facts = facts
        self.volumes = tuple(volumes)
        self._way_back = way_back
        self._still_there = still_there
        self._buffered = tuple(buffered)
        self._lock = threading.Lock()
        self._open = True

    def still_there(self) -> bool:
        return self._open and self._still_there()

    def drop_caches(self) -> None:
        # On descriptors of its own, and without the lock: a dying drive may never answer.
        with contextlib.ExitStack() as undo:
            for fd in self._borrowed(undo):
                block.drop_buffers(fd)

    def _borrowed(self, undo: contextlib.ExitStack) -> list[int]:
        borrowed = []
        with self._lock:
            for fd in self._buffered if self._open else ():
                try:
                    own = os.dup(fd)
                except OSError as error:
                    raise block.translated(error, "the open drive") from error
                undo.callback(os.close, own)
                borrowed.append(own)
        return borrowed

    def close(self) -> None:
        with self._lock:
            self._open = False
            way_back = self._way_back.pop_all()
        way_back.close()


def root_of(facts: VolumeFacts, folder: str) -> RootedVolume:
    """The volume with its root folder open, or with a problem: no such folder, a link, a failing drive.

    Raises ToolFailed or ResourcesExhausted when it is the station that cannot open it.
    """
    try:
        return RootedVolume(
            facts, os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        )
    except NotADirectoryError:
        problem = f"{folder} is not a folder; links are not followed"
    except OSError as error:
        problem = block.at_fault(error, folder)
    return RootedVolume(replace(facts, problem=problem))


def tickets_of(volumes: Sequence[RootedVolume]) -> tuple[Ticket, ...]:
    """The job tickets found in the volumes' roots."""
    readable = [volume for volume in volumes if volume.fd is not None]
    found = ((volume.facts.name, read_ticket(volume.root_fd)) for volume in readable)
    return tuple(Ticket(volume=name, job_id=job_id) for name, job_id in found if job_id is not None)


# -- probing --------------------------------------------------------------------------------------


def probe(window: block.ReadOnlyLoop) -> list[VolumeFacts]:
    """The volumes on a device, in their order; those that cannot be mounted come with a problem.

    Raises ToolFailed or ResourcesExhausted when the probing itself does not work.
    """
    size_bytes = block.size_bytes(window.fd)
    try:
        os.pread(window.fd, _FIRST_BYTES, 0)  # blkid takes what it cannot read for empty
    except OSError as error:
        problem = block.at_fault(error, "reading its first megabyte gives")
        return [VolumeFacts(name="volume-1", size_bytes=size_bytes, problem=problem)]
    answer = run("blkid", "-p", "-o", "udev", window.path)
    if answer.code not in (0, 2, 8):
        raise ToolFailed(f"blkid ended with {answer.code}: {answer.words}")
    return [_asked_if_clean(window.fd, recognised("volume-1", size_bytes, answer.out))]


def _asked_if_clean(fd: int, facts: VolumeFacts) -> VolumeFacts:
    """The facts, with a problem where the driver would mount without telling what is missing."""
    if facts.file_system != "ntfs":
        return facts
    try:
        why = ntfs.why_unclean(fd)
    except OSError as error:
        return replace(facts, problem=block.at_fault(error, "reading its file table gives"))
    problem = None if why is None else mounts.not_cleanly_unmounted(f"the volume says: {why}")
    return replace(facts, problem=problem, unclean=problem is not None)


def recognised(name: str, size_bytes: int, answer: str) -> VolumeFacts:
    """One volume from blkid's low-level answer, in the form it has for udev.

    That form is the one that keeps labels exact: in the fields ending in _ENC every byte that could
    be mistaken is written as `\\xNN`.
    """
    fields = dict(line.split("=", 1) for line in answer.splitlines() if "=" in line)
    file_system = fields.get("ID_FS_TYPE")
    return VolumeFacts(
        name=name,
        file_system=file_system,
        label=_decoded(fields.get("ID_FS_LABEL_ENC")),
        uuid=_decoded(fields.get("ID_FS_UUID_ENC")),
        size_bytes=size_bytes,
        problem=None if file_system in DRIVERS else _unsupported(file_system, fields),
    )


def _decoded(encoded: str | None) -> str | None:
    """A label as text: as it is where that is harmless to show, in printable form otherwise."""
    if not encoded:
        return None
    raw = from_printable(encoded)
    with contextlib.suppress(UnicodeDecodeError):
        text = raw.decode("utf-8")
        if text.isprintable():
            return text
    return printable(raw)


def _unsupported(file_system: str | None, fields: Mapping[str, str]) -> str:
    if "ID_FS_AMBIVALENT" in fields:
        kinds = sorted({kind.split(":")[1] for kind in fields["ID_FS_AMBIVALENT"].split() if ":" in kind})
        return (
            f"it bears the marks of several file systems ({', '.join(kinds)}), and which is real is unknown"
        )
    if table := fields.get("ID_PART_TABLE_TYPE"):
        return f"it holds a partition table ({table}) where a file system is expected"
    if file_system is None:
        return "no file system is recognised on it"
    what = _WRAPPINGS.get(file_system, f"the file system {printable(file_system.encode())}")
    return f"it holds {what}, which is not opened here; the station reads {', '.join(DRIVERS)}"
