"""A fair split of what several links carry among flows that each cross some of them.

Source: D. Bertsekas and R. Gallager, Data Networks, second edition, section 6.5.2 (max-min flow
control), with weights. Rates are in bytes per second, or in any one unit.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
L = TypeVar("L", bound=Hashable)

_ROUNDING = 1 + 1e-12
"""Levels this close to each other are one: two sums of the same floats may differ in their last digit."""


@dataclass(frozen=True, slots=True)
class Wish(Generic[L]):
    """What a flow asks for: up to `demand`, over each of `links`, in proportion to its `weight`."""

    weight: float
    demand: float = math.inf
    links: tuple[L, ...] = ()


def max_min_shares(capacities: Mapping[L, float], wishes: Mapping[K, Wish[L]]) -> dict[K, float]:
    """The weighted max-min share of each flow; infinite for one that nothing limits.

    No link carries more than its capacity and nobody gets more than the demand. Whoever gets less has a
    bottleneck: a link that is full, on which nobody has more per weight. Progressive filling: the level
    of all rises until a demand is met or a link is full; whom that concerns drops out, and the others
    go on. A link that is not in `capacities` has no limit. Weights are above zero.
    """
    shares: dict[K, float] = {}
    left, going_up = dict(capacities), dict(wishes)
    while going_up:
        full_at = _levels(left, going_up.values())
        level = min(
            [*full_at.values(), *(wish.demand / wish.weight for wish in going_up.values())], default=math.inf
        )
        full = {link for link, at in full_at.items() if at <= level * _ROUNDING}
        for flow, wish in tuple(going_up.items()):
            if wish.demand / wish.weight <= level * _ROUNDING or not full.isdisjoint(wish.links):
                shares[flow] = share = min(wish.demand, level * wish.weight)
                del going_up[flow]
                for link in wish.links:
                    if link in left:
                        left[link] = max(0.0, left[link] - share)
    return shares


def _levels(left: Mapping[L, float], wishes: Iterable[Wish[L]]) -> dict[L, float]:
    """The level, in units per weight, at which each link in use is full."""
    weights: dict[L, float] = {}
    for wish in wishes:
        for link in wish.links:
            if link in left:
                weights[link] = weights.get(link, 0.0) + wish.weight
    return {link: left[link] / weight for link, weight in weights.items()}
