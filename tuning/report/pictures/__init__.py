"""Pictures: for each, a function that gathers its data and one that draws them."""

from tuning.report.pictures.driven import driven_picture
from tuning.report.pictures.driven_data import DrivenData, DrivenLine, EventMark, driven_data
from tuning.report.pictures.fit import FitSignal, fit_picture, fit_signal
from tuning.report.pictures.health import (
    CoverageData,
    DrivingBar,
    coverage_data,
    coverage_picture,
    driving_data,
    driving_picture,
    excitation_picture,
)
from tuning.report.pictures.loop import LoopCurve, loop_curve, loop_picture
from tuning.report.pictures.residuals import residual_tests, residuals_picture
from tuning.report.pictures.response import response_picture
from tuning.report.pictures.response_data import ResponsePanel, response_data
from tuning.report.pictures.stability import (
    MarginCurve,
    MarginPanel,
    map_panels,
    map_picture,
    margin_curves,
    margins_picture,
    robustness_picture,
)
from tuning.report.pictures.study import GainPanel, TuningData, tuning_data, tuning_picture
from tuning.report.pictures.usage import UsageData, usage_data, usage_picture
from tuning.report.pictures.values import (
    CorrelationData,
    ValueLine,
    correlation_data,
    correlation_picture,
    value_lines,
    values_picture,
)

__all__ = [
    "CorrelationData",
    "CoverageData",
    "DrivenData",
    "DrivenLine",
    "DrivingBar",
    "EventMark",
    "FitSignal",
    "GainPanel",
    "LoopCurve",
    "MarginCurve",
    "MarginPanel",
    "ResponsePanel",
    "TuningData",
    "UsageData",
    "ValueLine",
    "correlation_data",
    "correlation_picture",
    "coverage_data",
    "coverage_picture",
    "driven_data",
    "driven_picture",
    "driving_data",
    "driving_picture",
    "excitation_picture",
    "fit_picture",
    "fit_signal",
    "loop_curve",
    "loop_picture",
    "map_panels",
    "map_picture",
    "margin_curves",
    "margins_picture",
    "residual_tests",
    "residuals_picture",
    "response_data",
    "response_picture",
    "robustness_picture",
    "tuning_data",
    "tuning_picture",
    "usage_data",
    "usage_picture",
    "value_lines",
    "values_picture",
]
