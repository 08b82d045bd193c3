"""The files of an open drive: opened beneath their volume's root, read, and watched for change.

While all is well a file is read through the page cache, which is asked to forget it behind the read.
Once a read has failed the file is read past the cache where its file system can do that: one request
to the medium for one read of ours, and no page that an earlier reader left behind.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import stat
import time
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ingestd import files
from ingestd.core.drive import VolumeFlaw
from ingestd.core.found import ByteRange, FaultKind, FileFault
from ingestd.core.names import printable
from ingestd.ports import (
    CancelToken,
    DriveGoneError,
    DriveUnreadable,
    OpenDrive,
    PendingFile,
    PortError,
    ReadInto,
    ResourcesExhausted,
    Said,
    ToolFailed,
    Volume,
)
from ingestd.transfer.damage import BLOCK_BYTES, Attempt, Damage, Patience
from ingestd.transfer.tally import AtFault

_FLAGS = os.O_RDONLY | os.O_NONBLOCK
"""O_NONBLOCK: a pipe that has taken a file's place must not block for ever."""

_FOLDERS_KEPT = 8
"""Descriptors of the folders used last: a million files are not each looked up from the root."""

AHEAD_BYTES = 256 << 10
"""How much of a file that is read soon the system is asked to read beforehand."""

_GENTLE_BYTES = 64 << 10

_PAGE_BYTES = 4096
"""What is read at once where nothing finer can be had."""

_SETTLE_STEP_S = 0.1

_STATION = {errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.ENOBUFS}
_NOT_THAT_FILE = {errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.EXDEV, errno.EISDIR}
_MEDIUM = {
    errno.EIO,
    errno.ENODATA,
    errno.EREMOTEIO,
    errno.ETIMEDOUT,
    errno.ENOLINK,
    errno.EILSEQ,
    errno.EBADE,
    errno.EBADMSG,
    errno.EUCLEAN,
    errno.ENODEV,
    errno.ENXIO,
    errno.ESTALE,
}
"""What Linux answers when the medium, the link to it or the file system on it is at fault."""

_NOT_SUPPORTED = {errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS}
"""What a driver answers for a file that it cannot make sense of, or was not made for: one that Windows has
encrypted or deduplicated, say. It speaks neither against the medium nor against the rest of the drive."""

_LOCKED = {errno.ENOKEY, errno.EKEYEXPIRED, errno.EKEYREVOKED, errno.EKEYREJECTED}
"""What it answers for a file that its file system keeps encrypted: that one file has no key here."""

_NUMBERED_AT_EACH_MOUNT = {"vfat", "msdos", "exfat"}
"""File systems that have no inode numbers: the driver makes some up, others after every mount."""


def label(file: PendingFile) -> str:
    """The file as it is named to people: volume name first, in printable form."""
    return f"{file.volume}/{printable(file.path)}"


def fault(
    kind: FaultKind,
    file: PendingFile,
    *,
    expected: str | None = None,
    said: Said | None = None,
    found: str | None = None,
    ranges: tuple[ByteRange, ...] = (),
) -> AtFault:
    """What is wrong with this file, ready to be raised; `said` is what it is not like."""
    return AtFault(
        FileFault(
            kind=kind,
            file_no=file.file_no,
            path=label(file),
            size_bytes=file.size_bytes,
            expected=expected if said is None else said.digest.hex(),
            found=found,
            source=None if said is None else said.by,
            algorithm=None if said is None else said.algorithm,
            ranges=ranges,
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """How a drive is treated."""

    patience: Patience
    gentle: bool = False
    """Small reads and no readahead: for a drive that shows signs of failing."""
    turns: bool = True
    """Whether it has a head to move: then it is read by one request after the other, in their order."""
    settle_s: float = 1.0
    """How long after an error a drive that was pulled may still look as if it were there."""
    past_cache: bool = True
    """Whether to read past the page cache once a read has failed."""

    @property
    def block_bytes(self) -> int:
        return _GENTLE_BYTES if self.gentle else BLOCK_BYTES


class Source:
    """Opens the files of one drive, for one thread. `read` fills buffers as `os.preadv` does.

    Every method raises DriveGoneError once the drive is not there any more, ResourcesExhausted for what
    the station is out of, ToolFailed for a mount that has ended, a plain PortError for what nobody foresaw,
    and AtFault for the file's own.
    """

    def __init__(self, drive: OpenDrive, cancel: CancelToken, care: Care, read: ReadInto = os.preadv) -> None:
        self.cancel = cancel
        self.care = care
        self.read = read
        self._drive = drive
        self._volumes = {volume.facts.name: volume for volume in drive.volumes}
        self._folders: OrderedDict[tuple[str, bytes], int] = OrderedDict()
        self._one_at_a_time = care.gentle or care.turns
        """Whether the drive has one request at a time: it turns, it shows signs of failing, or has failed."""

    def close(self) -> None:
        for fd in self._folders.values():
            os.close(fd)
        self._folders.clear()

    @contextlib.contextmanager
    def open(self, file: PendingFile) -> Iterator[OpenFile]:
        """The file, as long as it is still the one that the manifest describes."""
        fd = self._open(file)
        try:
            opened = OpenFile(self, file, fd, same_inode=self._keeps_inodes(file.volume))
            opened.check_unchanged()
            _advise(fd, 0, 0, os.POSIX_FADV_RANDOM if self.care.gentle else os.POSIX_FADV_SEQUENTIAL)
            with contextlib.closing(opened):
                yield opened
        finally:
            os.close(fd)

    def announce(self, file: PendingFile) -> None:
        """This file is read soon: the system may begin to, beside what is being read.

        Nothing comes of it for a drive that has one request at a time, or a file that cannot be opened.
        """
        if self._one_at_a_time or not file.size_bytes:
            return
        self.cancel.beat()
        with contextlib.suppress(OSError, DriveUnreadable):
            fd = self._descriptor(file, _FLAGS)
            try:
                _advise(fd, 0, min(file.size_bytes, AHEAD_BYTES), os.POSIX_FADV_WILLNEED)
            finally:
                os.close(fd)
        self.cancel.check()

    def fails(self) -> None:
        """From now on one request at a time."""
        self._one_at_a_time = True

    def _open(self, file: PendingFile) -> int:
        try:
            return self._descriptor(file, _FLAGS)
        except OSError as error:
            raise self.judged(error, file) from error

    def _descriptor(self, file: PendingFile, flags: int) -> int:
        folder, _, name = file.path.rpartition(b"/")
        return files.open_beneath(self._folder(file.volume, folder), name, flags)

    def past_cache(self, file: PendingFile) -> PastCache | None:
        """The file once more, read past the page cache; None where that cannot be had."""
        if not self.care.past_cache:
            return None
        try:
            fd = self._descriptor(file, _FLAGS | os.O_DIRECT)
        except OSError:
            return None
        return PastCache(fd, _sector_bytes(fd))

    def require_drive(self, file: PendingFile, since: float) -> None:
        """Raise DriveGoneError unless the drive is there still, some time after the first error.

        A drive that was pulled gives errors at once, and is seen to be gone only moments later; one whose
        sectors are bad takes its time for each.
        """
        while (left_s := since + self.care.settle_s - time.monotonic()) > 0 and self._drive.still_there():
            self.cancel.wait(min(left_s, _SETTLE_STEP_S))
            self.cancel.check()
        there = self._drive.still_there()
        self.cancel.check()
        if not there:
            raise _gone(file)

    def _folder(self, volume: str, folder: bytes) -> int:
        """A descriptor that stays ours, of a folder below a volume's root."""
        if not folder:
            return self._volume(volume).root_fd
        key = (volume, folder)
        if key in self._folders:
            self._folders.move_to_end(key)
            return self._folders[key]
        fd = files.open_folder(self._volume(volume).root_fd, folder.split(b"/"))
        self._folders[key] = fd
        if len(self._folders) > _FOLDERS_KEPT:
            os.close(self._folders.popitem(last=False)[1])
        return fd

    def _volume(self, name: str) -> Volume:
        volume = self._volumes.get(name)
        if volume is not None and volume.facts.flaw is VolumeFlaw.IN_DOUBT:
            raise ToolFailed(f"{name} could be read before, and now: {volume.facts.problem}")
        if volume is None or volume.facts.problem:
            why = "is not on the drive any more" if volume is None else volume.facts.problem
            raise DriveUnreadable(f"{name} could be read before, and now: {why}")
        return volume

    def _keeps_inodes(self, volume: str) -> bool:
        return self._volume(volume).facts.file_system not in _NUMBERED_AT_EACH_MOUNT

    def judged(self, error: OSError, file: PendingFile) -> Exception:
        """Whose fault an error is that came up with this file: the exception to raise."""
        if error.errno in _STATION:
            return ResourcesExhausted(
                f"{file.volume}: {error.strerror}; give the station more, or less to do"
            )
        there = self._drive.still_there()
        # Asking a drive may hang, and come back when the answer is nobody's any more.
        self.cancel.check()
        if not there:
            return _gone(file)
        if error.errno in files.MOUNT_ENDED:
            return ToolFailed(f"{file.volume}: {files.MOUNT_ENDED_TEXT} ({error.strerror})")
        if error.errno in _NOT_THAT_FILE:
            return fault(
                FaultKind.CHANGED_WHILE_READ,
                file,
                expected=_described(file.size_bytes, file.mtime_ns),
                found="not there any more, or not a file",
            )
        if error.errno in _MEDIUM | _LOCKED:
            whole = ByteRange(offset_bytes=0, length_bytes=file.size_bytes)
            return fault(FaultKind.UNREADABLE, file, found=error.strerror, ranges=(whole,))
        if error.errno in _NOT_SUPPORTED:
            return fault(FaultKind.NOT_SUPPORTED, file, found=error.strerror)
        return PortError(
            f"{file.volume}: file {file.file_no} cannot be read by the station: {error.strerror}; "
            "see to the rights and the file system of this volume"
        )


class PastCache:
    """A file open for reads that the page cache has no part in, in whole sectors."""

    def __init__(self, fd: int, sector_bytes: int) -> None:
        self.fd = fd
        self.sector_bytes = sector_bytes
        self._memory = memoryview(mmap.mmap(-1, BLOCK_BYTES + 2 * sector_bytes))

    def read_once(self, read: ReadInto, view: memoryview, offset: int) -> int:
        """Like one call of `read`, from and to any place: the sectors around it are read."""
        before = offset % self.sector_bytes
        length = -(-(before + len(view)) // self.sector_bytes) * self.sector_bytes
        length = min(length, len(self._memory))
        got = read(self.fd, [self._memory[:length]], offset - before) - before
        usable = max(0, min(got, len(view)))
        view[:usable] = self._memory[before : before + usable]
        return usable

    def close(self) -> None:
        os.close(self.fd)


class OpenFile:
    """One file being read. Only valid inside `Source.open`."""

    def __init__(self, source: Source, file: PendingFile, fd: int, *, same_inode: bool) -> None:
        self.file = file
        self._source = source
        self._fd = fd
        self._same_inode = same_inode
        self._careful = False
        self._past_cache: PastCache | None = None

    def close(self) -> None:
        if self._past_cache is not None:
            self._past_cache.close()

    def read_into(self, view: memoryview, offset: int) -> None:
        """Fill `view`, which is at most `BLOCK_BYTES` long, from this offset.

        A block that fails is tried again in smaller pieces; when that helps, nothing has happened. Else
        the rest of the file is looked through, and AtFault names all ranges that could not be read.
        """
        began = time.monotonic()
        got = self._attempt(view, offset)
        if got.error:
            self._be_careful()
            self._salvage(view, offset, began)

    def _salvage(self, view: memoryview, offset: int, began: float) -> None:
        care = self._source.care
        damage = Damage(
            self.file.size_bytes,
            self._attempt,
            care.patience,
            grain_bytes=self._past_cache.sector_bytes if self._past_cache else _PAGE_BYTES,
            block_bytes=care.block_bytes,
        )
        lost_until = damage.search(view, offset)
        if lost_until is not None:
            damage.survey(memoryview(bytearray(care.block_bytes)), lost_until)
            self._source.require_drive(self.file, began)
            raise fault(
                FaultKind.UNREADABLE, self.file, found=os.strerror(damage.first_error), ranges=damage.ranges
            )

    def _be_careful(self) -> None:
        """From now on one request to the medium for one read of ours."""
        self._source.fails()
        if not self._careful:
            self._careful = True
            _advise(self._fd, 0, 0, os.POSIX_FADV_RANDOM)
            self._past_cache = self._source.past_cache(self.file)

    def _attempt(self, view: memoryview, offset: int) -> Attempt:
        """Fill the view as far as that works; an error is the medium's, all others are raised."""
        self._source.cancel.check()
        done = 0
        while done < len(view):
            try:
                got = self._read_once(view[done:], offset + done)
            except OSError as error:
                self._must_be_medium(error)
                return Attempt(done, error.errno or errno.EIO)
            self._source.cancel.check()
            if not got:
                raise self._changed(f"it ends after {offset + done} bytes")
            done += got
        self._source.cancel.beat()
        return Attempt(done)

    def _read_once(self, view: memoryview, offset: int) -> int:
        if self._past_cache is not None:
            try:
                return self._past_cache.read_once(self._source.read, view, offset)
            except OSError as error:
                if error.errno not in _NOT_SUPPORTED:
                    raise
                # Not so, then: it says nothing about the file.
                self._past_cache.close()
                self._past_cache = None
        return self._source.read(self._fd, [view], offset)

    def _must_be_medium(self, error: OSError) -> None:
        judged = self._source.judged(error, self.file)
        if not isinstance(judged, AtFault) or judged.fault.kind is not FaultKind.UNREADABLE:
            raise judged from error
        self._source.cancel.beat()

    def blocks(self, view: memoryview, offset: int) -> Iterator[memoryview]:
        """Fill `view` from this offset, block by block, each handed out while it is still in the
        processor's cache. What has been read leaves the page cache, where nobody needs it."""
        block_bytes = self._source.care.block_bytes
        for at in range(0, len(view), block_bytes):
            block = view[at : at + block_bytes]
            self.read_into(block, offset + at)
            yield block
        self.forget(offset, len(view))

    def forget(self, offset: int = 0, length: int = 0) -> None:
        """Ask for pages to leave the page cache; a length of 0 means up to the end."""
        _advise(self._fd, offset, length, os.POSIX_FADV_DONTNEED)

    def readable(self, ranges: Sequence[ByteRange]) -> bool:
        """Whether all of these ranges, or the whole file if there are none, can be read now.

        Read past the page cache, those first that failed before.
        """
        self._be_careful()
        whole = ByteRange(offset_bytes=0, length_bytes=self.file.size_bytes)
        block = memoryview(bytearray(min(self._source.care.block_bytes, max(1, self.file.size_bytes))))
        for each in sorted(ranges, key=lambda one: not one.error) or (whole,):
            end = each.offset_bytes + each.length_bytes
            for at in range(each.offset_bytes, end, len(block)):
                if self._attempt(block[: min(len(block), end - at)], at).error:
                    return False
        return True

    def check_unchanged(self) -> None:
        """Raise AtFault unless the file is as the manifest has it: regular, size, time and number."""
        try:
            facts = os.fstat(self._fd)
        except OSError as error:
            raise self._source.judged(error, self.file) from error
        self._source.cancel.check()
        file = self.file
        if not stat.S_ISREG(facts.st_mode):
            raise self._changed("not a file any more")
        if (facts.st_size, facts.st_mtime_ns) != (file.size_bytes, file.mtime_ns):
            raise self._changed(_described(facts.st_size, facts.st_mtime_ns))
        if self._same_inode and facts.st_ino != file.inode:
            raise self._changed("another file under the same name")

    def _changed(self, found: str) -> AtFault:
        expected = _described(self.file.size_bytes, self.file.mtime_ns)
        return fault(FaultKind.CHANGED_WHILE_READ, self.file, expected=expected, found=found)


def _gone(file: PendingFile) -> DriveGoneError:
    return DriveGoneError(f"{file.volume}: the drive was unplugged while it was read")


def _sector_bytes(fd: int) -> int:
    """The logical sector size of the device that a file lies on, a page's where it has none to tell."""
    device = os.fstat(fd).st_dev
    place = f"/sys/dev/block/{os.major(device)}:{os.minor(device)}"
    for folder in (place, f"{place}/.."):  # a partition's is its disk's
        with contextlib.suppress(OSError, ValueError), open(f"{folder}/queue/logical_block_size") as file:
            return int(file.read())
    return _PAGE_BYTES


def _advise(fd: int, offset: int, length: int, advice: int) -> None:
    # Advice only: a file system that takes none is read all the same.
    with contextlib.suppress(OSError):
        os.posix_fadvise(fd, offset, length, advice)


def _described(size_bytes: int, mtime_ns: int) -> str:
    seconds, rest_ns = divmod(mtime_ns, 1_000_000_000)
    try:
        when = f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest_ns:09d}Z"
    except (ValueError, OverflowError, OSError):
        when = f"{seconds}.{rest_ns:09d} s since 1970"
    return f"{size_bytes} bytes, modified {when}"
