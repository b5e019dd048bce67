"""The bench: vehicles, drive logs, identification, simulation, measures, tuning, comparison, reports.

Names are imported when they are first used (PEP 562): the command line answers at once, and a script that only
reads a vehicle file does not load compilers.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tuning.excitation import ExcitationPlan, Space, Uncertainty, plan_excitation
    from tuning.exporting import export
    from tuning.health import Health, examine
    from tuning.identification import Foreseen, Identified, foresee, identify, identify_drive
    from tuning.logs import Channel, Channels, Log, read_log
    from tuning.measures import Limits, measure
    from tuning.report import write_report
    from tuning.search import Comparison, Study, compare, tune
    from tuning.simulation import (
        DriverHoldsSpeed,
        DriverTakesOver,
        FrictionChange,
        LinkLost,
        LoadChange,
        Localisation,
        LocalisationJump,
        LocalisationLost,
        Outcome,
        RoadTilt,
        Run,
        Scenario,
        SideWind,
        StopDemand,
        open_loop,
        simulate,
    )
    from tuning.simulation.scenario_files import read_scenarios
    from tuning.stability import (
        Margins,
        Robustness,
        SpeedMargins,
        StabilityFindings,
        StabilityLimits,
        StabilityMap,
        margins,
        margins_over_speed,
        robustness,
        stability_map,
    )
    from tuning.vehicle import Vehicle

__all__ = [
    "Channel",
    "Channels",
    "Comparison",
    "DriverHoldsSpeed",
    "DriverTakesOver",
    "ExcitationPlan",
    "Foreseen",
    "FrictionChange",
    "Health",
    "Identified",
    "Limits",
    "LinkLost",
    "LoadChange",
    "Localisation",
    "LocalisationJump",
    "LocalisationLost",
    "Log",
    "Margins",
    "Outcome",
    "RoadTilt",
    "Robustness",
    "Run",
    "Scenario",
    "SideWind",
    "Space",
    "SpeedMargins",
    "StabilityFindings",
    "StabilityLimits",
    "StabilityMap",
    "StopDemand",
    "Study",
    "Uncertainty",
    "Vehicle",
    "compare",
    "examine",
    "export",
    "foresee",
    "identify",
    "identify_drive",
    "margins",
    "margins_over_speed",
    "measure",
    "open_loop",
    "plan_excitation",
    "read_log",
    "read_scenarios",
    "robustness",
    "simulate",
    "stability_map",
    "tune",
    "write_report",
]

_HOME = {
    "Channel": "tuning.logs",
    "Channels": "tuning.logs",
    "Comparison": "tuning.search",
    "DriverHoldsSpeed": "tuning.simulation",
    "DriverTakesOver": "tuning.simulation",
    "ExcitationPlan": "tuning.excitation",
    "Foreseen": "tuning.identification",
    "FrictionChange": "tuning.simulation",
    "Health": "tuning.health",
    "Identified": "tuning.identification",
    "Limits": "tuning.measures",
    "LinkLost": "tuning.simulation",
    "LoadChange": "tuning.simulation",
    "Localisation": "tuning.simulation",
    "LocalisationJump": "tuning.simulation",
    "LocalisationLost": "tuning.simulation",
    "Log": "tuning.logs",
    "Margins": "tuning.stability",
    "Outcome": "tuning.simulation",
    "RoadTilt": "tuning.simulation",
    "Robustness": "tuning.stability",
    "Run": "tuning.simulation",
    "Scenario": "tuning.simulation",
    "SideWind": "tuning.simulation",
    "Space": "tuning.excitation",
    "SpeedMargins": "tuning.stability",
    "StabilityFindings": "tuning.stability",
    "StabilityLimits": "tuning.stability",
    "StabilityMap": "tuning.stability",
    "StopDemand": "tuning.simulation",
    "Study": "tuning.search",
    "Uncertainty": "tuning.excitation",
    "Vehicle": "tuning.vehicle",
    "compare": "tuning.search",
    "examine": "tuning.health",
    "export": "tuning.exporting",
    "foresee": "tuning.identification",
    "identify": "tuning.identification",
    "identify_drive": "tuning.identification",
    "margins": "tuning.stability",
    "margins_over_speed": "tuning.stability",
    "measure": "tuning.measures",
    "open_loop": "tuning.simulation",
    "plan_excitation": "tuning.excitation",
    "read_log": "tuning.logs",
    "read_scenarios": "tuning.simulation.scenario_files",
    "robustness": "tuning.stability",
    "simulate": "tuning.simulation",
    "stability_map": "tuning.stability",
    "tune": "tuning.search",
    "write_report": "tuning.report",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'tuning' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
