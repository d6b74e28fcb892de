"""Audio and MIDI inputs."""
