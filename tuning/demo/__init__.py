"""The demo: an invented campus shuttle, its drive logs, and the main job done on them."""

from tuning.demo.shipped import CHANNELS, DATA, FIT_LOGS, KNOWN, VALIDATION_LOGS, known

__all__ = ["CHANNELS", "DATA", "FIT_LOGS", "KNOWN", "VALIDATION_LOGS", "known"]
