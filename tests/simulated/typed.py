"""Commands typed into this process: what they ended with, and what they said."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from rig.cli.main import main


class Typed:
    """The command line without a process of its own for each command."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch, self._capsys = monkeypatch, capsys

    def __call__(self, *words: object, cwd: Path) -> subprocess.CompletedProcess[str]:
        """Type a command in a folder."""
        line = ["strikebench", *map(str, words)]
        self._monkeypatch.chdir(cwd)
        self._monkeypatch.setattr(sys, "argv", line)
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        said = self._capsys.readouterr()
        return subprocess.CompletedProcess(line, int(ended.value.code or 0), said.out, said.err)
