"""Facts as JSON, and the guards that tell a flipped bit from what was written."""

from __future__ import annotations

import json
import zlib
from typing import Generic, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import PydanticSerializationError

from ingestd.core.job_record import JobRecord
from ingestd.core.messages import SaveUplink
from ingestd.core.phases import Load
from ingestd.journal import words
from ingestd.ports import JournalError

T = TypeVar("T")


def guard(*parts: bytes) -> int:
    """CRC-32 of the parts, one after the other: finds every single flipped bit (it is no signature)."""
    crc = 0
    for part in parts:
        crc = zlib.crc32(part, crc)
    return crc


class FactCodec(Generic[T]):
    """One type of frozen value to JSON and back.

    A load's phase tells which of its states a JSON object is: the literals leave one candidate. Fields
    that a later version added are read with their defaults, those that it dropped are passed over.
    """

    def __init__(self, adapter: TypeAdapter[T], what: str) -> None:
        self._adapter = adapter
        self._what = what

    def encode(self, value: T) -> bytes:
        """JSON that `decode` is known to accept. Raises JournalError for a value that it would not.

        What cannot be read back must not be committed: it would keep the daemon from starting again.
        """
        try:
            body = self._adapter.dump_json(value)
        except PydanticSerializationError:
            # Labels and serials may hold lone surrogates, which stand for bytes that are not UTF-8.
            body = json.dumps(self._adapter.dump_python(value, mode="json")).encode("ascii")
        try:
            self.decode(body)
        except JournalError as error:
            raise words.unrecordable(self._what) from error
        return body

    def decode(self, body: bytes) -> T:
        """The value again. Raises JournalError for what `encode` cannot have written."""
        try:
            return self._adapter.validate_json(body)
        except ValidationError:
            pass
        try:
            return self._adapter.validate_python(json.loads(body))
        except ValueError as error:
            raise words.damaged(self._what) from error


JOBS = FactCodec(TypeAdapter(JobRecord), "the record of a job")
LOADS = FactCodec(TypeAdapter(Load), "the record of a load")
UPLINKS = FactCodec(TypeAdapter(SaveUplink), "the uplink's cap")
