"""A TCP forwarder that can fall silent, as a network does: nothing arrives, and nobody is told."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading

_BLOCK = 1 << 16


class Proxy:
    """Listens on a free loopback port and forwards to another; use as a context manager."""

    def __init__(self, host: str, port: int) -> None:
        self._target = (host, port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._peers: dict[socket.socket, socket.socket] = {}
        self._silenced: set[socket.socket] = set()
        self._commands: list[str] = []
        self._selector = selectors.DefaultSelector()
        self._wake_out, self._wake_in = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="proxy", daemon=True)

    def __enter__(self) -> Proxy:
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._wake_out, selectors.EVENT_READ)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._command("end")
        self._thread.join(5)

    def silence(self) -> None:
        """What is connected now stays connected, and nothing goes through any more. New ones are fine."""
        self._command("silence")

    def cut(self) -> None:
        """Hang up on everybody."""
        self._command("cut")

    def _command(self, word: str) -> None:
        self._commands.append(word)
        self._wake_in.send(b"x")

    def _run(self) -> None:
        while True:
            for key, _ in self._selector.select():
                if key.fileobj is self._listener:
                    self._accept()
                elif key.fileobj is self._wake_out:
                    self._wake_out.recv(64)
                elif isinstance(key.fileobj, socket.socket):
                    self._forward(key.fileobj)
            while self._commands:
                if self._obey(self._commands.pop(0)):
                    return

    def _obey(self, word: str) -> bool:
        if word == "silence":
            for each in set(self._peers) - self._silenced:
                self._selector.unregister(each)
                self._silenced.add(each)
            return False
        for each in list(self._peers):
            self._close(each)
        if word == "end":
            for each in (self._listener, self._wake_out, self._wake_in):
                each.close()
            self._selector.close()
        return word == "end"

    def _accept(self) -> None:
        near, _ = self._listener.accept()
        try:
            far = socket.create_connection(self._target, 5)
        except OSError:
            near.close()
            return
        self._peers[near], self._peers[far] = far, near
        for each in (near, far):
            each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._selector.register(each, selectors.EVENT_READ)

    def _forward(self, source: socket.socket) -> None:
        target = self._peers.get(source)
        if target is None:
            return
        with contextlib.suppress(OSError):
            block = source.recv(_BLOCK)
            if block:
                target.sendall(block)
                return
        self._close(source)

    def _close(self, side: socket.socket) -> None:
        other = self._peers.pop(side, None)
        if other is None:
            return
        self._peers.pop(other, None)
        for each in (side, other):
            if each not in self._silenced:
                self._selector.unregister(each)
            self._silenced.discard(each)
            each.close()
