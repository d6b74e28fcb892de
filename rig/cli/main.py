"""The console command: collects the commands, and turns errors into sentences and exit codes."""

from __future__ import annotations

import functools
import importlib
import io
import sys

import typer

from rig import __version__
from rig.cli.console import told
from rig.cli.exit_code import ExitCode, code_of
from rig.record.bench_fault import BenchError

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Strike pads at programmed forces, record sensor and notes on one time line, and decide.",
)

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("rig.cli.demo:demo", "Strike a simulated pad, and write two reports."),
    "check": ("rig.cli.check:check", "How long a protocol takes; what the strikers can't do."),
    "run": ("rig.cli.run:run", "Strike a protocol, record it, measure, and decide."),
    "import": (
        "rig.cli.import_take:import_take",
        "Make a run folder out of a recording from outside.",
    ),
    "analyse": ("rig.cli.analyse:analyse", "Measure a run, and print what was found."),
    "report": ("rig.cli.report:report", "Draw a run's report as one page."),
    "advise": ("rig.cli.advise:advise", "Settings for this module; why notes went wrong."),
    "compare": ("rig.cli.compare:compare", "Runs before and after: better, equal or worse."),
    "qualify": ("rig.cli.qualify:qualify", "Which differences this bench can see at all."),
    "calibrate": ("rig.cli.calibrate:calibrate", "Measure a striker's force over its pulse width."),
    "devices": ("rig.cli.devices:devices", "List serial ports, audio inputs and MIDI ports."),
    "level": ("rig.cli.level:level", "Meter the audio inputs: noise and head room."),
    "board": ("rig.cli.board:app", "The controller board's firmware and identity."),
    "verify-record": (
        "rig.cli.verify_record:verify_record",
        "Check whether run folders are whole.",
    ),
    "recover": ("rig.cli.recover:recover", "Copy what is left of an incomplete run."),
}
"""Name of each command: where its function is, and its line in the list of all."""


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"strikebench {__version__}")
        raise typer.Exit


@app.callback()
def _start(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Tell the version."
    ),
) -> None:
    pass


@functools.cache
def _collect() -> None:
    for name, (place, words) in COMMANDS.items():
        module, _, attribute = place.partition(":")
        found = getattr(importlib.import_module(module), attribute)
        if isinstance(found, typer.Typer):
            app.add_typer(found, name=name, short_help=words)
        else:
            app.command(name, short_help=words)(found)


def main() -> None:
    """Run the command line; never lets a person see a traceback for bad input."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # a terminal or pipe that can't show µ or ± shows their codes, as standard error does anyway
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        _collect()
        app()
        code = ExitCode.DONE
    except BenchError as error:
        told.print(f"strikebench: {error}")
        code = code_of(error)
    except KeyboardInterrupt:
        told.print("strikebench: stopped by hand")
        code = ExitCode.STOPPED
    except SystemExit as end:
        # typer turns a stop by hand into an exit code of its own, which here means a limit fails
        if not isinstance(end.__context__, typer.Abort):
            raise
        code = ExitCode.STOPPED
    except BrokenPipeError:
        # whoever read the output has closed it; nothing is left to say
        sys.stderr.close()
        code = ExitCode.DONE
    except OSError as error:
        # of a file that a person named, or of a disk; programs' own files have sentences of theirs
        what = " and ".join(str(name) for name in (error.filename, error.filename2) if name)
        told.print(
            f"strikebench: {what or 'reading or writing a file'}: {error.strerror or error}. Check "
            "the name, its permissions, and the room on its disk; then try again",
        )
        code = ExitCode.BAD_INPUT
    sys.exit(int(code))


if __name__ == "__main__":
    main()
