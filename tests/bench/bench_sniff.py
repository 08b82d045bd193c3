"""What the look into files makes of files of known nature, made by real programs: the confusion table.

    python -m tests.bench.bench_sniff [--samples 50] [--largest 4194304] [--seed 1]

For each kind: how many samples were called what. `passes as encrypted` is what a job that demands encryption
lets through at most (proven, or random-like where a site accepts that); `refused` is what fails such a job.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections import Counter
from pathlib import Path

from ingestd.content import sniff
from ingestd.core.found import Secrecy
from tests.support.drives import Going
from tests.support.makers import KINDS, Kind, Nature, Workshop, made, missing

_SHOWN = {
    Secrecy.PROVEN: "proven",
    Secrecy.RANDOM_LIKE: "random-like",
    Secrecy.UNKNOWN: "cannot tell",
    Secrecy.PLAIN: "plain",
}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--samples", type=int, default=50, help="of each kind")
    parser.add_argument("--largest", type=int, default=4 << 20, help="bytes of content")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", help="those whose name has this in it only")
    parser.add_argument("--show", action="store_true", help="each sample that is not called what it is")
    args = parser.parse_args()
    if missing():
        parser.error(f"needs {', '.join(missing())}")
    totals: dict[Nature, Counter[Secrecy]] = {nature: Counter() for nature in Nature}
    print(f"{'':36}" + "".join(f"{words:>13}" for words in _SHOWN.values()))
    with tempfile.TemporaryDirectory() as folder:
        shop = Workshop(Path(folder), args.seed)
        shop.prepare()
        try:
            for kind in KINDS:
                if args.kind is None or args.kind in kind.name:
                    counts = measured(shop, kind, args.samples, args.largest, show=args.show)
                    totals[kind.nature] += counts
                    row(kind.name, counts)
        finally:
            shop.close()
    print()
    for nature, counts in totals.items():
        row(nature, counts)
    summary(totals)


def measured(shop: Workshop, kind: Kind, samples: int, largest: int, *, show: bool) -> Counter[Secrecy]:
    counts: Counter[Secrecy] = Counter()
    good = {Nature.SEALED: Secrecy.PROVEN, Nature.PLAIN: Secrecy.PLAIN}.get(kind.nature)
    for _, path in zip(range(samples), made(shop, kind, largest), strict=False):
        secrecy, words = looked_at(path)
        counts[secrecy] += 1
        if show and good is not None and secrecy is not good:
            print(f"    {kind.name}, {path.stat().st_size:,} bytes: {secrecy}, {words}")
    return counts


def looked_at(path: Path) -> tuple[Secrecy, str]:
    fd = os.open(path, os.O_RDONLY)
    try:
        return sniff.look(fd, os.fstat(fd).st_size, name=b"archive", cancel=Going())
    finally:
        os.close(fd)


def row(name: str, counts: Counter[Secrecy]) -> None:
    print(f"{name:36}" + "".join(f"{counts[secrecy] or '.':>13}" for secrecy in _SHOWN))


def summary(totals: dict[Nature, Counter[Secrecy]]) -> None:
    plain, sealed, bare = (totals[nature] for nature in (Nature.PLAIN, Nature.SEALED, Nature.BARE))
    encrypted = sealed.total() + bare.total()
    passed = plain[Secrecy.PROVEN] + plain[Secrecy.RANDOM_LIKE]
    print(f"\nsamples: {sum(each.total() for each in totals.values()):,}")
    print(f"not encrypted, and passes as encrypted: {passed:,} of {plain.total():,}")
    for words, secrecy in (("refused", Secrecy.PLAIN), ("left to a person", Secrecy.UNKNOWN)):
        print(f"encrypted, and {words}: {sealed[secrecy] + bare[secrecy]:,} of {encrypted:,}")


if __name__ == "__main__":
    began = time.monotonic()
    main()
    print(f"in {time.monotonic() - began:.0f} s")
