"""A module that sent its status byte before the recording began (running status, MIDI 1.0)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from bench_runs import files, truth_of

from analysis.headless import BECAUSE
from analysis.pipeline import Analysis, analyse_run
from analysis.stage_search import notes_of_strokes
from rig.burst import NoteCounter
from rig.preparation import prepare
from rig.progress import Progress
from rig.record.bench_fault import BenchError
from rig.record.midi_bytes import parse_notes
from rig.run_files import RunFiles
from rig.runner import run

PROTOCOL = """
format = 1
name = "headless"
purpose = "notes without a status byte"

[[stage]]
name = "steady"
pattern = "single"
strikers = ["A", "B"]
forces_n = [8, 16]
repeats = 8
interval_ms = 150

[[limit]]
measure = "lost_share"
at_most_percent = 50
"""
STOP = "[stop]\nlost_share_percent = 50\nover_strokes = 10\n"
BOARD = "[midi]\nboard_din = true\n"
LINE = '[[audio.channel]]\nnumber = 3\nrole = "din_line"\n\n[midi]\nboard_din = false\n'
HOST = BOARD + 'host_port = "board"\n'


def changed(made: RunFiles, *, stated: bool = False, midi: str = BOARD) -> RunFiles:
    """The files, with another [midi] table, and with the status stated in the specimen file."""
    bench = made.bench_text.replace("[midi]\nboard_din = true\n", midi)
    assert bench != made.bench_text or midi == BOARD
    specimen = made.specimen_text
    if stated:
        specimen = specimen.replace("[module]\n", "[module]\nrunning_status_from_before = true\n")
        assert specimen != made.specimen_text
    return RunFiles.from_texts(made.protocol_text, bench, specimen)


def struck(path: Path, *, stated: bool = False, midi: str = BOARD) -> tuple[Analysis, int]:
    """Strike with a module whose status was sent before; and the MIDI bytes without a status."""
    told = [Progress()]
    # what a stop by lost strokes goes by is the board's own input
    protocol = PROTOCOL if midi == LINE else PROTOCOL.replace("[[stage]]", f"{STOP}[[stage]]")
    made = changed(files(protocol, "seed=1&status_sent=1"), stated=stated, midi=midi)
    result = run(prepare(made), path, progress=told.append)
    assert result.outcome == "complete", result.reason
    assert result.reason == ""  # not "lost": nobody knows that
    return analyse_run(path), told[-1].headless


@pytest.mark.parametrize("midi", [BOARD, LINE])
def test_bytes_without_a_status_are_told_and_never_counted_as_lost(
    tmp_path: Path, midi: str
) -> None:
    """Board's stamps and recorded line: every stroke is left out, invalid, with what to do."""
    analysis, headless = struck(tmp_path / "run", midi=midi)
    planned = analysis.table.strokes[analysis.table.strokes["strike"] >= 0]
    assert len(planned) == 32
    assert set(planned["excluded_because"]) == {BECAUSE}
    assert analysis.overall == "invalid"
    (doubt,) = [one for one in analysis.doubts if "before any status byte" in one]
    assert "128 data bytes" in doubt
    assert "32 strokes are left out" in doubt
    assert "switch it off and on" in doubt
    assert "running_status_from_before = true" in doubt
    assert headless == 128


@pytest.mark.parametrize("midi", [BOARD, LINE])
def test_what_the_specimen_file_states_is_read(tmp_path: Path, midi: str) -> None:
    """With the status stated every note is read, as the truth has it."""
    analysis, headless = struck(tmp_path / "run", stated=True, midi=midi)
    assert headless == 0
    notes = analysis.table.notes
    truth = [n for n in truth_of(tmp_path / "run")["notes"] if n["note"] == 38]
    assert notes["velocity"].tolist() == [n["velocity"] for n in truth]
    assert analysis.overall == "pass"
    assert not any("status byte" in one for one in analysis.doubts)


def test_a_source_that_can_be_read_stands_before_one_that_can_not(tmp_path: Path) -> None:
    """A host's port gives whole messages: its notes count, and nothing is left out."""
    analysis, _ = struck(tmp_path / "run", midi=HOST)
    assert analysis.table.facts["note_source"] == "host"
    assert any("board_din: 128 data bytes came" in one for one in analysis.doubts)
    assert analysis.overall == "pass"
    assert analysis.table.strokes["valid"].all()


def test_bytes_up_to_the_first_status_only_are_left_out() -> None:
    """Pairs before the first status are counted and placed; from it on all is read (MIDI 1.0).

    Real-time bytes are no status. A stated status reads the pairs too.
    """
    values = [38, 70, 0xF8, 38, 0, 0x99, 38, 90, 38, 0]
    starts = np.arange(10) * 320.0
    found = parse_notes(values, starts, 320.0)
    assert found.velocity.tolist() == [90, 0]
    assert (found.headless, found.orphans) == (4, 4)
    assert (found.headless_from, found.headless_to) == (0.0, 1600.0)
    stated = parse_notes(values, starts, 320.0, 0x99)
    assert stated.velocity[stated.on].tolist() == [70, 90]
    assert (stated.headless, stated.orphans) == (0, 0)
    assert stated.byte_count.tolist() == [2, 2, 3, 2]
    later = parse_notes([0x99, 38, 90, 0xF6, 38, 90], np.arange(6.0))
    assert (later.headless, later.orphans) == (0, 2)
    none = parse_notes([], [])
    assert (none.headless, np.isnan(none.headless_from), none.headless_to) == (0, True, np.inf)


def test_a_search_does_not_take_unreadable_notes_for_lost_ones() -> None:
    """It breaks off with what to do, unless the status is stated."""
    values, at_s = [38, 70, 38, 0], np.array([0.010, 0.0104, 0.07, 0.0704])
    with pytest.raises(BenchError, match=r"4 data bytes came before .*running_status_from_before"):
        notes_of_strokes(np.array([0.005]), values, at_s, 10, 38)
    assert notes_of_strokes(np.array([0.005]), values, at_s, 10, 38, 0x99).tolist() == [1]


def test_the_live_count_judges_nothing_until_a_status_has_come() -> None:
    """Neither lost nor double while the bytes can't be read; afterwards as usual."""
    counter = NoteCounter()
    for _ in range(3):
        counter.impact()
        for byte in (38, 70, 38, 0):
            counter.feed(byte)
    assert (counter.headless, counter.lost, counter.notes) == (12, 0, 0)
    for byte in (0x99, 38, 70, 38, 0):
        counter.feed(byte)
    counter.impact()
    counter.impact()
    assert (counter.headless, counter.lost) == (12, 1)
    known = NoteCounter(0x99)
    for byte in (38, 70, 38, 0):
        known.feed(byte)
    assert (known.headless, known.notes) == (0, 1)
