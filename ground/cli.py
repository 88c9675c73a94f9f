"""The command line: which commands there are, and the one way in which every one of them ends.

Exit status 0 is done, 1 a clear error about the input, 2 wrong usage, 130 stopped by a key or by the system. Nothing
heavy is imported here: each command imports what it needs when it runs, so that `--help` answers at once.
"""

import atexit
import errno
import io
import os
import signal
import sys
import threading
import traceback
from pathlib import Path
from typing import Annotated

import typer

from ground.commands.bench import bench
from ground.commands.decode import decode
from ground.commands.demo import demo
from ground.commands.fetch import fetch
from ground.commands.fly import fly
from ground.commands.install import install
from ground.commands.report import report
from ground.commands.settings import settings_app
from ground.commands.test import PASS_EVERYTHING_ON, test
from ground.console import as_called, plain
from ground.errors import InputError
from ground.version import __version__

# What the machine and not the program got wrong: no room, no permission, a dying disk.
_MACHINE_ERRNOS = {
    errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG,
    errno.EISDIR, errno.ENOTDIR, errno.ENAMETOOLONG, errno.EMFILE, errno.ENFILE,
}  # fmt: skip

# How the library that reads the command's words says it, and how a person would.
_PLAIN_WORDS = (
    ("Value error, ", ""),
    ("Input should be a valid integer, unable to parse string as an integer", "it is not a whole number"),
    ("Input should be", "it should be"),
)

_STOPPED = 130

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,  # plain help: readable on any terminal, and three times as fast to start
    context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 100},
)


def _show_version(asked: bool) -> None:
    if asked:
        typer.echo(f"thistledown {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def thistledown(
    context: typer.Context,
    debug: Annotated[bool, typer.Option("--debug", help="On a fault of the program, show all of it.")] = False,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Flight recorder and ground tools for amateur stratosphere balloons.

    Start with `thistledown demo`: one whole invented flight, from the first second to the report.
    """
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())
        raise typer.Exit(2)


app.command()(demo)
app.command()(fly)
app.add_typer(settings_app, name="settings")
app.command()(install)
app.command(short_help="Check the board on the table: GO or NO-GO.")(bench)
app.command()(fetch)
app.command(short_help="Make a flight folder of a card, of a board's flash or both.")(decode)
app.command()(report)
app.command(context_settings=PASS_EVERYTHING_ON)(test)


def main() -> None:
    """Run the command line on `sys.argv` and end the process.

    To take an interpreter apart object by object costs a tenth of a second that nobody needs. So what has to be done
    at the end (atexit) is done, what was said is flushed, and the system takes the rest.
    """
    for name in ("SIGTERM", "SIGHUP"):  # a closed terminal, a computer that shuts down: what is begun is cleared away
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    status = run(sys.argv[1:])
    if threading.active_count() == 1:
        atexit._run_exitfuncs()
        try:
            for stream in filter(None, (sys.stdout, sys.stderr)):  # None: closed by whoever started this
                stream.flush()
        except (OSError, ValueError):
            sys.exit(status)  # which says what is wrong
        os._exit(status)
    sys.exit(status)


def run(arguments: list[str]) -> int:
    """The exit status of one command; whatever goes wrong is told in one line on stderr."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal without a degree sign shows a question mark instead
            stream.reconfigure(errors="replace")
    try:
        status = app(args=arguments, prog_name="thistledown", standalone_mode=False) or 0
        return _tell("stopped.", status) if status == _STOPPED else status  # typer turns the stop key into a status
    except InputError as error:
        return _tell(str(error), 1)
    except typer.TyperException as error:
        return _tell(_usage(error, arguments), error.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        return _tell("stopped.", _STOPPED)
    except OSError as error:
        if error.errno not in _MACHINE_ERRNOS:
            return _our_fault(error, arguments)
        where = f"{error.filename}: " if error.filename else ""
        return _tell(f"{where}{error.strerror}; mend that and start again.", 1)
    except MemoryError:
        return _tell("this computer has not enough free memory; close other programs and start again.", 1)
    except Exception as error:  # a bug of ours must not look like the user's mistake
        return _our_fault(error, arguments)


def _tell(message: str, status: int) -> int:
    print(plain(f"thistledown: {as_called(message)}").replace("\n", " "), file=sys.stderr)
    return status


def _usage(error: typer.TyperException, arguments: list[str]) -> str:
    """What was wrong with the command's words, and where to look them up."""
    context = getattr(error, "ctx", None)
    command = context.command_path if context else "thistledown"
    message = " ".join(error.format_message().split()).rstrip(".")
    for library_words, ours in _PLAIN_WORDS:
        message = message.replace(library_words, ours)
    dashed = next((one for one in arguments if one.startswith("-") and Path(one).exists()), None)
    step = f"a file whose name begins with a dash is given as ./{dashed}" if dashed else f"see `{command} --help`"
    return f"{message[:1].lower()}{message[1:]} ({step})"


def _our_fault(error: Exception, arguments: list[str]) -> int:
    """One line about a bug of the program; all of it with --debug."""
    if "--debug" in arguments or os.environ.get("THISTLEDOWN_DEBUG"):
        traceback.print_exception(error)
    last = traceback.extract_tb(error.__traceback__)[-1]
    said = " ".join(str(error).split()) or "no message"
    return _tell(
        f"a fault of the program, not of your input: {type(error).__name__}: {said} "
        f"({Path(last.filename).name}, line {last.lineno}); please report it to whoever gave you Thistledown, "
        "with what `thistledown --debug ...` prints.",
        1,
    )
