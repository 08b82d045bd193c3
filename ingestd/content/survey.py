"""The survey: one look at everything on a drive but the files' content.

Every readable volume is walked. Each file goes into the manifest, with the reason where it is not to be
loaded, so that the ledger has every byte that was discovered; what cannot be loaded at all (links,
special files, folders that cannot be read) is counted and exemplified. The facts judge nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from functools import partial
from itertools import islice, repeat
from operator import methodcaller

import structlog

from ingestd.content import bags, checksums, joined, selection
from ingestd.content.ahead import Ahead
from ingestd.content.alongside import Putting, alongside
from ingestd.content.announced import Announced
from ingestd.content.bag_words import shown
from ingestd.content.extents import Places
from ingestd.content.faults import lacks_rights
from ingestd.content.looks import Looks, OtherDrives
from ingestd.content.parts import Parts
from ingestd.content.selection import Region, Tally, region_in_bag, region_of
from ingestd.content.walk import Found, Kind, no_place, runs
from ingestd.core.bag_lines import PAYLOAD
from ingestd.core.digests import SHA256
from ingestd.core.drive import Health
from ingestd.core.found import BagFact, ChecksumListFact, Samples, SecrecyFact, SurveyFacts
from ingestd.core.job import Job
from ingestd.core.names import is_checksum_list, is_control_file, located, printable
from ingestd.ports import (
    CancelToken,
    DriveGoneError,
    Expectation,
    FileEntry,
    Manifest,
    OpenDrive,
    PortError,
    Said,
    SurveyDifferences,
    Volume,
)

BATCH_ENTRIES = 4000
LOOKED_INTO_MAX = 1000
"""Files looked into where nothing is announced; the others are, as they are read."""
PIECES_MAX = 10_000
"""Further files that may be pieces of one with those."""
LISTS_MAX = 1000
MISSING_MAX = 100

_WITH_SUBVOLUMES = frozenset({"btrfs", "bcachefs"})
"""File systems that have others within them, of device numbers of their own, though nobody mounted them."""

_FILE = Kind.FILE
"""Looked up once, since enumerations take their time."""

Carries = Callable[[str, bytes], bool]
"""Whether the store can hold a file of this volume under a name made of this path."""


def _carries_all(volume: str, path: bytes) -> bool:
    del volume, path
    return True


Room = Callable[[int], None]
"""Told how many files a survey has found so far; raises StationFull where there is no room for more."""


def _room_for_all(files: int) -> None:
    del files


_Checksums = Mapping[tuple[str, bytes], bytes]


def survey(
    drive: OpenDrive,
    job: Job,
    manifest: Manifest,
    *,
    reserved: bytes,
    cancel: CancelToken,
    sniff: bool,
    carries: Carries = _carries_all,
    room: Room = _room_for_all,
) -> SurveyFacts:
    """Walk every readable volume, fill the manifest, and say what was seen.

    `reserved` is the name in a root under which nothing of the customer's may lie. With `sniff`,
    announced files are looked into for encryption; where nothing is announced, the first 1,000. What
    cannot be read of a file is left to the transfer, which names the damage. A path that the store
    does not carry counts as out of bounds.

    Raises DriveGoneError, ResourcesExhausted, StationFull, Cancelled, and PortError for a folder to be
    loaded that the station cannot read through no fault of the drive: rights are missing, or it is of
    another file system.
    """
    with alongside(manifest) as batches:
        work = _Survey(drive, job, manifest, batches, reserved, cancel, carries, room)
        manifest.begin_survey(work.require_room)
        for index, volume in enumerate(drive.volumes):
            if volume.facts.problem is None:
                work.walk(volume, index)
        batches.finish()
    lists = work.expect()
    bag_facts = work.bags.facts()
    cancel.check()
    differences = manifest.end_survey(repeated=work.repeated)
    secrecy = work.look() if sniff else ()
    work.require_drive()
    return work.facts(lists, bag_facts, secrecy, differences)


class _Survey:
    def __init__(
        self,
        drive: OpenDrive,
        job: Job,
        manifest: Manifest,
        batches: Putting,
        reserved: bytes,
        cancel: CancelToken,
        carries: Carries,
        room: Room,
    ) -> None:
        self._drive = drive
        self._manifest = manifest
        self._batches = batches
        self.repeated = False
        """Whether a path may have been found twice."""
        self._reserved = reserved
        self._carries = carries
        self._room = room
        self._files = 0
        self._cancel = cancel
        self._announced = Announced(job.items, self._is_in_a_root)
        self._several_drives = len(job.drives) > 1
        self._begun: tuple[str, ...] = ()
        self._root_entry = self._payload_entry = b""
        self._region = Region()
        self._batch: list[FileEntry] = []
        self._lists: list[tuple[Volume, bytes]] = []
        self._lists_passed_over = 0
        self._algorithms, self._lines = checksums.Algorithms(), checksums.Lines()
        self.bags = bags.Bags(manifest, self._algorithms, cancel, self.require_drive)
        self._bagged = self._in_payload = False
        """Whether the root that is walked is the folder of a bag, and the walk in its payload."""
        self._beyond_notice = Tally()
        self._to_look_into: list[tuple[Volume, Found]] = []
        self._further: list[tuple[Volume, Found]] = []
        """Of what is not looked into by itself, what may be pieces of what is."""
        self._unexpected, self._links, self._specials = Tally(), Tally(), Tally()
        self._subvolumes = Tally()
        self._empty, self._parts = Tally(), Parts()
        self._index = 0
        self._unlistable, self._out_of_bounds, self._reserved_files = Tally(), Tally(), Tally()

    # -- the walk -----------------------------------------------------------------------------

    def walk(self, volume: Volume, index: int) -> None:
        """Take in everything on a volume, with its places on a medium where they cost time."""
        self._index = index
        self._root_entry = self._payload_entry = b""
        self._in_payload = False
        self._bagged = bags.is_bag(volume.root_fd)
        turns = self._drive.facts.rotational is not False
        place_of = Places(index).of if turns else no_place
        walk = runs(volume.root_fd, cancel=self._cancel, place_of=place_of)
        gently = self._drive.facts.health.verdict is Health.SUSPECT
        with closing(Ahead(volume.root_fd, gently)) as ahead, closing(walk) as everything:
            for run in everything:
                ahead.past(len(run.found))
                self.repeated = self.repeated or run.in_parts
                self._take_run(volume, run.found)
                if len(self._batch) >= BATCH_ENTRIES:
                    self._flush()
        self._flush()
        self.require_drive()

    def _take_run(self, volume: Volume, run: Sequence[Found]) -> None:
        """Entries of one folder. Of most files nothing but their facts is asked, and that is quickly done."""
        below = run[0].path.count(b"/") > self._in_payload
        if not below or self._region.skip is not None or self._announced.anything:
            for found in run:
                self._take(volume, found)
            return
        name, carries, batch = volume.facts.name, self._carries, self._batch
        all_looked_into = len(self._to_look_into) >= LOOKED_INTO_MAX
        paths, kinds, sizes, times, inodes, _, _, places = zip(*run, strict=True)
        if (
            all_looked_into
            and kinds.count(_FILE) == len(run)
            and 0 not in sizes
            and not self._parts.may_be_among(paths)
            and not any(map(_is_declaration, paths))
            and (carries is _carries_all or all(map(carries, repeat(name), paths)))
        ):
            facts = zip(repeat(name), paths, sizes, times, inodes, repeat(None), places)
            batch.extend(map(tuple.__new__, repeat(FileEntry), facts))
            return
        index, note_part, any_path = self._index, self._parts.note, carries is _carries_all
        for found in run:
            path, kind, size_bytes, mtime_ns, inode, _, _, place = found
            plain = kind is _FILE and size_bytes and all_looked_into
            if plain and not path.endswith(bags.DECLARATION) and (any_path or carries(name, path)):
                batch.append(_entry((name, path, size_bytes, mtime_ns, inode, None, place)))
                if note_part(index, path):
                    self._note_piece(volume, found)
            else:
                self._take(volume, found)

    def _take(self, volume: Volume, found: Found) -> None:
        name = volume.facts.name
        if self._begins_a_region(found.path):
            self._enter_region(volume, found)
        self._announced.note_near(name, found.path)
        if found.kind in (Kind.UNLISTABLE, Kind.OTHER_DEVICE):
            self._take_unlistable(volume, found)
        elif found.regular:
            self._take_file(volume, found)
        elif self._region.skip is None and found.kind is not Kind.FOLDER:
            tally = {Kind.LINK: self._links, Kind.SPECIAL: self._specials}
            tally.get(found.kind, self._out_of_bounds).add(partial(located, name, found.path))

    def _begins_a_region(self, path: bytes) -> bool:
        """Whether it lies in a root, or in the payload of a bag that is the root, which stands for it."""
        if b"/" not in path:
            return path not in (b"", self._root_entry)
        return self._in_payload and path.count(b"/") == 1 and path != self._payload_entry

    def _is_in_a_root(self, volume: str, found: Found, name: bytes) -> bool:
        """Whether this name is that of something else in a root. Where names of any case are one, or of any
        normalisation, it is found under this one too."""
        for other in self._drive.volumes:
            if other.facts.problem is not None:
                continue
            try:
                there = os.stat(name, dir_fd=other.root_fd, follow_symlinks=False)
            except OSError:
                continue
            if other.facts.name != volume or there.st_ino != found.inode:
                return True
        return False

    def _enter_region(self, volume: Volume, found: Found) -> None:
        choose = region_in_bag if self._bagged else region_of
        self._region = choose(volume.facts.name, found, self._announced, self._reserved)
        if b"/" in found.path:
            self._payload_entry = found.path
            return
        self._root_entry = found.path
        self._in_payload = self._bagged and found.path == PAYLOAD and self._region.item is None
        if self._region.unexpected:
            self._unexpected.add(partial(located, volume.facts.name, found.path))
        if found.kind is Kind.FILE and is_checksum_list(found.path):
            if len(self._lists) < LISTS_MAX:
                self._lists.append((volume, found.path))
            else:
                self._lists_passed_over += 1

    def _take_file(self, volume: Volume, found: Found) -> None:
        name, region = volume.facts.name, self._region
        skip = region.skip
        if skip is None and (found.kind is Kind.OUT_OF_BOUNDS or not self._carries(name, found.path)):
            skip = selection.OUT_OF_BOUNDS
            self._out_of_bounds.add(partial(located, name, found.path), found.size_bytes)
        elif skip == selection.RESERVED:
            self._reserved_files.add(partial(located, name, found.path), found.size_bytes)
        elif region.unexpected:
            self._unexpected.add_bytes(found.size_bytes)
        elif skip is None:
            if found.path.endswith(bags.DECLARATION):
                self._note_bag(volume, found.path)
            self._parts.note(self._index, found.path)
            if not found.size_bytes:
                self._empty.add(partial(located, name, found.path))
            self._choose(volume, found)
        entry = FileEntry(
            name, found.path, found.size_bytes, found.mtime_ns, found.inode, skip, place=found.place
        )
        self._batch.append(entry)

    def _note_bag(self, volume: Volume, path: bytes) -> None:
        """A bag is the root, or a folder in it; of one in the payload of another that other tells."""
        folder, _, name = path.rpartition(b"/")
        if name == bags.DECLARATION and self._bagged == (not folder) and b"/" not in folder:
            self.bags.found(volume, folder)

    def _choose(self, volume: Volume, found: Found) -> None:
        """Count a file that is to be loaded, and remember to look into it if it is one of those."""
        item = self._region.item
        if item is not None:
            self._announced.count(item, found.size_bytes)
            chosen = item.kind == "file" and found.size_bytes > 0
        else:
            if self._in_payload and self._announced.anything:
                where = partial(located, volume.facts.name, found.path)
                self._beyond_notice.add(where, found.size_bytes)
            chosen = found.size_bytes > 0 and len(self._to_look_into) < LOOKED_INTO_MAX
            if found.size_bytes and not chosen:
                self._note_piece(volume, found)
        if chosen and not (is_control_file(found.path) and found.size_bytes <= checksums.LIST_BYTES_MAX):
            self._to_look_into.append((volume, found))

    def _note_piece(self, volume: Volume, found: Found) -> None:
        if len(self._further) < PIECES_MAX and joined.is_piece(found.path):
            self._further.append((volume, found))

    def _take_unlistable(self, volume: Volume, found: Found) -> None:
        name = volume.facts.name
        self.require_drive()
        if found.path and self._region.skip is not None:
            return
        if found.kind is Kind.OTHER_DEVICE:
            if volume.facts.file_system in _WITH_SUBVOLUMES:
                self._subvolumes.add(partial(located, name, found.path))
                return
            raise PortError(
                f"{name}: something of another file system is mounted in it, which is not read: unmount it"
            )
        if lacks_rights(found.error):
            raise PortError(
                f"{name}: the daemon may not read a folder ({os.strerror(found.error)}): "
                "give it the right to read any file (CAP_DAC_READ_SEARCH)"
            )
        self._unlistable.add(partial(located, name, found.path))

    def _flush(self) -> None:
        if self._batch:
            self._files += len(self._batch)
            self.require_room()
            self._batches.put(self._batch)
            self._batch = []

    def require_room(self) -> None:
        """Whether to go on, at each step that makes the journal larger: paths and what lists say of them
        may take as much of it again as the files."""
        self._cancel.check()
        self._room(self._files)

    def require_drive(self) -> None:
        self._cancel.beat()
        if not self._drive.still_there():
            raise DriveGoneError("the drive was unplugged while it was surveyed")

    # -- checksums ----------------------------------------------------------------------------

    def expect(self) -> tuple[ChecksumListFact, ...]:
        """Attach the announced checksums: the notice's, and of other files those of the lists. A file that
        is as the notice says is what was ordered, whatever a list says that may be of another day."""
        noticed = self._announced.checksums()
        rows = [
            Expectation(volume, path, Said(SHA256, sha256, "notice"))
            for (volume, path), sha256 in noticed.items()
        ]
        for at in range(0, len(rows), BATCH_ENTRIES):
            self._cancel.check()
            self._manifest.expect(rows[at : at + BATCH_ENTRIES])
        lists = tuple(self._expect_list(volume, name, noticed) for volume, name in self._lists)
        if self._lists_passed_over:
            structlog.get_logger("ingestd.content").warning(
                "checksum_lists_passed_over", count=self._lists_passed_over, read=LISTS_MAX
            )
        return lists

    def _expect_list(self, volume: Volume, name: bytes, noticed: _Checksums) -> ChecksumListFact:
        where, path = volume.facts.name, located(volume.facts.name, name)
        self._cancel.check()
        entries, bad = checksums.read_list(volume.root_fd, name, self._cancel, self._algorithms, self._lines)
        count, missing, algorithms = 0, list[str](), set[str]()
        with closing(entries):
            while batch := list(islice(entries, BATCH_ENTRIES)):
                count += len(batch)
                algorithms.update(entry.algorithm for entry in batch)
                rows = [
                    Expectation(where, entry.path, Said(entry.algorithm, entry.digest, path))
                    for entry in batch
                    if (where, entry.path) not in noticed
                ]
                self._cancel.check()
                absent = self._manifest.expect(rows).missing
                missing.extend(shown(where, one) for one in absent[: MISSING_MAX - len(missing)])
                self._cancel.beat()
        if bad:
            self.require_drive()
        return ChecksumListFact(
            path=path,
            entries=count,
            missing=tuple(missing),
            unreadable_lines=tuple(bad),
            algorithms=tuple(sorted(algorithms)),
        )

    # -- a look into files --------------------------------------------------------------------

    def look(self) -> tuple[SecrecyFact, ...]:
        """How secret the chosen files are; those that cannot be read are left out."""
        chosen = [
            (volume, found)
            for volume, found in self._to_look_into
            if not self.bags.has_own_file(volume.facts.name, found.path)
        ]
        others = OtherDrives(self._announced.absent()) if self._several_drives else None
        looks = Looks(self._cancel, self.require_drive, others)
        secrecy = looks.take(chosen, self._further)
        self._begun = looks.begun
        return secrecy

    # -- the outcome --------------------------------------------------------------------------

    def facts(
        self,
        lists: tuple[ChecksumListFact, ...],
        bag_facts: tuple[BagFact, ...],
        secrecy: tuple[SecrecyFact, ...],
        differences: SurveyDifferences,
    ) -> SurveyFacts:
        return SurveyFacts(
            volumes=tuple(volume.facts for volume in self._drive.volumes),
            ledger=self._manifest.ledger(),
            interface=self._drive.facts.interface,
            link=self._drive.facts.link,
            health=self._drive.facts.health,
            items=self._announced.facts(),
            unexpected=self._unexpected.samples(),
            links=self._links.samples(),
            specials=self._specials.samples(),
            subvolumes=self._subvolumes.samples(),
            unlistable=self._unlistable.samples(),
            out_of_bounds=self._out_of_bounds.samples(),
            reserved=self._reserved_files.samples(),
            empty=self._empty.samples(),
            missing_parts=self._parts.missing(self._drive.volumes),
            changed=_changed(differences),
            secrecy=secrecy,
            begun=self._begun,
            checksum_lists=lists,
            bags=bag_facts,
            bags_passed_over=self.bags.passed_over.samples(),
            beyond_notice=self._beyond_notice.samples(),
        )


_is_declaration = methodcaller("endswith", bags.DECLARATION)


def _entry(facts: tuple[str, bytes, int, int, int, str | None, int]) -> FileEntry:
    """`FileEntry(*facts)` in half the time."""
    return tuple.__new__(FileEntry, facts)


def _changed(differences: SurveyDifferences) -> Samples:
    paths = (*differences.gone, *differences.changed)[: Samples.EXAMPLES_MAX]
    return Samples(count=differences.count, examples=tuple(printable(path) for path in paths))
