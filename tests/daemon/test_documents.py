"""What the guides claim and a machine can check: commands, files, modules, settings, the scene."""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from ingestd.bus import spool
from ingestd.core.requirements import may_be_changed
from ingestd.runtime import cli, config, config_stores

TOP = Path(__file__).parents[2]
README, GUIDE = TOP / "README.md", TOP / "DEVELOPERS.md"
GUIDES = [README, GUIDE]


# -- programs --------------------------------------------------------------------------------------


def test_every_module_to_be_run_can_be_found() -> None:
    named = {name for guide in GUIDES for name in re.findall(r"python -m ([\w.]+)", guide.read_text())}
    assert named
    assert sorted(name for name in named if importlib.util.find_spec(name) is None) == []


def test_every_test_folder_is_in_the_table_and_no_other() -> None:
    section = GUIDE.read_text().split("\n## Testing\n", 1)[1].split("\n## ", 1)[0]
    listed = set(re.findall(r"^\| `tests/(\w+)` \|", section, re.MULTILINE))
    there = {path.name for path in (TOP / "tests").iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert there - {"support"} == listed


@pytest.mark.parametrize("name", ["deploy/try", "deploy/venv", "tests/run", ".ci/run"])
def test_programs_can_be_run_and_are_sound_as_far_as_the_shell_can_tell(name: str) -> None:
    assert os.access(TOP / name, os.X_OK)
    subprocess.run(["bash", "-n", str(TOP / name)], check=True)


# -- commands and settings -------------------------------------------------------------------------


def commands() -> dict[str, argparse.ArgumentParser]:
    (sub,) = [a for a in cli._parser()._actions if isinstance(a, argparse._SubParsersAction)]
    found: dict[str, argparse.ArgumentParser] = dict(sub.choices)
    return found


def test_every_command_is_shown_and_no_other() -> None:
    shown = set(re.findall(r"^ingestd (\w+)", README.read_text(), re.MULTILINE))
    assert shown == set(commands())


def help_of(parser: argparse.ArgumentParser) -> str:
    """Of a command and of all that it is divided into."""
    below = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return "\n".join([parser.format_help(), *(help_of(p) for a in below for p in a.choices.values())])


def test_every_option_that_is_shown_exists() -> None:
    lines = re.findall(r"^ingestd (\w+)([^#&\n]*)", README.read_text(), re.MULTILINE)
    for name, rest in lines:
        options = help_of(commands()[name])
        for option in re.findall(r"--\w+", rest):
            assert option in options, f"ingestd {name} {option}"


def test_every_setting_that_is_shown_with_a_value_exists() -> None:
    sections = [field.annotation for field in config.Config.model_fields.values()]
    sections += config_stores.STORE_KINDS.values()
    keys = {key for section in sections for key in getattr(section, "model_fields", {})}
    shown = {key for guide in GUIDES for key in re.findall(r'`(\w+) = "\w+"`', guide.read_text())}
    assert "watch" in shown
    assert shown - keys == set()


def test_every_folder_of_the_spool_that_is_named_exists() -> None:
    named = {name for guide in GUIDES for name in re.findall(r"\bspool/(\w+)/?`", guide.read_text())}
    assert named == set(spool.FOLDERS)


def test_the_requirements_in_the_default_configuration_may_be_changed() -> None:
    text = (TOP / "deploy" / "ingestd.toml").read_text().split("\n[requirements]\n")[1].split("\n[")[0]
    codes = re.findall(r'^# ([a-z-]+) = "', text, re.MULTILINE)
    assert codes
    assert all(may_be_changed(code) for code in codes)


def test_the_job_ticket_and_the_drive_card_that_are_shown_are_json() -> None:
    for text in re.findall(r"`(\{\".*?\})`", README.read_text()):
        if ":" in text:
            json.loads(text)


# -- the scene -------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [(), ("--folders",)], ids=["as it comes", "folders"])
def test_the_main_job_ends_as_it_should(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """As root, the drives are loop devices."""
    played = subprocess.run(
        [sys.executable, str(TOP / "deploy" / "scene"), *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=150,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )
    assert played.returncode == 0, played.stdout + played.stderr
    assert "Every drive ended as it should" in played.stdout
    assert played.stderr == ""
