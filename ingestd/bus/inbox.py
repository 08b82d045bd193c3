"""Taking notices out of a folder in which other people's programs put files."""

from __future__ import annotations

import errno
import hashlib
import heapq
import os
from collections.abc import Callable, Iterator
from typing import NamedTuple

from ingestd.bus.strict import BODY_MAX, NotJson, read
from ingestd.core.names import from_printable, printable
from ingestd.files import is_regular
from ingestd.ports import Delivery

POLL_MAX = 256
"""Notices taken at once."""

POLL_BYTES_MAX = 16 * BODY_MAX
"""What is taken at once ends with the notice that reaches this: the bound of a poll's memory."""

# Not the file's fault: any other file would fail in the same way.
_OURS = frozenset((errno.EMFILE, errno.ENFILE, errno.ENOMEM))


class Look(NamedTuple):
    """A file as the listing showed it, oldest first when sorted. Any change makes it another one."""

    mtime_ns: int
    name: str
    inode: int
    size: int


class Inbox:
    """The notices in a folder, each of them given out once until it is released.

    A notice is known by its name and its content: that outlives a restart, and a corrected file of the
    same name is another notice. Methods raise OSError when the folder itself cannot be read.
    """

    def __init__(self, folder: str, settle_s: float, clock: Callable[[], float]) -> None:
        self._folder = folder
        self._settle_s = settle_s
        self._clock = clock
        self._given: dict[Look, str] = {}
        self._looks: dict[str, Look] = {}
        self._unsettled: dict[Look, float] = {}

    def take(self) -> list[Delivery]:
        """The oldest notices that were not given out yet."""
        looks = list(_listing(self._folder))
        self._unsettled = {look: self._unsettled[look] for look in looks if look in self._unsettled}
        heapq.heapify(looks)
        taken: list[Delivery] = []
        held = 0
        while looks and len(taken) < POLL_MAX and held < POLL_BYTES_MAX:
            delivery = self._delivery(heapq.heappop(looks))
            if delivery is not None:
                taken.append(delivery)
                held += len(delivery.body)
        return taken

    def release(self, origin: str) -> None:
        """The notice has left the folder; the same file put there again is taken again."""
        look = self._looks.pop(origin, None)
        if look is not None:
            del self._given[look]

    def _delivery(self, look: Look) -> Delivery | None:
        if look in self._given or self._settling(look):
            return None
        found = load(self._folder, look.name)
        if found is None:
            return None
        body, _ = found
        if not _is_whole(body) and look not in self._unsettled:
            self._unsettled[look] = self._clock()
            return None
        return self._give(look, body)

    def _settling(self, look: Look) -> bool:
        since = self._unsettled.get(look)
        return since is not None and self._clock() - since < self._settle_s

    def _give(self, look: Look, body: bytes) -> Delivery | None:
        name = printable(os.fsencode(look.name))
        origin = f"spool:{hashlib.sha256(body).hexdigest()}:{name}"
        before = self._looks.pop(origin, None)
        if before is not None:
            del self._given[before]
        self._looks[origin], self._given[look] = look, origin
        return Delivery(origin=origin, name=name, body=body) if before is None else None


def file_name(delivery: Delivery) -> str:
    """The name of the file that a delivery was made of."""
    return os.fsdecode(from_printable(delivery.name))


def load(folder: str, name: str) -> tuple[bytes, int] | None:
    """The start of a regular file, one byte more than a notice may have, and its inode.

    None for what is gone, is no regular file, or may not be read: it must not stand in the way of
    others. Nothing is waited for and no link is followed.
    """
    try:
        fd = os.open(os.path.join(folder, name), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            return _content(fd) if is_regular(fd) else None
        finally:
            os.close(fd)
    except OSError as error:
        if error.errno in _OURS:
            raise
        return None


def _content(fd: int) -> tuple[bytes, int]:
    with open(fd, "rb", closefd=False) as file:
        return file.read(BODY_MAX + 1), os.fstat(fd).st_ino


def _listing(folder: str) -> Iterator[Look]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith(".") or not entry.name.endswith(".json"):
                continue
            try:
                if entry.is_file(follow_symlinks=False):
                    facts = entry.stat(follow_symlinks=False)
                    yield Look(facts.st_mtime_ns, entry.name, facts.st_ino, facts.st_size)
            except FileNotFoundError:
                continue


def _is_whole(body: bytes) -> bool:
    """Whether this can be all of a file that is being copied in: no beginning of a JSON object, short of
    its last brace, is JSON."""
    try:
        read(body)
    except NotJson:
        return False
    return True
