"""How fast the journal is: surveys, ledgers, records of parts and files, restoring jobs.

    python -m tests.bench.bench_journal [--folder /dev/shm] [--files 1000000] [--jobs 100000]

The folder's medium decides how long a commit takes; in memory it is the program that is measured.
"""

from __future__ import annotations

import argparse
import random
import resource
import tempfile
import threading
import time
from collections.abc import Callable, Iterator

from ingestd.core.model import LoadId
from ingestd.journal.journal import Journal
from ingestd.journal.manifest import SqliteManifest
from ingestd.ports import FileEntry, PartRecord
from tests.support.journals import event, open_journal, save_job

BATCH = 1_000


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--folder", default="/dev/shm")
    parser.add_argument("--files", type=int, default=1_000_000)
    parser.add_argument("--jobs", type=int, default=100_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        journal = open_journal(folder)
        survey_and_transfer(journal, args.files)
        show("latency of a commit meanwhile", *commits_beside_surveys(journal))
        show("parts, one to a commit", 2_000 / parts_one_by_one(journal, 2_000), "commits/s")
        show("forget the manifest", seconds(lambda: journal.forget_manifest(LoadId("walk"))), "s")
        save_jobs(journal, args.jobs)
        journal.close()
        show("open it again", seconds(lambda: open_journal(folder).close()), "s")
        journal = open_journal(folder)
        show(f"restore {args.jobs:,} jobs", seconds(journal.restore), "s")
        journal.close()
    show("most memory at any time", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MiB")


def show(what: str, figure: float, unit: str) -> None:
    print(f"{what:<44}{figure:>14,.2f}  {unit}", flush=True)


def seconds(work: Callable[[], object]) -> float:
    begun = time.monotonic()
    work()
    return time.monotonic() - begun


def walked(files: int) -> Iterator[list[FileEntry]]:
    """In the order of a walk: folder by folder."""
    for start in range(0, files, BATCH):
        yield [
            FileEntry(
                "volume-1", b"scans/%04d/%03d/page-%07d.tif.gpg" % (n // 5000, n // 250 % 20, n), n, n, n
            )
            for n in range(start, start + BATCH)
        ]


def scattered(files: int) -> Iterator[list[FileEntry]]:
    """One folder with names without any order."""
    chance = random.Random(1)
    for start in range(0, files, BATCH):
        yield [
            FileEntry("volume-1", b"objects/%032x.gpg" % chance.getrandbits(128), n, n, n)
            for n in range(start, start + BATCH)
        ]


def add_all(manifest: SqliteManifest, batches: Iterator[list[FileEntry]]) -> float:
    """Seconds in `add` alone."""
    manifest.begin_survey()
    return sum(seconds(lambda: manifest.add(batch)) for batch in batches)  # noqa: B023 - called at once


def survey_and_transfer(journal: Journal, files: int) -> None:
    scattered_one = journal.manifest(LoadId("scattered"))
    show("add, names without order", files / add_all(scattered_one, scattered(files)), "rows/s")
    manifest = journal.manifest(LoadId("walk"))
    show("add, in the order of a walk", files / add_all(manifest, walked(files)), "rows/s")
    show("add again, nothing changed", files / add_all(manifest, walked(files)), "rows/s")
    show("end of the survey", seconds(manifest.end_survey), "s")
    show("ledger", seconds(manifest.ledger), "s")
    store_all(manifest, files)
    show("ledger, all stored", seconds(manifest.ledger), "s")
    show("size of the journal", journal.size_bytes() / 1e6, "MB")


def store_all(manifest: SqliteManifest, files: int, at_once: int = 256) -> None:
    reading = recording = 0.0
    after, commits = -1, 0
    while True:
        begun = time.monotonic()
        rows = manifest.pending(after, at_once)
        reading += time.monotonic() - begun
        if not rows:
            break
        after = rows[-1].file_no
        stored = [(row.file_no, bytes(32), b"tidewrack-survey/harrow-000001/" + row.path) for row in rows]
        recording += seconds(lambda: manifest.record_stored(stored))  # noqa: B023 - called at once
        commits += 1
    show("pending, in pages of 256", files / reading, "rows/s")
    show("stored, 256 to a commit", files / recording, "rows/s")
    show("", commits / recording, "commits/s")


def parts_one_by_one(journal: Journal, commits: int) -> float:
    manifest = journal.manifest(LoadId("parts"))
    manifest.begin_survey()
    manifest.add([FileEntry("volume-1", b"kelp.tar.gpg", 1 << 40, 1, 1)])
    manifest.record_upload(0, "token", 1 << 22)
    return sum(
        seconds(lambda: manifest.record_parts([PartRecord(0, n, bytes(32))]))  # noqa: B023 - called at once
        for n in range(1, commits + 1)
    )


def commits_beside_surveys(journal: Journal, surveys: int = 4, commits: int = 200) -> tuple[float, str]:
    """What the daemon's loop waits for a commit, at most in 99 of 100 cases, while surveys write."""
    done = threading.Event()

    def survey(number: int) -> None:
        manifest = journal.manifest(LoadId(f"beside-{number}"))
        manifest.begin_survey()
        for batch in walked(10_000_000):
            if done.is_set():
                return
            manifest.add(batch)

    threads = [threading.Thread(target=survey, args=(number,)) for number in range(surveys)]
    for thread in threads:
        thread.start()
    waits = []
    for number in range(commits):
        time.sleep(0.005)
        waits.append(seconds(lambda: journal.commit([save_job(1), event(number)], at=1.0)))  # noqa: B023
    done.set()
    for thread in threads:
        thread.join()
    return sorted(waits)[int(commits * 0.99)] * 1000, f"ms, 99th percentile, {surveys} surveys"


def save_jobs(journal: Journal, jobs: int) -> None:
    took = 0.0
    for start in range(0, jobs, BATCH):
        records = [save_job(number) for number in range(start, start + BATCH)]
        took += seconds(lambda: journal.commit(records, at=1.0))  # noqa: B023 - called at once
    show("commit of jobs, 1,000 at once", jobs / took, "jobs/s")


if __name__ == "__main__":
    main()
