"""The helper: what it does for a daemon, what hostile clients get, and what its end leaves behind."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.content.walk import walk
from ingestd.core.drive import VolumeFacts, VolumeFlaw
from ingestd.core.model import LoadId
from ingestd.drives import block
from ingestd.drives.privileged import client, messages
from ingestd.drives.privileged.client import HelperClient
from ingestd.drives.privileged.messages import Garbled, Reply
from ingestd.drives.privileged.verbs import DeviceName
from ingestd.ports import DriveGoneError, DriveSwapped, ReadStalled, ToolFailed
from ingestd.runtime.clock import Clock
from ingestd.runtime.effects import Token as EffectToken
from ingestd.runtime.handlers import OpenDrives
from ingestd.telemetry.seldom import EACH_SECOND
from tests.support import drives as support
from tests.support import helper as helpers
from tests.support.byte_path import Token
from tests.support.daemon import wait_for
from tests.support.drives import SONAR, make_file_system, make_image, open_in, plug_image, read_below
from tests.support.helper import Helper

NOBODY = 65534

root = pytest.mark.usefixtures("_root")


@pytest.fixture
def _root() -> None:
    if not support.LOOPS_WORK:
        pytest.skip("needs root, loop devices and mkfs.ext4")


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Helper]:
    """One helper for all tests that leave it as it was: it takes a second to start."""
    home = tmp_path_factory.mktemp("helper")
    (home / "bays").mkdir()
    with helpers.running(home / "helper", home / "bays") as helper:
        yield helper


@pytest.fixture
def helper(_root: None, shared: Helper) -> Iterator[Helper]:
    (shared.bays / "bay-1").mkdir()
    yield shared
    support.unplug_all(shared.bays)
    shutil.rmtree(shared.bays)
    shared.bays.mkdir()


@pytest.fixture
def bays(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """The bays of the helper, or of one that the test starts itself."""
    if "helper" in request.fixturenames:
        yield request.getfixturevalue("helper").bays
        return
    folder = tmp_path / "bays"
    (folder / "bay-1").mkdir(parents=True)
    yield folder
    support.unplug_all(folder)


def name_of(device: str) -> DeviceName:
    return DeviceName(*block.number_and_sequence(device))


def plug(bays: Path, **more: object) -> str:
    make_image(bays / "bay-1" / "drive.img", **more)  # type: ignore[arg-type]
    return plug_image(bays, "bay-1", serial="KX-1")


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


# -- at work ---------------------------------------------------------------------------------------


@root
def test_mounts_are_seen_by_nobody_else_and_go_with_the_conversation(helper: Helper, bays: Path) -> None:
    device = plug(bays)
    before = open_descriptors()
    opened = open_in(helper.drives(), "bay-1")
    assert read_below(opened.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
    assert support.mounts_at(helper.home) == []
    assert len(support.windows_over(device)) == 1
    opened.drop_caches()
    opened.close()
    assert open_descriptors() == before
    wait_for(lambda: not support.windows_over(device), what="the window's end")
    wait_for(lambda: not helper.sessions(), what="the session's end")


@root
def test_a_pulled_drive_is_replayed_and_not_altered(helper: Helper, bays: Path) -> None:
    image = bays / "bay-1" / "drive.img"
    make_image(image)
    support.write_into(image, {"late.bin": b"l" * 9000}, cleanly=False)
    before = hashlib.sha256(image.read_bytes()).digest()
    device = plug_image(bays, "bay-1", serial="KX-1")
    opened = open_in(helper.drives(), "bay-1")
    assert opened.facts.volumes[0].replayed
    assert read_below(opened.volumes[0].root_fd, "late.bin") == b"l" * 9000
    opened.close()
    wait_for(lambda: not support.windows_over(device), what="the window's end")
    assert hashlib.sha256(image.read_bytes()).digest() == before


@root
def test_a_program_that_serves_a_mount_ends_with_the_session(helper: Helper, bays: Path) -> None:
    make_file_system(bays / "bay-1" / "drive.img", "mkfs.ntfs", "-q", "-F", "-L", "KELP")
    device = plug_image(bays, "bay-1", serial="KX-1")
    opened = open_in(helper.drives(), "bay-1")
    assert opened.facts.volumes[0].label == "KELP"
    for pid in helper.sessions()[:2]:
        os.kill(pid, 9)
    wait_for(lambda: not helper.sessions(), what="the session's end")
    opened.close()
    wait_for(lambda: not support.windows_over(device), what="the window's end")


PEEK = """
import os, sys
from pathlib import Path
from tests.support.drives import open_in, read_below
from ingestd.content.walk import walk
from ingestd.drives.loop import LoopDrives
from ingestd.drives.privileged.client import HelperClient
from tests.support.drives import Going
from ingestd import files
with open("/proc/self/status") as status:
    print(os.getuid(), [line.split()[1] for line in status if line.startswith("CapEff")])
opened = open_in(LoopDrives(sys.argv[1], HelperClient(sys.argv[2])), "bay-1")
root = opened.volumes[0].root_fd
for found in walk(root, cancel=Going()):
    print(found.kind.value, found.path.decode(), found.size_bytes)
    if found.regular:
        fd = files.open_beneath(root, found.path, os.O_RDONLY)
        print(os.read(fd, 100))
opened.close()
"""


@root
def test_a_client_without_any_privilege_reads_what_only_root_may(tmp_path: Path, bays: Path) -> None:
    image = make_image(bays / "bay-1" / "drive.img", {})
    with support.attached(image) as device:
        (tmp_path / "mnt").mkdir()
        subprocess.run(["mount", device, str(tmp_path / "mnt")], check=True)
        secret = tmp_path / "mnt" / "private"
        secret.mkdir(mode=0o700)
        (secret / "diary.age").write_bytes(b"tide")
        (secret / "diary.age").chmod(0o400)
        os.symlink("/etc/shadow", secret / "link")
        (tmp_path / "mnt" / "lost+found").rmdir()
        subprocess.run(["umount", str(tmp_path / "mnt")], check=True)
    plug_image(bays, "bay-1", serial="KX-1")
    (bays / "bay-1" / "drive.json").chmod(0o644)
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    with helpers.running(tmp_path / "helper", bays, user="nobody") as helper:
        helper.home.chmod(0o755)
        as_nobody = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
        command = [*as_nobody, sys.executable, "-c", PEEK, str(bays), str(helper.socket)]
        done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == [
        "65534 ['0000000000000000']",
        "folder private 0",
        "file private/diary.age 4",
        "b'tide'",
        "link private/link 0",
    ]


# -- hostile clients -------------------------------------------------------------------------------


def talk(path: Path, packet: bytes, *fds: int) -> bytes | None:
    """What comes back for one packet; None when the helper ends the conversation."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as connection:
        connection.settimeout(10)
        connection.connect(str(path))
        socket.send_fds(connection, [packet], list(fds))
        try:
            return connection.recv(200_000) or None
        except ConnectionResetError:
            return None


def complaint(answer: bytes | None) -> str:
    assert answer is not None
    return str(json.loads(answer)["error"])


@root
def test_another_user_is_turned_away(tmp_path: Path, bays: Path) -> None:
    plug(bays)
    with helpers.running(tmp_path / "helper", bays, user="nobody") as helper:
        problems = HelperClient(str(helper.socket)).problems()
        assert [problem.where for problem in problems] == ["drives.helper_socket"]
        with pytest.raises(ToolFailed, match=r"broken off the conversation .*whether it serves this user"):
            open_in(helper.drives(), "bay-1")
        assert '"helper_refused"' in helper.logged()
        assert not helper.sessions()


@root
def test_a_flood_of_strangers_is_a_few_lines(tmp_path: Path, bays: Path) -> None:
    with helpers.running(tmp_path / "helper", bays, user="nobody") as helper:
        for _ in range(400):
            with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as connection:
                connection.connect(str(helper.socket))
        wait_for(lambda: sum(line.get("more", 1) for line in refusals(helper)) == 400, what="all are told")
        lines = refusals(helper)
        assert {(line["level"], line.get("uid", 0)) for line in lines} == {("warning", 0)}
        seconds = {line["timestamp"][:19] for line in lines}
        assert len(lines) <= (EACH_SECOND + 1) * (len(seconds) + 1)
        assert len(lines) < 300


def refusals(helper: Helper) -> list[dict[str, Any]]:
    *whole, _ = helper.logged().split("\n")
    return [line for line in map(json.loads, whole) if line["event"] == "helper_refused"]


@root
def test_the_socket_is_closed_to_others(helper: Helper) -> None:
    assert os.stat(helper.socket).st_mode & 0o777 == 0o600


GARBAGE = [
    b"",
    b"{}",
    b"\xff\xfe\x00",
    b"null",
    b"[" * 4000,
    b'{"verb":"seal"}',
    b'{"verb":"seal","device":"/dev/sda"}',
    b'{"verb":"seal","device":"7:0/1/../../etc"}',
    b'{"verb":"seal","device":"7:0/1","device":"8:0/1 "}',
    b'{"verb":"seal","device":"7:0/1","path":"/dev/sda"}',
    b'{"verb":"mount","volume":"../volume-1"}',
    b'{"verb":"mount","volume":17}',
    b'{"verb":"run","program":"sh"}',
    b'{"verb":"open","name":"2e2e","look":false}',
    b'{"verb":"open","name":"612f62","look":false}',
    b'{"verb":"probe"}' + b" " * 5000,
]


@root
def test_garbage_ends_the_conversation(helper: Helper) -> None:
    for packet in GARBAGE:
        assert talk(helper.socket, packet) is None, packet
    wait_for(lambda: not helper.sessions(), what="the sessions' end")
    assert client.is_well(str(helper.socket))


@root
def test_descriptors_that_nobody_asked_for_end_the_conversation(helper: Helper) -> None:
    fd = os.open("/", os.O_RDONLY)
    try:
        assert talk(helper.socket, b'{"verb":"release"}', fd) is None
        assert talk(helper.socket, b'{"verb":"open","name":"61","look":false}', *[fd] * 40) is None
        assert talk(helper.socket, b'{"verb":"open","name":"61","look":false}') is None
    finally:
        os.close(fd)
    assert client.is_well(str(helper.socket))


@root
def test_devices_outside_the_bays_are_not_touched(helper: Helper, tmp_path: Path) -> None:
    stray = make_image(tmp_path / "stray.img")
    with support.attached(stray) as device:
        keeper = HelperClient(str(helper.socket))
        for ask in (keeper.seal, keeper.health, keeper.power_off, keeper.revive):
            with pytest.raises(DriveGoneError, match="in no bay"):
                ask(name_of(device))
        fd = os.open(device, os.O_RDWR)
        os.pwrite(fd, os.pread(fd, 512, 0), 0)
        os.fsync(fd)
        os.close(fd)
    with pytest.raises(DriveGoneError):
        keeper.seal(DeviceName(254, 999, 1))


@root
def test_another_drive_under_the_same_number_is_not_taken(helper: Helper, bays: Path) -> None:
    name = name_of(plug(bays))
    with pytest.raises(DriveSwapped):
        HelperClient(str(helper.socket)).seal(DeviceName(name.major, name.minor, name.sequence + 1))


@root
def test_nothing_is_opened_beyond_the_drive_that_is_held(helper: Helper, bays: Path) -> None:
    device = plug(bays, files={"deep/who.txt": b"me"})
    grip = HelperClient(str(helper.socket)).seal(name_of(device))
    grip.probe()
    mounted = grip.mount("volume-1", support.Going())
    assert mounted.root_fd is not None
    deep = grip.open_below(mounted.root_fd, b"deep")
    fd = grip.open_below(deep, b"who.txt")
    assert os.read(fd, 9) == b"me"
    outside = os.open("/etc", os.O_RDONLY)
    with pytest.raises(PermissionError):
        grip.open_below(outside, b"passwd")
    with pytest.raises(PermissionError):
        grip.open_below(fd, b"who.txt")
    with pytest.raises(FileNotFoundError):
        grip.open_below(deep, b"nobody.txt")
    for wrong in (deep, fd, outside, mounted.root_fd):
        os.close(wrong)
    with pytest.raises(ToolFailed, match="not found to have"):
        grip.mount("volume-2", support.Going())
    grip.release()


@root
def test_verbs_about_a_drive_need_one_that_is_held(helper: Helper, bays: Path) -> None:
    for packet in (b'{"verb":"probe"}', b'{"verb":"mount","volume":"volume-1"}', b'{"verb":"drop-caches"}'):
        assert complaint(talk(helper.socket, packet)) == "tool-failed"
    device = plug(bays)
    grip = HelperClient(str(helper.socket)).seal(name_of(device))
    with pytest.raises(ToolFailed, match="held in this conversation already"):
        grip._connection.ask(messages.Seal(device=str(name_of(device))))
    grip.release()


@given(st.binary(max_size=300))
def test_no_bytes_are_taken_for_a_request_that_is_none(packet: bytes) -> None:
    """Garbled, and nothing else, is what the parser raises."""
    try:
        request = messages.parse_request(packet)
    except Garbled:
        return
    assert messages.parse_request(messages.packed(request)) == request


@given(
    st.dictionaries(
        st.sampled_from(("verb", "device", "volume", "name", "look", "device_type", "x")),
        st.one_of(
            st.sampled_from(("seal", "probe", "mount", "open", "health", "7:0/12", "volume-1", "2e", "2e2e")),
            st.text(max_size=12),
            st.integers(),
            st.booleans(),
            st.none(),
        ),
    )
)
def test_only_plain_names_pass(fields: dict[str, object]) -> None:
    try:
        request = messages.parse_request(json.dumps(fields).encode())
    except Garbled:
        return
    if isinstance(request, messages.OpenBelow):
        name = bytes.fromhex(request.name)
        assert b"/" not in name
        assert name not in (b"", b"..")
    if isinstance(request, messages.Seal | messages.Health | messages.PowerOff | messages.Revive):
        assert str(DeviceName.parse(request.device)) == request.device


def test_facts_come_back_as_they_were() -> None:
    facts = VolumeFacts(
        name="volume-3",
        file_system="ext4",
        label="Grüße",
        problem="p",
        flaw=VolumeFlaw.UNCLEAN,
        replayed=True,
    )
    reply = Reply(volumes=(facts,), done=True)
    assert messages.parse_reply(messages.packed(reply)) == reply


# -- when things end -------------------------------------------------------------------------------


@root
def test_a_daemon_that_is_killed_leaves_nothing(helper: Helper, bays: Path) -> None:
    device = plug(bays)
    script = (
        "import os, sys\nfrom tests.support.drives import open_in\n"
        "from ingestd.drives.loop import LoopDrives\n"
        "from ingestd.drives.privileged.client import HelperClient\n"
        "open_in(LoopDrives(sys.argv[1], HelperClient(sys.argv[2])), 'bay-1')\nos._exit(9)\n"
    )
    command = [sys.executable, "-c", script, str(bays), str(helper.socket)]
    assert subprocess.run(command, check=False).returncode == 9
    wait_for(lambda: not support.windows_over(device), what="the window's end")
    wait_for(lambda: not helper.sessions(), what="the session's end")


@root
def test_a_helper_that_is_killed_leaves_nothing_and_the_next_one_serves(tmp_path: Path, bays: Path) -> None:
    device = plug(bays)
    with helpers.running(tmp_path / "helper", bays) as helper:
        drives = helper.drives()
        opened = open_in(drives, "bay-1")
        sessions = helper.sessions()
        assert sessions
        helper.kill()
        wait_for(lambda: not any(os.path.exists(f"/proc/{p}") for p in sessions), what="the sessions' end")
        with pytest.raises(ToolFailed):
            opened.drop_caches()
        opened.close()
        wait_for(lambda: not support.windows_over(device), what="the window's end")
        with pytest.raises(ToolFailed, match="start the helper"):
            open_in(drives, "bay-1")
        helper.start()
        opened = open_in(drives, "bay-1")
        assert read_below(opened.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
        opened.close()


@root
def test_a_load_goes_on_once_its_helper_was_restarted(tmp_path: Path, bays: Path) -> None:
    plug(bays)
    with helpers.running(tmp_path / "helper", bays) as helper:
        drives = helper.drives()
        (sighting,) = drives.enumerate()
        loads, token = OpenDrives(drives), EffectToken(Clock())
        with loads.using(LoadId("load-1"), sighting.handle, token, fresh=False) as opened:
            opened.drop_caches()
        helper.kill()
        helper.start()
        with (
            pytest.raises(ToolFailed),
            loads.using(LoadId("load-1"), sighting.handle, token, fresh=False) as opened,
        ):
            opened.drop_caches()
        with loads.using(LoadId("load-1"), sighting.handle, token, fresh=False) as opened:
            opened.drop_caches()
            assert read_below(opened.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
        assert loads.close_all(30)


@root
def test_a_loop_node_is_writable_again_once_its_image_is_detached(helper: Helper, bays: Path) -> None:
    device = plug(bays)
    open_in(helper.drives(), "bay-1").close()
    assert Path(f"/sys/block/{os.path.basename(device)}/ro").read_text() == "1\n"
    time.sleep(0.6)  # the helper has seen it by then
    subprocess.run(["losetup", "-d", device], check=True)

    def is_writable() -> bool:
        told = subprocess.run(["blockdev", "--getro", device], check=True, capture_output=True)
        return told.stdout == b"0\n"

    wait_for(is_writable, what="the seal's end")


class Silent:
    """Takes conversations and never answers, or only those that come after the first."""

    def __init__(self, path: Path, *, well: bool) -> None:
        self.well = well
        self.listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.listener.bind(str(path))
        self.listener.listen(8)
        self.taken: list[socket.socket] = []
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            self.taken.append(connection)
            if self.well and len(self.taken) > 1:
                connection.recv(4096)
                connection.send(messages.packed(Reply(done=True)))

    def close(self) -> None:
        self.listener.close()
        for connection in self.taken:
            connection.close()


@pytest.mark.parametrize(("well", "kind"), [(True, ReadStalled), (False, ToolFailed)])
def test_a_verb_that_does_not_come_back_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, well: bool, kind: type[Exception]
) -> None:
    """The drive's doing while the helper is well otherwise, else the helper's."""
    monkeypatch.setattr(client, "LIMIT_S", 0.3)
    monkeypatch.setattr(client, "_ALIVE_S", 0.3)
    silent = Silent(tmp_path / "sock", well=well)
    try:
        began = time.monotonic()
        with pytest.raises(kind, match="has not come back within"):
            HelperClient(str(tmp_path / "sock")).seal(DeviceName(7, 3, 5))
        assert time.monotonic() - began < 5
    finally:
        silent.close()


def test_a_helper_that_does_not_start_in_time_leaves_no_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def too_late(*_: object) -> None:
        raise AssertionError("the helper has not started")

    before = set(helpers.below(os.getpid()))
    monkeypatch.setattr(helpers, "wait_for", too_late)
    with pytest.raises(AssertionError), helpers.running(tmp_path / "helper", tmp_path):
        pass
    assert set(helpers.below(os.getpid())) <= before


def test_a_mount_that_does_not_come_back_is_not_laid_at_the_drives_door(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What hangs may be the overlay or the program that serves it."""
    monkeypatch.setitem(client.LIMITS_S, messages.Mount, 0.3)
    silent = Silent(tmp_path / "sock", well=True)
    try:
        grip = client.RemoteGrip(client._Connection(str(tmp_path / "sock")))
        with pytest.raises(ToolFailed, match="has not come back within"):
            grip.mount("volume-1", Token())
    finally:
        silent.close()


def test_waiting_for_an_earlier_request_says_nothing_about_the_drive(tmp_path: Path) -> None:
    silent = Silent(tmp_path / "sock", well=True)
    try:
        connection = client._Connection(str(tmp_path / "sock"))
        with connection._lock, pytest.raises(ToolFailed, match="an earlier request"):
            connection.ask(messages.DropCaches(), wait_s=0.1)
        connection.close()
    finally:
        silent.close()


@root
def test_one_drive_that_hangs_does_not_hold_up_another(helper: Helper, bays: Path) -> None:
    """The first session is stopped, as one that waits in the kernel would be."""
    first = plug(bays)
    make_image(bays / "bay-2" / "drive.img")
    plug_image(bays, "bay-2", serial="KX-2")
    drives = helper.drives()
    opened = open_in(drives, "bay-1")
    stopped = helper.sessions()
    for pid in stopped:
        os.kill(pid, 19)
    other = open_in(drives, "bay-2")
    assert read_below(other.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
    other.close()
    for pid in stopped:
        os.kill(pid, 18)
    opened.close()
    wait_for(lambda: not support.windows_over(first), what="the window's end")


def test_walking_needs_no_help_where_nothing_is_closed(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"a")
    fd = os.open(tmp_path, os.O_RDONLY)
    assert [found.path for found in walk(fd, cancel=support.Going())] == [b"a"]
    os.close(fd)
