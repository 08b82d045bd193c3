"""The daemon with a wall clock that is put forward: `python -m tests.support.shifted_clock run ...`.

The file that `$SHIFT_FILE` names holds by how many seconds; it is read each time.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from ingestd.runtime import app, cli
from ingestd.runtime.clock import Clock


class ShiftedClock(Clock):
    def now(self) -> float:
        return time.time() + float(Path(os.environ["SHIFT_FILE"]).read_text())


if __name__ == "__main__":
    app.Clock = ShiftedClock  # type: ignore[attr-defined]
    sys.exit(cli.main())
