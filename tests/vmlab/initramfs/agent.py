"""The guest's end of the channel: runs what the host asks for and streams back what it says.

One JSON object a line, over a virtio-serial port.  Requests carry an ``id``, which every reply to
them repeats; see ``channel.py`` for the host's end.  When the host goes away the port reads as
closed, the agent ends, and process 1 switches the machine off: no guest outlives its owner.
"""

import base64
import glob
import json
import os
import re
import select
import signal
import subprocess
import threading
import time
import traceback
from typing import IO, Any

PORT_NAME = "vmlab.agent"
READY = "/run/vmlab/ready"
CHUNK_BYTES = 32768
CONNECTED_WITHIN_S = 5


class Agent:
    """Serves one port until its other end closes."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._writing = threading.Lock()
        self._processes: dict[int, subprocess.Popen[bytes]] = {}

    def serve(self) -> None:
        self._say(ready=True)
        pending = b""
        while data := os.read(self._port, CHUNK_BYTES):
            *lines, pending = (pending + data).split(b"\n")
            for line in lines:
                request = json.loads(line)
                threading.Thread(target=self._answer, args=(request,), daemon=True).start()

    def _answer(self, request: dict[str, Any]) -> None:
        number = request["id"]
        try:
            reply = getattr(self, "op_" + request["op"])(request)
        except Exception:  # noqa: BLE001 - whatever it is, the host is told
            reply = {"error": traceback.format_exc(limit=3)}
        self._say(id=number, done=True, **reply)

    def _say(self, **message: object) -> None:
        data = json.dumps(message).encode() + b"\n"
        with self._writing:
            while data:
                data = data[os.write(self._port, data) :]

    def op_run(self, request: dict[str, Any]) -> dict[str, Any]:
        """Run a shell command in a session of its own, streaming its output."""
        process = subprocess.Popen(
            ["/bin/sh", "-c", request["command"]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=request.get("cwd") or "/",
            env={**os.environ, **(request.get("env") or {})},
            start_new_session=True,
        )
        number = request["id"]
        self._processes[number] = process
        self._say(id=number, pid=process.pid)
        pumps = [
            threading.Thread(target=self._pump, args=(number, name, pipe), daemon=True)
            for name, pipe in (("stdout", process.stdout), ("stderr", process.stderr))
            if pipe
        ]
        for pump in pumps:
            pump.start()
        status = process.wait()
        for pump in pumps:  # a daemon that it left behind may keep the pipes open for ever
            pump.join(timeout=1)
        del self._processes[number]
        return {"status": status}

    def _pump(self, number: int, name: str, pipe: IO[bytes]) -> None:
        while data := os.read(pipe.fileno(), CHUNK_BYTES):
            self._say(id=number, stream=name, data=base64.b64encode(data).decode())

    def op_kill(self, request: dict[str, Any]) -> dict[str, Any]:
        """Signal a command and everything it started that stayed in its session."""
        if process := self._processes.get(request["job"]):
            os.killpg(process.pid, signal.Signals[request["signal"]])
        return {}

    def op_await_drive(self, request: dict[str, Any]) -> dict[str, Any]:
        """Wait until udev has finished with the drive at a place in sysfs, or until it is gone."""
        deadline = time.monotonic() + request["timeout_s"]
        while True:
            nodes = block_devices(re.compile(request["place"]))
            if request["present"] and nodes and all(is_announced(node) for node in nodes):
                return {"nodes": ["/dev/" + os.path.basename(node) for node in nodes]}
            if not request["present"] and not nodes and is_idle():
                return {"nodes": []}
            if time.monotonic() > deadline:
                return {"nodes": None}
            time.sleep(0.05)


def block_devices(place: re.Pattern[str]) -> list[str]:
    """The sysfs folders of the disk at a place and of its partitions, in that order."""
    links = glob.glob("/sys/class/block/*")
    found = [path for path in map(os.path.realpath, links) if place.search(path)]
    disks = [path for path in found if not os.path.exists(path + "/partition")]
    if not disks or contents(disks[0] + "/size") == "0":
        return []
    # One that goes at this very moment has no number any more.
    numbers = {path: contents(path + "/partition") for path in found if path not in disks}
    partitions = [path for path, number in numbers.items() if number]
    return disks + sorted(partitions, key=lambda path: int(numbers[path]))


def is_announced(path: str) -> bool:
    """Whether udev has run its rules for a device, and so told its listeners."""
    return os.path.exists("/run/udev/data/b" + contents(path + "/dev"))


def is_idle() -> bool:
    """Whether udev has no event waiting."""
    return not os.path.exists("/run/udev/queue")


def contents(path: str) -> str:
    try:
        with open(path) as file:
            return file.read().strip()
    except OSError:
        return ""


def open_port() -> int:
    """Open the virtio-serial port by the name that the host gave it."""
    while True:
        for path in glob.glob("/sys/class/virtio-ports/*/name"):
            if contents(path) == PORT_NAME:
                return os.open("/dev/" + path.split("/")[-2], os.O_RDWR)
        time.sleep(0.05)


def has_host(port: int) -> bool:
    """Whether somebody listens at the other end; writing would wait for ever if not."""
    hung_up = select.poll()
    hung_up.register(port, 0)
    deadline = time.monotonic() + CONNECTED_WITHIN_S
    while hung_up.poll(0):
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


def main() -> None:
    port = open_port()
    while not os.path.exists(READY):
        time.sleep(0.02)
    if has_host(port):
        Agent(port).serve()


if __name__ == "__main__":
    main()
