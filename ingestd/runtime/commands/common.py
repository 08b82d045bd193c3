"""What the commands have in common: how one is added, and what their exit statuses mean."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Protocol

DEFAULT_CONFIG = "/etc/ingestd/ingestd.toml"

OK, FAILED, REFUSED = 0, 1, 2
"""Exit statuses: done; could not be done; what was given is wrong."""

Command = Callable[[argparse.Namespace], int]
"""Does the work of one command, and gives its exit status."""


class Adder(Protocol):
    """Adds a command to the parser; what it gives takes the command's own arguments."""

    def __call__(self, name: str, run: Command, text: str) -> argparse.ArgumentParser: ...
