"""A JACK client that plays: what a sensor, a DIN line and a MIDI port would send, by the frame.

Run as a program: ``virtual_instrument.py NAME CHANNELS [TAKE.npz]``. Without a take each channel
counts its frames, so that any lost, repeated or shifted sample shows. A take holds ``audio``
(frames, channels), ``midi_frames`` and ``midi`` (one row of three bytes each). Commands come as
lines: ``play``, ``freewheel on``, ``freewheel off``; the end of the input ends it.
"""

import sys

import jack
import numpy as np
from virtual_count import count_at


def main():
    """Play until the input ends."""
    name, channels = sys.argv[1], int(sys.argv[2])
    take = dict(np.load(sys.argv[3])) if len(sys.argv) > 3 else None
    client = jack.Client(name, no_start_server=True)
    outputs = [client.outports.register(f"out_{k + 1}") for k in range(channels)]
    midi_out = client.midi_outports.register("midi")
    state = {"frame": 0, "playing": take is None}

    def process(frames):
        midi_out.clear_buffer()
        if take is None:
            at = np.arange(state["frame"] + 1, state["frame"] + 1 + frames)
            for channel, port in enumerate(outputs):
                port.get_array()[:] = count_at(at, channel)
            state["frame"] += frames
            return
        first = state["frame"] if state["playing"] else len(take["audio"])
        block = take["audio"][first : first + frames]
        for channel, port in enumerate(outputs):
            samples = port.get_array()
            samples[: len(block)] = block[:, channel]
            samples[len(block) :] = take["audio"][-1, channel]
        if state["playing"]:
            inside = (take["midi_frames"] >= first) & (take["midi_frames"] < first + frames)
            for frame, message in zip(
                take["midi_frames"][inside], take["midi"][inside], strict=True
            ):
                midi_out.write_midi_event(int(frame - first), bytes(message.tolist()))
            state["frame"] += frames

    client.set_process_callback(process)
    with client:
        print("ready", flush=True)
        for line in sys.stdin:
            command = line.strip()
            if command == "play":
                state["playing"] = True
            elif command.startswith("freewheel"):
                client.set_freewheel(command.endswith("on"))
            print(command, flush=True)


main()
