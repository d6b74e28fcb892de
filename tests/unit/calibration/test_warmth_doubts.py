"""When a coil's warmth is spoken of: sign, size and silence."""

import msgspec
import numpy as np
import pytest

from rig.record.calibration_age import warmth_doubts
from rig.record.coil_warmth import equal_width_us
from rig.record.force_width import ForceWidth
from rig.record.loaders import load_bench

STRIKER = load_bench("simulated").strikers[0]
WIDTHS_US = np.full(20, 3000.0)
ON_S = 0.5 * np.arange(20.0)


def with_calibration(**fields):
    """The shipped striker with some of its calibration changed."""
    return msgspec.structs.replace(
        STRIKER, calibration=msgspec.structs.replace(STRIKER.calibration, **fields)
    )


@pytest.mark.parametrize(("room_c", "word"), [(45.0, "lower"), (0.0, "higher")])
def test_sign(room_c, word):
    """A warm coil strikes softer, a cold one harder: copper's resistance grows with warmth."""
    (sentence,) = warmth_doubts(STRIKER, ON_S, WIDTHS_US, room_c)
    assert f"forces were {word} than stated" in sentence


def test_within_the_uncertainty_nothing_is_said():
    """A kelvin is nothing; with a stated uncertainty that small it is."""
    assert warmth_doubts(STRIKER, ON_S, WIDTHS_US, 22.0) == []
    assert warmth_doubts(with_calibration(uncertainty_percent=0.1), ON_S, WIDTHS_US, 22.0)


def test_strokes_warm_a_coil():
    """A small coil in quick strokes, in the room of the calibration: its own heat is told."""
    on_s, widths = 0.06 * np.arange(3000.0), np.full(3000, 3500.0)
    small = msgspec.structs.replace(STRIKER, heat_capacity_j_per_k=3.0)
    (sentence,) = warmth_doubts(small, on_s, widths, 21.0)
    assert "was at 21 to" in sentence
    unknown = msgspec.structs.replace(STRIKER, heat_capacity_j_per_k=None)
    assert warmth_doubts(unknown, on_s, widths, 21.0) == []


def test_strokes_at_the_soft_end_are_told_too():
    """Softer than all that was calibrated: it is told by how much at least."""
    soft = np.full(5, STRIKER.calibration.widths_us[1])
    assert equal_width_us(STRIKER, soft[0], 60.0, 21.0) < STRIKER.calibration.widths_us[0]
    (sentence,) = warmth_doubts(STRIKER, ON_S[:5], soft, 60.0)
    assert "up to 35.5 %" in sentence  # from 0.6894 N to 0.4445 N, the table's end


def test_what_is_not_known_is_not_said():
    """No calibration, no temperature of it, no strokes, or widths that it doesn't hold."""
    bare = msgspec.structs.replace(STRIKER, calibration=None)
    for striker, widths in (
        (bare, WIDTHS_US),
        (with_calibration(coil_temperature_c=None), WIDTHS_US),
        (STRIKER, np.zeros(0)),
        (STRIKER, np.full(20, 900.0)),
    ):
        assert warmth_doubts(striker, ON_S[: len(widths)], widths, 60.0) == []


def test_pulses_made_to_fit_leave_some_doubt():
    """Fitted to a coil 17 K warmer, a soft stroke is no longer softer, but not as sure as stated."""
    stated = np.full(20, 1.0)
    cold = ForceWidth(STRIKER).width_us(stated)
    fitted = equal_width_us(STRIKER, cold, 21.0, 38.0)
    (sentence,) = warmth_doubts(STRIKER, ON_S, fitted, 38.0, stated)
    assert "pulses were made to fit" in sentence
    (sentence,) = warmth_doubts(STRIKER, ON_S, cold, 38.0, stated)
    assert "forces were lower than stated" in sentence
    hard = np.full(20, 12.0)
    fitted = equal_width_us(STRIKER, ForceWidth(STRIKER).width_us(hard), 21.0, 27.0)
    assert warmth_doubts(STRIKER, ON_S, fitted, 27.0, hard) == []
