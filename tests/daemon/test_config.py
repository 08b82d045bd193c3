"""The configuration file: everything that is wrong with it at once, and a default that is complete."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from ingestd.runtime import config
from ingestd.runtime.config import Config, ConfigError, parse

DEFAULT = Path(__file__).parents[2] / "deploy" / "ingestd.toml"

MINIMAL: dict[str, Any] = {
    "station": {"name": "quay-03", "state_folder": "/state"},
    "bus": {"spool_folder": "/spool"},
    "drives": {"bays_folder": "/bays"},
    "stores": [{"name": "archive", "folder": "/archive"}],
}


def changed(**sections: Any) -> dict[str, Any]:
    merged = {name: dict(v) if isinstance(v, dict) else v for name, v in MINIMAL.items()}
    for name, values in sections.items():
        merged[name] = {**merged.get(name, {}), **values} if isinstance(values, dict) else values
    return merged


def problems(data: dict[str, Any]) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        parse(data)
    return caught.value.problems


def test_the_least_that_has_to_be_said() -> None:
    assert parse(MINIMAL).limits().stores == ("archive",)


def test_every_problem_is_told_at_once() -> None:
    data = changed(
        station={"name": "quay 03", "loads_max": 0}, bus={"spool_folder": "spool"}, uplink={"burst_bytes": -1}
    )
    told = problems(data)
    assert [text.split(":")[0] for text in told] == [
        "station.name",
        "station.loads_max",
        "bus.spool_folder",
        "uplink.burst_bytes",
    ]
    assert "must be an absolute path" in told[2]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (
            changed(station={"loads_maximum": 3}),
            "station.loads_maximum: is not a known key; did you mean loads_max?",
        ),
        (changed(upling={}), "upling: is not a known key; did you mean uplink?"),
        (
            changed(stores=[{"name": "v", "folder": "/v", "fodler": "/w"}]),
            "stores[0].fodler: is not a known key; did you mean folder?",
        ),
        (
            changed(requirements={"not-encryptet": "off"}),
            "requirements.not-encryptet: is not a requirement that may be changed; "
            "did you mean not-encrypted?",
        ),
    ],
)
def test_an_unknown_key_comes_with_a_suggestion(data: dict[str, Any], text: str) -> None:
    assert problems(data) == (text,)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (changed(transfer={"buffers": 4}), "transfer.buffers: 4 buffers cannot give each of 8 loads"),
        (changed(transfer={"senders": 4}), "transfer.senders: 4 senders cannot serve 8 loads"),
        (changed(uplink={"burst_bytes": 100_000}), "uplink.burst_bytes: means nothing without"),
        (changed(stores=[{"name": "v", "folder": "/v"}] * 2), "stores: two stores are named v"),
        (changed(stores=[]), "stores: "),
        (changed(station={"loads_max": "8"}), "station.loads_max: "),
        (changed(requirements={"file-unreadable": "off"}), "requirements.file-unreadable: "),
        (changed(drives={"watch": "udev"}), "bays: there is none; drives.watch"),
        (changed(drives={"bays_folder": None}), 'drives.bays_folder: is missing; drives.watch = "folder"'),
        (changed(bays=[{"name": "b", "path": ["x"]}] * 2), "bays: two bays are named b; "),
        (changed(bays=[{"name": "b"}]), "bays: b has neither path nor match; "),
    ],
)
def test_contradictions_and_wrong_values_name_their_key(data: dict[str, Any], words: str) -> None:
    assert any(text.startswith(words) for text in problems(data)), problems(data)


def test_a_missing_section_is_told_as_such() -> None:
    assert "bus: is missing; it has no default" in problems({k: v for k, v in MINIMAL.items() if k != "bus"})


def test_what_is_not_toml_or_not_there_is_told_in_words(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    with pytest.raises(ConfigError) as caught:
        config.read(str(path))
    assert "cannot be read" in caught.value.problems[0]
    path.write_text("station = [")
    with pytest.raises(ConfigError) as caught:
        config.read(str(path))
    assert "is not TOML" in caught.value.problems[0]


# -- the commented default -------------------------------------------------------------------------

_KEY = re.compile(r'^(# )?("?[a-z][a-z0-9_-]*"?) = (.+)$')


def _sections() -> dict[str, dict[str, tuple[bool, Any]]]:
    """Section to key to (commented out, value), as the default file has them."""
    found: dict[str, dict[str, tuple[bool, Any]]] = {}
    section = ""
    for line in DEFAULT.read_text().splitlines():
        if match := re.match(r"^\[+([a-z]+)\]+$", line):
            section = match[1]
            found[section] = {}
        elif match := _KEY.match(line):
            value = tomllib.loads(f"x = {match[3]}")["x"]
            found[section][match[2]] = (bool(match[1]), value)
    return found


def _models() -> dict[str, type[BaseModel]]:
    return {
        "station": config.StationSection,
        "bus": config.BusSection,
        "drives": config.DrivesSection,
        "bays": config.BaySection,
        "stores": config.StoreSection,
        "uplink": config.UplinkSection,
        "transfer": config.TransferSection,
        "logs": config.LogsSection,
    }


def test_the_default_file_is_valid() -> None:
    assert config.read(str(DEFAULT)).station.name == "quay-03"


def test_the_default_file_has_every_section_and_key_and_no_other() -> None:
    written = _sections()
    assert set(written) == set(Config.model_fields) == {*_models(), "requirements"}
    for name, model in _models().items():
        assert set(written[name]) == set(model.model_fields), name


_SHOWN = {("drives", "bays_folder"), ("bays", "path")}
"""Not needed always, but by what the default file chooses."""


@pytest.mark.parametrize("section", _models())
def test_a_key_that_is_commented_out_shows_its_default(section: str) -> None:
    for key, field in _models()[section].model_fields.items():
        commented, value = _sections()[section][key]
        default = field.get_default(call_default_factory=True)
        if (section, key) not in _SHOWN:
            assert commented != field.is_required(), f"{section}.{key}"
        if commented and default is not None:
            assert value == default, f"{section}.{key}"


def test_each_key_of_the_default_file_has_a_comment_before_it() -> None:
    before = ""
    for line in DEFAULT.read_text().splitlines():
        if _KEY.match(line) and not line.startswith(('# "', "# unexpected-item", "# not-encrypted")):
            assert before.startswith("# "), line
        before = line
