"""Hypothesis strategies for what goes over the bus: jobs, and every outgoing event."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, NewType, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

from ingestd.bus.wire import CODES
from ingestd.core.found import Evidence
from ingestd.core.job import Destination, ExpectedDrive, Item, Job, PolicyChange
from ingestd.core.model import Disposition, JobId, Policy, ProofLevel
from ingestd.core.outgoing import Outgoing, Publish

WHOLE = 2**53 - 1

identifiers = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,40}", fullmatch=True)
lines = st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), min_size=1, max_size=40)
trimmed = lines.map(str.strip).filter(bool)
part_names = st.text(
    st.characters(codec="utf-8", exclude_characters="/\x00"), min_size=1, max_size=60
).filter(lambda name: name not in (".", ".."))
prefix_parts = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc"], exclude_characters="/\\"), min_size=1, max_size=12
).filter(lambda part: part not in (".", ".."))
prefixes = (
    st.lists(prefix_parts, min_size=1, max_size=6).map("/".join).filter(lambda text: not text.startswith("."))
)
moments = st.integers(0, 8_520_000_000_000_000).map(lambda micro: micro / 1e6)
"""Seconds since 1970 to the microsecond, up to the year 2239: a float holds those exactly enough."""
digests = st.text("0123456789abcdef", min_size=64, max_size=64)


def _drives() -> st.SearchStrategy[ExpectedDrive]:
    drive = st.builds(
        ExpectedDrive,
        serial=st.none() | trimmed,
        wwn=st.none() | trimmed,
        volume_label=st.none() | lines,
        volume_uuid=st.none() | trimmed,
        size_bytes=st.none() | st.integers(1, WHOLE),
        interface=st.none() | lines,
    )
    return drive.filter(lambda d: any((d.serial, d.wwn, d.volume_label, d.volume_uuid)))


def _items() -> st.SearchStrategy[Item]:
    sizes = st.none() | st.integers(0, WHOLE)
    files = st.builds(
        Item, name=part_names, kind=st.just("file"), size_bytes=sizes, sha256=st.none() | digests
    )
    folders = st.builds(Item, name=part_names, kind=st.just("folder"), size_bytes=sizes, sha256=st.none())
    return files | folders


def _differ(drives: list[ExpectedDrive]) -> bool:
    known = [(kind, value) for d in drives for kind, value in (("s", d.serial), ("w", d.wwn)) if value]
    return len(set(known)) == len(known)


jobs: st.SearchStrategy[Job] = st.builds(
    Job,
    job_id=identifiers.map(JobId),
    version=st.integers(1, WHOLE),
    tenant=identifiers,
    drives=st.lists(_drives(), min_size=1, max_size=4).filter(_differ).map(tuple),
    items=st.lists(_items(), max_size=5, unique_by=lambda item: item.name).map(tuple),
    destination=st.builds(Destination, store=identifiers, prefix=prefixes),
    requirements=st.dictionaries(st.sampled_from(CODES), st.sampled_from(Policy)).map(
        lambda changes: tuple(PolicyChange(requirement=c, policy=p) for c, p in changes.items())
    ),
    priority=st.integers(1, 9),
    due_at=st.none() | moments,
    proof=st.sampled_from(ProofLevel),
    disposition=st.sampled_from(Disposition),
    carrier_reference=st.none() | lines,
    keep_on_failure=st.booleans(),
)
"""Jobs as a notice can announce them."""


def instances(hint: Any, name: str = "") -> st.SearchStrategy[Any]:
    """Values of a type of the core; a float whose field is called `*_at` is a time."""
    if isinstance(hint, NewType):
        return instances(hint.__supertype__, name)
    if is_dataclass(hint) and isinstance(hint, type):
        hints = get_type_hints(hint)
        return st.builds(hint, **{f.name: instances(hints[f.name], f.name) for f in fields(hint)})
    if hint == tuple[Evidence, ...]:
        return st.lists(instances(Evidence), max_size=3, unique_by=lambda e: e.name).map(tuple)
    if get_origin(hint) is tuple:
        return st.lists(instances(get_args(hint)[0]), max_size=3).map(tuple)
    if get_origin(hint) in (Union, UnionType):
        return st.one_of(*(instances(arg, name) for arg in get_args(hint)))
    return _scalars(hint, name)


def _scalars(hint: Any, name: str) -> st.SearchStrategy[Any]:
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    return {
        NoneType: st.none(),
        str: st.text(max_size=20),
        bool: st.booleans(),
        int: st.integers(-WHOLE, WHOLE),
        float: moments if name.endswith("_at") else st.floats(allow_nan=False, allow_infinity=False),
    }[hint]


def published(body: type[Outgoing]) -> st.SearchStrategy[Publish]:
    """Messages with a body of this type."""
    return st.builds(
        Publish, subject=identifiers, number=st.integers(0, 10**9), at=moments, body=instances(body)
    )
