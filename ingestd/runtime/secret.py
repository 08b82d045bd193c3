"""Secrets: kept in files, or in credentials that systemd hands over; never in the configuration."""

from __future__ import annotations

import os
import stat

_BYTES_MAX = 4096


def kept_in(file: str | None, credential: str | None) -> str:
    """The path of a secret's file, as far as it can be known."""
    if file is not None:
        return file
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "$CREDENTIALS_DIRECTORY")
    return os.path.join(folder, credential or "")


def read_secret(path: str) -> str:
    """The secret as it is now: the first line of its file, without the line's end.

    Raises OSError or ValueError.
    """
    with open(path, "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise ValueError("it is not a regular file")
        text = file.read(_BYTES_MAX).decode()
    if not (secret := text.split("\n", 1)[0].removesuffix("\r")):
        raise ValueError("its first line is empty")
    return secret
