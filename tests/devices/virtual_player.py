"""A JACK client that plays what comes on its standard input: ``virtual_player.py NAME CHANNELS``.

Each piece: kind (0 audio, 1 MIDI; one byte), number of bytes (four), bytes. Audio is float32,
frames by channels, and begins once a second of it is there; MIDI goes out at once.
"""

import collections
import struct
import sys

import jack
import numpy as np

AHEAD_S = 1.0


def main():
    """Play until the input ends."""
    name, channels = sys.argv[1], int(sys.argv[2])
    client = jack.Client(name, no_start_server=True)
    outputs = [client.outports.register(f"out_{k + 1}") for k in range(channels)]
    midi_out = client.midi_outports.register("midi")
    blocks, messages = collections.deque(), collections.deque()
    state = {"ready": 0, "playing": False, "rest": np.empty((0, channels), np.float32), "missed": 0}

    def process(frames):
        midi_out.clear_buffer()
        while messages:
            midi_out.write_midi_event(0, messages.popleft())
        if not state["playing"]:
            state["playing"] = state["ready"] >= AHEAD_S * client.samplerate
        rest = state["rest"]
        while state["playing"] and len(rest) < frames and blocks:
            rest = np.concatenate([rest, blocks.popleft()])
        if state["playing"] and len(rest) < frames:
            state["missed"] += 1
        for channel, port in enumerate(outputs):
            samples = port.get_array()
            samples[: len(rest)] = rest[:frames, channel]
            samples[len(rest) :] = 0.0
        state["rest"] = rest[frames:]

    client.set_process_callback(process)
    with client:
        print("ready", flush=True)
        while len(head := sys.stdin.buffer.read(5)) == 5:
            kind, size = struct.unpack("<BI", head)
            content = sys.stdin.buffer.read(size)
            if kind:
                messages.append(content)
                continue
            samples = np.frombuffer(content, np.float32).reshape(-1, channels)
            blocks.append(samples)
            state["ready"] += len(samples)
    print("missed", state["missed"], flush=True)


main()
