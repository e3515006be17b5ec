"""What all records of files have in common, and the bibliography."""

from __future__ import annotations

import msgspec

ID_PATTERN = r"[a-z][a-z0-9_]*"


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An entry of a file: immutable, with unknown keys refused."""


class Cited(Record, frozen=True, kw_only=True):
    """An entry that says where it comes from.

    ``source`` is a key of ``knowledge/sources.toml``, ``"judgement"`` or ``"common practice"``.
    """

    source: str
    note: str = ""
    from_memory: bool = False


class Document(Record, frozen=True, kw_only=True):
    """A published document of the bibliography."""

    id: str
    title: str
    publisher: str = ""
    edition: str = ""
    address: str = ""
    note: str = ""
