"""The command line: what people and scripts give, get and read."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingestd import __version__
from ingestd.core.model import HoldReason
from ingestd.runtime import cli, colour, show
from ingestd.runtime.commands import tell
from tests.support.daemon import TENANT, Station, sealed, wait_for
from tests.support.visits import Visit

FILES = {b"a.enc": sealed(80_000, 1)}
DOUBTFUL = {b"diary.bin": b"Salted__" + bytes(range(90))}


class Said(NamedTuple):
    status: int
    out: str
    err: str


Say = Callable[..., Said]


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Say:
    """Runs one command for a station, in this process, with something on its standard input."""

    def run(station: Station, *arguments: str, given: bytes = b"") -> Said:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(given)))
        capsys.readouterr()
        code = cli.main([*arguments, "--config", str(station.config)])
        return Said(code, *capsys.readouterr())

    return run


# -- what every command does -----------------------------------------------------------------------


def test_the_version_is_told() -> None:
    said = subprocess.run(
        [sys.executable, "-m", "ingestd", "--version"], capture_output=True, text=True, check=True
    )
    assert said.stdout == f"ingestd {__version__}\n"


@pytest.mark.parametrize(
    "command", [["run"], ["check"], ["status"], ["send", "-"], ["assign", "bay-1", "TW-1"], ["lift", "bay-1"]]
)
def test_a_configuration_that_is_not_there_is_named(station: Station, say: Say, command: list[str]) -> None:
    station.config.unlink()
    said = say(station, *command)
    assert said == (2, "", f"{station.config}: cannot be read: No such file or directory\n")


def test_all_that_is_wrong_with_a_configuration_is_told(station: Station, say: Say) -> None:
    station.configure(station={"loads_max": 0}, transfer={"bufers": 3}, logs={"level": "loud"})
    said = say(station, "status")
    assert said.status == 2
    keys = [line.removeprefix(f"{station.config}: ").split(":")[0] for line in said.err.splitlines()]
    assert sorted(keys) == ["logs.level", "station.loads_max", "transfer.bufers"]


def test_the_configuration_may_be_named_by_the_environment(
    station: Station, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INGESTD_CONFIG", str(station.config))
    assert cli.main(["check"]) == 0
    assert f"{station.config}: station quay-03 is ready to run" in capsys.readouterr().out


def test_a_command_that_does_not_exist_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["eject", "bay-1"])
    assert ended.value.code == 2
    assert "invalid choice: 'eject'" in capsys.readouterr().err


# -- check -----------------------------------------------------------------------------------------


def problems_of(said: Said) -> dict[str, tuple[str, str]]:
    """Where, to what is the matter and its remedy; every problem has one."""
    lines = [line for line in said.out.splitlines() if not line.endswith("ready to run")]
    assert len(lines) % 2 == 0
    found = {}
    for text, remedy in zip(lines[::2], lines[1::2], strict=True):
        assert remedy.startswith("         ") and remedy.strip()
        found[text[9:].split(":")[0]] = (text, remedy.strip())
    return found


def test_a_station_that_is_ready_is_told_so(station: Station, say: Say) -> None:
    (station.bays / "bay-1").mkdir()
    said = say(station, "check")
    assert said.status == 0
    assert said.out.splitlines()[-1] == f"{station.config}: station quay-03 is ready to run"
    assert all(text.startswith("note") for text, _ in problems_of(said).values())


def test_every_problem_of_the_surroundings_comes_with_its_remedy(station: Station, say: Say) -> None:
    for folder in (station.state, station.spool, station.bays, station.archive):
        folder.rmdir()
    said = say(station, "check")
    problems = problems_of(said)
    fatal = {where for where, (text, _) in problems.items() if text.startswith("PROBLEM")}
    assert fatal == {"station.state_folder", str(station.spool), "bays", "store archive"}
    assert said.status == 2
    assert "ready to run" not in said.out


def test_a_state_folder_that_is_a_file_is_a_problem(station: Station, say: Say) -> None:
    station.state.rmdir()
    station.state.touch()
    said = say(station, "check")
    assert said.status == 2
    assert problems_of(said)["station.state_folder"][0].endswith(f"{station.state} is not a folder")


# -- status ----------------------------------------------------------------------------------------


def test_the_status_shows_each_bay_and_why_it_waits(quay: Station, say: Say) -> None:
    visit = Visit(quay, FILES).plug()
    visit.held("no-matching-job")
    load = quay.wait_phase(visit.serial, "held")
    said = say(quay, "status")
    assert said.status == 0
    (row,) = [line for line in said.out.splitlines() if visit.serial in line and line.startswith(visit.bay)]
    assert row.split() == [visit.bay, visit.serial, "-", "held", "-"]
    assert load["reason"] in " ".join(said.out.split())
    visit.pull()


def test_the_status_as_json_is_the_whole_picture(quay: Station, say: Say) -> None:
    said = say(quay, "status", "--json")
    picture = json.loads(said.out)
    assert said.status == 0
    assert (picture["running"], picture["station"]) == (True, "quay-03")
    assert set(quay.picture() or {}) <= set(picture)


def test_watching_goes_on_until_it_is_interrupted(quay: Station) -> None:
    command = [sys.executable, "-m", "ingestd", "status", "--watch", "--json", "--config", str(quay.config)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as watching:
        assert watching.stdout is not None
        assert watching.stderr is not None
        pictures = [json.loads(watching.stdout.readline()) for _ in range(2)]
        watching.send_signal(signal.SIGINT)
        assert watching.wait(5) == 0
        assert watching.stderr.read() == b""
    assert pictures[0]["at"] < pictures[1]["at"]


def test_a_reader_who_has_seen_enough_is_no_error(quay: Station) -> None:
    command = [sys.executable, "-m", "ingestd", "status", "--watch", "--config", str(quay.config)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as watching:
        assert watching.stdout is not None
        assert watching.stderr is not None
        watching.stdout.readline()
        watching.stdout.close()
        assert watching.wait(5) == 0
        assert watching.stderr.read() == b""


_VISIBLE = st.characters(codec="ascii", categories=("L", "N", "P", "S"))
_ODD = st.sampled_from("海龍ﾊﾝ각\u0301\u20dd\u1161é\x1b\x07\u202e\u200b\udc80")
"""Wide, narrow, without width, and what a terminal would act on."""
_NAMES = st.text(_VISIBLE | _ODD, min_size=1, max_size=200)
_WORDS = st.text(_VISIBLE | _ODD | st.just(" "), max_size=400)


def width_of(line: str) -> int:
    """In columns of a terminal."""
    marks = sum(unicodedata.combining(c) != 0 or c in "\u20dd\u1161" for c in line)
    return len(line) - marks + sum(unicodedata.east_asian_width(c) in ("W", "F") for c in line)


def uplink_with(name: str, rate: int | None, source: str = "timetable", **more: Any) -> dict[str, Any]:
    cap = {"at": 2.0, "rate_bytes_per_second": rate, "source": source, "entry": f"mon-fri 08:00-18:00 {name}"}
    following = {**cap, "at": 90_000.0, "rate_bytes_per_second": None}
    limits = {"stores": [{"name": name, "rate_bytes_per_second": 70_000}], "bays": []}
    return {"cap": cap, "until": None, "ordered": False, "changes": [following], **limits, **more}


@pytest.mark.parametrize(
    ("uplink", "lines"),
    [
        (
            uplink_with("Europe/London", 70_000, stores=[]),
            [
                "uplink: timetable, mon-fri 08:00-18:00 Europe/London; "
                f"no cap from {show.moment(90_000.0, 2.0)}"
            ],
        ),
        (
            uplink_with("", 70_000, "message", stores=[], changes=[]),
            ["uplink: set by a message, until the next message or another configuration"],
        ),
        (
            uplink_with("harrow", None, "configuration", changes=[], ordered=True),
            ["uplink: as configured", "limits: store harrow 70.0 kB/s (some set by a message)"],
        ),
    ],
)
def test_the_status_says_whose_word_the_cap_is_and_what_is_next(
    uplink: dict[str, Any], lines: list[str]
) -> None:
    assert list(show.uplink(uplink, 2.0)) == lines


def picture_with(load: dict[str, Any], station: str) -> dict[str, Any]:
    ledger = {"discovered_bytes": 10**13, "skipped_bytes": 0, "stored_bytes": 10**12, "arrived_bytes": 9}
    known = {"outcome": None, "disposition": "dispose", "last_bay": None, "since": 1.0, "doing": "loading"}
    figures = {"rate_bytes_per_second": 999_949_999.0, "seconds_left": 863_999.0, "share": 1.0}
    return {
        "station": station,
        "at": 2.0,
        "draining": False,
        "uplink_bytes_per_second": 999_949_999,
        "uplink": uplink_with(station[:64], 999_949_999),
        "rate_bytes_per_second": 999_949_999.0,
        "problems": [load["reason"]],
        "jobs_pending": 100_000,
        "jobs_ended": 100_000,
        "jobs_waiting": [load["job_id"]] * 3,
        "loads": [{**known, **figures, "ledger": ledger, **load}],
    }


@given(
    names=st.tuples(_NAMES, _NAMES, _NAMES, _NAMES),
    words=_WORDS,
    phase=st.sampled_from(["waiting", "surveying", "loading", "held", "away", "releasing", "released"]),
    running=st.booleans(),
)
def test_the_status_fits_eighty_columns_whatever_is_in_it(
    names: tuple[str, str, str, str], words: str, phase: str, running: bool
) -> None:
    station, bay, drive, job = names
    hold = "no-matching-job" if phase == "held" else None
    outcome = "failed" if phase in ("releasing", "released") else None
    load: dict[str, Any] = {"bay": bay, "drive": drive, "job_id": job, "phase": phase, "reason": words}
    load |= {"hold": hold, "tried": [words, job], "outcome": outcome}
    lines = list(show.status(picture_with(load, station[:64]), running=running, now=1_000_000.0))
    assert max(map(width_of, lines)) <= 80
    assert all(line.isprintable() for line in lines)
    coloured = show.status(picture_with(load, station[:64]), running=running, now=1e6, paint=colour.painted)
    assert [re.sub(r"\x1b\[[\d;]*m", "", line) for line in coloured] == lines, (
        "colour adds nothing but colour"
    )
    told = "".join("".join(lines).split())
    assert show.harmless("".join(words.split()).rstrip(".")) in told or phase in ("away", "released")


@pytest.mark.parametrize(
    ("choice", "terminal", "environment", "wanted"),
    [
        ("auto", True, {}, True),
        ("auto", True, {"NO_COLOR": "1"}, False),
        ("auto", True, {"NO_COLOR": ""}, True),
        ("auto", True, {"TERM": "dumb"}, False),
        ("auto", False, {}, False),
        ("always", False, {"NO_COLOR": "1"}, True),
        ("never", True, {}, False),
    ],
)
def test_colour_is_for_terminals_whose_user_has_not_declined_it(
    choice: colour.Choice, terminal: bool, environment: dict[str, str], wanted: bool
) -> None:
    """As https://no-color.org has it: a NO_COLOR that is there and not empty, whatever its value, means none,
    and an argument of the command line counts for more."""

    class Screen(io.StringIO):
        def isatty(self) -> bool:
            return terminal

    assert colour.wanted(choice, Screen(), environment) is wanted


def test_the_status_in_colour_and_without(station: Station) -> None:
    station.write_drive("KELP-1", {b"stray.enc": sealed(1_000, 1)})
    station.start()
    station.plug("bay-1", "KELP-1")
    station.wait_phase("KELP-1", "held")
    without = station.ingestd("status").stdout
    assert "\x1b" not in without, "no terminal, no colour"
    assert "held" in without
    coloured = station.ingestd("status", "--color", "always").stdout
    assert re.search(r"^\x1b\[1;31mbay-1 .*held.*\x1b\[0m$", coloured, re.MULTILINE)


# -- send ------------------------------------------------------------------------------------------


def announcement(station: Station, visit: Visit, **more: Any) -> bytes:
    data = {
        "job_id": visit.job_id,
        "version": 1,
        "tenant": TENANT,
        "drives": [{"serial": visit.serial}],
        "items": [],
        "destination": {"store": "archive", "prefix": f"{TENANT}/{visit.job_id}"},
        **more,
    }
    return station.notice("ingest.job.announced", data, f"{visit.job_id}-sent")


@pytest.mark.parametrize("by_file", [True, False], ids=["file", "standard input"])
def test_a_notice_that_is_sent_is_taken(quay: Station, say: Say, tmp_path: Path, by_file: bool) -> None:
    visit = Visit(quay, FILES).plug()
    body = announcement(quay, visit)
    (tmp_path / "notice.json").write_bytes(body)
    said = say(quay, "send", str(tmp_path / "notice.json") if by_file else "-", given=body)
    assert said == (0, "taken\n", "")
    assert visit.released()["outcome"] == "loaded"


def test_a_notice_with_problems_is_not_sent(quay: Station, say: Say) -> None:
    body = announcement(quay, Visit(quay, None), priority=11, tenant="", proof="total")
    before = sorted(quay.spool.rglob("*"))
    said = say(quay, "send", "-", given=body)
    assert (said.status, said.out) == (2, "")
    fields = [line.removeprefix("standard input: ").split(":")[0] for line in said.err.splitlines()]
    assert sorted(fields) == ["data.priority", "data.proof", "data.tenant"]
    assert sorted(quay.spool.rglob("*")) == before


def test_a_notice_that_this_station_cannot_take_is_not_sent(quay: Station, say: Say) -> None:
    body = announcement(quay, Visit(quay, None), destination={"store": "nowhere", "prefix": TENANT})
    said = say(quay, "send", "-", given=body)
    assert said.status == 2
    assert said.err.startswith("standard input: data.destination.store: no store named 'nowhere' here")


def test_a_notice_that_the_daemon_refuses_is_told(quay: Station, say: Say) -> None:
    visit = Visit(quay, FILES).announce().plug()
    visit.released()
    data = json.loads(announcement(quay, visit, version=2))["data"]
    said = say(quay, "send", "-", given=quay.notice("ingest.job.amended", data, f"{visit.job_id}-late"))
    assert said.status == 2
    assert said.err.startswith(f"refused: data.job_id: job {visit.job_id} is loaded already")


def test_a_file_that_is_not_there_is_named(quay: Station, say: Say) -> None:
    said = say(quay, "send", "/nowhere/notice.json")
    assert said == (2, "", "/nowhere/notice.json: cannot be read: No such file or directory\n")


def test_without_a_daemon_a_notice_waits_for_it(station: Station, say: Say) -> None:
    station.start()
    assert station.stop() == 0
    visit = Visit(station, FILES)
    said = say(station, "send", "-", given=announcement(station, visit))
    assert said.status == 0
    assert "the daemon is not running; it will read it when it starts" in said.out
    assert say(station, "lift", "bay-1") == (1, "", "ingestd: the daemon is not running; nothing was sent\n")
    visit.plug()
    station.start()
    assert visit.released()["outcome"] == "loaded"


def test_a_spool_that_is_not_there_is_named(station: Station, say: Say) -> None:
    station.spool.rmdir()
    said = say(station, "send", "-", given=announcement(station, Visit(station, None)))
    assert said.status == 1
    assert said.err.startswith(f"ingestd: the spool folder {station.spool}")


# -- assign and lift -------------------------------------------------------------------------------


def held(quay: Station, files: dict[bytes, bytes], reason: str, *, announced: bool) -> Visit:
    """A drive in its bay, held for this reason: whoever hears of it may decide at once."""
    visit = Visit(quay, files)
    if announced:
        visit.announce()
    visit.plug().held(reason)
    return visit


def test_an_unknown_drive_is_assigned_to_a_job(quay: Station, say: Say) -> None:
    visit = held(quay, FILES, "no-matching-job", announced=False)
    job = Visit(quay, None)
    job.announce(drives=[{"volume_label": f"label-{job.job_id}"}])
    assert say(quay, "assign", visit.bay, job.job_id, "--by", "ines") == (0, "taken\n", "")
    released = visit.released()
    assert (released["outcome"], released["job_id"]) == ("loaded", job.job_id)
    assert "ines" in visit.told("ingest.load.started")[0]["matched_by"]


def test_a_drive_cannot_be_assigned_to_a_job_that_nobody_announced(quay: Station, say: Say) -> None:
    visit = held(quay, FILES, "no-matching-job", announced=False)
    said = say(quay, "assign", visit.bay, "TW-nobody")
    assert said.status == 2
    assert said.err.startswith("refused: data.job_id: no job TW-nobody is known here; announce it first")
    visit.pull()


def test_a_doubt_is_accepted_and_the_load_goes_on(quay: Station, say: Say) -> None:
    visit = held(quay, DOUBTFUL, "doubtful", announced=True)
    assert say(quay, "lift", visit.bay, "--decision", "accept", "--by", "ines").status == 0
    assert visit.released()["outcome"] == "loaded"
    assert "ines" in visit.told("ingest.load.resumed")[-1]["text"]


def test_a_doubt_is_refused_and_the_job_fails(quay: Station, say: Say) -> None:
    visit = held(quay, DOUBTFUL, "doubtful", announced=True)
    assert say(quay, "lift", visit.bay, "--decision", "refuse", "--by", "ines").status == 0
    assert visit.released()["outcome"] == "failed"
    (failed,) = visit.told("ingest.job.failed")
    assert [f["code"] for f in failed["findings"]] == ["encryption-uncertain"]
    assert not visit.folder.exists()


def test_another_look_at_the_same_drive_comes_to_the_same_doubt(quay: Station, say: Say) -> None:
    visit = held(quay, DOUBTFUL, "doubtful", announced=True)
    assert say(quay, "lift", visit.bay).status == 0
    wait_for(lambda: len(visit.told("ingest.load.held")) == 2, what="held again")
    assert visit.told("ingest.load.held")[1]["findings"] == visit.told("ingest.load.held")[0]["findings"]


def test_an_unknown_drive_is_let_go(quay: Station, say: Say) -> None:
    visit = held(quay, FILES, "no-matching-job", announced=False)
    assert say(quay, "lift", visit.bay, "--decision", "refuse", "--by", "ines").status == 0
    assert visit.released()["outcome"] == "unclaimed"


def test_there_is_nothing_to_accept_where_nothing_is_doubtful(quay: Station, say: Say) -> None:
    visit = held(quay, FILES, "no-matching-job", announced=False)
    said = say(quay, "lift", visit.bay, "--decision", "accept")
    assert said.status == 2
    assert said.err.startswith("refused: data.decision: no job is known for this drive")
    visit.pull()


@pytest.mark.parametrize("reason", HoldReason)
def test_the_status_says_of_every_hold_what_may_be_done_next(reason: HoldReason) -> None:
    load = {"hold": str(reason), "bay": "bay-2", "phase": "held", "reason": "as it is", "tried": ()}
    known = {"drive": "HQ7K2M9A", "job_id": "TW-2041", "load_id": "quay-03.bay-2.x"}
    for bay, named in (("bay-2", "bay-2"), (None, "quay-03.bay-2.x")):
        picture = picture_with({**known, **load, "bay": bay}, "quay-03")
        words = " ".join(" ".join(show.status(picture, running=True, now=1_000_000.0)).split())
        _, _, following = words.partition(" next: ")
        assert f"ingestd lift {named}" in following or reason in (
            HoldReason.NO_MATCHING_JOB,
            HoldReason.SEVERAL_JOBS,
            HoldReason.ALREADY_DONE,
            HoldReason.CLAIMED_ELSEWHERE,
        )
        assert following


def test_a_hold_is_lifted_by_the_id_of_its_load_too(quay: Station, say: Say) -> None:
    visit = held(quay, DOUBTFUL, "doubtful", announced=True)
    load_id = visit.told("ingest.load.held")[0]["load_id"]
    assert say(quay, "lift", load_id, "--decision", "accept", "--by", "ines") == (0, "taken\n", "")
    assert visit.released()["outcome"] == "loaded"
    quay.wait_phase(visit.serial, "released")
    said = say(quay, "lift", load_id)
    assert said == (2, "", f"ingestd: load {load_id} is not held: it is loaded\n")
    visit.pull()


def test_what_is_held_without_a_drive_is_named_where_nothing_is_found() -> None:
    pulled = {"bay": None, "load_id": "quay-03.bay-2.x", "phase": "held", "outcome": None}
    plugged = {"bay": "bay-1", "load_id": "quay-03.bay-1.x", "phase": "loading", "outcome": None}
    picture = {"loads": [pulled, plugged]}
    assert tell._held_at("quay-03.bay-2.x", picture) == (pulled, "")
    assert tell._held_at("bay-2", picture) == (
        None,
        "there is no drive in bay-2; bays with a drive: bay-1; held without a drive: quay-03.bay-2.x",
    )


def test_a_bay_without_a_held_drive_is_named(quay: Station, say: Say) -> None:
    visit = Visit(quay, FILES).announce().plug()
    visit.released()
    quay.wait_phase(visit.serial, "released")
    said = say(quay, "lift", visit.bay)
    assert said == (2, "", f"ingestd: the drive in {visit.bay} is not held: it is loaded\n")
    said = say(quay, "assign", "bay-nowhere", visit.job_id)
    assert said.status == 2
    assert said.err.startswith("ingestd: there is no drive in bay-nowhere; bays with a drive: ")
    assert visit.bay in said.err


def test_who_has_no_name_on_this_host_can_decide_all_the_same(
    quay: Station, say: Say, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = held(quay, DOUBTFUL, "doubtful", announced=True)
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME", "SUDO_USER"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(os, "getuid", lambda: 54_321)
    assert say(quay, "lift", visit.bay, "--decision", "accept").status == 0
    assert visit.released()["outcome"] == "loaded"
    assert "uid 54321" in visit.told("ingest.load.resumed")[-1]["text"]
