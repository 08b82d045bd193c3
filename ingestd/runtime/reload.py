"""What a running daemon takes over from a changed configuration, and what takes a restart."""

from __future__ import annotations

from ingestd.runtime.config import Config
from ingestd.runtime.config_uplink import UplinkSection

_LIVE = {
    "station": {
        "loads_max",
        "stop_within_seconds",
        "unclaimed_after_seconds",
        "progress_every_seconds",
        "report_every_seconds",
    },
    "drives": {"files_max", "interfaces_refused"},
    "tickets": {"keys", "unsigned"},
    "transfer": {"passes_max"},
    "uplink": set(UplinkSection.model_fields),
    "logs": {"level", "format"},
}
"""Keys that take effect on SIGHUP; `requirements` does as a whole."""


def changed_keys(old: Config, new: Config) -> list[str]:
    """The keys that differ, as `section.key`."""
    changed = []
    for name in Config.model_fields:
        a, b = getattr(old, name), getattr(new, name)
        if a == b:
            continue
        if hasattr(a, "model_fields_set"):
            fields = type(a).model_fields
            changed += [f"{name}.{key}" for key in fields if getattr(a, key) != getattr(b, key)]
        else:
            changed.append(name)
    return changed


def fixed_differences(old: Config, new: Config) -> list[str]:
    """The changed keys that take a restart."""
    return [key for key in changed_keys(old, new) if not _is_live(key)]


def _is_live(key: str) -> bool:
    section, _, name = key.partition(".")
    return section == "requirements" or name in _LIVE.get(section, set())


def keep_fixed(old: Config, new: Config) -> Config:
    """The new configuration with the keys that take a restart as they were."""
    sections = {}
    for name in Config.model_fields:
        a, b = getattr(old, name), getattr(new, name)
        if name == "requirements":
            sections[name] = b
        elif hasattr(a, "model_fields_set"):
            live = _LIVE.get(name, set())
            sections[name] = a.model_copy(update={key: getattr(b, key) for key in live})
        else:
            sections[name] = a
    return Config.model_construct(**sections)
