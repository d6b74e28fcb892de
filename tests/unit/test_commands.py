"""Every command is there, says what it does, and is documented."""

from __future__ import annotations

import importlib
import io
import os
import subprocess
import sys
from pathlib import Path

import pytest
import typer

import rig.cli.main as main_module
from rig.cli.demo import demo
from rig.cli.exit_code import OF_VERDICT, ExitCode
from rig.cli.live import LiveLine
from rig.cli.main import COMMANDS
from rig.record.bench_fault import BenchError

ROOT = Path(__file__).parents[2]
ASCII_PROGRAM = """
import rig.cli.main as program
from rig.cli.console import results
program._collect = lambda: None
program.app = lambda: results.print("5 \\u00b5s")
program.main()
"""


def told(*words: str) -> subprocess.CompletedProcess[str]:
    """Run the program as a person does."""
    return subprocess.run(
        [sys.executable, "-m", "rig.cli.main", *words], capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_command_has_a_function_with_a_sentence(name: str) -> None:
    """Each command's function exists; its first line is the help that a person reads."""
    module, _, attribute = COMMANDS[name][0].partition(":")
    found = getattr(importlib.import_module(module), attribute)
    text = found.info.help if hasattr(found, "info") else found.__doc__
    assert text
    assert text.strip()


def test_help_lists_every_command() -> None:
    """The help names all commands."""
    shown = told("--help").stdout
    assert all(f"  {name}" in shown for name in COMMANDS)


def test_what_a_terminal_cannot_show_is_no_traceback() -> None:
    """Where standard output takes ASCII only, other characters are shown by their codes."""
    shown = subprocess.run(
        [sys.executable, "-c", ASCII_PROGRAM], capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert shown.stdout == "5 \\xb5s\n"
    assert not shown.stderr


def test_exit_codes_are_those_of_the_readme() -> None:
    """README.md and the program agree on every exit code."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.split("## Exit codes")[1].split("##")[0]
    told_codes = {int(line.split("|")[1]) for line in table.splitlines() if line[2:3].isdigit()}
    assert told_codes == {int(code) for code in ExitCode}
    assert set(OF_VERDICT) == {"pass", "fail", "undecided", "invalid", "incomplete"}
    assert OF_VERDICT["pass"] == 0
    assert all(code != 0 for verdict, code in OF_VERDICT.items() if verdict != "pass")


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("check", "no-such-protocol"), "no-such-protocol"),
        (("run", "demo", "--specimen", "no-such-specimen"), "no-such-specimen"),
        (("analyse", "no-such-run"), "no-such-run"),
        (("report", "no-such-run"), "no-such-run"),
        (("verify-record", "no-such-run"), "no-such-run"),
    ],
)
def test_bad_input_gives_a_sentence_and_exit_code_2(words: tuple[str, ...], found: str) -> None:
    """Bad input never gives a traceback."""
    done = told(*words)
    assert done.returncode == ExitCode.BAD_INPUT
    assert found in done.stderr + done.stdout
    assert "Traceback" not in done.stderr


def test_the_demo_removes_nothing_but_its_own_runs(tmp_path: Path) -> None:
    """What stands where it would write is named, and stays."""
    kept = tmp_path / "demo-good" / "kept.txt"
    kept.parent.mkdir()
    kept.touch()
    with pytest.raises(BenchError, match="no demo made"):
        demo(tmp_path)
    assert kept.exists()


def test_the_end_of_the_terminal_at_a_prompt_is_a_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing more can be typed, the run is stopped as by hand; it does not fail."""
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    with pytest.raises(KeyboardInterrupt):
        LiveLine(quiet=True).pause("Clear the pad.")


@pytest.mark.parametrize("stop", [KeyboardInterrupt, EOFError])
def test_a_stop_by_hand_has_its_own_exit_code(
    monkeypatch: pytest.MonkeyPatch, stop: type[BaseException]
) -> None:
    """Whatever a command does when it is stopped, the code is not that of a limit that fails."""

    def stopped() -> None:
        raise stop

    only = typer.Typer()
    only.command()(stopped)
    monkeypatch.setattr(main_module, "app", only)
    monkeypatch.setattr(main_module, "_collect", lambda: None)
    monkeypatch.setattr("sys.argv", ["strikebench"])
    with pytest.raises(SystemExit) as ended:
        main_module.main()
    assert ended.value.code == ExitCode.STOPPED
