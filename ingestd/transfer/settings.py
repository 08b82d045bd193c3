"""Every bound of the byte path, in one place."""

from __future__ import annotations

from dataclasses import dataclass

_MIB = 1 << 20
_BUFFER_BYTES_MIN = 64 << 10


@dataclass(frozen=True, slots=True, kw_only=True)
class TransferSettings:
    """The bounds of the byte path, and what they add up to.

    Memory, whatever the drives' sizes and numbers of files:

        buffers * buffer_bytes                  every byte on its way, of all loads together
      + loads * 3.5 MiB                         a batch of 512 rows, faults, blocks for second looks
      + proving loads * buffer_bytes            while a manifest is stored
      + (senders + 2 * loads) * 0.1 MiB         what a thread touches of its stack
      + connections to a bucket * 35 KiB        over TLS: 240 on a short line, 1,024 at most on a long one

    With the defaults and 8 loads on their way that is 64 + 28 + 3.2 MiB, on top of the interpreter's own.

    What is sent twice after a crash is at most what lay in the buffers: buffers * buffer_bytes.
    """

    buffer_bytes: int = 4 * _MIB
    """Also the size of a part of a large file."""
    buffers: int = 16
    buffers_min_per_load: int = 1
    senders: int = 16
    """At most. As many as buffers: what is read can all be on its way, as a line with a long round trip needs
    it."""
    small_max_bytes: int = 4 * _MIB
    """Files up to this size, and up to a buffer's, are sent whole and several at a time."""
    report_every_s: float = 0.5
    damage_s: float = 7200.0
    """How long reads of one drive may fail, and the way around them be looked for, before what is left of
    a damaged file is listed as unread."""
    settle_s: float = 1.0
    """How long after its first error a drive is given to turn out to have been pulled."""
    past_cache: bool = True
    """Whether what failed is read again past the page cache."""

    @property
    def whole_max_bytes(self) -> int:
        """The largest file that is sent whole."""
        return min(self.small_max_bytes, self.buffer_bytes)

    def problems(self, loads_max: int) -> tuple[str, ...]:
        """What about these settings cannot work with so many loads at a time, each with its remedy."""
        found = []
        if self.buffer_bytes < _BUFFER_BYTES_MIN:
            found.append(f"buffer_bytes is {self.buffer_bytes}: make it {_BUFFER_BYTES_MIN} or more")
        if self.buffers_min_per_load < 1:
            found.append(f"buffers_min_per_load is {self.buffers_min_per_load}: make it 1 or more")
        if self.buffers < self.buffers_min_per_load * loads_max:
            found.append(
                f"{self.buffers} buffers are too few for {loads_max} loads "
                f"with {self.buffers_min_per_load} each: configure more buffers or fewer loads"
            )
        if self.senders < loads_max:
            found.append(
                f"{self.senders} senders are too few for {loads_max} loads: "
                "configure as many senders as loads, or more"
            )
        return tuple(found)
