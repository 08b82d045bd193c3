"""Where a load's files and records lie below its store's root."""

from __future__ import annotations

from ingestd.core.drive import DriveFacts
from ingestd.core.job import Destination, Job
from ingestd.core.model import LoadId

RECORDS = b".ingest"
"""Folder below the prefix for manifests and receipts; customers' files may not lie there."""


def folder_of(job: Job, drive_index: int) -> str:
    """What keeps the drives of one job apart: nothing for a single drive, else `drive-1` and so on."""
    return f"drive-{drive_index + 1}" if len(job.drives) > 1 else ""


def has_several_volumes(facts: DriveFacts) -> bool:
    """Whether a drive's volumes need a folder each: when several can be read."""
    return sum(volume.problem is None for volume in facts.volumes) > 1


def path_below_prefix(folder: str, volume: str, path: bytes, *, several_volumes: bool) -> bytes:
    """The path of a file as the manifest lists it; volumes get a folder only where there are several."""
    parts = [folder.encode(), volume.encode() if several_volumes else b"", path]
    return b"/".join(part for part in parts if part)


def key_of(destination: Destination, below_prefix: bytes) -> bytes:
    """The key of what lies at `below_prefix` (as `path_below_prefix` gives it)."""
    return destination.prefix.encode() + b"/" + below_prefix


def manifest_key(destination: Destination, load_id: LoadId) -> bytes:
    return key_of(destination, RECORDS + b"/" + load_id.encode() + b".sha256")


def custody_key(destination: Destination, load_id: LoadId) -> bytes:
    return key_of(destination, RECORDS + b"/" + load_id.encode() + b".custody.jsonl")


def receipt_key(destination: Destination, load_id: LoadId) -> bytes:
    return key_of(destination, RECORDS + b"/" + load_id.encode() + b".receipt.json")
