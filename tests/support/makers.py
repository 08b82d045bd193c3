"""Files of known nature, made by the programs that customers use: what the look into files is measured on.

A `Workshop` has a scratch folder and the keys; `KINDS` says what it can make. Content and sizes differ from
sample to sample, and are the same again for the same seed; keys and salts are not.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import shutil
import sqlite3
import struct
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

PASSWORD = "kelp"
_SECTOR_BYTES = 512
_TOOLS = ("gpg", "age", "openssl", "zip", "7z", "cryptsetup", "gzip", "xz", "zstd", "bzip2", "tar", "flac")
_TREES = ("/usr/share", "/usr/lib", "/usr/bin", "/etc")


class Nature(StrEnum):
    SEALED = "encrypted, with a header"
    BARE = "ciphertext without any header"
    CUT = "compressed, its header cut off"
    """Which nobody can tell from ciphertext by looking at it."""
    PLAIN = "not encrypted"


def missing() -> list[str]:
    """The programs that are needed and not here."""
    return [tool for tool in _TOOLS if shutil.which(tool) is None]


class Workshop:
    def __init__(self, folder: Path, seed: int = 1) -> None:
        self.folder = folder
        self.rng = random.Random(seed)
        self._words = [
            bytes(self.rng.choices(b"abcdefghilmnoprstu", k=n)) for n in range(2, 11) for _ in range(80)
        ]
        self._system = _system_files(self.rng)

    @property
    def content(self) -> Path:
        return self.folder / "content"

    @property
    def made(self) -> Path:
        return self.folder / "made"

    def run(self, *command: str | Path, into: Path | None = None) -> None:
        env = {**os.environ, "GNUPGHOME": str(self.folder / "gpg"), "LC_ALL": "C.UTF-8"}
        with contextlib.ExitStack() as stack:
            out = stack.enter_context(into.open("wb")) if into else subprocess.DEVNULL
            done = subprocess.run(
                command,
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.PIPE,
                cwd=self.folder,
                env=env,
                check=False,
            )
        assert done.returncode == 0, f"{command}: {done.stderr.decode(errors='replace')}"

    def prepare(self) -> None:
        """The keys, once."""
        (self.folder / "gpg").mkdir(mode=0o700)
        self.run("gpg", "--batch", "--passphrase", "", "--quick-gen-key", "lumen-dome", "default", "default")
        self.run("age-keygen", "-o", "age.key")
        lines = (self.folder / "age.key").read_text().splitlines()
        self.age_recipient = lines[1].removeprefix("# public key: ")
        self.run(
            "openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "cms.key",
            "-out", "cms.pem", "-subj", "/CN=lumen-dome", "-days", "2",
        )  # fmt: skip

    def close(self) -> None:
        self.run("gpgconf", "--kill", "all")

    # -- contents --

    def size(self, largest: int) -> int:
        """From 64 bytes to `largest`, each order of magnitude as often as another."""
        return int(math.exp(self.rng.uniform(math.log(64), math.log(largest))))

    def write_content(self, size_bytes: int) -> None:
        maker = self.rng.choice((self.prose, self.table, self.records, self.noise, self.blank))
        self.content.write_bytes(maker(size_bytes)[:size_bytes])

    def prose(self, size_bytes: int) -> bytes:
        return b" ".join(self.rng.choices(self._words, k=size_bytes // 3 + 1)).replace(b" to ", b".\n")

    def table(self, size_bytes: int) -> bytes:
        rng = self.rng
        rows = (b"%d,%.3f,north-%d\n" % (at, rng.gauss(90, 7), at % 7) for at in range(size_bytes // 14 + 1))
        return b"".join(rows)

    def records(self, size_bytes: int) -> bytes:
        rng = self.rng
        return b"".join(
            struct.pack("<IHhd", at, 512, rng.randrange(-900, 900), rng.random())
            for at in range(size_bytes // 16 + 1)
        )

    def noise(self, size_bytes: int) -> bytes:
        return self.rng.randbytes(size_bytes)

    def blank(self, size_bytes: int) -> bytes:
        return bytes(size_bytes)

    def system_file(self, largest: int) -> Path:
        """Some file of this machine that is not encrypted."""
        while True:
            path = self.rng.choice(self._system)
            if 0 < path.stat().st_size <= largest:
                return path


def _system_files(rng: random.Random) -> list[Path]:
    found: list[Path] = []
    for tree in _TREES:
        for folder, folders, names in os.walk(tree):
            folders.sort()
            paths = (Path(folder, name) for name in sorted(names))
            found += [path for path in paths if path.is_file() and not path.is_symlink()]
    return rng.sample(found, min(len(found), 5_000))


# -- what it makes ---------------------------------------------------------------------------------

Make = Callable[[Workshop], None]


@dataclass(frozen=True)
class Kind:
    name: str
    nature: Nature
    make: Make
    """From `content`, `made`."""


def _command(*words: str, into: bool = False) -> Make:
    """A program by its command line, with names for what it is given and what it is to make."""

    def make(shop: Workshop) -> None:
        names = {"IN": str(shop.content), "OUT": str(shop.made), "AGE": getattr(shop, "age_recipient", "")}
        command = [names.get(word, word) for word in words]
        shop.run(*command, into=shop.made if into else None)

    return make


def _gpg(*words: str) -> Make:
    quick = (
        "--batch",
        "--yes",
        "--pinentry-mode",
        "loopback",
        "--passphrase",
        PASSWORD,
        "--s2k-count",
        "1024",
    )
    return _command("gpg", *quick, "--trust-model", "always", *words, "-o", "OUT", "IN")


def _enc(*words: str) -> Make:
    key = ("-pbkdf2", "-iter", "1000", "-pass", f"pass:{PASSWORD}")
    return _command("openssl", "enc", *words, *key, "-in", "IN", "-out", "OUT")


def _tree(shop: Workshop) -> None:
    """A folder with several files, for archives."""
    shutil.rmtree(shop.folder / "tree", ignore_errors=True)
    (shop.folder / "tree/deep").mkdir(parents=True)
    whole = shop.content.read_bytes()
    for number in range(shop.rng.randint(1, 5)):
        part = whole[number * len(whole) // 5 :]
        (shop.folder / "tree" / ("deep" if number % 2 else ".") / f"transect-{number}").write_bytes(part)


def _archive(*words: str, into: bool = False) -> Make:
    make = _command(*words, into=into)

    def packed(shop: Workshop) -> None:
        _tree(shop)
        make(shop)

    return packed


def _luks(version: int) -> Make:
    """The header is cryptsetup's; the sectors are written here as the kernel would write them."""

    def make(shop: Workshop) -> None:
        body = shop.content.read_bytes()
        body += bytes(-len(body) % _SECTOR_BYTES)
        payload_at = (20 << 20) if version == 2 else (4096 * _SECTOR_BYTES)
        with shop.made.open("wb") as file:
            file.truncate(payload_at + max(len(body), 1 << 20))
        (shop.folder / "password").write_text(PASSWORD)
        options = [
            "--type",
            f"luks{version}",
            "--pbkdf-force-iterations",
            "1000",
            "--offset",
            str(payload_at // 512),
        ]
        options += ["--pbkdf", "pbkdf2"] if version == 2 else []
        shop.run("cryptsetup", "-q", "luksFormat", *options, shop.made, shop.folder / "password")
        key = os.urandom(64)
        with shop.made.open("r+b") as file:
            file.seek(payload_at)
            for number in range(len(body) // _SECTOR_BYTES):
                sector = body[number * _SECTOR_BYTES : (number + 1) * _SECTOR_BYTES]
                seal = Cipher(algorithms.AES(key), modes.XTS(number.to_bytes(16, "little"))).encryptor()
                file.write(seal.update(sector))

    return make


def _cut(*words: str, header_bytes: int) -> Make:
    make = _command(*words, into=True)

    def cut(shop: Workshop) -> None:
        make(shop)
        shop.made.write_bytes(shop.made.read_bytes()[header_bytes:])

    return cut


def _noise(shop: Workshop) -> None:
    shop.made.write_bytes(os.urandom(shop.content.stat().st_size))


def _text(shop: Workshop) -> None:
    maker = shop.rng.choice((shop.prose, shop.table))
    shop.made.write_bytes(maker(max(200, shop.content.stat().st_size)))


def _sqlite(shop: Workshop) -> None:
    base = sqlite3.connect(shop.made)
    with contextlib.closing(base), base:
        base.execute("CREATE TABLE dives (body BLOB)")
        base.execute("INSERT INTO dives VALUES (?)", (shop.content.read_bytes(),))


def _image(*words: str, mib: int) -> Make:
    make = _command(*words)

    def formatted(shop: Workshop) -> None:
        with shop.made.open("wb") as file:
            file.truncate(mib << 20)
        _tree(shop)
        make(shop)

    return formatted


def _flac(shop: Workshop) -> None:
    body = shop.content.read_bytes()
    shop.content.write_bytes(body + bytes(-len(body) % 4 + 4))
    _command(
        "flac", "-s", "-f", "--force-raw-format", "--endian=little", "--channels=2", "--bps=16",
        "--sample-rate=48000", "--sign=signed", "-o", "OUT", "IN",
    )(shop)  # fmt: skip


def _system(shop: Workshop) -> None:
    shutil.copyfile(shop.system_file(max(4096, shop.content.stat().st_size)), shop.made)


_CMS = ("openssl", "cms", "-binary", "-in", "IN", "-out", "OUT")
_SEAL = (*_CMS, "-encrypt", "-aes256")
_SIGN = (*_CMS, "-sign", "-nodetach", "-signer", "cms.pem", "-inkey", "cms.key")
_ZIP = ("zip", "-q", "-r")
_SEVEN = ("7z", "a", "-bd", "-y")
_AES = f"-p{PASSWORD}"

KINDS: tuple[Kind, ...] = (
    Kind("gpg, by password", Nature.SEALED, _gpg("-c")),
    Kind("gpg, by password, not compressed", Nature.SEALED, _gpg("-c", "--compress-algo", "none")),
    Kind("gpg, by password, armoured", Nature.SEALED, _gpg("-c", "-a")),
    Kind("gpg, to a key", Nature.SEALED, _gpg("-e", "-r", "lumen-dome")),
    Kind("gpg, to a key, signed, armoured", Nature.SEALED, _gpg("-e", "-a", "-s", "-r", "lumen-dome")),
    Kind("age", Nature.SEALED, _command("age", "-r", "AGE", "-o", "OUT", "IN")),
    Kind("age, armoured", Nature.SEALED, _command("age", "-a", "-r", "AGE", "-o", "OUT", "IN")),
    Kind("openssl enc, aes-256-cbc", Nature.SEALED, _enc("-aes-256-cbc")),
    Kind("openssl enc, chacha20", Nature.SEALED, _enc("-chacha20")),
    Kind("openssl enc, base64", Nature.SEALED, _enc("-aes-256-ctr", "-a")),
    Kind(
        "openssl cms, der",
        Nature.SEALED,
        _command(*_SEAL, "-outform", "DER", "cms.pem"),
    ),
    Kind(
        "openssl cms, der, streamed",
        Nature.SEALED,
        _command(*_SEAL, "-stream", "-outform", "DER", "cms.pem"),
    ),
    Kind(
        "openssl cms, pem",
        Nature.SEALED,
        _command(*_SEAL, "-outform", "PEM", "cms.pem"),
    ),
    Kind("zip -e", Nature.SEALED, _archive(*_ZIP, "-P", PASSWORD, "OUT", "tree")),
    Kind("7z, zip with AES", Nature.SEALED, _archive(*_SEVEN, "-tzip", "-mem=AES256", _AES, "OUT", "tree")),
    Kind("7z, with password", Nature.SEALED, _archive(*_SEVEN, "-t7z", _AES, "OUT", "tree")),
    Kind("7z, with password, names too", Nature.SEALED, _archive(*_SEVEN, "-mhe=on", _AES, "OUT", "tree")),
    Kind("luks1", Nature.SEALED, _luks(1)),
    Kind("luks2", Nature.SEALED, _luks(2)),
    Kind("openssl enc -nosalt", Nature.BARE, _enc("-aes-256-ctr", "-nosalt")),
    Kind("/dev/urandom", Nature.BARE, _noise),
    Kind("xz, raw", Nature.CUT, _command("xz", "-c", "--format=raw", "IN", into=True)),
    Kind("zstd, cut", Nature.CUT, _cut("zstd", "-q", "-c", "IN", header_bytes=14)),
    Kind("gzip", Nature.PLAIN, _command("gzip", "-c", "IN", into=True)),
    Kind("xz", Nature.PLAIN, _command("xz", "-1", "-c", "IN", into=True)),
    Kind("lzma", Nature.PLAIN, _command("xz", "-1", "-c", "--format=lzma", "IN", into=True)),
    Kind("zstd", Nature.PLAIN, _command("zstd", "-q", "-c", "IN", into=True)),
    Kind("bzip2", Nature.PLAIN, _command("bzip2", "-c", "IN", into=True)),
    Kind("tar", Nature.PLAIN, _archive("tar", "-cf", "OUT", "tree")),
    Kind("tar, posix", Nature.PLAIN, _archive("tar", "--format=posix", "-cf", "OUT", "tree")),
    Kind("tar.gz", Nature.PLAIN, _archive("tar", "-czf", "OUT", "tree")),
    Kind("zip", Nature.PLAIN, _archive(*_ZIP, "OUT", "tree")),
    Kind("zip, stored", Nature.PLAIN, _archive(*_ZIP, "-0", "OUT", "tree")),
    Kind("7z", Nature.PLAIN, _archive(*_SEVEN, "-t7z", "OUT", "tree")),
    Kind("7z, copied", Nature.PLAIN, _archive(*_SEVEN, "-t7z", "-mx=0", "OUT", "tree")),
    Kind("gpg, signed", Nature.PLAIN, _gpg("-s", "--passphrase", "")),
    Kind("gpg, packed", Nature.PLAIN, _gpg("--store")),
    Kind("openssl cms, signed", Nature.PLAIN, _command(*_SIGN, "-outform", "DER")),
    Kind("flac", Nature.PLAIN, _flac),
    Kind("text", Nature.PLAIN, _text),
    Kind("sqlite", Nature.PLAIN, _sqlite),
    Kind("ext4 image", Nature.PLAIN, _image("mkfs.ext4", "-q", "-F", "-d", "tree", "OUT", mib=16)),
    Kind("fat image", Nature.PLAIN, _image("mkfs.vfat", "OUT", mib=8)),
    Kind("files of this machine", Nature.PLAIN, _system),
)


def made(shop: Workshop, kind: Kind, largest: int) -> Iterator[Path]:
    """Samples of a kind, one after the other, in the same place."""
    while True:
        shop.write_content(shop.size(largest))
        for before in shop.folder.glob("made*"):
            before.unlink()
        kind.make(shop)
        (path,) = shop.folder.glob("made*")  # Archivers give it an ending.
        yield path
