"""What a broker, a network or a certificate says, as one sentence with its remedy."""

from __future__ import annotations

import errno
import re
import socket
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from pika import exceptions
from pika.adapters.utils import connection_workflow as workflow

ACCESS_REFUSED = 403
NOT_FOUND = 404
PRECONDITION_FAILED = 406
NOT_ALLOWED = 530
CONNECTION_FORCED = 320
NOT_IMPLEMENTED = 540

IMPORT = "rabbitmqctl import_definitions deploy/rabbitmq/definitions.json"
"""The command that creates everything a station expects."""


@dataclass(frozen=True, slots=True)
class Words:
    """What is wrong, and what to do about it."""

    text: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.text}; {self.remedy}"


_SYSTEM = {
    errno.ECONNREFUSED: Words("refuses connections", "start the broker, or correct the port in amqp.urls"),
    errno.ECONNRESET: Words("hangs up", "look at the broker's log; a port for TLS wants amqps://"),
    errno.ENETUNREACH: Words("cannot be reached: there is no route", "look at the network"),
    errno.EHOSTUNREACH: Words("cannot be reached: its host does not answer", "look at the network"),
    errno.ETIMEDOUT: Words("does not answer in time", "look at the network, a firewall, or the broker"),
}
_SILENT = _SYSTEM[errno.ETIMEDOUT]


def in_words(error: BaseException, *, user: str = "", kept_in: str = "", vhost: str = "/") -> Words:
    """The sentence for an error of pika's, of the system's, or of OpenSSL's."""
    known = list(_causes(error))
    for cause in reversed(known):
        words = _foreign(cause) or _brokers(cause, user, kept_in, vhost)
        if words is not None:
            return words
    return Words(f"does not work: {_short(known[-1])}", "look at the broker's log")


def _causes(error: BaseException) -> Iterator[BaseException]:
    """The error and what it wraps, outermost first."""
    yield error
    inner: BaseException | None = None
    if isinstance(error, workflow.AMQPConnectionWorkflowFailed):
        inner = error.exceptions[-1]
    elif isinstance(error, workflow.AMQPConnectorPhaseErrorBase):
        inner = error.exception
    elif error.args and isinstance(error.args[0], BaseException):
        inner = error.args[0]
    if inner is not None:
        yield from _causes(inner)


def _foreign(error: BaseException) -> Words | None:
    if isinstance(error, socket.gaierror):
        return Words("has a name that cannot be resolved", "correct amqp.urls, or the name service")
    if isinstance(error, ssl.SSLCertVerificationError):
        return _certificate(error)
    if isinstance(error, ssl.SSLError):
        return _tls(error)
    if isinstance(error, TimeoutError | workflow.AMQPConnectorStackTimeout):
        return _SILENT
    if isinstance(error, OSError):
        return _SYSTEM.get(error.errno or 0)
    return None


def _certificate(error: ssl.SSLCertVerificationError) -> Words:
    reason = error.verify_message or error.reason or str(error)
    if "ostname mismatch" in reason or "IP address mismatch" in reason:
        remedy = "name the broker in amqp.urls as its certificate does, or give it another certificate"
        return Words("has a certificate for another host name", remedy)
    if "expired" in reason:
        return Words("has a certificate that has expired", "renew it on the broker")
    remedy = "name the file of its authority in amqp.ca_file"
    return Words(f"has a certificate that is not trusted: {reason}", remedy)


_TLS = (
    ("WRONG_VERSION_NUMBER", "does not speak TLS on this port", "use amqp://, or the broker's TLS port"),
    ("RECORD_LAYER_FAILURE", "does not speak TLS on this port", "use amqp://, or the broker's TLS port"),
    ("UNEXPECTED_EOF", "hangs up during the TLS handshake", "use the broker's TLS port; see its log"),
    (
        "CERTIFICATE_REQUIRED",
        "wants a client certificate",
        "name one in amqp.certificate_file and key_file",
    ),
    ("ALERT", "does not accept our side of TLS", "see its log; it may want another client certificate"),
)


def _tls(error: ssl.SSLError) -> Words:
    reason = (error.reason or str(error)).upper().replace(" ", "_")
    for part, text, remedy in _TLS:
        if part in reason:
            return Words(text, remedy)
    return Words(f"has trouble with TLS: {_short(error)}", "look at the certificates on both sides")


def _brokers(error: BaseException, user: str, kept_in: str, vhost: str) -> Words | None:
    if isinstance(error, exceptions.ConnectionClosed | exceptions.ChannelClosed):
        return _closed(error.reply_code, error.reply_text, user, kept_in, vhost)
    if isinstance(error, exceptions.ProbableAuthenticationError | exceptions.AuthenticationError):
        return _credentials(user, kept_in)
    if isinstance(error, exceptions.ProbableAccessDeniedError):
        return _no_virtual_host(vhost) if "not found" in str(error) else _virtual_host(vhost, user)
    return next((words for kind, words in _PIKA if isinstance(error, kind)), None)


_PIKA: tuple[tuple[type[BaseException], Words], ...] = (
    (exceptions.AMQPHeartbeatTimeout, Words("has fallen silent", "look at the network and the broker")),
    (
        exceptions.ConnectionBlockedTimeout,
        Words(
            "has taken nothing for too long: it is short of memory or disk", "see `rabbitmqctl list_alarms`"
        ),
    ),
    (exceptions.ConnectionOpenAborted, _SILENT),
    (exceptions.IncompatibleProtocolError, Words("does not speak AMQP 0-9-1", "correct amqp.urls")),
    (exceptions.StreamLostError, Words("has hung up", "look at the broker's log")),
)


def _closed(code: int, text: str, user: str, kept_in: str, vhost: str) -> Words:
    lower = text.lower()
    if "login" in lower or "authentication" in lower:
        return _credentials(user, kept_in)
    if code == NOT_ALLOWED and "vhost" in lower and "not found" in lower:
        return Words(
            f"has no virtual host {vhost}", f"create it: rabbitmqctl add_vhost {vhost}; then {IMPORT}"
        )
    for pattern, words in _SAID:
        found = re.search(pattern, text)
        if found:
            return words(found, user, vhost)
    if "vhost" in lower and "refused" in lower:
        return _virtual_host(vhost, user)
    if code == PRECONDITION_FAILED:
        return Words(
            f"has something other than a station expects: {_line(text)}",
            "compare its queues and exchanges with deploy/rabbitmq/definitions.json",
        )
    if code == CONNECTION_FORCED:
        return Words(f"has closed the connection: {_line(text)}", "it is tried again until it is back")
    return Words(f"says {code}: {_line(text)}", "look at the broker's log")


def _credentials(user: str, kept_in: str) -> Words:
    return Words(
        f"refuses the name or password of the user {user}",
        f"correct amqp.user and {kept_in}, or: rabbitmqctl change_password {user}",
    )


def _no_virtual_host(vhost: str) -> Words:
    return Words(f"has no virtual host {vhost}", f"create it: rabbitmqctl add_vhost {vhost}; then {IMPORT}")


def _virtual_host(vhost: str, user: str) -> Words:
    return Words(
        f"does not let the user {user} into the virtual host {vhost}",
        f"give it its rights, see README: rabbitmqctl set_permissions -p {vhost} {user} ...",
    )


def _missing(found: re.Match[str], _user: str, vhost: str) -> Words:
    kind, name = found["kind"], found["name"]
    return Words(f"has no {kind} {name} in the virtual host {vhost}", f"create everything: {IMPORT}")


def _denied(found: re.Match[str], user: str, vhost: str) -> Words:
    verb = "read" if found["kind"] == "queue" else "write to"
    return Words(
        f"does not let the user {user} {verb} the {found['kind']} {found['name']}",
        f"see README for the rights a station has: rabbitmqctl set_permissions -p {vhost} {user} ...",
    )


_SIZES = r"message size (?P<size>\d+) .*max size (?P<most>\d+)"


def largest_taken(error: BaseException) -> int | None:
    """In bytes, when the broker has closed a channel because a message was larger than that."""
    found = next(filter(None, (re.search(_SIZES, str(cause)) for cause in _causes(error))), None)
    return int(found["most"]) if found is not None else None


def too_large(size: int, most: int) -> str:
    """Why a message is not sent."""
    return (
        f"the broker takes no message of more than {most:,} bytes, and this one has {size:,}; "
        "raise max_message_size in its configuration"
    )


def _too_large(found: re.Match[str], _user: str, _vhost: str) -> Words:
    size, most = int(found["size"]), int(found["most"])
    return Words(
        f"takes no message of more than {most:,} bytes, and one of {size:,} is to go out",
        "raise max_message_size in its configuration",
    )


def _too_late(found: re.Match[str], _user: str, _vhost: str) -> Words:
    return Words(
        f"has waited longer than {int(found['ms']) / 1000:g} seconds for an acknowledgement",
        "reading goes on over a new connection; see whether a notice cannot be set aside, and which",
    )


_SAID: tuple[tuple[str, Callable[[re.Match[str], str, str], Words]], ...] = (
    (r"no (?P<kind>queue|exchange) '(?P<name>[^']*)'", _missing),
    (r"access to (?P<kind>queue|exchange) '(?P<name>[^']*)'", _denied),
    (_SIZES, _too_large),
    (r"acknowledgement .* timed out.*?(?P<ms>\d+) ms", _too_late),
)


def _short(error: BaseException) -> str:
    return _line(str(error)) or type(error).__name__


def _line(text: str) -> str:
    return " ".join(text.split())[:200]
