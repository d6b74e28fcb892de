"""Audio that was lost, from the interface to the measures: noticed, placed, never a wrong number.

The simulated interface loses blocks at known times, and counts them rightly, wrongly or not at
all. Its truth is the reference; the analysis never reads it.
"""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest
from struck import SPECIMEN, record, truth_beside

from analysis.pipeline import analyse_run
from rig.preparation import prepare
from rig.record.loaders import find_file
from rig.record.run_folder import RunReader
from rig.run_files import RunFiles
from rig.runner import run

PROTOCOL = """format = 1
name = "losses"
purpose = "steady strokes while audio is lost"
[[stage]]
name = "one"
pattern = "single"
strikers = ["A", "B"]
forces_n = [6, 15]
repeats = 14
interval_ms = 160
interval_spread_ms = 12
[[stage]]
name = "two"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [12]
strokes = 24
force_n = 8
"""
BLOCK_FRAMES = 4096
FIRMWARE = {"brook": "1.4", "tarn": "2.0"}


def lossy(folder, query, drops="2.5,4.1,7.3"):
    """A run that lost blocks; its analysis, truth, and what was truly lost, in true seconds."""
    record(PROTOCOL, folder, seed=4, query=f"&drop_audio_at_s={drops}{query}")
    truth = truth_beside(folder)
    clock = truth.content["clocks"]
    block_s = BLOCK_FRAMES * clock["audio_step_s"]
    lost = []
    for at in drops.split(","):
        number = np.floor((float(at) - clock["audio_start_s"]) / block_s)
        begin_s = clock["audio_start_s"] + number * block_s
        lost.append((begin_s, begin_s + block_s))
    return analyse_run(folder), truth, lost


@pytest.mark.parametrize("module", ["brook", "tarn"])
def test_notes_of_a_recorded_line_across_lost_blocks(tmp_path, module):
    """The line alone tells the notes: none is misread after a gap, with or without running status.

    brook leaves the status out where it can (MIDI 1.0), tarn sends it with each message.
    """
    bench = find_file("simulated", "benches").read_text(encoding="utf-8")
    line = '[[audio.channel]]\nnumber = 3\nrole = "din_line"\n\n[midi]\nboard_din = false'
    bench = bench.replace("[midi]\nboard_din = true", line)
    bench = bench.replace("seed=1", "seed=4&drop_audio_at_s=2.5,4.1,7.3")
    specimen = SPECIMEN.format(
        pad="loam-mesh", module=module, firmware=FIRMWARE[module], settings="", faults="[]"
    )
    files = RunFiles.from_texts(PROTOCOL, bench, specimen)
    run(prepare(files), tmp_path / "run")
    analysis = analyse_run(tmp_path / "run")
    truth = truth_beside(tmp_path / "run")
    assert analysis.table.facts["note_source"] == "din_line"
    measured_s, true_s, rows = latencies(analysis, truth)
    assert len(rows) > 40
    assert measured_s.isna().tolist() == true_s.isna().tolist()
    assert (measured_s - true_s).abs().max() < 0.5e-3
    true_notes = pd.DataFrame(truth.content["notes"]).groupby("strike").first()
    noted = rows[rows["note_t_s"].notna()]
    assert (noted["velocity"] == true_notes["velocity"].reindex(noted.index)).all()


def test_a_disk_that_fills_up_ends_the_run_with_all_that_was_recorded(tmp_path, monkeypatch):
    """With too little room left the run fails with a sentence; what was recorded is measured."""
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=10_000_000))
    result = record(PROTOCOL, tmp_path / "run", seed=4)
    assert result.outcome == "failed"
    assert "10 MB are free on its disk, and 50 MB are the least" in result.reason
    reader = RunReader.open(tmp_path / "run")
    assert reader.audio.frame_count > 3 * 96_000
    analysis = analyse_run(tmp_path / "run")
    assert analysis.table.strokes["valid"].sum() > 5
    assert analysis.overall != "pass"


def latencies(analysis, truth):
    """Latency as measured and as it truly was, of each valid stroke with a note."""
    contacts = pd.DataFrame(truth.content["contacts"]).groupby("strike").first()
    notes = pd.DataFrame(truth.content["notes"])
    ends = notes[notes["strike"] >= 0].groupby("strike")["end_s"].first()
    rows = analysis.table.strokes
    rows = rows[rows["valid"] & (rows["strike"] >= 0)].set_index("strike")
    true_s = (ends - contacts["onset_s"]).reindex(rows.index)
    return rows["latency_s"], true_s, rows


@pytest.mark.parametrize("miscount", [0, 7, 1900, -4000])
def test_lost_blocks_are_marked_and_the_rest_is_right(tmp_path, miscount):
    """Strokes inside are invalid with the reason; all others as true as without a loss.

    The interface counts each lost block rightly, or wrongly by some frames.
    """
    analysis, truth, lost = lossy(tmp_path / "run", f"&drop_miscount_frames={miscount}")
    gaps = RunReader.open(tmp_path / "run").events.query("kind == 'audio_gap'")
    assert gaps["value"].tolist() == [BLOCK_FRAMES + miscount] * 3
    first = [round((begin - truth.content["clocks"]["audio_start_s"])
                   / truth.content["clocks"]["audio_step_s"]) for begin, _ in lost]  # fmt: skip
    assert gaps["stamp_int"].tolist() == [f + k * miscount for k, f in enumerate(first)]
    contacts = pd.DataFrame(truth.content["contacts"]).groupby("strike").first()
    strokes = analysis.table.strokes.set_index("strike")
    for begin_s, end_s in lost:
        hit = contacts.index[(contacts["onset_s"] > begin_s) & (contacts["onset_s"] < end_s)]
        assert not strokes.loc[hit, "valid"].any()
    bad = strokes[~strokes["valid"]]
    assert 1 <= len(bad) <= 12
    assert bad["excluded_because"].eq("audio was lost in its window").all()
    measured_s, true_s, rows = latencies(analysis, truth)
    error_s = measured_s - true_s
    assert rows["outcome"].isin(["clean", "double", "lost"]).all()
    assert measured_s.isna().tolist() == true_s.isna().tolist()
    assert (error_s.abs() <= 3 * rows["latency_u_s"])[~error_s.isna()].mean() > 0.95
    assert error_s.abs().max() < 0.5e-3
    longer = [d for d in analysis.doubts if "than was told" in d]
    assert len(longer) == (3 if miscount else 0)


def test_a_loss_that_goes_untold_gives_no_wrong_number(tmp_path):
    """The interface says nothing of a lost block: the markers do, and what lies there is invalid."""
    analysis, truth, _ = lossy(tmp_path / "run", f"&drop_miscount_frames={-BLOCK_FRAMES}", "4.1")
    assert not len(RunReader.open(tmp_path / "run").events.query("kind == 'audio_gap'"))
    assert any("were lost there" in doubt for doubt in analysis.doubts)
    bad = analysis.table.strokes.query("not valid")
    assert 1 <= len(bad) <= 6
    measured_s, true_s, rows = latencies(analysis, truth)
    assert measured_s.isna().tolist() == true_s.isna().tolist()
    error_s = (measured_s - true_s).dropna()
    assert error_s.abs().max() < 0.5e-3
    assert len(rows) > 40
