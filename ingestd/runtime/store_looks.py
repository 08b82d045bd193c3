"""Looks at a store now and then, whether or not a load needs it.

What a store says of itself comes from the work that is done on it. Without a look one that failed would count
as down until the next drive comes, though it was mended hours ago; and one that fails at night would be found
by the drive in the morning.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from ingestd.ports import PortError, Store
from ingestd.telemetry import logs

_EVERY_S = 30.0
_SWEEP_EVERY = 120
"""An hour's worth."""
_KEY = b"look"
"""An object that hardly exists; whether it does makes no difference."""


class StoreLooks:
    """Asks one store about one object, from a thread of its own: a store that hangs holds up nothing else.

    What comes of it is seen in the store's `trouble`. A store that is left alone for a while, since it
    failed, is left alone by this too: then the look is the probe, where no load makes it.
    """

    def __init__(
        self,
        store: Store,
        every_s: float = _EVERY_S,
        sweep: Callable[[], None] | None = None,
        sweep_every: int = _SWEEP_EVERY,
    ) -> None:
        """`sweep` is called after every so many looks at a store that is well: it takes away what is dead."""
        self._store = store
        self._every_s = every_s
        self._sweep = sweep
        self._sweep_every = sweep_every
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"looks-{store.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Do not look again. One look that is under way is not waited for: it may hang."""
        self._stop.set()

    def _run(self) -> None:
        looks = 0
        while not self._stop.wait(self._every_s):
            try:
                self._store.stat(_KEY)
                looks += 1
                if self._sweep is not None and looks % self._sweep_every == 0:
                    self._sweep()
            except PortError:
                continue
            except Exception as error:  # noqa: BLE001 - it costs one look
                logs.broke("store_look_broke", error, store=self._store.name)
