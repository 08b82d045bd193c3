"""Notices coming in: what is understood, and what is said of what is not."""

from __future__ import annotations

import codecs
import copy
import json
import os
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, get_args

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd.bus import examples, strict
from ingestd.bus.codec import PROBLEMS_MAX, Decoded, Malformed, decode, encode_notice, job_to_data
from ingestd.bus.schema import generate
from ingestd.bus.stamps import rfc3339, seconds
from ingestd.bus.strict import BODY_MAX
from ingestd.bus.wire import ITEMS_MAX, NOTICES
from ingestd.core.job import Job
from ingestd.core.line import NO_CAP
from ingestd.core.messages import (
    DriveAssigned,
    HoldLifted,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
    Notice,
    NoticeMalformed,
    UplinkSet,
)
from ingestd.core.model import Decision, Disposition, ProofLevel
from ingestd.core.uplink import Limit, UplinkOrder
from tests.support.wire_strategies import identifiers, jobs

EXAMPLES = os.path.join(os.path.dirname(__file__), "..", "..", "deploy", "examples", "notices")
JOB_SCHEMA = jsonschema.Draft202012Validator(generate()["ingest.job.announced"])
AT = 1_936_772_400.5
Data = dict[str, Any]
Change = Callable[[Data], object]

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


def message(type_: str = "ingest.job.announced", **changes: Any) -> Data:
    data = copy.deepcopy(dict(examples.NOTICES[type_])) if type_ in examples.NOTICES else {}
    whole = {"specversion": "1.0", "id": "order-1", "source": "/orders", "type": type_, "data": data}
    return whole | changes


def understood(document: Data, station: str = "quay-03") -> Decoded:
    return decode(json.dumps(document).encode(), at=AT, station=station)


def problems_of(body: bytes) -> tuple[str, ...]:
    with pytest.raises(Malformed) as caught:
        decode(body, at=AT, station="quay-03")
    return caught.value.problems


def problems_with(change: Change, type_: str = "ingest.job.announced") -> tuple[str, ...]:
    """What is said after a change to the data of a good notice."""
    document = message(type_)
    change(document["data"])
    return problems_of(json.dumps(document).encode())


# -- understood -----------------------------------------------------------------------------------


@pytest.mark.parametrize("type_", NOTICES)
def test_every_worked_example_is_understood(type_: str) -> None:
    with open(os.path.join(EXAMPLES, f"{type_}.json"), "rb") as file:
        body = file.read()
    decoded = decode(body, at=AT, station="quay-03")
    assert decoded.type == type_
    assert decoded.notice is not None
    assert decoded.notice.at == AT
    assert json.loads(body)["data"] == examples.NOTICES[type_]


def test_every_notice_of_the_core_has_a_type_on_the_wire() -> None:
    made = {type(understood(message(type_)).notice) for type_ in NOTICES}
    assert made == set(get_args(Notice)) - {NoticeMalformed}


def test_an_announced_job_carries_everything() -> None:
    notice = understood(message()).notice
    assert isinstance(notice, JobAnnounced)
    job = notice.job
    assert (job.job_id, job.version, job.tenant) == ("tidewrack-2031-0117", 1, "tidewrack-survey")
    assert job.drives[0].serial == "HQ7K2M9A"
    assert job.drives[0].size_bytes == 4_000_787_030_016
    assert [(item.name, item.kind) for item in job.items] == [
        ("kelp-forest-north.tar.age", "file"),
        ("track-lines", "folder"),
    ]
    assert job.due_at == datetime.fromisoformat("2031-05-19T18:00:00+00:00").timestamp()
    assert job.proof is ProofLevel.SAMPLED
    assert [(change.requirement, change.policy) for change in job.requirements] == [
        ("unexpected-item", "blocking")
    ]


def test_what_is_left_out_has_its_default() -> None:
    destination = {"store": "harrow-archive", "prefix": "alder-press/plates"}
    data = {"job_id": "alder-press-0462", "version": 1, "tenant": "alder-press", "items": []}
    drives = [{"volume_label": "PLATES"}]
    notice = understood(message(data={**data, "drives": drives, "destination": destination})).notice
    assert isinstance(notice, JobAnnounced)
    job = notice.job
    assert (job.priority, job.proof, job.due_at, job.keep_on_failure) == (5, ProofLevel.LISTED, None, False)


@pytest.mark.parametrize(
    ("given_fields", "expected"),
    [
        ({}, Disposition.DISPOSE),
        ({"return_label_enclosed": True}, Disposition.RETURN),
        ({"return_label_enclosed": True, "disposition": "dispose"}, Disposition.DISPOSE),
        ({"return_label_enclosed": False, "disposition": "return"}, Disposition.RETURN),
        ({"return_label_enclosed": True, "disposition": None}, Disposition.RETURN),
    ],
)
def test_the_drive_goes_back_if_a_label_was_enclosed(given_fields: Data, expected: Disposition) -> None:
    document = message()
    del document["data"]["return_label_enclosed"]
    document["data"] |= given_fields
    notice = understood(document).notice
    assert isinstance(notice, JobAnnounced)
    assert notice.job.disposition is expected


def test_operators_notices_are_understood() -> None:
    data = {"station": "quay-03", "bay": "bay-2", "job_id": "lumen-dome-0031", "by": "m.okafor"}
    assigned = understood(message("ingest.drive.assigned", data=data)).notice
    assert assigned == DriveAssigned(at=AT, bay="bay-2", job_id="lumen-dome-0031", by="m.okafor")  # type: ignore[arg-type]
    named = understood(message("ingest.drive.assigned")).notice
    assert isinstance(named, DriveAssigned)
    assert named.load_id == "quay-03.bay-2.20310517T082014250Z"
    data = {"station": "quay-03", "bay": "bay-4", "by": "m.okafor", "load_id": "quay-03.bay-4.x"}
    lifted = understood(message("ingest.hold.lifted", data=data)).notice
    assert isinstance(lifted, HoldLifted)
    assert (lifted.decision, lifted.load_id) == (Decision.AGAIN, "quay-03.bay-4.x")
    del data["bay"]
    lifted = understood(message("ingest.hold.lifted", data=data)).notice
    assert isinstance(lifted, HoldLifted)
    assert (lifted.bay, lifted.load_id) == (None, "quay-03.bay-4.x")
    uncapped = understood(message("ingest.uplink.set", data={"rate_bytes_per_second": None})).notice
    assert uncapped == UplinkSet(at=AT, order=UplinkOrder(cap=NO_CAP))


def test_what_a_word_about_the_uplink_leaves_out_is_as_configured() -> None:
    assert understood(message("ingest.uplink.set", data={})).notice == UplinkSet(at=AT, order=UplinkOrder())
    data = {"bays": {"bay-2": None, "bay-1": 5_000_000}, "until": "2031-05-17T18:00:00+02:00"}
    limited = understood(message("ingest.uplink.set", data=data)).notice
    limits = (Limit("bay-1", 5_000_000), Limit("bay-2", None))
    until = datetime(2031, 5, 17, 16, tzinfo=UTC).timestamp()
    assert limited == UplinkSet(at=AT, order=UplinkOrder(bays=limits, until=until))


def test_a_burst_without_a_rate_means_nothing() -> None:
    (problem,) = problems_with(lambda data: data.update(rate_bytes_per_second=None), "ingest.uplink.set")
    assert problem.startswith("data.burst_bytes: means nothing without rate_bytes_per_second")


@pytest.mark.parametrize("kind", ["ingest.hold.lifted", "ingest.drive.assigned"])
def test_a_word_about_a_bay_says_of_which_station(kind: str) -> None:
    document = message(kind)
    del document["data"]["station"]
    with pytest.raises(Malformed, match=r"data\.station: is missing"):
        understood(document)


def test_a_reason_becomes_one_line() -> None:
    data = {"job_id": "alder-press-0458", "reason": "cancelled\r\nby the customer"}
    notice = understood(message("ingest.job.withdrawn", data=data)).notice
    assert isinstance(notice, JobWithdrawn)
    assert notice.reason == "cancelled by the customer"


def test_a_notice_for_another_station_is_not_ours_even_if_it_is_wrong() -> None:
    document = message("ingest.uplink.set")
    assert understood(document, station="quay-04").notice is None
    document["data"]["rate_bytes_per_second"] = "fast"
    assert understood(document, station="quay-04").notice is None
    with pytest.raises(Malformed):
        understood(document, station="quay-03")


def test_a_notice_for_no_station_that_could_be_is_wrong() -> None:
    (problem,) = problems_with(lambda data: data.update(station="quay 4"), "ingest.uplink.set")
    assert problem.startswith("data.station: must be 1 to 128 letters")


def test_attributes_that_are_null_count_as_left_out() -> None:
    assert understood(message(subject=None, time=None, dataschema=None, traceparent=None)).notice
    assert problems_of(json.dumps(message(id=None)).encode()) == (
        "id: is missing; add it (Unique among the events of this source)",
    )


def test_extension_attributes_and_foreign_schemas_are_tolerated() -> None:
    document = message(traceparent="00-4bf9-00", sampledrate=3, urgent=True, dataschema="urn:orders:job:9")
    assert understood(document).notice


def test_a_byte_order_mark_is_passed_over() -> None:
    assert decode(b"\xef\xbb\xbf" + json.dumps(message()).encode(), at=AT, station="quay-03").notice


def test_source_and_id_are_the_identity() -> None:
    assert understood(message(id="order 7", source="/orders/harrow")).identity == "/orders/harrow order 7"


def test_a_malformed_notice_has_its_identity_when_that_can_be_told() -> None:
    with pytest.raises(Malformed) as caught:
        understood(message(data=[]))
    assert caught.value.identity == "/orders order-1"
    with pytest.raises(Malformed) as caught:
        understood(message(id=7))
    assert caught.value.identity is None


@pytest.mark.parametrize(
    "wrong",
    [{"id": None}, {"source": None}, {"id": 7}, {"id": "\ud83d"}],
    ids=["no id", "no source", "7", "half"],
)
def test_a_name_that_is_no_text_hides_nothing_else_that_is_wrong(wrong: Data) -> None:
    """The model looks at no attribute where one of the names is not Unicode text."""
    for body in (message(**wrong), {name: value for name, value in message(**wrong).items() if value}):
        with pytest.raises(Malformed) as caught:
            understood({**body, "\udc00": 1})
        assert caught.value.identity is None
        assert caught.value.problems[0].startswith("notice: has a field name that is not Unicode text")
        assert any(problem.startswith(f"{next(iter(wrong))}: ") for problem in caught.value.problems)


# -- round trips ----------------------------------------------------------------------------------


@given(job=jobs, version=st.sampled_from(["announced", "amended"]), key=identifiers)
def test_a_job_comes_back_as_it_was_written(job: Job, version: str, key: str) -> None:
    type_ = f"ingest.job.{version}"
    body = encode_notice(type_, job_to_data(job), id=key, source="/orders", time=AT)
    decoded = decode(body, at=AT, station="quay-03")
    assert isinstance(decoded.notice, JobAnnounced | JobAmended)
    assert decoded.notice.job == job
    assert decoded.identity == f"/orders {key}"


@given(job=jobs)
def test_what_is_understood_fits_the_published_schema(job: Job) -> None:
    JOB_SCHEMA.validate(job_to_data(job))


@given(st.datetimes(timezones=st.timezones()))
def test_times_are_read_as_the_standard_library_reads_them(moment: datetime) -> None:
    text = moment.isoformat()
    if len(text) > 32 or moment.utcoffset() is None or moment.year < 1000:
        return  # offsets to the second are ISO 8601, not RFC 3339
    assert seconds(text) == pytest.approx(moment.timestamp(), abs=1e-6)


@pytest.mark.parametrize(
    ("text", "same_as"),
    [
        ("2031-05-17t08:20:00z", "2031-05-17T08:20:00.000000Z"),
        ("2031-05-17T10:20:00.25+02:00", "2031-05-17T08:20:00.250000Z"),
        ("2031-05-17T08:20:00.1234567891Z", "2031-05-17T08:20:00.123456Z"),
        ("2016-12-31T23:59:60Z", "2017-01-01T00:00:00.000000Z"),
        ("2031-05-17T08:20:00-00:00", "2031-05-17T08:20:00.000000Z"),
    ],
)
def test_every_form_of_rfc_3339_is_read(text: str, same_as: str) -> None:
    assert rfc3339(seconds(text)) == same_as


@pytest.mark.parametrize(
    "text",
    [
        "2031-05-17",
        "2031-05-17T08:20:00",
        "2031-05-17 08:20:00Z",
        "2031-02-30T08:20:00Z",
        "2031-05-17T24:00:00Z",
        "2031-05-17T08:20:61Z",
        "2031-05-17T08:20:00+0200",
        "2031-05-17T08:20:00+24:00",
        "20310517T082000Z",
        "٢٠٣١-05-17T08:20:00Z",
        "2031-05-17T08:20:00Z\n",
    ],
)
def test_what_is_no_rfc_3339_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        seconds(text)


# -- not understood: the message ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "problem"),
    [
        (b"", "notice: is empty"),
        (b" \n", "notice: is empty"),
        (b"[]", "notice: must be a JSON object with the attributes of a CloudEvent"),
        (b'"ingest"', "notice: must be a JSON object with the attributes of a CloudEvent"),
        (b'{"id": "caf\xe9"}', "notice: is not UTF-8 (byte 11); save it as UTF-8"),
        ('{"id": 1}'.encode("utf-16"), "notice: is not UTF-8 (byte 0); save it as UTF-8"),
        (b'{"id": 1,\n "type" 2}', "notice: is not JSON: expecting ':' delimiter at line 2, column 9"),
        (b'{"id": 1} {}', "notice: is not JSON: extra data at line 1, column 11"),
        (b'{"id": "a\nb"}', "notice: is not JSON: invalid control character at at line 1, column 10"),
        (b"[" * 100_000, "notice: is nested deeper than 32 levels"),
        (b"[" * 40 + b"]" * 40, "notice: is nested deeper than 32 levels"),
        (b'{"id": ' + b"9" * 5000 + b"}", "notice: holds a number of more than 4,300 digits"),
        (
            b" " * (BODY_MAX + 1),
            "notice: is larger than 1,048,576 bytes; announce folders instead of single files",
        ),
    ],
    ids=lambda value: None if isinstance(value, str) else repr(value[:12]),
)
def test_what_is_no_document_is_refused_with_the_reason(body: bytes, problem: str) -> None:
    assert problems_of(body) == (problem,)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('"version": NaN', "data.version: is NaN, which JSON does not know; leave the field out"),
        ('"version": -Infinity', "data.version: is -Infinity, which JSON does not know; leave the field out"),
        ('"version": 1e999', "data.version: is a number out of range"),
        ('"tenant": "\\ud83d"', "data.tenant: is not Unicode text (half of a surrogate pair)"),
        ('"tenant": "a", "tenant": "b"', "data: gives “tenant” twice; keep one"),
        ('"items": [{"name": "a", "name": "b"}]', "data.items[0]: gives “name” twice; keep one"),
        ('"\\udc00": 1', "data: has a field name that is not Unicode text (half of a surrogate pair)"),
    ],
)
def test_what_two_readers_could_take_differently_is_refused(text: str, problem: str) -> None:
    document = message()
    field = text.partition(":")[0].strip('"')
    document["data"].pop(field, None)
    body = json.dumps(document).replace('"data": {', f'"data": {{{text}, ', 1)
    assert problem in problems_of(body.encode())


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"specversion": "0.3"}, "specversion: must be '1.0'; got “0.3”"),
        ({"specversion": 1.0}, "specversion: must be '1.0'; got the number 1.0"),
        ({"id": ""}, "id: is empty; leave the field out, or fill it in"),
        ({"id": "a\u0007"}, "id: must be one line of text, without control characters"),
        ({"id": "a" * 1025}, "id: must have at most 1024 characters; got 1025"),
        (
            {"source": "order system"},
            "source: must be a URI reference of at most 1024 characters, "
            "such as /orders or urn:orders:harrow",
        ),
        (
            {"time": "2031-05-17 08:20"},
            "time: must be an RFC 3339 time with its offset, such as 2031-05-17T08:30:00Z",
        ),
        ({"datacontenttype": "text/xml"}, "datacontenttype: must be application/json, or left out"),
        ({"dataschema": "orders"}, "dataschema: must be an absolute URI"),
        (
            {"dataschema": "urn:ingestd:schema:ingest.job.announced:2"},
            "dataschema: must be urn:ingestd:schema:ingest.job.announced:1, or left out",
        ),
        (
            {"dataSchema": "urn:x:y"},
            "dataSchema: attributes have lower-case letters and digits only; did you mean “dataschema”?",
        ),
        ({"trace": {"id": 1}}, "trace: must be text, a whole number, true or false, as all attributes"),
        ({"data_base64": "e30="}, "data_base64: is not read; put the content into data, as JSON"),
        ({"data": None}, "data: must be an object; got null"),
        ({"data": "{}"}, "data: must be an object; got text"),
        (
            {"type": "ingest.job.anounced"},
            "type: “ingest.job.anounced” is not a notice that a station takes; "
            "did you mean “ingest.job.announced”?",
        ),
        (
            {"type": "parcel"},
            f"type: “parcel” is not a notice that a station takes; known: {', '.join(NOTICES)}",
        ),
        ({"type": ["ingest.job.announced"]}, "type: must be text; got a list"),
        ({"line\nbreak": 1}, '["line\\nbreak"]: attributes have lower-case letters and digits only; '),
    ],
)
def test_a_wrong_envelope_is_refused_with_the_remedy(changes: Data, problem: str) -> None:
    (told,) = problems_of(json.dumps(message(**changes)).encode())
    assert told == problem or (problem.endswith("; ") and told.startswith(problem))


def test_a_message_without_data_is_told_so() -> None:
    document = message()
    del document["data"]
    assert problems_of(json.dumps(document).encode()) == ("data: is missing; add the content of the notice",)


@pytest.mark.parametrize("kind", ["application/json", "Application/JSON; charset=UTF-8", None])
def test_json_may_be_called_json(kind: str | None) -> None:
    assert understood(message(datacontenttype=kind)).notice


# -- not understood: the data ---------------------------------------------------------------------


def _item(**fields: Any) -> Change:
    return lambda data: data["items"].append(fields)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (
            lambda data: data["items"].append({"name": "b", "sha256": "a" * 63}),
            "data.items[2].sha256: must be 64 lower-case hexadecimal digits; got 63 characters",
        ),
        (
            _item(name="b", sha256="A" * 64),
            "data.items[2].sha256: must be 64 lower-case hexadecimal digits; write it in lower case",
        ),
        (
            _item(name="b", sha256="z" * 64),
            "data.items[2].sha256: must be 64 lower-case hexadecimal digits; got other characters",
        ),
        (
            _item(name="b", kind="folder", sha256="a" * 64),
            "data.items[2].sha256: belongs to files only; leave it out for a folder",
        ),
        (
            _item(name="track-lines"),
            "data.items[2].name: is the same as in data.items[1]; names are unique within a job",
        ),
        (
            _item(name="scans/plates.7z"),
            "data.items[2].name: must be a single name in the root of a volume; it contains '/'",
        ),
        (
            _item(name=".."),
            "data.items[2].name: must be the name of a file or folder; it is empty, '.' or '..'",
        ),
        (_item(name="a\x00b"), "data.items[2].name: must not contain NUL"),
        (
            _item(name="é" * 128),
            "data.items[2].name: must have at most 255 bytes in UTF-8 between two '/'; got 256",
        ),
        (_item(name="b", kind="link"), "data.items[2].kind: must be 'file' or 'folder'; got “link”"),
        (_item(name="b", size_bytes=-1), "data.items[2].size_bytes: must be at least 0; got -1"),
        (
            _item(kind="file"),
            "data.items[2].name: is missing; add it "
            "(As it stands in the root of the volume; unique within the job)",
        ),
        (
            _item(name="b", sise_bytes=1),
            "data.items[2].sise_bytes: is not a known field; did you mean “size_bytes”?",
        ),
        (
            lambda data: data.update(version="5"),
            "data.version: must be a whole number; got text (remove the quotation marks)",
        ),
        (lambda data: data.update(version=True), "data.version: must be a whole number; got true"),
        (lambda data: data.update(version=1.0), "data.version: must be a whole number; got the number 1.0"),
        (lambda data: data.update(version=0), "data.version: must be at least 1; got 0"),
        (
            lambda data: data.update(version=2**53),
            "data.version: must be at most 9007199254740991; got 9007199254740992",
        ),
        (lambda data: data.update(priority=10), "data.priority: must be at most 9; got 10"),
        (
            lambda data: data.update(return_label_enclosed=1),
            "data.return_label_enclosed: must be true or false; got the number 1",
        ),
        (
            lambda data: data.update(tenant="tidewrack survey"),
            "data.tenant: must be 1 to 128 letters, digits, '.', '_' or '-', the first one a letter or digit",
        ),
        (
            lambda data: data.update(job_id="a\n"),
            "data.job_id: must be 1 to 128 letters, digits, '.', '_' or '-', the first one a letter or digit",
        ),
        (lambda data: data.update(drives=[]), "data.drives: must have at least 1 entry; got 0"),
        (lambda data: data.update(drives={}), "data.drives: must be a list; got an object"),
        (
            lambda data: data.update(drives=[{"interface": "sata"}]),
            "data.drives[0]: must have at least one of serial, wwn, volume_label, volume_uuid",
        ),
        (
            lambda data: data["drives"].append({"serial": "HQ7K2M9A"}),
            "data.drives[1].serial: is the same as in data.drives[0]; a drive is announced once",
        ),
        (
            lambda data: data["drives"].append({"serial": " HQ7"}),
            "data.drives[1].serial: has blanks at its beginning or end; remove them",
        ),
        (
            lambda data: data["drives"].append({"wwn": ""}),
            "data.drives[1].wwn: is empty; leave the field out, or fill it in",
        ),
        (
            lambda data: data.update(items=[{"name": str(n)} for n in range(ITEMS_MAX + 1)]),
            "data.items: must have at most 10000 entries; got 10001",
        ),
        (
            lambda data: data.update(requirements={"not-encrypted": "of"}),
            "data.requirements.not-encrypted: must be 'blocking', 'doubtful', 'noted' or 'off'; got “of”",
        ),
        (
            lambda data: data.update(requirements={"not-encryptd": "off"}),
            "data.requirements.not-encryptd: is not a requirement that a job may change; "
            "did you mean “not-encrypted”?",
        ),
        (
            lambda data: data.update(due_at=1_936_772_400),
            "data.due_at: must be text; got the number 1936772400",
        ),
        (
            lambda data: data.update(proof="complete"),
            "data.proof: must be 'listed', 'sampled' or 'full'; got “complete”",
        ),
    ],
)
def test_a_wrong_field_is_named_with_the_remedy(change: Change, problem: str) -> None:
    assert problems_with(change) == (problem,)


def test_a_requirement_that_would_lose_data_cannot_be_switched_off() -> None:
    (problem,) = problems_with(lambda data: data.update(requirements={"file-unreadable": "off"}))
    assert problem.startswith("data.requirements.file-unreadable: is not a requirement that a job may change")


_PARTS = "must have no empty part and none that is '.' or '..'; one '/' between parts, none at its end"


@pytest.mark.parametrize(
    ("prefix", "problem"),
    [
        ("", _PARTS),
        ("/etc", "must be relative; remove the '/' at its beginning"),
        ("a//b", _PARTS),
        ("a/", _PARTS),
        ("..", _PARTS),
        ("../b", _PARTS),
        ("a/../b", _PARTS),
        ("a/./b", _PARTS),
        (".ingest/a", "must not begin with '.'"),
        ("...", "must not begin with '.'"),
        ("a\\b", "must contain no backslash and no control character"),
        ("a/\x1b[0m", "must contain no backslash and no control character"),
        ("a/\x85", "must contain no backslash and no control character"),
        ("é" * 128, "must have at most 255 bytes in UTF-8 between two '/'; got 256"),
        ("a/" * 256 + "b", "must have at most 512 characters; got 513"),
    ],
)
def test_a_prefix_that_leads_astray_is_refused(prefix: str, problem: str) -> None:
    told = problems_with(lambda data: data["destination"].update(prefix=prefix))
    assert told == (f"data.destination.prefix: {problem}",)


def test_everything_wrong_is_told_at_once() -> None:
    document = message(specversion="2.0", time="noon", Extra=1)
    document["data"].update(version="1", priorty=3, tenant=None)
    document["data"]["items"][0].update(sha256="", name="")
    document["data"]["drives"].append({})
    del document["data"]["job_id"]
    told = problems_of(json.dumps(document).encode())
    assert [problem.partition(":")[0] for problem in told] == [
        "specversion",
        "time",
        "Extra",
        "data.job_id",
        "data.version",
        "data.tenant",
        "data.items[0].name",
        "data.items[0].sha256",
        "data.priorty",
        "data.drives[1]",
    ]


def test_what_the_json_reader_and_the_model_find_is_told_together_and_once() -> None:
    body = json.dumps(message()).replace('"version": 1', '"version": NaN, "priority": 12', 1)
    told = problems_of(body.encode())
    assert sorted(problem.partition(":")[0] for problem in told) == ["data", "data.version"]
    body = json.dumps(message()).replace('"version": 1', '"version": NaN, "color": 12', 1)
    told = problems_of(body.encode())
    assert sorted(problem.partition(":")[0] for problem in told) == ["data.color", "data.version"]


def test_a_flood_of_problems_is_cut_and_counted() -> None:
    told = problems_with(lambda data: data.update({f"k{n:05}": n for n in range(60_000)}))
    assert len(told) == PROBLEMS_MAX + 1
    assert told[-1] == f"notice: has {60_000 - PROBLEMS_MAX:,} more problems; mend these first"


@pytest.mark.parametrize("place", ["name", "sha256", "size_bytes"])
def test_customers_names_are_not_repeated(place: str) -> None:
    (told,) = problems_with(_item(**({"name": "b"} | {place: "kelp-ledger-secret/x"})))
    assert told.startswith(f"data.items[2].{place}: ")
    assert "secret" not in told


# -- anything at all ------------------------------------------------------------------------------


def _told_or_understood(body: bytes) -> None:
    try:
        decoded = decode(body, at=AT, station="quay-03")
    except Malformed as error:
        assert error.problems
        for problem in error.problems:
            assert problem.isprintable() and ": " in problem, problem
            problem.encode("utf-8")
    else:
        assert decoded.type in NOTICES


@given(st.binary(max_size=300))
def test_any_bytes_are_told_or_understood(body: bytes) -> None:
    _told_or_understood(body)


@given(json_values)
def test_any_json_is_told_or_understood(document: object) -> None:
    _told_or_understood(json.dumps(document).encode())


@given(type_=st.sampled_from(sorted(NOTICES)), data=json_values)
def test_any_data_is_told_or_understood(type_: str, data: object) -> None:
    _told_or_understood(json.dumps(message(type_, data=data)).encode())


@given(data=st.data(), value=json_values | st.text(st.characters(), max_size=5))
def test_a_good_notice_with_anything_in_any_place_is_told_or_understood(
    data: st.DataObject, value: object
) -> None:
    document: Any = message(data.draw(st.sampled_from(sorted(NOTICES))))
    inner = document
    while isinstance(inner, dict | list) and inner:
        key = data.draw(st.sampled_from(sorted(inner) if isinstance(inner, dict) else range(len(inner))))
        if not isinstance(inner[key], dict | list) or data.draw(st.booleans()):
            inner[key] = value
            break
        inner = inner[key]
    _told_or_understood(json.dumps(document).encode())


@given(data=st.data())
def test_a_damaged_notice_is_told_or_understood(data: st.DataObject) -> None:
    body = bytearray(json.dumps(message()).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    _told_or_understood(bytes(body))


@given(json_values, st.booleans())
def test_what_is_sound_is_read_alike_by_a_quick_and_a_close_look(value: object, marked: bool) -> None:
    text = json.dumps(value)
    document, flaws = strict.read((codecs.BOM_UTF8 if marked else b"") + text.encode())
    odd = strict.read(f'{{"twice": 1, "twice": 1, "value": {text}}}'.encode())
    assert isinstance(odd[0], dict)
    assert repr(odd[0]["value"]) == repr(document)
    assert [flaw.text for flaw in odd[1][1:]] == [flaw.text for flaw in flaws]
