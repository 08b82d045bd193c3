"""One object on its way into an S3 store, part by part."""

from __future__ import annotations

import hashlib
import itertools
import math
import threading
import time
import uuid
from collections.abc import Iterator, Mapping
from typing import Any

from ingestd.ports import Pace, StoreDigest, StoredObject, StoreUnreachable
from ingestd.store.s3_abilities import NEVER_OVERWRITE, SEALED_WITH, placement
from ingestd.store.s3_client import COMPLETE_S, Framing, Request, Stream
from ingestd.store.s3_errors import code_of, counts_against, is_absent
from ingestd.store.s3_integrity import check, checksum_of, combined_etag, is_md5, protection
from ingestd.store.s3_listing import Part, completion, parts, text_of, uploads
from ingestd.store.s3_notes import Notes, Token
from ingestd.store.s3_objects import ORIGIN, Found, Objects, Whole
from ingestd.store.s3_wire import Answer

_EMPTY = memoryview(b"")
_ADOPT_LOOKS = 8
_LOOK_AGAIN_S = 10.0
"""How long an object that may be being put together is left alone between two looks."""


def _are_cuts(held: Mapping[int, Part], size_bytes: int, part_bytes: int) -> bool:
    """Whether these are parts of an object that was cut just so."""
    return all(
        part.size_bytes == min(part_bytes, size_bytes - (number - 1) * part_bytes)
        for number, part in held.items()
    )


def _differs(sent: Part, listed: Part | None) -> bool:
    """Whether what is listed is for certain not what was sent; ETags tell only where both are MD5s."""
    if listed is None:
        return False
    if sent.checksum and listed.checksum:
        return sent.checksum != listed.checksum
    return is_md5(sent.etag) and is_md5(listed.etag) and sent.etag.strip('"') != listed.etag.strip('"')


def _summed(blocks: Iterator[memoryview], digest: hashlib._Hash) -> Iterator[memoryview]:
    for block in blocks:
        digest.update(block)
        yield block


class S3Upload:
    """Implements `Upload` with a multipart upload. One that is put off is just dropped."""

    def __init__(
        self, objects: Objects, notes: Notes, path: bytes, token: Token, held: Mapping[int, Part] | None
    ) -> None:
        """`held`: what the store is known to hold of it."""
        self._objects = objects
        self._client = objects.client
        self._notes = notes
        self._path = path
        self._token = token
        self._parts = dict(held or {})
        self._held = dict(held or {})
        self._lock = threading.Lock()
        self._finishing = threading.Lock()
        self._done: StoredObject | None = None
        self._in_doubt_since = -math.inf
        """When it was last asked to be put together without an answer to go by, in monotonic seconds."""

    @classmethod
    def begun(cls, objects: Objects, notes: Notes, path: bytes, key: str) -> S3Upload:
        """A new one. The note comes first: no upload is ever without one."""
        client, number = objects.client, uuid.uuid4().hex
        able = objects.probe.abilities()
        headers = {
            **placement(client.settings),
            **({"x-amz-checksum-algorithm": "CRC32"} if able.part_checksums else {}),
            ORIGIN: number,
        }
        notes.add(number, key)
        answer = client.must(Request(method="POST", key=key, query=[("uploads", "")], headers=headers))
        upload_id = text_of(client, answer.body, "UploadId")
        return cls(objects, notes, path, Token(number, upload_id, key), None)

    @classmethod
    def adopted(
        cls, objects: Objects, notes: Notes, path: bytes, key: str, size_bytes: int, part_bytes: int
    ) -> S3Upload | None:
        """The upload of this key that has come furthest, with a note of this station's own."""
        client, best = objects.client, dict[int, Part]()
        upload_id = ""
        for each in itertools.islice(uploads(client, key), _ADOPT_LOOKS):
            held = parts(client, key, each.upload_id) if each.key == key else None
            if held and len(held) > len(best) and _are_cuts(held, size_bytes, part_bytes):
                best, upload_id = held, each.upload_id
        if not best:
            return None
        number = uuid.uuid4().hex
        notes.add(number, key)
        return cls(objects, notes, path, Token(number, upload_id, key), best)

    @property
    def token(self) -> str:
        return str(self._token)

    def put_part(self, number: int, offset: int, body: memoryview, pace: Pace) -> None:
        """See `Upload`. Raises StoreUnreachable once the upload was completed or aborted."""
        del offset  # the store puts parts together by their numbers
        sent = protection(self._objects.probe.abilities(), body)
        request = self._part(number, headers=sent.headers, body=body, payload=sent.payload)
        answer = self._arrived(self._client.ask(request, pace))
        check(answer, sent, str(self._client))
        self._keep(Part(number, len(body), answer.headers.get("etag", ""), checksum_of(sent.headers)))

    def stream_part(
        self,
        number: int,
        offset: int,
        size_bytes: int,
        block_bytes: int,
        blocks: Iterator[memoryview],
        pace: Pace,
    ) -> None:
        """See `Upload`. Protected chunk by chunk: by signatures, or a CRC-32 at the end. To a store that
        takes neither it is sent as it is, and the MD5 that the store tells afterwards is compared."""
        del offset
        able, md5 = self._objects.probe.abilities(), hashlib.md5(usedforsecurity=False)
        framing = Framing.TRAILER if able.part_checksums else Framing.SIGNED if able.chunks else Framing.NONE
        if framing is Framing.NONE:
            blocks = _summed(blocks, md5)
        stream = Stream(blocks, size_bytes, block_bytes, framing)
        answer = self._arrived(self._client.ask(self._part(number, stream=stream), pace))
        etag = answer.headers.get("etag", "")
        tells = is_md5(etag) and not self._seals(answer)
        if framing is Framing.NONE and tells and etag.strip('"') != md5.hexdigest():
            raise StoreDigest(f"{self._client}: the MD5 of what arrived is not that of what was sent")
        self._keep(Part(number, size_bytes, etag, answer.headers.get("x-amz-checksum-crc32")))

    def _seals(self, answer: Answer) -> bool:
        """Whether the store encrypts with keys of its own: ETags look like MD5s then, and are none."""
        told = answer.headers.get(SEALED_WITH) or self._client.settings.encryption or ""
        return told.startswith("aws:kms")

    def _part(self, number: int, **rest: Any) -> Request:
        query = [("partNumber", str(number)), ("uploadId", self._token.upload_id)]
        return Request(method="PUT", key=self._token.key, query=query, **rest)

    def _arrived(self, answer: Answer) -> Answer:
        self._must_exist(answer)
        return self._client.kept(answer)

    def _keep(self, part: Part) -> None:
        with self._lock:
            self._parts[part.number] = part
            self._held.pop(part.number, None)

    def may_hold(self, number: int, size_bytes: int) -> bool:
        part = self._held.get(number)
        return part is not None and part.size_bytes == size_bytes and is_md5(part.etag)

    def holds(self, number: int, size_bytes: int, md5: bytes) -> bool:
        """See `Upload`: by the part's ETag, where that is an MD5."""
        return self.may_hold(number, size_bytes) and self._held[number].etag.strip('"') == md5.hex()

    def _must_exist(self, answer: Answer) -> None:
        if is_absent(answer):
            raise self._over()

    def _over(self) -> StoreUnreachable:
        return StoreUnreachable(f"{self._client}: this upload is over; the file is to be sent anew")

    # -- putting it together ----------------------------------------------------------------------

    def complete(self, size_bytes: int, sha256: bytes) -> StoredObject:
        """See `Upload`. Raises StoreDigest when the parts do not add up to the size. After an error
        the parts are still there: complete again, or abort."""
        with self._finishing:
            if self._done is None:
                existed = self._complete(size_bytes, sha256)
                self._done = StoredObject(self._path, size_bytes, existed=existed)
            return self._done

    def _complete(self, size_bytes: int, sha256: bytes) -> bool:
        if not size_bytes and not self._parts:
            existed = self._objects.place(
                Whole(self._path, self._token.key, _EMPTY, sha256), self._token.number
            )
            self._notes.end(self._token)
            return existed
        listed = self._all_parts(size_bytes)
        conditional = self._objects.probe.abilities().conditional_complete
        with self._objects.claims.on([self._token.key], needed=not conditional):
            if not conditional and (found := self._objects.find(self._token.key)) is not None:
                return self._taken(found, size_bytes, sha256)
            return self._put_together(listed, size_bytes, sha256, conditional=conditional)

    def _all_parts(self, size_bytes: int) -> list[Part]:
        """The parts in order, by our own word or else by the store's. Raises StoreDigest if some lack."""
        for ask in (False, True):
            if ask:
                self._look_again()
            with self._lock:
                listed = sorted(self._parts.values(), key=lambda part: part.number)
            numbered = [part.number for part in listed] == list(range(1, len(listed) + 1))
            if numbered and sum(part.size_bytes for part in listed) == size_bytes:
                return listed
        arrived = sum(part.size_bytes for part in listed)
        raise StoreDigest(
            f"{self._client}: {arrived} bytes have arrived of an object of {size_bytes}; send it again"
        )

    def _look_again(self) -> bool:
        """Take the store's word for what it holds; whether there is such an upload. Raises StoreDigest
        where that is plainly another part than the one that was sent."""
        held = parts(self._client, self._token.key, self._token.upload_id)
        if held is not None:
            with self._lock:
                if any(_differs(part, held.get(number)) for number, part in self._parts.items()):
                    raise StoreDigest(f"{self._client}: it holds other parts than it took; send it again")
                self._parts = held
        return held is not None

    def _put_together(self, listed: list[Part], size_bytes: int, sha256: bytes, *, conditional: bool) -> bool:
        answer = self._ask_to_complete(listed, conditional=conditional)
        if code_of(answer) in ("InvalidPart", "InvalidPartOrder") and self._look_again():
            # What it said of a part when it took it is not what it says now: its present word counts.
            listed = self._all_parts(size_bytes)
            answer = self._ask_to_complete(listed, conditional=conditional)
            if code_of(answer) in ("InvalidPart", "InvalidPartOrder"):
                raise StoreDigest(f"{self._client}: it does not know its own parts; they are sent again")
        if answer.status == 412:
            return self._taken(self._objects.find(self._token.key), size_bytes, sha256)
        if is_absent(answer):
            return self._perhaps_done(size_bytes, sha256)
        if code_of(answer) == "ConditionalRequestConflict":
            return self._raced(size_bytes, sha256)
        self._client.judged(answer)
        self._check_whole(answer, listed, size_bytes, sha256)
        self._notes.drop(self._token.number, self._token.key)
        return False

    def _ask_to_complete(self, listed: list[Part], *, conditional: bool) -> Answer:
        request = Request(
            method="POST",
            key=self._token.key,
            query=[("uploadId", self._token.upload_id)],
            headers=NEVER_OVERWRITE if conditional else {},
            body=memoryview(completion(listed)),
            answer_s=COMPLETE_S,
        )
        try:
            answer = self._client.ask(request)
        except StoreUnreachable as error:
            if error.is_try:
                self._in_doubt_since = time.monotonic()
            raise
        if counts_against(answer):
            self._in_doubt_since = time.monotonic()
        return answer

    def _check_whole(self, answer: Answer, listed: list[Part], size_bytes: int, sha256: bytes) -> None:
        """Raise StoreDigest unless the object is what its parts were."""
        expected = combined_etag([part.etag for part in listed])
        told = text_of(self._client, answer.body, "ETag").strip('"')
        if expected is None or told == expected:
            return
        found = self._objects.find(self._token.key)
        if found is not None and self._seals(answer):
            # Each part was checked as it arrived, and is in the object by the name that it got then.
            if (found.size_bytes, found.origin) == (size_bytes, self._token.number):
                return
        elif found is not None and (found.etag == expected or self._is_same(found, size_bytes, sha256)):
            return
        raise StoreDigest(f"{self._client}: an object is not what its parts were; it is to be sent again")

    def _is_same(self, found: Found, size_bytes: int, sha256: bytes) -> bool:
        with self._lock:
            listed = sorted(self._parts.values(), key=lambda part: part.number)
        if found.size_bytes == size_bytes and found.etag == combined_etag([part.etag for part in listed]):
            return True
        return self._objects.is_same(self._token.key, found, size_bytes, sha256)

    # -- when the key is taken, or the upload gone ------------------------------------------------------

    def _taken(self, found: Found | None, size_bytes: int, sha256: bytes) -> bool:
        """Something has the key: whether it is the same content, put there by others. Raises
        StoreConflict, or StoreUnreachable once what this upload has put there wrongly is removed."""
        if found is None:
            raise StoreUnreachable(f"{self._client}: a key was taken and is free again; it is tried again")
        ours = found.origin == self._token.number
        if not self._is_same(found, size_bytes, sha256):
            if not ours:
                raise self._objects.conflict(self._path)
            self._objects.remove(self._token.key)
            self._notes.end(self._token)
            raise self._over()
        self._notes.end(self._token)
        return not ours

    def _perhaps_done(self, size_bytes: int, sha256: bytes) -> bool:
        """There is no such upload any more: the answer to an earlier try may have been lost."""
        found = self._objects.find(self._token.key)
        if found is not None:
            return self._taken(found, size_bytes, sha256)
        if time.monotonic() - self._in_doubt_since < COMPLETE_S:
            # Whoever is in between may have lost patience before the store was done.
            error = StoreUnreachable(f"{self._client}: it may still put an object together; it is waited for")
            error.is_try, error.not_before_s = False, _LOOK_AGAIN_S
            raise error
        raise self._over()

    def _raced(self, size_bytes: int, sha256: bytes) -> bool:
        """Another upload got the key at the same moment. This one cannot be completed any more."""
        found = self._objects.find(self._token.key)
        if found is not None:
            return self._taken(found, size_bytes, sha256)
        self._notes.end(self._token)
        raise self._over()

    def abort(self) -> None:
        """See `Upload`. Does nothing to an object that is complete."""
        self._notes.end(self._token)
