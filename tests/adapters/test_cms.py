"""CMS messages, made by OpenSSL, which is nobody's here; what is cut off or near it is none."""

from __future__ import annotations

import random
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.content import cms
from ingestd.content.sample import HeadContent
from ingestd.core.found import Secrecy
from tests.support.looking import looked_at

RANDOM = random.Random(3).randbytes(3_000_000)
PROSE = b"The tide tables of Harrow Quay, once more.\n" * 60_000

Made = Callable[..., bytes]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    """`openssl cms` with these options, over this content."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")
    folder = tmp_path_factory.mktemp("cms")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "key.pem", "-out", "cert.pem",
         "-subj", "/CN=tidewrack-survey", "-days", "2"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip

    def make(body: bytes, *options: str) -> bytes:
        (folder / "in").write_bytes(body)
        command = ["openssl", "cms", "-binary", "-in", "in", "-out", "out", *options]
        if "-encrypt" in options:
            command += ["cert.pem"]
        else:
            command += ["-signer", "cert.pem", "-inkey", "key.pem"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
        return (folder / "out").read_bytes()

    yield make


@pytest.mark.parametrize("body", [RANDOM, PROSE, b"kelp"], ids=["random", "prose", "small"])
@pytest.mark.parametrize(
    ("options", "kind"),
    [
        (("-outform", "DER"), "cms enveloped data"),
        (("-outform", "DER", "-stream"), "cms enveloped data"),
        (("-outform", "DER", "-aes-256-gcm"), "cms enveloped data"),
        (("-outform", "PEM"), "cms enveloped data, armoured"),
    ],
    ids=["der", "streamed", "authenticated", "pem"],
)
def test_what_is_enveloped_is_recognised(
    made: Made, tmp_path: Path, options: tuple[str, ...], kind: str, body: bytes
) -> None:
    if "-aes-256-gcm" not in options:
        options = (*options, "-aes-256-cbc")
    message = made(body, "-encrypt", *options)
    assert looked_at(tmp_path / "at", message) == (Secrecy.PROVEN, kind)


@pytest.mark.parametrize("form", ["DER", "PEM"])
def test_the_ends_of_what_is_streamed_are_not_held_against_it(made: Made, tmp_path: Path, form: str) -> None:
    """Zeros, which are much of a small message."""
    for length in (20, 40, 90):
        message = made(b"k" * length, "-encrypt", "-aes-256-cbc", "-stream", "-outform", form)
        assert message.endswith(bytes(8)) or form == "PEM"
        assert looked_at(tmp_path / "at", message)[0] is Secrecy.PROVEN


@pytest.mark.parametrize("options", [(), ("-nodetach",)], ids=["detached", "with its content"])
def test_what_is_signed_is_not_encrypted(made: Made, tmp_path: Path, options: tuple[str, ...]) -> None:
    message = made(RANDOM, "-sign", "-outform", "DER", *options)
    assert looked_at(tmp_path / "at", message) == (Secrecy.PLAIN, "cms signed data")


def test_an_envelope_over_plain_content_is_noticed(made: Made, tmp_path: Path) -> None:
    message = made(RANDOM, "-encrypt", "-outform", "DER", "-aes-256-cbc")
    at = cms.structure(HeadContent(message, len(message)))
    assert at is not None
    lied = message[: at.payload_at] + PROSE + message[at.payload_at + len(PROSE) :]
    secrecy, kind = looked_at(tmp_path / "at", lied)
    assert secrecy is Secrecy.PLAIN
    assert kind.startswith("cms enveloped data header over plain content")


def test_where_the_payload_begins(made: Made, tmp_path: Path) -> None:
    """Told by OpenSSL's own parser: the offset and header length of the encrypted octets."""
    message = made(RANDOM, "-encrypt", "-outform", "DER", "-aes-256-cbc")
    (tmp_path / "message").write_bytes(message)
    told = subprocess.run(
        ["openssl", "asn1parse", "-inform", "DER", "-in", str(tmp_path / "message")],
        capture_output=True, text=True, check=True,
    ).stdout.splitlines()  # fmt: skip
    last = next(line for line in reversed(told) if "cont [ 0 ]" in line)
    offset = int(last.partition(":")[0])
    header = int(last.partition("hl=")[2].split()[0])
    found = cms.structure(HeadContent(message, len(message)))
    assert found is not None
    assert found.payload_at == offset + header


def test_an_envelope_in_small_chunks(made: Made, tmp_path: Path) -> None:
    """As a writer with a small buffer makes it: tag and length come again every 40 bytes."""
    message = made(b"kelp" * 50_000, "-encrypt", "-outform", "DER", "-stream", "-aes-256-cbc")
    found = cms.structure(HeadContent(message, len(message)))
    assert found is not None
    head = message[: found.payload_at - len(found.framing)]
    chunks = b"".join(b"\x04\x28" + RANDOM[at : at + 40] for at in range(0, len(RANDOM), 40))
    assert looked_at(tmp_path / "at", head + chunks + b"\0" * 16) == (Secrecy.PROVEN, "cms enveloped data")


@given(st.binary(max_size=300))
def test_anything_else_is_none_of_it_and_breaks_nothing(body: bytes) -> None:
    assert cms.structure(HeadContent(body, len(body))) is None
    cms.structure(HeadContent(b"\x30\x80\x06\x09*\x86H\x86\xf7\r\x01\x07\x03\xa0\x80\x30\x80" + body, None))
