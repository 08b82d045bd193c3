"""`pytest tests/core --rewrite` writes the answers of the scenarios anew; read the difference."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite", action="store_true", help="write the answers of the scenarios anew")


@pytest.fixture
def rewrite(request: pytest.FixtureRequest) -> bool:
    # The option is unknown when this folder is not among pytest's arguments.
    return bool(request.config.getoption("--rewrite", default=False))
