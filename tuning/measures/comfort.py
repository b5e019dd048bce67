"""What riders feel: lateral and longitudinal acceleration and jerk, raw and in the way of UN Regulation 79."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.signal import butter, sosfiltfilt

from tuning.measures.base import Array, Measure, Recording
from tuning.measures.tracking import peak, rms

__all__ = ["MEASURES", "lateral_comfort", "longitudinal_comfort", "r79_acceleration", "r79_jerk"]

_R79 = "UN Regulation 79: 4th-order Butterworth at 0.5 Hz, here forward and backward on recorded data"
_OWN = "common practice, no source"
_LATERAL, _LONGITUDINAL = "lateral acceleration", "longitudinal acceleration"

MEASURES = (
    Measure("lateral_acceleration_r79", "m/s²", f"largest {_LATERAL}, filtered", _R79),
    Measure("lateral_jerk_r79", "m/s³", "largest half-second mean of the lateral jerk, filtered", _R79),
    Measure("lateral_acceleration_max", "m/s²", f"largest {_LATERAL}, raw", _OWN),
    Measure("lateral_acceleration_rms", "m/s²", f"root mean square of the {_LATERAL}, raw", _OWN),
    Measure("lateral_jerk_max", "m/s³", "largest lateral jerk, raw", _OWN),
    Measure("lateral_jerk_rms", "m/s³", "root mean square of the lateral jerk, raw", _OWN),
    Measure("longitudinal_acceleration_max", "m/s²", f"largest {_LONGITUDINAL}, raw", _OWN),
    Measure("longitudinal_acceleration_rms", "m/s²", f"root mean square of the {_LONGITUDINAL}, raw", _OWN),
    Measure("longitudinal_jerk_max", "m/s³", "largest longitudinal jerk, raw", _OWN),
    Measure("longitudinal_jerk_rms", "m/s³", "root mean square of the longitudinal jerk, raw", _OWN),
)

_ORDER, _CUT_OFF = 4, 0.5  # Hz
_WINDOW = 0.5  # s, of the moving average of the jerk
# s: the record is carried on by its point reflection at either end, for as long as the filter remembers. Its
# slowest poles decay with 1/(2π 0.5 sin 22.5°) = 0.83 s: what is beyond counts by exp(−6/0.83) < 0.1 %.
_PADDING = 6.0


@lru_cache(maxsize=16)
def _filter(rate: float) -> Array:
    return np.asarray(butter(_ORDER, _CUT_OFF, fs=rate, output="sos"))


def r79_acceleration(acceleration: Array, rate: float) -> Array:
    """Filter a recorded lateral acceleration (m/s², shape (n,), `rate` samples a second) without delay.

    Forward and backward the gain is that of the filter squared: 1/2 at the cut-off. A causal filter, as on
    board, delays by 0.83 s, which would compare badly with the raw record.
    """
    padding = min(int(_PADDING * rate), acceleration.size - 1)
    return sosfiltfilt(_filter(round(rate, 6)), acceleration, padlen=padding)


def r79_jerk(filtered: Array, rate: float) -> Array:
    """Give the half-second moving average of the derivative of a filtered acceleration, m/s³.

    The mean of a derivative over a window is the difference of its ends over its length, so no derivative is
    taken. Shape (n − window,), or (1,) where the record is shorter than the window.
    """
    window = min(max(round(_WINDOW * rate), 1), filtered.size - 1)
    return (filtered[window:] - filtered[:-window]) * (rate / window)


def lateral_comfort(record: Recording) -> dict[str, float]:
    """Give lateral acceleration (m/s²) and jerk (m/s³) in the UN R79 way and raw, over the whole run."""
    raw = record.lateral_acceleration
    filtered = r79_acceleration(raw, record.rate)
    return {
        "lateral_acceleration_r79": peak(filtered),
        "lateral_jerk_r79": peak(r79_jerk(filtered, record.rate)),
        **_raw("lateral", raw, record.rate),
    }


def longitudinal_comfort(record: Recording) -> dict[str, float]:
    """Give longitudinal acceleration (m/s²) and jerk (m/s³), raw, over the whole run."""
    return _raw("longitudinal", record.longitudinal_acceleration, record.rate)


def _raw(direction: str, acceleration: Array, rate: float) -> dict[str, float]:
    jerk = np.diff(acceleration) * rate
    return {
        f"{direction}_acceleration_max": peak(acceleration),
        f"{direction}_acceleration_rms": rms(acceleration),
        f"{direction}_jerk_max": peak(jerk),
        f"{direction}_jerk_rms": rms(jerk),
    }
