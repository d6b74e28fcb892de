"""A virtual audio and MIDI system: a JACK server of its own, with the dummy driver.

No kernel audio and no sound card takes part; clients share samples of one server.
"""

import os
import shutil
import subprocess
import sys
import time
import uuid

import pytest

PERIOD_FRAMES = 256


class Server:
    """A running server of unique name; ``end`` leaves nothing behind."""

    def __init__(self, rate_hz, *, period_frames=PERIOD_FRAMES):
        self.name = f"rig{uuid.uuid4().hex[:8]}"
        self.rate_hz = rate_hz
        self.period_frames = period_frames
        self._clients = []
        self.environment = {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
        }
        command = ["jackd", "-R", "-P20", "--sync", "--name", self.name, "-d", "dummy"]
        command += ["-r", str(rate_hz), "-p", str(period_frames), "-C", "0", "-P", "0"]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=self.environment,
            start_new_session=True,
        )
        done = subprocess.run(
            ["jack_wait", "-w", "-t", "10", "-s", self.name],
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=20,
        )
        if self.process.poll() is not None or "not" in done.stdout:
            self.end()
            raise RuntimeError(f"the virtual audio server did not start: {done.stdout}")

    def kill(self):
        """End it as a pulled plug would."""
        self.process.kill()
        self.process.wait()

    def end(self):
        """End it and clear the shared memory that a killed server leaves."""
        for client in self._clients:
            client.kill()
            client.wait()
            for pipe in (client.stdin, client.stdout, client.stderr):
                pipe.close()
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(2)
            except subprocess.TimeoutExpired:
                self.kill()
        for folder in ("/dev/shm", "/tmp"):
            for entry in os.scandir(folder):
                if self.name in entry.name:
                    if entry.is_dir():
                        shutil.rmtree(entry.path, ignore_errors=True)
                    else:
                        os.unlink(entry.path)

    def client(self, *arguments):
        """Start a helper program of this folder as a process of its own."""
        process = subprocess.Popen(
            [sys.executable, *map(str, arguments)],
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._clients.append(process)
        return process


def finish(process, timeout_s=90):
    """Wait for a helper; fail with its words if it did not end well."""
    try:
        out, err = process.communicate(timeout=timeout_s)
    except subprocess.TimeoutExpired:
        process.kill()
        out, err = process.communicate()
        pytest.fail(f"a helper hung: {out} {err}")
    assert process.returncode == 0, err
    return out


def wait_line(process, word, timeout_s=20):
    """Read a helper's lines up to one that begins with a word."""
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        line = process.stdout.readline()
        if line.startswith(word):
            return line
        if not line:
            break
    process.kill()
    pytest.fail(f"a helper did not say {word}: {process.stderr.read()}")
