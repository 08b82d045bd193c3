"""The command line."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from ingestd import __version__
from ingestd.ports import JournalError, PortError
from ingestd.runtime import status
from ingestd.runtime.commands import (
    bench,
    custody,
    daemon,
    drives,
    foretell,
    helper,
    inspect,
    look,
    schema,
    tell,
    ticket,
)
from ingestd.runtime.commands.common import DEFAULT_CONFIG, FAILED, OK, REFUSED, Command
from ingestd.runtime.config import ConfigError

GROUPS = (daemon, look, drives, foretell, bench, tell, custody, inspect, ticket, schema, helper)
"""In the order in which the commands are listed."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; gives the exit status."""
    options = _parser().parse_args(arguments)
    try:
        done: int = options.command(options)
        return done
    except ConfigError as error:
        for problem in error.problems:
            print(f"{error.path}: {problem}", file=sys.stderr)
        return REFUSED
    except (JournalError, PortError, status.AlreadyRunning, status.StateFolderUnusable) as error:
        print(f"ingestd: {error}", file=sys.stderr)
        return FAILED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="ingestd",
        description="Takes customers' drives at an ingest station from plugged in to released.",
    )
    parser.add_argument("--version", action="version", version=f"ingestd {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    def command(name: str, run: Command, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        sub.add_argument(
            "--config",
            metavar="FILE",
            default=os.environ.get("INGESTD_CONFIG", DEFAULT_CONFIG),
            help="configuration file (default: $INGESTD_CONFIG or %(default)s)",
        )
        sub.set_defaults(command=run)
        return sub

    for group in GROUPS:
        group.add(command)
    return parser


if __name__ == "__main__":
    sys.exit(main())
