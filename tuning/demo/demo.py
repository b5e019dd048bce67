"""The main job from end to end on the shuttle's logs: identify, tune, compare, export, report."""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any, NamedTuple

import tracks
from tracker import LAWS
from tracks.file_access import write_atomically
from tuning.demo.shipped import CHANNELS, FIT_LOGS, VALIDATION_LOGS, known
from tuning.exporting import export
from tuning.identification import Identified, identify
from tuning.logs import Channels, read_log
from tuning.measures import Limits
from tuning.report import write_report
from tuning.search import Comparison, Study, compare, tune
from tuning.simulation import Scenario

__all__ = ["DemoResult", "run_demo"]

NAME = "Campus shuttle (invented)"
_WIDTH = 128  # characters of a printed line, about that of the table


# Circumstances that decide gains. Steering is later by 0.08 s, in the comparison by 0.05 s, so that the gains found are
# not the last ones before the loop becomes unstable there.
_OFF = Scenario(name="off the path", lateral_offset=0.36)
_LATE = Scenario(name="much later steering", extra_dead_time=0.08)
_BOTH = Scenario(name="off the path, much later steering", lateral_offset=0.36, extra_dead_time=0.08)


class _Budget(NamedTuple):
    """Candidates of the sweep, of the refinement at most, and the scenarios that each of them drives."""

    candidates: int
    refine: int
    scenarios: tuple[Scenario, ...]


# The demo must end in about a minute on two slow cores. A closed-form law runs compiled, a predictive one solves a
# programme at every step; it has fewer candidates, and is near its best with hardly any tuning.
_BUDGETS = {
    "PurePursuit": _Budget(32, 20, (_OFF, _LATE)),
    "Stanley": _Budget(32, 20, (_OFF, _LATE)),
    "PreviewLQR": _Budget(16, 10, (_OFF, _LATE)),
    "MPC": _Budget(8, 4, (_BOTH,)),
}


@dataclass
class DemoResult:
    """What the demo found and wrote.

    Attributes:
        folder: with everything.
        found: the identified vehicle. studies: one a law. comparison: of the tuned laws.
        files: as shown, relative to the folder -> what they hold.
        seconds: stage -> time taken, s.
    """

    folder: FilePath
    found: Identified
    studies: list[Study]
    comparison: Comparison
    files: dict[str, str]
    seconds: dict[str, float]

    def text(self) -> str:
        """Give the table of the comparison, where everything is, and how long it took."""
        width = max(len(name) for name in self.files)
        stages = ", ".join(f"{stage} {seconds:.1f} s" for stage, seconds in self.seconds.items())
        return "\n".join(
            [
                self.comparison.text().rstrip(),
                "",
                f"Written into {self.folder}/:",
                *(f"  {name:<{width}}  {meaning}" for name, meaning in self.files.items()),
                "",
                *textwrap.wrap(f"Took {sum(self.seconds.values()):.1f} s: {stages}.", _WIDTH),
                f"Next: open {self.folder / 'report.html'} in a browser.",
            ]
        )

    def data(self) -> dict[str, Any]:
        """Give the same as plain values."""
        return {
            "command": "demo",
            "folder": str(self.folder),
            "keeps_limits": self.comparison.keeps_limits,
            "validation": self.found.validation,
            "worst": self.comparison.worst.to_dict("records"),
            "files": [str(self.folder / name) for name in self.files],
            "seconds": self.seconds,
        }


@dataclass
class _Clock:
    """Says what is being done and keeps how long each stage took."""

    say: Callable[[str], None]
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str, doing: str) -> Iterator[None]:
        self.say(f"{doing} ...")
        start = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - start


def run_demo(
    out: str | FilePath, workers: int | None = None, say: Callable[[str], None] = print
) -> DemoResult:
    """Do the whole main job and write everything into a folder.

    Args:
        out: the folder, made where it is missing.
        workers: processes; None for every core where it pays.
        say: is told what is being done.
    """
    folder = FilePath(out)
    clock = _Clock(say)
    files: dict[str, str] = {}
    with clock.stage("identify", f"identifying the shuttle from {len(FIT_LOGS)} logs"):
        found = _identified(folder, files)
    vehicle, limits = found.vehicle, Limits.gentle()
    roads = [tracks.double_lane_change(), tracks.campus_loop()]
    studies = []
    for name, budget in _BUDGETS.items():
        with clock.stage(f"tune {name}", f"tuning {name}"):
            study = tune(
                LAWS[name], vehicle, roads, limits, budget.scenarios,
                candidates=budget.candidates, refine=budget.refine, workers=workers,
            )  # fmt: skip
            study.save(folder / "study" / name)
        studies.append(study)
    vehicle.save(folder / "study" / "vehicle.toml")
    files["study/"] = "one study a law: every candidate and the best"
    with clock.stage("compare", f"comparing them on {' and '.join(road.name for road in roads)}"):
        comparison = compare(
            [study.best for study in studies], vehicle, roads, limits=limits, workers=workers
        )
        write_atomically(folder / "comparison.csv", comparison.table.to_csv(index=False, lineterminator="\n"))
    files["comparison.csv"] = "every measure of every run"
    for study in studies:
        export(study.best, folder / "export" / study.best.name, vehicle=vehicle, study=study)
    files["export/"] = "parameters.json of each law for the vehicle's software, with schema and README"
    with clock.stage("report", "drawing the report"):
        write_report(
            folder / "report.html", title=f"{NAME}: {len(studies)} laws tuned and compared",
            found=found, studies=studies, comparison=comparison, files=files, done=_done(roads, limits),
        )  # fmt: skip
    files = {"report.html": "everything on one page", "pictures/": "its pictures", **files}
    return DemoResult(folder, found, studies, comparison, files, clock.seconds)


def _done(roads: list[tracks.Track], limits: Limits) -> list[str]:
    """Say step by step what the demo did, for its report."""
    names = " and ".join(road.name for road in roads)
    driven = ", ".join(
        f"{law} {' and '.join(repr(scenario.name) for scenario in budget.scenarios)}"
        for law, budget in _BUDGETS.items()
    )
    swept = ", ".join(f"{law} {budget.candidates} + {budget.refine}" for law, budget in _BUDGETS.items())
    return [
        f"Read {len(FIT_LOGS)} drive logs of an invented 12-seat electric shuttle, and fitted the bench's equations to them.",
        f"Judged the fit on {len(VALIDATION_LOGS)} log that it never saw: driving around a yard.",
        f"Searched the gains of each law on {names}, in scenarios of its own ({driven}; 0.36 m off the path, steering "
        f"0.08 s later than identified), by limits for riders who stand; candidates of sweep + refinement: {swept}.",
        f"Drove each tuned law on {names} in four scenarios, and took every measure; {len(limits.active)} have limits.",
        "Exported the parameters of each law, with the vehicle they hold for.",
    ]


def _identified(folder: FilePath, files: dict[str, str]) -> Identified:
    """Copy the shipped logs into the folder, as if they had been recorded there, and identify the vehicle."""
    folder.mkdir(parents=True, exist_ok=True)
    for source in (*FIT_LOGS, *VALIDATION_LOGS, CHANNELS):
        write_atomically(folder / source.name, source.read_bytes())
    channels = Channels.load(folder / CHANNELS.name)
    logs, held = (
        [read_log(folder / log.name, channels) for log in some] for some in (FIT_LOGS, VALIDATION_LOGS)
    )
    found = identify(logs, known=known(), validate=held, name=NAME)
    found.vehicle.save(folder / "vehicle.toml")
    for log in FIT_LOGS:
        files[log.name] = "drive log, fitted"
    for log in VALIDATION_LOGS:
        files[log.name] = "drive log, kept to judge the fit by"
    files[CHANNELS.name] = "which column of the logs is which quantity"
    files["vehicle.toml"] = "the identified vehicle"
    return found
