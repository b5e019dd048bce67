"""Shared by every test: where the open data lies, and what is expensive to make twice."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))  # for helper modules beside the tests, imported by name

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of open data beside the project; tests that need it are skipped where it is absent."""
    if not SHARED.is_dir():
        pytest.skip(
            f"the open data is not beside the project (looked for {SHARED.parent.name}/{SHARED.name})"
        )
    return SHARED
