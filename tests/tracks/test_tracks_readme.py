"""The example of the room's README does what it prints there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

README = Path(__file__).resolve().parents[2] / "tracks" / "README.md"


def test_readme_example(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Run in an empty folder, the example prints the block that follows it."""
    blocks = dict(
        re.findall(r"```(python|text)\n(.*?)```", README.read_text(encoding="utf-8"), flags=re.DOTALL)
    )
    monkeypatch.chdir(tmp_path)
    exec(blocks["python"], {})
    assert capsys.readouterr().out == blocks["text"]
