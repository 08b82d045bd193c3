"""Publishing with confirms: many subjects at once, one message of each subject at a time.

A broker may refuse one message and take the next. Only when a message is confirmed does the next one
of its subject leave, so whatever the broker refuses, no consumer sees a subject's messages in another
order than ours. Messages of different subjects do not wait for each other.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pika
from pika.delivery_mode import DeliveryMode

from ingestd.bus.amqp.link import Link
from ingestd.ports import BusDown

EVENT_TYPE = "application/cloudevents+json"


@dataclass(frozen=True, slots=True)
class Message:
    """One message on its way to an exchange."""

    id: str
    subject: str
    exchange: str
    routing_key: str
    body: bytes
    headers: Mapping[str, Any] = field(default_factory=dict)
    type: str = ""
    content_type: str = EVENT_TYPE
    content_encoding: str | None = None

    def properties(self) -> pika.BasicProperties:
        return pika.BasicProperties(
            content_type=self.content_type,
            content_encoding=self.content_encoding,
            delivery_mode=DeliveryMode.Persistent,
            message_id=self.id,
            type=self.type or None,
            app_id="ingestd",
            headers=dict(self.headers),
        )


@dataclass(slots=True)
class Outcome:
    """What became of messages, by their id."""

    taken: set[str] = field(default_factory=set)
    refused: dict[str, str] = field(default_factory=dict)


class Publisher:
    """Publishes over one link."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._tag = 0
        self._in_flight: dict[int, Message] = {}
        self._waiting: dict[str, deque[Message]] = {}
        self._returned: dict[str, str] = {}
        self._outcome = Outcome()
        self._until = 0.0

    def prepare(self) -> None:
        """Have everything confirmed from now on. Raises BusDown."""
        ready: list[Any] = []
        channel = self._link.channel

        def done(method: Any) -> None:
            ready.append(method)
            self._link.driver.wake()

        channel.add_on_return_callback(self._on_return)
        channel.confirm_delivery(self._on_confirm, done)
        self._link.wait(lambda: bool(ready), self._link.settings.open_s)

    def publish(self, messages: Sequence[Message], within_s: float) -> Outcome:
        """What the broker has confirmed and what it has refused, by message id. Nothing more is sent once
        `within_s` has passed. Raises BusDown when that happens before anything was confirmed."""
        self._link.require()
        self._require_unblocked()
        # What an earlier call gave up is confirmed late or never, and concerns nobody any more.
        self._in_flight.clear()
        self._returned.clear()
        self._outcome, self._waiting = Outcome(), _by_subject(messages)
        self._until = time.monotonic() + within_s
        for subject in list(self._waiting):
            self._send_next(subject)
        try:
            self._wait_for_confirmations()
        except BusDown:
            if not self._outcome.taken:
                raise
        return self._outcome

    def _wait_for_confirmations(self) -> None:
        link = self._link
        while self._in_flight:
            before = len(self._in_flight), self._tag
            link.driver.run(self._is_over, link.settings.confirm_s)
            link.require()
            self._require_unblocked()
            if self._in_flight and before == (len(self._in_flight), self._tag):
                link.lose(
                    f"has confirmed nothing for {link.settings.confirm_s:g} seconds; look at its queues"
                )

    def _is_over(self) -> bool:
        return not self._in_flight or bool(self._link.lost or self._link.blocked)

    def _require_unblocked(self) -> None:
        if self._link.blocked:
            raise BusDown(
                f"the broker {self._link.address} takes nothing at the moment ({self._link.blocked}); "
                "give it memory or disk space: rabbitmqctl list_alarms"
            )

    def _send_next(self, subject: str) -> None:
        waiting = self._waiting[subject]
        if not waiting or time.monotonic() >= self._until:
            return
        message = waiting.popleft()
        self._tag += 1
        self._in_flight[self._tag] = message
        self._link.channel.basic_publish(
            message.exchange, message.routing_key, message.body, message.properties(), mandatory=True
        )

    # -- what pika calls --

    def _on_return(self, _channel: Any, method: Any, properties: Any, _body: bytes) -> None:
        """Comes before the confirmation of the same message."""
        self._returned[properties.message_id] = (
            f"no queue takes it: {method.reply_text.replace('_', ' ').lower()} from the exchange "
            f"{method.exchange} by {method.routing_key}; bind a queue or stream to it"
        )

    def _on_confirm(self, frame: Any) -> None:
        taken = frame.method.NAME == "Basic.Ack"
        for tag in self._tags(frame.method.delivery_tag, frame.method.multiple):
            message = self._in_flight.pop(tag)
            why = self._returned.pop(message.id, None)
            if why is None and not taken:
                why = "the broker did not take it (nack): a queue that it is bound to is full or unwell"
            if why is not None:
                self._outcome.refused[message.id] = why
            else:
                self._outcome.taken.add(message.id)
                self._send_next(message.subject)
        if not self._in_flight:
            self._link.driver.wake()

    def _tags(self, tag: int, multiple: bool) -> list[int]:
        """The messages in flight that a confirmation is about, oldest first."""
        if not multiple:
            return [tag] if tag in self._in_flight else []
        return [sent for sent in self._in_flight if sent <= tag]


def _by_subject(messages: Iterable[Message]) -> dict[str, deque[Message]]:
    waiting: dict[str, deque[Message]] = {}
    for message in messages:
        waiting.setdefault(message.subject, deque()).append(message)
    return waiting
