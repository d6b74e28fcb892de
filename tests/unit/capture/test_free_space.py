"""Room on the disk, asked before a run and all through it."""

import shutil

import pytest

from rig.capture.free_space import no_room, recording_bytes, require_room_left
from rig.record.bench_fault import BenchError


def test_a_recording_that_fits_is_allowed_even_where_its_folder_is_not_made_yet(tmp_path):
    """Ten seconds fit into any test machine."""
    assert no_room(tmp_path / "runs" / "a", 10, 48_000, 2) == []


def test_a_recording_that_does_not_fit_is_refused_with_both_sizes(tmp_path):
    """A recording larger than the disk is refused before it starts."""
    total = shutil.disk_usage(tmp_path).total
    duration_s = 2 * total / (96_000 * 16 * 3)
    assert recording_bytes(duration_s, 96_000, 16) == pytest.approx(2 * total, rel=1e-6)
    (fault,) = no_room(tmp_path, duration_s, 96_000, 16)
    assert "MB are free" in fault
    assert f"{(2 * total + 200_000_000) / 1e6:.0f} MB are needed" in fault


def test_a_disk_that_fills_up_ends_a_recording_in_time(tmp_path, monkeypatch):
    """While recording, less than 50 MB free is told, with what to do; more is not."""
    usage = shutil.disk_usage(tmp_path)
    require_room_left(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=40_000_000))
    with pytest.raises(BenchError, match=r"40 MB are free .* 50 MB are the least.*Make room"):
        require_room_left(tmp_path)
