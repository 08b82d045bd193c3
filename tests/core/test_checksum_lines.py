"""Lines of checksum lists, compared with what the real `sha256sum` writes and accepts."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.checksum_lines import Listed, gnu_line, parse_bare, parse_line

HEX = hashlib.sha256(b"kelp").hexdigest()

NAMES = [
    b"dives.tar.gpg",
    b" leading blank",
    b"  two leading blanks",
    b"trailing blank ",
    b"-dash",
    b" *star after blank",
    b"*star",
    b"\\leading backslash",
    b"back\\slash",
    b"back\\name",
    b"line\nfeed",
    b"at the end\n",
    b"carriage\rreturn",
    b"carriage return at the end\r",
    b"both\r\n",
    b"tab\tin it",
    b"\xff\xfe not UTF-8 \x80",
    "Grüße.7z".encode(),
    b"#comment",
    b"(bracket) = " + HEX.encode(),
    b"SHA256 (tagged) = x",
    b"x" * 255,
    HEX.encode(),
]

paths = st.binary(min_size=1, max_size=60).filter(lambda path: b"\0" not in path)


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for name in NAMES:
        (tmp_path / name.decode("utf-8", "surrogateescape")).write_bytes(b"content of " + name)
    return tmp_path


def sha256sum(folder: Path, *options: str, names: list[bytes]) -> bytes:
    program = shutil.which("sha256sum")
    assert program is not None, "GNU coreutils are part of every Debian"
    done = subprocess.run([program, *options, "--", *names], cwd=folder, capture_output=True, check=True)
    return done.stdout


def expected_line(name: bytes) -> bytes:
    return gnu_line(hashlib.sha256(b"content of " + name).hexdigest(), name)


def test_lines_are_those_of_sha256sum(files: Path) -> None:
    for name in NAMES:
        assert sha256sum(files, names=[name]) == expected_line(name)


def test_sha256sum_accepts_the_lines(files: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    sums = tmp_path_factory.mktemp("lists") / "SHA256SUMS"
    (files / "-").write_bytes(b"content of -")
    sums.write_bytes(b"".join(expected_line(name) for name in [*NAMES, b"-"]))
    said = sha256sum(files, "-c", "--strict", names=[str(sums).encode()])
    assert said.count(b": OK\n") == len(NAMES) + 1


def test_sha256sum_refuses_a_line_with_another_checksum(files: Path) -> None:
    (files / "sums").write_bytes(gnu_line(HEX, NAMES[0]))
    with pytest.raises(subprocess.CalledProcessError):
        sha256sum(files, "-c", names=[b"sums"])


@pytest.mark.parametrize("form", ["--text", "--binary", "--tag"])
def test_what_sha256sum_writes_is_understood(files: Path, form: str) -> None:
    for name in NAMES:
        said = sha256sum(files, form, names=[name])
        assert parse_line(said) == Listed(hashlib.sha256(b"content of " + name).hexdigest(), name)


@given(paths.filter(lambda path: path != b"-"))
def test_lines_can_be_reversed(path: bytes) -> None:
    line = gnu_line(HEX, path)
    assert line.count(b"\n") == 1
    assert b"\r" not in line
    assert parse_line(line) == Listed(HEX, path)


def test_a_lone_dash_does_not_mean_standard_input() -> None:
    assert gnu_line(HEX, b"-") == HEX.encode() + b"  ./-\n"


@pytest.mark.parametrize(
    "line",
    [
        b"%s  dives\n",
        b"%s  dives",
        b"%s  dives\r\n",
        b"%s *dives\n",
        b"%s dives\n",
        b"%s\tdives\n",
        b"  %s  dives\n",
        b"\\%s  dives\n",
        b"SHA256 (dives) = %s\n",
        b"SHA256(dives)= %s\n",
        b"\\SHA256 (dives) = %s\r\n",
    ],
)
def test_forms_that_sha256sum_understands_too(line: bytes, tmp_path: Path) -> None:
    (tmp_path / "dives").write_bytes(b"kelp")
    (tmp_path / "sums").write_bytes(line % HEX.encode())
    assert b"OK" in sha256sum(tmp_path, "-c", names=[b"sums"])
    assert parse_line(line % HEX.encode()) == Listed(HEX, b"dives")
    assert parse_line(line % HEX.upper().encode()) == Listed(HEX, b"dives")


@pytest.mark.parametrize(
    "line", [b"", b"\n", b"\r\n", b"# made on quay-03\n", b"#" + HEX.encode() + b"  x\n"]
)
def test_lines_that_list_nothing(line: bytes) -> None:
    assert parse_line(line) is None


@pytest.mark.parametrize(
    "line",
    [
        b"kelp\n",
        HEX[:-1].encode() + b"  dives\n",
        HEX.encode() + b"0  dives\n",
        HEX.encode() + b"dives\n",
        b"g" + HEX[1:].encode() + b"  dives\n",
        b"MD5 (dives) = 0123456789abcdef0123456789abcdef\n",
        b"SHA512 (dives) = " + HEX.encode() * 2 + b"\n",
        b"SHA256 (dives) = " + HEX.encode() + b" \n",
        b"SHA256 () = " + HEX.encode() + b"\n",
        b"\\" + HEX.encode() + b"  what\\is\n",
        b"\\" + HEX.encode() + b"  cut short\\\n",
        HEX.encode() + b"  nul\0\n",
        HEX.encode() + b"\n",
    ],
)
def test_lines_that_are_refused(line: bytes) -> None:
    with pytest.raises(ValueError):
        parse_line(line)


def test_a_bare_checksum() -> None:
    assert parse_bare(HEX.upper().encode() + b" \r\n") == HEX
    assert parse_bare(HEX.encode() + b"  dives\n") is None
    assert parse_bare(b"\n") is None


@given(st.binary(max_size=200))
def test_any_line_is_understood_or_refused(line: bytes) -> None:
    try:
        listed = parse_line(line)
    except ValueError:
        return
    assert listed is None or listed.path
