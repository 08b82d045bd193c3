"""A RabbitMQ node of our own, from Debian's package: its own folder, ports and name, and nobody else's."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

from tests.support import certificates
from tests.support.daemon import wait_for
from tests.support.ports import free_ports

PROGRAMS = Path("/usr/lib/rabbitmq/bin")
"""Where Debian keeps the scripts themselves; those in `sbin` insist on being root or `rabbitmq`."""

_ENDS_WITH_US = ("setpriv", "--pdeathsig")
"""Followed by a signal and a program: it gets the signal when a test run is killed."""

_START_S = 90.0
_STOP_S = 60.0
_WORDS = 3_000


def _any_lives(group: int) -> bool:
    """Whether a process of this group is there, other than one that only waits to be collected."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            # `proc(5)`: state, parent and process group stand behind the name, which may have anything in it.
            state, _, its_group = stat.read_text().rpartition(")")[2].split()[:3]
            if int(its_group) == group and state not in "ZX":
                return True
    return False


class PrivateNode:
    """Started in the foreground as a child; it and its port mapper end with `close`."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.port, self.tls_port, distribution, self._epmd_port = free_ports(4)
        self.certificates = certificates.make(folder / "certificates")
        self._process: subprocess.Popen[bytes] | None = None
        self._mapper: subprocess.Popen[bytes] | None = None
        for name in ("home", "mnesia", "log"):
            (folder / name).mkdir(parents=True)
        (folder / "enabled_plugins").write_text("[].\n")
        self._environment = {
            **{name: value for name, value in os.environ.items() if not name.startswith("RABBITMQ_")},
            "HOME": str(folder / "home"),
            "RABBITMQ_NODENAME": f"ingestd-test-{os.getpid()}@localhost",
            "RABBITMQ_MNESIA_BASE": str(folder / "mnesia"),
            "RABBITMQ_LOG_BASE": str(folder / "log"),
            "RABBITMQ_CONFIG_FILE": str(folder / "rabbitmq.conf"),
            "RABBITMQ_ADVANCED_CONFIG_FILE": str(folder / "advanced.config"),
            "RABBITMQ_CONF_ENV_FILE": "/dev/null",
            "RABBITMQ_ENABLED_PLUGINS_FILE": str(folder / "enabled_plugins"),
            "RABBITMQ_DIST_PORT": str(distribution),
            "ERL_EPMD_PORT": str(self._epmd_port),
            "ERL_EPMD_ADDRESS": "127.0.0.1",
        }

    @staticmethod
    def available() -> bool:
        return (PROGRAMS / "rabbitmq-server").exists() and shutil.which("erl") is not None

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        if self._mapper is None:
            # Erlang would start one by itself, which then stays for ever.
            self._mapper = subprocess.Popen(
                [*_ENDS_WITH_US, "KILL", "epmd", "-port", str(self._epmd_port), "-address", "127.0.0.1"],
                env=self._environment,
            )
            self._wait_listening(self._mapper, self._epmd_port)
        (self._folder / "rabbitmq.conf").write_text(self._configuration())
        with (self._folder / "out").open("ab") as out:
            self._process = subprocess.Popen(
                [*_ENDS_WITH_US, "TERM", "nice", str(PROGRAMS / "rabbitmq-server")],
                env=self._environment,
                stdout=out,
                stderr=out,
                stdin=subprocess.DEVNULL,
                start_new_session=True,
            )
        self._wait_listening(self._process, self.port)

    def _configuration(self) -> str:
        lines = [
            f"listeners.tcp.1 = 127.0.0.1:{self.port}",
            "loopback_users = none",
            "log.file.level = warning",
            "vm_memory_high_watermark.absolute = 2GB",
            "disk_free_limit.absolute = 1MB",
            f"listeners.ssl.1 = 127.0.0.1:{self.tls_port}",
            f"ssl_options.cacertfile = {self.certificates}/ca.pem",
            f"ssl_options.certfile = {self.certificates}/broker.pem",
            f"ssl_options.keyfile = {self.certificates}/broker.key",
            "ssl_options.verify = verify_peer",
            "ssl_options.fail_if_no_peer_cert = false",
        ]
        return "\n".join(lines) + "\n"

    def _wait_listening(self, process: subprocess.Popen[bytes], port: int) -> None:
        deadline = time.monotonic() + _START_S
        while time.monotonic() < deadline:
            assert process.poll() is None, f"the broker has ended at once; its last words: {self._words()}"
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                return
            time.sleep(0.1)
        raise AssertionError(
            f"the broker does not listen after {_START_S} s; its last words: {self._words()}"
        )

    def _words(self) -> str:
        return (self._folder / "out").read_text(errors="replace")[-_WORDS:]

    def kill(self) -> None:
        """As a power cut would: without a word."""
        assert self._process is not None, "the node has been started"
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        group = self._process.pid
        self._process.wait(10)
        self._process = None
        # The broker is a child of the shell that was waited for, and has its ports for as long as it lives.
        wait_for(lambda: not _any_lives(group), 60, "the end of the broker's processes")

    def stop(self) -> None:
        """In good order."""
        assert self._process is not None, "the node has been started"
        self._process.send_signal(signal.SIGTERM)
        try:
            self._process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            self.kill()
        self._process = None

    def ctl(self, *arguments: str, given: str | None = None) -> str:
        """What `rabbitmqctl` says. Raises AssertionError when it fails."""
        done = subprocess.run(
            [str(PROGRAMS / "rabbitmqctl"), "--quiet", *arguments],
            env=self._environment,
            input=given if given is not None else "",
            capture_output=True,
            text=True,
            check=False,
            timeout=_START_S,
        )
        assert done.returncode == 0, f"rabbitmqctl {arguments[0]}: {done.stdout}{done.stderr}"
        return done.stdout

    def close(self) -> None:
        """End it and its port mapper."""
        if self._process is not None:
            self.kill()
        if self._mapper is not None:
            self._mapper.kill()
            self._mapper.wait(10)
            self._mapper = None
