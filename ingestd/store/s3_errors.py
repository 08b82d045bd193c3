"""What the answers of a store mean, as errors of the port."""

from __future__ import annotations

import re
from email.utils import parsedate_to_datetime
from xml.etree import ElementTree

from ingestd.ports import (
    PortError,
    StoreBusy,
    StoreDigest,
    StoreFull,
    StoreMissing,
    StoreRefused,
    StoreUnreachable,
)
from ingestd.store.s3_wire import Answer

_REFUSED = (StoreRefused, "have the access rights of the station's credentials mended, then lift the hold")
_CREDENTIALS = (StoreRefused, "give the station valid credentials, then lift the hold")
_ADDRESS = (StoreRefused, "mend endpoint, region and addressing in the store's section")
_SETTING = (StoreRefused, "the store does not take what its section asks for; change the section")
_MISSING = (StoreMissing, "make the bucket, or mend its name in the configuration, then lift the hold")
_FULL = (StoreFull, "raise the quota or make room, then lift the hold")
_LATER = (StoreUnreachable, "it is tried again")
_BUSY = (StoreBusy, "it is tried again more slowly")
_DIGEST = (StoreDigest, "what arrived was not what was sent; it is sent again")
_BETWEEN = (StoreUnreachable, "a page for people came in the store's place; see to what is on the way to it")
_TOO_LARGE = (
    StoreRefused,
    "something on the way takes no body so large; raise its limit or lower part_bytes",
)

Meaning = tuple[type[PortError], str]

_BY_CODE: dict[str, Meaning] = {
    "AccessDenied": _REFUSED,
    "AllAccessDisabled": _REFUSED,
    "AccountProblem": _REFUSED,
    "MethodNotAllowed": _REFUSED,
    "InvalidObjectState": _REFUSED,
    "InvalidAccessKeyId": _CREDENTIALS,
    "SignatureDoesNotMatch": _CREDENTIALS,
    "InvalidToken": _CREDENTIALS,
    "InvalidSecurity": _CREDENTIALS,
    "NotSignedUp": _CREDENTIALS,
    "AuthorizationHeaderMalformed": _ADDRESS,
    "PermanentRedirect": _ADDRESS,
    "TemporaryRedirect": _ADDRESS,
    "IllegalLocationConstraintException": _ADDRESS,
    "InvalidBucketName": _ADDRESS,
    "NotImplemented": _SETTING,
    "InvalidStorageClass": _SETTING,
    "InvalidArgument": _SETTING,
    "InvalidRequest": _SETTING,
    "InvalidEncryptionAlgorithmError": _SETTING,
    "KeyTooLongError": _SETTING,
    "EntityTooLarge": _SETTING,
    "NoSuchBucket": _MISSING,
    "QuotaExceeded": _FULL,
    "TotalBucketsBytesExceeded": _FULL,
    "XMinioStorageFull": _FULL,
    "XMinioAdminBucketQuotaExceeded": _FULL,
    "ServiceQuotaExceeded": _FULL,
    "SlowDown": _BUSY,
    "SlowDownRead": _BUSY,
    "SlowDownWrite": _BUSY,
    "Throttling": _BUSY,
    "ThrottlingException": _BUSY,
    "TooManyRequests": _BUSY,
    "RequestLimitExceeded": _BUSY,
    "BadDigest": _DIGEST,
    "InvalidDigest": _DIGEST,
    "XAmzContentSHA256Mismatch": _DIGEST,
    "ContentSHA256Mismatch": _DIGEST,
    "XAmzContentChecksumMismatch": _DIGEST,
    "IncompleteBody": _LATER,
    "RequestTimeout": _LATER,
    "RequestTimeTooSkewed": _LATER,
    "ExpiredToken": _LATER,
    "ExpiredTokenException": _LATER,
    "OperationAborted": _LATER,
    "ConditionalRequestConflict": _LATER,
    "InternalError": _LATER,
    "ServiceUnavailable": _LATER,
}
"""Codes of the Amazon S3 API Reference, "Error responses", and a few that other stores have for the same."""

_BY_STATUS: dict[int, Meaning] = {
    301: _ADDRESS,
    302: _ADDRESS,
    307: _ADDRESS,
    308: _ADDRESS,
    400: _SETTING,
    401: _CREDENTIALS,
    403: _REFUSED,
    404: _MISSING,
    408: _LATER,
    409: _LATER,
    413: _FULL,
    429: _BUSY,
    501: _SETTING,
    507: _FULL,
}

_DOWN = {500, 502, 503, 504}
_PAGE = re.compile(rb"(?i)<(!doctype\s+)?html[\s>]")
_CODE = re.compile(r"[A-Za-z0-9.]{1,64}\Z")


def code_of(answer: Answer) -> str:
    """The error code in an answer; nothing where it has none, as in answers to HEAD."""
    body = answer.body.lstrip()
    if not body.startswith(b"<"):
        return ""
    try:
        # Some stores keep a line open with white space, and an XML declaration may not follow any.
        root = ElementTree.fromstring(body)  # noqa: S314 - expat 2.4 bounds what entities can do
    except ElementTree.ParseError:
        return ""
    if root.tag.rpartition("}")[2] != "Error":
        return ""
    found = next((child.text or "" for child in root if child.tag.rpartition("}")[2] == "Code"), "")
    return found if _CODE.match(found) else ""


def is_page(answer: Answer) -> bool:
    """Whether this is a page for people: from a proxy, a balancer or a sign-in page, never from a store.

    Without a body it is none, whatever its type is called: some stores call nothing at all HTML.
    """
    return _PAGE.search(answer.body[:512]) is not None


def is_absent(answer: Answer) -> bool:
    """Whether the store says that there is no such object or upload, in a bucket that is there."""
    return answer.status == 404 and code_of(answer) != "NoSuchBucket" and not is_page(answer)


def counts_against(answer: Answer) -> bool:
    """Whether an answer shows that the store itself is in trouble, as opposed to busy or unwilling."""
    return answer.status in _DOWN and not issubclass(_meaning(answer, code_of(answer))[0], StoreBusy)


def error_of(answer: Answer, where: str) -> PortError:
    """The error that an answer stands for. Its text says what the store said, never a customer's name."""
    code = code_of(answer)
    kind, remedy = _meaning(answer, code)
    said = f"status {answer.status}" + (f", {code}" if code else "")
    error = kind(f"{where}: {said}; {remedy}")
    error.not_before_s = _retry_after(answer)
    return error


def _meaning(answer: Answer, code: str) -> Meaning:
    if code in _BY_CODE:
        return _BY_CODE[code]
    if answer.status in _DOWN:
        return _LATER
    if is_page(answer):
        if answer.status == 413:
            return _TOO_LARGE
        if answer.status < 300 or answer.status == 404:
            return _BETWEEN
    return _BY_STATUS.get(answer.status, (StoreRefused, "look into the store's own log for what it refused"))


_RETRY_AFTER_MAX_S = 300.0


def _retry_after(answer: Answer) -> float:
    """RFC 9110, section 10.2.3: seconds, or a date by the clock of the store, which `Date` tells.

    At most five minutes are believed; 0 for what is not understood.
    """
    value = answer.headers.get("retry-after", "").strip()
    if value.isascii() and value.isdigit():
        return min(_RETRY_AFTER_MAX_S, float(value))
    try:
        wait_s = (
            parsedate_to_datetime(value) - parsedate_to_datetime(answer.headers["date"])
        ).total_seconds()
    except (KeyError, ValueError, TypeError):
        return 0.0
    return min(_RETRY_AFTER_MAX_S, max(0.0, wait_s))


def clock_ahead_s(answer: Answer, now: float) -> float | None:
    """How many seconds the store's clock is ahead of ours; None when it does not tell."""
    try:
        return parsedate_to_datetime(answer.headers["date"]).timestamp() - now
    except (KeyError, ValueError):
        return None
