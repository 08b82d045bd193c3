"""The helper: a process that runs as root, performs the verbs, and does nothing else.

For every connection there is a process of its own, in a mount namespace and a process namespace of its
own: mounts are seen by nobody else, a drive that hangs in the kernel costs its own process only, and
when that ends, however it ends, the kernel takes its mounts apart and ends what served them. The process
that listens never touches a drive.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import socket
import struct
import time
from collections.abc import Callable, Collection, Iterable

import structlog

from ingestd.drives import block
from ingestd.drives.privileged import messages, tidying
from ingestd.drives.privileged.keeper import HeldGrip, Keeper
from ingestd.drives.privileged.messages import Garbled, Reply, Request
from ingestd.drives.privileged.verbs import DeviceName
from ingestd.ports import PortError, ToolFailed

CONNECTIONS_MAX = 128
"""Connections at once, each a process. A drive that is held takes one, and looking at its health another."""

_TICK_S = 0.5
_END_S = 3.0
_CLONE_NEWNS, _CLONE_NEWPID = 0x0002_0000, 0x2000_0000
_MS_REC, _MS_SLAVE = 0x4000, 0x8_0000
_PR_SET_PDEATHSIG = 1
_CREDENTIALS = struct.Struct("=iII")

_libc = ctypes.CDLL(None, use_errno=True)


class Helper:
    """Listens at `path` for processes of the users in `uids`; everybody else is turned away."""

    def __init__(
        self,
        path: str,
        keeper: Keeper,
        uids: Collection[int],
        owner: tuple[int, int],
        loops: Callable[[], Iterable[str]] = tuple,
    ) -> None:
        """`owner`: user and group to which the socket belongs, and who alone may connect to it.

        `loops` gives the nodes of images in the bays: their seals are lifted once they are detached.
        """
        self._path = path
        self._keeper = keeper
        self._uids = frozenset(uids)
        self._owner = owner
        self._loops = loops
        self._sealed: set[str] = set()
        self._children: set[int] = set()
        self._log = structlog.get_logger("ingestd.helper")

    def run(self, stopping: Callable[[], bool]) -> None:
        """Serve until `stopping` says so. Raises ToolFailed when the socket cannot be made."""
        for sentence in self._keeper.clean_up():
            self._log.warning("left_behind", text=sentence)
        with contextlib.closing(self._listen()) as listener:
            self._log.info("helper_started", socket=self._path, users=sorted(self._uids))
            try:
                while not stopping():
                    self._once(listener)
            finally:
                self._end_children()
                with contextlib.suppress(OSError):
                    os.unlink(self._path)
        self._log.info("helper_stopped")

    def _listen(self) -> socket.socket:
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

    def _once(self, listener: socket.socket) -> None:
        self._reap()
        self._lift_seals()
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
            self._log.warning("helper_refused", uid=uid, pid=pid)
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
            status = _in_namespaces(lambda: Session(connection, self._keeper).run())
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


# -- namespaces ------------------------------------------------------------------------------------


def _in_namespaces(work: Callable[[], None]) -> int:
    """Do the work as the first process of new namespaces; the exit status.

    The first process of a process namespace takes all others in it along when it ends: programs that
    serve mounts must not outlive it.
    """
    _die_with_parent()
    for signal_ in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(signal_, signal.SIG_DFL)
    _check(_libc.unshare(_CLONE_NEWNS | _CLONE_NEWPID), "unshare")
    # What the host mounts and unmounts later is seen here; what is mounted here is not seen there.
    _check(_libc.mount(None, b"/", None, _MS_REC | _MS_SLAVE, None), "mount")
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status) & 0xFF
    status = 1
    try:
        _die_with_parent()
        os.umask(0o022)  # some drivers give files that have no permissions those that it leaves
        work()
        status = 0
    finally:
        os._exit(status)


def _die_with_parent() -> None:
    _check(_libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0), "prctl")


def _check(answer: int, what: str) -> None:
    if answer != 0:
        number = ctypes.get_errno()
        raise ToolFailed(f"{what}: {os.strerror(number)}; the helper has to run as root")


# -- one connection --------------------------------------------------------------------------------


class _Unhurried:
    """A cancel token for work that the other end gives up by ending the connection."""

    cancelled = False

    def check(self) -> None: ...

    def beat(self) -> None: ...

    def wait(self, seconds: float) -> bool:
        time.sleep(seconds)
        return False


class Session:
    """One connection: at most one drive is held, and let go of when the connection ends."""

    def __init__(self, connection: socket.socket, keeper: Keeper) -> None:
        self._connection = connection
        self._keeper = keeper
        self._grip: HeldGrip | None = None
        self._log = structlog.get_logger("ingestd.helper")

    def run(self) -> None:
        try:
            while self._answer():
                pass
        finally:
            self._release()

    def _answer(self) -> bool:
        """Answer one request; False when there will be no other."""
        try:
            packet, fd = messages.receive(self._connection, messages.REQUEST_BYTES_MAX)
        except (OSError, Garbled) as error:
            return self._end(error)
        try:
            if not packet:
                return False
            request = messages.parse_request(packet)
            if (fd is not None) != isinstance(request, messages.OpenBelow):
                raise Garbled("a descriptor that is missing, or that nobody asked for")
            return self._perform(request, fd)
        except (OSError, Garbled) as error:
            return self._end(error)
        finally:
            if fd is not None:
                os.close(fd)

    def _end(self, error: Exception) -> bool:
        self._log.warning("helper_conversation_broken", text=str(error))
        return False

    def _perform(self, request: Request, folder_fd: int | None) -> bool:
        opened: list[int] = []
        try:
            reply = self._reply_to(request, folder_fd, opened)
        except (PortError, OSError) as error:
            reply = messages.reply_of(error)
        except Exception as error:  # noqa: BLE001  a mistake of ours costs one request, not the drive
            self._log.error("helper_verb_broke", verb=request.verb, error=type(error).__name__)
            reply = messages.reply_of(error)
        try:
            messages.send(self._connection, _bounded(reply), opened[0] if opened else None)
        finally:
            messages.close_all(opened)
        return True

    def _reply_to(self, request: Request, folder_fd: int | None, opened: list[int]) -> Reply:
        if isinstance(request, messages.Seal):
            return self._seal(DeviceName.parse(request.device))
        if isinstance(request, messages.Health):
            device = DeviceName.parse(request.device)
            return Reply(text=self._keeper.health(device, request.device_type))
        if isinstance(request, messages.PowerOff):
            return Reply(done=self._keeper.power_off(DeviceName.parse(request.device)))
        if isinstance(request, messages.Problems):
            return Reply(problems=messages.as_problems(self._keeper.problems()))
        if isinstance(request, messages.Release):
            self._release()
            return Reply(done=True)
        return self._about_grip(request, folder_fd, opened)

    def _about_grip(self, request: Request, folder_fd: int | None, opened: list[int]) -> Reply:
        if self._grip is None:
            raise ToolFailed(f"no drive is held in this conversation, so {request.verb} cannot be done")
        if isinstance(request, messages.Probe):
            return Reply(volumes=tuple(self._grip.probe()))
        if isinstance(request, messages.Mount):
            mounted = self._grip.mount(request.volume, _Unhurried())
            if mounted.root_fd is not None:
                opened.append(mounted.root_fd)
            return Reply(volumes=(mounted.facts,))
        if isinstance(request, messages.OpenBelow):
            assert folder_fd is not None, "the descriptor was asked for"
            name = bytes.fromhex(request.name)
            opened.append(self._grip.open_below(folder_fd, name, look=request.look))
            return Reply(done=True)
        self._grip.drop_caches()
        return Reply(done=True)

    def _seal(self, device: DeviceName) -> Reply:
        if self._grip is not None:
            raise ToolFailed("a drive is held in this conversation already; begin another one")
        self._grip = self._keeper.seal(device)
        return Reply(done=True)

    def _release(self) -> None:
        grip, self._grip = self._grip, None
        if grip is not None:
            grip.release()


def _bounded(reply: Reply) -> bytes:
    packet = messages.packed(reply)
    if len(packet) <= messages.REPLY_BYTES_MAX:
        return packet
    return messages.packed(messages.reply_of(ToolFailed("the answer is longer than the helper may give")))
