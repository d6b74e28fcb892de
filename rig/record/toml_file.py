"""TOML text into checked structs: every fault at once, each with its file, line and key."""

from __future__ import annotations

import difflib
import math
import tomllib
import unicodedata
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

from rig.record.bench_fault import BadFileError
from rig.record.toml_lines import Key, key_lines

_Struct = TypeVar("_Struct", bound=msgspec.Struct)

_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Characters that turn the direction of the text after them, figures too."""


class TomlFile:
    """A parsed TOML text that collects its faults.

    Parameters
    ----------
    text, name
        Content, and the name that faults are told under (a path).

    Raises
    ------
    BadFileError
        It is no TOML.
    """

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self._faults: list[tuple[int, str]] = []
        self._faulty: list[Key] = []
        self._unknown: list[Key] = []
        try:
            self.content: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            step = "Mend it there"
            if "Cannot overwrite" in str(error) or "twice" in str(error):
                step = "A key or table stands there for the second time: keep one of the two"
            elif "end of document" in str(error):
                step = "It may be cut off: see that all of it was saved"
            raise BadFileError([f"{name}: not a TOML file: {error}. {step}"]) from error
        self._lines = key_lines(text)

    def fault(self, key: Key, sentence: str) -> None:
        """Note a fault of a key: what was found, and what is allowed."""
        line = next(
            (self._lines[key[:end]] for end in range(len(key), 0, -1) if key[:end] in self._lines),
            None,
        )
        place = f"{self.name}, line {line}" if line is not None else self.name
        told = f"{place}: {_dotted(key)}: {sentence}" if key else f"{place}: {sentence}"
        self._faults.append((line or 0, told))
        self._faulty.append(key)

    def check(self, kind: type[msgspec.Struct]) -> None:
        """Note every fault of form: missing and unknown keys, wrong types, numbers out of range."""
        self._check(self.content, inspect.type_info(kind), ())

    def sound(self, key: Key, kind: Any) -> Any:
        """Value of a key as its kind, without unknown keys; None if it isn't there or has faults.

        So what keys must be to each other is checked beside the faults of others.
        """
        if any(other[: len(key)] == key for other in self._faulty):
            return None
        value: Any = self.content
        for part in key:
            there = isinstance(part, int) or (isinstance(value, dict) and part in value)
            value = value[part] if there else None
        return None if value is None else msgspec.convert(self._without_unknown(key, value), kind)

    def _without_unknown(self, key: Key, value: Any) -> Any:
        if isinstance(value, dict):
            return {
                name: self._without_unknown((*key, name), held)
                for name, held in value.items()
                if (*key, name) not in self._unknown
            }
        if isinstance(value, list):
            return [self._without_unknown((*key, at), held) for at, held in enumerate(value)]
        return value

    def each(self, key: Key, kind: Any) -> list[tuple[Key, Any]]:
        """Key and value of each entry of a list that is ``sound``."""
        found = [((*key, at), self.sound((*key, at), kind)) for at in range(len(self._list(key)))]
        return [(place, value) for place, value in found if value is not None]

    def values(self, key: Key, field: str) -> dict[Key, Any]:
        """What stands under one field of each table of a list, as written; left out where not."""
        return {
            (*key, at): table[field]
            for at, table in enumerate(self._list(key))
            if isinstance(table, dict) and field in table
        }

    def _list(self, key: Key) -> list[Any]:
        value: Any = self.content
        for part in key:
            value = value.get(part) if isinstance(value, dict) else None
        return value if isinstance(value, list) else []

    def finish(self, kind: type[_Struct]) -> _Struct:
        """Turn the content into a struct; BadFileError with all faults, in order of lines."""
        if self._faults:
            raise BadFileError([told for _, told in sorted(self._faults, key=lambda one: one[0])])
        return msgspec.convert(self.content, kind)

    def unknown_key(self, key: Key, known: Iterable[str]) -> None:
        """Note an unknown key, with the nearest known one."""
        self.fault(key, f"no such key{nearest(str(key[-1]), known)}")
        self._faulty.remove(key)
        self._unknown.append(key)

    def _check(self, value: Any, kind: inspect.Type, key: Key) -> None:
        if isinstance(kind, inspect.UnionType):
            self._check_union(value, kind, key)
        elif isinstance(kind, inspect.StructType):
            self._check_table(value, kind, key)
        elif isinstance(kind, inspect.VarTupleType):
            self._check_list(value, kind, key)
        elif isinstance(kind, inspect.FloatType | inspect.IntType):
            self._check_number(value, kind, key)
        elif isinstance(kind, inspect.LiteralType):
            if value not in kind.values or isinstance(value, bool):
                allowed = ", ".join(repr(one) for one in kind.values)
                self.fault(
                    key,
                    f"{value!r} found; allowed: {allowed}"
                    + nearest(str(value), [str(one) for one in kind.values]),
                )
        elif isinstance(kind, inspect.StrType):
            if not isinstance(value, str):
                self.fault(key, f"{_told(value)} found; a text is asked for")
            elif len(value) < (kind.min_length or 0):
                self.fault(key, "an empty text found; something must stand here")
            else:
                self._check_letters(value, kind, key)
        elif isinstance(kind, inspect.BoolType) and not isinstance(value, bool):
            self.fault(key, f"{_told(value)} found; true or false is asked for")

    def _check_letters(self, value: str, kind: inspect.StrType, key: Key) -> None:
        """Note what a table, a page or a picture can't show as it was meant."""
        one_line = kind.max_length is not None
        if odd := odd_letter(value, one_line=one_line):
            self.fault(
                key,
                f"the character U+{ord(odd):04X} found; "
                + ("a line of plain text is asked for" if one_line else "plain text is asked for"),
            )
        if one_line and len(value) > (kind.max_length or 0):
            self.fault(key, f"{len(value)} characters found; at most {kind.max_length} are allowed")

    def _check_union(self, value: Any, kind: inspect.UnionType, key: Key) -> None:
        tables = [one for one in kind.types if isinstance(one, inspect.StructType)]
        if len(tables) < 2:  # "something or nothing": TOML has no null, so it is something
            self._check(value, kind.types[0], key)
            return
        tag_field = tables[0].tag_field or ""
        tags = {str(one.tag): one for one in tables}
        if not isinstance(value, dict):
            self.fault(key, f"{_told(value)} found; a table is asked for")
        elif tag_field not in value:
            self.fault(key, f"{tag_field!r} is missing; allowed: {', '.join(tags)}")
        elif str(value[tag_field]) not in tags:
            self.fault(
                (*key, tag_field),
                f"{value[tag_field]!r} found; allowed: {', '.join(tags)}"
                + nearest(str(value[tag_field]), tags),
            )
        else:
            self._check_table(value, tags[str(value[tag_field])], key)

    def _check_table(self, value: Any, kind: inspect.StructType, key: Key) -> None:
        if not isinstance(value, dict):
            self.fault(key, f"{_told(value)} found; a table is asked for")
            return
        fields = {field.encode_name: field for field in kind.fields}
        known = [*fields, *([kind.tag_field] if kind.tag_field else [])]
        for name, held in value.items():
            if name in fields:
                self._check(held, fields[name].type, (*key, name))
            elif name not in known:
                self.unknown_key((*key, name), known)
        for name, field in fields.items():
            if field.required and name not in value:
                self.fault(key, f"{name!r} is missing")

    def _check_list(self, value: Any, kind: inspect.VarTupleType, key: Key) -> None:
        if not isinstance(value, list):
            self.fault(key, f"{_told(value)} found; a list is asked for")
            return
        least, most = kind.min_length or 0, kind.max_length
        if len(value) < least or (most is not None and len(value) > most):
            span = f"at least {least}" if most is None else f"{least} to {most}"
            self.fault(key, f"{len(value)} entries found; {span} are asked for")
        for place, held in enumerate(value):
            self._check(held, kind.item_type, (*key, place))

    def _check_number(
        self, value: Any, kind: inspect.FloatType | inspect.IntType, key: Key
    ) -> None:
        whole = isinstance(kind, inspect.IntType)
        if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
            asked = "a whole number" if whole else "a number"
            self.fault(key, f"{_told(value)} found; {asked} is asked for")
            return
        bounds = {"above": kind.gt, "at least": kind.ge, "below": kind.lt, "at most": kind.le}
        told = " and ".join(
            f"{word} {_plain(bound)}" for word, bound in bounds.items() if bound is not None
        )
        if not math.isfinite(value):
            self.fault(
                key, f"{value} found; a finite number{' ' + told if told else ''} is allowed"
            )
        elif (
            (kind.gt is not None and value <= kind.gt)
            or (kind.ge is not None and value < kind.ge)
            or (kind.lt is not None and value >= kind.lt)
            or (kind.le is not None and value > kind.le)
        ):
            self.fault(key, f"{value} found; {told} is allowed")


def nearest(name: str, known: Iterable[str]) -> str:
    """Give "; did you mean X?" for the nearest known name, or nothing if none is near."""
    near = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f"; did you mean {near[0]!r}?" if near else ""


def odd_letter(text: str, *, one_line: bool = True) -> str:
    """Give the first letter that turns or breaks what stands around it; empty if there is none."""
    allowed = "" if one_line else "\n\r\t"
    odd = (
        letter
        for letter in text
        if letter in _TURNS or (unicodedata.category(letter) == "Cc" and letter not in allowed)
    )
    return next(odd, "")


def read_text(path: Path) -> str:
    """Read a UTF-8 text; BadFileError if it can't be."""
    try:
        # some editors put a byte order mark before UTF-8
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise BadFileError([f"{path}: can't be read: {error.strerror}"]) from error
    except UnicodeDecodeError as error:
        raise BadFileError(
            [f"{path}: not UTF-8 at byte {error.start}. Save it as a text in UTF-8"]
        ) from error


def _told(value: Any) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return repr(value)


def _plain(bound: float) -> str:
    return f"{bound:,.0f}" if bound == int(bound) else f"{bound:g}"


def _dotted(key: Key) -> str:
    text = ""
    for part in key:
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def quoted(text: str) -> str:
    """Text as a TOML string: JSON's escapes are among TOML's."""
    return msgspec.json.encode(text).decode()
