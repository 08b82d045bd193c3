"""What a survey of very many files costs, beside `find -printf` over the same tree, with cold caches.

    python -m tests.bench.bench_survey [--files 200000] [--folder /var/tmp] [--rounds 3] [--profile]

Needs root, for an ext4 image on a loop device, read past the cache of the file below, and for dropping
the kernel's caches. Files have up to 4 KiB. A tenth of them lies in the root, the others in 300 folders
below; they were written in the order of their names, or scattered, as on a drive that was filled and
cleared for years. The manifest is a journal in the same folder. `find` prints what the survey takes in:
inode, type, size, time, path.

With `--one-folder` that many files lie in one folder, in memory, and it is told how much memory a process of
its own takes to survey a quarter, a half and all of them: it must not grow with their number.

With `--turning` the image lies on a model of a disk that turns (`turning_disk.py`, over nbdkit): the time is
what it took with a model that answers at once, and what the model charges for seeking and reading.
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import os
import pstats
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from ingestd.content.survey import survey
from ingestd.content.walk import walk
from ingestd.core.found import SurveyFacts
from ingestd.core.job import Destination, Job
from ingestd.core.model import Attempt, JobId, LoadId
from tests.bench.one_volume import OneVolume
from tests.support.drives import Going, attach, make_file_system, unplug_image
from tests.support.journals import open_journal
from tests.support.nbd import served

FOLDERS = 300
MODEL = Path(__file__).with_name("turning_disk.py")
JOB = Job(
    job_id=JobId("AP-0871"),
    version=1,
    tenant="alder-press",
    drives=(),
    items=(),
    destination=Destination(store="archive", prefix="alder-press/0871"),
)
FIND = ("-printf", r"%i %y %s %T@ %P\n")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=200_000)
    parser.add_argument("--folder", default="/var/tmp")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--turning", action="store_true")
    parser.add_argument("--one-folder", type=int, metavar="FILES")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--profile", action="store_true", help="where the time of a survey goes")
    args = parser.parse_args()
    gc.set_threshold(50_000)  # As `ingestd run` does.
    if args.child:
        survey_and_tell(Path(args.child[0]), Path(args.child[1]))
        return
    if args.one_folder:
        one_folder(args.one_folder)
        return
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        for scattered in (False, True):
            place = Turning(Path(folder)) if args.turning else Fast()
            measure(Path(folder), args.files, args.rounds, place, scattered=scattered)
        if args.profile:
            profile(Path(folder))


class Fast:
    """The image as it is."""

    @contextmanager
    def shown(self, image: Path) -> Iterator[Path]:
        yield image

    def charged_s(self) -> float:
        return 0.0


class Turning(Fast):
    """The image behind the model of a disk."""

    def __init__(self, folder: Path) -> None:
        self._over, self._log = folder / "over.img", folder / "spent"
        self._log.write_text("0")

    @contextmanager
    def shown(self, image: Path) -> Iterator[Path]:
        self._over.unlink(missing_ok=True)
        with served(self._over, "python", str(MODEL), f"image={image}", f"log={self._log}", "slowed=0"):
            yield self._over

    def charged_s(self) -> float:
        return float(self._log.read_text())


def measure(folder: Path, count: int, rounds: int, place: Fast, *, scattered: bool) -> None:
    image = folder / "drive.img"
    make_file_system(image, "mkfs.ext4", "-q", "-F", "-N", f"{count * 5 // 4}", size_mib=count // 128 + 128)
    with mounted(image, folder) as at:
        fill(at, count, scattered=scattered)
    print(f"\n{count:,} files, {'scattered' if scattered else 'in the order of their names'}; cold caches")
    ways: dict[str, Callable[[Path], int]] = {
        "find -printf": found_by_find,
        "the walk alone": walked,
        "a survey, not turning": lambda at: surveyed(at, folder, rotational=False),
        "a survey, turning or not known": lambda at: surveyed(at, folder, rotational=None),
    }
    took: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            with place.shown(image) as shown, mounted(shown, folder, "ro,noload") as at:
                drop_caches()
                charged_s, began = place.charged_s(), time.perf_counter()
                seen = way(at)
                took[name].append(time.perf_counter() - began + place.charged_s() - charged_s)
                assert seen == count, (name, seen)
    base_s = statistics.median(took["find -printf"])
    for name, each in took.items():
        median_s = statistics.median(each)
        spread = f"{min(each):.2f} to {max(each):.2f}"
        print(f"{name:<34}{median_s:>8.2f} s{median_s / base_s:>8.2f} x find    {spread}", flush=True)


@contextmanager
def mounted(image: Path, folder: Path, options: str = "rw") -> Iterator[Path]:
    at = folder / "mounted"
    at.mkdir(exist_ok=True)
    device = attach(image, "--direct-io=on", *(("--read-only",) if "ro" in options else ()))
    try:
        subprocess.run(["mount", "-o", options, device, str(at)], check=True)
        try:
            yield at
        finally:
            subprocess.run(["umount", str(at)], check=True)
    finally:
        unplug_image(device)


def fill(root: Path, count: int, *, scattered: bool) -> None:
    for number in range(FOLDERS):
        (root / f"{number:03}").mkdir()
    names = [f"{n % FOLDERS:03}/{n:07}.dat" if n % 10 else f"{n:07}.dat" for n in range(count)]
    names.sort()
    if scattered:
        random.Random(7).shuffle(names)
    root_fd = os.open(root, os.O_RDONLY)
    for number, name in enumerate(names):
        fd = os.open(name, os.O_WRONLY | os.O_CREAT, dir_fd=root_fd)
        os.write(fd, bytes(1000 + number % 3000))
        os.close(fd)
    os.close(root_fd)


def drop_caches() -> None:
    subprocess.run(["sync"], check=True)
    Path("/proc/sys/vm/drop_caches").write_text("3")


# -- the ways --------------------------------------------------------------------------------------


def found_by_find(at: Path) -> int:
    done = subprocess.run(["find", at, *FIND], check=True, capture_output=True)
    return done.stdout.count(b" f ")


@contextmanager
def opened(at: Path) -> Iterator[int]:
    fd = os.open(at, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield fd
    finally:
        os.close(fd)


def walked(at: Path) -> int:
    with opened(at) as root_fd, closing(walk(root_fd, cancel=Going())) as everything:
        return sum(each.regular for each in everything)


def surveyed(at: Path, folder: Path, *, rotational: bool | None) -> int:
    return _survey(at, folder, rotational).ledger.discovered_files


def _survey(at: Path, folder: Path, rotational: bool | None) -> SurveyFacts:
    with (
        tempfile.TemporaryDirectory(dir=folder) as state,
        opened(at) as root_fd,
        closing(open_journal(state)) as journal,
    ):
        manifest = journal.manifest(LoadId("desk"))
        manifest.claim(Attempt(1))
        drive = OneVolume(root_fd, rotational)
        return survey(drive, JOB, manifest, reserved=b".ingest", cancel=Going(), sniff=False)


# -- very many in one folder -----------------------------------------------------------------------


def one_folder(count: int) -> None:
    print(f"{'files in one folder':>20}{'survey':>12}{'a file':>12}{'most memory':>14}")
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        at, made = Path(folder, "drive"), 0
        at.mkdir()
        at_fd = os.open(at, os.O_RDONLY)
        for upto in (0, count // 4, count // 2, count):
            for number in range(made, upto):
                os.mknod(f"{number:032}.dat", dir_fd=at_fd)
            made = upto
            command = [sys.executable, "-m", "tests.bench.bench_survey", "--child", str(at), folder]
            said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
            seconds, kib = float(said[0]), int(said[1])
            each = f"{seconds / upto * 1e6:.1f} µs" if upto else "-"
            print(f"{upto:>20,}{seconds:>10.1f} s{each:>12}{kib / 1024:>10.1f} MiB", flush=True)
        os.close(at_fd)


def survey_and_tell(at: Path, folder: Path) -> None:
    began = time.perf_counter()
    surveyed(at, folder, rotational=None)
    seconds = time.perf_counter() - began
    with open("/proc/self/status", encoding="ascii") as status:
        (peak,) = [line.split()[1] for line in status if line.startswith("VmHWM")]
    print(seconds, peak)


def profile(folder: Path) -> None:
    with mounted(folder / "drive.img", folder, "ro,noload") as at:
        drop_caches()
        profiler = cProfile.Profile()
        profiler.runcall(_survey, at, folder, None)
        pstats.Stats(profiler).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()
