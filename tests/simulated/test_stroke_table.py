"""The stroke table of simulated runs against what really happened, stroke by stroke."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bench_runs import files
from struck import truth_beside

from analysis.load import load_run
from analysis.strokes import StrokeTable, build_strokes
from rig.preparation import prepare
from rig.runner import run

LADDER = """format = 1
name = "ladder"
purpose = "single strokes and a roll"
[[stage]]
name = "ladder"
pattern = "single"
strikers = ["A", "B"]
forces_n = [2, 5, 12, 30]
order = "shuffled"
repeats = 10
interval_ms = 200
interval_spread_ms = 12
[[stage]]
name = "roll"
pattern = "roll"
strikers = ["A", "B"]
rates_per_s = [20]
strokes = 16
force_n = 8
"""
FLAMS = """format = 1
name = "flams"
purpose = "pairs, the second soft, equal or hard"
[[stage]]
name = "flams"
pattern = "flam"
strikers = ["A", "B"]
gaps_ms = [4, 8, 16, 30]
level_differences_db = [-12, -6, 0, 6]
repeats = 2
force_n = 12
rest_ms = 400
"""


class Struck:
    """A run, its stroke table, and its truth on the recording's own seconds."""

    def __init__(self, folder: Path, protocol: str, query: str, change: tuple[str, str]) -> None:
        result = run(prepare(files(protocol, query, change)), folder)
        assert result.outcome == "complete"
        self.table: StrokeTable = build_strokes(load_run(folder))
        truth = truth_beside(folder)
        self.clocks = truth.content["clocks"]
        self.contacts = pd.DataFrame(truth.content["contacts"])
        self.notes = pd.DataFrame(truth.content["notes"])
        for table, column in ((self.contacts, "onset_s"), (self.notes, "end_s")):
            table[column] = truth.t_s(table[column])

    def paired(self) -> pd.DataFrame:
        """Strokes beside their true contact and the true end of their first note."""
        contacts = self.contacts.groupby("strike").first().add_prefix("true_")
        first = self.notes[self.notes["strike"] >= 0].groupby("strike").first()
        strokes = self.table.strokes
        strokes = strokes[strokes["strike"] >= 0].set_index("strike")
        return strokes.join(contacts).join(first[["end_s"]].add_prefix("true_note_"))


@pytest.fixture(scope="module")
def ladder(tmp_path_factory: pytest.TempPathFactory) -> Struck:
    """A ladder of forces and a roll."""
    return Struck(tmp_path_factory.mktemp("ladder") / "run", LADDER, "seed=5", ("", ""))


@pytest.fixture(scope="module")
def flams(tmp_path_factory: pytest.TempPathFactory) -> Struck:
    """Flams down to 4 ms."""
    return Struck(tmp_path_factory.mktemp("flams") / "run", FLAMS, "seed=5", ("", ""))


def test_onsets_stroke_by_stroke(ladder: Struck) -> None:
    """Strong strokes within 20 us in the mean and 25 us in scatter; all as surely as stated."""
    pairs = ladder.paired()
    error_s = pairs["onset_t_s"] - pairs["true_onset_s"]
    strong = (pairs["snr_db"] >= 50) & (pairs["pattern"] == "single")
    assert strong.sum() >= 15
    assert abs(error_s[strong].mean()) < 20e-6
    assert error_s[strong].std() < 25e-6
    assert (error_s.abs() <= 1.96 * pairs["onset_u_s"]).mean() > 0.9


def test_notes_stroke_by_stroke(ladder: Struck) -> None:
    """The end of each first note to 6 us, by the board's stamps and the time line."""
    pairs = ladder.paired()
    error_s = (pairs["note_t_s"] - pairs["true_note_end_s"]).dropna()
    assert len(error_s) > 80
    assert error_s.abs().max() < 6e-6
    assert (error_s.abs() <= 3 * pairs["note_u_s"].dropna()).all()


def test_time_line_is_that_of_the_two_crystals(ladder: Struck) -> None:
    """Rate between the clocks to 0.5 ppm; no marker lost, none too many."""
    clocks, line = ladder.clocks, ladder.table.time_line
    assert line is not None
    assert line.ppm == pytest.approx(clocks["audio_ppm"] - clocks["board_ppm"], abs=0.5)
    assert (line.lost, line.extra, line.method) == (0, 0, "markers")
    assert line.residual_sd_us < 0.5


def test_budget_adds_up(ladder: Struck) -> None:
    """Parts are uncorrelated: the combined figure is the root of the sum of their squares."""
    budget = ladder.table.budget
    assert set(budget.parts) == {
        "interface sample",
        "onset",
        "marker fit",
        "stamp of the note",
        "wire",
    }
    squares = sum(u**2 for u, _ in budget.parts.values())
    assert budget.combined_us == pytest.approx(squares**0.5)
    assert 1 < budget.combined_us < 30


def test_flams_down_to_4_ms(flams: Struck) -> None:
    """Lost strokes are exactly those of the truth, and every onset is within 0.5 ms."""
    pairs = flams.paired()
    assert (pairs["outcome"] == "lost").tolist() == pairs["true_note_end_s"].isna().tolist()
    assert (pairs["onset_t_s"] - pairs["true_onset_s"]).abs().max() < 0.5e-3
    assert (flams.table.strokes["strike"] >= 0).all()


@pytest.mark.parametrize("rate_hz", [48_000, 192_000])
def test_other_sample_rates(rate_hz: int, tmp_path: Path) -> None:
    """The same at half and at double the rate."""
    struck = Struck(tmp_path / "run", LADDER, "seed=6", ("96_000", str(rate_hz)))
    pairs = struck.paired()
    assert (pairs["outcome"] == "lost").tolist() == pairs["true_note_end_s"].isna().tolist()
    error_s = pairs["onset_t_s"] - pairs["true_onset_s"]
    assert abs(error_s[pairs["snr_db"] >= 50].mean()) < 20e-6
    assert (error_s.abs() <= 1.96 * pairs["onset_u_s"]).mean() > 0.9


def test_strokes_in_a_gap_of_the_audio_are_invalid(tmp_path: Path) -> None:
    """Lost blocks invalidate the strokes in whose window they fall, with the reason; no others."""
    struck = Struck(tmp_path / "run", LADDER, "seed=7&drop_audio_at_s=6.0,9.0", ("", ""))
    recording = load_run(tmp_path / "run")
    strokes = struck.table.strokes
    assert len(recording.gaps) == 2
    bad = strokes[~strokes["valid"]]
    assert 1 <= len(bad) <= 8
    assert set(bad["outcome"]) == {"invalid"}
    assert bad["excluded_because"].str.contains("audio").all()
    for first, count in recording.gaps:
        low, high = first / recording.sample_rate_hz, (first + count) / recording.sample_rate_hz
        inside = (strokes["drive_t_s"] > low) & (strokes["drive_t_s"] < high)
        assert not strokes.loc[inside, "valid"].any()
    assert strokes["valid"].sum() >= len(strokes) - 8


def test_notes_by_the_host_have_a_larger_uncertainty(tmp_path: Path) -> None:
    """Without the board's input the host's port serves, and says how much less sure it is."""
    struck = Struck(
        tmp_path / "run",
        LADDER,
        "seed=8",
        ("board_din = true", 'board_din = false\nhost_port = "board"'),
    )
    assert struck.table.facts["note_source"] == "host"
    pairs = struck.paired().dropna(subset=["note_t_s", "true_note_end_s"])
    assert len(pairs) > 80
    # a host stamps late, never early: by its frame of 1 ms and what the system adds
    late_s = pairs["note_t_s"] - pairs["true_note_end_s"]
    assert -0.5e-3 < late_s.median() < 3e-3
    assert pairs["note_u_s"].median() > 0.25e-3


def test_columns_are_those_that_are_agreed(ladder: Struck) -> None:
    """Names and kinds of the stroke table and of the notes table, as DEVELOPERS.md has them."""
    strokes, notes = ladder.table.strokes, ladder.table.notes
    expected = (
        "stroke strike burst stage pattern striker width_us force_n group place rate_per_s gap_ms "
        "level_difference_db sweep drive_t_s onset_t_s onset_u_s peak_dbfs snr_db peak_after_ms "
        "clipped sound_t_s sound_u_s note_t_s note_u_s note velocity wire_s note_source latency_s latency_u_s outcome "
        "doubles double_delay_s valid excluded_because"
    ).split()
    assert set(expected) == set(strokes.columns)
    assert strokes["stroke"].tolist() == list(range(len(strokes)))
    assert set(notes.columns) == set(
        "sound_t_s sound_u_s note_t_s note_u_s wire_s note velocity zone source role stroke".split()
    )
    np.testing.assert_allclose(
        strokes["latency_s"], strokes["note_t_s"] - strokes["onset_t_s"], equal_nan=True
    )
