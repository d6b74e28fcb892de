"""Virtual audio and MIDI devices for the tests of this folder."""

import shutil

import pytest
from virtual_devices import Server


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
