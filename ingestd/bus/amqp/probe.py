"""Questions to a broker that change nothing there, each on a channel of its own.

A broker closes the channel on which something was refused, so each question costs one. None of them
declares, sends or takes a message.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pika
from pika import exceptions
from pika.channel import Channel

from ingestd.bus.amqp.consumer import not_a_stream
from ingestd.bus.amqp.link import Link
from ingestd.bus.amqp.words import PRECONDITION_FAILED, Words

Answer = BaseException | None
"""What closed the channel; None when the broker agreed."""

_NO_EXPIRY = "never"
"""No valid expiration: a broker looks at rights and exchange first, and refuses such a message then."""


def stream(link: Link, name: str) -> Words | None:
    """What keeps us from reading this stream. Raises BusDown when the connection is lost."""
    missing = queue(link, name)
    if missing is not None:
        return missing
    # Without a bound on deliveries a stream refuses every reader, after it has looked at its rights;
    # any other queue takes it, and is given back at once what it may have sent.
    answer = _ask(link, lambda channel, done: channel.basic_consume(name, _ignore, callback=done))
    if answer is None:
        return not_a_stream(name)
    return None if _is(answer, PRECONDITION_FAILED, "prefetch") else link.explain(answer)


def queue(link: Link, name: str) -> Words | None:
    """What is wrong with a queue that has to be there. Raises BusDown when the connection is lost."""
    return _words(link, _ask(link, lambda ch, done: ch.queue_declare(name, passive=True, callback=done)))


def exchange(link: Link, name: str, routing_key: str) -> Words | None:
    """What keeps us from publishing to this exchange. Raises BusDown when the connection is lost."""
    answer = _ask(link, lambda ch, done: ch.exchange_declare(name, passive=True, callback=done))
    if answer is not None:
        return link.explain(answer)
    properties = pika.BasicProperties(expiration=_NO_EXPIRY)

    def try_to_write(channel: Channel, _done: Callable[..., None]) -> None:
        channel.basic_publish(name, routing_key, b"", properties)

    answer = _ask(link, try_to_write)
    return None if _is(answer, PRECONDITION_FAILED, "expiration") else _words(link, answer)


def _words(link: Link, answer: Answer) -> Words | None:
    return None if answer is None else link.explain(answer)


def _is(answer: Answer, code: int, part: str) -> bool:
    return (
        isinstance(answer, exceptions.ChannelClosed)
        and answer.reply_code == code
        and part in answer.reply_text
    )


def _ask(link: Link, question: Callable[[Channel, Callable[..., None]], Any]) -> Answer:
    channel = link.another_channel()
    answers: list[Answer] = []

    def done(_frame: Any = None) -> None:
        answers.append(None)
        link.driver.wake()

    def refused(_channel: Channel, reason: Exception) -> None:
        answers.append(reason)
        link.driver.wake()

    channel.add_on_close_callback(refused)
    question(channel, done)
    link.wait(lambda: bool(answers), link.settings.open_s)
    if channel.is_open:
        channel.close()
        link.wait(lambda: channel.is_closed, link.settings.open_s)
    return answers[0]


def _ignore(*_: Any) -> None: ...
