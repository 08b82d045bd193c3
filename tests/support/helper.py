"""The real helper as a process, for loop drives in a folder of bays."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from ingestd.drives.loop import LoopDrives
from ingestd.drives.privileged.client import HelperClient
from tests.support.daemon import wait_for


class Helper:
    """Serves one user at `socket`; its mounts and overlays lie in a folder of its own."""

    def __init__(self, home: Path, bays: Path, user: str = "root", before: Sequence[str] = ()) -> None:
        """`before`: a program that starts the helper, such as one that confines it."""
        self.home = home
        self.socket = home / "helper.sock"
        self.log = home / "helper.log"
        self.config = home / "helper.toml"
        self.user = user
        self.before = before
        home.mkdir(exist_ok=True)
        self.config.write_text(
            f'[station]\nname = "quay-03"\nstate_folder = "{home}/state"\n'
            f'[bus]\nspool_folder = "{home}/spool"\n'
            f'[drives]\nwatch = "loop"\nbays_folder = "{bays}"\n'
            "overlay_bytes_max = 67108864\n"
            f'[[stores]]\nname = "archive"\nfolder = "{home}/archive"\n'
        )
        self.bays = bays
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = ("-m", "ingestd", "helper", "--config", str(self.config))
        self.socket.unlink(missing_ok=True)
        places = ("--socket", str(self.socket), "--folder", str(self.home), "--user", self.user)
        before = len(self.logged())
        with self.log.open("ab") as log:
            started = [*self.before, sys.executable, *command, *places]
            self.process = subprocess.Popen(started, stdout=log, stderr=log)
        wait_for(lambda: "helper_started" in self.logged()[before:], 60, f"the helper; its log is {self.log}")

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(15)

    def logged(self) -> str:
        return self.log.read_text() if self.log.exists() else ""

    def drives(self) -> LoopDrives:
        return LoopDrives(str(self.bays), HelperClient(str(self.socket)))

    def sessions(self) -> list[int]:
        """Processes below the one that listens."""
        assert self.process is not None
        return below(self.process.pid)


def below(pid: int) -> list[int]:
    """All processes that descend from one."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            for child in map(int, task.read_text().split()):
                found += [child, *below(child)]
    return found


@contextlib.contextmanager
def running(home: Path, bays: Path, user: str = "root", before: Sequence[str] = ()) -> Iterator[Helper]:
    helper = Helper(home, bays, user, before)
    try:
        helper.start()
        yield helper
    finally:
        if helper.process is not None and helper.process.poll() is None:
            helper.stop()
