"""A look into a file with a given content, as the survey looks."""

from __future__ import annotations

import os
from pathlib import Path

from ingestd.content import sniff
from ingestd.core.found import Secrecy
from tests.support.drives import Going


def looked_at(path: Path, body: bytes, name: bytes = b"archive") -> tuple[Secrecy, str]:
    """The verdict on a file of this name and content, which is written to `path` for it."""
    path.write_bytes(body)
    fd = os.open(path, os.O_RDONLY)
    try:
        return sniff.look(fd, len(body), name=name, cancel=Going())
    finally:
        os.close(fd)
