"""Records and the tables that a person writes: what does not fit, all at once in plain words; and back."""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import msgspec

from diagnose.knowledge.load import unknown_name

#: msgspec's names of types -> what a person calls them
TYPE_WORDS = (
    ("str", "text"),
    ("int", "a number"),
    ("float", "a number"),
    ("bool", "true or false"),
    ("array", "a list"),
    ("object", "a table"),
    ("null", "nothing"),
)


def _record_in(kind: Any) -> tuple[type[msgspec.Struct] | None, bool]:
    """The record that an entry of this type holds, if it does, and whether it is a list of them."""
    origin = typing.get_origin(kind)
    if origin is tuple:
        inner = typing.get_args(kind)[0]
        return (
            (inner, True) if isinstance(inner, type) and issubclass(inner, msgspec.Struct) else (None, False)
        )
    choices = typing.get_args(kind) if origin in (typing.Union, types.UnionType) else (kind,)
    for choice in choices:
        if isinstance(choice, type) and issubclass(choice, msgspec.Struct):
            return choice, False
    return None, False


def record_problems(content: Mapping[str, Any], kind: type[msgspec.Struct], where: str = "") -> Iterator[str]:
    """Everything in a table that does not fit its record: unknown, missing and mistyped entries."""
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    for name in content:
        if name not in fields:
            error = unknown_name("entry", name, fields)
            yield f"{where}{error.what}, nearest: {', '.join(error.nearest)}"
    for name, field in fields.items():
        value = content.get(name)
        record, listed = _record_in(field.type)
        if name not in content:
            if field.required:
                yield f"{where}{name} is missing"
        elif record is not None and listed:
            if isinstance(value, list) and all(isinstance(part, dict) for part in value):
                for number, part in enumerate(value, 1):
                    yield from record_problems(part, record, f"{where}{name} {number}: ")
            else:
                yield f"{where}{name} must be written [[{name}]]"
        elif record is not None and isinstance(value, dict):
            yield from record_problems(value, record, f"{where}{name}: ")
        else:
            try:
                msgspec.convert(value, field.type)
            except msgspec.ValidationError as error:
                yield f"{where}{name}: {in_words(str(error))}"


def in_words(message: str) -> str:
    """A message of the decoder without its jargon."""
    text, _, place = message.partition(" - at `$")
    for name, words in TYPE_WORDS:
        text = re.sub(rf"`{name}( \| \w+)*`", words, text)
    at = place.strip("`.").replace("[...]", "").strip()
    return text[:1].lower() + text[1:] + (f" at {at}" if at else "")


def unknown_entries(kind: str, names: Iterable[str], known: Iterable[str]) -> list[str]:
    """A sentence for each name that is not known, with the nearest that are."""
    listed = tuple(known)
    errors = [unknown_name(kind, name, listed) for name in names if name not in listed]
    return [f"{error.what}, nearest: {', '.join(error.nearest)}" for error in errors]


def without_defaults(record: msgspec.Struct) -> dict[str, Any]:
    """A record as plain data, without what need not be said: it is as usual, or nothing."""
    kept: dict[str, Any] = {}
    for field in msgspec.structs.fields(type(record)):
        value = getattr(record, field.name)
        default = field.default if field.default is not msgspec.NODEFAULT else None
        if field.default_factory is not msgspec.NODEFAULT:
            default = field.default_factory()
        if value is None or (not field.required and value == default):
            continue
        if isinstance(value, msgspec.Struct):
            kept[field.name] = without_defaults(value)
        elif isinstance(value, tuple) and value and isinstance(value[0], msgspec.Struct):
            kept[field.name] = [without_defaults(part) for part in value]
        else:
            kept[field.name] = msgspec.to_builtins(value)
    return kept
