"""Lines of checksum lists, compared with what the real programs of GNU coreutils write and accept."""

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


PROGRAMS = {
    "md5sum": "md5",
    "sha1sum": "sha1",
    "sha224sum": "sha224",
    "sha256sum": "sha256",
    "sha384sum": "sha384",
    "sha512sum": "sha512",
    "b2sum": "blake2b",
}
"""Each with the algorithm, or the family of them, that a list by it has."""


def run(program: str, folder: Path, *options: str, names: list[bytes]) -> bytes:
    found = shutil.which(program)
    assert found is not None, "GNU coreutils are part of every Debian"
    done = subprocess.run([found, *options, "--", *names], cwd=folder, capture_output=True, check=True)
    return done.stdout


def sha256sum(folder: Path, *options: str, names: list[bytes]) -> bytes:
    return run("sha256sum", folder, *options, names=names)


def hex_of(algorithm: str, content: bytes) -> str:
    """By Python's own hashes."""
    if algorithm.startswith("blake2b-"):
        return hashlib.blake2b(content, digest_size=int(algorithm[8:]) // 8).hexdigest()
    return hashlib.new(algorithm, content).hexdigest()


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
        assert parse_line(said) == Listed("sha256", hashlib.sha256(b"content of " + name).hexdigest(), name)


@pytest.mark.parametrize("form", [[], ["--binary"], ["--tag"]], ids=["text", "binary", "tagged"])
@pytest.mark.parametrize("program", PROGRAMS)
def test_what_every_program_writes_is_understood(files: Path, program: str, form: list[str]) -> None:
    family = PROGRAMS[program]
    algorithm = "blake2b-512" if family == "blake2b" else family
    for name in NAMES:
        said = run(program, files, *form, names=[name])
        assert parse_line(said, family) == Listed(algorithm, hex_of(algorithm, b"content of " + name), name)


@pytest.mark.parametrize("form", [[], ["--tag"]], ids=["text", "tagged"])
@pytest.mark.parametrize("bits", [128, 160, 256, 384, 504])
def test_shorter_digests_of_b2sum(files: Path, bits: int, form: list[str]) -> None:
    algorithm = f"blake2b-{bits}"
    for name in NAMES:
        said = run("b2sum", files, f"--length={bits}", *form, names=[name])
        assert parse_line(said, "blake2b") == Listed(
            algorithm, hex_of(algorithm, b"content of " + name), name
        )


@pytest.mark.parametrize("bits", [8, 64, 120])
def test_digests_that_are_too_short_to_tell_a_list_from_other_text_need_a_tag(files: Path, bits: int) -> None:
    tagged = run("b2sum", files, f"--length={bits}", "--tag", names=[NAMES[0]])
    assert parse_line(tagged, "blake2b") is not None
    plain = run("b2sum", files, f"--length={bits}", names=[NAMES[0]])
    with pytest.raises(ValueError, match="not a line of a checksum list"):
        parse_line(plain, "blake2b")
    assert parse_bare(plain[: bits // 4], "blake2b") is None


@pytest.mark.parametrize("program", PROGRAMS)
def test_a_tag_counts_more_than_the_name_of_the_list(files: Path, program: str) -> None:
    family = PROGRAMS[program]
    said = run(program, files, "--tag", names=[NAMES[0]])
    for other in PROGRAMS.values():
        assert parse_line(said, other) == parse_line(said, family)


@pytest.mark.parametrize("program", PROGRAMS)
def test_a_line_by_another_program_is_refused(files: Path, program: str) -> None:
    """As coreutils refuse it, but for two whose digests are of one length."""
    said = run(program, files, names=[NAMES[0]])
    (files / "sums").write_bytes(said)
    for other, algorithm in PROGRAMS.items():
        if {program, other} == {"sha512sum", "b2sum"} or other in (program, "b2sum"):
            continue
        with pytest.raises(subprocess.CalledProcessError):
            run(other, files, "--check", names=[b"sums"])
        with pytest.raises(ValueError, match="has no digests of"):
            parse_line(said, algorithm)


@given(paths.filter(lambda path: path != b"-"))
def test_lines_can_be_reversed(path: bytes) -> None:
    line = gnu_line(HEX, path)
    assert line.count(b"\n") == 1
    assert b"\r" not in line
    assert parse_line(line) == Listed("sha256", HEX, path)


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
    assert parse_line(line % HEX.encode()) == Listed("sha256", HEX, b"dives")
    assert parse_line(line % HEX.upper().encode()) == Listed("sha256", HEX, b"dives")


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
        b"MD5 (dives) = " + HEX.encode() + b"\n",
        b"SHA512 (dives) = " + HEX.encode() + b"\n",
        b"SHA3-256 (dives) = " + HEX.encode() + b"\n",
        b"BLAKE2b-512 (dives) = " + HEX.encode() + b"\n",
        b"BLAKE2b-255 (dives) = " + HEX.encode() + b"\n",
        b"BLAKE2b (dives) = " + HEX.encode() + b"\n",
        b"sha256 (dives) = " + HEX.encode() + b"\n",
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
    assert parse_bare(HEX.upper().encode() + b" \r\n") == ("sha256", HEX)
    assert parse_bare(HEX.encode() + b"\n", "blake2b") == ("blake2b-256", HEX)
    assert parse_bare(HEX.encode() + b"\n", "md5") is None
    assert parse_bare(HEX.encode() + b"  dives\n") is None
    assert parse_bare(b"\n") is None


@given(st.binary(max_size=200))
def test_any_line_is_understood_or_refused(line: bytes) -> None:
    try:
        listed = parse_line(line)
    except ValueError:
        return
    assert listed is None or listed.path
