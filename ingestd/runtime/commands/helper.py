"""`ingestd helper`."""

from __future__ import annotations

import argparse
import pwd
import time

from ingestd.drives import loop
from ingestd.drives.privileged.server import Helper
from ingestd.runtime import config, privilege
from ingestd.runtime.commands.common import OK, REFUSED, Adder
from ingestd.runtime.config import Config, ConfigError
from ingestd.runtime.host import Signals
from ingestd.runtime.notify import Manager
from ingestd.telemetry import logs
from ingestd.telemetry.seldom import Seldom

FOLDER = "/run/ingestd"


def add(command: Adder) -> None:
    sub = command("helper", _helper, "perform what needs root for a daemon that runs without it")
    sub.add_argument("--socket", metavar="PATH", help="where to listen (default: drives.helper_socket)")
    sub.add_argument(
        "--user",
        metavar="NAME",
        default="ingestd",
        help="the daemon's user, who alone is served (%(default)s)",
    )
    sub.add_argument("--folder", metavar="PATH", default=FOLDER, help="where mounts lie (%(default)s)")
    sub.add_argument(
        "--overlays", metavar="PATH", help="where overlays lie, on a disk (default: overlays in --folder)"
    )


def _helper(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    logs.set_up(settings.logs.level, settings.logs.format)
    path = options.socket or settings.drives.helper_socket
    if path is None:
        raise ConfigError(options.config, ["drives.helper_socket: is missing; set it, or give --socket"])
    try:
        user = pwd.getpwnam(options.user)
    except KeyError:
        logs.get().critical("helper_without_user", user=options.user)
        return REFUSED
    signals = Signals()
    signals.install()
    helper = Helper(
        path,
        privilege.make_keeper(settings, options.folder, options.overlays),
        uids={user.pw_uid},
        owner=(user.pw_uid, user.pw_gid),
        refused=Seldom("helper_refused", time.monotonic, level="warning"),
        loops=lambda: _loops(settings),
    )
    helper.run(lambda: signals.stop, Manager().ready)
    return OK


def _loops(settings: Config) -> list[str]:
    if settings.drives.watch != "loop" or settings.drives.bays_folder is None:
        return []
    return [node.path for _, _, node in loop.plugged_in(settings.drives.bays_folder)]
