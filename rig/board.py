"""The controller board as the host sees it: its identity, limits, state, strikes and events."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from rig.agreement import asked_of_board, asked_of_coils, echoed_limits, loosened
from rig.board_facts import BoardEvent, Entry, Identity, Standing
from rig.clock import ClockPair, HostClock
from rig.discovery import find_port
from rig.faults import LinkError, RefusedError, TrippedError
from rig.greeting import greet
from rig.link.messages import FORMATS, EventKind, Refusal, State, Trip
from rig.link.request import Reply, Requester
from rig.link.trace import Trace
from rig.link.transport import Port, PortClock, clock_of, merge_query, open_port
from rig.record.bench_file import BoardPort
from rig.record.limits import AgreedLimits


class Board:
    """An open board. Use ``Board.open``.

    Attributes
    ----------
    port, clock
        The pyserial port, and the clock that goes with it.
    identity
        As given on hello.
    state, trip
        As of the last answer.
    trace
        Told of every frame; keeps the last ones.
    """

    def __init__(self, port: Port, clock: PortClock, requester: Requester, trace: Trace) -> None:
        self.port = port
        self.clock = clock
        self.host_clock = HostClock()
        self.limits: AgreedLimits | None = None
        self.state = State.SAFE
        self.trip = Trip.NONE
        self.port_name = ""
        self._requester = requester
        self.trace = trace
        self._next_event = 0
        self._last_ticks = 0
        self.dropped_events = 0
        self.identity = self._hello()

    @classmethod
    def open(
        cls,
        board_port: BoardPort,
        *,
        extra_query: Mapping[str, str | float] | None = None,
        trace: Trace | None = None,
    ) -> Board:
        """Find the port, open it, and make the board's acquaintance.

        Parameters
        ----------
        board_port
            From the bench file.
        extra_query
            Added to the query of a ``sim://`` URL, where the URL doesn't say it itself.
        trace
            Told of every frame.

        Raises
        ------
        PortError
            The port can't be found or opened.
        LinkError
            No answer, or the board speaks another version of the message table.
        """
        name = merge_query(find_port(board_port), extra_query or {})
        port = open_port(name, board_port.baud)
        clock = clock_of(port)
        trace = trace or Trace()
        try:
            board = cls(port, clock, Requester(port, clock, trace, name), trace)
        except BaseException:
            port.close()
            raise
        board.port_name = name
        return board

    def _hello(self) -> Identity:
        self._requester.forget_input()
        identity = greet(self._requester)
        standing = self.status()
        self._next_event = 0 if standing.next_event == 0 else self._oldest_event()
        return identity

    def _oldest_event(self) -> int:
        """Number of the oldest event kept; what lies there is of an earlier session: forget it."""
        reply = self._requester.request("poll", 0)
        first: int = reply.fields["first_event"] + reply.fields["count"]
        while reply.fields["count"]:
            reply = self._requester.request("poll", first)
            first = reply.fields["first_event"] + reply.fields["count"]
        return first

    def close(self) -> None:
        """Disarm if the board still answers, and close the port."""
        try:
            if self.state in (State.ARMED, State.STRIKING):
                self._requester.request("disarm", tries=2)
        except LinkError:
            pass
        finally:
            self.port.close()

    # limits and states

    def agree(self, limits: AgreedLimits) -> AgreedLimits:
        """Ask for limits and give those that the board will enforce.

        The board may echo tighter limits than were asked for; looser ones stop everything. Coils
        without a striker are given no pulse at all.

        Raises
        ------
        LinkError
            The board would enforce less than was asked for, or drives fewer coils.
        RefusedError
            The board is not in state safe.
        """
        reply = self._do(
            "agree",
            *asked_of_board(limits),
            records=asked_of_coils(limits, self.identity.coil_count),
        )
        echoed = echoed_limits(reply.fields, reply.records)
        loose = loosened(limits, echoed)
        if loose:
            raise LinkError("host.limits_loosened", "Agreeing on limits", "; ".join(loose))
        self.limits = msgspec.structs.replace(echoed, coils=echoed.coils[: len(limits.coils)])
        return self.limits

    def ready(self) -> None:
        """Go to state ready. RefusedError names every interlock that is open."""
        self._do("ready")

    def arm(self, armed_ms: int) -> None:
        """Arm for a time, or renew it. RefusedError names every interlock that is open."""
        self._do("arm", armed_ms)

    def disarm(self) -> None:
        """Coils off, queue emptied; a burst is dropped. Nothing happens on a tripped board."""
        if self.state is not State.TRIPPED:
            reply = self._requester.request("disarm")
            if reply.name == "done" and reply.fields["refusal"] == Refusal.DONE:
                self.state = State(reply.fields["state"])
            else:
                self.status()

    def reset_trip(self) -> None:
        """Leave state tripped, once a person has looked. RefusedError if its cause remains."""
        self._do("reset_trip")
        self.trip = Trip.NONE

    # strikes

    def load(self, entries: Iterable[Entry]) -> tuple[int, Refusal]:
        """Load strikes in order of start, as many frames as it takes.

        Returns
        -------
        accepted
            How many of them the board took.
        refusal
            Why it took no more; ``Refusal.DONE`` if it took all. ``queue_full`` and ``heat_budget``
            are reasons to come again later.
        """
        pending = list(entries)
        accepted = 0
        at_most = FORMATS["load"].records_at_most
        while accepted < len(pending):
            piece = pending[accepted : accepted + at_most]
            reply = self._requester.request(
                "load",
                records=[(start & 0xFFFFFFFF, width, coil) for start, width, coil in piece],
            )
            refusal = Refusal(reply.fields["refusal"])
            if reply.name == "done":
                return accepted, refusal
            accepted += reply.fields["accepted"]
            if refusal is not Refusal.DONE:
                return accepted, refusal
        return accepted, Refusal.DONE

    def begin(self, strikes: int) -> None:
        """Begin a burst of so many strikes, lone markers included."""
        self._do("begin", strikes)

    # what comes back

    def poll(self) -> list[BoardEvent]:
        """Give all events since the last call, and learn state and trip.

        Raises
        ------
        LinkError
            The board was reset, or events are missing.
        """
        events: list[BoardEvent] = []
        at_most = FORMATS["events"].records_at_most
        while True:
            fields, records = self._ask("poll", self._next_event)
            self.state, self.trip = State(fields["state"]), Trip(fields["trip_code"])
            now_ticks = fields["ticks"]
            self._check_ticks(now_ticks)
            first = fields["first_event"]
            if first != self._next_event:
                raise LinkError(
                    "host.board_reset" if first < self._next_event else "host.events_lost",
                    "Asking the board for events",
                    f"number {self._next_event} expected, {first} came",
                )
            for place, (kind, value, stamp) in enumerate(records):
                # stamps carry 48 bits; the answer's own 64 bits tell which turn they are of
                age = (now_ticks - int.from_bytes(stamp, "little")) & 0xFFFFFFFFFFFF
                events.append(BoardEvent(first + place, EventKind(kind), value, now_ticks - age))
            self._next_event = first + len(records)
            self.dropped_events = fields["dropped_events"]
            if len(records) < at_most:
                return events

    def status(self) -> Standing:
        """Ask for the board's whole standing."""
        fields, _ = self._ask("status")
        standing = Standing.from_fields(fields)
        self.state, self.trip = standing.state, standing.trip
        self._check_ticks(standing.ticks)
        return standing

    def exchange_clock(self) -> ClockPair | None:
        """One clock exchange; None where its request was sent twice (its times don't match)."""
        reply = self._requester.request("clock")
        fields = reply.fields
        if reply.name != "ticks" or reply.resent:
            return None
        self._check_ticks(fields["received_ticks"])
        return self.host_clock.add(
            reply.sent_s, fields["received_ticks"], fields["sent_ticks"], reply.received_s
        )

    def trip_error(self, attempted: str) -> TrippedError:
        """Make the error for the trip that the board is in."""
        return TrippedError(f"trip.{self.trip.name.lower()}", attempted)

    @property
    def resent_requests(self) -> int:
        """Requests that were sent again."""
        return self._requester.resent_count

    @property
    def damaged_frames(self) -> int:
        """Frames that came in damaged."""
        return self._requester.bad_count

    # how

    def _ask(self, name: str, *values: Any) -> tuple[dict[str, Any], list[tuple[Any, ...]]]:
        reply = self._requester.request(name, *values)
        self._check_done(name, reply)
        return reply.fields, reply.records

    def _do(self, name: str, *values: Any, records: Iterable[tuple[Any, ...]] = ()) -> Reply:
        reply = self._requester.request(name, *values, records=records)
        self._check_done(name, reply)
        if reply.name == "done":
            self.state = State(reply.fields["state"])
        return reply

    def _check_done(self, name: str, reply: Reply) -> None:
        if reply.name != "done" or reply.fields["refusal"] == Refusal.DONE:
            return
        refusal = Refusal(reply.fields["refusal"])
        standing = self.status()
        if standing.state is State.TRIPPED and refusal is not Refusal.CAUSE_REMAINS:
            raise self.trip_error(f"Asking the board ({name.replace('_', ' ')})")
        found = [f"state {standing.state.name.lower()}"]
        if refusal in (Refusal.INTERLOCK_OPEN, Refusal.CAUSE_REMAINS):
            found += standing.open_interlocks()
        raise RefusedError(
            f"refusal.{refusal.name.lower()}",
            f"Asking the board ({name.replace('_', ' ')})",
            "; ".join(found),
        )

    def _check_ticks(self, ticks: int) -> None:
        if ticks < self._last_ticks:
            last, self._last_ticks = self._last_ticks, ticks
            raise LinkError(
                "host.board_reset",
                "Talking to the board",
                f"its clock went from {last} ticks back to {ticks}",
            )
        self._last_ticks = ticks
