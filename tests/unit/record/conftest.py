"""A small protocol, bench and specimen, and a recorded run of them."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from record_texts import BENCH_TEXT, PROTOCOL_TEXT, SPECIMEN_TEXT, begin_run

from rig.record.bench_file import BenchFile
from rig.record.loaders import parse_bench, parse_protocol, parse_specimen
from rig.record.protocol import Protocol
from rig.record.specimen import Specimen


@pytest.fixture(scope="session")
def protocol() -> Protocol:
    """Every pattern once."""
    return parse_protocol(PROTOCOL_TEXT, "protocol.toml")


@pytest.fixture(scope="session")
def bench() -> BenchFile:
    """Two strikers whose calibration is a power law."""
    return parse_bench(BENCH_TEXT, "bench.toml")


@pytest.fixture(scope="session")
def specimen() -> Specimen:
    """A pad and its module."""
    return parse_specimen(SPECIMEN_TEXT, "specimen.toml")


@pytest.fixture(scope="session")
def samples() -> np.ndarray:
    """Noise of two channels."""
    return np.random.default_rng(5).uniform(-1, 1, (37, 2)).astype(np.float32)


@pytest.fixture(scope="session")
def complete_run(tmp_path_factory: pytest.TempPathFactory, samples: np.ndarray) -> Path:
    """A run that was closed as complete: 12 events, 37 frames."""
    path = tmp_path_factory.mktemp("record") / "run"
    with begin_run(path) as writer:
        audio = writer.open_audio(96_000, 2)
        for strike in range(12):
            writer.event("coil_on", "controller", 2**60 + strike, value=0, strike=strike)
        audio.write(samples)
        writer.close("complete")
    return path


@pytest.fixture
def copy_of_run(complete_run: Path, tmp_path: Path) -> Path:
    """A copy of the complete run, to be damaged."""
    return Path(shutil.copytree(complete_run, tmp_path / "copy"))
