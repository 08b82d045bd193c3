"""Names and kinds of files as drives really have them: stored as they are, and kept out of the log."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from tests.support.daemon import Station, sealed, wait_for
from tests.support.visits import Visit

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
    files[deep + b"/at the bottom"] = b"2,400 bytes down"
    files[b"empty " + MARK] = b""
    return files


def loaded(visit: Visit) -> dict[str, int]:
    """Code of each finding of a load that went well, with the number of things it was found for."""
    visit.announce(requirements=NOT_LOOKED_INTO).plug()
    released = visit.released()
    assert released["outcome"] == "loaded", released["text"]
    (event,) = visit.told("ingest.job.loaded")
    return {f["code"]: f["evidence"]["count"] for f in event["findings"]}


def test_every_name_that_linux_has_is_stored_as_it_is(quay: Station) -> None:
    files = hostile_files()
    visit = Visit(quay, files)
    loaded(visit)
    assert visit.stored() == files
    assert MARK.decode() not in quay.logged


def test_links_and_special_files_are_told_and_never_followed(quay: Station, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("of another tenant")
    files = {b"a.enc": b"archive", b"sub/b.enc": b"another"}
    visit = Visit(quay, files)
    drive = quay.root / "drives" / visit.serial
    links = {
        "to-file": "a.enc",
        "to-outside": str(tmp_path / "secret"),
        "to-folder": str(tmp_path),
        "dangling": "nowhere",
        "loop": "loop",
        "sub/up": "..",
    }
    for name, target in links.items():
        os.symlink(target, drive / name)
    os.mkfifo(drive / "pipe")
    make_socket(drive)
    assert loaded(visit) == {"symbolic-link": len(links), "special-file": 2}
    assert visit.stored() == files


def make_socket(folder: Path) -> None:
    here = os.open(folder, os.O_RDONLY)
    with socket.socket(socket.AF_UNIX) as unix:
        unix.bind(f"/proc/self/fd/{here}/socket")  # the path to the folder may be longer than a socket's
    os.close(here)


def test_sparse_files_and_hard_links_are_stored_with_their_content(quay: Station) -> None:
    one = sealed(70_000, 1)
    visit = Visit(quay, {b"one.enc": one})
    drive = quay.root / "drives" / visit.serial
    os.link(drive / "one.enc", drive / "same.enc")
    with (drive / "sparse.img").open("wb") as file:
        file.truncate(9_000_000)
        file.seek(8_000_000)
        file.write(b"far in")
    loaded(visit)
    sparse = bytes(8_000_000) + b"far in" + bytes(999_994)
    assert visit.stored() == {b"one.enc": one, b"same.enc": one, b"sparse.img": sparse}


def test_thousands_of_small_files(quay: Station) -> None:
    files = {b"%s-%02d/%04d" % (MARK, n % 40, n): b"%d" % n * (n % 300) for n in range(4_000)}
    visit = Visit(quay, files)
    loaded(visit)
    assert visit.stored() == files


def test_two_volumes_are_kept_apart(quay: Station) -> None:
    sides = [quay.write_drive(f"side-{n}", {b"same.enc": b"of side %d" % n}) for n in (1, 2)]
    visit = Visit(quay, None).announce(requirements=NOT_LOOKED_INTO)
    visit.plug(volumes=[{"path": str(side)} for side in sides]).released()
    assert visit.stored() == {b"volume-1/same.enc": b"of side 1", b"volume-2/same.enc": b"of side 2"}


def test_names_stay_out_of_the_log_whatever_goes_wrong(quay: Station) -> None:
    name = b"%s.enc" % MARK
    wrong = Visit(quay, {b"%s.txt" % MARK: b"In the margin, in another hand.\n" * 4000})
    mismatch = Visit(quay, {name: sealed(90_000), b"SHA256SUMS": b"0" * 64 + b"  %s\n" % name})
    misplaced = Visit(quay, {b"sub/" + name: sealed(90_000)})
    for visit in (wrong, mismatch, misplaced):
        visit.announce(items=[{"name": name.decode()}] if visit is misplaced else [])
        assert visit.plug().released()["outcome"] == "failed"
        assert MARK.decode() in visit.told("ingest.job.failed")[0]["text"]

    taken = Visit(quay, {name: sealed(90_000)})
    taken.folder.mkdir(parents=True)
    (taken.folder / name.decode()).write_text("something else")
    held = taken.announce().plug().held("store-conflict")
    assert MARK.decode() in held["text"]
    wait_for(lambda: held["text"] in str(quay.load(taken.serial)), what="the reason in the status")
    assert MARK.decode() not in quay.logged
    taken.pull()
