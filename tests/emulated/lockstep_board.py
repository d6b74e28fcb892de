"""A board whose time moves by its tests alone, and what is said to it in requests.

The simulated board, the firmware's core and the emulated controller are asked the same.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from typing import Any

from rig.link.frame import Frame, encode
from rig.link.messages import (
    BOARD_RULES,
    BY_TYPE,
    FORMATS,
    HARD_LIMITS,
    EventKind,
    Refusal,
    State,
)

ROOMY = (60_000, 10_000, 60_000, 30_000_000)
"""Limits of a coil that get in no test's way: pulse, gap, time constant, budget."""
BOOT_S = (BOARD_RULES["close_debounce_ms"] + 10) / 1000
"""Until the interlocks count as closed."""
STEP_S = 200e-6
ANSWER_S = 0.06


@dataclasses.dataclass(frozen=True)
class Reply:
    """A reply, unpacked."""

    name: str
    fields: dict[str, Any]
    records: list[tuple[Any, ...]]


@dataclasses.dataclass(frozen=True)
class Event:
    """An event; ``ticks`` as the board stamped it."""

    number: int
    kind: EventKind
    value: int
    ticks: int


def unpacked(frame: Frame) -> Reply:
    """A frame of the board by the table."""
    row = BY_TYPE[frame.type_code]
    fields, records = row.unpack(frame.body)
    return Reply(row.name, fields, records)


class LockstepBoard:
    """A board in lockstep; ``run_s`` and ``send`` are to be written.

    Attributes
    ----------
    frames
        Replies; what ``send`` brings is appended while time runs.
    events
        All that ``poll`` has fetched.
    seq
        Number of the last request.
    silence_ms
        The host's silence that is asked for unless a test says another.
    """

    silence_ms = 500

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.events: list[Event] = []
        self.seq = 0
        self._have = 0

    def run_s(self, seconds: float) -> None:
        """Let time pass."""
        raise NotImplementedError

    def send(self, data: bytes) -> None:
        """Put bytes on the serial line now."""
        raise NotImplementedError

    def exchange(self, frame: Frame) -> Frame | None:
        """Send a frame and wait for a reply of its number; None if none comes."""
        self.frames.clear()
        self.send(encode(frame))
        waited_s = 0.0
        while waited_s < ANSWER_S:
            self.run_s(STEP_S)
            waited_s += STEP_S
            for reply in self.frames:
                if reply.seq == frame.seq:
                    return reply
        return None

    def ask(self, name: str, *values: Any, records: Iterable[tuple[Any, ...]] = ()) -> Reply:
        """One request, packed by the table, and its reply, unpacked."""
        row = FORMATS[name]
        self.seq = self.seq % 255 + 1
        frame = self.exchange(
            Frame(self.seq, row.type_code, row.pack(*values, records=list(records)))
        )
        assert frame is not None, f"no reply to {name}"
        return unpacked(frame)

    def do(self, name: str, *values: Any) -> Refusal:
        """One request that ``done`` answers; its refusal."""
        reply = self.ask(name, *values)
        assert reply.name == "done", reply
        return Refusal(reply.fields["refusal"])

    def standing(self) -> dict[str, Any]:
        """Answer to ``status``."""
        return self.ask("status").fields

    @property
    def state(self) -> State:
        """State as the board says."""
        return State(self.standing()["state"])

    @property
    def now(self) -> int:
        """Ticks as the board says."""
        return int(self.standing()["ticks"])

    def poll(self) -> list[Event]:
        """All events since the last call; they are checked to be numbered without a gap.

        The board lets go of the last of them when it is asked again.
        """
        fresh: list[Event] = []
        while True:
            reply = self.ask("poll", self._have)
            assert reply.fields["first_event"] == self._have
            for kind, value, stamp in reply.records:
                ticks = int.from_bytes(stamp, "little")
                fresh.append(Event(self._have, EventKind(kind), value, ticks))
                self._have += 1
            if len(reply.records) < FORMATS["events"].records_at_most:
                self.events += fresh
                return fresh

    def boot(self) -> None:
        """Until the interlocks count as closed, and hello."""
        self.run_s(BOOT_S)
        self.seq = self._have = 0
        assert self.ask("hello").name == "identity"

    def agree(
        self,
        coils: Sequence[tuple[int, int, int, int]] = (ROOMY, ROOMY),
        *,
        armed_ms: int = HARD_LIMITS["armed_ms"],
        host_silence_ms: int | None = None,
        horizon_ms: int = HARD_LIMITS["horizon_ms"],
        supply_mv: tuple[int, int] = (20_000, 28_000),
    ) -> Reply:
        """Agree on limits."""
        silence_ms = self.silence_ms if host_silence_ms is None else host_silence_ms
        return self.ask("agree", armed_ms, silence_ms, horizon_ms, *supply_mv, records=coils)

    def make_ready(self, **limits: Any) -> None:
        """From power-up to ready."""
        self.boot()
        assert self.agree(**limits).name == "agreed"
        assert self.do("ready") is Refusal.DONE

    def make_armed(self, armed_for_ms: int = HARD_LIMITS["armed_ms"], **limits: Any) -> None:
        """From power-up to armed."""
        self.make_ready(**limits)
        assert self.do("arm", armed_for_ms) is Refusal.DONE

    def load_reply(self, *strikes: tuple[int, int, int]) -> Reply:
        """Load strikes (start, width, coil), in as many frames as they take; the last reply."""
        reply = None
        at_most = FORMATS["load"].records_at_most
        for at in range(0, len(strikes), at_most):
            piece = strikes[at : at + at_most]
            reply = self.ask(
                "load", records=[(start & 0xFFFFFFFF, width, coil) for start, width, coil in piece]
            )
            assert reply.name == "loaded"
            if reply.fields["refusal"]:
                break
        assert reply is not None
        return reply

    def load(self, *strikes: tuple[int, int, int]) -> Refusal:
        """The same; the refusal that ended it."""
        return Refusal(self.load_reply(*strikes).fields["refusal"])
