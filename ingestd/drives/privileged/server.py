"""The helper: a process that runs as root, performs the verbs, and does nothing else.

For every connection there is a process of its own, in a mount namespace and a process namespace of its
own: mounts are seen by nobody else, a drive that hangs in the kernel costs its own process only, and
when that ends, however it ends, the kernel takes its mounts apart and ends what served them. The process
that listens never touches a drive.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import struct
import time
from collections.abc import Callable, Collection, Iterable
from typing import Protocol

import structlog

from ingestd.drives import block
from ingestd.drives.privileged import tidying
from ingestd.drives.privileged.keeper import Keeper
from ingestd.drives.privileged.namespaces import in_namespaces
from ingestd.drives.privileged.session import Session
from ingestd.ports import PortError, ToolFailed

CONNECTIONS_MAX = 128
"""Connections at once, each a process. A drive that is held takes one, and looking at its health another."""

_TICK_S = 0.5
_END_S = 3.0
_FIRST_GIVEN = 3
"""The descriptor of the first socket that a service manager hands over: sd_listen_fds(3)."""
_CREDENTIALS = struct.Struct("=iII")


class Lines(Protocol):
    """Lines of one event of the log, which somebody may cause by the thousand."""

    def tell(self, **about: object) -> None:
        """Write one, or count it."""

    def tell_rest(self) -> None:
        """Write how many were counted, once it is time."""


class Helper:
    """Listens at `path` for processes of the users in `uids`; everybody else is turned away."""

    def __init__(
        self,
        path: str,
        keeper: Keeper,
        uids: Collection[int],
        owner: tuple[int, int],
        refused: Lines,
        loops: Callable[[], Iterable[str]] = tuple,
    ) -> None:
        """`owner`: user and group to which the socket belongs, and who alone may connect to it.

        `refused` is told of everybody who is turned away.
        `loops` gives the nodes of images in the bays: their seals are lifted once they are detached.
        """
        self._path = path
        self._given = _given()
        self._keeper = keeper
        self._uids = frozenset(uids)
        self._owner = owner
        self._refused = refused
        self._loops = loops
        self._sealed: set[str] = set()
        self._children: set[int] = set()
        self._log = structlog.get_logger("ingestd.helper")

    def run(self, stopping: Callable[[], bool], ready: Callable[[], None] = lambda: None) -> None:
        """Serve until `stopping` says so; `ready` is called once there is somebody who listens.

        Raises ToolFailed when the socket cannot be made.
        """
        for sentence in self._keeper.clean_up():
            self._log.warning("left_behind", text=sentence)
        with contextlib.closing(self._listen()) as listener:
            self._log.info("helper_started", socket=self._path, users=sorted(self._uids))
            ready()
            try:
                while not stopping():
                    self._once(listener)
            finally:
                self._end_children()
                if not self._given:
                    with contextlib.suppress(OSError):
                        os.unlink(self._path)
        self._log.info("helper_stopped")

    def _listen(self) -> socket.socket:
        if self._given:
            return self._taken_over()
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        try:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(self._path)
            before = os.umask(0o177)
            try:
                listener.bind(self._path)
            finally:
                os.umask(before)
            os.chown(self._path, *self._owner)
            listener.listen(CONNECTIONS_MAX)
        except OSError as error:
            listener.close()
            raise ToolFailed(f"the socket {self._path} cannot be made: {error.strerror}") from error
        listener.settimeout(_TICK_S)
        return listener

    def _taken_over(self) -> socket.socket:
        """The socket that the service manager made, so that the right to give files away is not needed."""
        try:
            listener = socket.socket(fileno=os.dup(_FIRST_GIVEN))
        except OSError as error:
            raise ToolFailed(f"the service manager's socket cannot be used: {error.strerror}") from error
        if (listener.family, listener.type) != (socket.AF_UNIX, socket.SOCK_SEQPACKET):
            listener.close()
            raise ToolFailed("the service manager's socket must be one of ListenSequentialPacket=")
        listener.settimeout(_TICK_S)
        return listener

    def _once(self, listener: socket.socket) -> None:
        self._reap()
        self._lift_seals()
        self._refused.tell_rest()
        try:
            connection, _ = listener.accept()
        except (TimeoutError, InterruptedError):
            return
        except OSError as error:
            self._log.error("helper_cannot_accept", error=error.strerror)
            time.sleep(_TICK_S)
            return
        with connection:
            if self._may_connect(connection):
                self._serve(listener, connection)

    def _lift_seals(self) -> None:
        with contextlib.suppress(PortError):
            self._sealed |= set(self._loops())
            for path in [path for path in self._sealed if block.loop_node(path) is None]:
                self._sealed.discard(path)
                tidying.lift_seal(path)

    def _may_connect(self, connection: socket.socket) -> bool:
        told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
        pid, uid, _ = _CREDENTIALS.unpack(told)
        if uid not in self._uids:
            self._refused.tell(uid=uid, pid=pid)
            return False
        if len(self._children) >= CONNECTIONS_MAX:
            self._log.error("helper_crowded", connections=len(self._children))
            return False
        return True

    def _serve(self, listener: socket.socket, connection: socket.socket) -> None:
        try:
            child = os.fork()
        except OSError as error:
            self._log.error("helper_cannot_fork", error=error.strerror)
            return
        if child:
            self._children.add(child)
            return
        status = 1
        try:
            listener.close()
            status = in_namespaces(lambda: Session(connection, self._keeper).run())
        except BaseException as error:  # noqa: BLE001  nothing may return into the process that listens
            self._log.error("helper_session_broke", error=type(error).__name__, text=str(error))
        finally:
            os._exit(status)

    def _reap(self) -> None:
        for child in list(self._children):
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                self._children.discard(child)
                if os.WIFSIGNALED(status) or os.WEXITSTATUS(status):
                    self._log.warning("helper_session_ended", status=os.waitstatus_to_exitcode(status))

    def _end_children(self) -> None:
        """Tell them to end; one that is stuck in the kernel is left behind."""
        for child in self._children:
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        until = time.monotonic() + _END_S
        while self._children and time.monotonic() < until:
            self._reap()
            time.sleep(_TICK_S / 10)


def _given() -> bool:
    """Whether the service manager has handed over a socket to this very process."""
    given = os.environ.get("LISTEN_PID") == str(os.getpid()) and os.environ.get("LISTEN_FDS") == "1"
    if given:
        for name in ("LISTEN_PID", "LISTEN_FDS", "LISTEN_FDNAMES"):
            os.environ.pop(name, None)
        os.set_inheritable(_FIRST_GIVEN, False)
    return given
