"""One object on its way into an S3 store, part by part."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Mapping

from ingestd.ports import Pace, StoreDigest, StoredObject, StoreUnreachable
from ingestd.store.s3_abilities import NEVER_OVERWRITE, placement
from ingestd.store.s3_client import COMPLETE_S, Request
from ingestd.store.s3_errors import code_of
from ingestd.store.s3_integrity import check, combined_etag, protection
from ingestd.store.s3_listing import Part, completion, parts, text_of
from ingestd.store.s3_notes import Notes, Token
from ingestd.store.s3_objects import ORIGIN, Found, Objects, Whole
from ingestd.store.s3_wire import Answer

_EMPTY = memoryview(b"")


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
        self._lock = threading.Lock()
        self._finishing = threading.Lock()
        self._done: StoredObject | None = None

    @classmethod
    def begun(cls, objects: Objects, notes: Notes, path: bytes, key: str) -> S3Upload:
        """A new one. The note comes first: no upload is ever without one."""
        client, number = objects.client, uuid.uuid4().hex
        able = objects.probe.abilities()
        algorithm = "SHA256" if able.signed else "CRC32"
        headers = {
            **placement(client.settings),
            **({"x-amz-checksum-algorithm": algorithm} if able.checksums else {}),
            ORIGIN: number,
        }
        notes.add(number, key)
        answer = client.must(Request(method="POST", key=key, query=[("uploads", "")], headers=headers))
        upload_id = text_of(client, answer.body, "UploadId")
        return cls(objects, notes, path, Token(number, upload_id, key), None)

    @property
    def token(self) -> str:
        return str(self._token)

    def put_part(self, number: int, offset: int, body: memoryview, pace: Pace) -> None:
        """See `Upload`. Raises StoreUnreachable once the upload was completed or aborted."""
        del offset  # the store puts parts together by their numbers
        sent = protection(self._objects.probe.abilities(), body)
        answer = self._client.ask(
            Request(
                method="PUT",
                key=self._token.key,
                query=[("partNumber", str(number)), ("uploadId", self._token.upload_id)],
                headers=sent.headers,
                body=body,
                payload=sent.payload,
            ),
            pace,
        )
        self._must_exist(answer)
        headers = self._client.judged(answer).headers
        check(answer, sent, str(self._client))
        checksum = next((v for k, v in sent.headers.items() if k.startswith("x-amz-checksum-")), None)
        with self._lock:
            self._parts[number] = Part(number, len(body), headers.get("etag", ""), checksum)

    def _must_exist(self, answer: Answer) -> None:
        if answer.status == 404 and code_of(answer) != "NoSuchBucket":
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
        """Take the store's word for what it holds; whether there is such an upload."""
        held = parts(self._client, self._token.key, self._token.upload_id)
        if held is not None:
            with self._lock:
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
        if answer.status == 404 and code_of(answer) != "NoSuchBucket":
            return self._perhaps_done(size_bytes, sha256)
        if code_of(answer) == "ConditionalRequestConflict":
            return self._raced(size_bytes, sha256)
        self._client.judged(answer)
        self._check_whole(answer, listed, size_bytes, sha256)
        self._notes.drop(self._token.number, self._token.key)
        return False

    def _ask_to_complete(self, listed: list[Part], *, conditional: bool) -> Answer:
        able = self._objects.probe.abilities()
        kind = "SHA256" if able.signed else "CRC32"
        return self._client.ask(
            Request(
                method="POST",
                key=self._token.key,
                query=[("uploadId", self._token.upload_id)],
                headers=NEVER_OVERWRITE if conditional else {},
                body=memoryview(completion(listed, kind)),
                answer_s=COMPLETE_S,
            )
        )

    def _check_whole(self, answer: Answer, listed: list[Part], size_bytes: int, sha256: bytes) -> None:
        """Raise StoreDigest unless the object is what its parts were."""
        expected = combined_etag([part.etag for part in listed])
        told = text_of(self._client, answer.body, "ETag").strip('"')
        if expected is None or told == expected:
            return
        found = self._objects.find(self._token.key)
        if found is not None and (found.etag == expected or self._is_same(found, size_bytes, sha256)):
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
        """Something has the key: whether it is the same content, put there by others."""
        if found is None:
            raise StoreUnreachable(f"{self._client}: a key was taken and is free again; it is tried again")
        if found.origin != self._token.number and not self._is_same(found, size_bytes, sha256):
            raise self._objects.conflict(self._path)
        self._notes.end(self._token)
        return found.origin != self._token.number

    def _perhaps_done(self, size_bytes: int, sha256: bytes) -> bool:
        """There is no such upload any more: the answer to an earlier try may have been lost."""
        found = self._objects.find(self._token.key)
        if found is None:
            raise self._over()
        return self._taken(found, size_bytes, sha256)

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
