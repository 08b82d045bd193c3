"""Installing into a folder: what is put where, an upgrade under a running load, the way back, and the end."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.daemon import Station, sealed, wait_for

TOP = Path(__file__).parents[2]

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(os.geteuid() != 0, reason="needs root: files are given to the daemon's user"),
]


def deploy(checkout: Path, name: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(checkout / "deploy" / name), *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )


def done(ended: subprocess.CompletedProcess[str]) -> str:
    assert ended.returncode == 0, ended.stderr
    return ended.stderr


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A copy of what is shipped, which a test may change."""
    folder = tmp_path / "checkout"
    for name in ("ingestd", "systemd", "deploy"):
        shutil.copytree(TOP / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(TOP / name, folder / name)
    return folder


class Installed(Station):
    """A station whose daemon is the one that is installed below a folder."""

    def __init__(self, root: Path, program: Path) -> None:
        super().__init__(root, uplink={"rate_bytes_per_second": 80_000}, transfer={"buffer_bytes": 65_536})
        self._program = program

    def start(self, wait: bool = True) -> None:
        self.status_path.unlink(missing_ok=True)
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [str(self._program), "run", "--config", str(self.config)], stdout=log, stderr=log
            )
        wait_for(self._picture_or_end, what=f"the first status; the log is {self.log}")


def tree(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


def test_a_dry_run_shows_every_step_and_does_none(checkout: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    shown = done(deploy(checkout, "install", "--dry-run", "--root", str(root)))
    assert not root.exists()
    for word in ("ingestd.service", "venv", "ingestd.toml", "/usr/local/bin/ingestd", "mv -T"):
        assert word in shown


def test_installed_upgraded_under_a_load_rolled_back_and_taken_off(checkout: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    first = done(deploy(checkout, "install", "--root", str(root)))
    before = os.readlink(root / "opt/ingestd/current")
    config = root / "etc/ingestd/ingestd.toml"
    assert config.read_text() == (TOP / "deploy/ingestd.toml").read_text()
    assert (config.stat().st_mode & 0o777, config.stat().st_uid) == (0o640, 0)
    assert (root / "etc/ingestd/credentials").stat().st_mode & 0o777 == 0o700
    assert (root / "etc/systemd/system/ingestd-helper.socket").exists()
    assert "nothing was started" in first or "fill in" in first
    mine = "# what a person wrote\n" + config.read_text()
    config.write_text(mine)

    secrets = root / "etc/ingestd/credentials"
    (secrets / "amqp-password").write_text("spring tide\n")
    done(deploy(checkout, "install", "--root", str(root)))
    handed_over = (root / "etc/systemd/system/ingestd.service.d/credentials.conf").read_text()
    assert handed_over == ("[Service]\nLoadCredential=amqp-password:/etc/ingestd/credentials/amqp-password\n")

    again = tree(root)
    done(deploy(checkout, "install", "--root", str(root)))
    assert tree(root) == again, "a second time changes nothing"

    # A station at work, whose state is where the installation looks for it.
    (tmp_path / "station").mkdir()
    quay = Installed(tmp_path / "station", root / "opt/ingestd/current/venv/bin/ingestd")
    state = root / "var/lib/ingestd"
    quay.config.write_text(quay.config.read_text().replace(str(quay.state), str(state)))
    quay.state = state
    content = sealed(16_000_000, 7)
    quay.write_drive("KQX-1", {b"kelp.enc": content})
    try:
        quay.start()
        quay.announce("TS-1", "KQX-1")
        quay.plug("bay-01", "KQX-1")
        quay.wait_phase("KQX-1", "loading")
        wait_for(lambda: (quay.load("KQX-1") or {})["ledger"]["arrived_bytes"] > 60_000, what="some parts")

        with (checkout / "ingestd" / "__init__.py").open("a") as module:
            module.write("# the next version\n")
        unit = root / "etc/systemd/system/ingestd.service"
        old_unit = unit.read_text()
        with (checkout / "systemd" / "ingestd.service").open("a") as file:
            file.write("# the next version\n")
        refused = deploy(checkout, "install", "--root", str(root))
        assert (refused.returncode, os.readlink(root / "opt/ingestd/current")) == (1, before)
        assert "stop it, then run this again" in refused.stderr
        assert quay.stop() == 0
        done(deploy(checkout, "install", "--root", str(root)))
        after = os.readlink(root / "opt/ingestd/current")
        assert after != before
        assert os.readlink(root / "opt/ingestd/previous") == before
        assert unit.read_text() != old_unit
        assert config.read_text() == mine
        assert (state / f"before-{after}" / "journal.db").exists()

        quay.config.write_text(quay.config.read_text().replace("80000", "4000000"))
        quay.start()
        load = quay.wait_phase("KQX-1", "loading")
        assert load["ledger"]["arrived_bytes"] > 60_000, "what was stored before is not sent again"
        assert quay.wait_released("KQX-1")["outcome"] == "loaded"
        assert (quay.archive / "tidewrack-survey/TS-1/kelp.enc").read_bytes() == content
        assert quay.stop() == 0

        done(deploy(root / "opt/ingestd/current", "install", "--rollback", "--root", str(root)))
        assert os.readlink(root / "opt/ingestd/current") == before
        assert unit.read_text() == old_unit
        quay.start()
        ended = wait_for(lambda: (quay.picture() or {}).get("jobs_ended"), what="what was done is known")
        assert ended == 1
        assert quay.stop() == 0
    finally:
        quay.end()

    left = done(deploy(root / "opt/ingestd/current", "uninstall", "--root", str(root)))
    assert not (root / "opt/ingestd").exists()
    assert not list((root / "etc/systemd/system").iterdir())
    assert (state / "journal" / "journal.db").exists()
    assert "Left:" in left
    done(deploy(checkout, "uninstall", "--root", str(root), "--purge"))
    assert not state.exists()
    assert not config.parent.exists()
    assert (quay.archive / "tidewrack-survey/TS-1/kelp.enc").exists()


def switched(root: Path, forms: dict[str, int], sources: dict[str, str]) -> Path:
    """A root in which `new` is current and `old` was before; journals of these forms. The state folder."""
    opt, state = root / "opt/ingestd", root / "var/lib/ingestd"
    for name in ("old", "new"):
        (opt / name).mkdir(parents=True)
    (opt / "current").symlink_to("new")
    (opt / "previous").symlink_to("old")
    for folder, version in forms.items():
        (state / folder).mkdir(parents=True)
        with sqlite3.connect(state / folder / "journal.db") as made:
            made.execute(f"PRAGMA user_version = {version}")
        made.close()
    for folder, source in sources.items():
        (state / f"{folder}.from").write_text(source + "\n")
    return state


def form(folder: Path) -> int:
    kept = sqlite3.connect(folder / "journal.db")
    version = int(kept.execute("PRAGMA user_version").fetchone()[0])
    kept.close()
    return version


def next_version(checkout: Path, number: int) -> None:
    with (checkout / "ingestd" / "__init__.py").open("a") as module:
        module.write(f"# version {number} after it\n")


def test_old_versions_and_their_journals_are_removed_but_for_as_many_as_one_says(
    checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "root"
    opt, state = root / "opt/ingestd", root / "var/lib/ingestd"
    without_pip(tmp_path, monkeypatch)
    seen: list[str] = []
    for number, more in enumerate((["--keep", "3"], ["--keep", "3"], ["--keep", "3"], ["--keep", "3"], [])):
        next_version(checkout, number)
        done(deploy(checkout, "install", "--root", str(root), *more))
        seen.append(os.readlink(opt / "current"))
        (state / "journal").mkdir(exist_ok=True)
        (state / f"journal-of-{seen[-1]}.{1000 + number}").mkdir()
        kept = seen[-3:] if more else seen[-2:]
        assert {path.name for path in opt.iterdir() if not path.is_symlink()} == set(kept)
        # None is made before the first.
        assert {path.name for path in state.glob("before-*[!m]")} == {
            f"before-{x}" for x in kept if x != seen[0]
        }
        assert len(list(state.glob("before-*.from"))) == len(list(state.glob("before-*[!m]")))
    assert os.readlink(opt / "previous") == seen[-2]
    # Of those that going back put aside, the last that was there at the switch, and the one made since.
    assert {path.name for path in state.glob("journal-of-*")} == {
        f"journal-of-{seen[3]}.1003", f"journal-of-{seen[4]}.1004"
    }  # fmt: skip
    done(deploy(checkout, "install", "--rollback", "--root", str(root)))
    assert os.readlink(opt / "current") == seen[-2]
    assert deploy(checkout, "install", "--root", str(root), "--keep", "1").returncode == 2


def without_pip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Virtual environments in no time: one that takes the program from this checkout's."""
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin/python3").write_text(
        "#!/bin/bash\n"
        f'[ "$1 $2" = "-m venv" ] || exec {sys.executable} "$@"\n'
        'mkdir -p "$3/bin" && ln -s /bin/true "$3/bin/python"\n'
        f'printf \'#!/bin/sh\\nexec {sys.executable} -m ingestd "$@"\\n\' > "$3/bin/ingestd"\n'
        'chmod +x "$3/bin/ingestd"\n'
    )
    (tmp_path / "bin/python3").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")


def test_a_version_that_cannot_use_the_configuration_is_not_switched_to(
    checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "root"
    without_pip(tmp_path, monkeypatch)
    done(deploy(checkout, "install", "--root", str(root)))
    before = os.readlink(root / "opt/ingestd/current")
    next_version(checkout, 1)
    config = root / "etc/ingestd/ingestd.toml"
    sound = config.read_text()
    config.write_text(sound + "\n[tides]\nhigh = true\n")
    refused = deploy(checkout, "install", "--root", str(root))
    assert (refused.returncode, os.readlink(root / "opt/ingestd/current")) == (1, before)
    assert "tides" in refused.stderr
    config.write_text(sound)
    done(deploy(checkout, "install", "--root", str(root)))
    assert os.readlink(root / "opt/ingestd/current") != before


def test_a_journal_of_a_later_form_is_put_aside_on_the_way_back(checkout: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    state = switched(root, {"journal": 9, "before-new": 3}, {"before-new": "old"})
    said = done(deploy(checkout, "install", "--rollback", "--root", str(root)))
    assert "a form that old does not know" in said
    assert form(state / "journal") == 3
    assert list(state.glob("journal-of-new.*"))
    assert os.readlink(root / "opt/ingestd/current") == "old"


def test_forward_again_the_journal_stays(checkout: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    forms = {"journal": 9, "before-new": 3, "before-old": 1}
    state = switched(root, forms, {"before-new": "old", "before-old": "oldest"})
    for current, left in (("old", 3), ("new", 3)):
        done(deploy(checkout, "install", "--rollback", "--root", str(root)))
        assert (os.readlink(root / "opt/ingestd/current"), form(state / "journal")) == (current, left)
    assert form(state / "before-new") == 3
    assert (state / "before-new.from").read_text() == "old\n"


def test_a_copy_that_has_no_room_leaves_the_journal_and_the_version(
    checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "root"
    state = switched(root, {"journal": 9, "before-new": 3}, {"before-new": "old"})
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin/cp").write_text('#!/bin/sh\nmkdir "$3"; echo "No space left on device" >&2; exit 1\n')
    (tmp_path / "bin/cp").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}:{os.environ['PATH']}")
    ended = deploy(checkout, "install", "--rollback", "--root", str(root))
    assert ended.returncode == 1
    assert "make room" in ended.stderr
    assert (os.readlink(root / "opt/ingestd/current"), form(state / "journal")) == ("new", 9)
    assert not (state / "journal.new").exists()


def test_an_upgrade_without_room_for_the_new_form_of_the_journal_is_not_begun(
    checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "root"
    without_pip(tmp_path, monkeypatch)
    done(deploy(checkout, "install", "--root", str(root)))
    before = os.readlink(root / "opt/ingestd/current")
    journal = root / "var/lib/ingestd/journal"
    journal.mkdir()
    with sqlite3.connect(journal / "journal.db") as made:
        made.execute("PRAGMA user_version = 5")
    made.close()
    (journal / "weight").write_bytes(bytes(20 << 20))
    next_version(checkout, 1)
    free = tmp_path / "bin/df"
    free.write_text('#!/bin/sh\nprintf "Avail\\n   60\\n"\n')
    free.chmod(0o755)
    refused = deploy(checkout, "install", "--root", str(root))
    assert (refused.returncode, os.readlink(root / "opt/ingestd/current")) == (1, before)
    assert "MiB are free" in refused.stderr
    assert "make room" in refused.stderr
    assert not list(journal.parent.glob("before-*"))
    free.write_text('#!/bin/sh\nprintf "Avail\\n   90\\n"\n')
    done(deploy(checkout, "install", "--root", str(root)))
    assert os.readlink(root / "opt/ingestd/current") != before


def test_a_store_below_the_state_folder_is_not_purged(checkout: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    archive = root / "var/lib/ingestd/archive"
    archive.mkdir(parents=True)
    (root / "etc/ingestd").mkdir(parents=True)
    (root / "etc/ingestd/ingestd.toml").write_text(
        '[station]\nstate_folder = "/var/lib/ingestd"\n'
        '[[stores]]\nname = "harrow"\nkind = "folder"\nfolder = "/var/lib/ingestd/archive"\n'
    )
    ended = deploy(checkout, "uninstall", "--purge", "--root", str(root))
    assert (ended.returncode, archive.exists()) == (1, True)
    assert "a store shares the state folder" in ended.stderr


def test_without_a_configuration_what_is_not_known_is_not_purged(checkout: Path, tmp_path: Path) -> None:
    root = tmp_path / "root"
    state = root / "var/lib/ingestd"
    for name in ("archive", "journal", "before-2"):
        (state / name).mkdir(parents=True)
    (state / "archive" / "kelp.enc").write_bytes(b"a customer's")
    told = done(deploy(checkout, "uninstall", "--purge", "--root", str(root)))
    assert "not ingestd's own" in told
    assert [path.name for path in state.iterdir()] == ["archive"]
    assert (state / "archive" / "kelp.enc").exists()


def copies(state: Path, command: str, **path: str) -> subprocess.CompletedProcess[str]:
    """One command with what deploy/journal-copies defines, as its users do it."""
    text = (
        f"set -euo pipefail; state={state} migrations={state}/none\n"
        'say() { echo "$*" >&2; }; step() { "$@"; }; not_copied() { say "make room"; exit 1; }\n'
        f". {TOP}/deploy/journal-copies\n{command}\n"
    )
    env = {**os.environ, **path}
    return subprocess.run(["bash", "-c", text], capture_output=True, text=True, check=False, env=env)


def journal_at(folder: Path, form: int) -> None:
    folder.mkdir(parents=True)
    with sqlite3.connect(folder / "journal.db") as made:
        made.execute(f"PRAGMA user_version = {form}")
    made.close()


def form_of(folder: Path) -> int:
    with sqlite3.connect(folder / "journal.db") as found:
        (form,) = found.execute("PRAGMA user_version").fetchone()
    found.close()
    return int(form)


def test_a_way_back_that_was_broken_off_between_two_journals_is_gone_on_with(tmp_path: Path) -> None:
    journal_at(tmp_path / "before-2", 5)
    (tmp_path / "before-2.from").write_text("1\n")
    journal_at(tmp_path / "journal.new", 5)
    journal_at(tmp_path / "journal-of-2.17", 6)
    ended = copies(tmp_path, "journal_back 2 1")
    assert ended.returncode == 0, ended.stderr
    assert form_of(tmp_path / "journal") == 5
    assert form_of(tmp_path / "journal-of-2.17") == 6


def test_a_copy_is_not_made_anew_of_a_journal_that_the_new_version_has_changed(tmp_path: Path) -> None:
    journal_at(tmp_path / "journal", 5)
    for form in (5, 6):
        with sqlite3.connect(tmp_path / "journal/journal.db") as changed:
            changed.execute(f"PRAGMA user_version = {form}")
        changed.close()
        ended = copies(tmp_path, "keep_journal 2 1")
        assert ended.returncode == 0, ended.stderr
    assert form_of(tmp_path / "before-2") == 5


def test_a_disk_that_is_full_with_the_last_line_of_a_copy_is_told(tmp_path: Path) -> None:
    journal_at(tmp_path / "journal", 5)
    full = tmp_path / "bin/tee"
    full.parent.mkdir()
    full.write_text("#!/bin/sh\nexit 1\n")
    full.chmod(0o755)
    ended = copies(tmp_path, "keep_journal 2 1", PATH=f"{full.parent}:{os.environ['PATH']}")
    assert (ended.returncode, "make room" in ended.stderr) == (1, True)
