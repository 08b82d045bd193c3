"""The process and its host: signals."""

from __future__ import annotations

import os
import signal
from types import FrameType


class Signals:
    """SIGTERM and SIGINT ask for a stop, a second one stops at once; SIGHUP asks for a reload.

    Handlers only set flags, which the loop reads several times a second: nothing they could call is
    safe to call in the middle of whatever the main thread is doing.
    """

    def __init__(self) -> None:
        self.stop = False
        self._stop_taken = False
        self._reload = False

    def install(self) -> None:
        signal.signal(signal.SIGTERM, self._on_stop)
        signal.signal(signal.SIGINT, self._on_stop)
        signal.signal(signal.SIGHUP, self._on_reload)

    def _on_stop(self, number: int, _frame: FrameType | None) -> None:
        if self.stop:
            os.write(2, b"ingestd: second signal, stopping at once; the work is resumable\n")
            os._exit(128 + number)
        self.stop = True

    def _on_reload(self, _number: int, _frame: FrameType | None) -> None:
        self._reload = True

    def take_stop(self) -> bool:
        """Whether a stop has been asked for; True once."""
        taken, self._stop_taken = self.stop and not self._stop_taken, self.stop
        return taken

    def take_reload(self) -> bool:
        """Whether a reload has been asked for since the last call."""
        taken, self._reload = self._reload, False
        return taken
