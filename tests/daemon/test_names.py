"""Names and kinds of files as drives really have them: stored as they are, and kept out of the log."""

from __future__ import annotations

import os
import socket
from pathlib import Path
from typing import Any

from tests.daemon.conftest import MakeStation
from tests.support.daemon import TENANT, Station, checked, sealed, tree, wait_for

MARK = b"kelpforest"
"""In the name of every file here, so that one can look for it where names must not be."""

NOT_LOOKED_INTO = {"not-encrypted": "off", "encryption-uncertain": "off"}

NAMES = [
    b"plain %s.enc",
    b" leading and trailing %s ",
    b"-rf %s",
    b"--help=%s",
    b"*%s?[a-z]",
    b"\\%s\\n",
    b"new\nline %s\n",
    b"return\r%s\r\n",
    b"tab\t%s",
    b"\x1b[2J\x1b]0;%s\x07",
    b"not UTF-8 \xff\xfe %s \xc3",
    b"overlong \xc0\xaf %s",
    b"right to left \xe2\x80\xae %s",
    b"line separator \xe2\x80\xa8 %s",
    b"caf\xc3\xa9 %s",
    b"cafe\xcc\x81 %s",
    b"Upper %s",
    b"upper %s",
    b"$(touch %s); `x`",
    b"'quoted' \"%s\"",
    b"\x01\x02\x7f %s",
    b".hidden %s",
    b"...%s",
    b"con %s.",
    b"%s" + b"n" * (255 - len(MARK)),
    b"%s" + b"\xff" * (255 - len(MARK)),
]


def hostile_files() -> dict[bytes, bytes]:
    files = {name % MARK: b"content of %d" % n for n, name in enumerate(NAMES)}
    files |= {b"folder\n%s/%s" % (MARK, name % MARK): sealed(100 + n, n) for n, name in enumerate(NAMES)}
    deep = b"/".join(b"deep %s %03d" % (MARK, level) for level in range(120))
    files[deep + b"/at the bottom"] = b"2,600 bytes down"
    files[b"empty " + MARK] = b""
    return files


def loaded(station: Station) -> dict[str, Any]:
    """The event that says so, after the only drive has been released."""
    station.plug("bay-1", "KELP-0071")
    station.announce("TW-2041", "KELP-0071", requirements=NOT_LOOKED_INTO)
    station.start()
    released = station.wait_released("KELP-0071", within_s=60)
    assert released["outcome"] == "loaded", released["text"]
    (event,) = station.told("ingest.job.loaded")
    return event


def stored(station: Station) -> dict[bytes, bytes]:
    folder = station.archive / TENANT / "TW-2041"
    (manifest,) = (folder / ".ingest").glob("*.sha256")
    assert checked(folder, manifest) == []
    assert (
        len(manifest.read_bytes().splitlines())
        == station.told("ingest.job.loaded")[0]["receipts"][0]["files"]
    )
    return tree(folder)


def findings(event: dict[str, Any]) -> dict[str, int]:
    """Code to the number of things that it was found for."""
    return {f["code"]: f["evidence"]["count"] for f in event["findings"]}


def test_every_name_that_linux_has_is_stored_as_it_is(station: Station) -> None:
    files = hostile_files()
    station.write_drive("KELP-0071", files)
    loaded(station)
    assert stored(station) == files
    assert MARK.decode() not in station.logged


def test_links_and_special_files_are_told_and_never_followed(station: Station, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret").write_text("of another tenant")
    drive = station.write_drive("KELP-0071", {b"a.enc": b"archive", b"sub/b.enc": b"another"})
    for name, target in {
        "to-file": "a.enc",
        "to-outside": str(outside / "secret"),
        "to-folder": str(outside),
        "dangling": "nowhere",
        "loop": "loop",
        "sub/up": "..",
    }.items():
        os.symlink(target, drive / name)
    os.mkfifo(drive / "pipe")
    with socket.socket(socket.AF_UNIX) as unix:
        here = os.open(drive, os.O_RDONLY)
        unix.bind(f"/proc/self/fd/{here}/socket")
        os.close(here)
    event = loaded(station)
    assert stored(station) == {b"a.enc": b"archive", b"sub/b.enc": b"another"}
    assert findings(event) == {"symbolic-link": 6, "special-file": 2}


def test_sparse_files_and_hard_links_are_stored_with_their_content(station: Station) -> None:
    drive = station.write_drive("KELP-0071", {b"one.enc": sealed(70_000, 1)})
    os.link(drive / "one.enc", drive / "same.enc")
    with (drive / "sparse.img").open("wb") as file:
        file.truncate(9_000_000)
        file.seek(8_000_000)
        file.write(b"far in")
    loaded(station)
    sparse = bytes(8_000_000) + b"far in" + bytes(999_994)
    one = sealed(70_000, 1)
    assert stored(station) == {b"one.enc": one, b"same.enc": one, b"sparse.img": sparse}


def test_thousands_of_small_files(station: Station) -> None:
    files = {b"%s-%02d/%04d" % (MARK, n % 40, n): b"%d" % n * (n % 300) for n in range(4_000)}
    station.write_drive("KELP-0071", files)
    loaded(station)
    assert stored(station) == files
    assert MARK.decode() not in station.logged


def test_two_volumes_are_kept_apart(station: Station) -> None:
    for number in (1, 2):
        station.write_drive(f"side-{number}", {b"same.enc": b"of side %d" % number})
    station.plug(
        "bay-1",
        "KELP-0071",
        volumes=[{"path": str(station.root / "drives" / f"side-{n}")} for n in (1, 2)],
    )
    station.announce("TW-2041", "KELP-0071", requirements=NOT_LOOKED_INTO)
    station.start()
    station.wait_released("KELP-0071")
    assert stored(station) == {b"volume-1/same.enc": b"of side 1", b"volume-2/same.enc": b"of side 2"}


def test_names_stay_out_of_the_log_whatever_goes_wrong(make_station: MakeStation) -> None:
    station = make_station()
    wrong = {b"%s.txt" % MARK: b"In the margin, in another hand.\n" * 4000}
    mismatch = {b"%s.enc" % MARK: sealed(90_000), b"SHA256SUMS": b"0" * 64 + b"  %s.enc\n" % MARK}
    taken = {b"%s.enc" % MARK: sealed(90_000)}
    missing = {b"sub/%s.enc" % MARK: sealed(90_000)}
    for number, files in enumerate((wrong, mismatch, taken, missing)):
        station.write_drive(f"KELP-{number}", files)
        items = [{"name": f"{MARK.decode()}.enc"}] if files is missing else []
        station.announce(f"TW-{number}", f"KELP-{number}", items=items)
        station.plug(f"bay-{number}", f"KELP-{number}")
    beside = station.archive / TENANT / "TW-2" / f"{MARK.decode()}.enc"
    beside.parent.mkdir(parents=True)
    beside.write_text("something else")
    station.start()
    for number in (0, 1, 3):
        assert station.wait_released(f"KELP-{number}")["outcome"] == "failed"
    held = station.wait_told("ingest.load.held", job_id="TW-2")
    assert held["reason"] == "store-conflict"
    assert MARK.decode() in held["text"]
    wait_for(
        lambda: (station.load("KELP-2") or {}).get("reason") == held["text"], what="the reason in the status"
    )
    assert MARK.decode() not in station.logged
