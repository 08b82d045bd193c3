"""The bus without a broker: notices are files dropped into one folder, events files in another.

    notices/   put here, by renaming into place, for the daemon to take
    accepted/  notices that were recorded, the time of it before their name
    refused/   notices that were not understood, each with its `.problems.txt`
    events/    what the station says: `<sequence>-<type>.json`, in the order of their names

Names that begin with a dot are somebody's work in progress and are passed over. All folders lie on
one file system, since everything moves by rename. A file that was taken stays where it is until it
is acknowledged: after a crash it is taken again, with the same origin.
"""

from __future__ import annotations

import contextlib
import hashlib
import heapq
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ingestd.bus.strict import BODY_MAX, NotJson, read
from ingestd.core.names import from_printable, printable
from ingestd.files import fsync_folder, write_whole
from ingestd.ports import BusDown, Delivery, OutboxEntry, Problem

FOLDERS = ("notices", "accepted", "refused", "events")
POLL_MAX = 256
"""Notices of one poll; with `BODY_MAX` this bounds what a poll holds in memory, 256 MiB."""

TIDY_MAX = 1000
STEP_S = 0.1
_NAME_KEPT = 180
"""Bytes kept of a notice's name where a time and an ending are added to it; 255 is the system's limit."""
