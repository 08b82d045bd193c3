"""The settings that decisions depend on. Units are in the names."""

from __future__ import annotations

from dataclasses import dataclass

from ingestd.core.job import PolicyChange
from ingestd.core.model import UnsignedTickets
from ingestd.core.uplink import UplinkSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The station's own settings that decisions depend on."""

    station: str
    loads_max: int = 8
    unclaimed_after_s: float = 86_400.0
    progress_every_s: float = 30.0
    report_every_s: float = 60.0
    passes_max: int = 3
    policies: tuple[PolicyChange, ...] = ()
    interfaces_refused: tuple[str, ...] = ()
    """Interfaces by which a drive is not accepted, by the names in `drive_rules.INTERFACES`."""
    stores: tuple[str, ...] = ()
    stores_shared: tuple[str, ...] = ()
    """Stores in which a job's prefix need not begin with its tenant's name."""
    shared: bool = False
    """Whether other stations work on the same jobs, and all follow one log of what each has decided."""
    lease_s: float = 300.0
    """After this long without a word from a station, what it has claimed may be claimed by another."""
    unsigned_tickets: UnsignedTickets = UnsignedTickets.HINT
    uplink: UplinkSettings = UplinkSettings()
