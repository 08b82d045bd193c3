"""The Debian package: what is in it, without what pip would bring."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.confined import settings

TOP = Path(__file__).parents[2]
SCRIPTS = {"preinst", "postinst", "prerm", "postrm"}

pytestmark = pytest.mark.skipif(shutil.which("dpkg-deb") is None, reason="needs dpkg-deb (package dpkg)")


def do(*command: str | Path, **more: str) -> str:
    ended = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=240, env={**os.environ, **more}
    )
    assert ended.returncode == 0, ended.stderr
    return ended.stdout


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built with a pip that brings the program alone."""
    tmp_path = tmp_path_factory.mktemp("deb")
    stand_in = tmp_path / "bin/python3"
    stand_in.parent.mkdir()
    stand_in.write_text(
        "#!/bin/bash\n"
        f'[ "$1 $2" = "-m venv" ] || exec {sys.executable} "$@"\n'
        'mkdir -p "$3/bin"\n'
        "cat >\"$3/bin/python\" <<'END'\n"
        "#!/bin/bash\n"
        'while [ "$1" != --target ]; do shift; done\n'
        'mkdir -p "$2/botocore-1.dist-info" && cp -r "$3/ingestd" "$2"\n'
        'cd "$2/botocore-1.dist-info"\n'
        'printf "Name: botocore\\nVersion: 1\\nLicense: Apache-2.0\\n\\n" >METADATA\n'
        "END\n"
        'chmod +x "$3/bin/python"\n'
    )
    stand_in.chmod(0o755)
    path = f"{stand_in.parent}:{os.environ['PATH']}"
    built = do(TOP / "deploy/build-deb", "--revision", "7", tmp_path / "built", PATH=path)
    (tmp_path / "unpacked").mkdir()
    do("dpkg-deb", "--raw-extract", built.strip(), tmp_path / "unpacked")
    return tmp_path / "unpacked"


def test_the_package_holds_what_its_scripts_and_units_name(package: Path) -> None:
    control = (package / "DEBIAN/control").read_text()
    assert re.search(r"^Version: \d+\.\d+\.\d+-7$", control, re.MULTILINE)
    assert "@" not in control.replace("ingestd@harrow-quay.example", "")
    assert f"python3 (>= 3.{sys.version_info[1]}), python3 (<< 3.{sys.version_info[1] + 1})" in control
    assert (package / "DEBIAN/conffiles").read_text() == "/etc/ingestd/ingestd.toml\n"
    assert (package / "etc/ingestd/ingestd.toml").read_text() == (TOP / "deploy/ingestd.toml").read_text()
    for name in SCRIPTS:
        script = package / "DEBIAN" / name
        assert script.stat().st_mode & 0o777 == 0o755
        text = script.read_text()
        assert not re.search(r"@[A-Z]+@", text)
        do("bash" if text.startswith("#!/bin/bash") else "sh", "-n", script)
    assert "botocore 1 Apache-2.0" in (package / "usr/share/doc/ingestd/copyright").read_text()
    assert not list(package.rglob("__pycache__"))


def test_its_units_are_ours_with_the_program_where_the_package_has_it(package: Path) -> None:
    for name in ("ingestd.service", "ingestd-helper.service", "ingestd-helper.socket"):
        text = (package / "lib/systemd/system" / name).read_text()
        assert "/opt" not in text
        for path in re.findall(
            r"^Exec(?:Start|Reload)=(\S+)|^Documentation=file://(\S+)", text, re.MULTILINE
        ):
            assert "".join(path) == "/bin/kill" or (package / "".join(path).removeprefix("/")).exists()
        kept = [line for line in text.splitlines() if not re.match("Exec|Documentation=", line)]
        ours = (TOP / "systemd" / name).read_text().splitlines()
        assert kept == [line for line in ours if not re.match("Exec|Documentation=", line)]
    said = (package / "lib/systemd/system/ingestd-helper.service").read_text()
    arguments = settings("ingestd-helper.service")["ExecStart"][0].split(maxsplit=1)[1]
    assert f"ExecStart=/usr/bin/ingestd {arguments}\n" in said


def test_its_program_takes_what_it_needs_from_its_own_folder_first(package: Path) -> None:
    program = (package / "usr/bin/ingestd").read_text()
    assert program.startswith("#!/usr/bin/python3 -I\n")
    text = program.replace("/usr/lib/ingestd", str(package / "usr/lib/ingestd"))
    begun, _, _ = text.partition("sys.exit")
    asked = f"{begun}\nprint(main.__code__.co_filename)"
    assert str(package) in do(sys.executable, "-c", asked)


@pytest.mark.parametrize("word", ["abort-upgrade", "abort-remove", "abort-deconfigure"])
def test_a_daemon_that_was_stopped_for_nothing_is_started_again(
    package: Path, tmp_path: Path, word: str
) -> None:
    script = tmp_path / "postinst"
    text = (package / "DEBIAN/postinst").read_text()
    assert "/run/systemd/system" in text
    script.write_text(text.replace("/run/systemd/system", str(tmp_path)))
    for name in ("deb-systemd-invoke", "systemctl"):
        stand_in = tmp_path / "bin" / name
        stand_in.parent.mkdir(exist_ok=True)
        stand_in.write_text(f'#!/bin/sh\necho "$@" >>{tmp_path}/{name}.told\n')
        stand_in.chmod(0o755)
    do("bash", script, word, "0.1.0-8", PATH=f"{tmp_path}/bin:{os.environ['PATH']}")
    assert (tmp_path / "deb-systemd-invoke.told").read_text().splitlines() == [
        "start ingestd-helper.socket",
        "start ingestd.service",
    ]
