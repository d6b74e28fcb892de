"""``strikebench check`` prints what would be done, and refuses by exit code."""

from __future__ import annotations

import typer
from record_texts import BENCH_TEXT, PROTOCOL_TEXT
from typer.testing import CliRunner

from rig.cli.check import check

app = typer.Typer()
app.command()(check)


def test_an_allowed_protocol(tmp_path):
    """Stages, strokes and time are printed, and the exit code is 0."""
    (tmp_path / "p.toml").write_text(PROTOCOL_TEXT)
    (tmp_path / "b.toml").write_text(BENCH_TEXT)
    done = CliRunner().invoke(app, [str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml")])
    assert done.exit_code == 0, done.output
    # 4 forces up and down, 3 times, by 2 strikers; 3 rolls of 16; 2 trains of 8; 2 x 6 pairs
    assert f"{4 * 2 * 3 * 2 + 3 * 16 + 2 * 8 + 2 * 6 * 2} strokes" in done.output
    assert "flams" in done.output


def test_a_refused_protocol(tmp_path):
    """Each refusal is printed, and the exit code is 2."""
    (tmp_path / "p.toml").write_text(PROTOCOL_TEXT.replace("[10, 20, 40]", "[10, 20, 90]"))
    (tmp_path / "b.toml").write_text(BENCH_TEXT)
    done = CliRunner().invoke(app, [str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml")])
    assert done.exit_code == 2
    assert done.output.count("refused: stage 'rolls'") == 2


def test_a_limit_that_no_stroke_can_meet_is_told(tmp_path):
    """A gap of flams asked of rolls; asked of the whole protocol, which has flams, it is none."""
    limit = '[[limit]]\nmeasure = "flam_gap_95"\nat_most_ms = 30\n'
    for stage, told in (('stage = "rolls"\n', True), ("", False)):
        (tmp_path / "p.toml").write_text(PROTOCOL_TEXT + limit + stage)
        (tmp_path / "b.toml").write_text(BENCH_TEXT)
        asked = [str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml")]
        done = CliRunner().invoke(app, asked)
        assert done.exit_code == 0, done.output
        assert ("limit 2: flam_gap_95 takes strokes of pattern flam" in done.output) == told


def test_names_with_markup_are_printed_as_they_are(tmp_path):
    """A stage's name is text, not a sign for colours."""
    named = PROTOCOL_TEXT.replace('"rolls"', '"[/] [red]x[/red]"')
    (tmp_path / "p.toml").write_text(named)
    (tmp_path / "b.toml").write_text(BENCH_TEXT)
    done = CliRunner().invoke(app, [str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml")])
    assert done.exit_code == 0, done.output
    assert "[/]" in done.output


def test_notes_by_the_host_alone_are_told(tmp_path):
    """How late such notes may be is said before anything is struck; not where DIN comes in too."""
    (tmp_path / "p.toml").write_text(PROTOCOL_TEXT)
    midi = '\n[midi]\nboard_din = {}\nhost_port = "pads"\nhost_delay_at_most_ms = 4\n'
    for board_din, told in (("false", True), ("true", False)):
        (tmp_path / "b.toml").write_text(BENCH_TEXT + midi.format(board_din))
        asked = [str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml")]
        done = CliRunner().invoke(app, asked)
        assert done.exit_code == 0, done.output
        assert ("between 0 and 4 ms" in " ".join(done.output.split())) == told


def test_a_search_over_too_wide_steps_is_told(tmp_path):
    """Stage, keys, widest step and next step are named before anything is struck; else nothing."""
    (tmp_path / "b.toml").write_text(BENCH_TEXT)
    protocol = (
        'format = 1\nname = "soft"\npurpose = "Softest"\n[[stage]]\nname = "soft"\n'
        'pattern = "single"\nforces_n = [2, 2.2, 2.4, 3.4]\nprecision_n = {}\n'
    )
    for precision, wide in ((0.25, True), (1.0, False)):
        (tmp_path / "p.toml").write_text(protocol.format(precision))
        asked = [str(tmp_path / "p.toml"), "--bench", str(tmp_path / "b.toml")]
        done = CliRunner().invoke(app, asked)
        assert done.exit_code == 0, done.output
        told = " ".join(done.output.split())
        assert ("stage 'soft': precision_n = 0.25, but 1 of 3 steps of forces_n" in told) == wide
        assert ("give forces_n at most 0.25 N apart" in told) == wide
