"""Virtual audio and MIDI devices for the tests of this folder."""

import shutil
import sys
from pathlib import Path

import pytest
from virtual_devices import Server

sys.path.insert(0, str(Path(__file__).parents[1] / "emulated"))

import builds


@pytest.fixture(scope="session")
def emulator(request):
    """Give the command that starts the emulated controller with the firmware's image."""
    return builds.shared(request, builds.emulator_build)


@pytest.fixture
def jack_server():
    """Give a function that starts a server; all of them are ended."""
    for tool, package in (("jackd", "jackd2"), ("jack_wait", "jackd2")):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is missing: install the Debian package {package}")
    try:
        import sounddevice  # noqa: F401
    except OSError:
        pytest.skip("PortAudio is missing: install the Debian package libportaudio2")
    servers = []

    def start(rate_hz, **options):
        servers.append(Server(rate_hz, **options))
        return servers[-1]

    yield start
    for server in servers:
        server.end()
