"""Sections of reports, each made from one thing that the bench has found."""

from tuning.report.sections.comparison import comparison_pictures, comparison_section
from tuning.report.sections.files import files_section
from tuning.report.sections.fit import fit_pictures, fit_sections
from tuning.report.sections.health import health_heading, health_pictures, health_section
from tuning.report.sections.stability import (
    stability_heading,
    stability_pictures,
    stability_sections,
)
from tuning.report.sections.study import best_gains, breaking_nearby, edge_gains, study_picture, study_section
from tuning.report.sections.vehicle import vehicle_section, vehicle_values

__all__ = [
    "best_gains",
    "breaking_nearby",
    "comparison_pictures",
    "comparison_section",
    "edge_gains",
    "files_section",
    "fit_pictures",
    "fit_sections",
    "health_heading",
    "health_pictures",
    "health_section",
    "stability_heading",
    "stability_pictures",
    "stability_sections",
    "study_picture",
    "study_section",
    "vehicle_section",
    "vehicle_values",
]
