"""Listings, as the XML of the Amazon S3 API Reference has them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from xml.etree import ElementTree
from xml.sax.saxutils import escape

from ingestd.ports import StoreUnreachable
from ingestd.store.s3_client import Client, Request
from ingestd.store.s3_errors import is_absent
from ingestd.store.s3_sign import Query

_PAGES_MAX = 100_000


@dataclass(frozen=True, slots=True)
class ListedObject:
    key: str
    size_bytes: int
    etag: str
    changed_at: float


@dataclass(frozen=True, slots=True)
class ListedUpload:
    key: str
    upload_id: str
    begun_at: float


@dataclass(frozen=True, slots=True)
class Part:
    """A part that the store holds. `checksum` is its CRC-32 in base 64, where it has one."""

    number: int
    size_bytes: int
    etag: str
    checksum: str | None = None


def objects(client: Client, prefix: str) -> Iterator[ListedObject]:
    """All objects whose key begins so, by ListObjectsV2."""
    follow: Query = ()
    for _ in range(_PAGES_MAX):
        query = [("list-type", "2"), ("prefix", prefix), *follow]
        page = _page(client, Request(method="GET", query=query))
        for row in page.iter("Contents"):
            yield ListedObject(
                _text(row, "Key"),
                _number(client, row, "Size"),
                _text(row, "ETag"),
                _moment(row, "LastModified"),
            )
        if _text(page, "IsTruncated") != "true":
            return
        follow = _further(client, follow, {"continuation-token": _text(page, "NextContinuationToken")})


def uploads(client: Client, prefix: str) -> Iterator[ListedUpload]:
    """All uploads that are not complete, of keys that begin so, by ListMultipartUploads."""
    follow: Query = ()
    for _ in range(_PAGES_MAX):
        query = [("uploads", ""), ("prefix", prefix), *follow]
        page = _page(client, Request(method="GET", query=query))
        for row in page.iter("Upload"):
            yield ListedUpload(_text(row, "Key"), _text(row, "UploadId"), _moment(row, "Initiated"))
        if _text(page, "IsTruncated") != "true":
            return
        markers = {name: _text(page, name) for name in ("NextKeyMarker", "NextUploadIdMarker")}
        follow = _further(
            client,
            follow,
            {"key-marker": markers["NextKeyMarker"], "upload-id-marker": markers["NextUploadIdMarker"]},
        )


def parts(client: Client, key: str, upload_id: str) -> dict[int, Part] | None:
    """What an upload consists of, by number, by ListParts; None when there is no such upload."""
    found: dict[int, Part] = {}
    follow: Query = ()
    for _ in range(_PAGES_MAX):
        request = Request(method="GET", key=key, query=[("uploadId", upload_id), *follow])
        answer = client.ask(request)
        if is_absent(answer):
            return None
        page = _listed(client, client.judged(answer).body)
        for row in page.iter("Part"):
            number = _number(client, row, "PartNumber")
            checksum = _text(row, "ChecksumCRC32") or None
            found[number] = Part(number, _number(client, row, "Size"), _text(row, "ETag"), checksum)
        if _text(page, "IsTruncated") != "true":
            return found
        follow = _further(client, follow, {"part-number-marker": _text(page, "NextPartNumberMarker")})
    return found


def text_of(client: Client, body: bytes, name: str) -> str:
    """The first element of that name in an answer. Raises StoreUnreachable when there is none."""
    found = next((element.text for element in _parsed(client, body).iter(name)), None)
    if not found:
        raise client.not_its_own(f"an answer has no {name}")
    return found


def completion(parts: list[Part]) -> bytes:
    """The body of CompleteMultipartUpload."""
    rows = "".join(
        f"<Part><PartNumber>{part.number}</PartNumber><ETag>{escape(part.etag)}</ETag>"
        + (f"<ChecksumCRC32>{escape(part.checksum)}</ChecksumCRC32>" if part.checksum else "")
        + "</Part>"
        for part in parts
    )
    return (
        f'<CompleteMultipartUpload xmlns="http://s3.amazonaws.com/doc/2006-03-01/">{rows}'
        "</CompleteMultipartUpload>"
    ).encode()


def _further(client: Client, before: Query, markers: Mapping[str, str]) -> Query:
    """Where the next page begins. Raises StoreUnreachable where it would be the same page again."""
    follow = [(name, value) for name, value in markers.items() if value]
    if not follow or follow == list(before):
        raise client.not_its_own("a listing does not say how to go on")
    return follow


def _page(client: Client, request: Request) -> ElementTree.Element:
    return _listed(client, client.must(request).body)


def _listed(client: Client, body: bytes) -> ElementTree.Element:
    page = _parsed(client, body)
    # All listings have it, and no other document that is XML by chance.
    if page.find("IsTruncated") is None:
        raise client.not_its_own("an answer is no listing")
    return page


def _parsed(client: Client, body: bytes) -> ElementTree.Element:
    try:
        root = ElementTree.fromstring(body.lstrip())  # noqa: S314 - expat 2.4 bounds what entities can do
    except ElementTree.ParseError:
        raise StoreUnreachable(f"{client}: an answer is not XML; it is tried again") from None
    for element in root.iter():
        element.tag = element.tag.rpartition("}")[2]
    return root


def _text(row: ElementTree.Element, name: str) -> str:
    return row.findtext(name) or ""


def _number(client: Client, row: ElementTree.Element, name: str) -> int:
    text = _text(row, name)
    if not (text.isascii() and text.isdecimal()):
        raise client.not_its_own(f"a listing has {text[:20]!r} as {name}")
    return int(text)


def _moment(row: ElementTree.Element, name: str) -> float:
    try:
        return datetime.fromisoformat(_text(row, name)).timestamp()
    except ValueError:
        return 0.0
