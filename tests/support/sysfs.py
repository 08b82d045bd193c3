"""A folder laid out as the kernel lays out sysfs, for buses that the machine does not have."""

from __future__ import annotations

from pathlib import Path


class Tree:
    """Devices below a folder that stands for /sys."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def device(self, path: str, subsystem: str, **attributes: str) -> str:
        """A device's folder with its subsystem and attributes; gives its full path."""
        folder = self.root / path
        folder.mkdir(parents=True, exist_ok=True)
        bus = self.root / "bus" / subsystem
        bus.mkdir(parents=True, exist_ok=True)
        if not (folder / "subsystem").is_symlink():
            (folder / "subsystem").symlink_to(bus)
        for name, value in attributes.items():
            self.write(f"{path}/{name}", f"{value}\n".encode())
        return str(folder)

    def write(self, path: str, content: bytes) -> None:
        (self.root / path).write_bytes(content)
