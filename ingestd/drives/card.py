"""Drive cards: what stands in for a disk's electronics where a drive is a folder or an image.

A real disk answers for itself who it is. For a folder or an image the answers are in `drive.json` in
the bay: `{"serial", "wwn", "model", "interface", "size_bytes"}`, each of them optional, and either
`"volumes": [{"path", "label", "uuid", "file_system"}]` for folders (relative paths begin at the bay)
or `"image"`, the name of the image file in the bay. The card is put there and taken away as a whole:
written under a name that begins with a dot and renamed; removed when the drive is unplugged.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from ingestd.core.drive import DriveIdentity
from ingestd.core.model import BayName
from ingestd.drives.block import is_shortage
from ingestd.drives.ticket import read_small_text
from ingestd.ports import Problem, ResourcesExhausted, ToolFailed

CARD_NAME = "drive.json"
CARD_BYTES_MAX = 64 * 1024

_ABSENT = (errno.ENOENT, errno.ENOTDIR)


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("has characters that cannot be shown")
    return text


def _file_name(text: str) -> str:
    if text in (".", "..") or "/" in text:
        raise ValueError("is to be the name of a file in the bay, without folders")
    return text


_Fact = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=200),
    AfterValidator(_printable),
]
_Path = Annotated[str, StringConstraints(min_length=1, max_length=4000), AfterValidator(_printable)]


class CardVolume(BaseModel):
    """One volume of a folder drive: a folder, and what probing a real one would tell."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    path: _Path
    label: _Fact | None = None
    uuid: _Fact | None = None
    file_system: _Fact | None = None


class Card(BaseModel):
    """A drive card that is valid."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    serial: _Fact | None = None
    wwn: _Fact | None = None
    model: _Fact | None = None
    interface: _Fact | None = None
    size_bytes: Annotated[int, Field(ge=0)] | None = None
    volumes: tuple[CardVolume, ...] | None = None
    image: Annotated[_Path, AfterValidator(_file_name)] | None = None

    def identity(self, size_bytes: int | None) -> DriveIdentity:
        """What the drive says of itself, with its size as measured."""
        return DriveIdentity(serial=self.serial, wwn=self.wwn, model=self.model, size_bytes=size_bytes)


@dataclass(frozen=True, slots=True)
class CardSeen:
    """A card as it lies in a bay: valid, or with a problem in words."""

    generation: int
    """Changes when the card is replaced."""
    card: Card | None = None
    problem: str | None = None


def look_at_card(bay_folder: str) -> CardSeen | None:
    """The card in a bay; None when there is none, or the bay may not be entered.

    Raises ResourcesExhausted, and ToolFailed when it cannot be told whether there is one.
    """
    path = os.path.join(bay_folder, CARD_NAME)
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        return _unopened(path, error)
    try:
        return _read_card(path, fd)
    finally:
        os.close(fd)


def _unopened(path: str, error: OSError) -> CardSeen | None:
    if is_shortage(error):
        raise ResourcesExhausted(f"{path}: {error.strerror}") from error
    if error.errno in _ABSENT:
        return None
    why = "is a link, and links are not followed" if error.errno == errno.ELOOP else error.strerror
    try:
        generation = _generation(os.lstat(path))
    except OSError as lost:
        if lost.errno in (*_ABSENT, errno.EACCES):
            return None
        raise ToolFailed(f"{path}: {lost.strerror}; look at the disk that holds the bays") from lost
    return CardSeen(generation, problem=f"the drive card {path}: {why}; put a readable file in its place")


def _read_card(path: str, fd: int) -> CardSeen:
    generation = _generation(os.fstat(fd))
    try:
        return CardSeen(generation, card=Card.model_validate_json(read_small_text(fd, CARD_BYTES_MAX)))
    except ValidationError as error:
        wrong = "; ".join(_complaint(".".join(map(str, e["loc"])), e["msg"]) for e in error.errors())
    except (ValueError, OSError) as error:
        wrong = str(error)
    return CardSeen(generation, problem=f"the drive card {path} is not valid: {wrong}; correct it")


def _complaint(field: str, message: str) -> str:
    return f"{field}: {message}" if field else message


def _generation(facts: os.stat_result) -> int:
    # 48 bits, which every consumer of JSON keeps exact.
    stamp = f"{facts.st_dev}:{facts.st_ino}:{facts.st_mtime_ns}".encode()
    return int.from_bytes(hashlib.blake2b(stamp, digest_size=6).digest())


# -- bays -----------------------------------------------------------------------------------------


def bays_in(bays_folder: str) -> list[tuple[BayName, str]]:
    """The bays, by name: every folder below `bays_folder` whose name is fit to be shown.

    Raises ToolFailed or ResourcesExhausted when the folder cannot be listed: then nothing is known
    of any drive.
    """
    return [(BayName(name), os.path.join(bays_folder, name)) for name in _folders(bays_folder) if _fit(name)]


def _folders(bays_folder: str) -> list[str]:
    try:
        with os.scandir(bays_folder) as entries:
            return sorted(e.name for e in entries if not e.name.startswith(".") and e.is_dir())
    except OSError as error:
        text = f"the folder of the bays, {bays_folder}, cannot be listed: {error.strerror}"
        if is_shortage(error):
            raise ResourcesExhausted(text) from error
        raise ToolFailed(f"{text}; create it, or correct the setting") from error


def _fit(name: str) -> bool:
    return name.isprintable()


def bay_problems(bays_folder: str) -> Sequence[Problem]:
    """What is wrong with the bays' folder, the bays' names and the cards in them."""
    try:
        names = _folders(bays_folder)
    except ToolFailed as error:
        return [Problem("bays", str(error), f"create {bays_folder} with a folder for every bay")]
    found = [
        Problem(
            "bays", f"the bay {name!r} is passed over: its name cannot be shown", "rename the folder", False
        )
        for name in names
        if not _fit(name)
    ]
    if not names:
        text, remedy = f"{bays_folder} holds no bays", "create a folder in it for every bay"
        found.append(Problem("bays", text, remedy, False))
    wrong = ((name, _wrong_with_card(os.path.join(bays_folder, name))) for name in names if _fit(name))
    found += [Problem(f"bay {name}", text, "write the card again", False) for name, text in wrong if text]
    return found


def _wrong_with_card(bay_folder: str) -> str | None:
    try:
        card = look_at_card(bay_folder)
    except ToolFailed as error:
        return str(error)
    return card.problem if card is not None else None
