"""A store is looked at though no load needs it, so that what is said of it is true."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import pytest

from ingestd.ports import Store, StoreUnreachable
from ingestd.runtime.store_looks import StoreLooks
from ingestd.store.folder import FolderStore
from ingestd.store.s3_circuit import FAILURES
from tests.support import s3_servers
from tests.support.daemon import wait_for
from tests.support.fault_proxy import FaultProxy


@contextmanager
def looking(store: Store) -> Iterator[None]:
    looks = StoreLooks(store, every_s=0.02)
    looks.start()
    try:
        yield
    finally:
        looks.stop()


def test_a_folder_that_goes_is_down_and_one_that_comes_back_is_up(tmp_path: Path) -> None:
    folder, away = tmp_path / "archive", tmp_path / "away"
    folder.mkdir()
    store = FolderStore("archive", str(folder))
    with looking(store):
        folder.rename(away)
        wait_for(lambda: store.trouble, what="the trouble")
        assert str(folder) in (store.trouble or "")
        away.rename(folder)
        wait_for(lambda: store.trouble is None, what="the end of the trouble")
    assert list(folder.iterdir()) == []


def test_a_bucket_that_answers_again_is_up() -> None:
    server = s3_servers.shared("moto")
    with FaultProxy(server.url) as proxy:
        store = s3_servers.open_store(server, "tides", endpoint=proxy.url)
        proxy.choose = lambda seen: "reset"
        with looking(store):
            wait_for(lambda: store.trouble, what=f"{FAILURES} failures")
            proxy.choose = lambda seen: None
            wait_for(lambda: store.trouble is None, what="the end of the trouble")


def test_a_bucket_is_swept_again_and_again_while_it_is_well() -> None:
    """What was too young when the station started, or out of reach, grows old unnoticed otherwise."""
    server, sweeps = s3_servers.shared("moto"), list[str | None]()
    with FaultProxy(server.url) as proxy:
        store = s3_servers.open_store(server, "tides", endpoint=proxy.url)
        looks = StoreLooks(store, every_s=0.02, sweep=lambda: sweeps.append(store.trouble), sweep_every=3)
        looks.start()
        try:
            wait_for(lambda: len(sweeps) >= 2, what="two sweeps")
            proxy.choose = lambda seen: "reset"
            wait_for(lambda: store.trouble, what="the trouble")
            proxy.choose = lambda seen: None
            before = len(sweeps)
            wait_for(lambda: len(sweeps) > before, what="another one")
        finally:
            looks.stop()
    assert set(sweeps) == {None}


class Surprising:
    name = "archive"

    def __init__(self) -> None:
        self.looks = 0

    def stat(self, key: bytes) -> None:
        self.looks += 1
        raise ZeroDivisionError if self.looks % 2 else StoreUnreachable("dark")


def test_what_a_look_raises_costs_that_look() -> None:
    store = Surprising()
    with looking(cast(Store, store)):
        wait_for(lambda: store.looks > 4, what="more looks")


@pytest.mark.timeout(60)
def test_a_look_that_hangs_is_not_waited_for() -> None:
    begun, ever = threading.Event(), threading.Event()

    class Hanging:
        name = "archive"

        def stat(self, key: bytes) -> None:
            begun.set()
            ever.wait()

    with looking(cast(Store, Hanging())):
        assert begun.wait(30)
    ever.set()
