"""What a drive's own account amounts to, over reports written from published attribute tables."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.core.drive import Health, HealthFacts
from ingestd.core.drive_rules import worsened
from ingestd.core.health import in_words, judged, risen

REPORTS = Path(__file__).parents[1] / "smartctl"


def report(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((REPORTS / f"{name}.json").read_text())
    return loaded


@pytest.mark.parametrize(
    ("name", "verdict", "reasons"),
    [
        ("ata-good", Health.OK, ()),
        ("ata-sectors", Health.SUSPECT, ("reallocated and pending sectors (5: 112, 197: 16)",)),
        (
            "ata-failing",
            Health.SUSPECT,
            (
                "the drive itself expects to fail",
                "an attribute that precedes failures is at its threshold",
                "reallocated, pending and uncorrectable sectors, reported errors and command timeouts "
                "(5: 2,040, 197: 904, 198: 904, 187: 31, 188: 7)",
            ),
        ),
        ("ata-past-threshold-cold", Health.OK, ()),
        ("ata-partly-answered", Health.UNKNOWN, ("the drive did not answer all that it was asked",)),
        ("ata-without-table", Health.UNKNOWN, ("the drive tells nothing",)),
        ("nvme-good", Health.OK, ()),
        (
            "nvme-worn",
            Health.SUSPECT,
            (
                "the drive itself expects to fail",
                "its spare blocks run out",
                "it calls itself unreliable",
                "media errors (12)",
            ),
        ),
        ("sas-good", Health.OK, ()),
        ("sas-defects", Health.SUSPECT, ("grown defects and uncorrected read errors (23, 2)",)),
        ("bridge-unknown", Health.UNKNOWN, ("/dev/sdx: Unknown USB bridge [0x46f4:0x0001 (0x100)]",)),
        ("bridge-speaks-for-itself", Health.UNKNOWN, ("the drive tells nothing",)),
        ("not-opened", Health.UNKNOWN, ("Smartctl open device: /dev/sdx failed: No such device",)),
    ],
)
def test_verdicts(name: str, verdict: Health, reasons: tuple[str, ...]) -> None:
    facts = judged(report(name))
    assert (facts.verdict, facts.reasons) == (verdict, reasons)


def test_heat_alone_says_nothing_about_the_medium() -> None:
    facts = judged(report("nvme-hot"))
    assert facts.verdict is Health.OK
    assert facts.notes == ("it has 84 °C, outside the 5 to 60 °C in which disks are meant to work",)


def test_what_is_out_of_the_ordinary_is_noted() -> None:
    assert judged(report("ata-past-threshold-cold")).notes == (
        "it has 2 °C, outside the 5 to 60 °C in which disks are meant to work",
        "some attribute was at its threshold once",
    )
    assert judged(report("nvme-worn")).notes[-1] == "104 % of the life it was made for is used up"


@pytest.mark.parametrize("bit", [1, 2, 4, 7])
def test_a_drive_that_could_not_be_asked_is_never_suspect_for_it(bit: int) -> None:
    """smartctl(8): bit 0 the command line, bit 1 not opened or asleep, bit 2 a command failed."""
    asked = report("ata-good")
    asked["smartctl"]["exit_status"] = bit
    assert judged(asked).verdict is Health.UNKNOWN
    assert judged({"smartctl": {"exit_status": bit}}).verdict is Health.UNKNOWN


@pytest.mark.parametrize(
    ("bit", "verdict"), [(8, "suspect"), (16, "suspect"), (32, "ok"), (64, "ok"), (128, "ok")]
)
def test_the_other_bits(bit: int, verdict: str) -> None:
    """smartctl(8): 3 failing, 4 prefail at threshold, 5 in the past, 6 error log, 7 self-test log."""
    asked = report("ata-good")
    asked["smartctl"]["exit_status"] = bit
    assert judged(asked).verdict == verdict


@pytest.mark.parametrize("number", [5, 187, 188, 197, 198])
def test_one_count_above_zero_is_reason_to_investigate(number: int) -> None:
    asked = report("ata-good")
    row = next(row for row in asked["ata_smart_attributes"]["table"] if row["id"] == number)
    row["raw"]["value"] = 1
    facts = judged(asked)
    assert facts.verdict is Health.SUSPECT
    assert facts.reasons[0].endswith(f"({number}: 1)")


def test_other_counts_are_not() -> None:
    asked = report("ata-good")
    for row in asked["ata_smart_attributes"]["table"]:
        if row["id"] in (1, 9, 199):
            row["raw"]["value"] = 10**9
    assert judged(asked).verdict is Health.OK


def test_why_nothing_is_known_is_told() -> None:
    facts = judged({}, "smartctl has not ended within 30 s and was given up")
    assert facts.verdict is Health.UNKNOWN
    assert facts.reasons == ("smartctl has not ended within 30 s and was given up",)


def test_what_rises_while_reading() -> None:
    before, after = judged(report("ata-sectors")), judged(report("ata-sectors-later"))
    assert risen(before, after) == ("pending sectors (197): 16, now 24",)  # timeouts may be the bus's
    assert risen(after, before) == ()
    assert risen(before, HealthFacts()) == risen(HealthFacts(), after) == ()
    (finding,) = worsened(before, after)
    assert finding.sentence == (
        "While the drive was read its own counts of damage went up: pending sectors (197): 16, now 24."
    )


def test_plain_words() -> None:
    assert in_words(judged(report("ata-sectors"))) == (
        "reallocated and pending sectors (5: 112, 197: 16); reading will be slow and may fail"
    )


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "smartctl",
                    "exit_status",
                    "messages",
                    "string",
                    "smart_status",
                    "passed",
                    "temperature",
                    "current",
                    "ata_smart_attributes",
                    "table",
                    "id",
                    "raw",
                    "value",
                    "nvme_smart_health_information_log",
                    "critical_warning",
                    "available_spare",
                    "scsi_error_counter_log",
                    "read",
                    "scsi_grown_defect_list",
                ]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(
    st.dictionaries(
        st.text() | st.sampled_from(["smartctl", "smart_status", "ata_smart_attributes"]), ANYTHING
    )
)
def test_a_report_may_have_any_shape(asked: dict[str, Any]) -> None:
    facts = judged(asked)
    assert facts.verdict in Health
    assert all(text.isprintable() for text in facts.reasons + facts.notes)
