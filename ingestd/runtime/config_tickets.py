"""The section [tickets] of the configuration: whose signature on a job ticket counts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from ingestd.core.model import UnsignedTickets
from ingestd.drives.jws import KeyUnusable
from ingestd.drives.ticket_keys import TicketKey, public_of_x
from ingestd.ports import Problem
from ingestd.runtime.config_section import Folder, Name, Section

_REMEDY = (
    "give the public key in PEM, as `openssl pkey -in KEY -pubout` writes it, or as a JWK, in a file that "
    "this user can read"
)


class TicketKeySection(Section):
    """One public key: in a file, PEM or JWK, or the `x` of a JWK."""

    id: Name
    file: Folder | None = None
    x: Annotated[str, Field(min_length=1, max_length=64)] | None = None

    def key(self) -> TicketKey:
        return TicketKey(self.id, self.file, self.x or "")


class TicketsSection(Section):
    """Signed job tickets. Several keys, so that a new one can be known before the old one goes."""

    keys: tuple[TicketKeySection, ...] = ()
    unsigned: Literal["hint", "hold", "ignore"] | None = None

    def worth_of_unsigned(self) -> UnsignedTickets:
        """Where tickets are signed, one that is not wants a person, unless the site says otherwise."""
        return UnsignedTickets(self.unsigned or ("hold" if self.keys else "hint"))

    def contradictions(self) -> Iterator[str]:
        """What no single key shows."""
        names = [key.id for key in self.keys]
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"tickets.keys: two have the id {name}; give each the one by which signed tickets name it"
        for number, key in enumerate(self.keys):
            where = f"tickets.keys[{number}]"
            if (key.file is None) == (key.x is None):
                yield f"{where}.file: goes without x; set exactly one of them for the key {key.id}"
            elif key.x is not None:
                try:
                    public_of_x(key.x)
                except KeyUnusable as error:
                    yield f"{where}.x: {error}; take it from the JWK of the public key"

    def problems(self) -> Iterator[Problem]:
        """Keys that cannot be had from their files."""
        for number, key in enumerate(self.keys):
            try:
                key.key().public()
            except KeyUnusable as error:
                yield Problem(f"tickets.keys[{number}].file", f"the key {key.id} {error}", _REMEDY)
