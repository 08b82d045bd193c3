"""The bus without a broker: notices are files dropped into one folder, events files in another.

    notices/   put here, by renaming into place, for the daemon to take
    accepted/  notices that were recorded, the time of it before their name
    refused/   notices that were not understood, each with its `.problems.txt`
    events/    what the station says: `<sequence>-<type>.json`, in the order of their names

Names that begin with a dot are work in progress and are passed over. All four lie on one file
system, since files move by rename. A notice stays where it is until it is acknowledged: after a
crash it is taken again, as the same delivery.
"""

from __future__ import annotations

import contextlib
import errno
import heapq
import os
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime

from ingestd.bus.inbox import Inbox, file_name, load
from ingestd.core.names import printable
from ingestd.files import fsync_folder, write_whole
from ingestd.ports import BusDown, Delivery, OutboxEntry, Problem, Published

FOLDERS = ("notices", "accepted", "refused", "events")
STEP_S = 0.1
TIDY_MAX = 1000
"""Files looked at in one folder by one call of `tidy`."""

_DAY_S = 86_400.0
_STAMP = "%Y%m%dT%H%M%S.%fZ"
_STAMP_LENGTH = len("20310517T082000.250000Z")

# What is left of the system's 255 bytes when a time and `.problems.txt` are added.
_NAME_BYTES_MAX = 200

_WORDS = {
    errno.ENOSPC: "is full; free some space",
    errno.EDQUOT: "has reached its quota; free some space or raise the quota",
    errno.EROFS: "is mounted read-only; mount it writable",
    errno.EACCES: "may not be used by this user; give it to the daemon's user",
    errno.EPERM: "may not be used by this user; give it to the daemon's user",
    errno.ENOENT: "is missing; create it, or restart the daemon, which makes the folders below the spool",
    errno.ENOTDIR: "is not a folder; move what is there away",
    errno.EXDEV: "is on another file system than the rest of the spool; put all of it on one",
    errno.EMFILE: "cannot be opened: too many open files; raise the limit of the service",
    errno.ENFILE: "cannot be opened: too many open files on this host",
}


# What file systems without hard links answer; a rename would replace what came in the meantime.
_NO_LINKS = frozenset((errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK))


@contextlib.contextmanager
def _told(path: str) -> Iterator[None]:
    """Raise BusDown, with the remedy, for what the system says of `path`."""
    try:
        yield
    except OSError as error:
        words = _WORDS.get(error.errno or 0, f"does not work: {error.strerror or error}; look at the disk")
        raise BusDown(f"the spool folder {path} {words}") from error


class SpoolBus:
    """`ports.Bus` over a folder. Whatever it raises is BusDown; nothing is lost by trying again."""

    def __init__(
        self,
        folder: str,
        *,
        keep_days: float = 30.0,
        settle_s: float = 2.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder = folder
        self._notices, self._accepted, self._refused, self._events = (
            os.path.join(folder, name) for name in FOLDERS
        )
        self._keep_s = keep_days * _DAY_S
        self._clock = clock
        self._inbox = Inbox(self._notices, settle_s, clock)
        self._closed = threading.Event()

    def prepare(self) -> None:
        """Make the folders that are missing; the spool folder itself must be there."""
        with _told(self._folder):
            os.stat(os.path.join(self._folder, "."))
        for name in FOLDERS:
            path = os.path.join(self._folder, name)
            with _told(path), contextlib.suppress(FileExistsError):
                # Operators of the daemon's group drop notices; only the daemon writes elsewhere.
                os.mkdir(path, 0o750)
                if name == "notices":
                    os.chmod(path, 0o770)  # noqa: S103 - the group is meant, whatever the umask is

    def follow(self, positions: Mapping[str, int]) -> None:
        """Nothing to do: a notice that was acted on has left the folder."""

    def poll(self, timeout_s: float) -> Sequence[Delivery]:
        """New notices, oldest first; none when `timeout_s` has passed or the bus was closed."""
        deadline = self._clock() + timeout_s
        while True:
            with _told(self._notices):
                taken = self._inbox.take()
            left = deadline - self._clock()
            if taken or left <= 0 or self._closed.wait(min(STEP_S, left)):
                return taken

    def acknowledge(self, delivery: Delivery, problems: Sequence[str]) -> None:
        """Move the notice to `accepted/`, or with its problems to `refused/`. Raises BusDown.

        Not made durable: should a power cut undo it, the notice is delivered again.
        """
        folder = self._refused if problems else self._accepted
        with _told(folder):
            self._set_aside(delivery, folder, problems)
        self._inbox.release(delivery.origin)

    def publish(self, entries: Sequence[OutboxEntry]) -> Published:
        """One file an event. The same sequence again is the same file again."""
        if entries:
            with _told(self._events):
                for entry in entries:
                    self._write_event(entry)
                fsync_folder(self._events)
        return Published(taken=[entry.sequence for entry in entries])

    def close(self) -> None:
        """End a poll that is waiting. Safe from any thread."""
        self._closed.set()

    def tidy(self, now: float) -> int:
        """Remove what was accepted or sent more than `keep_days` before `now`, and temporary files that a
        crash left behind. Looks at the oldest `TIDY_MAX` files of a folder; returns how many went."""
        removed = 0
        for name in FOLDERS:
            path = os.path.join(self._folder, name)
            keep_s = self._keep_s if path in (self._accepted, self._events) else None
            with _told(path):
                removed += _remove_older(path, now, keep_s)
        return removed

    def problems(self) -> Sequence[Problem]:
        """What keeps the spool from working, and notices that nobody will ever read."""
        if not os.path.isdir(self._folder):
            return [
                Problem(self._folder, "the spool folder does not exist", "create it for the daemon's user")
            ]
        found = [problem for name in FOLDERS for problem in self._folder_problems(name)]
        return [*found, *_unread(self._notices)]

    def _set_aside(self, delivery: Delivery, folder: str, problems: Sequence[str]) -> None:
        name = file_name(delivery)
        found = load(self._notices, name)
        if found is None:
            return
        body, inode = found
        target = _free_path(folder, _stamped(name))
        if problems:
            lines = "".join(f"{' '.join(problem.split())}\n" for problem in problems)
            write_whole(f"{target}.problems.txt", lines.encode("utf-8", "replace"))
        if body != delivery.body:
            # Another notice of that name has come since: it stays, and what was delivered is kept here.
            write_whole(target, delivery.body)
            return
        source = os.path.join(self._notices, name)
        os.rename(source, target)
        if os.stat(target, follow_symlinks=False).st_ino != inode:
            # It came in this very moment.
            os.rename(target, _free_path(self._notices, name))
            write_whole(target, delivery.body)

    def _write_event(self, entry: OutboxEntry) -> None:
        name = f"{entry.sequence:013}-{entry.type}.json"
        temporary = os.path.join(self._events, f".{name}.tmp")
        fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
        try:
            with open(fd, "wb") as file:
                file.write(entry.body)
                file.flush()
                os.fsync(fd)
            os.rename(temporary, os.path.join(self._events, name))
        except BaseException:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(temporary)
            raise

    def _folder_problems(self, name: str) -> Iterator[Problem]:
        path = os.path.join(self._folder, name)
        if not os.path.lexists(path):
            yield Problem(path, "does not exist yet", "start the daemon, which makes it", fatal=False)
            return
        try:
            with tempfile.NamedTemporaryFile(dir=path, prefix=".check-", suffix=".tmp"):
                apart = os.stat(path).st_dev != os.stat(self._folder).st_dev
        except OSError as error:
            words = _WORDS.get(error.errno or 0, f"{error.strerror}; look at the disk")
            text, _, remedy = words.partition("; ")
            yield Problem(path, f"cannot be written to: it {text}", remedy)
            return
        if apart:
            text, _, remedy = _WORDS[errno.EXDEV].partition("; ")
            yield Problem(path, text, remedy)


def put_notice(folder: str, body: bytes, name: str) -> str:
    """Drop a notice into the spool in `folder` and return the path it has there, durably.

    A notice of that name that is still waiting is left alone: a number is added. Raises BusDown, and
    ValueError for a name that is no plain file name.
    """
    if not name or "/" in name or "\x00" in name or name.startswith("."):
        raise ValueError(f"not a plain file name: {name!r}")
    notices = os.path.join(folder, "notices")
    with _told(notices):
        fd, temporary = tempfile.mkstemp(prefix=".put-", suffix=".tmp", dir=notices)
        try:
            with open(fd, "wb") as file:
                # The daemon is another user; who may look into the folder is the folder's affair.
                os.fchmod(fd, 0o644)
                file.write(body)
                file.flush()
                os.fsync(fd)
            path = _place(temporary, notices, f"{name.removesuffix('.json')}.json")
        finally:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(temporary)
        fsync_folder(notices)
    return path


def _place(temporary: str, folder: str, name: str) -> str:
    while True:
        path = _free_path(folder, name)
        try:
            os.link(temporary, path)
        except FileExistsError:
            continue
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            os.rename(temporary, path)
        return path


def _free_path(folder: str, name: str) -> str:
    """A path in the folder that nothing has: the name, or the name with a number."""
    stem, path, number = name.removesuffix(".json"), os.path.join(folder, name), 1
    while os.path.lexists(path):
        number += 1
        path = os.path.join(folder, f"{stem}-{number}.json")
    return path


def _stamped(name: str) -> str:
    stem = os.fsencode(name.removesuffix(".json"))[:_NAME_BYTES_MAX]
    return f"{datetime.now(UTC).strftime(_STAMP)}-{os.fsdecode(stem)}.json"


def _remove_older(folder: str, now: float, keep_s: float | None) -> int:
    """Remove files older than `keep_s` (None: no file is), and temporary ones older than a day."""
    with os.scandir(folder) as entries:
        oldest = heapq.nsmallest(TIDY_MAX, (entry.name for entry in entries))
    removed = 0
    for name in oldest:
        limit = _DAY_S if name.startswith(".") and name.endswith(".tmp") else keep_s
        with contextlib.suppress(FileNotFoundError):
            if limit is not None and now - _since(folder, name) > limit:
                os.unlink(os.path.join(folder, name))
                removed += 1
    return removed


def _since(folder: str, name: str) -> float:
    """Since when a file is there: a notice keeps the sender's time, so its name says when it came."""
    try:
        return datetime.strptime(name[:_STAMP_LENGTH], _STAMP).replace(tzinfo=UTC).timestamp()
    except ValueError:
        return os.stat(os.path.join(folder, name), follow_symlinks=False).st_mtime


def _unread(folder: str) -> Iterator[Problem]:
    """Notices in name that are never taken: not regular files, or not readable by us."""
    try:
        names = [name for name in os.listdir(folder) if name.endswith(".json") and not name.startswith(".")]
    except OSError:
        return
    unread = sorted(name for name in names if not _readable(os.path.join(folder, name)))
    if unread:
        first, others = printable(os.fsencode(unread[0])), len(unread) - 1
        text = f"{first} cannot be read{f', nor can {others} others' if others else ''}"
        yield Problem(folder, text, "put regular files there that the daemon's user may read", fatal=False)


def _readable(path: str) -> bool:
    try:
        return stat.S_ISREG(os.lstat(path).st_mode) and os.access(path, os.R_OK)
    except FileNotFoundError:
        return True
