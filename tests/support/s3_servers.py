"""Stores that speak S3, started by the tests that use them, on free ports of the loopback address.

- moto's server (https://github.com/getmoto/moto): in memory, for the breadth of cases.
- OpenStack Swift with its S3 layer (https://docs.openstack.org/swift): a real object store, with all of
  its servers and one replica. It is installed once, into a folder of its own below the user's cache.
"""

from __future__ import annotations

import atexit
import contextlib
import fcntl
import functools
import os
import pwd
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ingestd.store.s3 import S3Store
from ingestd.store.s3_abilities import Abilities
from ingestd.store.s3_client import Client, Request
from ingestd.store.s3_settings import S3Settings
from tests.support.ports import LOOPBACK, free_ports

START_S = 120.0
SWIFT = "swift>=2.38,<2.39"
SWIFT_DOMAIN = "objects.example"
"""Below which Swift takes buckets from the host."""


@dataclass(frozen=True)
class Server:
    """Where a store is, and with which keys it lets in."""

    url: str
    access_key: str
    secret_key: str
    folder: Path
    tls_url: str | None = None
    ca_file: str | None = None

    def settings(self, bucket: str, **changes: object) -> S3Settings:
        """For a bucket of this server; parts may be of any size."""
        plain = S3Settings(
            name="quay",
            station="quay-03",
            endpoint=self.url,
            bucket=bucket,
            credentials_file=str(self._credentials()),
            dead_after_s=-60.0,
            part_bytes_min=1,
            timeout_s=20.0,
        )
        return replace(plain, **changes)  # type: ignore[arg-type]

    def _credentials(self) -> Path:
        path = self.folder / "credentials"
        if not path.exists():
            keys = {"aws_access_key_id": self.access_key, "aws_secret_access_key": self.secret_key}
            path.write_text("[default]\n" + "".join(f"{name} = {key}\n" for name, key in keys.items()))
        return path

    def bucket(self, name: str) -> None:
        """Make a bucket; one that is there is fine."""
        settings = self.settings(name)
        answer = Client(settings, self.url).ask(Request(method="PUT"))
        assert answer.status in (200, 409), answer


def open_store(server: Server, bucket: str, **changes: object) -> S3Store:
    """As a process opens it that knows nothing of it."""
    return S3Store(server.settings(bucket, **changes))


@functools.cache
def _abilities(server: Server) -> Abilities:
    return open_store(server, "tides").abilities


def open_known(server: Server, **changes: object) -> S3Store:
    """The bucket `tides`; what the server can do was found out before."""
    return S3Store(server.settings("tides", **changes), _abilities(server))


@contextlib.contextmanager
def running(
    commands: Sequence[Sequence[str]], ports: Sequence[int], folder: Path, env: Mapping[str, str] = {}
) -> Iterator[None]:
    """Programs that serve these ports, ended at the end; their output goes into the folder."""
    children: list[subprocess.Popen[bytes]] = []
    try:
        for number, command in enumerate(commands):
            with (folder / f"server-{number}.log").open("wb") as log:
                children.append(
                    subprocess.Popen(command, stdout=log, stderr=log, cwd=folder, env={**os.environ, **env})
                )
        _wait(lambda: all(map(_listens, ports)), lambda: any(c.poll() is not None for c in children), folder)
        yield
    finally:
        for child in children:
            child.terminate()
        for child in children:
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(5)
            child.kill()
            child.wait()


def _listens(port: int) -> bool:
    with socket.socket() as sock:
        return sock.connect_ex((LOOPBACK, port)) == 0


def _wait(done: Callable[[], bool], broken: Callable[[], bool], folder: Path) -> None:
    until = time.monotonic() + START_S
    while not done():
        if broken() or time.monotonic() > until:
            said = "\n".join(log.read_text()[-2000:] for log in sorted(folder.glob("*.log")))
            raise AssertionError(f"a store did not start:\n{said}")
        time.sleep(0.05)


# -- moto -----------------------------------------------------------------------------------------


@contextlib.contextmanager
def moto(folder: Path) -> Iterator[Server]:
    (port,) = free_ports(1)
    command = [sys.executable, "-m", "moto.server", "-H", LOOPBACK, "-p", str(port)]
    with running([command], [port], folder, {"S3_UPLOAD_PART_MIN_SIZE": "1"}):
        yield Server(f"http://{LOOPBACK}:{port}", "moto", "moto-secret", folder)


# -- Swift ----------------------------------------------------------------------------------------

_KEYS = ("harrow:uploader", "harrow-secret-0123456789")
_BACKENDS = ("account", "container", "object")
_ORDER = "s3api tempauth copy slo dlo symlink proxy-server"
_FILTERS = ("catch_errors", "gatekeeper", "healthcheck", "listing_formats", "copy", "slo", "dlo", "symlink")
_COMMON = """\
[DEFAULT]
bind_ip = 127.0.0.1
bind_port = {port}
workers = 0
user = {user}
swift_dir = {folder}
"""
_BACKEND = """
devices = {folder}/devices
mount_check = false
disable_fallocate = true
fallocate_reserve = 0

[pipeline:main]
pipeline = {kind}-server

[app:{kind}-server]
use = egg:swift#{kind}
"""
_PROXY = """
[pipeline:main]
pipeline = catch_errors gatekeeper healthcheck listing_formats {order}

[app:proxy-server]
use = egg:swift#proxy
account_autocreate = true

[filter:s3api]
use = egg:swift#s3api
location = us-east-1
storage_domain = {domain}
min_segment_size = 1

[filter:tempauth]
use = egg:swift#tempauth
user_harrow_uploader = {secret} .admin
""" + "".join(f"\n[filter:{name}]\nuse = egg:swift#{name}\n" for name in _FILTERS)
_RINGS = """
import sys
from swift.common.ring import RingBuilder
for word in sys.argv[2:]:
    kind, port = word.split(":")
    builder = RingBuilder(4, 1, 1)
    where = dict(ip="127.0.0.1", port=int(port), replication_ip="127.0.0.1", replication_port=int(port))
    builder.add_dev(dict(id=0, region=1, zone=1, device="d1", weight=1, **where))
    builder.rebalance()
    builder.get_ring().save(sys.argv[1] + "/" + kind + ".ring.gz")
"""


@contextlib.contextmanager
def swift(folder: Path) -> Iterator[Server]:
    programs = _swift_programs()
    first, tls, *backends = free_ports(2 + len(_BACKENDS))
    cert, key = certificate(folder)
    user = pwd.getpwuid(os.getuid()).pw_name
    proxy = _COMMON + _PROXY

    def write(name: str, template: str, **values: object) -> str:
        path = folder / f"{name}.conf"
        common = {"folder": folder, "user": user, "secret": _KEYS[1], "order": _ORDER, "domain": SWIFT_DOMAIN}
        path.write_text(template.format(**common, **values))
        return str(path)

    write("swift", "[swift-hash]\nswift_hash_path_prefix = quay\nswift_hash_path_suffix = quay\n")
    (folder / "devices" / "d1").mkdir(parents=True)
    commands = [
        [str(programs / f"swift-{kind}-server"), write(kind, _COMMON + _BACKEND, port=port, kind=kind)]
        for kind, port in zip(_BACKENDS, backends, strict=True)
    ]
    with_tls = _COMMON + f"cert_file = {cert}\nkey_file = {key}\n" + _PROXY
    for name, port, text in (("proxy", first, proxy), ("proxy-tls", tls, with_tls)):
        commands.append([str(programs / "swift-proxy-server"), write(name, text, port=port)])
    rings = [f"{kind}:{port}" for kind, port in zip(_BACKENDS, backends, strict=True)]
    subprocess.run([programs / "python", "-c", _RINGS, folder, *rings], check=True)
    with running(commands, [first, tls, *backends], folder):
        yield Server(
            f"http://{LOOPBACK}:{first}",
            *_KEYS,
            folder=folder,
            tls_url=f"https://{LOOPBACK}:{tls}",
            ca_file=str(cert),
        )


def _swift_programs() -> Path:
    """The folder of its programs, after it was installed if need be: that takes about two minutes."""
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "ingestd-tests"
    venv = cache / SWIFT.translate(str.maketrans("<>=,", "----"))
    cache.mkdir(parents=True, exist_ok=True)
    with (cache / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (venv / "complete").exists():
            shutil.rmtree(venv, ignore_errors=True)
            subprocess.run([sys.executable, "-m", "venv", venv], check=True)
            subprocess.run([venv / "bin" / "pip", "install", "--quiet", SWIFT], check=True)
            (venv / "complete").touch()
    return venv / "bin"


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate of the loopback address that vouches for itself, and its key."""
    cert, key = folder / "cert.pem", folder / "key.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"),
            *("-days", "30", "-subj", "/CN=quay-03", "-addext", f"subjectAltName=IP:{LOOPBACK}"),
            *("-keyout", key, "-out", cert),
        ],
        check=True,
        capture_output=True,
    )
    return cert, key


# -- for a whole run of the tests -------------------------------------------------------------------

_KINDS = {"moto": moto, "swift": swift}
_running = contextlib.ExitStack()
atexit.register(_running.close)


@functools.cache
def shared(kind: str) -> Server:
    """One server of this kind for all tests of this process, with the bucket `tides` in it."""
    folder = Path(_running.enter_context(tempfile.TemporaryDirectory(prefix=f"ingestd-{kind}-")))
    server = _running.enter_context(_KINDS[kind](folder))
    server.bucket("tides")
    return server
