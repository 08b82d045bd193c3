"""Reading streams from where we left off: deliveries by offset, with a bounded number unacknowledged."""

from __future__ import annotations

from collections import deque
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
TAKE_BYTES_MAX = 4 << 20
"""What is handed out at once ends with the delivery that reaches one of these."""

BUFFER_BYTES_MAX = 4 << 20
"""Nothing more is read from the broker while as much waits to be taken."""


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
        self._buffer: deque[tuple[int, Delivery]] = deque()
        self._bytes = 0
        self._begun = self._paused = False
        self._tags: dict[str, int] = {}
        self._open: deque[int] = deque()
        self._settled: set[int] = set()

    def prepare(self, streams: Sequence[str]) -> None:
        """Begin to read. Raises BusDown."""
        channel = self._link.channel
        channel.add_on_cancel_callback(self._on_cancel)
        channel.basic_qos(prefetch_count=self._link.settings.prefetch)
        # An answer may stand behind deliveries, so none may make the broker wait before all have begun.
        # The first stream, whose messages come from elsewhere, begins last: then little can have come.
        for stream in reversed(streams):
            self._begin(stream)
        self._begun = True
        self._bound()

    def _begin(self, stream: str) -> None:
        started: list[Any] = []

        def done(method: Any) -> None:
            started.append(method)
            self._link.driver.wake()

        self._link.channel.basic_consume(
            stream,
            partial(self._on_delivery, stream),
            arguments={_OFFSET: self._begin_at(stream)},
            consumer_tag=f"{self._link.settings.station}.{stream}",
            callback=done,
        )
        self._link.wait(lambda: bool(started), self._link.settings.open_s)
        if stream in self._known:
            self._require_known(stream)

    def _begin_at(self, stream: str) -> int | str:
        return self._known.get(stream, "first")

    def _require_known(self, stream: str) -> None:
        link = self._link
        link.driver.run(lambda: bool(link.lost) or stream in self._heard, link.settings.open_s)
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
        while self._buffer and len(taken) < TAKE_MAX and held < TAKE_BYTES_MAX:
            tag, delivery = self._buffer.popleft()
            position = delivery.position
            assert position is not None, "what comes from a stream has a position"
            self._last[position.stream] = position.offset
            self._tags[delivery.origin] = tag
            taken.append(delivery)
            held += len(delivery.body)
        self._bytes -= held
        self._bound()
        return taken

    def acknowledge(self, delivery: Delivery) -> None:
        """Room for another one, once `confirm` is called. What came over an earlier link is passed over."""
        tag = self._tags.pop(delivery.origin, None)
        if tag is not None:
            self._settled.add(tag)

    def confirm(self) -> None:
        """Tell the broker of all that was acknowledged: in one word, up to the first that was not, and one
        by one what lies beyond that. Raises BusDown."""
        if not self._settled:
            return
        channel = self._link.channel
        through = 0
        while self._open and self._open[0] in self._settled:
            through = self._open.popleft()
            self._settled.remove(through)
        if through:
            channel.basic_ack(through, multiple=True)
        if self._settled:
            for tag in sorted(self._settled):
                channel.basic_ack(tag)
            self._open = deque(tag for tag in self._open if tag not in self._settled)
            self._settled.clear()

    def _bound(self) -> None:
        """Let the broker wait while much lies here, whatever the number of its messages."""
        if self._begun and (self._bytes >= BUFFER_BYTES_MAX) != self._paused:
            self._paused = not self._paused
            self._link.pause(self._paused)

    # -- what pika calls --

    def _on_cancel(self, _frame: Any) -> None:
        self._link.lose("has ended the reading of a stream, as it does when one is deleted or moved")

    def _on_delivery(self, stream: str, _channel: Any, method: Any, properties: Any, body: bytes) -> None:
        offset = (properties.headers or {}).get(_OFFSET)
        if not isinstance(offset, int):
            self._link.lose(not_a_stream(stream))
            return
        self._heard.add(stream)
        self._open.append(method.delivery_tag)
        if offset <= self._known.get(stream, -1):
            self._settled.add(method.delivery_tag)
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
        self._bytes += len(body)
        self._bound()
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
    content_type, encoding = properties.content_type, properties.content_encoding
    if content_type in _TYPES and encoding is None:
        return ()
    flaws = []
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
