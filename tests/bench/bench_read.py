"""How drives are read: the order of many small files, and one large file beside `dd`.

    python -m tests.bench.bench_read [--files 20000] [--large-mib 1024]

Needs root, nbdkit with nbdkit-plugin-python, and nbdfuse. The small files lie on a model of a disk that
turns (`turning_disk.py` says what it charges for seeking), written in the order of their names, and
scattered, as on a drive that was filled and cleared for years. The large file lies on a loop device over
this machine's own disk, read past the cache of the file below.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from ingestd.content.extents import Places
from ingestd.content.walk import Found, Kind, no_place, walk
from ingestd.ports import PendingFile
from ingestd.transfer.damage import Patience
from ingestd.transfer.session import FILES_AHEAD
from ingestd.transfer.source import Care, Source
from tests.bench.one_volume import OneVolume
from tests.support.byte_path import Token
from tests.support.drives import Going, attach, make_file_system, unplug_image
from tests.support.nbd import served

MODEL = Path(__file__).with_name("turning_disk.py")
VIEW_BYTES = 4 << 20
SMALL_MAX_BYTES = 32 << 10
LATENCY_MS = 1


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--large-mib", type=int, default=1024)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for scattered in (False, True):
            small_files(Path(folder), args.files, scattered=scattered)
        readers(Path(folder), args.files // 4)
        one_large_file(Path(folder), args.large_mib)


# -- many small files -----------------------------------------------------------------------------


def small_files(folder: Path, count: int, *, scattered: bool) -> None:
    image = make_file_system(folder / "small.img", "mkfs.ext4", "-q", "-F", size_mib=count // 16 + 64)
    with mounted(str(image), folder, "loop") as at:
        fill(at, count, scattered=scattered)
    print(f"\n{count:,} files, {'scattered' if scattered else 'written in the order of their names'}")
    print(f"{'read in the order of':<28}{'disk busy':>12}{'a file':>10}{'ratio':>8}{'walk':>10}")
    base_s = 0.0
    for order in ("the directories", "inode numbers (the walk)", "extents"):
        walk_s, read_s = on_the_model(image, folder, order)
        base_s = base_s or read_s
        per_file_ms = read_s / count * 1000
        print(
            f"{order:<28}{read_s:>10.1f} s{per_file_ms:>7.2f} ms{base_s / read_s:>8.2f}{walk_s:>8.1f} s",
            flush=True,
        )
    image.unlink()


def fill(root: Path, count: int, *, scattered: bool) -> None:
    """Two hundred folders of small files; scattered ones take the places that others had left."""
    chance = random.Random(7)
    names = [f"{number % 200:03}/{number:06}.dat" for number in sorted(range(count), key=lambda n: n % 200)]
    for number in range(200):
        (root / f"{number:03}").mkdir()
    if scattered:
        chance.shuffle(names)
        for name in names:
            (root / name).touch()
        chance.shuffle(names)
    body = chance.randbytes(SMALL_MAX_BYTES)
    for name in names:
        with (root / name).open("wb") as file:
            file.write(body[: chance.randint(4096, SMALL_MAX_BYTES)])
            file.flush()
            os.fdatasync(file.fileno())


def on_the_model(image: Path, folder: Path, order: str) -> tuple[float, float]:
    """Seconds that the disk is busy with the walk, and with reading all files in this order."""
    over, log = folder / "over.img", folder / "spent"
    log.write_text("0")
    over.unlink(missing_ok=True)

    def busy_s() -> float:
        return float(log.read_text())

    with served(over, "python", str(MODEL), f"image={image}", f"log={log}"):
        device = attach(over, "--direct-io=on", "--read-only")
        try:
            with mounted(device, folder, "ro,noload") as at:
                root_fd = os.open(at, os.O_RDONLY | os.O_DIRECTORY)
                begun_s = busy_s()
                files = in_order(at, root_fd, order)
                walked_s = busy_s()
                read_all(root_fd, files)
                read_s = busy_s()
                os.close(root_fd)
        finally:
            unplug_image(device)
    return walked_s - begun_s, read_s - walked_s


def in_order(at: Path, root_fd: int, order: str) -> list[Found]:
    place_of = Places(0).of if order == "extents" else no_place
    found = [f for f in walk(root_fd, cancel=Going(), place_of=place_of) if f.kind is Kind.FILE]
    if order == "extents":
        return sorted(found, key=lambda each: each.place)
    if order == "the directories":
        by_path = {each.path: each for each in found}
        listed = (os.path.join(top, name) for top, _, names in os.walk(at) for name in names)
        return [by_path[os.fsencode(os.path.relpath(path, at))] for path in listed]
    return found


def read_all(root_fd: int, found: Sequence[Found], ahead: int = 0) -> None:
    source = Source(OneVolume(root_fd), Token(), Care(patience=Patience(0), turns=not ahead))
    view = memoryview(bytearray(VIEW_BYTES))
    for number, each in enumerate(found):
        for upcoming in found[number + ahead : number + ahead + 1] if ahead else ():
            source.announce(pending(number, upcoming))
        read_one(source, number, each, view)
    source.close()


def pending(number: int, found: Found) -> PendingFile:
    facts = (found.path, found.size_bytes, found.mtime_ns, found.inode)
    return PendingFile(number, "volume-1", *facts)


def read_one(source: Source, number: int, found: Found, view: memoryview) -> None:
    with source.open(pending(number, found)) as opened:
        for at in range(0, found.size_bytes, len(view)):
            for _ in opened.blocks(view[: min(len(view), found.size_bytes - at)], at):
                pass


# -- a disk without a head, but with a latency ----------------------------------------------------


def readers(folder: Path, count: int) -> None:
    image = make_file_system(folder / "small.img", "mkfs.ext4", "-q", "-F", size_mib=count // 16 + 64)
    with mounted(str(image), folder, "loop") as at:
        fill(at, count, scattered=True)
    print(f"\n{count:,} files in the order of extents, each request answered after {LATENCY_MS} ms more")
    for number, ahead in ((1, 0), (1, FILES_AHEAD), (4, 0), (8, 0)):
        took_s = with_latency(image, folder, number, ahead)
        what = f"{number} reader{'s' if number > 1 else ''}" + (f", {ahead} files announced" if ahead else "")
        print(f"{what:<32}{took_s:>8.1f} s{took_s / count * 1000:>8.2f} ms a file", flush=True)
    image.unlink()


def with_latency(image: Path, folder: Path, number: int, ahead: int) -> float:
    over = folder / "over.img"
    over.unlink(missing_ok=True)
    with served(over, "--filter=delay", "file", str(image), f"rdelay={LATENCY_MS}ms"):
        device = attach(over, "--direct-io=on", "--read-only")
        try:
            with mounted(device, folder, "ro,noload") as at:
                root_fd = os.open(at, os.O_RDONLY | os.O_DIRECTORY)
                files = in_order(at, root_fd, "extents")
                begun = time.monotonic()
                parts = [files[first::number] for first in range(number)]
                with ThreadPoolExecutor(number) as pool:
                    list(pool.map(lambda part: read_all(root_fd, part, ahead), parts))
                took_s = time.monotonic() - begun
                os.close(root_fd)
        finally:
            unplug_image(device)
    return took_s


# -- one large file -------------------------------------------------------------------------------


def one_large_file(folder: Path, size_mib: int) -> None:
    image = make_file_system(folder / "large.img", "mkfs.ext4", "-q", "-F", size_mib=size_mib + 256)
    with mounted(str(image), folder, "loop") as at:
        command = ["dd", "if=/dev/urandom", f"of={at}/large", "bs=1M", f"count={size_mib}", "status=none"]
        subprocess.run(command, check=True)
    device = attach(image, "--direct-io=on", "--read-only")
    try:
        rates = [tuple(rate(device, folder, size_mib, way) for way in (by_dd, by_us)) for _ in range(5)]
    finally:
        unplug_image(device)
    dd, ours = (statistics.median(each) for each in zip(*rates, strict=True))
    print(f"\none file of {size_mib} MiB, blocks of 1 MiB, the medians of {len(rates)} runs in turns")
    print(f"dd {dd:>10.0f} MiB/s\nours {ours:>8.0f} MiB/s\nratio {ours / dd:>7.2f}")


def rate(device: str, folder: Path, size_mib: int, read: Callable[[Path], None]) -> float:
    with mounted(device, folder, "ro,noload") as at:
        begun = time.monotonic()
        read(at)
        return size_mib / (time.monotonic() - begun)


def by_dd(at: Path) -> None:
    subprocess.run(["dd", f"if={at}/large", "of=/dev/null", "bs=1M", "status=none"], check=True)


def by_us(at: Path) -> None:
    root_fd = os.open(at, os.O_RDONLY | os.O_DIRECTORY)
    (found,) = [f for f in walk(root_fd, cancel=Going()) if f.path == b"large"]
    source = Source(OneVolume(root_fd), Token(), Care(patience=Patience(0)))
    read_one(source, 0, found, memoryview(bytearray(VIEW_BYTES)))
    source.close()
    os.close(root_fd)


@contextmanager
def mounted(device: str, folder: Path, options: str) -> Iterator[Path]:
    at = folder / "mnt"
    at.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "ext4", "-o", options, device, str(at)], check=True)
    try:
        yield at
    finally:
        subprocess.run(["umount", str(at)], check=True)


if __name__ == "__main__":
    main()
