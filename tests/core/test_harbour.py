"""Stations that share jobs: whatever happens, each job has one end, and all of them see the same one."""

from __future__ import annotations

import os

import pytest

from tests.support.harbour import Harbour

SEEDS = int(os.environ.get("INGESTD_TEST_SEEDS", "60"))


@pytest.mark.parametrize("first", range(0, SEEDS, 10))
def test_every_job_comes_to_one_end_that_all_stations_see(first: int) -> None:
    """`INGESTD_TEST_SEEDS` sets how many days are played; a failure names its seed."""
    for seed in range(first, min(first + 10, SEEDS)):
        play(seed)


def play(seed: int) -> Harbour:
    harbour = Harbour(seed)
    try:
        for _ in range(400):
            harbour.happen(mischief=0.06)
            harbour.check_always()
        harbour.settle()
        harbour.check_end()
    except Exception as error:
        raise AssertionError(f"seed {seed}: {type(error).__name__}: {error}") from error
    return harbour
