"""Progress of long work: a bar on standard error with the time left, or a function of the caller's."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeAlias

__all__ = ["Ask", "following"]

Ask: TypeAlias = bool | Callable[[int, int], None]


@contextmanager
def following(progress: Ask, title: str, total: int) -> Iterator[Callable[[int], None]]:
    """Give a function to call with the number of candidates just finished.

    Args:
        progress: True for a bar where standard error is a terminal, False for silence, or a function that is
            called with (done, total).
        title: what the bar says.
        total: candidates at most; a search that converges early jumps to the end.
    """
    done = 0
    if callable(progress):
        tell = progress

        def count(more: int) -> None:
            nonlocal done
            done += more
            tell(done, total)

        yield count
        if done < total:
            tell(total, total)
        return
    if not progress:
        yield lambda more: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(title, total=total)
        yield lambda more: bar.advance(task, more)
