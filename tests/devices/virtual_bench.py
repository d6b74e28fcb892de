"""A bench in real time, behind real kinds of ports: ``virtual_bench.py JSON``.

``url``: the simulated bench. ``emulator``: the firmware's image on an emulated controller, with
the simulated bench's strikers and pad. The board answers on a pseudo-terminal, its audio and its module's USB port are a JACK client of
the given name: the host's code for real devices meets them as it meets any others. It prints
``pty NAME`` and runs until its input ends; then the truth is written to the path given.
"""

import json
import os
import select
import struct
import subprocess
import sys
import time
import tty
from pathlib import Path

import numpy as np
from emulated_port import EmulatedPort

from rig.link.transport import open_port

TURN_S = 0.001
AUDIO_S = 0.02


def main():
    """Carry bytes, samples and messages until the input ends."""
    ask = json.loads(sys.argv[1])
    roles = ask["roles"]
    player = subprocess.Popen(
        [
            sys.executable,
            Path(__file__).with_name("virtual_player.py"),
            ask["name"],
            str(len(roles)),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    player.stdout.readline()

    def play(kind, content):
        player.stdin.write(struct.pack("<BI", kind, len(content)) + content)
        player.stdin.flush()

    if "emulator" in ask:
        port = EmulatedPort(ask["emulator"], ask["seed"])
    else:
        port = open_port(ask["url"])
    audio = port.audio_source(ask["rate_hz"], roles)
    audio.start()
    midi = port.midi_source()
    near, far = os.openpty()
    for end in (near, far):
        tty.setraw(end)
    os.set_blocking(near, False)
    print("pty", os.ttyname(far), flush=True)
    began_s = time.monotonic() - port.monotonic_s()
    audio_s = 0.0
    while not select.select([sys.stdin], [], [], 0)[0]:
        behind = time.monotonic() - began_s - port.monotonic_s() > TURN_S
        if select.select([near], [], [], 0 if behind else TURN_S)[0]:
            port.write(os.read(near, 4096))
        now_s = time.monotonic() - began_s
        port.sleep_s(now_s - port.monotonic_s())
        if port.in_waiting:
            os.write(near, port.read(port.in_waiting))
        for _, message in midi.read():
            play(1, message)
        if now_s - audio_s > AUDIO_S:
            audio_s = now_s
            for block in audio.read():
                play(0, np.ascontiguousarray(block.samples).tobytes())
    port.run_closed(ask["truth"])
    player.stdin.close()
    print(player.stdout.read().decode().strip(), flush=True)
    player.wait(10)


main()
