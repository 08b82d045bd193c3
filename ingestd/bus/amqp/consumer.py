"""Reading streams from where we left off: deliveries by offset, with a bounded number unacknowledged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from ingestd.bus.amqp.link import Link
from ingestd.bus.amqp.words import Words
from ingestd.ports import Delivery, Position

_OFFSET = "x-stream-offset"

_TYPES = frozenset(("application/cloudevents+json", "application/json"))
_ENCODINGS = frozenset((None, "", "utf-8", "utf8", "identity"))

TAKE_MAX = 1024
TAKE_BYTES_MAX = 16 << 20
"""What is handed out at once ends with the delivery that reaches one of these."""


class Consumer:
    """Reads streams over one link; the position of what was handed out outlives it in `last`.

    A stream that ends before our position sends nothing until it has grown past it, and says so to
    nobody. So reading begins with the last message that we know: it has to be there.
    """

    def __init__(self, link: Link, last: dict[str, int]) -> None:
        self._link = link
        self._last = last
        self._known = dict(last)
        self._heard: set[str] = set()
        self._buffer: list[tuple[int, Delivery]] = []
        self._bytes = 0
        self._tags: dict[Position, int] = {}

    def prepare(self, streams: Sequence[str]) -> None:
        """Begin to read. Raises BusDown."""
        channel, settings = self._link.channel, self._link.settings
        started: list[str] = []

        def done(_method: Any = None) -> None:
            started.append("")
            self._link.driver.wake()

        channel.add_on_cancel_callback(self._on_cancel)
        channel.basic_qos(prefetch_count=settings.prefetch, callback=done)
        for stream in streams:
            channel.basic_consume(
                stream,
                partial(self._on_delivery, stream),
                arguments={_OFFSET: self._begin_at(stream)},
                consumer_tag=f"{settings.station}.{stream}",
                callback=done,
            )
        self._link.wait(lambda: len(started) > len(streams), settings.open_s)
        self._require_known([stream for stream in streams if stream in self._known])

    def _begin_at(self, stream: str) -> int | str:
        return self._known.get(stream, "first")

    def _require_known(self, streams: Sequence[str]) -> None:
        link = self._link
        link.driver.run(lambda: bool(link.lost) or self._heard.issuperset(streams), link.settings.open_s)
        for stream in streams:
            if stream not in self._heard:
                link.lose(_cut_off(stream, self._known[stream]))
        link.require()

    @property
    def waiting(self) -> bool:
        return bool(self._buffer)

    def take(self) -> list[Delivery]:
        """What has arrived, in the order of each stream."""
        taken: list[Delivery] = []
        held = 0
        for tag, delivery in self._buffer:
            if len(taken) >= TAKE_MAX or held >= TAKE_BYTES_MAX:
                break
            position = delivery.position
            assert position is not None, "what comes from a stream has a position"
            self._last[position.stream] = position.offset
            self._tags[position] = tag
            taken.append(delivery)
            held += len(delivery.body)
        del self._buffer[: len(taken)]
        return taken

    def acknowledge(self, delivery: Delivery) -> None:
        """Room for another one. What came over an earlier link is passed over. Raises BusDown."""
        tag = self._tags.pop(delivery.position, None) if delivery.position is not None else None
        if tag is not None:
            self._link.channel.basic_ack(tag)

    # -- what pika calls --

    def _on_cancel(self, _frame: Any) -> None:
        self._link.lose("has ended the reading of a stream, as it does when one is deleted or moved")

    def _on_delivery(self, stream: str, _channel: Any, method: Any, properties: Any, body: bytes) -> None:
        offset = (properties.headers or {}).get(_OFFSET)
        if not isinstance(offset, int):
            self._link.lose(not_a_stream(stream))
            return
        self._heard.add(stream)
        if offset <= self._known.get(stream, -1):
            self._link.channel.basic_ack(method.delivery_tag)
            self._link.driver.wake()
            return
        delivery = Delivery(
            origin=f"amqp:{stream}:{offset}",
            name=f"{stream}@{offset}",
            body=body,
            position=Position(stream, int(offset)),
            flaws=flaws_of(properties),
        )
        self._buffer.append((method.delivery_tag, delivery))
        self._link.driver.wake()


def _cut_off(stream: str, offset: int) -> Words:
    return Words(
        f"has lost the end of the stream {stream}, or has it anew: it ends before {offset}, up to where this "
        "station has acted",
        "make a stream under another name, name it in [amqp], and announce again what is pending",
    )


def not_a_stream(name: str) -> Words:
    return Words(
        f"has a queue {name} of another type, where a stream has to be",
        f"move what it holds, delete it (rabbitmqctl delete_queue {name}) and create the stream",
    )


def flaws_of(properties: Any) -> tuple[str, ...]:
    """What is wrong with a message before its body is looked at."""
    flaws = []
    content_type, encoding = properties.content_type, properties.content_encoding
    if content_type and content_type.partition(";")[0].strip().lower() not in _TYPES:
        flaws.append(f"notice: has the content type {content_type[:60]!r}; send application/cloudevents+json")
    if (encoding.lower() if encoding else encoding) not in _ENCODINGS:
        flaws.append(f"notice: has the content encoding {encoding[:60]!r}; send plain UTF-8")
    return tuple(flaws)


def reasons_header(problems: Sequence[str], station: str, delivery: Delivery) -> Mapping[str, Any]:
    """The headers of a copy that is set aside."""
    position = delivery.position
    assert position is not None, "only what comes from a stream is copied"
    return {
        "ingest-station": station,
        "ingest-stream": position.stream,
        "ingest-offset": position.offset,
        "ingest-problems": [" ".join(problem.split())[:1000] for problem in problems],
    }
