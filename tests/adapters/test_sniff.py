"""The look into files: encrypted by structure, plain by structure, and what is left to statistics."""

from __future__ import annotations

import base64
import bz2
import errno
import gzip
import io
import lzma
import os
import random
import shutil
import sqlite3
import struct
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from ingestd.content import openpgp, plain, sniff
from ingestd.content.sample import HeadContent
from ingestd.core.found import Secrecy
from ingestd.ports import Cancelled
from tests.support import sealed
from tests.support.drives import Going, StoppedAfter
from tests.support.looking import looked_at
from tests.support.sealed import noise, prose
from tests.support.sealed_samples import GPG_ENCRYPTED, GPG_PLAIN, SEVEN_ZIPS, ZIPS

Look = Callable[..., tuple[Secrecy, str]]
PROVEN, PLAIN, RANDOM_LIKE, UNKNOWN = Secrecy.PROVEN, Secrecy.PLAIN, Secrecy.RANDOM_LIKE, Secrecy.UNKNOWN
RANDOM = noise(200_000)


@pytest.fixture
def look(tmp_path: Path) -> Look:
    def at(body: bytes, name: bytes = b"archive") -> tuple[Secrecy, str]:
        return looked_at(tmp_path / "looked at", body, name)

    return at


def openssl(body: bytes, *options: str) -> bytes:
    program = shutil.which("openssl")
    assert program is not None, "openssl is part of every Debian"
    command = [program, "enc", "-aes-256-cbc", "-pbkdf2", "-iter", "1000", "-pass", "pass:kelp", *options]
    return subprocess.run(command, input=body, capture_output=True, check=True).stdout


# -- encrypted ------------------------------------------------------------------------------------

KEYED = sealed.PKESK + sealed.SKESK

ENCRYPTED: dict[str, tuple[bytes, str]] = {
    **{f"gpg {name}": (body, "openpgp") for name, body in GPG_ENCRYPTED.items() if name != "asc"},
    "gpg asc": (GPG_ENCRYPTED["asc"], "openpgp, armoured"),
    "to a key": (sealed.PKESK + sealed.seipd(RANDOM), "openpgp"),
    "to a version 6 key": (sealed.PKESK_V6 + sealed.seipd2(RANDOM), "openpgp"),
    "by password": (sealed.SKESK + sealed.seipd(RANDOM), "openpgp"),
    "by password, version 6": (sealed.SKESK_V6 + sealed.seipd2(RANDOM), "openpgp"),
    "to many": (b"".join(map(sealed.pkesk, range(200))) + sealed.seipd(RANDOM), "openpgp"),
    "marker first": (sealed.packet(10, b"PGP") + KEYED + sealed.seipd(RANDOM), "openpgp"),
    "no keys": (sealed.seipd(RANDOM), "openpgp"),
    "legacy data": (sealed.SKESK + sealed.packet(9, RANDOM, old=True), "openpgp"),
    "legacy data without end": (sealed.SKESK + b"\xa7" + RANDOM, "openpgp"),
    "aead data": (sealed.SKESK + sealed.packet(20, b"\x01\x09\x02\x10" + RANDOM), "openpgp"),
    "small": (sealed.SKESK + sealed.seipd(noise(40)), "openpgp"),
    "parts of 8 KiB": (KEYED + sealed.seipd(RANDOM, part_bytes=8192), "openpgp"),
    "parts of 512": (KEYED + sealed.seipd(noise(700_000), part_bytes=512), "openpgp"),
    "armoured": (sealed.pgp_armour(KEYED + sealed.seipd(RANDOM)), "openpgp, armoured"),
    "armoured, small": (
        sealed.pgp_armour(KEYED + sealed.seipd(noise(99)), b"Comment: quay-03\n"),
        "openpgp, armoured",
    ),
    "armoured, CRLF": (
        sealed.pgp_armour(KEYED + sealed.seipd(RANDOM)).replace(b"\n", b"\r\n"),
        "openpgp, armoured",
    ),
    "age": (sealed.age(RANDOM), "age"),
    "age, small": (sealed.age(noise(33)), "age"),
    "age to 500": (sealed.age(RANDOM, recipients=500), "age"),
    "age, armoured": (sealed.age_armour(sealed.age(RANDOM)), "age, armoured"),
    "luks1": (sealed.luks1(RANDOM), "luks1"),
    "luks2": (sealed.luks2(RANDOM), "luks2"),
    "luks2, keys before it": (sealed.luks2(RANDOM, room=noise(20_000)), "luks2"),
    "luks2, hardly written": (sealed.luks2(bytes(90_112) + noise(8192) + bytes(8192)), "luks2"),
    "zip": (ZIPS["enc"], "zip (PKWARE encryption)"),
    "zip aes": (
        sealed.Zip().add(b"a", RANDOM, encrypted=True, aes=True).built(comment=b"quay-03"),
        "zip (AES)",
    ),
    "zip64": (
        sealed.Zip().add(b"a", noise(99), encrypted=True, aes=True, wide=True).built(wide=True),
        "zip (AES)",
    ),
    "zip with a folder and an empty file": (
        sealed.Zip()
        .add(b"dives/", b"", encrypted=False)
        .add(b"empty", b"", encrypted=False)
        .add(b"dives/a", RANDOM, encrypted=True, streamed=True)
        .built(),
        "zip (PKWARE encryption)",
    ),
    "7z": (SEVEN_ZIPS["aes"], "7z (AES-256)"),
    "7z, names too": (SEVEN_ZIPS["aes-he"], "7z with an encrypted header (AES-256)"),
    "7z, plain header": (sealed.sevenzip(RANDOM, [sealed.AES, sealed.AES]), "7z (AES-256)"),
}


@pytest.mark.parametrize("case", ENCRYPTED)
def test_encrypted(look: Look, case: str) -> None:
    body, kind = ENCRYPTED[case]
    assert look(body) == (PROVEN, kind)
    assert sniff.look_head(body[: 64 << 10]) is None
    assert sniff.look_head(body, whole=True) is None


def test_openssl_enc(look: Look) -> None:
    assert look(openssl(RANDOM)) == (PROVEN, "openssl enc")
    assert look(openssl(prose(100_000))) == (PROVEN, "openssl enc")
    assert look(openssl(RANDOM, "-a")) == (PROVEN, "openssl enc, armoured")
    assert look(openssl(RANDOM, "-a", "-A")) == (PROVEN, "openssl enc, armoured")
    assert look(openssl(b"kelp")) == (UNKNOWN, "openssl enc header, too small to tell")
    assert look(openssl(b"kelp" * 100, "-a")) == (UNKNOWN, "openssl enc, armoured header, too small to tell")


def test_every_window_of_a_long_payload_is_looked_at(look: Look) -> None:
    body = bytearray(sealed.SKESK + sealed.seipd(noise(16 << 20)))
    assert look(bytes(body)) == (PROVEN, "openpgp")
    body[-(1 << 19) :] = prose(1 << 19)
    assert look(bytes(body))[0] is PLAIN


# -- what only claims to be encrypted -------------------------------------------------------------

LIARS = {
    "openpgp": KEYED + sealed.seipd(prose(100_000)),
    "openpgp, gzip inside": KEYED + sealed.seipd(gzip.compress(RANDOM.hex().encode() * 3)),
    "openpgp, in parts": KEYED + sealed.seipd(prose(100_000), part_bytes=512),
    "openpgp, half of it": KEYED + sealed.seipd(noise(50_000) + prose(50_000)),
    "openpgp, armoured": sealed.pgp_armour(KEYED + sealed.seipd(prose(100_000))),
    "age": sealed.age(prose(100_000)),
    "age, armoured": sealed.age_armour(sealed.age(prose(100_000))),
    "luks1": sealed.luks1(prose(100_000)),
    "luks2": sealed.luks2(prose(100_000)),
    "zip": sealed.Zip().add(b"a", prose(100_000), encrypted=True, aes=True).built(),
    "7z": sealed.sevenzip(prose(100_000), [sealed.AES]),
}


@pytest.mark.parametrize("case", LIARS)
def test_a_header_over_plain_content_is_noticed(look: Look, case: str) -> None:
    secrecy, kind = look(LIARS[case])
    assert secrecy is PLAIN
    assert "header over plain content (chi-square " in kind


@pytest.mark.parametrize("cipher", ["cipher_null-ecb", "null"])
def test_a_null_cipher_is_no_encryption(look: Look, cipher: str) -> None:
    assert look(sealed.luks2(RANDOM, cipher)) == (PLAIN, "luks2 container with a null cipher")
    assert look(sealed.luks1(RANDOM, cipher.encode())) == (PLAIN, "luks1 container with a null cipher")


WHOLE_LENGTH = sealed.SKESK + sealed.seipd(RANDOM)
LUKS2 = sealed.luks2(RANDOM)

BROKEN = {
    "openpgp, cut short": WHOLE_LENGTH[:-1],
    "openpgp, something behind": WHOLE_LENGTH + b"x",
    "openpgp in parts, cut short": (KEYED + sealed.seipd(RANDOM, part_bytes=1 << 16))[:-1],
    "openpgp, first part too small": KEYED + sealed.seipd(noise(70_000), part_bytes=256),
    "openpgp, no such cipher": sealed.packet(3, b"\x04\x63\x03\x08" + noise(9)) + sealed.seipd(RANDOM),
    "openpgp, no such version": sealed.SKESK + sealed.packet(18, b"\x07" + RANDOM),
    "openpgp, keys only": sealed.PKESK * 400,
    "a tag and no end": b"\xa7" + RANDOM,
    "age, no mac": sealed.age(RANDOM).replace(b"--- ", b"--* "),
    "age, nothing behind": sealed.age(b"\0" * 31),
    "luks2, checksum wrong": LUKS2[:16] + b"\x01" + LUKS2[17:],
    "luks2, no json": sealed.luks2(RANDOM, area=b"{"),
    "luks2, nested too deep": sealed.luks2(RANDOM, area=b"[" * 12_000),
    "luks2, other json": sealed.luks2(RANDOM, area=b"[1]"),
    "luks2, no segments": sealed.luks2(RANDOM, area=b'{"segments": {}}'),
    "luks1, payload elsewhere": sealed.luks1(RANDOM, sectors=2),
    "luks 7": b"LUKS\xba\xbe\0\x07" + RANDOM,
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_structure_proves_nothing(look: Look, case: str) -> None:
    assert look(BROKEN[case])[0] in (UNKNOWN, RANDOM_LIKE)


# -- plain ----------------------------------------------------------------------------------------


def tarred(format: int) -> bytes:
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=format) as archive:
        member = tarfile.TarInfo("dives/line-01.bin.gpg")
        member.size = len(RANDOM)
        archive.addfile(member, io.BytesIO(RANDOM))
    return made.getvalue()


def zipped(method: int) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", method) as archive:
        archive.writestr("dives/", b"")
        archive.writestr("dives/line-01.bin", RANDOM)
    return made.getvalue()


def streamed_zip() -> bytes:
    class Unseekable(io.BytesIO):
        def seekable(self) -> bool:
            return False

        def tell(self) -> int:
            raise OSError("not seekable")

    made = Unseekable()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("dives/line-01.bin", prose(2000))
    return made.getvalue()


def database() -> bytes:
    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE TABLE dives (line INTEGER)")
    body = connection.serialize()
    connection.close()
    return body


def superblock() -> bytes:
    block = bytearray(200_000)
    struct.pack_into("<8I", block, 1024, 1024, 4096, 200, 3000, 1000, 1, 0, 0)
    struct.pack_into("<3H", block, 1024 + 56, 0xEF53, 1, 1)
    struct.pack_into("<I", block, 1024 + 76, 1)
    return bytes(block)


JPEG = b"\xff\xd8\xff\xe0\0\x10JFIF\0\x01\x01\0\0\x01\0\x01\0\0\xff\xdb" + RANDOM
PLAINS: dict[str, bytes] = {
    "gzip": gzip.compress(RANDOM),
    "bzip2": bz2.compress(RANDOM),
    "xz": lzma.compress(RANDOM),
    "zstd": b"\x28\xb5\x2f\xfd" + RANDOM,
    "lz4": b"\x04\x22\x4d\x18\x64\x40\xa7" + RANDOM,
    "tar": tarred(tarfile.PAX_FORMAT),
    "png": b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + RANDOM,
    "jpeg": JPEG,
    "gif": b"GIF89a" + RANDOM,
    "tiff": b"II*\0\x08\0\0\0" + RANDOM,
    "sqlite": database(),
    "flac": b"fLaC\0\0\0\x22" + RANDOM,
    "riff": b"RIFF" + struct.pack("<I", len(RANDOM)) + b"WAVEfmt " + RANDOM,
    "matroska": b"\x1a\x45\xdf\xa3\x9fB\x86\x81\x01" + RANDOM,
    "mp4": b"\0\0\0\x20ftypisom\0\0\x02\0" + RANDOM,
    "elf": Path(os.path.realpath(sys.executable)).read_bytes()[:200_000],
    "squashfs": b"hsqs" + RANDOM,
    "hdf5": b"\x89HDF\r\n\x1a\n" + RANDOM,
    "iso 9660 image": bytes(32_768) + b"\x01CD001\x01\0" + RANDOM,
    "ext image": superblock(),
    "fat image": bytes(82) + b"FAT32   " + RANDOM,
    "lzma": lzma.compress(RANDOM, format=lzma.FORMAT_ALONE),
    "lzop": b"\x89LZO\0\r\n\x1a\n" + RANDOM,
    "snappy": b"\xff\x06\0\0sNaPpY" + RANDOM,
    "cabinet": b"MSCF\0\0\0\0" + RANDOM,
    "windows image": b"MSWIM\0\0\0" + RANDOM,
    "git pack": b"PACK\0\0\0\x02" + RANDOM,
    "java module": b"JM\x01\0PK\x03\x04" + RANDOM,
    "jpeg xl": b"\0\0\0\x0cJXL \r\n\x87\n" + RANDOM,
    "font": b"wOF2\0\x01\0\0" + RANDOM,
    "mp3": b"ID3\x03\0\0\0\0\x01\0" + bytes(128) + b"\xff\xfb" + RANDOM,
}


@pytest.mark.parametrize("kind", PLAINS)
def test_plain_by_its_first_bytes(look: Look, kind: str) -> None:
    assert look(PLAINS[kind], b"archive.gpg") == (PLAIN, kind)
    assert sniff.look_head(PLAINS[kind][: 64 << 10]) == (PLAIN, kind)


NOT_QUITE = {
    "gzip, reserved flag": b"\x1f\x8b\x08\x80" + RANDOM,
    "tar, checksum wrong": tarred(tarfile.GNU_FORMAT).replace(b"dives", b"dive5", 1),
    "jpeg, no segment": b"\xff\xd8\xff\x01" + RANDOM,
    "bzip2, no block": b"BZh9" + RANDOM,
    "riff, something else": b"RIFF" + RANDOM,
    "mp4, huge box": b"\x7f\xff\xff\xfeftyp" + RANDOM,
    "mbr, wild table": noise(510, 3) + b"\x55\xaa" + RANDOM,
    "lzma, odd dictionary": b"\x5d\x01\0\x80\0" + b"\xff" * 8 + b"\0" + RANDOM,
    "lzma, wild size": b"\x5d\0\0\x80\0" + b"\x7f" * 8 + b"\0" + RANDOM,
    "mp3, nothing behind the tag": b"ID3\x03\0\0\0\0\x01\0" + noise(200, 5) + RANDOM,
    "mp3, length in eight bits": b"ID3\x03\0\0\0\0\xff\0" + RANDOM,
    "ext, magic only": noise(1080, 4) + b"\x53\xef" + RANDOM,
}


@pytest.mark.parametrize("case", NOT_QUITE)
def test_magic_without_its_structure_is_not_enough(look: Look, case: str) -> None:
    assert look(NOT_QUITE[case])[0] is not PLAIN
    assert sniff.look_head(NOT_QUITE[case][: 64 << 10]) is None


def test_tar_of_each_make(look: Look) -> None:
    for made in (tarfile.USTAR_FORMAT, tarfile.GNU_FORMAT, tarfile.PAX_FORMAT):
        assert look(tarred(made)) == (PLAIN, "tar")


@pytest.mark.parametrize("case", GPG_PLAIN)
def test_openpgp_that_is_not_encrypted(look: Look, case: str) -> None:
    expected = "openpgp signed message" if case == "clear" else "openpgp message that is not encrypted"
    assert look(GPG_PLAIN[case], b"archive.gpg") == (PLAIN, expected)
    assert sniff.look_head(GPG_PLAIN[case], whole=True) == (PLAIN, expected)


def test_openpgp_in_parts_that_is_not_encrypted(look: Look) -> None:
    literal = b"b\x05a.tar\0\0\0\0"
    assert look(sealed.packet(11, literal + prose(90_000), part_bytes=8192))[0] is PLAIN
    # Of random content, this is no more than a few octets of structure.
    assert look(sealed.packet(11, literal + RANDOM, part_bytes=8192))[0] is RANDOM_LIKE


@pytest.mark.parametrize("made", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA])
def test_plain_zips(look: Look, made: int) -> None:
    expected = (PLAIN, "zip archive with an entry that is not encrypted")
    assert look(zipped(made)) == expected
    assert sniff.look_head(zipped(made)[: 64 << 10]) == expected


def test_one_plain_entry_among_ten_thousand(look: Look) -> None:
    expected = (PLAIN, "zip archive with an entry that is not encrypted")
    archive = sealed.Zip()
    for number in range(10_000):
        archive.add(b"%d" % number, noise(20, number), encrypted=number != 9_999)
    assert look(archive.built()) == expected
    assert look(ZIPS["mixed"]) == expected
    assert look(ZIPS["plain"]) == expected
    assert look(streamed_zip()) == expected
    assert sniff.look_head(streamed_zip()) == expected


def test_zips_that_cannot_be_told(look: Look) -> None:
    whole = sealed.Zip().add(b"a", RANDOM, encrypted=True).built()
    for body in (whole[:-1], whole[:-30], whole + b"behind", whole.replace(b"PK\1\2", b"PK\1\3")):
        assert look(body) == (UNKNOWN, "zip archive whose directory cannot be read")
    assert look(sealed.Zip().built()) == (UNKNOWN, "zip archive without entries")
    empty = sealed.Zip().add(b"a/", b"", encrypted=False).built()
    assert look(empty) == (UNKNOWN, "zip archive without content")


def test_seven_zips_that_are_not_encrypted(look: Look) -> None:
    expected = (PLAIN, "7z archive with content that is not encrypted")
    assert look(SEVEN_ZIPS["plain"]) == expected
    assert look(SEVEN_ZIPS["mixed"]) == expected
    assert look(sealed.sevenzip(RANDOM, [sealed.AES, sealed.COPY])) == expected


def test_seven_zips_that_cannot_be_told(look: Look) -> None:
    assert look(SEVEN_ZIPS["empty-files"]) == (UNKNOWN, "7z archive without content")
    assert look(sealed.sevenzip(b"", [])) == (UNKNOWN, "7z archive without content")
    for whole in (SEVEN_ZIPS["aes"], sealed.sevenzip(noise(50), [sealed.AES])):
        for at in range(6, len(whole)):
            damaged = whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :]
            assert look(damaged)[0] is not PLAIN
        for length in range(6, len(whole)):
            assert look(whole[:length])[0] is UNKNOWN


@pytest.mark.parametrize("image", [sealed.mbr_image, sealed.gpt_image])
def test_disk_images(look: Look, image: Callable[..., bytes]) -> None:
    secrecy, kind = look(image(3 << 20, content=prose(5000)))
    assert secrecy is PLAIN
    assert kind.endswith("disk image")
    for content in (b"LUKS\xba\xbe\0\2", b"\xeb\x58\x90-FVE-FS-"):
        secrecy, kind = look(image(3 << 20, content=content))
        assert secrecy is UNKNOWN
        assert kind.endswith("disk image with an encrypted partition")


def test_pdf(look: Look) -> None:
    body = b"%PDF-1.7\n" + RANDOM
    assert look(body + b"trailer << /Root 1 0 R >>\n%%EOF\n") == (PLAIN, "pdf")
    assert look(body + b"trailer << /Encrypt 5 0 R >>\n%%EOF\n") == (UNKNOWN, "pdf that says it is encrypted")
    assert sniff.look_head(body) is None
    assert sniff.look_head(body, whole=True) == (PLAIN, "pdf")
    assert sniff.look_head(body + b"/Encrypt", whole=True) is None


@pytest.mark.parametrize(
    "magic", [b"Rar!\x1a\x07\x01\0", b"\xeb\x58\x90-FVE-FS-", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"]
)
def test_formats_that_may_be_either(look: Look, magic: bytes) -> None:
    secrecy, kind = look(magic + RANDOM)
    assert secrecy is UNKNOWN
    assert kind.endswith("which may be encrypted or not")
    assert sniff.look_head(magic + RANDOM) is None


# -- text -----------------------------------------------------------------------------------------

TEXTS = {
    "english": prose(5000),
    "short": b"For Harrow Quay, drive 2 of 3.\n",
    "umlauts": "Für den Kai: Größe, Maße, Übergabe.\n".encode() * 40,
    "umlauts, long": "Für den Kai: Größe, Maße, Übergabe.\n".encode() * 60_000,
    "latin-1": ("Line 04 runs along the slope; Größe 7.\n" * 40).encode("latin-1"),
    "csv": b"line;depth_m;bottom\n04;17.5;kelp\n05;18.25;sand\n" * 100,
    "sequence": b"ACGTTGCAAGGT" * 1000,
    "python": Path(__file__).read_bytes(),
}


@pytest.mark.parametrize("case", TEXTS)
def test_text_is_plain(look: Look, case: str) -> None:
    assert look(TEXTS[case]) == (PLAIN, "text")
    assert sniff.look_head(TEXTS[case], whole=True) == (PLAIN, "text")
    assert sniff.look_head(TEXTS[case]) is None, "what follows need not be text"


def test_utf16_is_plain(look: Look) -> None:
    for codec in ("utf-16-le", "utf-16-be"):
        assert look(("\ufeff" + prose(3000).decode()).encode(codec)) == (PLAIN, "text (utf-16)")


@pytest.mark.parametrize(
    "encoded",
    [
        base64.encodebytes(RANDOM),
        base64.b64encode(RANDOM),
        base64.b32encode(RANDOM),
        base64.b85encode(RANDOM),
        RANDOM.hex().encode(),
        b"-----BEGIN CMS-----\n" + base64.encodebytes(RANDOM) + b"-----END CMS-----\n",
        b"-----BEGIN CMS-----\n" + base64.encodebytes(noise(900)) + b"-----END CMS-----\n",
    ],
    ids=["base64", "base64, one line", "base32", "base85", "hex", "cms", "cms, small"],
)
def test_text_that_stands_for_random_bytes_is_not_called_plain(look: Look, encoded: bytes) -> None:
    assert look(encoded) == (UNKNOWN, "text that encodes something indistinguishable from random")
    assert sniff.look_head(encoded, whole=True) is None


def test_text_before_something_else_is_not_text(look: Look) -> None:
    assert look(prose(1 << 20) + noise(2 << 20))[0] is UNKNOWN
    assert look(noise(2 << 20) + prose(1 << 20))[0] is UNKNOWN


# -- statistics -----------------------------------------------------------------------------------


def test_random_bytes_are_never_called_encrypted(look: Look) -> None:
    assert look(noise(64 << 10)) == (RANDOM_LIKE, "indistinguishable from random")
    assert look(noise(3 << 20)) == (RANDOM_LIKE, "indistinguishable from random")
    assert look(noise(70_000), b"dives/Archive.GPG") == (
        RANDOM_LIKE,
        "indistinguishable from random, named .gpg without being that",
    )


def test_the_figures_are_given(look: Look) -> None:
    secrecy, kind = look(bytes(range(256)) * 400)
    assert secrecy is UNKNOWN
    assert kind == "no known structure, chi-square 0 in sample 1, random is 161 to 377"
    secrecy, kind = look(noise(4 << 20) + b"\0" * (1 << 20))
    assert secrecy is UNKNOWN
    assert "in sample 5" in kind


def test_too_small_to_tell(look: Look) -> None:
    for length in (1, 16, 1000, (64 << 10) - 1):
        assert look(noise(length)) == (UNKNOWN, "too small to tell")
    assert look(b"") == (UNKNOWN, "empty")


def test_no_two_bytes_at_the_start_make_random_bytes_plain_or_proven() -> None:
    """Two bytes are what chance gives one file in 65,536."""
    tail = noise(2048, 9)
    for first in range(65_536):
        head = struct.pack(">H", first) + tail
        content = HeadContent(head, len(head))
        assert plain.plain_kind(head) is None
        assert openpgp.structure(content) is None


SMALL = {
    **GPG_ENCRYPTED,
    **GPG_PLAIN,
    **ZIPS,
    **SEVEN_ZIPS,
    "age": sealed.age(noise(40)),
    "luks": LUKS2[:20_000],
}


@pytest.mark.parametrize("case", SMALL)
def test_damaged_files_get_a_verdict_too(look: Look, case: str) -> None:
    chance = random.Random(case)
    for _ in range(60):
        body = bytearray(SMALL[case])
        for _ in range(chance.randint(1, 4)):
            body[chance.randrange(len(body))] = chance.randrange(256)
        cut = bytes(body[: chance.randrange(1, len(body) + 1)])
        assert look(cut)[0] in Secrecy
        assert sniff.look_head(cut, whole=True) in (None, look(cut)), "a head never says more than a look"


# -- surroundings ---------------------------------------------------------------------------------


def test_a_look_can_be_cancelled_between_samples(tmp_path: Path) -> None:
    path = tmp_path / "long"
    path.write_bytes(noise(4 << 20))
    fd = os.open(path, os.O_RDONLY)
    try:
        with pytest.raises(Cancelled):
            sniff.look(fd, 4 << 20, name=b"long", cancel=StoppedAfter(3))
    finally:
        os.close(fd)


def test_a_look_beats_with_every_read(tmp_path: Path) -> None:
    path = tmp_path / "long"
    path.write_bytes(noise(4 << 20))
    going = Going()
    fd = os.open(path, os.O_RDONLY)
    try:
        sniff.look(fd, 4 << 20, name=b"long", cancel=going)
    finally:
        os.close(fd)
    assert going.beats >= 5


def test_a_file_that_is_shorter_than_it_was(tmp_path: Path) -> None:
    path = tmp_path / "short"
    path.write_bytes(noise(100_000))
    fd = os.open(path, os.O_RDONLY)
    try:
        assert sniff.look(fd, 10 << 20, name=b"short", cancel=Going()) == (UNKNOWN, "shorter than it was")
    finally:
        os.close(fd)


def test_a_sparse_file_is_looked_at_in_samples_only(tmp_path: Path) -> None:
    path = tmp_path / "sparse"
    with path.open("wb") as file:
        file.truncate(1 << 40)
    fd = os.open(path, os.O_RDONLY)
    try:
        assert sniff.look(fd, 1 << 40, name=b"sparse", cancel=Going())[0] is UNKNOWN
    finally:
        os.close(fd)


def test_an_unreadable_sector_is_the_callers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(fd: int, length: int, offset: int) -> bytes:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "pread", failing)
    with pytest.raises(OSError, match="Input/output error"):
        sniff.look(0, 1000, name=b"bad", cancel=Going())


# -- zeros behind a message ------------------------------------------------------------------------


@pytest.mark.parametrize("padding", [1, 512, 300_000, 3_000_000])
@pytest.mark.parametrize(
    "body",
    [
        sealed.SKESK + sealed.seipd(sealed.noise(900_000), part_bytes=8192),
        sealed.SKESK + sealed.seipd(sealed.noise(900_000)),
        sealed.age(sealed.noise(900_000)),
    ],
    ids=["openpgp in parts", "openpgp", "age"],
)
def test_zeros_behind_a_message_are_no_reason_to_refuse_it(look: Look, body: bytes, padding: int) -> None:
    """As programs leave them that write whole blocks."""
    secrecy, _ = look(body + bytes(padding))
    assert secrecy is not PLAIN
    assert secrecy is UNKNOWN or padding <= 512


def test_a_header_over_zeros_alone_or_over_what_is_plain_before_them_lies(look: Look) -> None:
    for payload in (bytes(900_000), sealed.prose(900_000) + bytes(300_000)):
        assert look(sealed.age(payload))[0] is PLAIN
