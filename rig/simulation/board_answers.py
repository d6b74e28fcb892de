"""The board's side of the wire: bytes in, replies out, each request done once."""

from __future__ import annotations

from typing import Any

from rig.link.frame import Frame, FrameDecoder, encode
from rig.link.messages import (
    BY_TYPE,
    FORMATS,
    HARD_LIMITS,
    TABLE_VERSION,
    BadBodyError,
    Refusal,
    table_hash,
)
from rig.record.limits import AgreedLimits, CoilLimits
from rig.simulation.board_twin import BoardTwin

FIRMWARE = (0, 1, 0)
_BOARD_SERIAL = b"SIMBOARD"
_LIMIT_FIELDS = FORMATS["agree"].fields[:-1]
_COIL_FIELDS = FORMATS["agree"].repeat_fields


class BoardAnswers:
    """Decodes requests for a twin and encodes its replies."""

    def __init__(self, twin: BoardTwin) -> None:
        self._twin = twin
        self._decoder = FrameDecoder()
        self._last: tuple[int, bytes] | None = None
        self._boot_s = twin.boot_s

    def take(self, data: bytes, at_s: float) -> bytes:
        """Take bytes in at a true time and give what the board sends back, at once."""
        self._twin.advance(at_s)
        if self._twin.boot_s != self._boot_s:
            # it started anew: nothing is left of what it had taken in
            self._decoder, self._last, self._boot_s = FrameDecoder(), None, self._twin.boot_s
        if self._twin.hung:
            return b""
        bad_before = self._decoder.bad_count
        frames = self._decoder.feed(data)
        for _ in range(self._decoder.bad_count - bad_before):
            self._twin.frame_came(good=False)
        return b"".join(self._answer(frame) for frame in frames)

    def _answer(self, frame: Frame) -> bytes:
        self._twin.frame_came(good=True)
        if self._last is not None and frame.seq == self._last[0] and frame.seq != 0:
            return self._last[1]
        name, body = self._reply(frame)
        reply = encode(Frame(frame.seq, FORMATS[name].type_code, body))
        self._last = (frame.seq, reply)
        return reply

    def _done(self, refusal: Refusal) -> tuple[str, bytes]:
        return "done", FORMATS["done"].pack(refusal, self._twin.state)

    def _reply(self, frame: Frame) -> tuple[str, bytes]:
        row = BY_TYPE.get(frame.type_code)
        if row is None or not row.reply:
            return self._done(Refusal.UNKNOWN_TYPE)
        try:
            fields, records = row.unpack(frame.body)
        except BadBodyError:
            if row.name == "load":
                return self._loaded(Refusal.BAD_BODY, 0)
            return self._done(Refusal.BAD_BODY)
        twin = self._twin
        match row.name:
            case "hello":
                return self._identity()
            case "agree":
                return self._agree(fields, records)
            case "status":
                return self._standing()
            case "ready":
                return self._done(twin.ready())
            case "arm":
                return self._done(twin.arm(fields["armed_ms"]))
            case "disarm":
                return self._done(twin.disarm())
            case "reset_trip":
                return self._done(twin.reset_trip())
            case "load":
                for accepted, record in enumerate(records):
                    refusal = twin.load(*record)
                    if refusal is not Refusal.DONE:
                        return self._loaded(refusal, accepted)
                return self._loaded(Refusal.DONE, len(records))
            case "begin":
                return self._done(twin.begin(fields["strikes"]))
            case "poll":
                return self._events(fields["have_up_to"])
            case _:
                now = twin.now_ticks
                return "ticks", FORMATS["ticks"].pack(now, now)

    def _identity(self) -> tuple[str, bytes]:
        limits = HARD_LIMITS
        return "identity", FORMATS["identity"].pack(
            TABLE_VERSION,
            table_hash(),
            *FIRMWARE,
            _BOARD_SERIAL,
            limits["coil_count"],
            limits["queue_length"],
            limits["event_ring_length"],
            limits["longest_pulse_ticks"],
            limits["least_gap_ticks"],
            limits["heat_budget_ticks"],
            limits["armed_ms"],
            limits["host_silence_ms"],
            limits["horizon_ms"],
            self._twin.reset_cause,
        )

    def _agree(self, fields: dict[str, Any], records: list[tuple[Any, ...]]) -> tuple[str, bytes]:
        asked = AgreedLimits(
            coils=tuple(
                CoilLimits(**dict(zip(_COIL_FIELDS, record, strict=True))) for record in records
            ),
            **{name: fields[name] for name in _LIMIT_FIELDS},
        )
        refusal = self._twin.agree(asked)
        if refusal is not Refusal.DONE:
            return self._done(refusal)
        kept = self._twin.limits
        return "agreed", FORMATS["agreed"].pack(
            *(getattr(kept, name) for name in _LIMIT_FIELDS),
            records=[tuple(getattr(coil, name) for name in _COIL_FIELDS) for coil in kept.coils],
        )

    def _standing(self) -> tuple[str, bytes]:
        twin = self._twin
        twin.gather()
        twin.queue.leak(twin.now_ticks)
        return "standing", FORMATS["standing"].pack(
            twin.state,
            twin.trip_code,
            twin.now_ticks,
            twin.queue.free,
            twin.ring.next,
            min(twin.ring.dropped, 0xFFFFFFFF),
            twin.contacts.inputs.supply_mv,
            twin.all_interlocks(),
            twin.queue.coils[0].heat_ticks,
            twin.queue.coils[1].heat_ticks,
            twin.strikes_left,
        )

    def _loaded(self, refusal: Refusal, accepted: int) -> tuple[str, bytes]:
        return "loaded", FORMATS["loaded"].pack(refusal, accepted, self._twin.queue.free)

    def _events(self, have_up_to: int) -> tuple[str, bytes]:
        twin, row = self._twin, FORMATS["events"]
        twin.gather()
        twin.ring.forget_below(have_up_to)
        records = [
            (kind, value, (at & 0xFFFFFFFFFFFF).to_bytes(6, "little"))
            for at, kind, value in twin.ring.oldest(row.records_at_most)
        ]
        return "events", row.pack(
            twin.state,
            twin.trip_code,
            twin.ring.first,
            min(twin.ring.dropped, 0xFFFFFFFF),
            twin.now_ticks,
            records=records,
        )
