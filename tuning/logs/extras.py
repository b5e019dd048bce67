"""Libraries that only some log formats need."""

from __future__ import annotations

import struct
import zlib
from importlib import import_module
from pathlib import Path as FilePath
from typing import Any

from tracks.errors import FileError

__all__ = ["DAMAGE", "check_file", "needed"]

# What damaged files raise in the libraries that read them, beside their own errors: found by trial, with files cut short
# and with bytes changed.
DAMAGE = (
    struct.error,
    zlib.error,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    ArithmeticError,
    RuntimeError,
    EOFError,
    OSError,
    MemoryError,
)


def needed(path: FilePath, module: str, extra: str) -> Any:
    """Import a module that comes with an extra of the package, or raise `FileError` with the command that installs it."""
    try:
        return import_module(module)
    except ImportError:
        library = module.split(".")[0]
        raise FileError(
            path,
            "",
            f"cannot be read without the library {library}",
            f"pathtrim with its extra {extra!r}",
            f"pip install 'pathtrim[{extra}]'",
        ) from None


def check_file(path: FilePath, kind: str) -> None:
    """Raise `FileError` where there is no such file."""
    if path.is_dir():
        raise FileError(path, "", "is a folder", f"a drive log ({kind})", "name a file inside it")
    if not path.is_file():
        raise FileError(path, "", "the file does not exist", f"a drive log ({kind})", "check the name")
