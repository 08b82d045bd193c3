"""What tests of the byte path share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tenacity import wait_random

from ingestd.transfer import stopping
from tests.support.byte_path import BytePath, byte_path


@pytest.fixture
def path(tmp_path: Path) -> Iterator[BytePath]:
    """A byte path of small buffers, of which nothing may be left at the end."""
    with byte_path(tmp_path) as made:
        yield made


@pytest.fixture
def no_long_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is tried again is so at once."""
    monkeypatch.setattr(stopping, "_JITTER", wait_random(0, 0.001))
