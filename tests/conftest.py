"""What all tests share: how Hypothesis looks for counterexamples, and what a skipped test means."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator, Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.support.broker import Broker, VirtualHost, running_broker

# A machine that several people use at once is slow now and then: no example is wrong for that.
settings.register_profile(
    "here", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
# A build finds the same on every run; what is new is found at people's desks.
settings.register_profile("build", settings.get_profile("here"), derandomize=True, database=None)
settings.load_profile("build" if os.environ.get("CI") else "here")

# A shell starts what it does not wait for with this ignored, and so would be every daemon started here.
signal.signal(signal.SIGINT, signal.default_int_handler)

_NOT_FOR_THIS_MACHINE = "needs a kernel without"
"""Begins the reason of a test that has nothing to test here, as opposed to nothing to test it with."""


@pytest.fixture(scope="session")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """A real RabbitMQ, started once."""
    with running_broker(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


@pytest.fixture
def virtual_host(broker: Broker) -> VirtualHost:
    """A place in the broker for one test, with everything in it that a station expects."""
    return broker.virtual_host()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In a build, a test that could not run for lack of something is a failure."""
    report = yield
    if os.environ.get("CI") and report.skipped and isinstance(report.longrepr, tuple):
        reason = report.longrepr[2].removeprefix("Skipped: ")
        if not reason.startswith(_NOT_FOR_THIS_MACHINE):
            report.outcome = "failed"
            report.longrepr = f"could not run: {reason}"
    return report


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite", action="store_true", help="write the answers that are kept as text anew")


@pytest.fixture
def rewrite(request: pytest.FixtureRequest) -> bool:
    """Whether answers that are kept as text are to be written anew; read the difference."""
    return bool(request.config.getoption("--rewrite", default=False))
