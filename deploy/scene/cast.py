"""The five drives of the scene, and what their owners wrote on them."""

from __future__ import annotations

import hashlib
import io
import os
import tarfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

MB = 1_000_000
STORE = "harrow-archive"
Files = dict[str, Callable[[Path], None]]


# -- what customers write --------------------------------------------------------------------------


def sealed(size_bytes: int) -> Callable[[Path], None]:
    """A file as `openssl enc -salt` writes it: eight letters, a salt, and what looks like noise."""

    def write(path: Path) -> None:
        with path.open("wb") as file:
            file.write(b"Salted__" + os.urandom(8))
            for left in range(size_bytes, 0, -MB):
                file.write(os.urandom(min(left, MB)))

    return write


def plain_tar(size_bytes: int) -> Callable[[Path], None]:
    """An archive that somebody forgot to encrypt."""

    def write(path: Path) -> None:
        with tarfile.open(path, "w") as archive:
            page = b"In the margin, in another hand: see plate XII.\n"
            info = tarfile.TarInfo("book-0451/page-001.txt")
            info.size = size_bytes
            archive.addfile(info, io.BytesIO((page * (size_bytes // len(page) + 1))[:size_bytes]))

    return write


def wrong_sums(*names: str) -> Callable[[Path], None]:
    """A checksum list whose first line is another file's: written before the archive was written again."""

    def write(path: Path) -> None:
        sums = {name: hashlib.sha256((path.parent / name).read_bytes()).hexdigest() for name in names}
        sums[names[0]] = hashlib.sha256(b"the version before").hexdigest()
        path.write_text("".join(f"{digest}  {name}\n" for name, digest in sums.items()))

    return write


# -- the cast --------------------------------------------------------------------------------------


@dataclass
class Drive:
    bay: str
    serial: str
    model: str
    files: Files
    job: dict[str, Any] | None
    outcome: str
    code: str = ""
    """Code of the finding that the failure has to name."""
    pulled_halfway: bool = False
    device: str = ""
    unchanged: bool | None = None
    seen: list[str] = field(default_factory=list)

    @property
    def wwn(self) -> str:
        """Of the kind that a site assigns itself (NAA 3): no maker has it."""
        return "0x3" + hashlib.sha256(self.serial.encode()).hexdigest()[:15]

    @property
    def size_bytes(self) -> int:
        return 500 * MB


def job(number: str, tenant: str, folder: str, *items: str, **more: Any) -> dict[str, Any]:
    return {
        "job_id": number,
        "version": 1,
        "tenant": tenant,
        "items": [{"name": name} for name in items],
        "destination": {"store": STORE, "prefix": f"{tenant}/{folder}"},
        **more,
    }


def cast() -> list[Drive]:
    tonight = (datetime.now(UTC) + timedelta(hours=6)).isoformat(timespec="seconds")
    parts = [f"seabed-{n}.enc" for n in range(1, 7)]
    return [
        Drive(
            "bay-1",
            "KELP-0071",
            "Brinecroft 2T",
            {"north-transect.enc": sealed(24 * MB), "south-transect.enc": sealed(16 * MB)},
            job(
                "TW-2041",
                "tidewrack-survey",
                "kelp-2026",
                "north-transect.enc",
                "south-transect.enc",
                proof="full",
                return_label_enclosed=True,
            ),
            "loaded",
        ),
        Drive(
            "bay-2",
            "DOME-1180",
            "Brinecroft 1T",
            {
                "aurora-show.enc": sealed(12 * MB),
                "comet-show.enc": sealed(6 * MB),
                "SHA256SUMS": wrong_sums("aurora-show.enc", "comet-show.enc"),
            },
            job("LD-0118", "lumen-dome", "winter-season", "aurora-show.enc", "comet-show.enc"),
            "failed",
            "checksum-mismatch",
        ),
        Drive(
            "bay-3",
            "PRESS-33",
            "Oldweir 500G",
            {"books-0451-0460.tar": plain_tar(8 * MB)},
            job("AP-0077", "alder-press", "scans/0451", "books-0451-0460.tar"),
            "failed",
            "not-encrypted",
        ),
        Drive(
            "bay-4",
            "NOBODY-9",
            "Oldweir 500G",
            {"holiday.enc": sealed(4 * MB)},
            None,
            "unclaimed",
        ),
        Drive(
            "bay-5",
            "KELP-0072",
            "Brinecroft 4T",
            {name: sealed(32 * MB) for name in parts},
            job(
                "TW-2042",
                "tidewrack-survey",
                "seabed-2026",
                *parts,
                due_at=tonight,
                priority=8,
                proof="sampled",
            ),
            "loaded",
            pulled_halfway=True,
        ),
    ]
