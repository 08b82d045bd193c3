"""Logs: one JSON object a line when nobody watches, short coloured lines on a terminal.

Every line has an `event`, a stable snake_case name; what it is about (load, job, bay) is bound, not
formatted in. Names of customers' files never appear above debug. Set up once, here.
"""

from __future__ import annotations

import logging
import os
import sys
import traceback
from typing import Literal, TextIO

import structlog
from structlog.typing import FilteringBoundLogger, Processor

Format = Literal["auto", "json", "text"]

_LINE_MAX = 8_000
"""Characters of one value; the service journal splits lines of more than 48 KiB."""


_FRAMES_MAX = 12


def set_up(level: str, form: Format, stream: TextIO | None = None) -> None:
    """Configure structlog for the process; may be called again to change the level."""
    stream = stream if stream is not None else sys.stderr
    human = form == "text" or (form == "auto" and stream.isatty())
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _shorten,
            _in_order,
            _renderer(human, stream.isatty() and not os.environ.get("NO_COLOR")),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.WriteLoggerFactory(file=stream),
        cache_logger_on_first_use=False,
    )


def get() -> FilteringBoundLogger:
    logger: FilteringBoundLogger = structlog.get_logger()
    return logger


def broke(event: str, error: BaseException, **about: object) -> None:
    """Log an error that nobody foresaw: where it came from, but not its message, which may name files.

    The message follows at debug level.
    """
    frames = traceback.extract_tb(error.__traceback__)
    where = [f"{os.path.basename(frame.filename)}:{frame.lineno} {frame.name}" for frame in frames]
    get().error(event, error=type(error).__name__, where=where[-_FRAMES_MAX:], **about)
    get().debug(f"{event}_because", error=str(error), **about)


def _renderer(human: bool, colours: bool) -> Processor:
    if human:
        return structlog.dev.ConsoleRenderer(colors=colours, pad_event_to=28)
    return structlog.processors.JSONRenderer()


def _in_order(_logger: object, _method: str, line: structlog.typing.EventDict) -> structlog.typing.EventDict:
    """When, how grave and what come first."""
    first = {key: line[key] for key in ("timestamp", "level", "event") if key in line}
    return {**first, **line}


def _shorten(_logger: object, _method: str, line: structlog.typing.EventDict) -> structlog.typing.EventDict:
    return {
        key: value[:_LINE_MAX] + "…" if isinstance(value, str) and len(value) > _LINE_MAX else value
        for key, value in line.items()
    }
