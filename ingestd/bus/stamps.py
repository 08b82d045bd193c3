"""Times on the wire: RFC 3339, written in UTC with microseconds, read with any offset.

Format: https://www.rfc-editor.org/rfc/rfc3339#section-5.6
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

PATTERN_WRITTEN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z$"
"""What `rfc3339` writes, for schemas."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_READ = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt]([0-9]{2}:[0-9]{2}):([0-9]{2})(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)


def rfc3339(at: float) -> str:
    """Seconds since 1970 as text, always of the same length: it sorts as the time does.

    Raises OverflowError outside of the years 1 to 9999.
    """
    return (_EPOCH + timedelta(seconds=at)).isoformat(timespec="microseconds").replace("+00:00", "Z")


def seconds(text: str) -> float:
    """Seconds since 1970 of an RFC 3339 time, to the microsecond. Raises ValueError for anything else.

    A leap second counts as the second after it, as POSIX time has it.
    """
    form = _READ.fullmatch(text)
    if form is None:
        raise ValueError("not an RFC 3339 time")
    day, hour_minute, second, fraction, offset = form.groups(default="")
    leap = second == "60"
    micro = fraction[1:7].ljust(6, "0")
    moment = datetime.fromisoformat(
        f"{day}T{hour_minute}:{'59' if leap else second}.{micro}{offset.upper().replace('Z', '+00:00')}"
    )
    return (moment - _EPOCH).total_seconds() + leap
