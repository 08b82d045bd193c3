"""The look into files, held against what real programs make and standards publish.

`python -m tests.bench.bench_sniff` measures the same on thousands of samples.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.content.armour import decoded
from ingestd.content.randomness import PAYLOAD_BYTES_MIN, RANDOM_BYTES_MIN
from ingestd.core.found import Secrecy
from tests.bench.bench_sniff import looked_at as look_at_file
from tests.support.looking import looked_at
from tests.support.makers import KINDS, Kind, Nature, Workshop, made, missing
from tests.support.published_messages import C2SP_AGE, RFC_9580

SAMPLES, LARGEST = 6, 400_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workshop]:
    if missing():
        pytest.skip(f"needs {', '.join(missing())}")
    workshop = Workshop(tmp_path_factory.mktemp("w"), seed=7)
    workshop.prepare()
    yield workshop
    workshop.close()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_no_kind_is_taken_for_its_opposite(shop: Workshop, kind: Kind) -> None:
    for path in itertools.islice(made(shop, kind, LARGEST), SAMPLES):
        secrecy, words = look_at_file(path)
        size_bytes = path.stat().st_size
        match kind.nature:
            case Nature.SEALED:
                small = secrecy is Secrecy.UNKNOWN and size_bytes < 2 * PAYLOAD_BYTES_MIN
                assert secrecy is Secrecy.PROVEN or small, (size_bytes, words)
            case Nature.BARE:
                expected = Secrecy.UNKNOWN if size_bytes < RANDOM_BYTES_MIN else Secrecy.RANDOM_LIKE
                assert secrecy is expected, (size_bytes, words)
            case Nature.CUT:
                assert secrecy in (Secrecy.RANDOM_LIKE, Secrecy.UNKNOWN), (size_bytes, words)
            case Nature.PLAIN:
                assert secrecy in (Secrecy.PLAIN, Secrecy.UNKNOWN), (size_bytes, words)


@pytest.mark.parametrize("name", RFC_9580)
def test_messages_that_rfc_9580_publishes(tmp_path: Path, name: str) -> None:
    armoured = RFC_9580[name]
    assert looked_at(tmp_path / "at", armoured) == (Secrecy.PROVEN, "openpgp, armoured")
    body = decoded(armoured.split(b"\n\n")[1].split(b"-----END")[0])
    assert looked_at(tmp_path / "at", body) == (Secrecy.PROVEN, "openpgp")


@pytest.mark.parametrize("name", C2SP_AGE)
def test_files_that_c2sp_publishes_for_age(tmp_path: Path, name: str) -> None:
    armoured = C2SP_AGE[name]
    assert looked_at(tmp_path / "at", armoured) == (Secrecy.PROVEN, "age, armoured")
    body = decoded(armoured.split(b"FILE-----")[1].split(b"-----END")[0])
    assert looked_at(tmp_path / "at", body) == (Secrecy.PROVEN, "age")
