"""Looking at many objects of a store that has no way to be asked about many."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from ingestd.ports import PortError, StoredObject


def stat_each(
    stat: Callable[[bytes], StoredObject | None], keys: Sequence[bytes]
) -> Mapping[bytes, StoredObject | None]:
    """See `Store.stat_many`: what is told before an error comes out instead of it."""
    told = dict[bytes, StoredObject | None]()
    for key in keys:
        try:
            told[key] = stat(key)
        except PortError:
            if not told:
                raise
            break
    return told
