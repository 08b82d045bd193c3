"""What `ingestd check` says of the brokers, each looked at by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ingestd.bus.amqp import probe
from ingestd.bus.amqp.driver import Driver
from ingestd.bus.amqp.link import Link
from ingestd.bus.amqp.settings import Address, Settings
from ingestd.bus.amqp.words import Words
from ingestd.ports import BusDown, Problem

_EVENT = "ingest.station.reported"
"""What a station that works publishes now and then; where that may go, so may the others."""


def examine(settings: Settings) -> Sequence[Problem]:
    """Every problem. Where one broker of several serves, the others' problems are no more than a warning."""
    found = {address: list(_problems(settings, address)) for address in settings.addresses}
    fatal = all(found.values())
    return [
        Problem(str(address), words.text, words.remedy, fatal=fatal)
        for address, problems in found.items()
        for words in problems
    ]


def _problems(settings: Settings, address: Address) -> Iterator[Words]:
    driver = Driver()
    link = Link(driver, settings)
    try:
        link.open(address)
        yield from dict.fromkeys((*unfit_for_reading(link), *unfit_for_writing(link)))
    except BusDown as error:
        text, _, remedy = str(error).removeprefix(f"the broker {address} ").partition("; ")
        yield Words(text, remedy or "look at the broker's log")
    finally:
        link.close()
        driver.close()


def unfit_for_reading(link: Link) -> Iterator[Words]:
    """What keeps a station from reading. Raises BusDown when the connection is lost."""
    for name in link.settings.names.streams:
        words = probe.stream(link, name)
        if words is not None:
            yield words


def unfit_for_writing(link: Link) -> Iterator[Words]:
    """What keeps a station from publishing. Raises BusDown when the connection is lost.

    The streams too: a broker that has just started brings them back one by one, and confirms meanwhile
    what it has put only where it could (seen with RabbitMQ 3.10, killed and started again).
    """
    for name in link.settings.names.records:
        missing = probe.queue(link, name)
        if missing is not None:
            yield missing
    for name in link.settings.names.exchanges:
        words = probe.exchange(link, name, _EVENT)
        if words is not None:
            yield words
