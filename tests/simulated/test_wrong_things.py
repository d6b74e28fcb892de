"""What a person does wrong, or meets at the bench, gives a sentence and its exit code."""

from __future__ import annotations

import dataclasses
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from bench_runs import shipped
from typed import Typed

from rig.cli.exit_code import ExitCode

BRIEF = """format = 1
name = "brief"
purpose = "a few strokes"
[[stage]]
name = "ladder"
pattern = "single"
forces_n = [3, 8, 20]
repeats = 4
interval_ms = 130
[[limit]]
measure = "latency_median"
at_most_ms = 50
least_strokes = 5
"""


@dataclasses.dataclass(frozen=True)
class Told:
    """What a command ended with, and what it said."""

    code: int
    text: str


Say = Callable[..., Told]


@pytest.fixture
def say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Say:
    """Type a command in a folder that holds protocol.toml, an empty folder and a file of bytes."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    # sentences aren't broken where a screen would end
    monkeypatch.setenv("COLUMNS", "500")
    (tmp_path / "protocol.toml").write_text(BRIEF, encoding="utf-8")
    (tmp_path / "bytes.bin").write_bytes(bytes(range(256)))
    (tmp_path / "empty").mkdir()

    typed = Typed(monkeypatch, capsys)

    def say(*words: str) -> Told:
        done = typed(*words, cwd=tmp_path)
        return Told(done.returncode, done.stdout + done.stderr)

    return say


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A complete run."""
    folder = tmp_path_factory.mktemp("record")
    (folder / "protocol.toml").write_text(BRIEF, encoding="utf-8")
    line = [sys.executable, "-m", "rig.cli.main", "run", str(folder / "protocol.toml"), "--quiet"]
    line += ["--specimen", "good_build", "--out", str(folder / "run")]
    subprocess.run(line, check=True, capture_output=True)
    return folder / "run"


def bench_with(query: str) -> None:
    """Write bench.toml: the simulated bench with further keys in its URL."""
    text = shipped("benches", "simulated").replace("?seed=1", f"?seed=1&{query}")
    Path("bench.toml").write_text(text, encoding="utf-8")


def run_words(**changed: str) -> list[str]:
    """The words of a run, some of them changed."""
    words = {"bench": "simulated", "specimen": "good_build", "out": "run"} | changed
    protocol = words.pop("protocol", "protocol.toml")
    options = [part for name, value in words.items() for part in (f"--{name}", value)]
    return ["run", protocol, *options]


@pytest.mark.parametrize("argument", ["protocol", "bench", "specimen"])
@pytest.mark.parametrize(
    ("given", "found"),
    [
        ("nowhere.toml", "nowhere.toml: no such file"),
        ("empty", "empty: a folder"),
        (os.devnull, "a device; a port is named in [board]"),
        ("bytes.bin", "bytes.bin: not UTF-8 at byte 128"),
        ("bench.toml", "no such key"),
    ],
)
def test_a_file_of_the_wrong_kind_is_named(say: Say, argument: str, given: str, found: str) -> None:
    """Each of the three files: missing, a folder, a device, bytes, or TOML of another kind."""
    other = "specimen" if argument == "bench" else "bench"
    text = shipped("specimens", "good_build") if other == "specimen" else None
    Path("bench.toml").write_text(text or shipped("benches", "simulated"), encoding="utf-8")
    told = say(*run_words(**{argument: given}))
    assert told.code == ExitCode.BAD_INPUT
    assert found in told.text
    assert not Path("run").exists()


def test_unknown_keys_and_values_come_at_once_with_their_lines(say: Say) -> None:
    """Two faults of one file are both told, each with the nearest word that is known."""
    text = BRIEF.replace("repeats =", "repeat =").replace("single", "singel")
    Path("protocol.toml").write_text(text.replace("at_most_ms", "at_most_hz"), encoding="utf-8")
    told = say(*run_words())
    assert told.code == ExitCode.BAD_INPUT
    assert "'singel'" in told.text
    assert "single" in told.text.replace("'singel'", "")
    assert "at_most_ms" in told.text


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["run", "protocol.toml"], "--specimen"),
        (["run", "--specimen", "good_build"], "protocol"),
        (run_words(seed="-3"), "--seed"),
        (run_words(seed="many"), "--seed"),
        (run_words(trace="nowhere/trace.txt"), "nowhere/trace.txt: No such file"),
        (run_words(out="empty"), "empty: can't start a run here, it exists"),
        (run_words(out="bytes.bin/run"), "bytes.bin"),
        (["analyse", "empty"], "empty: no run folder: it has no start.json"),
        (["report", "empty"], "empty: no run folder"),
        (["analyse", "bytes.bin"], "bytes.bin: no run folder"),
        (["report", "nowhere"], "nowhere: no run folder"),
        (["recover", "empty"], "empty: no run folder"),
        (["level", "--file", "bytes.bin"], "bytes.bin"),
        (["demo", "--out", "bytes.bin"], "bytes.bin"),
        (["calibrate", "Q", "--bench", "simulated_force", "--reference", "R", "--out", "b.toml"], "A, B"),
        (["no-such-command"], "no-such-command"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_wrong_words_are_bad_input(say: Say, words: list[str], found: str) -> None:
    """Wrong options, places and folders: exit code 2, and what was found is named."""
    told = say(*words)
    assert told.code == ExitCode.BAD_INPUT
    assert found in told.text
    assert not Path("run").exists()


def test_no_such_port_is_told_once_the_cautions_are_accepted(say: Say, tmp_path: Path) -> None:
    """A real port asks for the cautions first; then the port itself is named with what to do."""
    text = shipped("benches", "simulated").replace("sim://bench?seed=1", "/dev/ttyNOPE")
    Path("bench.toml").write_text(text, encoding="utf-8")
    told = say(*run_words(bench="bench.toml"))
    assert told.code == ExitCode.BAD_INPUT
    assert "cautions" in told.text
    state = tmp_path / "state" / "strikebench"
    state.mkdir(parents=True)
    (state / "cautions.json").write_text(
        json.dumps({"simulated bench / /dev/ttyNOPE": "2025-01-01"}), encoding="utf-8"
    )
    told = say(*run_words(bench="bench.toml"))
    assert told.code == ExitCode.BAD_INPUT
    assert "/dev/ttyNOPE" in told.text
    assert "What to do" in told.text
    assert not Path("run").exists()


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("estop_pressed=1", "e-stop"),
        ("guard_open=1", "the guard is open"),
        ("supply_mv=12000", "12000 mV"),
        ("serial_error_rate=0.9", "does not answer"),
    ],
)
def test_a_bench_that_is_not_ready_makes_no_run(say: Say, query: str, found: str) -> None:
    """Interlocks open, wrong supply, dead board: exit code 6, and no folder."""
    bench_with(query)
    told = say(*run_words(bench="bench.toml"))
    assert told.code == ExitCode.BOARD
    assert found in told.text
    assert "What to do" in told.text
    assert not Path("run").exists()


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("estop_at_s=1.9", "e-stop loop opened"),
        ("guard_at_s=1.9", "guard was opened"),
        ("supply_fails_at_s=1.9", "supply left"),
        ("unplug_at_s=1.9", "cable was pulled"),
        ("reset_at_s=1.9", "reset during the run"),
    ],
)
def test_trouble_in_a_burst_never_passes(say: Say, query: str, found: str) -> None:
    """The run fails with exit code 6; its record gives "invalid", in table and report too."""
    bench_with(query)
    told = say(*run_words(bench="bench.toml"))
    assert told.code == ExitCode.BOARD
    assert found in told.text
    assert "&" not in told.text  # what the simulated bench was told stays out of sentences
    told = say("analyse", "run")
    assert told.code == ExitCode.INVALID
    assert "INVALID: The run failed" in told.text
    assert say("report", "run").code == ExitCode.DONE
    assert "INVALID" in Path("run/analysis/report.html").read_text(encoding="utf-8")
    assert say("verify-record", "run").code == ExitCode.INVALID


@pytest.mark.parametrize("harm", ["failed", "cut"])
def test_a_run_that_ended_before_it_struck_is_never_judged(say: Say, harm: str) -> None:
    """Nothing to measure: the end of the run is told, as invalid or incomplete."""
    bench_with("unplug_at_s=0.05")
    assert say(*run_words(bench="bench.toml")).code == ExitCode.BOARD
    if harm == "cut":
        Path("run/stop.json").unlink()
    for command in ("analyse", "report"):
        told = say(command, "run")
        assert told.code == (ExitCode.INVALID if harm == "failed" else ExitCode.INCOMPLETE)
        assert ("cable was pulled" if harm == "failed" else "no stop record") in told.text
        assert "Warning" not in told.text


def test_a_run_without_stop_record_is_incomplete(say: Say, record: Path, tmp_path: Path) -> None:
    """Cut off: exit code 5 from all that judge it; a copy can be made, and passes no more."""
    run = shutil.copytree(record, tmp_path / "cut")
    (run / "stop.json").unlink()
    told = say("analyse", "cut")
    assert told.code == ExitCode.INCOMPLETE
    assert "INCOMPLETE: The run has no stop record" in told.text
    assert say("verify-record", "cut").code == ExitCode.INCOMPLETE
    assert say("recover", "cut").code == ExitCode.DONE
    assert say("analyse", "cut-recovered").code == ExitCode.INCOMPLETE


def _missing(run: Path, name: str) -> None:
    (run / name).unlink()


def _garbled(run: Path, name: str) -> None:
    (run / name).write_text("garbage\n", encoding="utf-8")


@pytest.mark.parametrize("harm", [_missing, _garbled])
@pytest.mark.parametrize(
    "name", ["start.json", "protocol.toml", "plan.csv", "events.jsonl", "sensor.wav"]
)
def test_a_spoilt_record_is_never_judged(
    say: Say, record: Path, tmp_path: Path, name: str, harm: Callable[[Path, str], None]
) -> None:
    """A file lost or changed: it is named, and no verdict comes of it."""
    harm(shutil.copytree(record, tmp_path / "spoilt"), name)
    told = say("analyse", "spoilt")
    assert told.code == ExitCode.BAD_INPUT
    assert name in told.text or "edges in the recording" in told.text
    assert "PASS" not in told.text


def test_a_place_that_cannot_be_written_is_named(say: Say, record: Path, tmp_path: Path) -> None:
    """A file stands where the tables go, or a folder where the page goes."""
    run = shutil.copytree(record, tmp_path / "run")
    shutil.rmtree(run / "analysis", ignore_errors=True)
    (run / "analysis").touch()
    for command in ("analyse", "report"):
        told = say(command, "run")
        assert told.code == ExitCode.BAD_INPUT
        assert "run/analysis" in told.text
    told = say("report", str(record), "--out", "empty")
    assert told.code == ExitCode.BAD_INPUT
    assert "empty: a folder" in told.text


def _as_typed(words: list[str], *, file_size: int | None = None) -> subprocess.Popen[str]:
    def before() -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        if file_size is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (file_size, file_size))

    return subprocess.Popen(
        [sys.executable, "-m", "rig.cli.main", *words],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, preexec_fn=before,
    )  # fmt: skip


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_stopped_by_hand_closes_the_record(tmp_path: Path, number: signal.Signals) -> None:
    """Ctrl-C, a polite kill or a closed terminal in a burst: disarmed, closed, exit code 130."""
    text = BRIEF.replace("repeats = 4", "repeats = 4000")
    (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
    run = tmp_path / "run"
    process = _as_typed(run_words(protocol=str(tmp_path / "protocol.toml"), out=str(run)))
    while not (run / "sensor.wav").exists() and process.poll() is None:
        time.sleep(0.01)
    process.send_signal(number)
    said = process.communicate()[0]
    assert process.returncode == ExitCode.STOPPED
    assert "stopped by hand" in said
    assert "Traceback" not in said
    assert json.loads((run / "stop.json").read_text(encoding="utf-8"))["outcome"] == "stopped"


def test_a_full_disk_ends_the_run_as_failed(tmp_path: Path) -> None:
    """No room for the recording: exit code 4, the reason told; a report that has none says so."""
    (tmp_path / "protocol.toml").write_text(BRIEF, encoding="utf-8")
    words = run_words(protocol=str(tmp_path / "protocol.toml"), out=str(tmp_path / "run"))
    process = _as_typed(words, file_size=400_000)
    said = process.communicate()[0]
    assert process.returncode == ExitCode.INVALID
    assert "writing the recording failed: File too large" in said
    assert "Traceback" not in said
    stop = json.loads((tmp_path / "run" / "stop.json").read_text(encoding="utf-8"))
    assert stop["outcome"] == "failed"
    process = _as_typed(["report", str(tmp_path / "run")], file_size=4_000)
    said = process.communicate()[0]
    assert process.returncode == ExitCode.BAD_INPUT
    assert "Traceback" not in said
    assert not (tmp_path / "run" / "analysis" / "report.html").exists()
