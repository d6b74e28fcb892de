"""The files that are written for a take from outside can be read, whatever it is called."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.capture.take import TakeAudio
from rig.capture.take_files import bench_text, protocol_text
from rig.record.loaders import parse_bench, parse_protocol
from rig.record.plan_csv import empty_plan


@pytest.mark.parametrize(
    ("name", "read"),
    [
        ('a "take" \\ 1.wav', 'a "take" \\ 1.wav'),
        ("tab\tbell\x07del\x7f.wav", "tab?bell?del?.wav"),
        # a byte of a file name that is no UTF-8, as Python hands it over (PEP 383)
        ("latin \udce9.wav", "latin ?.wav"),
        ("räume 三.wav", "räume 三.wav"),
    ],
)
def test_odd_names_are_kept(name: str, read: str) -> None:
    """Quotes and letters of any script come back; what can't be shown is replaced."""
    facts = TakeAudio(Path(name), 48_000, 1, 48_000, "WAV")
    assert parse_protocol(protocol_text(empty_plan(), facts), "protocol").name == f"Take {read}"
    assert parse_bench(bench_text(facts, {"sensor": 1}), "bench").audio.device == read


def test_a_long_name_is_cut() -> None:
    """A file system's 255 letters are more than a name in a file may have."""
    facts = TakeAudio(Path("a" * 251 + ".wav"), 48_000, 1, 48_000, "WAV")
    name = parse_protocol(protocol_text(empty_plan(), facts), "protocol").name
    assert name == f"Take {'a' * 94}…"
