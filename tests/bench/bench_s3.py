"""The way into an S3 store, beside what one would script with the usual libraries, in one run.

    python -m tests.bench.bench_s3 [--size-mib 2048] [--tls] [--rounds 3] [--only large|small|memory]

A sink in its own process takes everything and keeps nothing. Every contender runs in a process of its own,
in turn; medians count. `pip install -e .[bench]` brings obstore and boto3.

- `large`: one object in parts of 16 MiB, from a file in memory (tmpfs). Ours is the whole byte path: read,
  SHA-256 of the file, journal, parts. The bare loop is eight threads, each with a socket: read, hash, send.
  It hashes eight parts at once, which gives no SHA-256 of the file; `bare-file` does what gives one, at the
  least expense: one thread reads and hashes in order, eight send.
- `small`: objects of 64 KiB from memory.
- `memory`: the most that a process had resident with 16 loads at once.
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import importlib
import json
import mmap
import os
import queue
import resource
import shutil
import socket
import ssl
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

MIB = 1 << 20
PART = 16 * MIB
SMALL = 64 << 10


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--size-mib", type=int, default=2048)
    parser.add_argument("--objects", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--tls", action="store_true")
    parser.add_argument("--only", choices=["large", "small", "memory"])
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        name, url, what = args.child
        print(json.dumps(CHILDREN[name](url, what)))
        return
    folder = Path(tempfile.mkdtemp(prefix="quay-03-", dir="/dev/shm"))
    try:
        with_sink(folder, args)
    finally:
        shutil.rmtree(folder)


def with_sink(folder: Path, args: argparse.Namespace) -> None:
    command = [sys.executable, "-m", "tests.bench.s3_sink"]
    if args.tls:
        from tests.support.s3_servers import certificate

        command += map(str, certificate(folder))
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as sink:
        assert sink.stdout is not None
        url = f"http{'s' if args.tls else ''}://127.0.0.1:{sink.stdout.readline().strip()}"
        environment = {
            "AWS_ACCESS_KEY_ID": "quay",
            "AWS_SECRET_ACCESS_KEY": "harrow",
            "AWS_DEFAULT_REGION": "us-east-1",
            "BENCH_CA": str(folder / "cert.pem"),
        }
        os.environ.update(environment)
        try:
            if args.only in (None, "large"):
                large(folder, url, args.size_mib * MIB, args.rounds)
            if args.only in (None, "small"):
                small(url, args.objects, args.rounds)
            if args.only in (None, "memory"):
                memory(folder, url)
        finally:
            sink.terminate()


def turns(names: list[str], url: str, what: str, rounds: int) -> dict[str, dict[str, float]]:
    """The medians of each contender's figures."""
    found: dict[str, list[dict[str, float]]] = {name: [] for name in names}
    for _ in range(rounds):
        for name in names:
            command = [sys.executable, "-m", "tests.bench.bench_s3", "--child", name, url, what]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            found[name].append(json.loads(done.stdout.splitlines()[-1]))
    return {
        name: {key: statistics.median(row[key] for row in rows) for key in rows[0]}
        for name, rows in found.items()
    }


# -- one large object -------------------------------------------------------------------------------


def large(folder: Path, url: str, size_bytes: int, rounds: int) -> None:
    file = folder / "drive" / "volume-1" / "dive.tar.age"
    file.parent.mkdir(parents=True)
    block = os.urandom(MIB)
    with file.open("wb") as out:
        for _ in range(size_bytes // MIB):
            out.write(block)
    names = ["bare", "bare-file", "ours-signed", "ours-unsigned", "ours-streamed", "obstore", "boto3"]
    found = turns(names, url, str(folder / "drive"), rounds)
    hashing = hashing_s(size_bytes)
    gigabytes = size_bytes / 1e9
    print(
        f"\none object of {size_bytes // MIB} MiB, parts of 16 MiB, {url.split(':')[0]}, median of {rounds}"
    )
    print(
        f"  {'':<16}{'MB/s':>8}{'x obstore':>11}{'x boto3':>9}{'x bare':>8}{'x file':>8}"
        f"{'CPU s/GB':>10}{'- hashing':>11}"
    )
    for name in names:
        row = found[name]
        less = row["cpu"] - hashing * row["hashes"]
        print(
            f"  {name:<16}{size_bytes / row['s'] / 1e6:>8,.0f}{found['obstore']['s'] / row['s']:>11.2f}"
            f"{found['boto3']['s'] / row['s']:>9.2f}{found['bare']['s'] / row['s']:>8.2f}"
            f"{found['bare-file']['s'] / row['s']:>8.2f}"
            f"{row['cpu'] / gigabytes:>10.2f}{less / gigabytes:>11.2f}"
        )
    file.unlink()


def hashing_s(size_bytes: int) -> float:
    """CPU seconds for one SHA-256 over so much."""
    block, digest = os.urandom(MIB), hashlib.sha256()
    began = time.process_time()
    for _ in range(512):
        digest.update(block)
    return (time.process_time() - began) * size_bytes / (512 * MIB)


def timed(act: Callable[[], object], hashes: int) -> dict[str, float]:
    before, began = cpu_s(), time.perf_counter()
    act()
    return {"s": time.perf_counter() - began, "cpu": cpu_s() - before, "hashes": hashes}


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def ours(url: str, *, signed: bool, by_default: bool = False) -> Any:
    """`by_default`: with parts as large as a station has them unless told otherwise."""
    from ingestd.store.s3 import S3Store
    from ingestd.store.s3_abilities import Abilities
    from ingestd.store.s3_settings import S3Settings

    able = Abilities(
        conditional_put=True, conditional_complete=True, checksums=not signed, signed=signed, chunks=True
    )
    ca_file = os.environ["BENCH_CA"] if url.startswith("https") else None
    settings = S3Settings(name="harrow", bucket="tides", endpoint=url, ca_file=ca_file)
    if not by_default:
        settings = replace(settings, part_bytes=PART)
    return S3Store(settings, able)


def one_load(drive_folder: str, store: Any, **settings: Any) -> dict[str, float]:
    from ingestd.transfer.settings import TransferSettings
    from tests.support.byte_path import BytePath
    from tests.support.fake_drive import FakeDrive, survey
    from tests.support.fake_manifest import FakeManifest

    drive, manifest = FakeDrive(Path(drive_folder)), FakeManifest()
    survey(drive, manifest)
    drive.read = os.preadv  # type: ignore[method-assign, assignment]
    path = BytePath(Path("/tmp"), settings=TransferSettings(**settings))

    def go() -> None:
        ledger, faults = path.transfer(drive, store, manifest)
        assert not faults
        assert not ledger.pending_files

    return timed(go, 1)


def ours_signed(url: str, drive: str) -> dict[str, float]:
    held = one_load(drive, ours(url, signed=True), buffer_bytes=PART, buffers=8, senders=8)
    return held | {"hashes": 2}


def ours_unsigned(url: str, drive: str) -> dict[str, float]:
    return one_load(drive, ours(url, signed=False), buffer_bytes=PART, buffers=8, senders=8)


def ours_streamed(url: str, drive: str) -> dict[str, float]:
    streamed = one_load(drive, ours(url, signed=True), buffer_bytes=4 * MIB, buffers=16, senders=8)
    return streamed | {"hashes": 2}


def bare(url: str, drive: str) -> dict[str, float]:
    path = Path(drive) / "volume-1" / "dive.tar.age"
    size = path.stat().st_size

    def some(number: int) -> None:
        sock = connected(url)
        block, fd, digest = memoryview(bytearray(MIB)), os.open(path, os.O_RDONLY), hashlib.sha256()
        for start in range(number * PART, size, 8 * PART):
            length = min(PART, size - start)
            sock.sendall(f"PUT /b/k HTTP/1.1\r\nhost: x\r\ncontent-length: {length}\r\n\r\n".encode())
            for at in range(start, start + length, MIB):
                os.preadv(fd, [block], at)
                digest.update(block)
                sock.sendall(block)
            sock.recv(65536)

    def go() -> None:
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(some, range(8)))

    return timed(go, 1)


def bare_file(url: str, drive: str) -> dict[str, float]:
    path = Path(drive) / "volume-1" / "dive.tar.age"
    size, digest = path.stat().st_size, hashlib.sha256()
    spare, read = queue.SimpleQueue[memoryview](), queue.SimpleQueue[memoryview | None]()
    for _ in range(16):
        spare.put(memoryview(mmap.mmap(-1, PART)))

    def some() -> None:
        sock = connected(url)
        while (part := read.get()) is not None:
            sock.sendall(f"PUT /b/k HTTP/1.1\r\nhost: x\r\ncontent-length: {len(part)}\r\n\r\n".encode())
            sock.sendall(part)
            sock.recv(65536)
            spare.put(part)

    def go() -> None:
        senders = [threading.Thread(target=some) for _ in range(8)]
        for sender in senders:
            sender.start()
        fd = os.open(path, os.O_RDONLY)
        for start in range(0, size, PART):
            part = spare.get()
            for at in range(0, PART, MIB):
                os.preadv(fd, [part[at : at + MIB]], start + at)
                digest.update(part[at : at + MIB])
            read.put(part)
        for _ in senders:
            read.put(None)
        for sender in senders:
            sender.join()

    return timed(go, 1)


def connected(url: str) -> socket.socket:
    host, _, port = url.partition("://")[2].partition(":")
    sock = socket.create_connection((host, int(port)))
    if url.startswith("https"):
        context = ssl.create_default_context(cafile=os.environ["BENCH_CA"])
        return context.wrap_socket(sock, server_hostname=host)
    return sock


def obstore_store(url: str) -> Any:
    stores: Any = importlib.import_module("obstore.store")
    options: dict[str, Any] = {"allow_http": True}
    if url.startswith("https"):
        options = {"allow_invalid_certificates": True}
    return stores.S3Store("tides", endpoint=url, region="us-east-1", client_options=options)


def obstore_large(url: str, drive: str) -> dict[str, float]:
    obstore: Any = importlib.import_module("obstore")
    store, file = obstore_store(url), Path(drive) / "volume-1" / "dive.tar.age"
    put = obstore.put
    return timed(lambda: put(store, "dive", file, use_multipart=True, chunk_size=PART, max_concurrency=8), 0)


def boto3_client(url: str) -> Any:
    from botocore.config import Config

    boto3: Any = importlib.import_module("boto3")
    verify = os.environ["BENCH_CA"] if url.startswith("https") else None
    config = Config(max_pool_connections=16, retries={"total_max_attempts": 1})
    return boto3.client("s3", endpoint_url=url, config=config, verify=verify)


def boto3_large(url: str, drive: str) -> dict[str, float]:
    transfer: Any = importlib.import_module("boto3.s3.transfer")
    client = boto3_client(url)
    config = transfer.TransferConfig(multipart_chunksize=PART, max_concurrency=8, multipart_threshold=PART)
    file = f"{drive}/volume-1/dive.tar.age"
    return timed(lambda: client.upload_file(file, "tides", "dive", Config=config), 0)


# -- many small ones --------------------------------------------------------------------------------


def small(url: str, count: int, rounds: int) -> None:
    names = ["small-ours", "small-obstore", "small-boto3"]
    found = turns(names, url, str(count), rounds)
    print(f"\n{count:,} objects of 64 KiB from memory, {url.split(':')[0]}, median of {rounds}")
    print(f"  {'':<16}{'objects/s':>10}{'x obstore':>11}{'x boto3':>9}{'CPU s':>8}")
    for name in names:
        row = found[name]
        print(
            f"  {name:<16}{count / row['s']:>10,.0f}{found['small-obstore']['s'] / row['s']:>11.2f}"
            f"{found['small-boto3']['s'] / row['s']:>9.2f}{row['cpu']:>8.2f}"
        )


def small_ours(url: str, count: str) -> dict[str, float]:
    """In batches as the byte path makes them; the hashing of each object is included."""
    from ingestd.ports import SmallObject

    store, body = ours(url, signed=True), memoryview(os.urandom(SMALL))
    batches = [range(at, min(at + 256, int(count))) for at in range(0, int(count), 256)]

    def put(batch: range) -> None:
        objects = [SmallObject(b"tiles/%d" % n, body, hashlib.sha256(body).digest()) for n in batch]
        store.put_batch(objects, lambda size_bytes: None)

    def go() -> None:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(put, batches))

    return timed(go, 1)


def small_obstore(url: str, count: str) -> dict[str, float]:
    obstore: Any = importlib.import_module("obstore")
    store, body = obstore_store(url), os.urandom(SMALL)

    async def go() -> None:
        turn = asyncio.Semaphore(32)

        async def put(number: int) -> None:
            async with turn:
                await obstore.put_async(store, f"tiles/{number}", body)

        await asyncio.gather(*(put(number) for number in range(int(count))))

    return timed(lambda: asyncio.run(go()), 0)


def small_boto3(url: str, count: str) -> dict[str, float]:
    client, body = boto3_client(url), os.urandom(SMALL)

    def go() -> None:
        with ThreadPoolExecutor(8) as pool:
            list(
                pool.map(
                    lambda n: client.put_object(Bucket="tides", Key=f"tiles/{n}", Body=body),
                    range(int(count)),
                )
            )

    return timed(go, 0)


# -- memory ---------------------------------------------------------------------------------------


def memory(folder: Path, url: str) -> None:
    file = folder / "drive" / "volume-1" / "dive.tar.age"
    file.parent.mkdir(parents=True, exist_ok=True)
    print("\nlargest resident set: 16 loads at once, parts of 16 MiB, 16 buffers of 4 MiB, 16 senders")
    for size_mib in (64, 192):
        file.write_bytes(os.urandom(MIB) * size_mib)
        found = turns(["memory"], url, str(folder / "drive"), 1)["memory"]
        print(f"  files of {size_mib:>4} MiB: {found['kib'] / 1024:>7.1f} MiB")


def most_memory(url: str, drive_folder: str) -> dict[str, float]:
    from ingestd.core.model import LoadId
    from ingestd.transfer.settings import TransferSettings
    from tests.support.byte_path import BytePath
    from tests.support.fake_drive import FakeDrive, survey
    from tests.support.fake_manifest import FakeManifest

    store = ours(url, signed=True)
    path = BytePath(Path("/tmp"), settings=TransferSettings(buffer_bytes=4 * MIB, buffers=16, senders=16))

    def load(number: int) -> None:
        drive, manifest = FakeDrive(Path(drive_folder)), FakeManifest()
        survey(drive, manifest)
        drive.read = os.preadv  # type: ignore[method-assign, assignment]
        ledger, _ = path.transfer(drive, store, manifest, load_id=LoadId(f"load-{number}"))
        assert not ledger.pending_files

    threads = [threading.Thread(target=load, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open("/proc/self/status", encoding="ascii") as status:
        (peak,) = [line.split()[1] for line in status if line.startswith("VmHWM")]
    return {"kib": float(peak)}


CHILDREN: dict[str, Callable[[str, str], dict[str, float]]] = {
    "bare": bare,
    "bare-file": bare_file,
    "ours-signed": ours_signed,
    "ours-unsigned": ours_unsigned,
    "ours-streamed": ours_streamed,
    "obstore": obstore_large,
    "boto3": boto3_large,
    "small-ours": small_ours,
    "small-obstore": small_obstore,
    "small-boto3": small_boto3,
    "memory": most_memory,
}

if __name__ == "__main__":
    main()
