"""The run folder, as others use it: make one, read one, check one."""

from rig.record.event_log import EVENT_KINDS
from rig.record.run_reader import RunReader
from rig.record.run_records import AudioFacts, StartRecord, StopRecord
from rig.record.run_writer import RecordingSink, RunWriter
from rig.record.start import make_start
from rig.record.verification import verify

__all__ = [
    "EVENT_KINDS",
    "AudioFacts",
    "RecordingSink",
    "RunReader",
    "RunWriter",
    "StartRecord",
    "StopRecord",
    "make_start",
    "verify",
]
