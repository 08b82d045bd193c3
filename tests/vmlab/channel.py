"""The host's end of the channel to the agent in the guest: commands out, their output back."""

import base64
import contextlib
import json
import re
import socket
import threading
import time
from pathlib import Path
from typing import Any

from .process import connected


class GuestError(RuntimeError):
    """The guest is gone, or could not do what was asked."""


class Channel:
    """A connection to the agent.  Safe to use from several threads."""

    def __init__(self, path: Path) -> None:
        self._socket = connected(path)
        self._sending = threading.Lock()
        self._calls: dict[int, Call] = {}
        self._last = 0
        self._closed = False
        self.ready = threading.Event()
        self._reader = threading.Thread(target=self._read, name="vmlab-channel", daemon=True)
        self._reader.start()

    def call(self, op: str, **arguments: Any) -> "Call":
        """Ask for an operation; the answer arrives in the call."""
        call = Call()
        with self._sending:
            if self._closed:
                raise GuestError("the guest has stopped")
            self._last += 1
            call.number = self._last
            self._calls[call.number] = call
            request = {"id": call.number, "op": op, **arguments}
            self._socket.sendall(json.dumps(request).encode() + b"\n")
        return call

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._reader.join(10)
        self._socket.close()

    def _read(self) -> None:
        try:
            with self._socket.makefile("rb") as lines:
                for line in lines:
                    self._take(json.loads(line))
        except OSError:
            pass
        with self._sending:
            self._closed = True
            abandoned = list(self._calls.values())
        for call in abandoned:
            call.receive({"done": True, "error": "the guest has stopped"})

    def _take(self, message: dict[str, Any]) -> None:
        if "id" not in message:
            self.ready.set()
        elif call := self._calls.get(message["id"]):
            if message.get("done"):
                del self._calls[message["id"]]
            call.receive(message)


class Call:
    """One operation under way in the guest."""

    def __init__(self) -> None:
        self.number = 0
        self._changed = threading.Condition()
        self._chunks: list[tuple[str, bytes]] = []
        self._reply: dict[str, Any] | None = None

    def receive(self, message: dict[str, Any]) -> None:
        with self._changed:
            if "stream" in message:
                chunk = (message["stream"], base64.b64decode(message["data"]))
                self._chunks.append(chunk)
            if message.get("done"):
                self._reply = message
            self._changed.notify_all()

    def reply(self, timeout_s: float | None = None) -> dict[str, Any]:
        """Wait for the answer.  Raises TimeoutError, or GuestError if it could not be done."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._reply is not None, timeout_s):
                raise TimeoutError(f"no answer from the guest in {timeout_s} s")
            assert self._reply is not None
            if "error" in self._reply:
                raise GuestError(self._reply["error"])
            return self._reply

    def is_done(self) -> bool:
        return self._reply is not None

    def output(self, *streams: str) -> str:
        """What has come out so far on these streams, in order of arrival."""
        with self._changed:
            data = b"".join(data for stream, data in self._chunks if stream in streams)
        return data.decode(errors="replace")

    def wait_output(self, pattern: str, timeout_s: float) -> re.Match[str]:
        """Wait until the output so far matches a regular expression.

        Raises TimeoutError, also at once when the command has ended without it.
        """
        deadline = time.monotonic() + timeout_s
        with self._changed:
            while True:
                text = self.output("stdout", "stderr")
                if found := re.search(pattern, text, re.MULTILINE):
                    return found
                left_s = deadline - time.monotonic()
                if left_s <= 0 or self.is_done():
                    raise TimeoutError(f"no {pattern!r} in the output:\n{text}")
                self._changed.wait(left_s)
