"""Reports: pictures, and pages that stand alone."""

from tuning.report.page import CAUTIONS, Cell, Page, Picture, Section, Table, provenance, write_page

__all__ = ["CAUTIONS", "Cell", "Page", "Picture", "Section", "Table", "provenance", "write_page"]
