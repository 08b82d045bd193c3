"""How soon a drive that is plugged in is at work, and what the watch costs.

    python -m tests.bench.bench_udev [--drives 20] [--looks 200]

Needs root. Loop devices stand for disks and a real udev tells of them. The first figure is from the moment
at which `losetup` returns, which is after the kernel's event, until the daemon's log says `surveying`.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from datetime import datetime
from pathlib import Path

from ingestd.core.model import BayName
from ingestd.drives.bays import Bay
from ingestd.drives.udev import UdevDrives
from tests.support.daemon import Station, sealed, wait_for
from tests.support.drives import attach, make_image, udev_drives, unplug_all, unplug_image
from tests.support.udevd import HERE, settle, tell, told_of_images, udevd


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--drives", type=int, default=20)
    parser.add_argument("--looks", type=int, default=200)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch, udevd(), told_of_images(Path(scratch)):
        try:
            show_spread("kernel event to surveying", until_surveying(Path(scratch), args.drives), "ms")
            show_spread("a look at 64 drives", looks(Path(scratch), 64, args.looks), "ms")
        finally:
            unplug_all(Path(scratch))


def show_spread(what: str, figures: list[float], unit: str) -> None:
    middle, most = statistics.median(figures), max(figures)
    print(
        f"{what:<32}{middle:>10.1f} {unit} median{most:>10.1f} {unit} at most, of {len(figures)}", flush=True
    )


def disk(folder: Path, name: str, bay: str) -> Path:
    image = make_image(folder / f"{name}.img", {"dive.7z": sealed(100_000)}, size_mib=4)
    facts = {"ID_SERIAL_SHORT": f"TW-{name}", "ID_WWN": f"0x5000c500{name.encode().hex():0>8}"}
    tell(image, {"ID_PATH": f"{HERE}-{bay}-scsi-0", "ID_MODEL_ENC": "Brinecroft\\x202T", **facts})
    return image


def until_surveying(folder: Path, count: int) -> list[float]:
    station = Station(folder, drives={"watch": "udev"})
    with station.config.open("a") as file:
        file.write(f'[[bays]]\nname = "bay-1"\npath = ["{HERE}-one-*"]\n')
    figures = []
    station.start()
    try:
        for number in range(count):
            name = f"s{number:03d}"
            image = disk(folder, name, "one")
            station.announce(f"J-{number}", f"TW-{name}")
            wait_for(lambda job=f"J-{number}": station.lines("notice_accepted"), 20)  # type: ignore[misc]
            time.sleep(0.2)
            device = attach(image)
            plugged = time.time()
            load = wait_for(lambda wanted=number: surveying(station, wanted), 30)  # type: ignore[misc]
            figures.append(1000 * (load - plugged))
            station.wait_released(f"TW-{name}")
            unplug_image(device)
    finally:
        station.stop()
    return figures


def surveying(station: Station, number: int) -> float | None:
    """When the load with this number, from 0, went into its survey; seconds since 1970."""
    begun = [line for line in station.lines("load_phase") if line["phase"] == "surveying"]
    return datetime.fromisoformat(begun[number]["timestamp"]).timestamp() if len(begun) > number else None


def looks(folder: Path, drives: int, count: int) -> list[float]:
    for number in range(drives):
        image = folder / f"blank{number}.img"
        with image.open("wb") as file:
            file.truncate(1 << 20)
        tell(image, {"ID_PATH": f"{HERE}-slot{number:02d}-scsi-0", "ID_SERIAL_SHORT": f"TW-B{number}"})
        attach(image)
    settle()
    bays = [Bay(name=BayName(f"slot{n:02d}"), paths=(f"{HERE}-slot{n:02d}-*",)) for n in range(drives)]
    source = udev_drives(bays, folder / "mounts")
    assert len(source.enumerate()) == drives
    return [1000 * seconds(source) for _ in range(count)]


def seconds(source: UdevDrives) -> float:
    begun = time.monotonic()
    source.enumerate()
    return time.monotonic() - begun


if __name__ == "__main__":
    main()
