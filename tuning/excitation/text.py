"""A plan in words: its drives, what they will tell, and what to mind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tuning.identification.advice import advice_for

if TYPE_CHECKING:
    from tuning.excitation.plan import ExcitationPlan

__all__ = ["CAUTIONS", "DRIVE_HEAD", "VALUE_HEAD", "drive_rows", "plan_text", "value_rows"]

CAUTIONS = (
    "Closed course only: nobody but the crew on the ground or beside it, and level, dry, even ground.",
    "A trained safety driver at the controls, who takes over at once when the vehicle leaves the ground shown.",
    "A working stop device, tested before the first drive and within reach of the safety driver.",
    "Local codes and licensed practice come first; this plan is a simulation and no permission.",
    "Slowest drives first; after each, compare with the picture before going on.",
    "Turn round by hand between the drives, and put the vehicle on the start mark, pointing along the length.",
)


def drive_rows(plan: ExcitationPlan) -> list[tuple[str, ...]]:
    """Give a row for each drive: name, times, s, ground from-to along and across, run-up, stopping, peaks."""
    rows = []
    for drive, ground in zip(plan.drives, plan.grounds, strict=True):
        left, right, low, high = ground.box
        rows.append(
            (
                drive.name,
                f"{drive.repeats}",
                f"{drive.duration:.0f}",
                f"{right - left:.0f} x {high - low:.1f}",
                f"{ground.start[0]:.1f}, {round(ground.start[1], 1) + 0.0:+.1f}",
                f"{ground.run_up:.0f}",
                f"{ground.stopping:.0f}",
                f"{ground.peaks['speed']:.1f}",
                f"{ground.peaks['lateral_acceleration']:.2f}",
                f"{ground.peaks['steering_rate']:.2f}",
            )
        )
    return rows


def value_rows(plan: ExcitationPlan) -> list[tuple[str, ...]]:
    """Give a row for each needed value: name, unit, nominal, expected half-width, for the worst variant, needed, verdict."""
    table = plan.foreseen.values
    rows = []
    for name, (wide, need) in plan.expected.items():
        row = table.loc[name]
        verdict = "determined" if wide <= need else "NOT determined"
        rows.append((name, f"{row['unit']}", f"{row['value']:.4g}", f"{row['half_width']:.2g}", f"{wide:.2g}",
                     f"{need:.2g}", verdict))  # fmt: skip
    return rows


DRIVE_HEAD = ("drive", "times", "s", "ground m", "start mark m", "run-up m", "stop m", "m/s", "m/s²", "rad/s")
VALUE_HEAD = ("value", "unit", "nominal", "± 95 %", "cautious", "needed", "")


def plan_text(plan: ExcitationPlan) -> str:
    """Give a plan as readable text."""
    runs = sum(drive.repeats for drive in plan.drives)
    lines = [
        f"{runs} drives of together {plan.duration:.0f} s in {plan.space.length:g} m by {plan.space.width:g} m, within "
        f"{plan.limits.speed:g} m/s and {plan.limits.lateral_acceleration:g} m/s² (peaks over all variants):",
        "",
        *_table(DRIVE_HEAD, drive_rows(plan)),
        "",
        *_table(VALUE_HEAD, value_rows(plan)),
        "",
        *(f"- {text}" for text in plan.findings),
        *(f"- {text}" for text in advice_for(plan.undetermined)),
        "",
        *(f"! {text}" for text in CAUTIONS),
    ]
    return "\n".join(lines)


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(cells[i]) for cells in (head, *rows)) for i in range(len(head))]
    return [
        "  ".join(
            c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True))
        ).rstrip()
        for cells in (head, *rows)
    ]
