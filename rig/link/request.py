"""One request at a time, each answered once: sent again when no answer comes, never done twice."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any, NoReturn

import serial

from rig.faults import LinkError
from rig.link.frame import Frame, FrameDecoder, encode
from rig.link.messages import BY_TYPE, FORMATS, BadBodyError
from rig.link.trace import Trace
from rig.link.transport import Port, PortClock

ANSWER_S = 0.06
"""Time for one answer: two polls of a USB adapter's 16 ms latency timer, and room."""

TRIES = 8


@dataclasses.dataclass(frozen=True)
class Reply:
    """An answer, with the host times between which it was made.

    Attributes
    ----------
    name, fields, records
        As in the message table; ``name`` is ``done`` where the board refused.
    sent_s, received_s
        Host time just before the request was written and just after its answer was read.
    resent
        The request was sent more than once, so the two times don't belong together.
    """

    name: str
    fields: dict[str, Any]
    records: list[tuple[Any, ...]]
    sent_s: float
    received_s: float
    resent: bool


class Requester:
    """Asks the board and waits for the answer.

    Parameters
    ----------
    port, clock
        As opened by ``rig.link.transport``.
    trace
        Told of every frame.
    port_name
        What error texts call the port.
    """

    def __init__(self, port: Port, clock: PortClock, trace: Trace, port_name: str) -> None:
        self._port = port
        self._clock = clock
        self._trace = trace
        # for sentences; what a simulated bench is told would only hide them
        self._port_name = port_name.partition("?")[0]
        self._decoder = FrameDecoder()
        self._seq = 0
        self.resent_count = 0

    @property
    def bad_count(self) -> int:
        """Damaged frames that came from the board."""
        return self._decoder.bad_count

    def request(
        self,
        name: str,
        *values: Any,
        records: Iterable[tuple[Any, ...]] = (),
        anew: bool = False,
        answer_s: float = ANSWER_S,
        tries: int = TRIES,
    ) -> Reply:
        """Send a request and give its answer.

        Parameters
        ----------
        name, values, records
            As in the message table, ``count`` left out.
        anew
            Begin the sequence again (the first request after opening).
        answer_s, tries
            Wait for one answer, and how often it is sent at most.

        Raises
        ------
        LinkError
            No answer, or the port broke.
        """
        row = FORMATS[name]
        self._seq = 0 if anew else self._seq % 255 + 1
        frame = Frame(self._seq, row.type_code, row.pack(*values, records=records))
        wire = encode(frame)
        try:
            for attempt in range(tries):
                if attempt:
                    self.resent_count += 1
                sent_s = self._clock.monotonic_s()
                self._trace.add(">", sent_s, frame)
                # the leading zero ends whatever garbage the board has taken in
                self._port.write(b"\0" + wire if attempt or anew else wire)
                reply = self._await(row.reply, sent_s, sent_s + answer_s, resent=attempt > 0)
                if reply is not None:
                    return reply
        except (serial.SerialException, OSError) as error:
            self._link_lost(name, error)
        raise LinkError(
            "host.no_answer",
            f"Asking the board at {self._port_name} ({name})",
            f"sent {tries} times within {tries * answer_s:.2g} s; {self.bad_count} damaged "
            "frames came back",
        )

    def forget_input(self) -> None:
        """Drop what has come in so far.

        Raises
        ------
        LinkError
            The port broke.
        """
        try:
            self._port.reset_input_buffer()
        except OSError as error:
            self._link_lost("hello", error)

    def _await(self, expected: str, sent_s: float, until_s: float, *, resent: bool) -> Reply | None:
        while (left_s := until_s - self._clock.monotonic_s()) > 0:
            self._port.timeout = left_s
            data = self._port.read(max(1, self._port.in_waiting))
            found = None
            for frame in self._decoder.feed(data):
                received_s = self._clock.monotonic_s()
                self._trace.add("<", received_s, frame)
                row = BY_TYPE.get(frame.type_code)
                # an answer of another seq is a late one to an earlier sending: passed over
                if frame.seq != self._seq or row is None or row.name not in (expected, "done"):
                    continue
                try:
                    fields, records = row.unpack(frame.body)
                except BadBodyError:
                    continue
                found = Reply(row.name, fields, records, sent_s, received_s, resent)
            if found is not None:
                return found
        return None

    def _link_lost(self, name: str, error: Exception) -> NoReturn:
        raise LinkError(
            "host.link_lost", f"Talking to the board at {self._port_name} ({name})", str(error)
        ) from error
