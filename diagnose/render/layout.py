"""Text of a given width: wrapped lines, two columns, chances as people read them."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable

from diagnose.knowledge.load import KnowledgeBase

#: narrower than this the table of chances has no room for what has failed
NARROWEST = 56
#: a width that asks for plain text: one statement a line, nothing wrapped, aligned or drawn
PLAIN = 0
#: keeps a number and its unit on one line while text is wrapped
HARD_SPACE = "\N{NO-BREAK SPACE}"


def percent(chance: float) -> str:
    """A chance as people read it."""
    if chance >= 0.9995:
        return ">99.9 %"
    if chance >= 0.0995:
        return f"{chance * 100:.0f} %"
    if chance >= 0.001:
        return f"{chance * 100:.1f} %"
    return "<0.1 %"


def chance_words(chance: float, kb: KnowledgeBase) -> str:
    """A chance as people say it: the words nearest to it in odds."""

    def log_odds(value: float) -> float:
        value = min(max(value, 1e-6), 1.0 - 1e-6)
        return math.log(value / (1.0 - value))

    at = log_odds(chance)
    return min(kb.chance_words.values(), key=lambda word: abs(log_odds(word.chance) - at)).words


def factor(value: float) -> str:
    """How far the readings moved the odds: "x 160" up, "/ 16" down, "no change"."""
    sign, size = ("x", value) if value >= 1.0 else ("/", 1.0 / max(value, 1e-99))
    if size < 1.05:
        return "no change"
    if size < 9.95:
        return f"{sign} {size:.1f}"
    if size < 99_500:
        return f"{sign} {float(f'{size:.2g}'):.0f}"
    return f"{sign} >100000" if size >= 1e6 else f"{sign} {float(f'{size:.1g}'):.0f}"


def factor_in_words(value: float) -> str:
    """The same for a listener: "odds times 160"."""
    sign, _, size = factor(value).partition(" ")
    return {"x": f"odds times {size}", "/": f"odds divided by {size}"}.get(sign, "odds unchanged")


def names(kb: KnowledgeBase, failures: tuple[str, ...]) -> str:
    """A set of failures in words."""
    if not failures:
        return "nothing failed"
    return " + ".join(kb.failures[failure].name for failure in failures)


def sentence(text: str) -> str:
    """Begin a text with a capital letter."""
    return f"{text[:1].upper()}{text[1:]}"


def fill(text: str, width: int, first: str = "", later: str | None = None) -> str:
    """Wrap text; ``first`` and ``later`` stand before its first and its later lines."""
    if width == PLAIN:
        lead = first.strip().removeprefix("-")
        return f"{lead}{' ' if lead.endswith('.') else ': '}{text}" if lead else text
    joined = text.replace(" %", f"{HARD_SPACE}%")
    wrapped = textwrap.fill(
        joined,
        max(width, NARROWEST),
        initial_indent=first,
        subsequent_indent=first if later is None else later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return wrapped.replace(HARD_SPACE, " ")


def table(rows: Iterable[tuple[str, str]], width: int) -> str:
    """Two columns, the second wrapped beside the first; below it where the name is too long for its column."""
    listed = list(rows)
    if width == PLAIN:
        return "\n".join(f"{name.strip()}: {text}" if text else name.strip() for name, text in listed)
    half = max(width, NARROWEST) // 2
    left = max((len(name) + 2 for name, _ in listed if len(name) + 2 <= half), default=6)
    lines = []
    for name, text in listed:
        lead = f"{name:<{left}}"
        if not text or len(name) + 2 > left:
            indent = name[: len(name) - len(name.lstrip())]
            lines.append(fill(name.strip(), width, indent, f"{indent}  "))
            lead = " " * left
        if text:
            lines.append(fill(text, width, lead, " " * left))
    return "\n".join(lines)
