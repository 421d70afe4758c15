"""Logs go to stderr: for eyes on a terminal, as JSON lines to whatever collects them otherwise."""

from __future__ import annotations

import logging
import sys
from typing import TextIO

import structlog
from structlog.typing import Processor

_SHARED: tuple[Processor, ...] = (
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.stdlib.add_logger_name,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    structlog.processors.StackInfoRenderer(),
)


def set_up_logs(stream: TextIO | None = None) -> None:
    """Send what this program and its libraries log to `stream` (stderr), warnings of Python itself included.

    Ours from level info on, libraries' from level warning on.
    """
    out = sys.stderr if stream is None else stream
    render: tuple[Processor, ...]
    if out.isatty():
        render = (structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback),)
    else:
        render = (structlog.processors.format_exc_info, structlog.processors.JSONRenderer(ensure_ascii=False))
    formatter = structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=_SHARED,
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *render],
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(formatter)
    logging.basicConfig(handlers=[handler], level=logging.WARNING, force=True)
    logging.getLogger("gaugepost").setLevel(logging.INFO)
    logging.captureWarnings(True)
    structlog.configure(
        processors=[*_SHARED, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
