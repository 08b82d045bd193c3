"""One QEMU process, from its command line to its end."""

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from .channel import Channel, GuestError
from .drives import (
    SCSI_CONTROLLER,
    SCSI_SLOT,
    Drive,
    Node,
    block_nodes,
    devices,
    slot_address,
    throttle_group,
)
from .kernel import Kernel, build_initramfs, tools_folder
from .process import missing
from .qmp import Qmp, QmpError

EMULATOR = "qemu-system-x86_64"

KERNEL_ARGUMENTS = (
    *("console=ttyS0", "quiet", "loglevel=4", "panic=-1"),
    # What follows saves time: nobody attacks this guest, and its clock is emulated.
    *("mitigations=off", "nokaslr", "audit=0", "apparmor=0", "nowatchdog", "no_timer_check"),
    "rcupdate.rcu_expedited=1",
)


@dataclass(frozen=True)
class Options:
    """What a machine is made of."""

    memory_mib: int = 2048
    cpus: int = 2
    kernel_arguments: str = ""
    boot_timeout_s: float = 180
    folder: Path | None = None
    disk: Path | None = None


class Machine:
    """A guest that runs from ``start`` to ``stop``.

    ``folder`` holds its sockets, logs and the folder ``share`` that the guest may write to.
    """

    def __init__(self, kernel: Kernel, options: Options, drives: Iterable[Drive]) -> None:
        if not shutil.which(EMULATOR):
            raise missing(EMULATOR)
        self.kernel = kernel
        self.options = options
        self.folder = options.folder or _new_folder()
        self.share = self.folder / "share"
        self._drives = list(drives)
        self._buses = {drive.spec.bus for drive in self._drives}

    def start(self) -> None:
        """Boot, and wait until the agent answers.  Raises GuestError with the console's words."""
        deadline = time.monotonic() + self.options.boot_timeout_s
        self.share.mkdir(parents=True, exist_ok=True)
        has_disk = self.options.disk is not None
        build_initramfs(self.kernel, self.folder / "initramfs.cpio", has_disk=has_disk)
        with (self.folder / "qemu.log").open("wb") as log:
            self._process = subprocess.Popen(
                self._command_line(), stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        try:
            self._connect(deadline)
            while not self.channel.ready.wait(0.2):
                self._check_alive(deadline)
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """Switch off, at once, as by pulling the plug."""
        if hasattr(self, "qmp"):
            with contextlib.suppress(OSError, QmpError):
                self.qmp("quit")
            self.qmp.close()
        try:
            self._process.wait(10 if hasattr(self, "qmp") else 0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if hasattr(self, "channel"):
            self.channel.close()
        if not self.options.folder:
            shutil.rmtree(self.folder, ignore_errors=True)

    def console(self) -> str:
        """What the guest's kernel wrote to its serial console."""
        path = self.folder / "console.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def _connect(self, deadline: float) -> None:
        while True:
            try:
                self.qmp = Qmp(self.folder / "qmp")
                self.channel = Channel(self.folder / "agent")
                return
            except (FileNotFoundError, ConnectionRefusedError):
                self._check_alive(deadline)
                time.sleep(0.02)

    def _check_alive(self, deadline: float) -> None:
        if self._process.poll() is not None or time.monotonic() > deadline:
            log = (self.folder / "qemu.log").read_text(errors="replace")
            raise GuestError(f"the guest did not start:\n{log}{self.console()}")

    def _command_line(self) -> list[str]:
        sata = "on" if "sata" in self._buses else "off"
        folder = self.folder
        return [
            *(EMULATOR, "-name", "vmlab"),
            *("-machine", f"q35,usb=off,smbus=off,i8042=off,sata={sata}"),
            *("-accel", "tcg,thread=multi", "-cpu", "max,la57=off"),
            *("-smp", str(self.options.cpus), "-m", str(self.options.memory_mib)),
            *("-nodefaults", "-no-user-config", "-no-reboot", "-display", "none"),
            *("-kernel", str(self.kernel.vmlinux), "-initrd", str(folder / "initramfs.cpio")),
            *("-append", " ".join(self._kernel_arguments())),
            *("-chardev", f"file,id=console,path={folder}/console.log"),
            *("-serial", "chardev:console"),
            *("-chardev", f"socket,id=qmp,path={folder}/qmp,server=on,wait=off"),
            *("-mon", "chardev=qmp,mode=control"),
            *("-chardev", f"socket,id=agent,path={folder}/agent,server=on,wait=off"),
            *("-device", "virtio-serial-pci"),
            *("-device", "virtserialport,chardev=agent,name=vmlab.agent"),
            *self._root(),
            *_shared_folder("share", self.share, ""),
            *("-device", "qemu-xhci,id=xhci,p2=15,p3=15"),
            *(option for slot in range(SCSI_SLOT + 1) for option in _slot(slot)),
            *(("-device", json.dumps(SCSI_CONTROLLER)) if "scsi" in self._buses else ()),
            *(option for drive in self._drives for option in _drive(drive)),
        ]

    def _root(self) -> tuple[str, ...]:
        if self.options.disk is None:
            return _shared_folder("root", Path("/"), ",readonly=on")
        file = {"driver": "file", "filename": str(self.options.disk.resolve())}
        node: Node = {"driver": "raw", "node-name": "root", "file": file}
        return ("-blockdev", json.dumps(node), "-device", "virtio-blk-pci,drive=root,serial=root")

    def _kernel_arguments(self) -> list[str]:
        if self.options.disk is not None:
            return [*KERNEL_ARGUMENTS, "systemd.show_status=no", self.options.kernel_arguments]
        modules = ["xhci_pci", "usb_storage", "uas", "sd_mod"]
        modules += [_DRIVERS[bus] for bus in sorted(self._buses) if bus in _DRIVERS]
        return [
            *KERNEL_ARGUMENTS,
            f"vmlab.modules={self.kernel.modules}",
            f"vmlab.tools={tools_folder()}",
            f"vmlab.python={Path(sys.executable).resolve()}",
            f"vmlab.load={','.join(modules)}",
            self.options.kernel_arguments,
        ]


_DRIVERS = {"sata": "ahci", "scsi": "virtio_scsi", "nvme": "nvme"}
"""For what is there before udev is, which loads the drivers of what comes later."""


def _shared_folder(tag: str, path: Path, access: str) -> tuple[str, ...]:
    folder = f"local,id={tag},path={path},security_model=none,multidevs=remap{access}"
    return ("-fsdev", folder, "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}")


def _slot(slot: int) -> tuple[str, ...]:
    number = f"chassis={slot + 1},slot={slot + 1}"
    return ("-device", f"pcie-root-port,id=slot{slot},{number},addr=0x{slot_address(slot)}")


def _drive(drive: Drive) -> list[str]:
    """What is added on the way through the control connection, as options."""
    parts: list[tuple[str, Node]] = []
    if pace := drive.spec.bytes_per_second:
        parts += [("-object", throttle_group(drive.id, pace))]
    parts += [("-blockdev", node) for node in block_nodes(drive.id, drive.spec)]
    parts += [("-device", device) for device in devices(drive)]
    return [word for option, value in parts for word in (option, json.dumps(value))]


def _new_folder() -> Path:
    """A folder of its own for each run, with a name short enough for sockets in it."""
    parent = Path(os.environ.get("VMLAB_WORK", Path(tempfile.gettempdir()) / "vmlab"))
    parent.mkdir(parents=True, exist_ok=True)
    return Path(tempfile.mkdtemp(dir=parent, prefix="run-"))
