"""What people read is worded as pilots speak: no banned wording, and names of the trade's terms."""

from __future__ import annotations

import ast
import io
import re
import tokenize
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from diagnose.language import plain
from tests.small import shipped

ROOT = Path(__file__).parents[1]
BANNED = Path(__file__).parent / "data" / "banned_wording.toml"
#: files of words that people may type, which must hold old and odd ones too
TYPED = {"words.toml", "story.toml"}
#: keys whose values are ids, sources, or what people may type
NO_TEXT = {"words", "id", "source", "sources", "failures", "context", "truth", "system", "unit"}
#: names of files, stored columns and patterns are no texts
ONLY_IDS = re.compile(r"[\w./:-]*")


#: in docstrings and comments: code, doctests, and the names of the records ``SnapshotRecord`` and ``FailureKind``
NO_PROSE = re.compile(
    r"``[^`]*``|`[^`]*`|\"[^\"]*\"|>>>[^\n]*\n[^\n]*|\b[Ss]napshots?\b|\b[Ll]ook-alikes?\b", re.DOTALL
)


@cache
def banned() -> tuple[tuple[re.Pattern[str], str], ...]:
    entries = tomllib.loads(BANNED.read_text(encoding="utf-8"))["banned"]
    return tuple((re.compile(rf"(?<!\w)(?:{e['wrong']})(?!\w)", re.IGNORECASE), e["say"]) for e in entries)


def spoken(source: str) -> Iterator[tuple[int, str]]:
    """Every text of a module; docstrings and comments without code, and without what records and keys are called."""
    tree = ast.parse(source)
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield (
                node.lineno,
                " ".join(NO_PROSE.sub("", node.value).split()) if id(node) in docs else node.value,
            )
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], NO_PROSE.sub("", token.string)


def told(value: object, key: str, where: str) -> Iterator[tuple[str, str]]:
    """Every text of a knowledge or case file."""
    if isinstance(value, dict):
        for inner, entry in value.items():
            yield from told(entry, inner, f"{where} {inner}")
    elif isinstance(value, list):
        for entry in value:
            yield from told(entry, key, where)
    elif isinstance(value, str) and key not in NO_TEXT:
        yield where, value


def texts() -> Iterator[tuple[str, str]]:
    for path in sorted((ROOT / "diagnose").rglob("*.py")):
        for line, text in spoken(path.read_text(encoding="utf-8")):
            yield f"{path.relative_to(ROOT)}:{line}", text
    for path in (
        *sorted((ROOT / "diagnose").rglob("*.js")),
        *sorted((ROOT / "diagnose").rglob("*.md")),
        ROOT / "README.md",
    ):
        screen = False
        for line, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            # a screen is what the program says, whose own texts are read above
            screen ^= text.startswith("```")
            if not screen:
                yield f"{path.relative_to(ROOT)}:{line}", text
    for folder in ("knowledge", "cases"):
        for path in sorted((ROOT / folder).rglob("*.toml")):
            if path.name not in TYPED:
                content = tomllib.loads(path.read_text(encoding="utf-8"))
                yield from told(content, "", str(path.relative_to(ROOT)))


def is_exempt(text: str) -> bool:
    exempt = tomllib.loads(BANNED.read_text(encoding="utf-8"))["exempt"]
    return text in exempt or "CREATE TABLE" in text


def test_no_text_that_a_person_reads_holds_a_banned_wording():
    found = [
        f"{where}: {match[0]!r} (say: {say}) in {text[max(0, match.start() - 40) : match.end() + 40]!r}"
        for where, text in texts()
        if not ONLY_IDS.fullmatch(text) and not is_exempt(text)
        for pattern, say in banned()
        if (match := pattern.search(text))
    ]
    assert not found, f"{len(found)} texts:\n" + "\n".join(found)


@pytest.mark.parametrize(
    "text",
    ["To mend: x", "the updraught", "Flag stowed", "All along: steady", "sound aircraft", "Not so: it"],
)
def test_a_banned_wording_is_found(text):
    assert any(pattern.search(text) for pattern, _ in banned())


# ------------------------------------------------------------------ names are made of the trade's terms


def plain_names() -> Iterator[tuple[str, str]]:
    kb = shipped()
    for table in ("failures", "families", "gauges", "switches", "context", "manoeuvres", "dials"):
        for entry, record in getattr(kb, table).items():
            yield f"{table} {entry}", plain(record.title.lower() if table == "dials" else record.name)


@cache
def term_words() -> frozenset[str]:
    return frozenset(plain(way) for term in shipped().terms.values() for way in (term.name, *term.words))


def test_every_name_uses_a_term_of_the_glossary():
    """Failures, gauges, switches and maneuvers are called by the terms that help explains."""
    terms = {re.compile(rf"\b{re.escape(way)}s?\b") for way in term_words()}
    for where, name in plain_names():
        if where.split()[0] in ("failures", "families", "switches", "manoeuvres"):
            assert any(term.search(name) for term in terms), f"{where}: {name!r} uses no term of the glossary"


def test_every_word_of_a_name_is_a_term_or_plain_english():
    """A new word in a name is either explained in the glossary or put into tests/data/plain_words.txt on purpose."""
    plain_words = set((Path(__file__).parent / "data" / "plain_words.txt").read_text().split())
    known = plain_words | {word for way in term_words() for word in way.split()}
    odd = {
        (where, word)
        for where, name in plain_names()
        for word in name.split()
        if word not in known and word.removesuffix("s") not in known and not re.search(r"\d", word)
    }
    assert not odd
    unused = plain_words - {word for _, name in plain_names() for word in name.split()}
    assert not unused, "no name uses these words any more"


def test_the_glossary_is_no_longer_than_a_sentence_each_and_unambiguous():
    seen: dict[str, str] = {}
    for term in shipped().terms.values():
        assert len(term.means) < 200, term.id
        for way in {plain(term.name), *map(plain, term.words)}:
            assert seen.setdefault(way, term.id) == term.id, way


# ------------------------------------------------------------------ what docstrings say


def described() -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef, str]]:
    """Every public class and function with its own docstring and, behind it, those of its class and module."""
    for path in sorted((ROOT / "diagnose").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        around = [(tree.body, ast.get_docstring(tree) or "")]
        for body, context in around:
            for node in body:
                if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                    own = ast.get_docstring(node) or ""
                    yield f"{path.relative_to(ROOT)}:{node.lineno} {node.name}", node, f"{own}\n{context}"
                    if isinstance(node, ast.ClassDef):
                        around.append((node.body, f"{own}\n{context}"))


def test_all_that_is_public_has_a_docstring():
    assert not [where for where, node, _ in described() if not ast.get_docstring(node)]


def test_a_docstring_names_the_errors_that_its_function_raises():
    unnamed = []
    for where, node, _ in described():
        if isinstance(node, ast.FunctionDef):
            raised = {
                getattr(getattr(n.exc, "func", n.exc), "id", "")
                for n in ast.walk(node)
                if isinstance(n, ast.Raise)
            }
            caught = {
                n.type.id
                for n in ast.walk(node)
                if isinstance(n, ast.ExceptHandler) and isinstance(n.type, ast.Name)
            }
            own = ast.get_docstring(node) or ""
            unnamed += [
                f"{where}: {error}"
                for error in sorted(raised - caught)
                if error[:1].isupper()
                and error != "AssertionError"
                and "Raises" not in own
                and error not in own
            ]
    assert not unnamed


def test_a_function_that_gives_an_array_says_its_shape_or_its_class_or_module_does():
    shape = re.compile(r"shape|broadcast|[Aa]rrays|\([a-z…. ]+(?:, ?[a-z0-9…. ]+)*,?\)")
    silent = [
        where
        for where, node, told in described()
        if isinstance(node, ast.FunctionDef) and node.returns and "Array" in ast.unparse(node.returns)
        if not shape.search(told)
    ]
    assert not silent
