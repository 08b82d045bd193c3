"""The scene of `deploy/try`: station quay-03 of a data centre at Harrow Quay, and five drives.

Makes a folder with bays, a spool and a store, starts the real daemon on it, plays the order system and
the hands on the floor, and compares what became of every drive with what should have. As root the
drives are image files with ext4 on loop devices; otherwise they are folders.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from floor import can_attach
from ingestd.runtime import show
from screen import Screen
from stage import CAP, Scene
from verdict import report, verdicts


def main() -> int:
    parser = argparse.ArgumentParser(description="Run the main job on a small scene.")
    parser.add_argument("--folders", action="store_true", help="drives are folders, even as root")
    options = parser.parse_args()
    real = can_attach() and not options.folders
    root = Path(tempfile.mkdtemp(prefix="ingestd-quay-03."))
    scene = Scene(root, real=real)
    kind = "ext4 images on loop devices, mounted read-only" if real else "folders"
    print(f"Station quay-03, five drives ({kind}), uplink capped at {show.size(CAP)}/s", flush=True)
    scene.build()
    try:
        scene.start()
        scene.announce()
        scene.play(Screen())
    finally:
        scene.stop()
    events = scene.events()
    report(scene, events)
    problems = list(verdicts(scene, events))
    for problem in problems:
        print(f"NOT AS EXPECTED  {problem}")
    if not problems:
        seconds = time.monotonic() - scene.began
        print(f"Every drive ended as it should, in {seconds:.0f} s. No drive was altered.")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
