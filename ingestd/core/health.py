"""What a drive's own account of its condition amounts to: ok, suspect or unknown.

The account is what `smartctl --json` prints (format version 1.0). Suspect means that reading may be slow and
may fail; it is never by itself a reason to refuse a drive. Thresholds and where they come from:

* ATA attributes 5, 187, 188, 197, 198 with a raw value above 0: "reason to investigate" (Backblaze, "Hard
  Drive SMART Stats", 2014, and "What SMART Stats Tell Us About Hard Drives", 2016). In that population
  76.7 % of the drives that failed had one of them, and 4.2 % of those that worked. After a first scan error
  a drive is 39 times likelier to fail within 60 days, while a third fails without any sign (Pinheiro, Weber,
  Barroso, "Failure Trends in a Large Disk Drive Population", FAST 2007): hence no "ok" is a promise.
* The overall verdict, and pre-failure attributes at or below their thresholds: smartctl(8), exit status
  bits 3 and 4. Bits 0 to 2 say that the drive could not be asked, which is no sign of anything.
* NVMe: critical warnings, spare below its threshold, media errors (NVM Express Base Specification, SMART /
  Health Information log page).
* SCSI: grown defects and uncorrected read errors (SPC, SBC: log page 03h, READ DEFECT DATA).
* Temperature: 5 to 60 degrees Celsius, what makers of hard disks commonly specify for operation; from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ingestd.core.drive import Health, HealthCounter, HealthFacts

Report = Mapping[str, Any]
"""What smartctl printed, parsed. Nothing is taken for granted about its shape."""

_NOT_ASKED = 0b111
_FAILING, _PREFAIL_NOW, _PAST = 1 << 3, 1 << 4, 1 << 5

_SECTORS: Mapping[int, str] = {5: "reallocated", 197: "pending", 198: "uncorrectable"}
_OTHERS: Mapping[int, str] = {187: "reported errors", 188: "command timeouts"}
_SEAGATE_WORD = 0xFFFF

_WARNINGS: Mapping[int, str] = {
    0x01: "its spare blocks run out",
    0x04: "it calls itself unreliable",
    0x08: "it has made itself read-only",
    0x10: "its backup of volatile memory has failed",
}
"""Bits of the NVMe critical warning that speak of the medium."""
_NOT_OF_THE_MEDIUM = 0x02 | 0x20
"""Heat, and a persistent memory region that is not used here."""

COLDEST_CELSIUS, HOTTEST_CELSIUS = 5, 60


def judged(report: Report, why_unknown: str = "") -> HealthFacts:
    """The facts in a report. `why_unknown` says why there is none, where that is known."""
    counters = tuple(_counters(report))
    reasons = (*_verdicts(report), *_bad(counters))
    return HealthFacts(
        verdict=_verdict(report, counters, reasons),
        reasons=reasons or _why_unknown(report, counters, why_unknown),
        notes=tuple(_notes(report)),
        counters=counters,
        temperature_celsius=_number(report, "temperature", "current"),
    )


def risen(before: HealthFacts, after: HealthFacts) -> tuple[str, ...]:
    """In words, the counters that have gone up from one reading to the next: `pending sectors (197): 16, now
    24`. Timeouts are left out: a slow bus makes them as well."""
    known = {counter.attribute: counter.value for counter in before.counters}
    return tuple(
        f"{now.name} ({now.attribute}): {known[now.attribute]:,}, now {now.value:,}"
        for now in after.counters
        if now.attribute != "188" and now.value > known.get(now.attribute, now.value)
    )


def in_words(facts: HealthFacts) -> str:
    """What makes a drive suspect, on one line, with what to expect."""
    return f"{'; '.join(facts.reasons)}; reading will be slow and may fail"


def _verdict(report: Report, counters: Sequence[HealthCounter], reasons: Sequence[str]) -> Health:
    if reasons:
        return Health.SUSPECT
    asked = bool(counters) and not exit_status(report) & _NOT_ASKED
    return Health.OK if asked else Health.UNKNOWN


def _why_unknown(report: Report, counters: Sequence[HealthCounter], why: str) -> tuple[str, ...]:
    status = exit_status(report)
    if counters and not status & _NOT_ASKED:
        return ()
    messages = [m.get("string") for m in _list(report, "smartctl", "messages") if isinstance(m, Mapping)]
    said = next((text for text in messages if isinstance(text, str) and text.isprintable()), "")
    if why or said:
        return (why or said,)
    return ("the drive did not answer all that it was asked" if status & 4 else "the drive tells nothing",)


def exit_status(report: Report) -> int:
    """The bits that smartctl(8) explains."""
    return _number(report, "smartctl", "exit_status") or 0


# -- what it says outright --------------------------------------------------------------------------


def _verdicts(report: Report) -> Iterator[str]:
    status = exit_status(report)
    log = ("nvme_smart_health_information_log",)
    warning = _number(report, *log, "critical_warning") or 0
    # For NVMe the overall verdict is but this warning again, and may be about heat alone.
    failing = _value(report, "smart_status", "passed") is False or bool(status & _FAILING)
    if failing and not warning & _NOT_OF_THE_MEDIUM:
        yield "the drive itself expects to fail"
    if status & _PREFAIL_NOW:
        yield "an attribute that precedes failures is at its threshold"
    yield from (words for bit, words in _WARNINGS.items() if warning & bit)
    spare, least = (
        _number(report, *log, "available_spare"),
        _number(report, *log, "available_spare_threshold"),
    )
    if spare is not None and least is not None and spare < least and not warning & 0x01:
        yield f"its spare blocks are down to {spare} %, of {least} % that it should have"


def _notes(report: Report) -> Iterator[str]:
    celsius = _number(report, "temperature", "current")
    if celsius is not None and not COLDEST_CELSIUS <= celsius <= HOTTEST_CELSIUS:
        yield (
            f"it has {celsius} °C, outside the {COLDEST_CELSIUS} to {HOTTEST_CELSIUS} °C in which disks are "
            "meant to work"
        )
    if exit_status(report) & _PAST:
        yield "some attribute was at its threshold once"
    used = _number(report, "nvme_smart_health_information_log", "percentage_used")
    if used is not None and used >= 100:
        yield f"{used} % of the life it was made for is used up"


# -- what it counts ---------------------------------------------------------------------------------


def _counters(report: Report) -> Iterator[HealthCounter]:
    yield from _ata(report)
    errors = _number(report, "nvme_smart_health_information_log", "media_errors")
    if errors is not None:
        yield HealthCounter(name="media errors", attribute="media errors", value=errors)
    defects = _number(report, "scsi_grown_defect_list")
    if defects is not None:
        yield HealthCounter(name="grown defects", attribute="grown defects", value=defects)
    lost = _number(report, "scsi_error_counter_log", "read", "total_uncorrected_errors")
    if lost is not None:
        yield HealthCounter(name="uncorrected read errors", attribute="read errors", value=lost)


def _ata(report: Report) -> Iterator[HealthCounter]:
    found: dict[int, int] = {}
    for row in _list(report, "ata_smart_attributes", "table"):
        number, raw = _number(row, "id"), _number(row, "raw", "value")
        if number in (*_SECTORS, *_OTHERS) and raw is not None:
            found[number] = raw
    for number, name in (*_SECTORS.items(), *_OTHERS.items()):
        if number in found:
            # Some makers pack three counts of 16 bits into timeouts, all of them in the lowest.
            value = found[number] & _SEAGATE_WORD if number == 188 else found[number]
            full = f"{name} sectors" if number in _SECTORS else name
            yield HealthCounter(name=full, attribute=str(number), value=value)


def _bad(counters: Sequence[HealthCounter]) -> Iterator[str]:
    """The counters above 0, as in `reallocated and pending sectors (5: 112, 197: 16)`."""
    bad = [counter for counter in counters if counter.value > 0]
    sectors = [_SECTORS[int(c.attribute)] for c in bad if c.name.endswith(" sectors")]
    names = [f"{_listed(sectors)} sectors"] if sectors else []
    names += [counter.name for counter in bad if not counter.name.endswith(" sectors")]
    figures = ", ".join(
        f"{c.attribute}: {c.value:,}" if c.attribute.isdigit() else f"{c.value:,}" for c in bad
    )
    if bad:
        yield f"{_listed(names)} ({figures})"


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


# -- looking into what may have any shape -----------------------------------------------------------


def _value(report: object, *keys: str) -> object:
    for key in keys:
        if not isinstance(report, Mapping):
            return None
        report = report.get(key)
    return report


def _number(report: object, *keys: str) -> int | None:
    """A count, which is never negative; temperatures may be."""
    value = _value(report, *keys)
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _list(report: object, *keys: str) -> Sequence[Any]:
    value = _value(report, *keys)
    return value if isinstance(value, list) else ()
