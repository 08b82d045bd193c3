"""Opening a drive through the verbs: the same way for every kind of device."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import replace

from ingestd.core.drive import DriveFacts, VolumeFacts
from ingestd.drives.jws import PublicKeys
from ingestd.drives.privileged.verbs import DeviceName, Grip, Privileged
from ingestd.drives.ticket import NO_KEYS
from ingestd.drives.volumes import HeldDrive, RootedVolume, with_tickets
from ingestd.files import reaching
from ingestd.ports import CancelToken

WRITE_BLOCKS = ("sealed", "read-only-loop", "read-only-mount")
"""What a grip lays around a drive: the disk and its partitions refuse writes (BLKROSET), every volume is
seen through a read-only loop device, and mounted with `mounts.OPTIONS`."""


def open_drive(
    privileged: Privileged,
    device: DeviceName,
    known: DriveFacts,
    cancel: CancelToken,
    must_be_there: Callable[[], object],
    still_there: Callable[[], bool],
    keys: PublicKeys = NO_KEYS,
) -> HeldDrive:
    """Seal the drive, probe it, and mount what can be mounted. Everything is undone if that fails.

    `known` is what can be told of it without that, `keys` those that job tickets are verified with.
    `must_be_there` is called at the end and raises DriveGoneError or DriveSwapped if need be. Raises what
    the verbs raise, and Cancelled.
    """
    cancel.check()
    with contextlib.ExitStack() as undo:
        grip = privileged.seal(device)
        undo.callback(grip.release)
        volumes = [_open_volume(grip, facts, undo, cancel) for facts in grip.probe()]
        found = tuple(volume.facts for volume in volumes)
        facts = with_tickets(replace(known, volumes=found, write_blocks=WRITE_BLOCKS), volumes, keys)
        must_be_there()
        return HeldDrive(facts, volumes, undo.pop_all(), still_there, grip.drop_caches)


def _open_volume(
    grip: Grip, facts: VolumeFacts, undo: contextlib.ExitStack, cancel: CancelToken
) -> RootedVolume:
    cancel.check()
    cancel.beat()
    if facts.problem is not None:
        return RootedVolume(facts)
    mounted = grip.mount(facts.name, cancel)
    volume = RootedVolume(mounted.facts, mounted.root_fd)
    undo.callback(volume.close)
    if volume.fd is not None:
        undo.enter_context(reaching(os.fstat(volume.fd).st_dev, grip))
    return volume
