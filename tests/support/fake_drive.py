"""An open drive over plain folders, with reads that fail where a test says so."""

from __future__ import annotations

import errno
import os
import stat
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ingestd.core.drive import DriveFacts, DriveIdentity, Health, HealthFacts, VolumeFacts
from ingestd.ports import Expectation, FileEntry, Manifest, Said
from tests.support.fake_manifest import FakeManifest


@dataclass
class BadSpot:
    """Reads that touch these bytes fail, `times` times (for ever when negative)."""

    offset: int
    length: int
    times: int = -1
    error: int = errno.EIO

    def hits(self, offset: int, length: int) -> bool:
        return self.times != 0 and offset < self.offset + self.length and self.offset < offset + length


@dataclass
class FakeVolume:
    """Implements `Volume`."""

    facts: VolumeFacts
    root_fd: int


@dataclass
class FakeDrive:
    """Implements `OpenDrive`; `read` takes the place of `os.preadv`.

    `bad`: path to bad spots. `hang`: a read of this path waits until `thaw` is set. `gone_after`: so
    many reads, and the drive is not there any more.
    """

    root: Path
    names: Sequence[str] = ("volume-1",)
    bad: Mapping[str, list[BadSpot]] = field(default_factory=dict)
    hang: str | None = None
    gone_after: int | None = None
    thaw: threading.Event = field(default_factory=threading.Event)
    reads: int = 0
    bytes_read: int = 0
    caches_dropped: int = 0
    gone: bool = False
    problems: Mapping[str, str] = field(default_factory=dict)
    file_system: str = "ext4"
    verdict: Health = Health.UNKNOWN
    rotational: bool | None = None

    def __post_init__(self) -> None:
        self._fds = {name: os.open(self._folder(name), os.O_RDONLY | os.O_DIRECTORY) for name in self.names}

    def _folder(self, name: str) -> Path:
        folder = self.root / name
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    @property
    def facts(self) -> DriveFacts:
        identity = DriveIdentity(serial="KELP-0071", wwn="0x3d5e7f90a1b2c3d4", model="Holdfast 4")
        return DriveFacts(
            identity=identity,
            interface="sata",
            volumes=tuple(v.facts for v in self.volumes),
            rotational=self.rotational,
            health=HealthFacts(verdict=self.verdict),
        )

    @property
    def volumes(self) -> Sequence[FakeVolume]:
        return [
            FakeVolume(
                VolumeFacts(name=name, file_system=self.file_system, problem=self.problems.get(name)), fd
            )
            for name, fd in self._fds.items()
        ]

    def still_there(self) -> bool:
        return not self.gone

    def drop_caches(self) -> None:
        self.caches_dropped += 1

    def close(self) -> None:
        for fd in self._fds.values():
            os.close(fd)
        self._fds = {}

    # -- reading ----------------------------------------------------------------------------------

    def read(self, fd: int, views: list[memoryview], offset: int) -> int:
        """Like `os.preadv`, up to the first bad spot."""
        self.reads += 1
        if self.gone_after is not None and self.reads > self.gone_after:
            self.gone = True
        if self.gone:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        if self.hang is not None and self._is(fd, self.hang):
            self.thaw.wait(60)
        for path, spots in self.bad.items():
            for spot in spots:
                if spot.hits(offset, sum(map(len, views))) and self._is(fd, path):
                    spot.times -= 1
                    raise OSError(spot.error, os.strerror(spot.error))
        got = os.preadv(fd, views, offset)
        self.bytes_read += got
        return got

    def _is(self, fd: int, path: str) -> bool:
        return any(os.path.samestat(os.fstat(fd), os.stat(self.root / name / path)) for name in self.names)


def survey(
    drive: FakeDrive,
    manifest: Manifest,
    *,
    expected: Mapping[str, tuple[bytes, str]] | None = None,
    said: Mapping[str, Sequence[Said]] | None = None,
) -> None:
    """Enter all regular files of the drive into the manifest, in the order of their paths. `expected` has
    the SHA-256 of some of them and who gives it, `said` whatever else is said of them."""
    manifest.begin_survey()
    for name in drive.names:
        root = drive.root / name
        manifest.add([_entry(root, path, name) for path in sorted(_files(root))])
        for path, (sha256, by) in (expected or {}).items():
            manifest.expect([Expectation(name, os.fsencode(path), Said("sha256", sha256, by))])
        for path, several in (said or {}).items():
            manifest.expect([Expectation(name, os.fsencode(path), each) for each in several])
    manifest.end_survey()


def surveyed(drive: FakeDrive, **expected: tuple[bytes, str]) -> FakeManifest:
    """A manifest of these files, and of what is expected of some of them by name."""
    manifest = FakeManifest()
    survey(drive, manifest, expected=expected)
    return manifest


def _files(root: Path) -> list[str]:
    found = []
    for folder, _, names in os.walk(root):
        for name in names:
            path = os.path.join(folder, name)
            if stat.S_ISREG(os.lstat(path).st_mode):
                found.append(os.path.relpath(path, root))
    return found


def _entry(root: Path, path: str, volume: str) -> FileEntry:
    facts = os.stat(root / path)
    return FileEntry(
        volume=volume,
        path=os.fsencode(path),
        size_bytes=facts.st_size,
        mtime_ns=facts.st_mtime_ns,
        inode=facts.st_ino,
    )
