"""What becomes of a root's entries: loaded, or skipped for a reason that the manifest keeps."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from ingestd.content.announced import Announced
from ingestd.content.walk import Found, Kind
from ingestd.core.bag_lines import PAYLOAD
from ingestd.core.found import Samples
from ingestd.core.job import Item
from ingestd.core.names import is_control_file

SYSTEM_FOLDER = "system-folder"
NOT_ANNOUNCED = "not-announced"
CONTROL_FILE = "control-file"
RESERVED = "reserved"
OUT_OF_BOUNDS = "out-of-bounds"

_PAYLOAD = PAYLOAD + b"/"
_SYSTEM_FOLDER = re.compile(
    rb"lost\+found|system volume information|\$recycle\.bin"
    rb"|\.trashes|\.trash-.*|\.spotlight-v100|\.fseventsd",
    re.IGNORECASE | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Region:
    """One entry of a root with all that lies below it. `skip` says why it is not to be loaded."""

    skip: str | None = None
    item: Item | None = None
    """The announced item that it is."""

    @property
    def unexpected(self) -> bool:
        return self.skip == NOT_ANNOUNCED


def region_of(volume: str, found: Found, announced: Announced, reserved: bytes) -> Region:
    """What becomes of this entry of a volume's root.

    With items announced only they are loaded, each from where it was found first. Without, everything
    is but what operating systems put there for themselves.
    """
    item = announced.claim(volume, found, found.path.removeprefix(_PAYLOAD))
    reason = RESERVED if found.path == reserved else None
    if item is not None:
        return Region(reason, item)
    if found.kind is not Kind.FILE and _SYSTEM_FOLDER.fullmatch(found.path):
        return Region(SYSTEM_FOLDER)
    if not announced.anything:
        return Region(reason)
    if found.kind is Kind.FILE and is_control_file(found.path):
        return Region(CONTROL_FILE)
    return Region(NOT_ANNOUNCED)


def region_in_bag(volume: str, found: Found, announced: Announced, reserved: bytes) -> Region:
    """The same for an entry of a root that is the folder of a BagIt bag, or of its payload.

    A bag is loaded whole: what is announced is looked for in its payload too, and the rest comes with it,
    since without a part of its files there would be nothing to hold its manifests against.
    """
    region = region_of(volume, found, announced, reserved)
    return Region(None, region.item) if region.skip in (NOT_ANNOUNCED, CONTROL_FILE) else region


class Tally:
    """Counts things of one kind and keeps the first few as examples."""

    def __init__(self) -> None:
        self._count = 0
        self._size_bytes = 0
        self._examples: list[str] = []

    def add(self, example: Callable[[], str], size_bytes: int = 0) -> None:
        """One more; `example` is asked for its text only while there is room."""
        self._count += 1
        self._size_bytes += size_bytes
        if len(self._examples) < Samples.EXAMPLES_MAX:
            self._examples.append(example())

    def add_bytes(self, size_bytes: int) -> None:
        """More bytes of what was counted before."""
        self._size_bytes += size_bytes

    def samples(self) -> Samples:
        return Samples(count=self._count, size_bytes=self._size_bytes, examples=tuple(self._examples))
