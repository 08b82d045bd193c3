"""BagIt bags (RFC 8493) on a drive: what lists them, held against what the survey has found.

Nothing of a manifest stays in memory but the batch that is under way: what it says goes into the load's own
manifest in the journal, which knows in return what is listed and missing, what is there and not listed. The
checksums are held against the files when those are read for their upload.
"""

from __future__ import annotations

import codecs
import io
import os
import stat
from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import closing
from functools import partial
from itertools import islice
from typing import NamedTuple

from ingestd.content.bag_words import named, other_forms, pair, said, shown
from ingestd.content.blocks import TooLong, blocks
from ingestd.content.checksums import Algorithms
from ingestd.content.faults import blame_station
from ingestd.content.selection import Tally
from ingestd.core import bag_lines
from ingestd.core.bag_lines import CURRENT, PAYLOAD, VERSIONS, Declaration, ManifestName
from ingestd.core.found import BagFact, Samples
from ingestd.core.names import folded, located, printable
from ingestd.files import open_at, open_beneath, stat_at
from ingestd.ports import CancelToken, Expectation, Manifest, Said, Volume

DECLARATION = b"bagit.txt"
BAGS_MAX = 100
MANIFESTS_MAX = 16
"""Of each kind, in one bag."""
MANIFEST_BYTES_MAX = 1 << 30
DRIVE_BYTES_MAX = 4 << 30
"""Of all manifests on a drive together."""
DRIVE_LINES_MAX = 50_000_000
"""Lines of them: a drive of nothing but empty ones would take its bay hours."""
INFO_BYTES_MAX = 1 << 20
NEAR_MAX = 1000
"""So many listed paths that no file has, in any Unicode normalisation, are compared with the files that
nothing lists."""

_BATCH = 1000
_LINE_CHARS_MAX = 16 << 10
_FETCH = b"fetch.txt"
_ENCODINGS = ("utf-8", "ascii", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "iso8859-1", "cp1252")
"""Encodings of tag files that are read, by Python's names."""
_ERRORS = {"utf-8": "surrogateescape", "ascii": "surrogateescape"}
"""In these a line that is not in the encoding leaves the others readable."""
_FOLDER = os.O_RDONLY | os.O_DIRECTORY
_OWN_FILES = frozenset((DECLARATION, b"bag-info.txt", b"package-info.txt", _FETCH))


def is_bag(root_fd: int) -> bool:
    """Whether a folder is the folder of a bag: whether a regular file in it is called bagit.txt."""
    try:
        return stat.S_ISREG(stat_at(root_fd, DECLARATION).st_mode)
    except OSError as error:
        blame_station(error)
        return False


def is_own_file(name: bytes, *, strictly: bool = True) -> bool:
    """Whether a file in a bag's folder is one that RFC 8493 describes: about the payload, plain by its
    nature, so that no demand that data be encrypted is about it. Not `strictly`: or may be meant for one."""
    if name in _OWN_FILES:
        return True
    try:
        return bag_lines.manifest_name(name) is not None
    except ValueError:
        return not strictly


class Bags:
    """The bags of one drive."""

    def __init__(
        self,
        manifest: Manifest,
        algorithms: Algorithms,
        cancel: CancelToken,
        require_drive: Callable[[], None],
    ) -> None:
        self.manifest = manifest
        self.algorithms = algorithms
        self.cancel = cancel
        self.require_drive = require_drive
        self.bytes_left = DRIVE_BYTES_MAX
        self.lines_left = DRIVE_LINES_MAX
        self._found: list[tuple[Volume, bytes]] = []
        self.passed_over = Tally()

    def found(self, volume: Volume, folder: bytes) -> None:
        """There is a bag in this folder; b"" is the root."""
        if len(self._found) < BAGS_MAX:
            self._found.append((volume, folder))
        else:
            self.passed_over.add(partial(named, volume.facts.name, folder))

    def has_own_file(self, volume: str, path: bytes) -> bool:
        """Whether this is a file of one of them that RFC 8493 describes."""
        folder, _, name = path.rpartition(b"/")
        return is_own_file(name) and any(
            (seen.facts.name, known) == (volume, folder) for seen, known in self._found
        )

    def facts(self) -> tuple[BagFact, ...]:
        """All of them, looked into. Raises what the survey raises."""
        return tuple(_Bag(self, volume, folder).look() for volume, folder in self._found)


class _Manifest(NamedTuple):
    file: bytes
    name: ManifestName
    bit: int


class _Bag:
    def __init__(self, bags: Bags, volume: Volume, folder: bytes) -> None:
        self._bags = bags
        self._volume = volume
        self._folder = folder
        self._declared = Declaration(CURRENT, "utf-8")
        self._manifests: list[_Manifest] = []
        self._own: set[bytes] = set()
        """Which of the other files are there that RFC 8493 describes."""
        self._unlisted = Samples()
        self._problems, self._missing, self._differing = Tally(), Tally(), Tally()
        self._unchecked, self._loose = Tally(), Tally()

    def look(self) -> BagFact:
        self._bags.cancel.check()
        self._declare()
        self._list_folder()
        for manifest in self._manifests:
            self._hold_against(manifest)
        payload = self._bits(of_tags=False)
        if payload:
            self._find_unlisted(payload)
        found_files, found_bytes = self._bags.manifest.sum_below(self._where, self._below(PAYLOAD))
        oxum = self._oxum()
        return BagFact(
            path=named(self._where, self._folder),
            algorithms=tuple(sorted({m.name.algorithm or "" for m in self._of(of_tags=False)})),
            problems=self._problems.samples(),
            missing=self._missing.samples(),
            unlisted=self._unlisted,
            differing=self._differing.samples(),
            unchecked=self._unchecked.samples(),
            loose=self._loose.samples(),
            to_be_fetched=_FETCH in self._own,
            oxum=oxum if oxum != (found_bytes, found_files) else None,
            found=(found_bytes, found_files),
        )

    # -- what there is ------------------------------------------------------------------------

    def _declare(self) -> None:
        try:
            self._declared = bag_lines.declaration(self._small(DECLARATION, 4096))
        except ValueError as error:
            self._problem(DECLARATION, str(error))
        version = self._declared.version
        if version not in VERSIONS:
            self._leave_unchecked(DECLARATION, f"BagIt {version[0]}.{version[1]} is not known here")
        if self._encoding is None:
            self._leave_unchecked(DECLARATION, f"its encoding {self._declared.encoding} is not known here")

    @property
    def _encoding(self) -> str | None:
        try:
            name = codecs.lookup(self._declared.encoding).name
        except LookupError:
            return None
        return name if name in _ENCODINGS else None

    def _list_folder(self) -> None:
        """Find the manifests, whether there is a payload, and whether a part of it is to be fetched."""
        has_payload = False
        for name, mode in self._entries():
            has_payload |= name == PAYLOAD and stat.S_ISDIR(mode)
            if not stat.S_ISDIR(mode):
                self._own |= {name} & _OWN_FILES
                self._take_manifest(name)
        self._manifests.sort(key=lambda manifest: (manifest.name.of_tags, manifest.file))
        if not has_payload:
            self._problem(PAYLOAD, "is not there, or is no folder")
        if not self._of(of_tags=False) and not self._unchecked.samples().count:
            self._problems.add(lambda: "there is no manifest of the payload")

    def _entries(self) -> Iterator[tuple[bytes, int]]:
        """Names in the bag's folder that may matter, with their modes; no more than one in memory."""
        root_fd = self._volume.root_fd
        try:
            # Opened anew in either case: a duplicate would share its position with other readers.
            open_it = open_beneath if self._folder else open_at
            fd = open_it(root_fd, self._folder or b".", _FOLDER)
            try:
                with os.scandir(fd) as listing:
                    for name in (os.fsencode(entry.name) for entry in listing):
                        self._bags.cancel.beat()
                        if name == PAYLOAD or is_own_file(name, strictly=False):
                            yield name, stat_at(fd, name).st_mode
            finally:
                os.close(fd)
        except OSError as error:
            self._cannot_be_read(self._folder, error)

    def _take_manifest(self, file: bytes) -> None:
        try:
            name = bag_lines.manifest_name(file)
        except ValueError as error:
            self._leave_unchecked(file, str(error))
            return
        if name is None:
            return
        number = len(self._of(of_tags=name.of_tags))
        if name.algorithm is None:
            self._leave_unchecked(file, "its algorithm is not known here")
        elif number >= MANIFESTS_MAX or not self._bags.algorithms.admits(name.algorithm):
            self._leave_unchecked(file, "the drive asks for more algorithms than are taken account of")
        else:
            self._manifests.append(_Manifest(file, name, 1 << number + MANIFESTS_MAX * name.of_tags))

    def _of(self, *, of_tags: bool) -> list[_Manifest]:
        return [manifest for manifest in self._manifests if manifest.name.of_tags == of_tags]

    def _bits(self, *, of_tags: bool) -> int:
        return sum(manifest.bit for manifest in self._of(of_tags=of_tags))

    # -- manifests ----------------------------------------------------------------------------

    def _hold_against(self, manifest: _Manifest) -> None:
        """Attach what a manifest says to the files that it lists."""
        absent: list[Expectation] = []
        payload_manifests = {self._below(each.file) for each in self._of(of_tags=False)}
        with closing(self._listed(manifest)) as listed:
            while batch := list(islice(listed, _BATCH)):
                self._bags.cancel.check()
                payload_manifests.difference_update(entry.path for entry in batch)
                unmet = self._bags.manifest.expect(batch, manifest.bit)
                for path in unmet.repeated:
                    self._problem(manifest.file, f"lists {printable(self._within(path))} more than once")
                missing = set(unmet.missing)
                more = [entry for entry in batch if entry.path in missing]
                self._take_absent(absent, self._not_in_another_form(manifest, more))
        if manifest.name.of_tags:
            for path in sorted(payload_manifests):
                self._problem(manifest.file, f"does not list {printable(self._within(path))}")
        self._place(manifest, absent)

    def _not_in_another_form(self, manifest: _Manifest, absent: list[Expectation]) -> list[Expectation]:
        """Those of what is listed and missing that are not there in another Unicode normalisation either.

        Some systems normalise every name that is written, so this may be about all of a bag.
        """
        tries = [(entry, form) for entry in absent for form in other_forms(entry.path)]
        if not tries:
            return absent
        also = [entry._replace(path=form) for entry, form in tries]
        unmet = self._bags.manifest.expect(also, manifest.bit)
        missing = set(unmet.missing)
        found = {entry.path: form for entry, form in tries if form not in missing}
        for path in unmet.repeated:
            self._problem(manifest.file, f"lists {printable(self._within(path))} in several Unicode forms")
        for listed, form in found.items():
            self._differing.add(partial(pair, self._within(listed), self._within(form)))
        return [entry for entry in absent if entry.path not in found]

    def _take_absent(self, absent: list[Expectation], more: list[Expectation]) -> None:
        room = NEAR_MAX - len(absent)
        absent.extend(more[:room])
        for entry in more[room:]:
            self._missing.add(partial(shown, self._where, entry.path))

    def _place(self, manifest: _Manifest, absent: list[Expectation]) -> None:
        """See whether what is listed and missing is there under nearly the same name."""
        near = self._near(manifest) if absent and not manifest.name.of_tags else {}
        for entry in absent:
            found = near.get(folded(entry.path)) or near.get(folded(entry.path.replace(b"%", b"%25")))
            if found is None:
                self._missing.add(partial(shown, self._where, entry.path))
                continue
            self._bags.manifest.expect([entry._replace(path=found)], manifest.bit)
            self._differing.add(partial(pair, self._within(entry.path), self._within(found)))

    def _near(self, manifest: _Manifest) -> Mapping[str, bytes]:
        """Files of the payload that this manifest does not list, by what names that are nearly the same
        have in common; where several have it, none of them."""
        near: dict[str, bytes | None] = {}
        for path in self._bags.manifest.unlisted(self._where, self._below(PAYLOAD), manifest.bit, NEAR_MAX)[
            1
        ]:
            near[folded(path)] = None if folded(path) in near else path
        return {fold: path for fold, path in near.items() if path is not None}

    def _listed(self, manifest: _Manifest) -> Generator[Expectation, None, None]:
        by, version = located(self._where, self._below(manifest.file)), self._declared.version
        assert manifest.name.algorithm is not None
        with closing(self._lines(manifest.file, MANIFEST_BYTES_MAX)) as lines:
            for number, line in enumerate(lines, 1):
                try:
                    entry = bag_lines.entry(line, manifest.name, version)
                except ValueError as error:
                    self._problem(manifest.file, f"line {number} {error}")
                    continue
                if entry is None:
                    continue
                if entry.loose is not None:
                    self._loose.add(partial(said, manifest.file, f"line {number}: {entry.loose}"))
                digest = Said(manifest.name.algorithm, entry.digest, by)
                yield Expectation(self._where, self._below(entry.path), digest)

    def _find_unlisted(self, bits: int) -> None:
        """Before version 1.0 it was enough for a file to be in one of the manifests."""
        count, paths = self._bags.manifest.unlisted(
            self._where,
            self._below(PAYLOAD),
            bits,
            Samples.EXAMPLES_MAX,
            by_any=self._declared.version < CURRENT,
        )
        examples = tuple(shown(self._where, path) for path in paths)
        self._unlisted = Samples(count=count, examples=examples)

    # -- Payload-Oxum -------------------------------------------------------------------------

    def _oxum(self) -> tuple[int, int] | None:
        """Bytes and files of the payload as the bag gives them; None where it does not."""
        info = b"package-info.txt" if self._declared.version <= (0, 95) else b"bag-info.txt"
        if info not in self._own:
            return None
        values: list[str] = []
        with closing(self._lines(info, INFO_BYTES_MAX)) as lines:
            for number, line in enumerate(lines, 1):
                value = bag_lines.oxum(line)
                if value is not None:
                    values.append(value)
                elif not bag_lines.info_label(line):
                    self._problem(info, f"line {number} is no label with a value")
        if len(values) > 1:
            self._problem(info, "has Payload-Oxum more than once")
        try:
            return bag_lines.oxum_value(values[0]) if values else None
        except ValueError as error:
            self._problem(info, f"has a Payload-Oxum that {error}")
            return None

    # -- reading ------------------------------------------------------------------------------

    def _small(self, file: bytes, bytes_max: int) -> bytes:
        """All of a short file. Raises ValueError, with why, where it cannot be had."""
        try:
            with closing(self._blocks(file, bytes_max)) as content:
                return b"".join(content)
        except TooLong:
            raise ValueError(f"is longer than {bytes_max:,} bytes") from None
        except OSError as error:
            blame_station(error)
            self._bags.require_drive()
            raise ValueError(f"cannot be read: {error.strerror}") from None

    def _blocks(self, file: bytes, bytes_max: int) -> Generator[bytes, None, None]:
        return blocks(self._volume.root_fd, self._below(file), self._bags.cancel, bytes_max=bytes_max)

    def _lines(self, file: bytes, bytes_max: int) -> Generator[str, None, None]:
        """The lines of a text file, one longer than any path shortened. What keeps it from being read to its
        end is told of."""
        encoding = self._encoding or "utf-8"
        plain = codecs.getincrementaldecoder(encoding)(_ERRORS.get(encoding, "strict"))
        decoder = io.IncrementalNewlineDecoder(plain, translate=True)
        rest, begun = "", False
        try:
            with closing(self._blocks(file, min(bytes_max, self._bags.bytes_left))) as content:
                for block in content:
                    self._bags.bytes_left -= len(block)
                    text = decoder.decode(block)
                    if not begun and text.startswith("\ufeff"):
                        self._loose.add(partial(said, file, "begins with a byte-order mark"))
                        text = text[1:]
                    begun = True
                    *lines, rest = (rest + text).split("\n")
                    self._bags.lines_left -= len(lines)
                    if self._bags.lines_left < 0:
                        raise TooLong
                    yield from lines
                    rest = rest[:_LINE_CHARS_MAX]
            yield from (rest + decoder.decode(b"", final=True)).removesuffix("\n").split("\n")
        except TooLong:
            self._leave_unchecked(file, "it is longer than what is read of it")
        except UnicodeError:
            self._problem(file, f"is not in the encoding that the bag declares, {self._declared.encoding}")
        except OSError as error:
            self._cannot_be_read(file, error)

    # -- names and words ----------------------------------------------------------------------

    @property
    def _where(self) -> str:
        return self._volume.facts.name

    def _below(self, path: bytes) -> bytes:
        return b"%s/%s" % (self._folder, path) if self._folder else path

    def _within(self, path: bytes) -> bytes:
        return path[len(self._folder) + 1 :] if self._folder else path

    def _problem(self, file: bytes, why: str) -> None:
        self._problems.add(partial(said, file, why))

    def _leave_unchecked(self, file: bytes, why: str) -> None:
        self._unchecked.add(partial(said, file, f"is not checked: {why}"))

    def _cannot_be_read(self, file: bytes, error: OSError) -> None:
        blame_station(error)
        self._bags.require_drive()
        self._problem(file, f"cannot be read: {error.strerror}")
