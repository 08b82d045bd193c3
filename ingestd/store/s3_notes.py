"""Notes beside the data: which uploads which station has begun.

A store lists the uploads that are not complete, but not whose they are. So before a station begins one it
puts an object of a few bytes into a reserved place, whose name holds a hash of the key, the station and a
number of its own, and takes it away when the upload is over. What a process that was killed has left is
found by these notes. Uploads of a key that another station has a note of are never touched, nor are those
of a key without a note.
"""

from __future__ import annotations

import hashlib
import time
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from ingestd.ports import PortError
from ingestd.store.s3_abilities import encryption
from ingestd.store.s3_client import Client, Request
from ingestd.store.s3_errors import is_absent
from ingestd.store.s3_keys import RESERVED, joined
from ingestd.store.s3_listing import objects, parts, uploads

_ABORTS = 3


@dataclass(frozen=True, slots=True)
class Token:
    """What finds an upload again: the number of its note, the store's own name for it, and its key."""

    number: str
    upload_id: str
    key: str

    def __str__(self) -> str:
        return f"{self.number} {self.upload_id} {self.key}"

    @classmethod
    def of(cls, text: str) -> Token | None:
        """None for what is no token of ours."""
        number, _, rest = text.partition(" ")
        upload_id, _, key = rest.partition(" ")
        whole = len(number) == 32 and number.isalnum() and upload_id and key and text.isprintable()
        return cls(number, upload_id, key) if whole else None


@dataclass(frozen=True, slots=True)
class _Note:
    name: str
    station: str
    number: str
    changed_at: float


class Notes:
    """The notes of all stations in one store, and the uploads that they are about."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._station = client.settings.station or "-"
        self._headers = encryption(client.settings)
        self._folder = joined(client.settings.prefix, f"{RESERVED.decode()}/notes/")

    def add(self, number: str, key: str) -> None:
        name, body = self._name(number, key), memoryview(key.encode())
        self._client.kept(self._client.ask(Request(method="PUT", key=name, body=body, headers=self._headers)))

    def drop(self, number: str, key: str) -> None:
        """Best effort: a note without its upload is dropped by the next sweep."""
        try:
            self._client.ask(Request(method="DELETE", key=self._name(number, key)))
        except PortError:
            return

    def _name(self, number: str, key: str) -> str:
        return f"{self._folder}{_hashed(key)}/{self._station}/{number}"

    def end(self, token: Token) -> None:
        """Abort an upload and see that nothing of it is left. Absent is fine."""
        query = [("uploadId", token.upload_id)]
        for _ in range(_ABORTS):
            answer = self._client.ask(Request(method="DELETE", key=token.key, query=query))
            if is_absent(answer):
                break
            self._client.judged(answer)
            # A part that was on its way meanwhile may have arrived after the abort.
            if parts(self._client, token.key, token.upload_id) is None:
                break
        self.drop(token.number, token.key)

    # -- what was left behind ---------------------------------------------------------------------

    def sweep(self, live: Iterable[str]) -> int:
        """Abort this station's uploads that are not live and old enough; how many."""
        tokens = [token for token in map(Token.of, live) if token]
        alive = {token.number for token in tokens}
        ids = {token.upload_id for token in tokens}
        before = time.time() + self._client.clock_ahead_s - self._client.settings.dead_after_s
        count = 0
        for notes in self._by_key():
            ours = [note for note in notes if note.station == self._station]
            dead = [note for note in ours if note.number not in alive and note.changed_at <= before]
            # A young one may stand for an upload that was adopted just now.
            unknown = [note for note in ours if note.number not in alive and note not in dead]
            if dead and not unknown and len(ours) == len(notes):
                count += self._abort(self._key_in(dead[0]), ids, before)
            for note in dead:
                self._client.ask(Request(method="DELETE", key=note.name))
        return count

    def _by_key(self) -> Iterator[Collection[_Note]]:
        grouped = defaultdict[str, list[_Note]](list)
        for note in self._listed(self._folder):
            grouped[note.name.removeprefix(self._folder).partition("/")[0]].append(note)
        yield from grouped.values()

    def _listed(self, prefix: str) -> Iterator[_Note]:
        for row in objects(self._client, prefix):
            _, _, rest = row.key.removeprefix(self._folder).partition("/")
            station, _, number = rest.partition("/")
            yield _Note(row.key, station, number, row.changed_at)

    def _is_others(self, key: str) -> bool:
        """Whether another station has to do with the uploads of this key now: one may have adopted them."""
        return any(note.station != self._station for note in self._listed(f"{self._folder}{_hashed(key)}/"))

    def _key_in(self, note: _Note) -> str:
        answer = self._client.must(Request(method="GET", key=note.name))
        return answer.body.decode("utf-8", "replace")

    def _abort(self, key: str, live_ids: Collection[str], before: float) -> int:
        count = 0
        for upload in list(uploads(self._client, key)):
            is_dead = upload.upload_id not in live_ids and upload.begun_at <= before
            if upload.key == key and is_dead and not self._is_others(key):
                self.end(Token("0" * 32, upload.upload_id, key))
                count += 1
        return count


def _hashed(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()[:32]
