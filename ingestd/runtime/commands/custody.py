"""`ingestd custody`: the record of what was done with a drive, shown, exported and checked."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import sys
import time
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO

from ingestd.core.custody_check import LINE_BYTES_MAX, PROBLEMS_MAX, Checked, check
from ingestd.core.names import counted
from ingestd.drives.jws import NotProven
from ingestd.runtime import config, show_custody, status
from ingestd.runtime.commands.common import FAILED, OK, REFUSED, Adder
from ingestd.runtime.custody_files import SUFFIX, path_of, seal_of
from ingestd.runtime.custody_seal import SEAL_BYTES_MAX, SEAL_SUFFIX, verified_head

_HEAD = re.compile("[0-9a-f]{64}")
_LOOKS, _LOOK_AGAIN_S = 5, 0.05


def add(command: Adder) -> None:
    parser = command("custody", _missing, "show, export or check the record of what was done with a drive")
    parser.set_defaults(usage=parser)
    below = parser.add_subparsers(title="what to do with it", metavar="WHAT")
    sub = below.add_parser("show", help="what was done with the drive of a load; without LOAD, all records")
    sub.add_argument("load", metavar="LOAD", nargs="?", help="the id of the load, as ingestd status has it")
    sub.add_argument("--json", action="store_true", help="the same as JSON")
    _config(sub)
    sub.set_defaults(command=_show)
    sub = below.add_parser("export", help="write the record to standard output, as it is to be checked")
    sub.add_argument("load", metavar="LOAD")
    sub.add_argument("--seal", action="store_true", help="the seal on the record in its place")
    _config(sub)
    sub.set_defaults(command=_export)
    sub = below.add_parser("verify", help="find every edit, removal, insertion and exchange in an export")
    sub.add_argument("file", metavar="FILE", help="the export; - for standard input")
    sub.add_argument(
        "--head",
        metavar="HASH",
        help="what the last entry's sha256 must be, from ingest.drive.released or from the receipt",
    )
    sub.add_argument("--key", metavar="FILE", help="the public key of the site that has sealed the record")
    sub.add_argument(
        "--seal", metavar="FILE", help="the seal, from export --seal; else FILE with .jws as its ending"
    )
    _config(sub)
    sub.set_defaults(command=_verify)


def _config(parser: argparse.ArgumentParser) -> None:
    """The same option behind the word that says what to do; what comes last counts."""
    parser.add_argument("--config", metavar="FILE", default=argparse.SUPPRESS, help="configuration file")


def _missing(options: argparse.Namespace) -> int:
    options.usage.print_usage(sys.stderr)
    return REFUSED


# -- the records of this station -------------------------------------------------------------------


def _show(options: argparse.Namespace) -> int:
    folder = status.custody_folder(config.read(options.config).station.state_folder)
    if options.load is None:
        rows = [row for name in _names(folder) if (row := _summary(folder, name.removesuffix(SUFFIX)))]
        print(json.dumps(rows, indent=2) if options.json else "\n".join(show_custody.summaries(rows)))
        return OK
    body = _record(folder, options.load)
    if body is None:
        return FAILED
    entries = [json.loads(line) for line in body.splitlines()]
    print(json.dumps(entries, indent=2) if options.json else "\n".join(show_custody.record(entries)))
    return OK


def _export(options: argparse.Namespace) -> int:
    folder = status.custody_folder(config.read(options.config).station.state_folder)
    body = _seal_in(folder, options.load) if options.seal else _record(folder, options.load)
    if body is None:
        return FAILED
    sys.stdout.buffer.write(body)
    sys.stdout.buffer.flush()
    return OK


def _seal_in(folder: str, load_id: str) -> bytes | None:
    """The seal on the record of a load; None, having said so, where there is none."""
    try:
        with _readable(folder), open(seal_of(folder, os.path.basename(load_id)), "rb") as file:
            return file.read()
    except FileNotFoundError:
        print(
            f"ingestd: there is no seal on a record of a load {load_id} here: it is made a second after the "
            "drive was released, where [custody] has a key",
            file=sys.stderr,
        )
        return None


def _names(folder: str) -> Sequence[str]:
    with _readable(folder), contextlib.suppress(FileNotFoundError):
        return sorted(name for name in os.listdir(folder) if name.endswith(SUFFIX) and name[0] != ".")
    return ()


def _summary(folder: str, load_id: str) -> dict[str, Any] | None:
    body = _record(folder, load_id)
    if body is None:
        return None
    entries = [json.loads(line) for line in body.splitlines()]
    last = entries[-1]
    return {
        "load_id": load_id,
        "drive": entries[0]["drive"],
        "entries": len(entries),
        "at": last["at"],
        "action": last["action"],
        "sha256": last["sha256"],
    }


def _record(folder: str, load_id: str) -> bytes | None:
    """The record of a load; None, having said so, where there is none, or a file that was altered."""
    path = path_of(folder, os.path.basename(load_id))
    try:
        with _readable(folder):
            body = _read(path)
    except FileNotFoundError:
        print(
            f"ingestd: there is no record of a load {load_id} here; `ingestd custody show` lists those there "
            "are. They are kept as long as the load's other records (station.keep_records_days)",
            file=sys.stderr,
        )
        return None
    lines = body.splitlines(keepends=True)
    problems = check(lines, check(lines).head).problems
    if problems:
        print(f"ingestd: {path} is not as the daemon wrote it: {problems[0]}", file=sys.stderr)
        print("ingestd: move it away and restart the daemon, which writes it anew", file=sys.stderr)
        return None
    return body


def _read(path: str) -> bytes:
    """A file that the daemon may be adding a line to."""
    for _ in range(_LOOKS):
        with open(path, "rb") as file:
            body = file.read()
        if body.endswith(b"\n"):
            break
        time.sleep(_LOOK_AGAIN_S)
    return body


@contextlib.contextmanager
def _readable(folder: str) -> Iterator[None]:
    """Says in words that this user may not look."""
    try:
        yield
    except PermissionError:
        raise status.StateFolderUnusable(
            f"{folder} may not be read by you: join the group of the daemon's user, or use sudo"
        ) from None


# -- checking --------------------------------------------------------------------------------------


def _verify(options: argparse.Namespace) -> int:
    head = options.head.strip().lower() if options.head is not None else None
    if head is not None and not _HEAD.fullmatch(head):
        print("ingestd: --head: a head is the 64 hexadecimal digits of a SHA-256", file=sys.stderr)
        return REFUSED
    if options.key is not None:
        try:
            sealed = _sealed(options)
        except NotProven as error:
            print(f"ingestd: the seal {error}", file=sys.stderr)
            return FAILED
        if head not in (None, sealed):
            print("ingestd: --head: is not the head that was sealed", file=sys.stderr)
            return FAILED
        head = sealed
    try:
        checked = _checked(options.file, head)
    except OSError as error:
        print(f"ingestd: {options.file}: cannot be read: {error.strerror}", file=sys.stderr)
        return REFUSED
    for problem in checked.problems[:PROBLEMS_MAX]:
        print(f"{options.file}: {problem}", file=sys.stderr)
    if len(checked.problems) > PROBLEMS_MAX:
        more = len(checked.problems) - PROBLEMS_MAX
        print(f"{options.file}: and {counted(more, 'more problem', 'more problems')}", file=sys.stderr)
    if checked.problems:
        return FAILED
    print("\n".join(show_custody.sound(checked, head_given=head is not None)))
    return OK


def _sealed(options: argparse.Namespace) -> str:
    """The head that was sealed. Raises NotProven."""
    path = options.seal or f"{options.file.removesuffix(SUFFIX)}{SEAL_SUFFIX}"
    try:
        with open(path, "rb") as file:
            seal = file.read(SEAL_BYTES_MAX)
    except OSError as error:
        raise NotProven(f"cannot be read from {path}: {error.strerror}") from None
    return verified_head(seal, options.key).sha256


def _checked(path: str, head: str | None) -> Checked:
    if path == "-":
        return check(_lines(sys.stdin.buffer), head)
    for _ in range(_LOOKS):
        with open(path, "rb") as file:
            checked, end = check(_lines(file), head), file.tell()
        if not checked.problems:
            break
        # Half of its last line, if the daemon was just adding it.
        time.sleep(_LOOK_AGAIN_S)
        if os.stat(path).st_size == end:
            break
    return checked


def _lines(file: BinaryIO) -> Iterator[bytes]:
    """The lines of a file; of a longer one than there are, a piece."""
    return iter(lambda: file.readline(LINE_BYTES_MAX + 1), b"")
