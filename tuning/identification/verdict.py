"""What an identification is good for, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tuning.identification.fitted import SECOND_ORDER
from tuning.identification.known import NOT_VEHICLE
from tuning.identification.result import Row

__all__ = ["undetermined_of", "verdict_of", "weak_of"]


def undetermined_of(rows: Sequence[Row]) -> tuple[str, ...]:
    """Give the names of the vehicle's values that the logs do not tell, of the rows of what was fitted."""
    return tuple(row.name for row in rows if row.verdict == "not" and _matters(row.name))


def weak_of(rows: Sequence[Row]) -> tuple[str, ...]:
    """Give the names of the vehicle's values that are known, but not as well as tuning wants them."""
    return tuple(row.name for row in rows if row.verdict == "weakly" and _matters(row.name))


def _matters(name: str) -> bool:
    """Say whether tuning stands on a value: not on sensors and roads, and on ω and ζ only through their lag."""
    return name.split(".")[0] not in NOT_VEHICLE and name not in SECOND_ORDER


def verdict_of(
    doubts: Sequence[str],
    undetermined: Sequence[str],
    weak: Sequence[str],
    validation: Mapping[str, Mapping[str, float]],
) -> str:
    """Give the verdict, the heaviest reason first.

    Args:
        doubts: why logs or fit are not to be believed.
        undetermined, weak: names of values.
        validation: output -> agreement on held-out driving.
    """
    fits = ", ".join(
        f"{name.replace('_', ' ')} {numbers['fit_percent']:.0f} %" for name, numbers in validation.items()
    )
    if doubts:
        return f"Not to be trusted: {doubts[0]}."
    if undetermined:
        return (
            f"Not to be tuned on yet: these logs do not tell {', '.join(undetermined)}; what stands there is a guess with "
            "a wide interval. Drive what the advice says, or give what is known."
        )
    if weak:
        return (
            f"To be used with care: {', '.join(weak)} could be known better; tune against draws from the intervals. "
            f"Held-out driving is predicted: {fits}."
        )
    return f"Good to tune on within its intervals. Held-out driving is predicted: {fits}."
