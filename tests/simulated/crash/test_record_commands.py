"""The commands that look after run folders tell whole, changed, cut and missing ones apart."""

import shutil

import pytest
import typer

from analysis.pipeline import analyse_run
from rig.cli.exit_code import ExitCode
from rig.cli.recover import recover
from rig.cli.verify_record import verify_record
from rig.preparation import prepare
from rig.record.bench_fault import BadFileError
from rig.record.record_error import RecordError
from rig.record.run_folder import RunReader
from rig.run_files import read_files
from rig.runner import run


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A complete run on the simulated bench."""
    path = tmp_path_factory.mktemp("record") / "whole"
    run(prepare(read_files("demo", "simulated", "good_build")), path)
    return path


def verdict(*paths):
    """Exit code of ``strikebench verify``."""
    try:
        verify_record(list(paths))
    except typer.Exit as end:
        return ExitCode(end.exit_code)
    return ExitCode.DONE


def test_verify_tells_whole_changed_cut_and_missing_runs_apart(whole, tmp_path, capsys):
    """Each state has its own exit code, and of several runs the worst counts."""
    changed, cut, edited = (
        shutil.copytree(whole, tmp_path / name) for name in ("changed", "cut", "edited")
    )
    sound = bytearray((changed / "sensor.wav").read_bytes())
    sound[len(sound) // 2] ^= 1
    (changed / "sensor.wav").write_bytes(sound)
    (cut / "stop.json").unlink()
    (edited / "protocol.toml").write_text("format = 1\n")
    assert verdict(whole) == ExitCode.DONE
    assert verdict(changed) == ExitCode.INVALID
    assert verdict(cut) == ExitCode.INCOMPLETE
    assert verdict(edited) == verdict(tmp_path / "none") == ExitCode.BAD_INPUT
    assert verdict(whole, cut, changed) == ExitCode.INVALID
    assert f"{changed / 'sensor.wav'}: has been changed" in capsys.readouterr().out


def test_a_run_with_a_changed_byte_of_sound_is_not_measured(whole, tmp_path):
    """One bit in the middle of the sound, and nothing is measured; the run as it was is."""
    changed = shutil.copytree(whole, tmp_path / "changed")
    sound = bytearray((changed / "sensor.wav").read_bytes())
    sound[len(sound) // 2] ^= 1
    (changed / "sensor.wav").write_bytes(sound)
    assert analyse_run(whole).measures
    with pytest.raises(BadFileError, match=r"sensor\.wav: has been changed"):
        analyse_run(changed)


def test_recover_says_incomplete_and_overwrites_nothing(whole, tmp_path, capsys):
    """The copy says that it is incomplete; a second one needs another name; a whole run none."""
    cut = shutil.copytree(whole, tmp_path / "cut")
    (cut / "stop.json").unlink()
    recover(cut)
    assert "INCOMPLETE copy" in capsys.readouterr().out
    assert RunReader.open(tmp_path / "cut-recovered").status == "incomplete"
    with pytest.raises(RecordError, match="it exists"):
        recover(cut)
    with pytest.raises(RecordError, match="nothing to recover"):
        recover(whole)
