"""Shared by every test: where the open data lies, and what is expensive to make twice."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))  # for helper modules beside the tests, imported by name

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Stay in one process where printed figures (-s), a debugger or a benchmark are asked for."""
    benchmarks = any("bench" in str(word) for word in config.args)
    if config.option.capture == "no" or config.option.usepdb or benchmarks:
        config.option.numprocesses, config.option.dist = 0, "no"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of open data beside the project; tests that need it are skipped where it is absent."""
    if not SHARED.is_dir():
        pytest.skip(
            f"the open data is not beside the project (looked for {SHARED.parent.name}/{SHARED.name})"
        )
    return SHARED
