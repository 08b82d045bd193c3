"""`ingestd run` and `ingestd check`."""

from __future__ import annotations

import argparse
import gc

from ingestd.ports import JournalError
from ingestd.runtime import check, config
from ingestd.runtime.app import App
from ingestd.runtime.commands.common import OK, REFUSED, Adder
from ingestd.runtime.host import Signals
from ingestd.telemetry import logs

_NEW_BEFORE_A_LOOK = 50_000
"""Objects made and kept before the collector looks for cycles. A hundred thousand jobs are millions of
objects without a cycle: at its usual pace it looks through them all, over and over, as they come in."""


def add(command: Adder) -> None:
    command("run", _run, "run the daemon in the foreground")
    sub = command("check", _check, "check the configuration and the surroundings, listing every problem")
    sub.add_argument(
        "--configuration", action="store_true", help="that alone, for another machine than this one"
    )


def _run(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    logs.set_up(settings.logs.level, settings.logs.format)
    gc.set_threshold(_NEW_BEFORE_A_LOOK)
    signals = Signals()
    signals.install()
    try:
        return App(settings, options.config, signals).run()
    except JournalError as error:
        logs.get().critical("journal_broken", text=str(error))
        raise


def _check(options: argparse.Namespace) -> int:
    settings = config.read(options.config)
    if options.configuration:
        print(f"{options.config}: can be used; nothing else was looked at")
        return OK
    problems = list(check.surroundings(settings))
    for problem in problems:
        print(f"{'PROBLEM' if problem.fatal else 'note':8} {problem.where}: {problem.text}")
        print(f"{'':8} {problem.remedy}")
    fatal = sum(problem.fatal for problem in problems)
    if not fatal:
        print(f"{options.config}: station {settings.station.name} is ready to run")
    return REFUSED if fatal else OK
