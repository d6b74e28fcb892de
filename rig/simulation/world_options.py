"""Keys of the simulated bench's URL that concern the world, and the world that they ask for."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

from rig.simulation import presets
from rig.simulation.world import World

WORLD_KEYS = (
    "seed",
    "pad",
    "module",
    "firmware",
    "fault",
    "position",
    "spread",
    "ambient_c",
    "note",
    "second_note",
    "channel",
    "status_sent",
    "audio_ppm",
    "drop_audio_at_s",
    "drop_miscount_frames",
)
"""Keys of the simulated bench's URL that the world itself reads, besides ``set.*``."""


def read_world(query: Mapping[str, str]) -> World:
    """Build the world that a ``sim://bench?…`` URL asks for.

    Parameters
    ----------
    query
        Keys of ``WORLD_KEYS``, and ``set.`` with a detector setting; several faults or times
        are parted by commas.

    Raises
    ------
    rig.simulation.presets.SimulationError
        An unknown key or name, with the nearest one; or a value that is no number.
    """
    known = [*WORLD_KEYS, *(f"set.{s}" for s in presets.SETTINGS)]
    settings: dict[str, float] = {}
    for key in query:
        presets.pick(dict.fromkeys(known), key, "key")
        if key.startswith("set."):
            settings[key.removeprefix("set.")] = _number(query, key, 0.0)
    faults = [f for f in query.get("fault", "").split(",") if f]
    module = presets.module_figures(
        query.get("module", "brook"), query.get("firmware", ""), faults, settings
    )
    whole = {
        key: int(_number(query, key, 0.0))
        for key in ("note", "second_note", "channel", "status_sent")
        if key in query
    }
    position = _number(query, "position", 0.5)
    if not 0.0 <= position <= 1.0:
        raise presets.SimulationError(
            f"simulated bench: position={position:g}; it is 0 (centre) to 1 (edge)"
        )
    return World(
        presets.pick(presets.PADS, query.get("pad", "loam-mesh"), "pad"),
        dataclasses.replace(module, **whole),  # type: ignore[arg-type]
        seed=int(_number(query, "seed", 1.0)),
        position=position,
        spread=_number(query, "spread", 1.0) != 0.0,
        ambient_c=_number(query, "ambient_c", 21.0),
        audio_ppm=_number(query, "audio_ppm", 18.0),
        drop_audio_at_s=[
            _number({"drop_audio_at_s": t}, "drop_audio_at_s", 0.0)
            for t in query.get("drop_audio_at_s", "").split(",")
            if t
        ],
        drop_miscount_frames=int(_number(query, "drop_miscount_frames", 0.0)),
    )


def _number(query: Mapping[str, str], key: str, default: float) -> float:
    text = query.get(key, "")
    if not text:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e15:
        raise presets.SimulationError(f"simulated bench: {key}={text!r}; a number is needed")
    return value
