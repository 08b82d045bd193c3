"""Rates that are measured, on a machine that may be busy with something else."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import ParamSpec

P = ParamSpec("P")


def one_of(attempts: int) -> Callable[[Callable[P, None]], Callable[P, None]]:
    """Of so many attempts one must hold.

    For what a busy machine can only make look worse, such as a share that a thread is too late to use: never
    for a bound that may not be passed, such as a cap.
    """

    def around(test: Callable[P, None]) -> Callable[P, None]:
        @functools.wraps(test)
        def tried(*args: P.args, **kwargs: P.kwargs) -> None:
            for _ in range(attempts - 1):
                try:
                    return test(*args, **kwargs)
                except AssertionError:
                    continue
            return test(*args, **kwargs)

        return tried

    return around
