"""`ingestd inspect`: a drive on a desk, looked at as a station would."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.daemon.conftest import MakeStation
from tests.support import drives as support
from tests.support.bags import bag, write
from tests.support.daemon import Station, sealed
from tests.support.drives import make_image
from tests.support.nbd import NEEDS_NBD, SECTOR, with_bad_sectors
from tests.vmlab import find_sectors

GOOD = {b"reef.enc": sealed(300_000, 1), b"north/kelp.enc": sealed(50_000, 2)}
PLAIN = {b"diary.txt": b"nobody sealed this\n" * 2000, b"reef.enc": sealed(30_000, 1)}
ODD = {b"opaque.bin": bytes(byte % 200 for byte in sealed(3_000_000, 3)[16:])}
"""Neither random nor of any known kind."""


def inspect(path: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "ingestd", "inspect", str(path), *arguments]
    environment = {name: value for name, value in os.environ.items() if name != "INGESTD_CONFIG"}
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, env=environment)


def folder_of(folder: Path, files: Mapping[bytes, bytes]) -> Path:
    for name, content in files.items():
        path = Path(os.fsdecode(os.path.join(os.fsencode(folder), name)))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


def notice(path: Path, **more: Any) -> Path:
    data = {
        "job_id": "TS-1",
        "version": 1,
        "tenant": "tidewrack-survey",
        "drives": [{"serial": "KQX-1"}],
        "items": [],
        "destination": {"store": "archive", "prefix": "tidewrack-survey/TS-1"},
        **more,
    }
    head = {"specversion": "1.0", "id": "1", "source": "/orders", "type": "ingest.job.announced"}
    path.write_text(json.dumps({**head, "data": data}))
    return path


@pytest.mark.parametrize(
    ("files", "status", "verdict"),
    [(GOOD, 0, "ACCEPTED"), (PLAIN, 4, "REFUSED"), (ODD, 3, "DOUBTFUL")],
    ids=["accepted", "refused", "doubtful"],
)
def test_the_verdict_is_in_the_first_line_and_in_the_status(
    tmp_path: Path, files: Mapping[bytes, bytes], status: int, verdict: str
) -> None:
    done = inspect(folder_of(tmp_path / "drive", files))
    assert (done.returncode, done.stderr) == (status, "")
    first, *rest = done.stdout.splitlines()
    assert verdict in " ".join([first, *rest[:2]])
    assert max(map(len, done.stdout.splitlines())) <= 80
    if status:
        assert "customer: " in done.stdout


def test_what_is_wrong_with_a_bag_is_seen_on_a_desk_too(tmp_path: Path) -> None:
    made = bag({"reef.enc": GOOD[b"reef.enc"]}, algorithms=("md5",))
    folder = write(tmp_path / "good", made)
    assert inspect(folder, "--read").returncode == 0
    (folder / "data" / "reef.enc").write_bytes(GOOD[b"reef.enc"][:-1] + b"?")
    assert inspect(folder).returncode == 0
    read = inspect(folder, "--read")
    assert read.returncode == 4
    assert "The MD5 of volume-1/data/reef.enc is not the one that the manifest" in read.stdout
    del made["data/reef.enc"]
    folder = write(tmp_path / "broken", {**made, "data/other.enc": GOOD[b"reef.enc"]})
    done = inspect(folder)
    assert done.returncode == 4
    for code in ("BLOCKING  bag-incomplete", "BLOCKING  bag-file-unlisted", "NOTED  checksums-weak"):
        assert code in done.stdout
    told = json.loads(inspect(folder, "--json").stdout)
    assert "bag-incomplete" in {finding["code"] for finding in told["findings"]}


def test_names_from_the_drive_are_escaped(tmp_path: Path) -> None:
    files = {b"\x1b[31mred\x07.txt": b"plain words\n" * 900}
    done = inspect(folder_of(tmp_path / "drive", files))
    assert done.returncode == 4
    assert "\x1b" not in done.stdout
    assert "red" in done.stdout


def test_a_job_is_what_it_is_judged_by(tmp_path: Path) -> None:
    drive = folder_of(tmp_path / "drive", GOOD)
    wants = notice(tmp_path / "job.json", items=[{"name": "reef.enc"}, {"name": "missing.enc"}])
    done = inspect(drive, "--job", str(wants), "--json")
    told = json.loads(done.stdout)
    assert (done.returncode, told["verdict"], told["job_id"]) == (4, "refused", "TS-1")
    assert "item-missing" in {finding["code"] for finding in told["findings"]}
    softer = notice(tmp_path / "softer.json", requirements={"not-encrypted": "noted"})
    assert inspect(folder_of(tmp_path / "plain", PLAIN), "--job", str(softer)).returncode == 0


def test_what_cannot_be_looked_at_is_said_in_words(tmp_path: Path) -> None:
    (tmp_path / "odd.json").write_text('{"specversion": "1.0"}')
    for arguments, words in (
        ((tmp_path / "gone",), "No such file"),
        ((Path("/dev/null"),), "is neither a folder, nor an image, nor a block device"),
        ((tmp_path, "--job", str(tmp_path / "none.json")), "cannot be read"),
        ((tmp_path, "--job", str(tmp_path / "odd.json")), "odd.json: "),
        ((tmp_path, "--job", str(notice(tmp_path / "j.json")), "--drive", "2"), "--drive: the job has 1"),
    ):
        done = inspect(*arguments)
        assert done.returncode == 2
        assert words in done.stderr
        assert not done.stdout


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_look_that_is_ended_leaves_nothing_behind(tmp_path: Path, number: signal.Signals) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    drive = folder_of(tmp_path / "drive", {b"%d.enc" % n: b"x" for n in range(8000)})
    command = [sys.executable, "-m", "ingestd", "inspect", str(drive)]
    environment = {**os.environ, "TMPDIR": str(kept)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as running:
        try:
            until = time.monotonic() + 60
            while not list(kept.glob("ingestd-inspect-*/journal/*")) and time.monotonic() < until:
                time.sleep(0.002)
            running.send_signal(number)
            assert running.wait(timeout=60) == 128 + number
        finally:
            running.kill()
    assert not list(kept.iterdir())


def test_the_desk_finds_what_the_station_has_found(make_station: MakeStation, tmp_path: Path) -> None:
    files = {**PLAIN, b"sub/late.txt": b"and this neither\n" * 900, b"empty.enc": b""}
    station: Station = make_station()
    drive = station.write_drive("KQX-1", files)
    items = [{"name": "reef.enc", "size_bytes": 30_001}, {"name": "missing.enc"}]
    station.start()
    station.announce("TS-1", "KQX-1", items=items)
    station.plug("bay-01", "KQX-1")
    told = station.wait_told("ingest.job.failed")
    assert station.stop() == 0
    done = inspect(drive, "--job", str(notice(tmp_path / "job.json", items=items)), "--json")
    seen = json.loads(done.stdout)
    at_station = {(f["code"], f["subject"], f["sentence"]) for f in told["findings"]}
    on_desk = {(f["code"], f["subject"], f["sentence"]) for f in seen["findings"]}
    assert at_station == on_desk


@pytest.mark.parametrize("files", [GOOD, PLAIN, ODD, {b"\x1b[31mred\x07.txt": b"words\n" * 900}, {}])
def test_the_json_is_as_the_shipped_schema_says(tmp_path: Path, files: Mapping[bytes, bytes]) -> None:
    drive = folder_of(tmp_path, files) if files else tmp_path
    schema = subprocess.run(
        [sys.executable, "-m", "ingestd", "schema", "ingestd.inspection"],
        capture_output=True,
        text=True,
        check=True,
    )
    for more in ((), ("--read",)):
        told = json.loads(inspect(drive, "--json", *more).stdout)
        jsonschema.Draft202012Validator(json.loads(schema.stdout)).validate(told)
        assert told["read"] == bool(more)
        assert told["volumes"]


def test_the_rules_of_a_site_are_those_of_its_configuration(
    make_station: MakeStation, tmp_path: Path
) -> None:
    drive = folder_of(tmp_path / "drive", PLAIN)
    site = make_station(requirements={"not-encrypted": "noted"})
    assert inspect(drive).returncode == 4
    told = json.loads(inspect(drive, "--config", str(site.config), "--json").stdout)
    assert told["verdict"] == "accepted"
    assert {f["severity"] for f in told["findings"] if f["code"] == "not-encrypted"} == {"noted"}
    # What a job wants comes before what its site does.
    strict = notice(tmp_path / "job.json", requirements={"not-encrypted": "blocking"})
    assert inspect(drive, "--config", str(site.config), "--job", str(strict)).returncode == 4
    site.config.write_text("[requirements]\nnot-encrypted = 3\n")
    broken = inspect(drive, "--config", str(site.config))
    assert (broken.returncode, broken.stdout) == (2, "")
    assert "requirements" in broken.stderr


# -- reading every file ----------------------------------------------------------------------------


def test_what_only_reading_finds_is_found_when_asked_for(tmp_path: Path) -> None:
    drive = folder_of(tmp_path / "drive", GOOD)
    good = {name: hashlib.sha256(content).hexdigest() for name, content in GOOD.items()}
    lines = [f"{digest}  {name.decode()}\n" for name, digest in good.items()]
    (drive / "SHA256SUMS").write_text("".join(lines))
    assert inspect(drive, "--read").returncode == 0
    wrong = hashlib.sha256(b"another").hexdigest()
    (drive / "SHA256SUMS").write_text(lines[0].replace(good[b"reef.enc"], wrong) + lines[1])
    assert inspect(drive).returncode == 0
    done = inspect(drive, "--read", "--json")
    told = json.loads(done.stdout)
    assert (done.returncode, done.stderr, told["verdict"]) == (4, "", "refused")
    (finding,) = [f for f in told["findings"] if f["severity"] == "blocking"]
    assert (finding["code"], finding["subject"]) == ("checksum-mismatch", "volume-1/reef.enc")
    assert wrong in json.dumps(finding["evidence"])
    assert (told["ledger"]["failed_files"], told["ledger"]["stored_files"]) == (1, 0)
    shown = " ".join(inspect(drive, "--read").stdout.split())
    assert "Every file was read to its end" in shown


def test_checksums_of_the_job_are_compared_too(tmp_path: Path) -> None:
    drive = folder_of(tmp_path / "drive", GOOD)
    for content, status in ((GOOD[b"reef.enc"], 0), (b"another", 4)):
        sha256 = hashlib.sha256(content).hexdigest()
        job = notice(tmp_path / "job.json", items=[{"name": "reef.enc", "sha256": sha256}])
        assert inspect(drive, "--job", str(job), "--read").returncode == status


def test_a_plain_file_is_told_of_once_by_survey_and_reading(tmp_path: Path) -> None:
    told = json.loads(inspect(folder_of(tmp_path, PLAIN), "--read", "--json").stdout)
    assert [f["subject"] for f in told["findings"] if f["code"] == "not-encrypted"] == ["volume-1/diary.txt"]


@NEEDS_NBD[0]
@NEEDS_NBD[1]
def test_files_that_cannot_be_read_are_listed(tmp_path: Path) -> None:
    files = {f"line-{number}.enc": sealed(700_000 + number, number) for number in range(3)}
    image = make_image(tmp_path / "worn.img", files)
    ((first, _),) = find_sectors(image, files["line-1.enc"])
    with with_bad_sectors(image, tmp_path / "over.img", [(first + 900, 2)]):
        device = support.attach(tmp_path / "over.img", "--direct-io=on")
        try:
            assert inspect(Path(device)).returncode == 0
            done = inspect(Path(device), "--read", "--json")
        finally:
            support.unplug_image(device)
    told = json.loads(done.stdout)
    assert (done.returncode, done.stderr) == (4, "")
    (finding,) = [f for f in told["findings"] if f["severity"] == "blocking"]
    assert (finding["code"], finding["subject"]) == ("file-unreadable", "volume-1/line-1.enc")
    assert finding["evidence"]["ranges"] == [f"{900 * SECTOR}+{2 * SECTOR} EIO"]


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_look_at_an_image_that_is_ended_leaves_nothing_behind(
    tmp_path: Path, number: signal.Signals
) -> None:
    image = make_image(tmp_path / "drive.img", {}, size_mib=200)
    support.write_into(image, {f"{n}.enc": sealed(6_000_000, n) for n in range(20)}, cleanly=False)
    before = hashlib.sha256(image.read_bytes()).digest()
    kept = tmp_path / "kept"
    kept.mkdir()
    command = [sys.executable, "-m", "ingestd", "inspect", str(image), "--read"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, env={**os.environ, "TMPDIR": str(kept)}
    ) as running:
        try:
            until = time.monotonic() + 60
            while str(kept) not in Path("/proc/mounts").read_text() and time.monotonic() < until:
                time.sleep(0.002)
            running.send_signal(number)
            assert running.wait(timeout=60) == 128 + number
        finally:
            running.kill()
    assert not list(kept.iterdir())
    assert str(kept) not in Path("/proc/mounts").read_text()
    listed = subprocess.run(["losetup", "-a"], capture_output=True, text=True, check=True)
    assert str(tmp_path) not in listed.stdout
    assert hashlib.sha256(image.read_bytes()).digest() == before


# -- images and disks ------------------------------------------------------------------------------


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
@pytest.mark.parametrize("cleanly", [True, False], ids=["clean", "pulled"])
def test_an_image_is_looked_into_and_not_altered(tmp_path: Path, cleanly: bool) -> None:
    image = make_image(tmp_path / "drive.img", {}, size_mib=24)
    support.write_into(image, {"reef.enc": sealed(90_000, 1)}, cleanly=cleanly)
    before = hashlib.sha256(image.read_bytes()).digest()
    done = inspect(image)
    assert (done.returncode, done.stderr) == (0, "")
    assert "ext4" in done.stdout
    assert hashlib.sha256(image.read_bytes()).digest() == before
    listed = subprocess.run(["losetup", "-j", str(image)], capture_output=True, text=True, check=True)
    assert listed.stdout == ""


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
@pytest.mark.parametrize(
    ("program", "kind"), [(("mkfs.ntfs", "-F", "-Q"), "ntfs"), (("mkfs.exfat",), "exfat")]
)
def test_images_of_other_systems_are_looked_at_and_not_altered(
    tmp_path: Path, program: tuple[str, ...], kind: str
) -> None:
    if shutil.which(program[0]) is None:
        pytest.skip(f"needs {program[0]}")
    image = support.make_file_system(tmp_path / "drive.img", *program)
    before = hashlib.sha256(image.read_bytes()).digest()
    told = json.loads(inspect(image, "--json").stdout)
    assert [volume["file_system"] for volume in told["volumes"]] == [kind]
    assert told["verdict"] == "refused"
    assert hashlib.sha256(image.read_bytes()).digest() == before


@pytest.mark.root
@pytest.mark.skipif(not support.LOOPS_WORK, reason="needs root and loop devices")
def test_a_disk_that_is_in_use_is_left_alone(tmp_path: Path) -> None:
    image = make_image(tmp_path / "drive.img")
    with support.attached(image) as device:
        point = tmp_path / "mnt"
        point.mkdir()
        subprocess.run(["mount", device, str(point)], check=True)
        try:
            done = inspect(Path(device))
            assert done.returncode == 2
            assert "mounted" in done.stderr or "in use" in done.stderr
            (point / "still.txt").write_text("writable")
        finally:
            subprocess.run(["umount", str(point)], check=True)
