"""Whether drive logs are fit for identification, before anything is fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tracks.errors import InputError
from tuning.health.channels import ChannelHealth, LogHealth, channels_of, logs_of
from tuning.health.coverage import Coverage, coverage_of
from tuning.health.manoeuvres import Manoeuvres, Thresholds, manoeuvres_of
from tuning.health.missing import missing_from
from tuning.health.spectra import Spectrum, spectra_of
from tuning.identification.foresee import foresee
from tuning.identification.known import resolve
from tuning.identification.speeds import with_speed
from tuning.logs.log import Log
from tuning.logs.physics import Finding, check_physics
from tuning.logs.physics.resampled import evenly
from tuning.text import number, spoken, text_table

if TYPE_CHECKING:
    from tuning.identification.foreseen import Foreseen

__all__ = ["Health", "examine"]


@dataclass(frozen=True)
class Health:
    """What drive logs hold, whether they can be trusted, and what they can tell.

    Attributes:
        logs: clocks and gaps. channels: every quantity of every log.
        physics: what the channels show against physics, doubts first (`tuning.logs.physics`).
        findings: what the reader of the logs mended or noticed.
        manoeuvres: seconds by kind of driving; None where no stretch is long enough. thresholds: what counts as what.
        coverage: seconds by speed and lateral acceleration, or None likewise.
        spectra: command and answer by frequency.
        foreseen: which values the logs can tell, before any fit; None where that cannot be said, see `unforeseen`.
        unforeseen: why not.
        advice: what to drive, record or mend next.
    """

    logs: tuple[LogHealth, ...]
    channels: tuple[ChannelHealth, ...]
    physics: tuple[Finding, ...]
    findings: tuple[str, ...]
    manoeuvres: Manoeuvres | None
    thresholds: Thresholds
    coverage: Coverage | None
    spectra: tuple[Spectrum, ...]
    foreseen: Foreseen | None
    unforeseen: str
    advice: tuple[str, ...]

    @property
    def doubts(self) -> tuple[str, ...]:
        """What forbids trust, in plain words."""
        return tuple(finding.text for finding in self.physics if finding.is_doubt)

    @property
    def trusted(self) -> bool:
        """Whether no doubt stands."""
        return not self.doubts

    def text(self) -> str:
        """Give everything as plain text for a terminal."""
        return "\n".join(_lines(self))

    def data(self) -> dict[str, Any]:
        """Give everything as plain values, arrays included."""
        foreseen = self.foreseen
        return {
            "trusted": self.trusted,
            "doubts": list(self.doubts),
            "physics": [asdict(finding) for finding in self.physics],
            "findings": list(self.findings),
            "logs": [asdict(log) for log in self.logs],
            "channels": [asdict(channel) for channel in self.channels],
            "manoeuvres": dict(self.manoeuvres.items()) if self.manoeuvres else None,
            "thresholds": asdict(self.thresholds),
            "coverage": asdict(self.coverage) if self.coverage else None,
            "spectra": [asdict(spectrum) for spectrum in self.spectra],
            "values": foreseen.values.reset_index().to_dict("records") if foreseen is not None else None,
            "only_together": [list(group) for group in foreseen.together] if foreseen is not None else [],
            "unforeseen": self.unforeseen,
            "advice": list(self.advice),
        }


def examine(
    logs: Log | Sequence[Log],
    known: Mapping[str, Any] | None = None,
    thresholds: Thresholds | None = None,
) -> Health:
    """Look at drive logs before anything is fitted: contents, physics, manoeuvres, coverage, excitation, what they can tell.

    Args:
        logs: drives, in SI units as their channel file claims.
        known: what is known of the vehicle, by field or dotted name, SI, as in `identify`.
        thresholds: what counts as a curve, a standstill and so on; None for the usual judgements.

    Raises:
        InputError: no log, or a known value that no vehicle has.
    """
    drives = [logs] if isinstance(logs, Log) else list(logs)
    if not drives:
        raise InputError("examine was given no log", "one or more", "read a drive with read_log")
    values, limits = resolve(known), thresholds or Thresholds()
    findings = [f"{log.name}: {text}" for log in drives for text in log.findings]
    physics = check_physics(drives, values)
    moved = [_with_speed(log) for log in drives]
    stretches = evenly(moved)
    # Without a speed, standing and driving cannot be told apart.
    told = [s for s in stretches if moved[s.log].has("speed")]
    manoeuvres = manoeuvres_of(told, values, limits) if told else None
    coverage = coverage_of(told, values) if told else None
    spectra = spectra_of([log for log in moved if log.has("speed")])
    foreseen, why = _forecast(drives, known, physics)
    advice = missing_from(moved, manoeuvres, coverage, spectra)
    if foreseen is not None:
        advice = (*advice, *foreseen.advice)
        findings += foreseen.findings
    return Health(
        logs_of(drives), channels_of(drives), physics, tuple(dict.fromkeys(findings)), manoeuvres, limits, coverage, spectra,
        foreseen, why, advice,
    )  # fmt: skip


def _with_speed(log: Log) -> Log:
    try:
        return with_speed(log, [])
    except InputError:
        return log


def _forecast(
    drives: Sequence[Log], known: Mapping[str, Any] | None, physics: Sequence[Finding]
) -> tuple[Foreseen | None, str]:
    """Say what the logs can tell; not of channels that are in doubt, and not where a fit would refuse them anyway."""
    if any(finding.is_doubt for finding in physics):
        return (
            None,
            "not judged while a doubt stands: wrong channels would be taken for what they claim to be",
        )
    try:
        return foresee(drives, known), ""
    except InputError as error:
        return None, str(error)


def _lines(health: Health) -> list[str]:
    rows = [
        (c.log, c.quantity, _rate(c), number(c.low), number(c.high), number(c.resolution), _noise(c), c.unit)
        for c in health.channels
    ]
    heads = ("log", "quantity", "fresh, Hz", "least", "largest", "resolution", "noise", "unit")
    lines = [text_table(heads, rows, words=(0, 1, 7)), ""]
    for log in health.logs:
        gaps = f", {len(log.gaps)} gaps of its clock" if log.gaps else ""
        lines.append(f"{log.name}: {log.duration:.1f} s, {log.samples} samples at {log.rate:.4g} Hz{gaps}")
    if health.manoeuvres is not None:
        kinds = [(spoken(name), f"{seconds:.1f}") for name, seconds in health.manoeuvres.items()]
        lines += ["", text_table(("driving", "seconds"), kinds)]
    for s in health.spectra:
        lines.append(
            f"{spoken(s.command)} to {spoken(s.answer)}: excited up to {number(s.excited_to)} Hz (95 % of its power), answer above "
            f"noise up to {number(s.bandwidth)} Hz"
        )
    lines += ["", *_told(health)]
    sections = (("Doubts", health.doubts), ("Worth knowing", _worth_knowing(health)), ("Next", health.advice))
    for title, texts in sections:
        if texts:
            lines += ["", f"{title}:", *(f"  {'!' if title == 'Doubts' else '-'} {text}" for text in texts)]
    lines += [
        "",
        "No doubt stands." if health.trusted else "Do not fit these logs before the doubts are cleared.",
    ]
    return lines


def _told(health: Health) -> list[str]:
    """Give the values that the logs can tell, as a table."""
    if health.foreseen is None:
        return [f"What the logs can tell: {health.unforeseen}"]
    heads = ("value", "nominal", "± 95 %, at best", "needed", "unit", "verdict")
    rows = [
        (
            str(row["name"]), *(number(float(row[n])) for n in ("value", "half_width", "needed")), str(row["unit"]),
            str(row["verdict"]),
        )
        for row in health.foreseen.values.reset_index().to_dict("records")
    ]  # fmt: skip
    together = [f"only together: {' and '.join(group)}" for group in health.foreseen.together]
    return [text_table(heads, rows, words=(0, 4, 5)), *together]


def _worth_knowing(health: Health) -> tuple[str, ...]:
    return (*(f.text for f in health.physics if not f.is_doubt), *health.findings)


def _rate(channel: ChannelHealth) -> str:
    if not np.isfinite(channel.rate):
        return "-"
    return f"{number(channel.rate)}{' held' if channel.held else ''}"


def _noise(channel: ChannelHealth) -> str:
    if not channel.noise_from:
        return "-"
    return f"{number(channel.noise)}{'' if channel.noise_from == 'standstill' else ' ~'}"
