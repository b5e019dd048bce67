"""An excitation plan: drives that fit a space and limits, and what they will tell."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath

from tuning.excitation.drives import Drive
from tuning.excitation.ground import Ground
from tuning.excitation.space import Limits, Size, Space
from tuning.identification.foreseen import Foreseen

__all__ = ["ExcitationPlan"]


@dataclass(frozen=True)
class ExcitationPlan:
    """Drives that fit, and what they will tell.

    Attributes:
        drives: from the slowest to the fastest, each from standstill to standstill.
        grounds: what each sweeps, for the nominal vehicle and its variants.
        foreseen: what the drives tell of the nominal vehicle.
        expected: value -> expected half-width of the 95 % interval for the worst variant, with the factor of caution in
            it, and the half-width that is needed.
        undetermined: needed values that the best plan that fits leaves too wide.
        space, limits, size: what was planned for.
        findings: in plain words.
        outputs: what the logs must measure, besides the speed.
        interface: what the vehicle's steering takes.
    """

    drives: tuple[Drive, ...]
    grounds: tuple[Ground, ...]
    foreseen: Foreseen
    expected: dict[str, tuple[float, float]]
    undetermined: tuple[str, ...]
    space: Space
    limits: Limits
    size: Size
    findings: tuple[str, ...]
    outputs: tuple[str, ...]
    interface: str

    @property
    def duration(self) -> float:
        """Of all drives with their repeats, s; turning round between them comes on top."""
        return sum(drive.duration * drive.repeats for drive in self.drives)

    def table(self) -> str:
        """Give a readable table: drives with their ground, values with expected half-widths, findings."""
        from tuning.excitation.text import plan_text

        return plan_text(self)

    def __str__(self) -> str:
        return self.table()

    def save(self, folder: str | FilePath) -> list[FilePath]:
        """Write one CSV of commands a drive, a channel file, the pictures of the ground and a card; give the files."""
        from tuning.excitation.saving import save_plan

        return save_plan(self, FilePath(folder))
