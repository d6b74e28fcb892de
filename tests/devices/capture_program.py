"""Capture in a process that can be ended: prints one JSON line of what it found.

``capture_program.py '{"what": ..., "device": ..., ...}'``; see each function.
"""

import json
import sys
import time

import numpy as np
from virtual_count import CHANNEL_STEP, WRAP

from rig.capture.audio import InterfaceAudio
from rig.capture.midi import PortMidi
from rig.record.bench_fault import BenchError
from rig.record.bench_file import Audio, AudioChannel


def say(word, **what):
    """One line for the test."""
    print(word, json.dumps(what), flush=True)


def source_of(ask):
    """Open the device as the bench file would name it."""
    return InterfaceAudio(
        Audio(
            device=ask["device"],
            host_api="JACK Audio Connection Kit",
            sample_rate_hz=ask["rate_hz"],
            channels=tuple(
                AudioChannel(number=number, role="sensor") for number in ask["channels"]
            ),
        ),
        ring_s=ask.get("ring_s", 8.0),
    )


def in_pieces(blocks, frames=1 << 16):
    """Blocks cut small, so that checking them takes little room."""
    for block in blocks:
        for at in range(0, len(block.samples), frames):
            dropped = 0 if at else block.dropped_frames
            yield block.first_frame + at, dropped, block.samples[at : at + frames]


def count(ask):
    """Record counts; compare each sample of each channel with the count that must stand there."""
    source = source_of(ask)
    source.start()
    say("started")
    wrong = recorded = 0
    gaps, error = [], None
    expected = None
    said = False
    asleep = ask.get("asleep_s", 0.0)
    end = time.monotonic() + ask["patience_s"]
    while recorded < ask["frames"] and time.monotonic() < end:
        time.sleep(0.002)
        if recorded and not said:
            said = True
            say("recording")
        if asleep and recorded > ask["frames"] // 2:
            time.sleep(asleep)
            asleep = 0.0
        if ask.get("spoil") and recorded > ask["frames"] // 2:
            source._pick = object()  # the callback can't but fail now
        try:
            blocks = source.read()
        except BenchError as fault:
            error = str(fault)
            break
        for first_frame, dropped, samples in in_pieces(blocks):
            if recorded >= ask["frames"]:
                break
            counts = np.rint(samples.astype(np.float64) * WRAP).astype(np.int64)
            counts -= CHANNEL_STEP * (np.array(ask.get("columns", ask["channels"])) - 1)
            if expected is None:
                playing = np.flatnonzero((samples > 0).all(axis=1))
                if len(playing) == 0:
                    continue
                counts = counts[playing[0] :]
                expected = counts[0, 0]
            if dropped:
                # How far the counts truly jump, against the frames said to be lost.
                gaps.append([first_frame, dropped, int((counts[0, 0] - expected) % WRAP)])
                expected = counts[0, 0]
            true = (expected + np.arange(len(counts))) % WRAP
            wrong += int(np.sum((counts % WRAP) != true[:, None]))
            expected = (expected + len(counts)) % WRAP
            recorded += len(counts)
    if ask.get("wait_at_end"):
        say("enough")
        sys.stdin.readline()
    source.stop()
    source.stop()  # twice does no harm
    say(
        "done",
        wrong=wrong,
        recorded=recorded,
        gaps=gaps,
        error=error,
        overflows=source.overflows,
        frames_lost=source.frames_lost,
    )


def listen(ask):
    """Record audio and MIDI of a take to a file; the test decodes it."""
    source = source_of(ask)
    midi = PortMidi(ask["midi"])
    source.start()
    say("started")
    blocks, messages = [], []
    end = time.monotonic() + ask["duration_s"]
    while time.monotonic() < end:
        time.sleep(0.01)
        blocks += source.read()
        messages += midi.read()
    stamps = list(source.stamps)
    source.stop()
    midi.close()
    np.savez(
        ask["path"],
        audio=np.concatenate([block.samples for block in blocks]),
        dropped=sum(block.dropped_frames for block in blocks),
        stamps=np.array(stamps),
        midi_s=np.array([at for at, _ in messages]),
        midi=np.array([list(message) for _, message in messages]),
    )
    say("done", lost=midi.lost, malformed=midi.malformed)


def flood(ask):
    """Hear a flood, then close in the middle of it."""
    midi = PortMidi(ask["midi"])
    say("started")
    messages = []
    end = time.monotonic() + ask["duration_s"]
    error = None
    while time.monotonic() < end:
        time.sleep(0.01)
        try:
            messages += midi.read()
        except BenchError as fault:
            error = str(fault)
            break
    midi.close()
    say("done", heard=len(messages), lost=midi.lost, malformed=midi.malformed, error=error)


ask = json.loads(sys.argv[1])
{"count": count, "listen": listen, "flood": flood}[ask["what"]](ask)
