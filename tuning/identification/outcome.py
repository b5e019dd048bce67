"""The outcome of an identification put together from its parts, whatever was fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from numpy.typing import NDArray

from tuning.identification.advice import advice_for
from tuning.identification.draws import Drawing
from tuning.identification.quality import Trace, agreement
from tuning.identification.result import Identified, Row
from tuning.identification.traces import joined
from tuning.identification.verdict import undetermined_of, verdict_of, weak_of
from tuning.vehicle import Vehicle

__all__ = ["agreements", "outcome_of"]


def agreements(traces: Mapping[str, Trace]) -> dict[str, dict[str, float]]:
    """Give the measures of agreement of each output."""
    return {name: agreement(trace.measured, trace.simulated) for name, trace in traces.items()}


def outcome_of(
    vehicle: Vehicle,
    fitted: Sequence[Row],
    more: Sequence[Row],
    covariance: tuple[list[str], NDArray],
    held_out: dict[str, Trace],
    trained: dict[str, Trace],
    apart: bool,
    words: str,
    findings: Sequence[str],
    doubts: Sequence[str],
    drawing: Drawing,
) -> Identified:
    """Give the outcome.

    Args:
        vehicle: with its provenance.
        fitted, more: rows of what was fitted, and of what was known or assumed.
        covariance: names and covariance of what was fitted.
        held_out, trained: traces by output, of what the fit was judged by and of what it was made of.
        apart: whether the two share no driving.
        words: how the former was chosen.
        findings, doubts: in plain words.
        drawing: what vehicles are drawn from.
    """
    import pandas as pd  # slow to import, and needed only here

    names, matrix = covariance
    columns = list(Row.__dataclass_fields__)
    table = pd.DataFrame([vars(row) for row in (*fitted, *more)], columns=columns).set_index("name")
    validation, undetermined = agreements(held_out), undetermined_of(fitted)
    return Identified(
        vehicle=vehicle,
        parameters=table,
        covariance=pd.DataFrame(matrix, names, names),
        validation=validation,
        training=agreements(trained),
        held_out=words,
        findings=tuple(findings),
        traces=held_out,
        doubts=tuple(doubts),
        undetermined=undetermined,
        advice=advice_for(undetermined),
        verdict=verdict_of(doubts, undetermined, weak_of(fitted), validation),
        driving=joined(trained, held_out) if apart else trained,
        _drawing=drawing,
    )
