"""The ring between callback and reader, against a plain list."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.capture.ring import SampleRing


@given(st.lists(st.one_of(st.integers(0, 40), st.just(-1)), max_size=60))
def test_every_frame_is_given_once_or_counted_as_lost_in_its_place(steps):
    """Whatever comes in whatever pieces, frames given and frames lost make up the whole."""
    ring = SampleRing(64, 2)
    sent = 0
    place = 0
    for step in [*steps, -1]:
        if step >= 0:
            frames = np.arange(sent, sent + step, dtype=np.float32)
            ring.write(np.stack([frames, -frames], axis=1))
            sent += step
            continue
        for lost, samples in ring.take():
            place += lost
            assert np.array_equal(samples[:, 0], np.arange(place, place + len(samples)))
            assert np.array_equal(samples[:, 1], -samples[:, 0])
            place += len(samples)
    assert ring.frames_offered == sent
    # What was lost last has no frames after it yet.
    assert sent - place <= ring.frames_lost
    ring.write(np.full((1, 2), sent, dtype=np.float32))
    ((lost, samples),) = ring.take()
    assert place + lost == sent
    assert samples[0, 0] == sent


def test_a_block_longer_than_the_ring_is_lost_whole():
    """No half of a block is kept."""
    ring = SampleRing(10, 1)
    assert not ring.write(np.ones((11, 1), dtype=np.float32))
    assert ring.frames_lost == 11
    assert ring.take() == []
