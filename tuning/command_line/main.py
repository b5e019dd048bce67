"""The application: its commands, and how any error becomes one sentence and an exit status."""

from __future__ import annotations

import io
import sys
import traceback
from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING

import typer

from tuning.command_line import compare, demo, excite, export, health, identify, stability, tune
from tuning.command_line.output import BAD_INPUT, DONE, FAULT, INTERRUPTED, say

if TYPE_CHECKING:
    from pydantic import ValidationError

    from tracks.errors import PathtrimError

__all__ = ["main", "run"]

# The base of every error that typer raises about usage; typer does not export it by name.
_UsageError: type[Exception] = typer.BadParameter.__mro__[2]

_HELP = """Design, tune and prove path-tracking controllers of a by-wire road vehicle.

The usual way through: plan the drives that show how the vehicle answers, identify the vehicle from drive logs, tune the tracking laws for it, see what stability margins they keep, compare them, and export
the parameters of the one you choose. `pathtrim demo` goes from logs to exported parameters on shipped data in about a minute.

Exit status: 0 done; 1 done, but a limit is not met or a margin is too small, the fit is not to be trusted, or a plan
leaves a value open; 2 bad input or usage.

Drive on a closed course first, with a trained safety driver and a working stop device; local codes and licensed
practice come first.
"""

# No boxes and colours in help: plain text is quicker to start and reads the same in a log of a build server.
app = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False, add_completion=False)


@app.callback(invoke_without_command=True, help=_HELP)
def _root(
    context: typer.Context,
    show_version: bool = typer.Option(False, "--version", help="Print the version and leave."),
) -> None:
    if show_version:
        typer.echo(f"pathtrim {version('pathtrim')}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


for _module in (demo, excite, health, identify, tune, stability, compare, export):
    app.command(_module.NAME, short_help=_module.SHORT)(_module.command)


def main() -> None:
    """Run `pathtrim` with the arguments of the process and leave with its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without Greek letters still gets its table
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run `pathtrim` and give its exit status; errors that a user can mend are one sentence on standard error."""
    try:
        status = app(args=_spread(list(arguments)), prog_name="pathtrim", standalone_mode=False)
    except _UsageError as error:
        return _usage_message(error, arguments)
    except (KeyboardInterrupt, typer.Abort):
        status = INTERRUPTED
    except Exception as error:
        from pydantic import ValidationError

        from tracks.errors import PathtrimError

        if isinstance(error, ValidationError):
            error = _explained(error)
        if not isinstance(error, PathtrimError):
            traceback.print_exc()
            say(
                "pathtrim: this is a fault of pathtrim itself, not of your input; please report the lines above"
            )
            return FAULT
        say(f"pathtrim: {error}")
        return BAD_INPUT
    if status == INTERRUPTED:  # which some versions of typer give instead of the exception
        say("pathtrim: interrupted; files that were already written are whole, the others were not begun")
    return status if isinstance(status, int) else DONE


def _explained(error: ValidationError) -> PathtrimError:
    """Say what values that are each allowed, but not together, led to."""
    from tracks.errors import InputError
    from tracks.validation import explain

    field, what, expected, remedy = explain(error)
    where = ".".join(part for part in (error.title, field) if part)
    return InputError(f"{where}: {what}", expected, remedy or "correct the values that it follows from")


def _usage_message(error: Exception, arguments: Sequence[str]) -> int:
    text = getattr(error, "format_message", lambda: str(error))().strip().rstrip(".")
    words = [word for word in arguments[:1] if word in COMMANDS]
    say(f"pathtrim: {text[:1].lower()}{text[1:]}; see {' '.join(('pathtrim', *words, '--help'))}")
    return BAD_INPUT


COMMANDS = tuple(
    _module.NAME for _module in (demo, excite, health, identify, tune, stability, compare, export)
)


def _spread(arguments: list[str]) -> list[str]:
    """Let `tune --law A B --track C D` mean `--law A --law B --track C --track D`: such commands take no other words."""
    if arguments[:1] not in ([tune.NAME], [stability.NAME]):
        return arguments
    spread: list[str] = []
    option = ""
    for i, word in enumerate(arguments):
        if word in ("--law", "--track"):
            option = word
        elif word.startswith("-"):
            option = ""
        elif option and arguments[i - 1] != option:
            spread.append(option)
        spread.append(word)
    return spread
