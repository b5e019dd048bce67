"""Files are read with their faults named, and written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path as FilePath

import pytest

from tracks import FileError
from tracks.file_access import make_folder, read_text, read_toml, write_atomically


def test_files_are_written_whole(tmp_path: FilePath) -> None:
    """Text and bytes arrive as they are, with the usual permissions and no file left beside."""
    target = tmp_path / "file.txt"
    write_atomically(target, "α\n")
    assert target.read_bytes() == "α\n".encode()
    plain = tmp_path / "plain.txt"
    plain.write_text("")
    assert target.stat().st_mode == plain.stat().st_mode
    os.chmod(target, 0o640)
    write_atomically(target, b"\x00\x01")
    assert target.read_bytes() == b"\x00\x01"
    assert target.stat().st_mode & 0o777 == 0o640
    assert sorted(file.name for file in tmp_path.iterdir()) == ["file.txt", "plain.txt"]


def test_a_failing_write_keeps_the_old_file(tmp_path: FilePath, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the disk fails midway, the old content stays and the temporary file goes."""
    target = tmp_path / "file.txt"
    target.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match=r"file.txt: cannot be written \(No space left on device\)"):
        write_atomically(target, "new")
    assert target.read_text() == "old"
    assert [file.name for file in tmp_path.iterdir()] == ["file.txt"]


def test_folders_are_no_files(tmp_path: FilePath) -> None:
    """Reading or writing a folder is refused before anything happens."""
    with pytest.raises(FileError, match="is a folder; expected a channel file"):
        read_text(tmp_path, "channel file")
    with pytest.raises(FileError, match="is a folder; expected the name of a file"):
        write_atomically(tmp_path, "")


def test_faults_of_toml_are_named_by_line(tmp_path: FilePath) -> None:
    """The line, what is wrong with it, what was expected, and the remedy; the end of the file has a name too."""
    file = tmp_path / "a.toml"
    for text, where in (("a = 1\nb = \n", "line 2"), ("a = [1,", "the end")):
        file.write_text(text)
        with pytest.raises(FileError) as caught:
            read_toml(file, "limits file", "lines such as a = 1")
        assert caught.value.where == where
        assert caught.value.what.startswith(f"{file}: {where}: is not TOML (")
        assert (caught.value.expected, caught.value.remedy) == ("lines such as a = 1", "correct the line")
    file.write_text("a = 1\n")
    assert read_toml(file, "limits file", "") == {"a": 1}


def test_folders_are_made_or_refused(tmp_path: FilePath) -> None:
    """Missing ones above are made as well; a file in the way is named and left alone."""
    assert make_folder(tmp_path / "a" / "b").is_dir()
    assert make_folder(str(tmp_path / "a" / "b")) == tmp_path / "a" / "b"
    (tmp_path / "c").write_text("here")
    with pytest.raises(FileError, match=r"c: cannot be made .*; expected the name of a folder"):
        make_folder(tmp_path / "c")
    assert (tmp_path / "c").read_text() == "here"
