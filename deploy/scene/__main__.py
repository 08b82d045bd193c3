"""The scene of `deploy/try`: station quay-03 of a data centre at Harrow Quay, and five drives.

Makes a folder with bays, a spool and a store, starts the real daemon on it, plays the order system and
the hands on the floor, and compares what became of every drive with what should have. As root the
drives are image files with ext4 on loop devices; otherwise they are folders. The exit status is 0 when
every drive ended as it should, 1 when not, 130 when it was interrupted.
"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
import time
from pathlib import Path

from floor import Trouble, why_folders
from ingestd.runtime import show
from screen import Screen
from stage import CAP, Scene
from verdict import report, verdicts

INTERRUPTED = 130
ROOM = "It takes some 500 MB in a folder of your own; TMPDIR=FOLDER names another one."


def main() -> int:
    parser = argparse.ArgumentParser(description="Run the main job on a small scene.")
    parser.add_argument("--folders", action="store_true", help="drives are folders, even as root")
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, _interrupt)
    root = Path(tempfile.mkdtemp(prefix="ingestd-quay-03."))
    scene = Scene(root)
    status, words = INTERRUPTED, "Interrupted. The daemon is stopped, every drive is detached."
    try:
        status, words = _run(scene, folders=options.folders)
    except Trouble as trouble:
        status, words = 1, f"The scene cannot go on: {trouble}"
    except OSError as error:
        where = error.filename or scene.root
        status, words = 1, f"The scene cannot go on: {where}: {error.strerror}. {ROOM}"
    except KeyboardInterrupt:
        print(flush=True)
    finally:
        _leave(scene)
    print(words)
    _say_what_is_left(scene)
    return status


def _interrupt(*_signal: object) -> None:
    raise KeyboardInterrupt


def _run(scene: Scene, *, folders: bool) -> tuple[int, str]:
    """Play the scene; the exit status, and the last word on it."""
    scene.lay_out()
    why = "as asked for" if folders else why_folders(scene.root)
    scene.floor.real = why is None
    kind = "ext4 images on loop devices, mounted read-only" if why is None else f"folders: {why}"
    print(f"Station quay-03, uplink capped at {show.size(CAP)}/s, five drives", flush=True)
    print("\n".join(show.wrapped(f"({kind})", "")), flush=True)
    scene.build()
    screen = Screen()
    try:
        scene.start()
        screen.say("the daemon runs; the order system announces its jobs")
        scene.announce()
        scene.play(screen)
    finally:
        scene.stop()
    events = scene.events()
    report(scene, events)
    problems = list(verdicts(scene, events))
    if problems:
        return 1, "\n".join(f"NOT AS EXPECTED  {problem}" for problem in problems)
    seconds = time.monotonic() - scene.began
    return 0, f"Every drive ended as it should, in {seconds:.0f} s. No drive was altered."


def _leave(scene: Scene) -> None:
    """Stop the daemon, detach and remove the drives. Bounded, so a second Ctrl-C need not be heard."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    scene.stop()
    scene.floor.clear()


def _say_what_is_left(scene: Scene) -> None:
    print(f"\nThe drives are removed. In {scene.root} are left:")
    for name, where in scene.places():
        if where.exists():
            print(f"  {name:12} {where.relative_to(scene.root)}")
    print(f"To remove that too ({show.size(scene.left_bytes())}): rm -r {scene.root}")


if __name__ == "__main__":
    sys.exit(main())
