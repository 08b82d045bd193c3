"""A load's manifest, whose calls are never taken for a read that hangs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

from ingestd.ports import Manifest
from ingestd.runtime.effects import Token


def uncounted(manifest: Manifest, token: Token) -> Manifest:
    """The same manifest; while it waits for the journal, `token` does not count as standing still."""
    return cast(Manifest, _Uncounted(manifest, token))


class _Uncounted:
    def __init__(self, manifest: Manifest, token: Token) -> None:
        self._manifest = manifest
        self._token = token

    def __getattr__(self, name: str) -> Callable[..., Any]:
        method = getattr(self._manifest, name)

        def call(*args: Any, **more: Any) -> Any:
            with self._token.not_counted():
                return method(*args, **more)

        return call
