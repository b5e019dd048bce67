"""The command line, `pathtrim`: one file a command; nothing heavy is imported until a command runs."""

from tuning.command_line.main import main

__all__ = ["main"]
