"""A virtual audio and MIDI system: a JACK server of its own, with the dummy driver.

No kernel audio and no sound card takes part; clients share samples of one server.
"""

import contextlib
import fcntl
import functools
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

PERIOD_FRAMES = 256


class Server:
    """A running server; ``end`` leaves nothing behind.

    The audio system keeps eight names at most, and takes the name of a dead server back only for a
    server of the same name. So names come from a few places, each held by a lock.
    """

    PLACES = 6

    def __init__(self, rate_hz, *, period_frames=PERIOD_FRAMES):
        self.name, self._lock = self._take_place()
        self._clients = []
        self.environment = {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
        }
        try:
            self._start(rate_hz, period_frames)
        except BaseException:
            self._lock.close()
            raise

    @classmethod
    def _take_place(cls):
        end = time.monotonic() + 120
        while time.monotonic() < end:
            for place in range(cls.PLACES):
                name = f"strikebench-test-{place}"
                lock = (Path(tempfile.gettempdir()) / f"{name}-{os.getuid()}.lock").open("w")
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    lock.close()
                else:
                    return name, lock
            time.sleep(0.2)
        pytest.fail("all places for virtual audio servers are taken")

    def _start(self, rate_hz, period_frames):
        command = ["jackd", "-R", "-P20", "--sync", "--name", self.name, "-d", "dummy"]
        command += ["-r", str(rate_hz), "-p", str(period_frames), "-C", "0", "-P", "0"]
        with tempfile.TemporaryFile("w+") as words:
            self.process = subprocess.Popen(
                command, stdout=words, stderr=subprocess.STDOUT, env=self.environment
            )
            waiting = subprocess.run(
                ["jack_wait", "-w", "-t", "10", "-s", self.name],
                env=self.environment,
                capture_output=True,
                timeout=20,
            )
            if self.process.poll() is not None or waiting.returncode:
                self._stop_server()
                words.seek(0)
                raise RuntimeError(f"the virtual audio server did not start: {words.read()}")

    def kill(self):
        """End it as a pulled plug would, leaving its shared memory."""
        self.process.kill()
        self.process.wait()

    def _stop_server(self):
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()

    def end(self):
        """End clients and server, and clear the shared memory that a killed server leaves."""
        for client in self._clients:
            with contextlib.suppress(BrokenPipeError):
                client.stdin.close()
        for client in self._clients:
            try:
                client.wait(1 if self.process.poll() is None else 0)
            except subprocess.TimeoutExpired:
                client.kill()
                client.wait()
            client.stdout.close()
            client.stderr.close()
        self._stop_server()
        if self.process.returncode < 0:
            # A server of the same name finds what the dead one left, and clears it.
            self._start(48_000, 1024)
            self._stop_server()
        for left in Path("/dev/shm").glob(f"*_{self.name}_*"):
            left.unlink(missing_ok=True)  # semaphores of clients that died with it
        self._lock.close()

    def client(self, *arguments):
        """Start a helper program of this folder as a process of its own.

        It goes before other programs, where that is allowed: a busy machine must not hold up what
        stands for hardware.
        """
        process = subprocess.Popen(
            [*going_first(), sys.executable, *map(str, arguments)],
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._clients.append(process)
        return process


@functools.cache
def going_first():
    """Words before a command that give it real-time priority, below the server's; none if refused."""
    words = ["chrt", "--rr", "5"]
    try:
        allowed = subprocess.run([*words, "true"], capture_output=True).returncode == 0
    except FileNotFoundError:
        allowed = False
    return words if allowed else []


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
