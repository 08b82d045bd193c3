"""Stations for tests, each with a daemon of its own that does not outlive its test."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.support.daemon import Station
from tests.support.told import complaints

MakeStation = Callable[..., Station]


@pytest.fixture
def make_station(tmp_path: Path) -> Iterator[MakeStation]:
    """Makes stations; when the test is over their daemons end, and all they have said is looked at."""
    made: list[Station] = []

    def make(root: Path = tmp_path, **settings: Mapping[str, Any]) -> Station:
        made.append(Station(root, **settings))
        return made[-1]

    yield make
    for station in made:
        station.end()
    for station in made:
        assert not complaints(station.events(), station.seen)


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Station]:
    """One running station for all tests of a module, for drives that come to visit."""
    station = Station(tmp_path_factory.mktemp("quay"), station={"progress_every_seconds": 0.1})
    station.start()
    yield station
    status = station.stop()
    assert not complaints(station.events(), station.seen)
    assert status == 0


@pytest.fixture
def station(make_station: MakeStation) -> Station:
    """A station as the configuration's defaults make it, its daemon not yet started."""
    return make_station()
