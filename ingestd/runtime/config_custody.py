"""The section [custody] of the configuration: what records of custody are sealed with."""

from __future__ import annotations

from collections.abc import Iterator

from ingestd.ports import Problem
from ingestd.runtime.config_section import Folder, Name, Section
from ingestd.runtime.custody_seal import SealingImpossible, SealingKey

_REMEDY = (
    "give an Ed25519 key in PEM, as `openssl genpkey -algorithm ed25519` writes it, in a file that only this "
    "user can read"
)


class CustodySection(Section):
    """Seals on records of custody: without a key there are none."""

    key_file: Folder | None = None
    key_id: Name = "custody"

    def key(self) -> SealingKey | None:
        return None if self.key_file is None else SealingKey(self.key_id, self.key_file)

    def problems(self) -> Iterator[Problem]:
        """A key that cannot be had from its file."""
        key = self.key()
        try:
            if key is not None:
                key.check()
        except SealingImpossible as error:
            yield Problem("custody.key_file", f"the key {error}", _REMEDY)
