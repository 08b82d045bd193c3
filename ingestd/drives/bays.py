"""Bays: places at the station, known by the physical path that udev gives to what is plugged in there.

A bay is described by patterns in the manner of a shell (`*`, `?`, `[...]`). Whatever no bay's patterns
describe is outside the bays, and is never touched.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

from ingestd.core.model import BayName

PATH = "ID_PATH"
"""The property in which udev gives the physical path: the way through controllers, hubs and ports."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """One place for a drive.

    A device is in it when one of `paths` describes its physical path, where any are given, and each of
    `match` describes the udev property of that name.
    """

    name: BayName
    paths: tuple[str, ...] = ()
    match: tuple[tuple[str, str], ...] = ()
    kind: Literal["esata"] | None = None
    """What the kernel cannot tell of the port."""
    link_mbit_per_second: int | None = None
    """How fast a drive is to be linked here; slower is told."""

    def holds(self, properties: Mapping[str, str]) -> bool:
        if not self.paths and not self.match:
            return False
        by_path = not self.paths or any(fnmatchcase(properties.get(PATH, ""), path) for path in self.paths)
        return by_path and all(fnmatchcase(properties.get(name, ""), pattern) for name, pattern in self.match)


def bays_holding(bays: Sequence[Bay], properties: Mapping[str, str]) -> tuple[Bay, ...]:
    """The bays in which a device with these udev properties is: one, or none, unless patterns overlap."""
    return tuple(bay for bay in bays if bay.holds(properties))
