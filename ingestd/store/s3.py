"""A store that speaks the S3 protocol."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from ingestd.ports import Pace, Problem, SmallObject, StoredObject, StoreRefused
from ingestd.store import s3_batch, s3_check
from ingestd.store.s3_abilities import Abilities, Probe
from ingestd.store.s3_client import Client, Told
from ingestd.store.s3_keys import BadKey, KeyTooLong, object_key
from ingestd.store.s3_listing import parts
from ingestd.store.s3_notes import Notes, Token
from ingestd.store.s3_objects import Objects
from ingestd.store.s3_settings import S3Settings, address_by_region, planned_part_bytes
from ingestd.store.s3_upload import S3Upload


class S3Store:
    """Implements `Store`. Safe to use from several threads, and by several stations at a time.

    Every request is tried once here; errors say whether and when another try makes sense. What the store
    can do beyond the least is found out at the first write. Where it cannot refuse to overwrite, the
    station looks before it puts, which is safe against itself but not against others at the same moment.
    """

    def __init__(self, settings: S3Settings, abilities: Abilities | None = None) -> None:
        """`abilities`: what the store is known to do; else that is tried out. Raises ValueError where the
        settings have no endpoint, and a region that is none of Amazon's."""
        self._settings = settings
        self._client = Client(settings, _url(settings))
        self._objects = Objects(self._client, Probe(self._client, abilities))
        self._notes = Notes(self._client)

    @property
    def name(self) -> str:
        return self._settings.name

    @property
    def trouble(self) -> str | None:
        return self._client.circuit.trouble

    @property
    def abilities(self) -> Abilities:
        """What the store can do. Raises the errors of the port while it cannot be asked."""
        return self._objects.probe.abilities()

    def tell(self, told: Told) -> None:
        """Have somebody count how requests end, from now on."""
        self._client.told = told

    def close(self) -> None:
        """Let go of idle connections."""
        self._client.close()

    def part_bytes(self, size_bytes: int, preferred_bytes: int) -> int:
        """See `Store`: the same on every station, so that one can go on with the parts of another."""
        del preferred_bytes
        try:
            return planned_part_bytes(self._settings, size_bytes)
        except ValueError as error:
            raise StoreRefused(f"{self._client}: {error}; have the file split before it is sent") from None

    def carries(self, key: bytes) -> bool:
        """See `Store`: names are bounded, and percent signs and odd bytes take three bytes each."""
        try:
            object_key(self._settings.prefix, key)
        except KeyTooLong:
            return False
        except BadKey:
            pass  # it is refused when it is to be put, in words of its own
        return True

    def begin(self, key: bytes, size_bytes: int) -> S3Upload:
        self.part_bytes(size_bytes, 0)
        return S3Upload.begun(self._objects, self._notes, key, self._objects.key_of(key))

    def resume(self, key: bytes, size_bytes: int, token: str) -> S3Upload | None:
        wanted, known = self._objects.key_of(key), Token.of(token)
        if known is None or known.key != wanted:
            return None
        held = parts(self._client, wanted, known.upload_id)
        if held is None or sum(part.size_bytes for part in held.values()) > size_bytes:
            return None
        # Some stores go on listing the parts of an upload that has become an object.
        found = self._objects.find(wanted)
        if found is not None and found.origin == known.number:
            return None
        return S3Upload(self._objects, self._notes, key, known, held)

    def adopt(self, key: bytes, size_bytes: int, part_bytes: int) -> S3Upload | None:
        wanted = self._objects.key_of(key)
        return S3Upload.adopted(self._objects, self._notes, key, wanted, size_bytes, part_bytes)

    def put_batch(self, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
        """See `Store`. Objects that were placed before an error, or before it was cancelled, stay."""
        return s3_batch.put_batch(self._objects, batch, pace)

    def replace(self, key: bytes, body: bytes) -> None:
        self._objects.replace(self._objects.key_of(key), body)

    def stat(self, key: bytes) -> StoredObject | None:
        """See `Store`. The digest is given for objects that arrived whole: the store checked it then, and
        keeps it with the object. Raises StoreMissing where there is not even a bucket."""
        found = self._objects.find(self._objects.key_of(key))
        if found is None:
            self._objects.require_bucket()
            return None
        return StoredObject(key, found.size_bytes, found.sha256)

    def stat_many(self, keys: Sequence[bytes]) -> Mapping[bytes, StoredObject | None]:
        """See `Store`."""
        wanted = {self._objects.key_of(key): key for key in keys}
        found = s3_batch.find_all(self._objects, list(wanted))
        if None in found.values():
            self._objects.require_bucket()
        return {
            wanted[name]: None if each is None else StoredObject(wanted[name], each.size_bytes, each.sha256)
            for name, each in found.items()
        }

    def read(self, key: bytes, block_bytes: int) -> Iterator[memoryview]:
        yield from self._objects.read(self._objects.key_of(key), block_bytes)

    def remove(self, key: bytes) -> None:
        self._objects.remove(self._objects.key_of(key))

    def abandon(self, token: str) -> None:
        known = Token.of(token)
        if known is not None:
            self._notes.end(known)

    def sweep(self, live_tokens: Iterable[str]) -> int:
        """See `Store`. Only what is older than `dead_after_s`, and only what this station has begun."""
        return self._notes.sweep(live_tokens)

    def problems(self) -> Sequence[Problem]:
        return s3_check.problems(self._objects, self._notes)


def _url(settings: S3Settings) -> str:
    if settings.endpoint is not None:
        return settings.endpoint
    host = address_by_region(settings.region)
    if host is None:
        raise ValueError(f"there is no endpoint, and no region {settings.region!r} to find one by")
    return f"https://{host}"
