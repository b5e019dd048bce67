"""What a check of the channels against physics has to say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Finding", "Severity"]

Severity = Literal["doubt", "finding"]


@dataclass(frozen=True)
class Finding:
    """One thing that the channels of the logs show.

    Attributes:
        kind: what kind of thing, one word for programs: "sign", "unit", "size", "delay", "drift", "frame", "reverse",
            "clock", "mounting", "wheels", "stuck", "dropout", "spike", "saturation", "resolution", "offset", "rate".
        channels: the quantities concerned, the likely culprit first.
        text: channel, evidence in numbers and likely remedy, in plain words.
        severity: "doubt", where what is built on the channels must not be trusted, or "finding", worth knowing.
    """

    kind: str
    channels: tuple[str, ...]
    text: str
    severity: Severity = "doubt"

    @property
    def is_doubt(self) -> bool:
        """Whether it forbids trust."""
        return self.severity == "doubt"
