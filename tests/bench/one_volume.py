"""An open drive for benchmarks: one volume, whose root is at hand."""

from __future__ import annotations

from ingestd.core.drive import DriveFacts, DriveIdentity, VolumeFacts
from tests.support.fake_drive import FakeVolume


class OneVolume:
    """An open drive that turns or does not, or of which that is not known."""

    def __init__(self, root_fd: int, rotational: bool | None = None) -> None:
        self.facts = DriveFacts(identity=DriveIdentity(), interface="loop", rotational=rotational)
        self.volumes = [FakeVolume(VolumeFacts(name="volume-1", file_system="ext4"), root_fd)]

    def still_there(self) -> bool:
        return True

    def drop_caches(self) -> None: ...

    def close(self) -> None: ...
