"""Mutation testing of the core: do the tests notice small wrong changes?

``python -m tests.mutation --seed 1 --sample 300`` makes mutants with cosmic-ray, draws a sample of them with the seed,
each module's share by its number of mutants, and runs for each the tests that ``tests/data/mutation.toml`` names for
its module, in a copy of the checkout. It ends with 1 if a mutant survives for which no reason stands there.

Left out: what no test can notice, by the rules of ``_left_out``, and operators that only make type errors (see the file).
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import difflib
import importlib
import itertools
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent
DATA = Path(__file__).parent / "data" / "mutation.toml"
COPIED = ("diagnose", "knowledge", "cases", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")
#: a mutant that makes the tests take so many times as long as usual never ends, s at least
SLOW_TIMES, SLOWEST_S = 4.0, 60.0
#: how long the tests of a module may take without a change, s
FIRST_S = 600.0
#: what was imported before pytest is not rewritten, and need not be
QUIET = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
#: cases of the comparison with the reference for each mutant: two of every panel
REFERENCE_CASES = "14"
NO_TESTS = 5
#: imported once, not by every run of the tests
PRELOADED = (
    "pytest",
    "numpy",
    "msgspec",
    "hypothesis",
    "platformdirs",
    "rich.console",
    "prompt_toolkit",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One small change of a module: which operator of cosmic-ray, and at which of its places."""

    module: str
    operator: str
    occurrence: int
    line: int

    def apply(self, source: str) -> str:
        """The source with the change."""
        from cosmic_ray.mutating import mutate_code
        from cosmic_ray.plugins import get_operator

        return str(mutate_code(source, get_operator(self.operator)(), self.occurrence))

    def lines(self, source: str) -> tuple[str, str]:
        """What changes: the lines before and after."""
        changed = self.apply(source).splitlines()
        found = list(difflib.unified_diff(source.splitlines(), changed, n=0, lineterm=""))[3:]
        was, becomes = (" ".join(x[1:].strip() for x in found if x.startswith(sign)) for sign in "-+")
        return was, becomes


def _left_out(
    source: str, keywords: list[str], kept: list[str], by_reviews: list[str]
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Begin and end of what no test can notice: (line, column) as parso counts them.

    Annotations, decorators, assertions (they tell the type checker what holds already), the values of these
    ``keywords`` of a call, how much is ``kept`` (where these names get their value, are compared or reckoned with, and
    what they are called with), and the size below zero of ``reshape``, which stands for what is left, whichever it is.
    So are functions ``by_reviews``, which only whole reviews test.
    """
    spans = []

    def add(node: ast.AST | None) -> None:
        if isinstance(node, ast.expr | ast.stmt):
            spans.append(((node.lineno, node.col_offset), (node.end_lineno or 0, node.end_col_offset or 0)))

    def names(node: ast.AST) -> bool:
        return any(isinstance(one, ast.Name) and one.id in kept for one in ast.iter_child_nodes(node))

    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.arg | ast.AnnAssign):
            add(node.annotation)
        elif isinstance(node, ast.Assert) or (
            isinstance(node, ast.Assign | ast.Compare | ast.Call | ast.BinOp) and names(node)
        ):
            add(node)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "reshape":
            for size in itertools.chain.from_iterable(getattr(a, "elts", (a,)) for a in node.args):
                add(size if isinstance(size, ast.UnaryOp) else None)
        elif isinstance(node, ast.keyword) and node.arg in keywords:
            add(node.value)
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            add(node if node.name in by_reviews else None)
            for decorator in node.decorator_list:
                add(decorator)
            if isinstance(node, ast.FunctionDef):
                add(node.returns)
    return spans


def mutants_of(module: str, data: dict[str, Any]) -> Iterator[Mutant]:
    """Every mutant of a module, in a fixed order."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator

    source = (ROOT / module).read_text(encoding="utf-8")
    spans, tree = _left_out(source, data["keywords"], data["kept"], data["by_reviews"]), get_ast(source)
    lines = source.splitlines()
    for name in data["operators"]:
        operator = get_operator(name)()
        places = [place for node in ast_nodes(tree) for place in operator.mutation_positions(node)]
        for occurrence, (begin, _) in enumerate(places):
            # the star that ends the arguments by position is no product
            star = lines[begin[0] - 1][begin[1] :].startswith("*,")
            if star or any(first <= begin < last for first, last in spans):
                continue
            mutant = Mutant(module=module, operator=name, occurrence=occurrence, line=begin[0])
            if name == "core/ExceptionReplacer":
                try:
                    mutant.apply(source)
                except AttributeError:  # cosmic-ray cannot replace one that is named by its module: zlib.error
                    continue
            yield mutant


def sample(every: dict[str, list[Mutant]], size: int, seed: int) -> list[Mutant]:
    """Draw mutants, of each module as many as its share; a change of one module leaves the others' draw alone."""
    total = sum(map(len, every.values()))
    exact = {module: min(size, total) * len(found) / total for module, found in every.items()}
    counts = {module: int(share) for module, share in exact.items()}
    by_rest = sorted(exact, key=lambda module: counts[module] - exact[module])
    for module in by_rest[: min(size, total) - sum(counts.values())]:
        counts[module] += 1
    drawn = []
    for module, found in every.items():
        drawn += random.Random(f"{seed} {module}").sample(found, counts[module])
    return drawn


# ------------------------------------------------------------------ running


class Copy:
    """A copy of the checkout in which a module is changed, tested and put back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            if (ROOT / name).is_dir():
                ignored = shutil.ignore_patterns("__pycache__", "*.pyc")
                shutil.copytree(ROOT / name, folder / name, ignore=ignored)
            elif (ROOT / name).exists():
                shutil.copy(ROOT / name, folder / name)
        # children of this process begin with all of this imported, and nothing of ours
        for name in PRELOADED:
            with contextlib.suppress(ImportError):
                importlib.import_module(name)

    def test(self, tests: list[str], limit_s: float, *, keep_compiled: bool = False) -> tuple[bool, float]:
        """Whether the tests pass, and the seconds that they took."""
        began = time.monotonic()
        child = os.fork()
        if child == 0:
            self._run(tests, keep_compiled)
        while time.monotonic() - began < limit_s:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                code = os.waitstatus_to_exitcode(status)
                if code == NO_TESTS:
                    raise SystemExit(f"no tests in {' '.join(tests)}")
                return code == 0, time.monotonic() - began
            time.sleep(0.02)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return False, time.monotonic() - began

    def _run(self, tests: list[str], keep_compiled: bool) -> None:
        """Run the tests in this process, which then ends. A mutant's byte code is never stored."""
        code = 1
        try:
            os.chdir(self.folder)
            os.environ |= {"XDG_CACHE_HOME": str(self.folder / "kept"), "REFERENCE_CASES": REFERENCE_CASES}
            sys.dont_write_bytecode = not keep_compiled
            sys.path[:] = [str(self.folder), *(path for path in sys.path if path not in ("", str(ROOT)))]
            for name in [name for name in sys.modules if name.split(".")[0] in ("diagnose", "tests")]:
                del sys.modules[name]
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            import pytest

            code = int(pytest.main(["-n", "0", "-x", "-q", "-p", "no:cacheprovider", *QUIET, *tests]))
        finally:
            sys.stdout.flush()
            os._exit(code)

    def survives(self, mutant: Mutant, tests: list[str], limit_s: float) -> bool:
        """Whether the tests pass with the mutant."""
        file = self.folder / mutant.module
        source = file.read_text(encoding="utf-8")
        for stale in (file.parent / "__pycache__").glob(f"{file.stem}.*.pyc"):
            stale.unlink()
        try:
            file.write_text(mutant.apply(source), encoding="utf-8")
            return self.test(tests, limit_s)[0]
        finally:
            file.write_text(source, encoding="utf-8")


def reason_for(module: str, was: str, becomes: str, reasons: list[dict[str, str]]) -> str:
    """Why a mutant may survive, if that stands in the data."""
    fitting = (r["why"] for r in reasons if (r["module"], r["was"], r["becomes"]) == (module, was, becomes))
    return next(fitting, "")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sample", type=int, default=300, help="mutants in all (300)")
    parser.add_argument("--module", action="append", default=[], help="only modules whose path holds this")
    parser.add_argument("--to", type=Path, help="write the outcome there as JSON, one line a mutant")
    parser.add_argument("--list", action="store_true", help="count and list the mutants, run nothing")
    asked = parser.parse_args()
    data = tomllib.loads(DATA.read_text(encoding="utf-8"))
    every = {module: list(mutants_of(module, data)) for module in data["tests"]}
    drawn = [
        mutant
        for mutant in sample(every, asked.sample, asked.seed)
        if not asked.module or any(part in mutant.module for part in asked.module)
    ]
    if asked.list:
        for module, found in every.items():
            print(f"{module}: {len(found)} mutants, {sum(m.module == module for m in drawn)} drawn")
        return 0
    died, known, unknown = 0, [], []
    with tempfile.TemporaryDirectory() as folder:
        copy = Copy(Path(folder))
        limits: dict[str, float] = {}
        for place, mutant in enumerate(drawn, 1):
            tests = data["tests"][mutant.module]
            if mutant.module not in limits:
                passes, seconds = copy.test(tests, FIRST_S, keep_compiled=True)
                if not passes:
                    raise SystemExit(f"the tests of {mutant.module} fail without a change")
                limits[mutant.module] = max(SLOW_TIMES * seconds, SLOWEST_S)
            survives = copy.survives(mutant, tests, limits[mutant.module])
            was, becomes = mutant.lines((ROOT / mutant.module).read_text(encoding="utf-8"))
            why = reason_for(mutant.module, was, becomes, data.get("survivor", [])) if survives else ""
            says = f"{mutant.module}:{mutant.line}: {was} -> {becomes}"
            died += not survives
            if survives:
                (known if why else unknown).append(mutant)
                print(f"SURVIVES {says}" + (f"  [{why}]" if why else ""), flush=True)
            if asked.to:
                told = {"survives": survives, "why": why, "module": mutant.module, "line": mutant.line}
                with asked.to.open("a", encoding="utf-8") as out:
                    out.write(json.dumps(told | {"was": was, "becomes": becomes}) + "\n")
            if place % 20 == 0:
                print(f"{place} of {len(drawn)}: {died} died", file=sys.stderr, flush=True)
    print(
        f"{died} of {len(drawn)} died; {len(known)} survive for a reason that is listed, {len(unknown)} without one"
    )
    return 1 if unknown else 0


if __name__ == "__main__":
    sys.exit(main())
