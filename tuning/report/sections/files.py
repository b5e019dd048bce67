"""The section on the files written beside a report."""

from __future__ import annotations

from collections.abc import Mapping

from tuning.report.page import Section, Table

__all__ = ["files_section"]


def files_section(files: Mapping[str, str]) -> Section:
    """Give the section that says what each file is.

    Args:
        files: path as shown -> what it holds.
    """
    rows = tuple((path, meaning) for path, meaning in files.items())
    return Section("Files", (), (Table("Written beside this report", ("File", "Holds"), rows),))
