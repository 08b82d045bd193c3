"""`ingestd schema`: what every message looks like, and what commands print, for programs that read them."""

from __future__ import annotations

import argparse
import difflib
import sys

from ingestd.bus import schema
from ingestd.runtime.commands.common import OK, REFUSED, Adder


def add(command: Adder) -> None:
    sub = command("schema", _schema, "print the JSON Schema of a message or an output, or list the types")
    sub.add_argument(
        "type", metavar="TYPE", nargs="?", help="such as ingest.job.announced; without it, all are listed"
    )


def _schema(options: argparse.Namespace) -> int:
    types = schema.types() | dict.fromkeys(schema.PRINTED, "printed")
    if options.type is None:
        for name, direction in types.items():
            print(f"{name:<36}{direction}")
        return OK
    if options.type not in types:
        near = difflib.get_close_matches(options.type, types, n=1)
        hint = f"; did you mean {near[0]}?" if near else "; `ingestd schema` lists those there are"
        print(f"ingestd: {options.type} is not a type of message{hint}", file=sys.stderr)
        return REFUSED
    sys.stdout.write(schema.shipped(options.type))
    return OK
