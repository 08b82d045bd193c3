"""The verbs, performed by a helper process at the other end of a socket.

Each drive that is held has a connection of its own, and with it a process of its own in the helper: one
that hangs in the kernel costs its own drive only. When a connection ends, however it ends, the helper
lets go of the drive.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Sequence

from ingestd.core.drive import VolumeFacts
from ingestd.drives.block import is_shortage
from ingestd.drives.mounts import REPLAY_S
from ingestd.drives.privileged import messages
from ingestd.drives.privileged.messages import Garbled, Reply, Request
from ingestd.drives.privileged.verbs import DeviceName, Mounted
from ingestd.ports import CancelToken, Problem, ReadStalled, ResourcesExhausted, ToolFailed

LIMITS_S = {
    messages.Mount: REPLAY_S + 60.0,
    messages.Probe: 300.0,
    messages.Health: 90.0,
}
"""How long a verb may take, in seconds."""
LIMIT_S = 60.0
_ALIVE_S = 5.0
_SLICE_S = 1.0


class HelperClient:
    """The verbs through the socket at `path`."""

    def __init__(self, path: str) -> None:
        self._path = path

    def seal(self, device: DeviceName) -> RemoteGrip:
        connection = _Connection(self._path)
        try:
            connection.ask(messages.Seal(device=str(device)))
        except BaseException:
            connection.close()
            raise
        return RemoteGrip(connection)

    def health(self, device: DeviceName, device_type: str | None = None) -> str:
        return self._once(messages.Health(device=str(device), device_type=device_type)).text

    def power_off(self, device: DeviceName) -> bool:
        return self._once(messages.PowerOff(device=str(device))).done

    def revive(self, device: DeviceName) -> bool:
        return self._once(messages.Revive(device=str(device))).done

    def lift_seals(self) -> None:
        """The helper does so by itself."""

    def clean_up(self) -> Sequence[str]:
        """Nothing to do: what a dead daemon held was let go of when its connections ended."""
        return []

    def problems(self) -> Sequence[Problem]:
        try:
            return messages.told(self._once(messages.Problems()).problems)
        except (ToolFailed, ReadStalled) as error:
            remedy = "start the helper (ingestd helper), and let it serve this user"
            return [Problem("drives.helper_socket", str(error), remedy)]

    def _once(self, request: Request) -> Reply:
        connection = _Connection(self._path)
        try:
            return connection.ask(request)[0]
        finally:
            connection.close()


class RemoteGrip:
    """One drive that the helper holds for us. Its verbs may be called from several threads."""

    def __init__(self, connection: _Connection) -> None:
        self._connection = connection

    def probe(self) -> Sequence[VolumeFacts]:
        return self._connection.ask(messages.Probe())[0].volumes

    def mount(self, volume: str, cancel: CancelToken) -> Mounted:
        reply, fd = self._connection.ask(messages.Mount(volume=volume), beat=cancel.beat)
        if len(reply.volumes) != 1:
            raise ToolFailed("the helper did not say what became of the volume")
        return Mounted(reply.volumes[0], fd)

    def open_below(self, folder_fd: int, name: bytes, *, look: bool = False) -> int:
        request = messages.OpenBelow(name=name.hex(), look=look)
        _, fd = self._connection.ask(request, fd=folder_fd)
        if fd is None:
            raise ToolFailed("the helper opened something and did not hand it over")
        return fd

    def drop_caches(self) -> None:
        self._connection.ask(messages.DropCaches())

    def release(self) -> None:
        with contextlib.suppress(ToolFailed, ReadStalled, OSError):
            self._connection.ask(messages.Release(), wait_s=LIMIT_S)
        self._connection.close()


class _Connection:
    """One conversation with the helper: a request, its reply, the next request."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._socket: socket.socket | None = _connected(path)

    def ask(
        self,
        request: Request,
        *,
        fd: int | None = None,
        beat: Callable[[], None] | None = None,
        wait_s: float = LIMIT_S,
    ) -> tuple[Reply, int | None]:
        """The reply to a request, and the descriptor that came with it.

        Raises what the verb raised; ReadStalled when it does not come back while the helper is well and
        nothing but the drive is asked, ToolFailed otherwise. Either ends the conversation; ToolFailed
        because an earlier request is still under way does not.
        """
        if not self._lock.acquire(timeout=wait_s):
            raise ToolFailed("an earlier request about this drive has not come back from the helper")
        try:
            reply, received = self._exchange(request, fd, beat)
        finally:
            self._lock.release()
        try:
            messages.raise_for(reply)
        except BaseException:
            if received is not None:
                os.close(received)
            raise
        return reply, received

    def _exchange(
        self, request: Request, fd: int | None, beat: Callable[[], None] | None
    ) -> tuple[Reply, int | None]:
        connection = self._socket
        if connection is None:
            raise ToolFailed("the helper has let go of this drive")
        try:
            messages.send(connection, messages.packed(request), fd)
            self._await(connection, request, beat)
            packet, received = messages.receive(connection, messages.REPLY_BYTES_MAX)
            if packet:
                return messages.parse_reply(packet), received
            raise ToolFailed(
                f"the helper has broken off the conversation about {request.verb}: "
                "look into its log, and whether it serves this user"
            )
        except (Garbled, OSError) as error:
            self._end()
            said = error.strerror if isinstance(error, OSError) else str(error)
            raise ToolFailed(
                f"the helper has broken off the conversation about {request.verb} ({said}): "
                "look into its log, and whether it serves this user"
            ) from error
        except (ToolFailed, ReadStalled):
            self._end()
            raise

    def _await(self, connection: socket.socket, request: Request, beat: Callable[[], None] | None) -> None:
        limit_s = LIMITS_S.get(type(request), LIMIT_S)
        until = time.monotonic() + limit_s
        poller = select.poll()
        poller.register(connection, select.POLLIN)
        while not poller.poll(1000 * max(0.0, min(_SLICE_S, until - time.monotonic()))):
            if time.monotonic() >= until:
                self._complain(request, limit_s)
            if beat is not None:
                beat()

    def _complain(self, request: Request, limit_s: float) -> None:
        """Raise for a verb that is overdue: the drive's doing if the helper is well otherwise.

        Not that of a mount, which waits for an overlay and for programs of the station as well.
        """
        text = f"the verb {request.verb} has not come back within {limit_s:g} s"
        if is_well(self._path):
            if isinstance(request, messages.Mount):
                raise ToolFailed(f"{text}: look into the kernel's log and the helper's")
            raise ReadStalled(f"{text}, while the helper is well: the drive does not answer")
        raise ToolFailed(f"{text}, and the helper does not answer: restart it")

    def close(self) -> None:
        """End the conversation, also while a request is under way: then it ends with it."""
        self._end()

    def _end(self) -> None:
        connection, self._socket = self._socket, None
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()


def is_well(path: str) -> bool:
    """Whether the helper takes a new conversation."""
    try:
        probe = _connected(path)
    except (ToolFailed, ResourcesExhausted):
        return False
    with probe:
        probe.settimeout(_ALIVE_S)
        try:
            messages.send(probe, messages.packed(messages.Release()))
            return bool(messages.receive(probe, messages.REPLY_BYTES_MAX)[0])
        except (OSError, Garbled):
            return False


def _connected(path: str) -> socket.socket:
    try:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    except OSError as error:
        raise ResourcesExhausted(f"no socket for the helper: {error.strerror}") from error
    connection.settimeout(_ALIVE_S)
    try:
        connection.connect(path)
    except OSError as error:
        connection.close()
        if is_shortage(error):
            raise ResourcesExhausted(f"{path}: {error.strerror}") from error
        raise ToolFailed(
            f"the helper's socket {path}: {error.strerror or error}; start the helper (ingestd helper)"
        ) from error
    connection.settimeout(None)
    return connection
