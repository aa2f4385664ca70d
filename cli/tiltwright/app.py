"""The command line: its commands, and their exit codes.

Only typer is imported here, and only the typed command is built; a command imports what it needs when it runs. That
keeps ``tiltwright --help`` and every small command quick.
"""

from __future__ import annotations

import contextlib
import functools
import importlib
import sys
import warnings
from collections.abc import Callable, Iterator
from typing import Annotated, Any, NoReturn

import typer

from tiltwright import __version__
from tiltwright.files import toml_source
from tiltwright.terminal.streams import (
    CRASHED,
    INPUT_WRONG,
    INTERRUPTED,
    fail,
    guarded_streams,
    lost_result,
    note,
)
from tiltwright.terminal.usage_errors import UsageError, help_instead, usage_words

__all__ = ["COMMANDS", "build", "main"]

COMMANDS = (
    "machine",
    "pivot",
    "offsets",
    "aim",
    "reach",
    "budget",
    "correct",
    "sheet",
    "page",
    "batch",
    "explain",
    "check",
    "lesson",
    "schema",
)
"""In the order of a setter's day. Each is `tiltwright.commands.NAME`, with a function or an `app` of that name."""


def _show_version(wanted: bool) -> None:  # noqa: FBT001 - typer passes an option's value by position
    if wanted:
        typer.echo(f"tiltwright {__version__}")
        raise typer.Exit


def _top_level(
    _version: Annotated[  # noqa: FBT002 - typer makes options of the parameters
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version and exit."),
    ] = False,
) -> None:
    """Work offsets for a mill with a tilting rotary.

    From a machine file and a job file, tiltwright works out where part zero goes at every tilt and prints the
    setup sheet.

    Start here:

    \b
      tiltwright machine new mill.toml        describe your machine, question by question
      tiltwright machine show mill.toml       check what that file says
      tiltwright pivot plan plan.toml -m mill.toml
                                              plan how to measure where its axes really are
      tiltwright offsets job.toml             the work offsets of every operation
      tiltwright sheet job.toml -o job.pdf    the setup sheet, to print
      tiltwright page job.toml -o job.html    the setup in three dimensions, for any browser
      tiltwright offsets --help               more examples

    It moves no machine and never says that a setup is safe: you, the shop's rules, the machine's manual and the
    responsible person decide that.
    """


def build(typed: str | None = None) -> typer.Typer:
    """Build the command line: with the typed command alone, else with all, for help and suggestions."""
    app = typer.Typer(
        name="tiltwright",
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    app.callback()(_top_level)
    for name in (typed,) if typed in COMMANDS else COMMANDS:
        module = importlib.import_module(f"tiltwright.commands.{name}")
        if hasattr(module, "app"):
            app.add_typer(module.app, name=name)
        else:
            app.command(name)(getattr(module, str(name)))
    return app


@functools.cache
def _command(typed: str | None) -> Callable[..., Any]:
    """The command line built, once in a process: tests and whoever calls `main` again need not wait for it again."""
    return typer.main.get_command(build(typed))


def main() -> None:
    """Run the command; each fault of the input becomes one message, and the exit code is 2."""
    with guarded_streams(), _quiet_libraries():
        raise SystemExit(_exit_code())


@contextlib.contextmanager
def _quiet_libraries() -> Iterator[None]:
    """Keep the warnings and logs of libraries off the screen.

    They speak of arrays and parsers, a thousand times over on a bad file; what matters in them is checked and worded
    here. A test that turns warnings into errors still gets them.
    """
    import logging

    shown, last = warnings.showwarning, logging.lastResort
    warnings.showwarning = lambda *_args, **_named: None
    logging.lastResort = logging.NullHandler()
    try:
        yield
    finally:
        warnings.showwarning, logging.lastResort = shown, last


def _exit_code() -> int:
    """Run the command and return its exit code; faults and notices go to stderr."""
    toml_source.forget()
    try:
        code = _run()
    finally:
        for text in toml_source.noted_cautions():
            note(text, label="caution")
        for text in toml_source.notices():
            note(text)
    reason = lost_result()
    if reason:
        fail(f"the result cannot be written to stdout: {reason}")
    return code


def _run() -> int:
    from tiltwright.files.diagnostics import InputFaults

    typed = sys.argv[1:]
    try:
        # Not standalone, so that usage errors are worded here, as every other fault is.
        return (
            _command(typed[0] if typed[:1] and typed[0] in COMMANDS else None)(
                prog_name="tiltwright", standalone_mode=False
            )
            or 0
        )
    except (KeyboardInterrupt, typer.Abort):
        return INTERRUPTED
    except UsageError as refusal:
        instead = help_instead(refusal)
        if instead:
            typer.echo(instead, err=True)
            return INPUT_WRONG
        fail(usage_words(refusal, typed))
    except InputFaults as faults:
        fail(str(faults))
    except OSError as refusal:
        place = f"{refusal.filename}: " if refusal.filename else ""
        fail(f"{place}{refusal.strerror or refusal}")
    except MemoryError:
        fail("there is not enough memory for this; nothing was written. Ask for less at once", CRASHED)
    except Exception as refusal:  # noqa: BLE001 - whatever it is, the user gets a sentence and a file to send
        from kinematics.errors import KinematicsError

        if isinstance(refusal, KinematicsError):
            fail(str(refusal))
        _crash()


def _crash() -> NoReturn:
    """Say that the program itself is at fault, and where its traceback is."""
    import tempfile
    import traceback

    words = f"tiltwright {__version__}, Python {sys.version}, {sys.platform}\n{sys.argv!r}\n\n{traceback.format_exc()}"
    try:
        with tempfile.NamedTemporaryFile(
            "w",
            prefix="tiltwright-error-",
            suffix=".txt",
            delete=False,
            encoding="utf-8",
            errors="backslashreplace",
        ) as report:
            report.write(words)
    except OSError:
        fail("tiltwright made a mistake of its own, and cannot write down which; please report it", CRASHED)
    fail(
        "tiltwright made a mistake of its own; its result cannot be used. Please report it, with what you typed and "
        f"this file: {report.name}",
        CRASHED,
    )
