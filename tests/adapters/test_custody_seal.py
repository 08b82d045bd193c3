"""Seals on records of custody: made once a drive was released, and what they tell of a record."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from joserfc import jws as reference
from joserfc.jwk import OKPKey

from ingestd.core.custody import (
    NOTHING_BEFORE,
    About,
    Action,
    Deed,
    Entry,
    Surroundings,
    canonical,
    entry_after,
    hash_of,
)
from ingestd.core.drive import CustodyHead, DriveIdentity
from ingestd.core.messages import SaveCustody
from ingestd.core.model import BayName, LoadId
from ingestd.journal.journal import Journal
from ingestd.runtime import cli
from ingestd.runtime.custody_files import CustodyFiles
from ingestd.runtime.custody_seal import SealingImpossible, SealingKey, head_in
from tests.support.journals import open_journal
from tests.support.tickets import KEY, OTHER_KEY, pem_of

LOAD = LoadId("quay-03.bay-1.20310517T082000250Z")
ACTIONS = (Action.PLUGGED_IN, Action.SURVEYED, Action.RELEASED, Action.WITHDRAWN, Action.RELEASED)

Verify = Callable[..., tuple[int, str]]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    (tmp_path / "journal").mkdir()
    opened = open_journal(tmp_path / "journal")
    yield opened
    opened.close()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "custody"
    made.mkdir()
    return made


@pytest.fixture
def verify(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Verify:
    (tmp_path / "site.pub").write_bytes(pem_of(KEY))
    (tmp_path / "other.pub").write_bytes(pem_of(OTHER_KEY))

    def run(*more: str, key: str = "site.pub") -> tuple[int, str]:
        command = ["custody", "verify", str(folder / f"{LOAD}.jsonl"), "--key", str(tmp_path / key)]
        capsys.readouterr()
        return cli.main([*command, *more]), capsys.readouterr().err

    return run


def key_in(tmp_path: Path) -> SealingKey:
    path = tmp_path / "site.pem"
    path.write_bytes(KEY.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return SealingKey("harrow-2031", str(path))


def entries() -> list[Entry]:
    about = About(
        load_id=LOAD,
        drive=DriveIdentity(serial="KELP000001"),
        bay=BayName("bay-1"),
        station="quay-03",
        surroundings=Surroundings(),
    )
    made: list[Entry] = []
    for number, action in enumerate(ACTIONS):
        made.append(entry_after(made[-1].head if made else None, Deed(action=action), about, 1.0 + number))
    return made


def kept(folder: Path, journal: Journal, key: SealingKey | None) -> CustodyFiles:
    return CustodyFiles(str(folder), journal, lambda error: None, lambda: 30.0, key=key)


def save(journal: Journal, some: list[Entry]) -> None:
    journal.commit([SaveCustody(entry=entry) for entry in some], at=1.0)


def seal(folder: Path) -> Path:
    return folder / f"{LOAD}.jws"


@pytest.mark.filterwarnings("ignore:EdDSA:joserfc.errors.SecurityWarning")
def test_each_release_is_sealed_and_nothing_else(journal: Journal, folder: Path, tmp_path: Path) -> None:
    made = entries()
    files = kept(folder, journal, key_in(tmp_path))
    for number, entry in enumerate(made, 1):
        save(journal, [entry])
        files.write()
        last = {1: None, 2: None, 3: 3, 4: 3, 5: 5}[number]
        assert (head_in(seal(folder).read_bytes()) if seal(folder).exists() else None) == (
            made[last - 1].head if last else None
        )
    # A reference for JWS comes to the same.
    known = OKPKey.import_key(pem_of(KEY))
    told = reference.deserialize_compact(seal(folder).read_text().strip(), known, ["EdDSA"])
    assert told.headers() == {"alg": "EdDSA", "kid": "harrow-2031"}
    assert json.loads(told.payload) == {
        "entries": 5,
        "format": "ingestd-custody-seal-1",
        "load_id": LOAD,
        "sha256": made[4].sha256,
        "station": "quay-03",
    }


def test_without_a_key_there_is_no_seal_and_a_restart_with_one_makes_it(
    journal: Journal, folder: Path, tmp_path: Path
) -> None:
    save(journal, entries())
    kept(folder, journal, None).write()
    assert not seal(folder).exists()
    kept(folder, journal, key_in(tmp_path)).write()
    before = seal(folder).stat()
    kept(folder, journal, key_in(tmp_path)).write()
    assert seal(folder).stat() == before, "it is made once"


def test_a_key_that_cannot_be_read_is_told_and_tried_again(
    journal: Journal, folder: Path, tmp_path: Path
) -> None:
    key = key_in(tmp_path)
    away = Path(key.file).rename(tmp_path / "away.pem")
    files = kept(folder, journal, key)
    save(journal, entries())
    files.write()
    assert "cannot be sealed: the key cannot be read from" in str(files.trouble)
    assert (folder / f"{LOAD}.jsonl").read_bytes().count(b"\n") == len(ACTIONS)
    away.rename(key.file)
    files.write()
    assert seal(folder).exists()
    assert files.trouble is None


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "cannot be understood"),
        (pem_of(KEY), "cannot be understood"),
        (
            X25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()),
            "is not an Ed25519 key",
        ),
    ],
    ids=["nothing", "public", "of another kind"],
)
def test_what_is_no_key_to_seal_with(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "site.pem").write_bytes(content)
    with pytest.raises(SealingImpossible, match=words):
        SealingKey("site", str(tmp_path / "site.pem")).check()
    with pytest.raises(SealingImpossible, match="is not a file"):
        SealingKey("site", "/dev/null").check()


def test_what_was_cut_or_written_anew_is_found_with_the_key(
    journal: Journal, folder: Path, tmp_path: Path, verify: Verify
) -> None:
    made = entries()
    save(journal, made)
    kept(folder, journal, key_in(tmp_path)).write()
    record = folder / f"{LOAD}.jsonl"
    body = record.read_bytes()
    assert verify() == (0, "")
    assert verify("--head", made[4].sha256) == (0, "")
    assert verify("--head", "0" * 64) == (1, "ingestd: --head: is not the head that was sealed\n")
    lines = body.splitlines(keepends=True)
    record.write_bytes(b"".join(lines[:3]))
    assert cli.main(["custody", "verify", str(record)]) == 0, "it ends with a release, as a whole one does"
    assert verify()[0] == 1
    forged, head = b"", NOTHING_BEFORE
    for line in lines:
        entry = {**json.loads(line), "daemon": "another", "previous": head}
        head = hash_of(entry)
        forged += canonical({**entry, "sha256": head}) + b"\n"
    record.write_bytes(forged)
    assert cli.main(["custody", "verify", str(record)]) == 0
    assert verify()[0] == 1


def test_what_is_no_seal_of_the_site_proves_nothing(
    journal: Journal, folder: Path, tmp_path: Path, verify: Verify
) -> None:
    save(journal, entries())
    kept(folder, journal, key_in(tmp_path)).write()
    code, words = verify(key="other.pub")
    assert (code, "it was altered, or forged" in words) == (1, True)
    code, words = verify(key="missing.pub")
    assert (code, "cannot be read" in words) == (1, True)
    whole = seal(folder).read_text()
    header, payload, signature = whole.strip().split(".")
    for text in (f"{header}.{payload[:-4]}AAAA.{signature}", "", "a.b.c", "..", "\x00\xff", header):
        seal(folder).write_text(text)
        assert verify()[0] == 1
    seal(folder).unlink()
    code, words = verify()
    assert (code, "No such file" in words) == (1, True)
    (tmp_path / "elsewhere").write_text(whole)
    assert verify("--seal", str(tmp_path / "elsewhere")) == (0, "")


def test_a_seal_of_another_record_does_not_fit(
    journal: Journal, folder: Path, tmp_path: Path, verify: Verify
) -> None:
    made = entries()
    save(journal, made)
    kept(folder, journal, None).write()
    other = replace(made[2].head, sha256="1" * 64)
    for head in (other, CustodyHead(entries=3, sha256=made[2].sha256)):
        seal(folder).write_text(key_in(tmp_path).sealed(LOAD, "quay-03", head))
        assert verify()[0] == 1


def test_seals_go_with_their_records(journal: Journal, folder: Path, tmp_path: Path) -> None:
    save(journal, entries())
    files = kept(folder, journal, key_in(tmp_path))
    files.write()
    old = folder / "gone.jws"
    old.write_text("of a record that is gone")
    for path in (old, seal(folder)):
        os.utime(path, (1.0, 1.0))
    files.look_over()
    files.write()
    assert (old.exists(), seal(folder).exists()) == (False, True)
