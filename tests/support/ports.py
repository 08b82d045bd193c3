"""Ports for servers that tests start themselves."""

from __future__ import annotations

import contextlib
import errno
import os
import random
import socket
from pathlib import Path

LOOPBACK = "127.0.0.1"

_LOWEST = 10_000
_TRIES = 1_000


def free_ports(count: int) -> list[int]:
    """
    Loopback ports that nobody has, and that no outgoing connection is given.

    A port that the kernel picks is one of those that it also gives to clients. A server that is ended and
    started again on such a port finds it, now and then, taken by a client of some other test.
    """
    # Of no importance to anybody but for being different in runs side by side.
    chance = random.Random(os.urandom(8))
    with contextlib.ExitStack() as stack:
        found: list[int] = []
        for _ in range(_TRIES):
            if len(found) == count:
                return found
            port = chance.randrange(_LOWEST, _first_of_clients())
            with contextlib.suppress(_Taken):
                stack.enter_context(_held(port))
                found.append(port)
    raise AssertionError(f"no {count} free ports in {_TRIES} tries")


class _Taken(Exception):
    pass


def _held(port: int) -> socket.socket:
    held = socket.socket()
    try:
        held.bind((LOOPBACK, port))
    except OSError as error:
        held.close()
        if error.errno == errno.EADDRINUSE:
            raise _Taken from error
        raise
    return held


def _first_of_clients() -> int:
    """The lowest port that the kernel gives to a client by itself (`ip(7)`)."""
    return int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
