"""The guest's kernel and tools: Debian packages unpacked into a cache, never installed.

The cache holds

    tools/              busybox, kmod (as modprobe and depmod), mtools, exfat-fuse and its library
    kernels/PACKAGE/    vmlinux, release, lib/modules/RELEASE

and nothing in it depends on this code's version: the initial RAM disk is built at each start.
"""

import lzma
import os
import re
import shutil
import struct
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from .process import run

KERNEL_PACKAGES = ("linux-image-6.12-amd64", "linux-image-amd64")
"""The packages to take a kernel from, best first: Debian 12's own 6.1 lacks ntfs3."""

TOOLS = {
    "busybox-static": {"busybox": "bin/busybox"},
    "kmod": {"modprobe": "bin/kmod", "depmod": "bin/kmod"},
    "mtools": {"mcopy": "usr/bin/mtools"},
    "exfat-fuse": {"mount.exfat-fuse": "sbin/mount.exfat-fuse"},
    "libfuse2": {"libfuse.so.2": "lib/x86_64-linux-gnu/libfuse.so.2"},
}
"""Which file of which package is kept, under what name."""

EARLY_MODULES = ("virtio_pci", "virtio_console", "9pnet_virtio", "9p", "overlay")
"""What the initial RAM disk loads; everything else comes from the host's root, on demand."""

DISK_MODULES = ("virtio_pci", "virtio_console", "9pnet_virtio", "9p", "virtio_blk", "crc32c_generic", "ext4")
"""The same, where the root file system is on a disk of the guest's own."""

LEFT_OUT = re.compile(
    r"kernel/(sound|drivers/(accel|comedi|edac|gpu|hwmon|hwtracing|iio|infiniband|isdn|leds|media"
    r"|mfd|mtd|platform|power|ptp|pwm|rtc|spi|staging|video|w1|xen|net/(can|ethernet|fddi|hamradio"
    r"|ieee802154|phy|usb|wireless|wwan)))/"
)
"""Parts of the kernel tree with no use here, left out to keep the cache small."""

INITRAMFS = Path(__file__).parent / "initramfs"


class NotPreparedError(RuntimeError):
    """There is no unpacked kernel in the cache."""


@dataclass(frozen=True)
class Kernel:
    """An unpacked kernel, ready to boot."""

    package: str
    release: str
    vmlinux: Path
    modules: Path


def cache_folder() -> Path:
    """Where packages are unpacked: ``VMLAB_CACHE``, or a folder that outlives a reboot."""
    return Path(os.environ.get("VMLAB_CACHE", "/var/tmp/vmlab"))


def tools_folder() -> Path:
    return cache_folder() / "tools"


def find() -> Kernel:
    """The best prepared kernel there is.

    Raises NotPreparedError when there is none.
    """
    for candidate in KERNEL_PACKAGES:
        folder = cache_folder() / "kernels" / candidate
        if (folder / "release").exists():  # written last
            release = (folder / "release").read_text().strip()
            modules = folder / "lib/modules" / release
            return Kernel(candidate, release, folder / "vmlinux", modules)
    raise NotPreparedError(
        f"no kernel of {' or '.join(KERNEL_PACKAGES)} in {cache_folder()}: run `python -m tests.vmlab` first"
    )


def prepare(log: Callable[[str], None] = print) -> Kernel:
    """Download and unpack what a guest needs, unless the cache has it.

    Needs a working ``apt-get`` with current package lists, and no privilege.
    """
    if not (tools_folder() / "libfuse.so.2").exists():
        log("unpacking tools")
        _prepare_tools()
    try:
        return find()
    except NotPreparedError:
        package = _first_available(KERNEL_PACKAGES)
    log(f"unpacking {package}")
    _prepare_kernel(package)
    return find()


def _prepare_tools() -> None:
    tools_folder().mkdir(parents=True, exist_ok=True)
    with _unpacked(*TOOLS) as folder:
        for files in TOOLS.values():
            for name, source in files.items():
                target = tools_folder() / name
                target.unlink(missing_ok=True)
                shutil.copy2(folder / source, target)


def _prepare_kernel(package: str) -> None:
    folder = cache_folder() / "kernels" / package
    with _unpacked(_actual_package(package)) as unpacked:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        (image,) = unpacked.glob("boot/vmlinuz-*")
        (modules,) = unpacked.glob("lib/modules/*")
        (folder / "vmlinux").write_bytes(_uncompressed_kernel(image.read_bytes()))
        _copy_modules(modules, folder / "lib/modules" / modules.name)
    run(tools_folder() / "depmod", "--basedir", folder, modules.name)
    (folder / "release").write_text(modules.name + "\n")


def _first_available(packages: tuple[str, ...]) -> str:
    for package in packages:
        if re.search(rb"Candidate: [^(]", run("apt-cache", "policy", package)):
            return package
    raise NotPreparedError(
        f"apt-cache knows none of {', '.join(packages)}: run `apt-get update`, and try again"
    )


def _actual_package(package: str) -> str:
    """The package that a metapackage stands for today; any other package is itself."""
    for line in run("apt-cache", "depends", package).decode().splitlines():
        kind, _, name = line.strip().partition(": ")
        if kind == "Depends" and name.startswith("linux-image-"):
            return name
    return package


@contextmanager
def _unpacked(*packages: str) -> Iterator[Path]:
    """A temporary folder with the contents of packages, one over the other."""
    cache_folder().mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=cache_folder(), prefix="unpack-") as name:
        folder = Path(name)
        download = ("apt-get", "download", "--quiet=2", "-o", "APT::Sandbox::User=root")
        run(*download, *packages, cwd=folder)
        for archive in folder.glob("*.deb"):
            run("dpkg-deb", "--extract", archive, folder / "root")
        yield folder / "root"


def _uncompressed_kernel(image: bytes) -> bytes:
    """The ELF file inside a bzImage: starts at once, where the guest would unpack for seconds.

    Offsets are those of the kernel's "Linux/x86 Boot Protocol": setup_sects, payload_offset and
    payload_length.  The last four bytes of the payload are its unpacked size.
    """
    setup_sectors = image[0x1F1] or 4
    offset, length = struct.unpack_from("<II", image, 0x248)
    start = (setup_sectors + 1) * 512 + offset
    payload = image[start : start + length]
    if payload.startswith(b"\xfd7zXZ\0"):
        return lzma.LZMADecompressor().decompress(payload)
    if payload.startswith(b"\x28\xb5\x2f\xfd"):
        return run("zstd", "--decompress", "--stdout", "--quiet", data=payload[:-4])
    raise NotImplementedError(f"a kernel compressed otherwise than by xz or zstd: {payload[:6]!r}")


def _copy_modules(source: Path, target: Path) -> None:
    target.mkdir(parents=True)
    for index in source.glob("modules.*"):
        shutil.copy2(index, target)
    with ThreadPoolExecutor(os.cpu_count()) as pool:  # lzma lets other threads run
        for _ in pool.map(lambda path: _copy_module(source, path, target), _wanted(source)):
            pass


def _wanted(modules: Path) -> Iterator[Path]:
    for path in modules.glob("kernel/**/*.ko*"):
        if not LEFT_OUT.match(path.relative_to(modules).as_posix()):
            yield path


def _copy_module(source: Path, path: Path, target: Path) -> None:
    copy = target / path.relative_to(source)
    copy.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".xz":
        copy.with_suffix("").write_bytes(lzma.decompress(path.read_bytes()))
    else:
        shutil.copy2(path, copy)


def build_initramfs(kernel: Kernel, target: Path, *, has_disk: bool = False) -> None:
    """Write the initial RAM disk: busybox, the early modules in order, both stages, the agent.

    With ``has_disk``, the root file system is on a disk, whose own init is started.
    """
    modules = _in_loading_order(kernel.modules, DISK_MODULES if has_disk else EARLY_MODULES)
    archive = _Cpio()
    for folder in ("bin", "dev", "early", "host", "memory", "proc", "root", "run", "sys"):
        archive.add_folder(folder)
    archive.add_console("dev/console")
    archive.add_file("bin/busybox", (tools_folder() / "busybox").read_bytes(), executable=True)
    archive.add_file("early/order", "\n".join(path.name for path in modules).encode())
    for path in modules:
        archive.add_file(f"early/{path.name}", path.read_bytes())
    init = INITRAMFS / ("init-disk" if has_disk else "init")
    archive.add_file("init", init.read_bytes(), executable=True)
    for name in ("stage2", "agent.py", "agent.service"):
        archive.add_file(name, (INITRAMFS / name).read_bytes())
    target.write_bytes(archive.finished())


def _in_loading_order(modules: Path, names: tuple[str, ...]) -> list[Path]:
    """The files of modules and of what they depend on, each after what it needs."""
    needs: dict[str, list[str]] = {}
    for line in (modules / "modules.dep").read_text().splitlines():
        path, _, others = line.partition(":")
        needs[_module_name(path)] = [path, *others.split()]
    built_in = {_module_name(line) for line in (modules / "modules.builtin").read_text().split()}
    order: list[str] = []
    for name in names:
        if name not in built_in:
            order += [path for path in reversed(needs[name]) if path not in order]
    return [modules / path for path in order]


def _module_name(path: str) -> str:
    return Path(path).name.partition(".")[0].replace("-", "_")


class _Cpio:
    """An archive in the "newc" format, as the kernel's initramfs buffer format document has it."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._inode = 0

    def add_folder(self, name: str) -> None:
        self._add(name, mode=0o40755)

    def add_file(self, name: str, data: bytes, *, executable: bool = False) -> None:
        self._add(name, mode=0o100755 if executable else 0o100644, data=data)

    def add_console(self, name: str) -> None:
        self._add(name, mode=0o20600, device=(5, 1))

    def finished(self) -> bytes:
        self._add("TRAILER!!!", mode=0)
        return b"".join(self._parts)

    def _add(self, name: str, *, mode: int, data: bytes = b"", device: tuple[int, int] = (0, 0)) -> None:
        self._inode += 1
        path = name.encode() + b"\0"
        fields = (self._inode, mode, 0, 0, 1, 0, len(data), 0, 0, *device, len(path), 0)
        header = b"070701" + b"".join(b"%08x" % field for field in fields)
        self._parts += [_padded(header + path), _padded(data)]


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)
