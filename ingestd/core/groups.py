"""Which jobs share a fact, in as little room as can be: mostly one has it alone, and there may be a hundred
thousand of either."""

from __future__ import annotations

from collections.abc import Iterable

from immutables import Map

from ingestd.core.model import JobId

Group = JobId | Map[JobId, None]
"""One job, or two and more."""

Groups = Map[str, Group]
"""By what they have in common."""


def joined(groups: Groups, key: str, job_id: JobId) -> Groups:
    """With this job among those that have `key`."""
    others = groups.get(key)
    if others is None:
        return groups.set(key, job_id)
    if isinstance(others, str):
        return groups if others == job_id else groups.set(key, Map({others: None, job_id: None}))
    return groups.set(key, others.set(job_id, None))


def left(groups: Groups, key: str, job_id: JobId) -> Groups:
    """Without it; it need not be there."""
    members = groups.get(key)
    if members is None or job_id not in members_of(members):
        return groups
    if isinstance(members, str):
        return groups.delete(key)
    others = members.delete(job_id)
    return groups.set(key, others if len(others) > 1 else next(iter(others)))


def members_of(group: Group | None) -> Iterable[JobId]:
    """The jobs of a group, in no particular order; their number may be large."""
    if group is None:
        return ()
    return (group,) if isinstance(group, str) else group
