"""Run inside the lab's guest: take one disk by the verbs, and tell as JSON what is on its volumes.

python -m tests.support.guest_volumes /dev/sda [file systems beside those that every site takes]
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from ingestd.core.model import BayName
from ingestd.drives import block, overlay
from ingestd.drives.file_systems import ACCEPTED
from ingestd.drives.privileged.verbs import DeviceName, Grip
from tests.support.drives import Going, keeper


def main(node: str, *accepted: str) -> None:
    mounts = Path("/run/ingestd-test/mounts")
    ours = keeper(lambda _node: BayName("bay-1"), mounts, accepted=(*ACCEPTED, *accepted))
    grip = ours.seal(DeviceName(*block.number_and_sequence(node)))
    try:
        told = {facts.name: about(grip, facts.name) for facts in grip.probe()}
        sealed = [Path(f"/sys/class/block/{os.path.basename(path)}/ro").read_text() for path in nodes(node)]
    finally:
        grip.release()
    mappings = subprocess.run(["dmsetup", "ls"], check=False, capture_output=True, text=True).stdout
    found = {"volumes": told, "ways": overlay.ways(), "sealed": sealed, "left": mappings}
    print(json.dumps(found))


def nodes(node: str) -> list[str]:
    return [node, *block.partition_nodes(node)]


def about(grip: Grip, name: str) -> dict[str, Any]:
    mounted = grip.mount(name, Going())
    facts = mounted.facts
    told: dict[str, Any] = {"file_system": facts.file_system, "problem": facts.problem}
    told |= {"replayed": facts.replayed, "marked": facts.marked_unclean, "files": {}}
    if mounted.root_fd is not None:
        with os.scandir(mounted.root_fd) as entries:
            names = sorted(entry.name for entry in entries if entry.is_file(follow_symlinks=False))
        told["files"] = {name: digest(mounted.root_fd, name) for name in names}
        os.close(mounted.root_fd)
    return told


def digest(root_fd: int, name: str) -> str:
    with open(os.open(name, os.O_RDONLY, dir_fd=root_fd), "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


if __name__ == "__main__":
    main(*sys.argv[1:])
