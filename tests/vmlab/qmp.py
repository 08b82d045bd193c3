"""A client of the QEMU Machine Protocol, as QEMU's interoperability manual describes it."""

import json
import threading
import time
from pathlib import Path
from typing import Any

from .process import connected


class QmpError(RuntimeError):
    """QEMU refused a command."""


class Qmp:
    """One control connection to a running QEMU.  Safe to call from several threads."""

    def __init__(self, path: Path) -> None:
        self._socket = connected(path)
        self._pending = b""
        self._events: list[dict[str, Any]] = []
        self._lock = threading.Lock()
        self._receive(timeout_s=10)  # the greeting
        self("qmp_capabilities")

    def __call__(self, command: str, **arguments: Any) -> Any:
        """Run a command and give back what it returns.  Raises QmpError when QEMU refuses it."""
        request = {"execute": command, "arguments": arguments}
        with self._lock:
            self._socket.settimeout(30)
            self._socket.sendall(json.dumps(request).encode() + b"\n")
            while True:
                reply = self._receive(timeout_s=30)
                if "event" in reply:
                    self._events.append(reply)
                elif "error" in reply:
                    raise QmpError(f"{command}: {reply['error']['desc']} ({arguments})")
                else:
                    return reply["return"]

    def wait_event(self, name: str, *, timeout_s: float, **data: Any) -> None:
        """Wait for an event whose data has these values; one that came before counts too.

        Raises TimeoutError.
        """
        deadline = time.monotonic() + timeout_s
        with self._lock:
            while True:
                for event in self._events:
                    if event["event"] == name and data.items() <= event.get("data", {}).items():
                        self._events.remove(event)
                        return
                self._events.append(self._receive(timeout_s=deadline - time.monotonic()))

    def close(self) -> None:
        self._socket.close()

    def _receive(self, *, timeout_s: float) -> dict[str, Any]:
        while b"\n" not in self._pending:
            if timeout_s <= 0:
                raise TimeoutError("QEMU did not answer in time")
            self._socket.settimeout(timeout_s)
            data = self._socket.recv(65536)
            if not data:
                raise ConnectionError("QEMU closed its control connection")
            self._pending += data
        line, _, self._pending = self._pending.partition(b"\n")
        message: dict[str, Any] = json.loads(line)
        return message
