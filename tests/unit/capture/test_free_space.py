"""Room on the disk, asked before a run."""

import shutil

import pytest

from rig.capture.free_space import recording_bytes, require_free_space
from rig.record.bench_fault import BenchError


def test_a_recording_that_fits_is_allowed_even_where_its_folder_is_not_made_yet(tmp_path):
    """Ten seconds fit into any test machine."""
    require_free_space(tmp_path / "runs" / "a", 10, 48_000, 2)


def test_a_recording_that_does_not_fit_is_refused_with_both_sizes(tmp_path):
    """A recording larger than the disk is refused before it starts."""
    total = shutil.disk_usage(tmp_path).total
    duration_s = 2 * total / (96_000 * 16 * 3)
    assert recording_bytes(duration_s, 96_000, 16) == pytest.approx(2 * total, rel=1e-6)
    with pytest.raises(BenchError, match="MB are free"):
        require_free_space(tmp_path, duration_s, 96_000, 16)
