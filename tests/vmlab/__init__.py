"""A lab for software that watches, mounts and reads hot-plugged drives: real ones, to a guest's kernel.

A lab is a QEMU guest with a kernel from Debian. Its root file system is the host's, shared read-only and
overlaid in memory, so the host's Python, virtual environments and checkouts run in it as they are, at the
same paths. The host plugs drives in and pulls them out; in the guest they are USB mass storage, UAS, SCSI,
NVMe or SATA disks with udev, partition tables, file systems and unreadable sectors as on any station. No
KVM is needed. `python -m tests.vmlab` unpacks the kernel below /var/tmp/vmlab, once.

    files = {"archive.age": os.urandom(3_000_000)}
    image = make_image("a.img", "64M", table="gpt", fs="ntfs", label="KELP-03", files=files)
    first, count = find_sectors(image, files["archive.age"])[0]
    with Lab() as lab:
        drive = lab.plug(image, serial="K7QX01", bad=[(first + count // 2, 8)])
        status, out = lab.shell(f"mount -t ntfs3 -o ro {drive.partitions[0]} /mnt && ls -l /mnt")
        assert lab.traffic(drive)["write_requests"] == 0
        lab.unplug(drive)

How it works. `kernel.py` has apt-get download the packages and unpacks them. `initramfs/init` loads five
modules, mounts the host's root over 9p with a tmpfs overlay and switches to it; `initramfs/stage2` starts
systemd-udevd, then the USB drivers, so that udev misses nothing. `initramfs/agent.py` runs commands for
the host over a virtio-serial port (`channel.py`); when the host's process ends, however it ends, the port
closes and the guest switches itself off. `lab.py` talks QMP (`qmp.py`) to plug and unplug. Bad sectors are
rules of QEMU's blkdebug: ENODATA, which its disk reports as MEDIUM ERROR, unrecovered read error; buffered
readers then get EIO, those with O_DIRECT ENODATA, as from a failing disk.

Limits. Everything that computes runs at about a twelfth of the host's speed. SATA drives are there from the
start only. Every USB drive has vendor and product 46f4:0001 (UAS: 46f4:0003) at SuperSpeed, and answers no
ATA pass-through. A bad sector fails every read for good, at most 4,096 of them a drive. No systemd runs in
the guest, only udevd, unless it has a disk of its own (`Lab(disk=)`). Host files that change while a guest
runs may not be seen there, except in the shared folder. The guest is root and reads the whole of the host's
root file system.
"""

from .channel import GuestError
from .drives import Drive, DriveSpec
from .images import Partition, find_sectors, make_image
from .kernel import NotPreparedError, cache_folder, prepare
from .lab import GUEST_SHARE, Job, Lab, Result

__all__ = [
    "GUEST_SHARE",
    "Drive",
    "DriveSpec",
    "GuestError",
    "Job",
    "Lab",
    "NotPreparedError",
    "Partition",
    "Result",
    "cache_folder",
    "find_sectors",
    "make_image",
    "prepare",
]
