"""Who performs the privileged verbs: this process, or a helper."""

from __future__ import annotations

import os
from functools import partial

from ingestd.drives import loop, power
from ingestd.drives.file_systems import ACCEPTED
from ingestd.drives.overlay import Scratch
from ingestd.drives.privileged.client import HelperClient
from ingestd.drives.privileged.keeper import Keeper, KeeperSettings
from ingestd.drives.privileged.verbs import BayOf, Privileged
from ingestd.drives.udev import bay_finder
from ingestd.runtime.config import Config


def make_privileged(config: Config) -> Privileged:
    if config.drives.helper_socket is not None:
        return HelperClient(config.drives.helper_socket)
    return make_keeper(config, config.station.state_folder)


def make_keeper(config: Config, folder: str, overlays: str | None = None) -> Keeper:
    """What performs the verbs in this process: mounts below `folder`, overlays in theirs or below it too."""
    drives = config.drives
    overlays = overlays or os.path.join(folder, "overlays")
    settings = KeeperSettings(
        mounts_folder=os.path.join(folder, "mounts"),
        scratch=Scratch(
            folder=overlays or os.path.join(folder, "overlays"), bytes_max=drives.overlay_bytes_max
        ),
        accepted=ACCEPTED if drives.file_systems is None else drives.file_systems,
        demanded=drives.file_systems or (),
    )
    return Keeper(settings, bay_of(config), power.make_safe_to_pull)


def bay_of(config: Config) -> BayOf:
    """How the bay of a disk is found, for the way in which this station finds its drives."""
    if config.drives.watch == "udev":
        return bay_finder([section.bay() for section in config.bays])
    return partial(loop.bay_of, config.drives.bays_folder or "")
