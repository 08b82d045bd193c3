"""The chi-square statistic and its bounds, against published quantiles."""

from __future__ import annotations

import bz2
import gzip
import lzma
import math
from collections import Counter
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ingestd.content.randomness import (
    CIPHERTEXT,
    RANDOM,
    SMALL_BYTES_MIN,
    WINDOW_BYTES,
    Measured,
    chi_square,
    measure,
    windows,
)
from ingestd.content.sample import WINDOWS_MAX, HeadContent
from tests.support.sealed import noise, prose


def lower_tail(value: float, degrees: int) -> float:
    """Probability that chi-square is below a value: the regularised incomplete gamma function P, by
    its power series (DLMF 8.7.1)."""
    a, x = degrees / 2, value / 2
    term = total = 1 / a
    n = a
    while term > total * 1e-17:
        n += 1
        term *= x / n
        total += term
    return total * math.exp(-x + a * math.log(x) - math.lgamma(a))


def upper_tail(value: float, degrees: int) -> float:
    """Probability that chi-square is above a value: Q, by its continued fraction (DLMF 8.9.2), with
    Lentz's method, so that it is exact far out too."""
    a, x = degrees / 2, value / 2
    b = x + 1 - a
    c, d = 1e300, 1 / b
    h = d
    for i in range(1, 1000):
        b += 2
        an = -i * (i - a)
        d = 1 / (an * d + b)
        c = b + an / c
        h *= d * c
        if abs(d * c - 1) < 1e-15:
            break
    return h * math.exp(-x + a * math.log(x) - math.lgamma(a))


@pytest.mark.parametrize(
    ("degrees", "above", "critical"),
    [
        # NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.4; scipy 1.17.1 has the same digits.
        (10, 0.05, 18.307),
        (10, 0.01, 23.209),
        (10, 0.001, 29.588),
        (50, 0.05, 67.505),
        (50, 0.001, 86.661),
        (100, 0.10, 118.498),
        (100, 0.05, 124.342),
        (100, 0.025, 129.561),
        (100, 0.01, 135.807),
        (100, 0.001, 149.449),
    ],
)
def test_tails_agree_with_the_published_table(degrees: int, above: float, critical: float) -> None:
    assert upper_tail(critical, degrees) == pytest.approx(above, rel=2e-3)
    assert 1 - lower_tail(critical, degrees) == pytest.approx(above, rel=2e-3)


@pytest.mark.parametrize(
    ("below", "critical"), [(0.05, 77.929), (0.025, 74.222), (0.01, 70.065), (0.001, 61.918)]
)
def test_lower_tails_agree_with_the_published_table(below: float, critical: float) -> None:
    assert lower_tail(critical, 100) == pytest.approx(below, rel=2e-3)


def test_the_range_for_random_leaves_a_millionth_on_each_side() -> None:
    assert upper_tail(RANDOM.highest, 255) == pytest.approx(1e-6, rel=0.2)
    assert lower_tail(RANDOM.lowest, 255) == pytest.approx(1e-6, rel=0.2)


def test_the_range_for_ciphertext_leaves_less_than_the_10_to_the_13th_part() -> None:
    assert upper_tail(CIPHERTEXT.highest, 255) + lower_tail(CIPHERTEXT.lowest, 255) < 1e-13


def test_known_values() -> None:
    assert chi_square(bytes(range(256)) * 16) == 0
    assert chi_square(b"k" * 1000) == 255 * 1000
    # Each of 255 values 16 times, and none of the last: (0 - e)^2 / e + 255 (16 - e)^2 / e.
    e = 255 * 16 / 256
    assert chi_square(bytes(range(255)) * 16) == pytest.approx(e + 255 * (16 - e) ** 2 / e)
    with pytest.raises(ValueError, match="nothing"):
        chi_square(b"")


@pytest.mark.parametrize("size", [1, 2, 4097, (128 << 10) - 1, 128 << 10, (128 << 10) + 1, 300_001])
@pytest.mark.parametrize("left_out", [b"", b"\0", bytes(range(0, 256, 3))])
def test_each_value_is_counted_whatever_the_size(size: int, left_out: bytes) -> None:
    """Against the statistic by its definition."""
    block = (noise(size // 2, 3) + prose(size - size // 2))[:size]
    counts = Counter(block)
    kept = [counts[value] for value in range(256) if value not in left_out]
    if not sum(kept):
        return
    mean = Fraction(sum(kept), len(kept))
    assert chi_square(block, left_out) == pytest.approx(
        float(sum((count - mean) ** 2 for count in kept) / mean)
    )


def test_values_left_out_are_not_missed() -> None:
    block = bytes(range(255)) * 16
    assert chi_square(block, b"\xff") == 0
    assert chi_square(block + b"\xff" * 5000, b"\xff") == 0


def test_random_windows_stay_within_and_others_do_not() -> None:
    found = [chi_square(noise(1 << 16, seed)) for seed in range(60)]
    assert all(RANDOM.holds(one) for one in found)
    # The mean of chi-square is its degrees of freedom, its variance twice that: 4 standard errors.
    assert sum(found) / len(found) == pytest.approx(255, abs=4 * math.sqrt(2 * 255 / len(found)))
    for packed in (gzip.compress(prose(30) + noise(1 << 20, 5).hex().encode()), bz2.compress(prose(1 << 20))):
        assert not CIPHERTEXT.holds(chi_square(packed))


def test_statistics_cannot_tell_xz_from_random() -> None:
    """Which is why they never prove encryption."""
    packed = lzma.compress(noise(1 << 18, 6).hex().encode(), format=lzma.FORMAT_ALONE)
    assert RANDOM.holds(chi_square(packed[64 : 64 + (1 << 17)]))


spans = st.integers(0, 5000) | st.integers(0, 20 << 20) | st.integers(0, 1 << 50)


@given(spans, st.integers(0, 5000))
@example(1, 0)
@example(WINDOW_BYTES + 1, 0)
@example(3 * WINDOW_BYTES // 2, 7)
@example(WINDOWS_MAX * WINDOW_BYTES, 0)
def test_windows_reach_both_ends_and_never_beyond(span: int, start: int) -> None:
    asked: list[tuple[int, int]] = []

    class Asked(HeadContent):
        def read(self, offset: int, length: int) -> bytes:
            asked.append((offset, offset + length))
            return b""

    list(windows(Asked(b""), start, start + span))
    assert 1 <= len(asked) <= WINDOWS_MAX
    assert asked[0][0] == start
    assert asked[-1][1] == start + span
    assert all(0 <= end - begin <= WINDOW_BYTES for begin, end in asked)
    gaps = [after[0] - before[1] for before, after in pairwise(asked)]
    assert all(gap >= -1 for gap in gaps), "no byte is counted twice, but for rounding"
    if span <= WINDOWS_MAX * WINDOW_BYTES:
        assert all(gap <= 0 for gap in gaps), "what is not long is covered as a whole"
    elif gaps:
        assert max(gaps) - min(gaps) <= 1, "evenly"


@given(spans, st.integers(2, WINDOWS_MAX))
def test_fewer_windows_still_reach_both_ends(span: int, most: int) -> None:
    asked: list[tuple[int, int]] = []

    class Asked(HeadContent):
        def read(self, offset: int, length: int) -> bytes:
            asked.append((offset, offset + length))
            return b""

    list(windows(Asked(b"", windows_max=most), 0, span))
    assert 1 <= len(asked) <= most
    assert (asked[0][0], asked[-1][1]) == (0, span)


def test_measuring_stops_at_the_first_window_that_is_plain() -> None:
    body = noise(WINDOW_BYTES, 1) + prose(WINDOW_BYTES) + noise(WINDOW_BYTES, 2)
    measured = measure(HeadContent(body, len(body)), 0, len(body))
    assert measured.windows == 3
    assert measured.plain is not None


def test_too_little_is_not_measured() -> None:
    assert measure(HeadContent(prose(31)), 0, 31) == Measured(0, small=True)
    assert measure(HeadContent(b""), 0, 0) == Measured(0)
    assert measure(HeadContent(prose(4000)), 0, 4000, least=4096) == Measured(0)


def test_little_text_is_told_from_random_bytes() -> None:
    for length in range(SMALL_BYTES_MIN, 300):
        assert measure(HeadContent(TEXT[:length]), 0, length).plain is not None, length
        for seed in range(20):
            body = noise(length, seed)
            assert measure(HeadContent(body), 0, length) == Measured(1, small=length < 64), length


TEXT = b"""Of the three drives that left the quay on Monday two have come back. The third is still with the
carrier, who says that it was handed over at the gate of the observatory, and that somebody signed."""
