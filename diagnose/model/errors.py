"""Everything that can go wrong and is not a fault of the program.

Every error says what is wrong, where it stands and how to fix it. Only the command line and the
prompt catch these; an unknown exception keeps its traceback.
"""

from __future__ import annotations

from typing import ClassVar


class DiagnoseError(Exception):
    """A fault of input, knowledge or evidence, in three parts: what, where, how to fix it.

    The text reads ``what. Where: where. Try: mend.``; an empty part is left out.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, where: str = "", mend: str = "") -> None:
        super().__init__(what, where, mend)
        self.what = what
        self.where = where
        self.mend = mend

    def __str__(self) -> str:
        labelled = (("", self.what), ("Where: ", self.where), ("Try: ", self.mend))
        return " ".join(label + _sentence(part) for label, part in labelled if part)

    def as_dict(self) -> dict[str, object]:
        """Return the error as plain data for JSON: its kind, its parts, its exit code."""
        return {
            "error": type(self).__name__,
            "what": self.what,
            "where": self.where,
            "mend": self.mend,
            "exit_code": self.exit_code,
        }


class KnowledgeError(DiagnoseError):
    """The knowledge base is at fault; ``problems`` lists every fault found, one text each."""

    def __init__(self, what: str, where: str = "", mend: str = "", *, problems: tuple[str, ...] = ()) -> None:
        super().__init__(what, where, mend)
        self.problems = tuple(problems)

    def __str__(self) -> str:
        return "\n".join((super().__str__(), *(f"- {problem}" for problem in self.problems)))

    def as_dict(self) -> dict[str, object]:
        """Return the error as plain data for JSON, with its list of problems."""
        return super().as_dict() | {"problems": list(self.problems)}


class CaseError(DiagnoseError):
    """A case file, or what was typed as part of a case, cannot be used as it stands."""


class TellsMore(CaseError):
    """What was said holds more than one plain statement: another moment, a number, an exception."""


class UnknownName(DiagnoseError):
    """A name that the knowledge base does not have; ``nearest`` lists the closest known names.

    ``meanings``: ids of all entries that it can mean, where it can mean several.
    """

    def __init__(
        self,
        what: str,
        where: str = "",
        mend: str = "",
        *,
        nearest: tuple[str, ...] = (),
        meanings: tuple[str, ...] = (),
    ) -> None:
        self.nearest, self.meanings = tuple(nearest), tuple(meanings)
        if not mend and self.nearest:
            mend = f"{', '.join(self.nearest)}"
        super().__init__(what, where, mend)

    def as_dict(self) -> dict[str, object]:
        """Return the error as plain data for JSON, with the nearest names."""
        return super().as_dict() | {"nearest": list(self.nearest)}


class ImpossibleEvidence(DiagnoseError):
    """No failure and no motion can give these readings together.

    ``conflict`` is the smallest set of reading texts that contradict each other.
    """

    exit_code: ClassVar[int] = 3

    def __init__(self, what: str, where: str = "", mend: str = "", *, conflict: tuple[str, ...] = ()) -> None:
        super().__init__(what, where, mend)
        self.conflict = tuple(conflict)

    def as_dict(self) -> dict[str, object]:
        """Return the error as plain data for JSON, with the conflicting readings."""
        return super().as_dict() | {"conflict": list(self.conflict)}


class PhysicsRangeError(DiagnoseError):
    """A quantity lies outside the range in which a formula holds.

    ``value`` is the worst offender, ``limits`` the (lowest, highest) allowed value, ``unit`` the
    unit of both.
    """

    def __init__(
        self, quantity: str, value: float, limits: tuple[float, float], unit: str, where: str = ""
    ) -> None:
        low, high = limits
        super().__init__(
            f"{quantity} {value:g} {unit} is out of range",
            where,
            f"use a value from {low:g} to {high:g} {unit}",
        )
        self.quantity = quantity
        self.value = value
        self.limits = limits
        self.unit = unit

    def __reduce__(self) -> tuple[object, ...]:
        # The stored args are those of the root; pickling must call this constructor instead.
        return (type(self), (self.quantity, self.value, self.limits, self.unit, self.where))

    def as_dict(self) -> dict[str, object]:
        """Return the error as plain data for JSON, with value, limits and unit."""
        return super().as_dict() | {"value": self.value, "limits": list(self.limits), "unit": self.unit}


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else text + "."
