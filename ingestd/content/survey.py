"""The survey: one look at everything on a drive but the files' content.

Every readable volume is walked; each file goes into the manifest, with the reason where it is not to be
loaded, so that the ledger has every byte that was discovered. What cannot be loaded at all (links,
special files, folders that cannot be read) is counted and exemplified. The facts judge nothing.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass

import structlog

from ingestd.content import checksums, sniff
from ingestd.content.announced import Announced
from ingestd.content.faults import blame_station, lacks_rights
from ingestd.content.walk import Found, Kind, walk
from ingestd.core.model import (
    ChecksumListFact,
    Item,
    Job,
    Samples,
    SecrecyFact,
    SurveyFacts,
)
from ingestd.core.names import is_checksum_list, is_control_file, located, printable
from ingestd.files import is_regular, open_beneath
from ingestd.ports import (
    CancelToken,
    DriveGoneError,
    FileEntry,
    Manifest,
    OpenDrive,
    PortError,
    SurveyDifferences,
    Volume,
)
