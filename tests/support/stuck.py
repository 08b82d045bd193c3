"""The daemon with one of its loops made to stand still for ever, once a file called `stuck` is there.

python -m tests.support.stuck LOOP run --config FILE
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Sequence
from typing import Any

from ingestd.drives.watch import DriveWatch
from ingestd.journal.database import Database
from ingestd.runtime import cli
from ingestd.runtime.busthread import BusThread
from ingestd.runtime.loop import Loop
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.governor import Governor

PLACES: dict[str, tuple[type, str, str | None]] = {
    "devices": (DriveWatch, "_look", None),
    "bus": (BusThread, "_turn", None),
    "core": (Loop, "_pace", None),
    "journal": (Database, "__init__", "_lock"),
    "governor": (Governor, "__init__", "_lock"),
    "buffers": (BufferPool, "__init__", "_changed"),
}
"""Where each stands still: in a method, or before a lock that another thread keeps."""


def main() -> int:
    place = sys.argv.pop(1)
    stuck = os.path.join(os.path.dirname(sys.argv[sys.argv.index("--config") + 1]), "stuck")
    owner, name, lock = PLACES[place]
    method = getattr(owner, name)
    setattr(owner, name, keeping(method, lock, stuck) if lock else hanging(method, stuck))
    return cli.main()


def hanging(method: Callable[..., Any], stuck: str) -> Callable[..., Any]:
    def until_stuck(self: Any, *arguments: Any) -> Any:
        while os.path.exists(stuck):
            threading.Event().wait()
        return method(self, *arguments)

    return until_stuck


def keeping(made: Callable[..., Any], lock: str, stuck: str) -> Callable[..., Any]:
    def then_keep(self: Any, *arguments: Any, **named: Any) -> None:
        made(self, *arguments, **named)
        threading.Thread(target=keep, args=(getattr(self, lock), stuck), daemon=True).start()

    return then_keep


def keep(lock: Any, stuck: str) -> None:
    while not os.path.exists(stuck):
        threading.Event().wait(0.05)
    with lock:
        threading.Event().wait()


def command(place: str) -> Sequence[str]:
    return ("-m", "tests.support.stuck", place)


if __name__ == "__main__":
    sys.exit(main())
