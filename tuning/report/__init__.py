"""Reports: pictures, and pages that stand alone."""

from tuning.report.page import CAUTIONS, Cell, Page, Picture, Section, Table, provenance, write_page
from tuning.report.writing import write_report

__all__ = [
    "CAUTIONS",
    "Cell",
    "Page",
    "Picture",
    "Section",
    "Table",
    "provenance",
    "write_page",
    "write_report",
]
