"""A virtual machine on this host's own root file system, whose drives come and go."""

import contextlib
import itertools
import threading
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Self

from . import kernel as kernels
from .channel import Call, Channel, GuestError
from .drives import (
    SCSI_CONTROLLER,
    Drive,
    DriveSpec,
    block_nodes,
    choose_port,
    devices,
    throttle_group,
    throttle_name,
)
from .machine import Machine, Options
from .qmp import QmpError

GUEST_SHARE = "/run/vmlab/share"
"""Where the guest sees the folder `Lab.share`, which it may write to."""

COMMAND_TIMEOUT_S = 300.0
DRIVE_TIMEOUT_S = 60.0


class Result(tuple[int, str]):
    """What a command came to: unpacks as (status, standard output), with ``stderr`` beside them.

    The status is negative, the signal's number, when a signal ended the command.
    """

    stderr: str

    def __new__(cls, status: int, stdout: str, stderr: str) -> Self:
        result = super().__new__(cls, (status, stdout))
        result.stderr = stderr
        return result

    @property
    def status(self) -> int:
        return self[0]

    @property
    def stdout(self) -> str:
        return self[1]


class Job:
    """A command that runs in the guest in the background."""

    def __init__(self, channel: Channel, call: Call) -> None:
        self._channel = channel
        self._call = call

    @property
    def output(self) -> str:
        """Both streams so far, in order of arrival."""
        return self._call.output("stdout", "stderr")

    def is_running(self) -> bool:
        return not self._call.is_done()

    def wait(self, timeout_s: float | None = COMMAND_TIMEOUT_S) -> Result:
        """Wait for its end.  Raises TimeoutError, leaving it to run on."""
        status: int = self._call.reply(timeout_s)["status"]
        return Result(status, self._call.output("stdout"), self._call.output("stderr"))

    def wait_output(self, pattern: str, timeout_s: float = 60) -> str:
        """Wait until its output so far matches a regular expression; gives back what matched.

        Raises TimeoutError, at once when the command has ended without printing it.
        """
        return self._call.wait_output(pattern, timeout_s)[0]

    def kill(self, signal: str = "SIGTERM") -> None:
        """Signal it and everything it started."""
        self._channel.call("kill", job=self._call.number, signal=signal).reply(30)


class Lab:
    """A machine to plug drives into; a context manager that runs it.

    The guest's root file system is the host's, at the same paths, so the host's programs, virtual
    environments and checkouts run there.  What the guest writes stays in its memory and is lost,
    but for what it writes to the folder ``share`` (in the guest, `GUEST_SHARE`).

    ``drives`` are there before it is switched on, in this order; only there can SATA drives be.
    ``kernel_arguments`` are appended to the kernel's command line.  With ``folder``, the console's
    log and the share are kept there.

    With ``disk``, an image of an ext4 file system that holds a Debian with systemd and the modules of
    the guest's kernel, that is the root file system instead, written to, and its systemd is process 1.
    """

    def __init__(
        self,
        *,
        drives: Sequence[DriveSpec] = (),
        memory_mib: int = 2048,
        cpus: int = 2,
        kernel_arguments: str = "",
        boot_timeout_s: float = 180,
        folder: Path | None = None,
        disk: Path | None = None,
    ) -> None:
        options = Options(memory_mib, cpus, kernel_arguments, boot_timeout_s, folder, disk)
        self._numbers = itertools.count(1)
        self._drives: dict[str, Drive] = {}
        for spec in drives:
            self._number(spec)
        self._machine = Machine(kernels.find(), options, self.drives)
        self._plugging = threading.Lock()
        self._has_scsi = any(spec.bus == "scsi" for spec in drives)
        self.boot_s = 0.0
        """How long the start took, until the agent answered and udev was at rest."""

    def __enter__(self) -> Self:
        began = time.monotonic()
        self._machine.start()
        try:
            for drive in self.drives:
                self.wait_for(drive)
        except BaseException:
            self._machine.stop()
            raise
        self.boot_s = time.monotonic() - began
        return self

    def __exit__(self, *_: object) -> None:
        self._machine.stop()

    @property
    def share(self) -> Path:
        """The folder on the host that the guest may write to."""
        return self._machine.share

    @property
    def drives(self) -> list[Drive]:
        """What is attached now."""
        return list(self._drives.values())

    def console(self) -> str:
        """What the guest's kernel wrote to its serial console: errors only."""
        return self._machine.console()

    def plug(
        self,
        image: Path | str,
        *,
        serial: str = "VMLAB0001",
        bad: Iterable[tuple[int, int]] = (),
        wait: bool = True,
        **spec: Any,
    ) -> Drive:
        """Plug a drive in; `DriveSpec` says what it can be like.

        With ``wait``, comes back when the guest has it and udev has told its listeners.  Raises
        ValueError for a drive that cannot be, TimeoutError when the guest does not get it.
        """
        return self.plug_spec(DriveSpec(Path(image), serial, bad=tuple(bad), **spec), wait=wait)

    def plug_spec(self, spec: DriveSpec, *, wait: bool = True) -> Drive:
        """As `plug`, for a drive described before."""
        if spec.bus == "sata":
            raise ValueError("bus: a SATA drive can only be there from the start, in Lab(drives=)")
        with self._plugging:
            drive = self._number(spec)
            try:
                self._attach(drive)
            except BaseException:
                del self._drives[drive.id]
                raise
        if wait:
            self.wait_for(drive)
        return drive

    def wait_for(self, drive: Drive) -> None:
        """Wait until the guest has it and udev has told its listeners.  Raises TimeoutError."""
        self._await(drive, present=True)

    def unplug(self, drive: Drive | str, *, wait: bool = True) -> None:
        """Pull a drive out, whether the guest is done with it or not.

        With ``wait``, comes back when the guest has noticed and udev has told its listeners.
        """
        drive = self._find(drive)
        if drive.spec.bus == "sata":
            raise ValueError(f"{drive.id} is a SATA drive, which cannot be unplugged")
        with self._plugging:
            self._machine.qmp("device_del", id=drive.id)
            self._machine.qmp.wait_event("DEVICE_DELETED", timeout_s=DRIVE_TIMEOUT_S, device=drive.id)
            self._remove_nodes(drive)
            del self._drives[drive.id]
        if wait:
            self._await(drive, present=False)

    def traffic(self, drive: Drive | str) -> dict[str, int]:
        """What the guest has asked of a drive since it was plugged in.

        read_requests, read_bytes, write_requests, write_bytes and failed_reads: a drive that was
        never written to has no write_requests, whatever its image looks like.
        """
        top_node = self._find(drive).top_node
        entries = self._machine.qmp("query-blockstats")
        (stats,) = (entry["stats"] for entry in entries if entry.get("node-name") == top_node)
        return {
            "read_requests": stats["rd_operations"],
            "read_bytes": stats["rd_bytes"],
            "write_requests": stats["wr_operations"],
            "write_bytes": stats["wr_bytes"],
            "failed_reads": stats["failed_rd_operations"],
        }

    def shell(
        self,
        command: str,
        *,
        timeout_s: float = COMMAND_TIMEOUT_S,
        check: bool = False,
        cwd: Path | str | None = None,
        env: dict[str, str] | None = None,
    ) -> Result:
        """Run a shell command in the guest to its end; unpacks as (status, standard output).

        Past ``timeout_s`` the command is killed and TimeoutError raised.  With ``check``, a status
        other than 0 raises GuestError.
        """
        job = self.background(command, cwd=cwd, env=env)
        try:
            result = job.wait(timeout_s)
        except TimeoutError:
            job.kill("SIGKILL")
            raise TimeoutError(f"{command!r} ran past {timeout_s} s:\n{job.output}") from None
        if check and result.status:
            raise GuestError(f"{command!r} ended with status {result.status}:\n{job.output}")
        return result

    def background(
        self,
        command: str,
        *,
        cwd: Path | str | None = None,
        env: dict[str, str] | None = None,
    ) -> Job:
        """Start a shell command in the guest."""
        channel = self._machine.channel
        folder = str(cwd) if cwd else None
        call = channel.call("run", command=command, cwd=folder, env=env)
        return Job(channel, call)

    def _number(self, spec: DriveSpec) -> Drive:
        drive = Drive(f"drive{next(self._numbers)}", spec, choose_port(spec, self.drives))
        self._drives[drive.id] = drive
        return drive

    def _find(self, drive: Drive | str) -> Drive:
        drive_id = drive.id if isinstance(drive, Drive) else drive
        if drive_id not in self._drives:
            raise KeyError(f"no drive {drive_id!r} is plugged in")
        return self._drives[drive_id]

    def _attach(self, drive: Drive) -> None:
        qmp = self._machine.qmp
        if drive.spec.bus == "scsi" and not self._has_scsi:
            qmp("device_add", **SCSI_CONTROLLER)
            self._has_scsi = True
        try:
            if pace := drive.spec.bytes_per_second:
                qmp("object-add", **throttle_group(drive.id, pace))
            for node in block_nodes(drive.id, drive.spec):
                qmp("blockdev-add", **node)
            for device in devices(drive):
                qmp("device_add", **device)
            if drive.spec.bus in ("usb", "uas"):  # now that its disk is in, connect the bridge
                bridge = f"/machine/peripheral/{drive.id}"
                qmp("qom-set", path=bridge, property="attached", value=True)
        except QmpError:
            with contextlib.suppress(QmpError):
                qmp("device_del", id=drive.id)
            self._remove_nodes(drive)
            raise

    def _remove_nodes(self, drive: Drive) -> None:
        """Take a drive's block nodes away, so that its image is closed."""
        for node in reversed(list(block_nodes(drive.id, drive.spec))):
            with contextlib.suppress(QmpError):  # it was not there: adding it had failed
                self._machine.qmp("blockdev-del", **{"node-name": node["node-name"]})
        if drive.spec.bytes_per_second:
            with contextlib.suppress(QmpError):
                self._machine.qmp("object-del", id=throttle_name(drive.id))

    def _await(self, drive: Drive, *, present: bool) -> None:
        call = self._machine.channel.call(
            "await_drive", place=drive.place, present=present, timeout_s=DRIVE_TIMEOUT_S
        )
        nodes = call.reply(DRIVE_TIMEOUT_S + 30)["nodes"]
        if nodes is None:
            state = "did not get" if present else "still has"
            raise TimeoutError(f"the guest {state} {drive.id} after {DRIVE_TIMEOUT_S} s")
        drive.device, drive.partitions = (nodes[0], nodes[1:]) if nodes else ("", [])
