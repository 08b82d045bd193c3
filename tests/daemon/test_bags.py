"""Drives with BagIt bags, and the whole daemon: what is loaded, what is refused, and what stays of it."""

from __future__ import annotations

from typing import Any

import bagit
import pytest

from tests.support.bags import Bag, bag
from tests.support.daemon import Station, sealed, tree
from tests.support.visits import Visit

PAYLOAD = {
    "north.enc": sealed(400_000, 1),
    "tiles/1.enc": sealed(30_000, 2),
    "tiles/caf\u00e9.enc": sealed(20_000, 3),
}


def visit(quay: Station, made: Bag, place: str = "") -> Visit:
    return Visit(quay, {f"{place}{path}".encode(): body for path, body in made.items()})


def failed(here: Visit, **job: Any) -> list[dict[str, Any]]:
    """The blocking findings of this drive's job, once it is released and nothing of it is left."""
    here.announce(**job).plug()
    assert here.released()["outcome"] == "failed"
    (event,) = here.told("ingest.job.failed")
    assert event["observations"] == 2
    assert not here.folder.exists()
    assert not here.told("ingest.job.loaded")
    return [finding for finding in event["findings"] if finding["severity"] == "blocking"]


@pytest.mark.parametrize("algorithms", [("sha512",), ("md5", "sha256")], ids=["one", "two"])
def test_a_bag_in_a_root_is_loaded_and_is_a_bag_in_the_store(
    quay: Station, algorithms: tuple[str, ...]
) -> None:
    made = bag(PAYLOAD, algorithms=algorithms)
    here = visit(quay, made).announce()
    here.plug()
    assert here.released()["outcome"] == "loaded"
    assert here.stored() == {path.encode(): body for path, body in made.items()}
    assert bagit.Bag(str(here.folder)).is_valid()


def test_announced_archives_may_lie_in_the_payload_of_a_bag(quay: Station) -> None:
    made = bag(PAYLOAD)
    items = [{"name": "north.enc", "size_bytes": 400_000}, {"name": "tiles", "kind": "folder"}]
    here = visit(quay, made).announce(items=items)
    here.plug()
    assert here.released()["outcome"] == "loaded"
    assert set(here.stored()) == {path.encode() for path in made}


def test_a_folder_that_is_announced_and_is_a_bag_is_held_against_its_manifests(quay: Station) -> None:
    made = bag(PAYLOAD)
    here = visit(quay, made, "reef/").announce(items=[{"name": "reef", "kind": "folder"}])
    here.plug()
    assert here.released()["outcome"] == "loaded"
    assert bagit.Bag(str(here.folder / "reef")).is_valid()


@pytest.mark.parametrize("path", ["data/north.enc", "data/tiles/caf\u00e9.enc"], ids=["large", "small"])
@pytest.mark.parametrize("place", ["", "reef/"], ids=["root", "folder"])
def test_one_flipped_byte_of_a_payload_fails_the_job_and_all_is_taken_back(
    quay: Station, place: str, path: str
) -> None:
    made = bag(PAYLOAD, algorithms=("md5", "sha512"))
    body = made[path]
    made[path] = body[:-1] + bytes([body[-1] ^ 1])
    here = visit(quay, made, place)
    (finding,) = failed(here)
    assert (finding["code"], finding["subject"]) == ("checksum-mismatch", f"volume-1/{place}{path}")
    assert f"is not the one that the manifest volume-1/{place}manifest-" in finding["sentence"]
    assert finding["evidence"]["algorithm"] in ("md5", "sha512")
    assert finding["evidence"]["expected"] != finding["evidence"]["found"]
    assert tree(quay.archive).keys().isdisjoint({here.job_id.encode()})


def test_a_bag_that_is_not_whole_is_refused_before_anything_is_loaded(quay: Station) -> None:
    made = bag(PAYLOAD)
    del made["data/north.enc"]
    made["data/more.enc"] = sealed(20_000, 4)
    made["fetch.txt"] = b"https://example.org/north.enc 400008 data/north.enc\n"
    codes = {finding["code"] for finding in failed(visit(quay, made))}
    assert codes == {"bag-incomplete", "bag-file-unlisted", "bag-to-be-fetched", "bag-oxum-wrong"}


def test_an_unencrypted_file_in_a_payload_is_refused_as_any_other(quay: Station) -> None:
    made = bag({**PAYLOAD, "diary.txt": b"nobody sealed this\n" * 999})
    assert [finding["code"] for finding in failed(visit(quay, made))] == ["not-encrypted"]


def test_names_that_differ_are_for_a_person_to_decide(quay: Station) -> None:
    made = bag(PAYLOAD)
    made["data/tiles/cafe\u0301.enc"] = made.pop("data/tiles/caf\u00e9.enc")
    here = visit(quay, made).announce()
    here.plug()
    held = here.held("doubtful")
    assert "caf\\xe9.enc is data/tiles/cafe\\u0301.enc on the drive" in str(held["text"])
    assert quay.ingestd("lift", here.bay, "--decision", "accept").returncode == 0
    assert here.released()["outcome"] == "loaded"
    assert "data/tiles/cafe\u0301.enc".encode() in here.stored()
