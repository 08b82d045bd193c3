"""One conversation with the helper: requests in, replies out, at most one drive held."""

from __future__ import annotations

import os
import socket
import time

import structlog

from ingestd.drives.privileged import messages
from ingestd.drives.privileged.keeper import HeldGrip, Keeper
from ingestd.drives.privileged.messages import Garbled, Reply, Request
from ingestd.drives.privileged.verbs import DeviceName
from ingestd.ports import PortError, ToolFailed


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
        if isinstance(request, messages.Revive):
            return Reply(done=self._keeper.revive(DeviceName.parse(request.device)))
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
