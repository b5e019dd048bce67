"""What a command says: results on standard output, everything else on standard error."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["BAD_INPUT", "BROKEN_LIMIT", "DONE", "FAULT", "INTERRUPTED", "as_json_text", "deliver", "say"]

DONE = 0
BROKEN_LIMIT = 1
BAD_INPUT = 2
FAULT = 3  # of pathtrim itself: neither of the two that a script may act on
INTERRUPTED = 130  # 128 + SIGINT, as shells count


def say(text: str) -> None:
    """Put a message on standard error, where it cannot spoil a result."""
    print(text, file=sys.stderr, flush=True)


def deliver(text: str, data: Mapping[str, Any], as_json: bool) -> None:
    """Put the result on standard output: the text for people, or one JSON object and nothing else."""
    try:
        print(as_json_text(data) if as_json else text, flush=True)
    except BrokenPipeError:
        # Whoever read the output has gone (`| head`). What Python still flushes at its end must go somewhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def as_json_text(data: Mapping[str, Any]) -> str:
    """Give plain values as JSON text that every reader takes; numbers that are not finite become null."""
    return json.dumps(_plain(data), ensure_ascii=False, indent=1, allow_nan=False)


def _plain(value: Any) -> Any:
    """Turn arrays, paths and tuples into what JSON knows; numbers that are not finite become null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(entry) for key, entry in value.items()}
    if isinstance(value, (str, bool, int)) or value is None:
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, (Sequence, set, frozenset)):
        return [_plain(entry) for entry in value]
    return str(value)
