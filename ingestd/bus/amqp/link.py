"""One connection with one channel. When either is lost, a new one is made from the top."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

import pika
from pika import exceptions
from pika.channel import Channel

from ingestd.bus.amqp.driver import Driver
from ingestd.bus.amqp.settings import Address, Settings
from ingestd.bus.amqp.words import Words, in_words, largest_taken
from ingestd.ports import BusDown

_FAREWELL_S = 1.0
"""How long an end in good manners may take."""


class Link:
    """A connection to the first broker that takes us, beginning with the one at `first`.

    `lost` says in words why it cannot be used any more, `blocked` why the broker takes nothing at
    the moment; both are empty while all is well.
    """

    def __init__(self, driver: Driver, settings: Settings) -> None:
        self.driver = driver
        self.settings = settings
        self.lost = ""
        self.blocked = ""
        self.largest: int | None = None
        """Bytes of the largest message that is taken, where it was lost because one was larger."""
        self.address: Address | None = None
        self._connection: pika.SelectConnection | None = None
        self._channel: Channel | None = None
        self._sockets: frozenset[int] = frozenset()
        self._closing = False

    @property
    def channel(self) -> Channel:
        """Raises BusDown when it is gone."""
        self.require()
        assert self._channel is not None, "an open link has a channel"
        return self._channel

    def require(self) -> None:
        """Raise BusDown unless both connection and channel are open."""
        if not self.lost and (self._channel is None or not self._channel.is_open):
            self.lose("is not connected; it is tried again")
        if self.lost:
            raise BusDown(self.lost)

    def open(self, address: Address) -> None:
        """Connect, log in and open a channel. Raises BusDown."""
        self.address = address
        parameters = self.settings.parameters(address)
        before = self.driver.sockets()
        self._connection = pika.SelectConnection(
            parameters,
            on_open_callback=self._opened,
            on_open_error_callback=self._closed,
            on_close_callback=self._closed,
            custom_ioloop=self.driver.loop,
        )
        # pika's own limit is the same, and ends the attempt more thoroughly than we could.
        limit_s = self.settings.open_s + _FAREWELL_S
        self.driver.run(lambda: bool(self.lost) or self._channel is not None, limit_s)
        self._sockets = self.driver.sockets() - before
        if not self.lost and (self._channel is None or not self._channel.is_open):
            self.lose("does not answer in time; look at the network, a firewall, or the broker")
        if self.lost:
            self.hang_up()
            raise BusDown(self.lost)

    def lose(self, words: str | Words) -> None:
        """From now on the link is of no use, for this reason. The first reason stays."""
        self.lost = self.lost or f"the broker {self.address} {words}"
        self.driver.wake()

    def wait(self, done: Callable[[], bool], within_s: float) -> None:
        """Let the connection work until `done`. Raises BusDown when it is lost or takes too long."""
        self.driver.run(lambda: bool(self.lost) or done(), within_s)
        if not self.lost and not done():
            self.lose(f"has not answered for {within_s:g} seconds; look at the network and the broker")
        if self.lost:
            raise BusDown(self.lost)

    def pause(self, paused: bool) -> None:
        """Read nothing of what the broker sends for a while, or read on."""
        self.driver.pause(self._sockets, paused)

    def another_channel(self) -> Channel:
        """One more channel on this connection, to look at one thing with. Raises BusDown."""
        self.require()
        assert self._connection is not None, "an open link has a connection"
        opened: list[Channel] = []

        def done(channel: Channel) -> None:
            opened.append(channel)
            self.driver.wake()

        self._connection.channel(on_open_callback=done)
        self.wait(lambda: bool(opened), self.settings.open_s)
        return opened[0]

    def close(self) -> None:
        """Take leave of the broker, if it listens; then hang up."""
        connection = self._connection
        if connection is not None and connection.is_open and not self.lost:
            self._closing = True
            with contextlib.suppress(exceptions.AMQPError):
                connection.close()
            self.driver.run(lambda: connection.is_closed, _FAREWELL_S)
        self.hang_up()

    def hang_up(self) -> None:
        """End the connection at once, whether the other end listens or not."""
        connection = self._connection
        if connection is None or connection.is_closed:
            return
        self.lose("was left")
        self.driver.hang_up(self._sockets)
        self.driver.run(lambda: connection.is_closed, _FAREWELL_S)

    def explain(self, error: BaseException) -> Words:
        s = self.settings
        return in_words(error, user=s.user, kept_in=s.kept_in, vhost=s.virtual_host)

    # -- what pika calls --

    def _opened(self, connection: Any) -> None:
        connection.add_on_connection_blocked_callback(self._on_blocked)
        connection.add_on_connection_unblocked_callback(self._on_unblocked)
        connection.channel(on_open_callback=self._channel_opened)

    def _channel_opened(self, channel: Channel) -> None:
        channel.add_on_close_callback(self._channel_closed)
        self._channel = channel
        self.driver.wake()

    def _channel_closed(self, _channel: Channel, reason: Exception) -> None:
        if not self._closing:
            self.largest = largest_taken(reason)
            self.lose(self.explain(reason))

    def _closed(self, _connection: Any, reason: BaseException) -> None:
        self.lose(self.explain(reason))

    def _on_blocked(self, _connection: Any, method: Any) -> None:
        self.blocked = method.method.reason or "it does not say why"
        self.driver.wake()

    def _on_unblocked(self, _connection: Any, _method: Any) -> None:
        self.blocked = ""
        self.driver.wake()
