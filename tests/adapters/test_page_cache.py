"""What reading a drive leaves in the page cache: next to nothing, however large it is."""

from __future__ import annotations

import os
import subprocess
from contextlib import closing
from pathlib import Path

from ingestd.ports import PendingFile
from ingestd.transfer.source import Source
from tests.support.byte_path import KIB, Token, care
from tests.support.drives import ROOT_ONLY, attached, make_file_system
from tests.support.fake_drive import FakeDrive, survey
from tests.support.fake_manifest import FakeManifest

pytestmark = list(ROOT_ONLY)

SIZE = 96 << 20
VIEW = 4 << 20
SPARE = 8 << 20
"""What the system may have read ahead of us."""


def cached_bytes(path: Path) -> int:
    """How much of a file is in memory, by util-linux' fincore."""
    command = ["fincore", "--bytes", "--noheadings", "--output", "RES", str(path)]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout or 0)


def read(drive: FakeDrive, file: PendingFile, path: Path) -> list[int]:
    """Read it all; how much of it was cached now and then."""
    source, view, cached = Source(drive, Token(), care()), memoryview(bytearray(VIEW)), []
    with source.open(file) as opened:
        for number, at in enumerate(range(0, file.size_bytes, VIEW)):
            for _ in opened.blocks(view[: min(VIEW, file.size_bytes - at)], at):
                pass
            if number % 4 == 0:
                cached.append(cached_bytes(path))
    source.close()
    return [*cached, cached_bytes(path)]


def test_a_drive_leaves_the_cache_to_others(tmp_path: Path) -> None:
    image = make_file_system(tmp_path / "a.img", "mkfs.ext4", "-q", "-F", size_mib=128)
    root = tmp_path / "drive"
    (root / "volume-1").mkdir(parents=True)
    with attached(image) as device:
        subprocess.run(["mount", device, str(root / "volume-1")], check=True)
        try:
            large, small = root / "volume-1" / "large", root / "volume-1" / "small"
            large.write_bytes(os.urandom(SIZE))
            small.write_bytes(os.urandom(5 * KIB))
            os.sync()
            assert cached_bytes(large) >= SIZE, "it is all there to begin with"
            drive, manifest = FakeDrive(root), FakeManifest()
            with closing(drive):
                survey(drive, manifest)
                files = {file.path: file for file in manifest.pending(-1, 9)}
                assert read(drive, files[b"large"], large)[-1] == 0
                # And again, from the medium this time.
                assert max(read(drive, files[b"large"], large)) <= VIEW + SPARE
                assert read(drive, files[b"small"], small)[-1] == 0
        finally:
            subprocess.run(["umount", str(root / "volume-1")], check=True)
