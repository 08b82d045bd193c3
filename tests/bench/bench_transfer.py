"""How fast and how small the byte path is, on this machine, in one run.

    python -m tests.bench.bench_transfer [--folder /dev/shm] [--size-mib 2048] [--only NAME]

- `speed`: one large file into a folder store, beside a bare loop that reads blocks of 1 MiB, hashes and
  writes them; and many small ones, beside a loop that copies and hashes each.
- `looks`: what it costs that files are looked into for encryption: in a survey, once, and as they are loaded.
- `memory`: the most that a process of its own had resident, with eight loads at once, and with one load
  of few and of many files: once all buffers and the journal's cache are in use, it grows no more.

Everything lies in memory (tmpfs), so that the figures are those of the program and not of a disk. Turns
are taken in one run and the best of each counts, since a machine that others use is slow now and then.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from ingestd.content import sniff
from ingestd.content.looks import WINDOWS_TOGETHER
from ingestd.content.sample import WINDOWS_MAX
from ingestd.core.found import Secrecy
from ingestd.core.model import LoadId
from ingestd.journal.journal import Journal
from ingestd.store.folder import FolderStore
from ingestd.transfer.settings import TransferSettings
from tests.support.byte_path import BytePath, Token
from tests.support.fake_drive import FakeDrive, survey
from tests.support.journals import open_journal

MIB = 1 << 20
BLOCK = 1 * MIB
LOADS = 8
ROUNDS = 3


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--folder", default="/dev/shm", help="where to put everything")
    parser.add_argument("--size-mib", type=int, default=2048, help="size of the large file")
    parser.add_argument("--only", choices=["speed", "looks", "memory"], help="just one of them")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        load_and_tell(Path(args.child[0]), int(args.child[1]))
        return
    if args.only in (None, "speed"):
        speed(args.folder, args.size_mib * MIB)
    if args.only in (None, "looks"):
        looks(args.folder, args.size_mib * MIB)
    if args.only in (None, "memory"):
        memory(args.folder)


@contextmanager
def workshop(folder: str) -> Iterator[Path]:
    made = Path(tempfile.mkdtemp(dir=folder, prefix="quay-03-"))
    try:
        for name in ("drive/volume-1", "store", "journal", "scratch"):
            (made / name).mkdir(parents=True)
        yield made
    finally:
        shutil.rmtree(made)


def table(title: str, rows: Sequence[tuple[str, str, str]]) -> None:
    print(f"\n{title}")
    for name, figure, ratio in rows:
        print(f"  {name:<44} {figure:>16} {ratio:>10}")


# -- speed ----------------------------------------------------------------------------------------


def speed(folder: str, size_bytes: int) -> None:
    with workshop(folder) as at:
        write_file(at / "drive/volume-1/dive.tar.age", size_bytes)
        turns = [(bare_loop(at), pass_over(at, number)) for number in range(ROUNDS)]
    bare, ours = (min(each) for each in zip(*turns, strict=True))
    rows = [
        ("bare loop: read, hash, write", rate(size_bytes, bare), "1.00"),
        ("transfer into a folder store", rate(size_bytes, ours), f"{bare / ours:.2f}"),
    ]
    table(f"one file of {size_bytes // MIB} MiB, best of {ROUNDS} turns each, in turn", rows)
    for size, count in ((1 << 10, 20_000), (256 << 10, 2_000), (2 * MIB, 300)):
        with workshop(folder) as at:
            write_many(at / "drive/volume-1", count, size)
            turns = [(bare_copies(at), pass_over(at, number)) for number in range(ROUNDS)]
        bare, ours = (min(each) for each in zip(*turns, strict=True))
        rows = [
            ("bare loop: copy, hash and sync each", f"{count / bare:,.0f} files/s", "1.00"),
            ("transfer into a folder store", f"{count / ours:,.0f} files/s", f"{bare / ours:.2f}"),
        ]
        table(f"{count:,} files of {size >> 10} KiB", rows)


def rate(size_bytes: int, seconds: float) -> str:
    return f"{size_bytes / seconds / 1e6:,.0f} MB/s"


def write_file(file: Path, size_bytes: int, head: bytes = b"") -> None:
    block = os.urandom(BLOCK)
    with file.open("wb") as out:
        for _ in range(size_bytes // BLOCK):
            out.write(block)
        out.seek(0)
        out.write(head)


def write_many(folder: Path, count: int, size: int) -> None:
    body = os.urandom(size)
    for number in range(count):
        if number % 1_000 == 0:
            below = folder / f"{number // 1_000:04}"
            below.mkdir()
        (below / f"{number:07}").write_bytes(body)


def bare_loop(at: Path) -> float:
    """Seconds for what nobody can do in one thread with less: read, hash and write block by block."""
    block, digest, began = memoryview(bytearray(BLOCK)), hashlib.sha256(), time.perf_counter()
    source = os.open(at / "drive/volume-1/dive.tar.age", os.O_RDONLY)
    target = os.open(at / "copy", os.O_WRONLY | os.O_CREAT)
    while got := os.readv(source, [block]):
        digest.update(block[:got])
        os.write(target, block[:got])
    os.fsync(target)
    seconds = time.perf_counter() - began
    os.close(source)
    os.close(target)
    (at / "copy").unlink()
    return seconds


def bare_copies(at: Path) -> float:
    (at / "copies").mkdir()
    began = time.perf_counter()
    for folder, _, names in os.walk(at / "drive/volume-1"):
        for name in names:
            body = Path(folder, name).read_bytes()
            hashlib.sha256(body).digest()
            with open(at / "copies" / name, "wb") as out:
                out.write(body)
                out.flush()
                os.fsync(out.fileno())
    seconds = time.perf_counter() - began
    shutil.rmtree(at / "copies")
    return seconds


def looks(folder: str, size_bytes: int) -> None:
    """One large file, and eight of an eighth of its size, of a kind that takes all its samples."""
    for count in (1, 8):
        with workshop(folder) as at:
            files = [at / "drive/volume-1" / f"dive-{number}.tar.enc" for number in range(count)]
            for file in files:
                write_file(file, size_bytes // count, head=b"Salted__")
            began = time.perf_counter()
            for file in files:
                look_into(file, min(WINDOWS_MAX, WINDOWS_TOGETHER // count))
            look_s = time.perf_counter() - began
            took: dict[bool, list[float]] = {False: [], True: []}
            for number in range(4 * ROUNDS):
                sniffed = number % 4 in (1, 2)  # Each as often first as second.
                took[sniffed].append(pass_over(at, number, sniff=sniffed))
        without, ours = (min(took[sniffed]) for sniffed in (False, True))
        rows = [
            ("loaded without a look", rate(size_bytes, without), "1.000"),
            ("loaded with a look", rate(size_bytes, ours), f"{without / ours:.3f}"),
            ("  of which the look at each head", f"{head_look_s() * 1e6:.0f} µs a file", ""),
            ("the survey's look, once", f"{look_s:.2f} s", ""),
            ("  is 3 % of a load that takes", f"{look_s / 0.03:,.0f} s", ""),
        ]
        table(f"{count} encrypted, {size_bytes // count // MIB} MiB each", rows)


def head_look_s() -> float:
    head, began = b"Salted__" + os.urandom((64 << 10) - 8), time.perf_counter()
    for _ in range(200):
        assert sniff.look_head(head) is None
    return (time.perf_counter() - began) / 200


def look_into(file: Path, windows_max: int) -> None:
    fd = os.open(file, os.O_RDONLY)
    found = sniff.look(fd, os.fstat(fd).st_size, name=b"dive", cancel=Token(), windows_max=windows_max)
    assert found[0] is Secrecy.PROVEN, found
    os.close(fd)


def pass_over(at: Path, number: int, *, sniff: bool = True) -> float:
    """Seconds of one pass; the store is empty again afterwards."""
    journal, drive = open_journal(at / "journal"), FakeDrive(at / "drive")
    manifest = journal.manifest(LoadId(f"load-{number}"))
    survey(drive, manifest)
    path = BytePath(at / "scratch", settings=TransferSettings())
    store = FolderStore("harrow", str(at / "store"))
    began = time.perf_counter()
    ledger, faults = path.transfer(plainly(drive), store, manifest, sniff=sniff)
    seconds = time.perf_counter() - began
    assert not faults, faults
    assert ledger.pending_files == 0, ledger
    path.close()
    journal.close()
    drive.close()
    shutil.rmtree(at / "store" / "tidewrack-survey")
    return seconds


def plainly(drive: FakeDrive) -> FakeDrive:
    """Without what the fake does at each read."""
    drive.read = os.preadv  # type: ignore[method-assign, assignment]
    return drive


# -- memory ---------------------------------------------------------------------------------------


def memory(folder: str) -> None:
    rows = []
    with workshop(folder) as at:
        idle = child(at, 0)
        write_file(at / "drive/volume-1/dive.tar.age", 192 * MIB)
        write_many(at / "drive/volume-1", 1_000, 100_000)
        rows.append(("imports only", mib(idle), ""))
        rows.append((f"{LOADS} loads at once, 192 MiB and 1,000 files each", mib(child(at, LOADS)), ""))
    for count in (1_000, 50_000, 200_000):
        with workshop(folder) as at:
            write_many(at / "drive/volume-1", count, 1_000)
            rows.append((f"one load of {count:,} files", mib(child(at, 1)), ""))
    table("largest resident set of a process", rows)


def mib(kib: int) -> str:
    return f"{kib / 1024:,.1f} MiB"


def child(at: Path, loads: int) -> int:
    """The most KiB that a process of its own had resident while it did so many loads at once."""
    prepare(at, loads)
    command = [sys.executable, "-m", "tests.bench.bench_transfer", "--child", str(at), str(loads)]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def prepare(at: Path, loads: int) -> None:
    """Survey beforehand: the list of files that this survey makes is not the program's."""
    journal, drive = open_journal(at / "journal"), FakeDrive(at / "drive")
    for number in range(loads):
        survey(drive, journal.manifest(LoadId(f"load-{number}")))
    drive.close()
    journal.close()


def load_and_tell(at: Path, loads: int) -> None:
    journal = open_journal(at / "journal")
    path = BytePath(at / "scratch", settings=TransferSettings())
    threads = [threading.Thread(target=one_load, args=(at, path, journal, number)) for number in range(loads)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open("/proc/self/status", encoding="ascii") as status:
        (peak,) = [line.split()[1] for line in status if line.startswith("VmHWM")]
    print(peak)


def one_load(at: Path, path: BytePath, journal: Journal, number: int) -> None:
    root = at / f"store-{number}"
    root.mkdir()
    load_id = LoadId(f"load-{number}")
    drive = plainly(FakeDrive(at / "drive"))
    ledger, faults = path.transfer(
        drive, FolderStore("harrow", str(root)), journal.manifest(load_id), load_id=load_id
    )
    assert not faults and not ledger.pending_files
    shutil.rmtree(root)


if __name__ == "__main__":
    main()
