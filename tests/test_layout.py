"""The layout of the package: who may import whom, seen in the code itself and not in what a run happens to load."""

from __future__ import annotations

import ast
import doctest
import graphlib
from itertools import chain
from pathlib import Path

import pytest

import diagnose
from tests.conftest import told_in

ROOT = Path(diagnose.__file__).parent

#: a package imports only from those before it; "" is the front door, `import diagnose`
ORDER = (
    "model",
    "knowledge",
    "physics",
    "network",
    "language",
    "advice",
    "practice",
    "review",
    "render",
    "",
    "proof",
    "terminal",
    "cli",
    "__main__",
)

#: a sentence can answer the open question, and an answer can be a sentence: the one circle
HEARING = frozenset({"diagnose.terminal.commands.guide", "diagnose.terminal.commands.hearing"})


def modules() -> dict[str, Path]:
    """Give the path of every module by its full name."""
    found = {}
    for path in ROOT.rglob("*.py"):
        parts = ("diagnose", *path.relative_to(ROOT).with_suffix("").parts)
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def place(module: str) -> str:
    """Give the package at the top that a module belongs to."""
    return module.split(".")[1] if "." in module else ""


def for_types_only(tree: ast.AST) -> set[ast.AST]:
    """Give what stands under `if TYPE_CHECKING`: never run."""
    return {
        node
        for branch in ast.walk(tree)
        if isinstance(branch, ast.If)
        and isinstance(branch.test, ast.Name)
        and branch.test.id == "TYPE_CHECKING"
        for statement in branch.body
        for node in ast.walk(statement)
    }


def named(node: ast.AST, module: str, is_package: bool) -> list[str]:
    """Give the full names that one node of a module imports; a name can be a module's or stand in one."""
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            up = module.split(".")
            up = up[: len(up) - node.level + is_package]
            base = ".".join((*up, base)) if base else ".".join(up)
        return [f"{base}.{alias.name}" for alias in node.names]
    if isinstance(node, ast.Call):
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if called in ("import_module", "__import__") and node.args:
            given = node.args[0]
            if isinstance(given, ast.Constant) and isinstance(given.value, str):
                return [given.value]
            if isinstance(given, ast.JoinedStr) and ast.unparse(given.values[0]) == "f'{__name__}'":
                return [module]
    return []


def imports(types_too: bool, known: dict[str, Path]) -> list[tuple[str, str]]:
    """Give (importer, imported) for every module of the package, wherever in the file the import stands."""
    found = []
    for module, path in known.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        left_out = set() if types_too else for_types_only(tree)
        for node in ast.walk(tree):
            if node in left_out:
                continue
            for name in named(node, module, path.name == "__init__.py"):
                if name.split(".")[0] != "diagnose":
                    continue
                while name not in known:
                    name = name.rpartition(".")[0]
                if name != module:
                    found.append((module, name))
    return found


@pytest.mark.parametrize(
    "line",
    [
        "import diagnose.cli.rank",
        "import diagnose.cli.rank as other",
        "from diagnose.cli import rank",
        "from diagnose.cli.rank import add",
        "from ..cli import rank",
        "from ..cli.rank import add",
        "def late():\n    from diagnose.cli import rank",
        "importlib.import_module('diagnose.cli.rank')",
        "import_module('diagnose.cli.rank')",
        "__import__('diagnose.cli.rank')",
    ],
)
def test_every_way_to_import_is_seen(line, tmp_path):
    own = tmp_path / "own.py"
    own.write_text(line)
    known = {**dict.fromkeys(("diagnose", "diagnose.cli", "diagnose.cli.rank"), tmp_path / "none.py")}
    (tmp_path / "none.py").write_text("")
    assert imports(True, {**known, "diagnose.model.own": own}) == [
        ("diagnose.model.own", "diagnose.cli.rank")
    ]


def test_the_front_door_counts_as_a_place_of_its_own(tmp_path):
    own = tmp_path / "own.py"
    own.write_text("from diagnose import answer_case")
    (tmp_path / "none.py").write_text("")
    assert imports(True, {"diagnose": tmp_path / "none.py", "diagnose.model.own": own}) == [
        ("diagnose.model.own", "diagnose")
    ]


def test_every_package_has_its_place_in_the_order():
    assert {place(module) for module in modules()} == set(ORDER)
    assert len({place(module) for module in modules()} - {"", "__main__"}) <= 12


def test_packages_import_only_from_those_before_them():
    wrong = [
        f"{module} imports {other}"
        for module, other in imports(True, modules())
        if module != "diagnose"
        and place(module) != place(other)
        and ORDER.index(place(other)) > ORDER.index(place(module))
    ]
    assert not wrong


def test_no_modules_import_each_other_in_a_circle():
    after: dict[str, set[str]] = {}
    for module, other in imports(False, modules()):
        if not {module, other} <= HEARING:
            after.setdefault(module, set()).add(other)
    graphlib.TopologicalSorter(after).prepare()  # raises CycleError, which names the circle


#: one subject each, and up to 600 lines for it
LONG = {
    "cli/practice.py", "language/prose/clause.py", "language/prose/saying.py", "practice/drill/store.py",
    "network/tables.py", "practice/ask.py", "render/pages/papers.py", "render/pictures/panel.py", "review/mapping.py",
    "review/table.py",
}  # fmt: skip


def test_files_stay_short_enough_to_read():
    for path in ROOT.rglob("*.py"):
        lines, name = len(path.read_text(encoding="utf-8").splitlines()), path.relative_to(ROOT).as_posix()
        assert lines <= (600 if name in LONG else 500), name
        assert lines > 500 or name not in LONG, f"{name} is short again: take it off the list"


def test_the_examples_of_the_front_door_hold():
    """Every public function has one; they share what the first one builds."""
    tree = ast.parse((ROOT / "__init__.py").read_text(encoding="utf-8"))
    public = [node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name[0] != "_"]
    assert not {node.name for node in public} & set(ORDER), "a package of that name would take its place"
    examples = {node.name: doctest.DocTestParser().get_examples(ast.get_docstring(node)) for node in public}
    assert [name for name, found in examples.items() if not found] == []
    whole = [*doctest.DocTestParser().get_examples(diagnose.__doc__), *chain(*examples.values())]
    test = doctest.DocTest(whole, {}, "front door", None, None, None)
    told: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.IGNORE_EXCEPTION_DETAIL)
    assert runner.run(test, out=told.append).failed == 0, "".join(told)


def test_the_types_come_with_the_package():
    assert (ROOT / "py.typed").exists()


@pytest.mark.parametrize("name", ["thinned", "known_red"])
def test_lists_of_tests_name_tests_that_there_are(name):
    for test in told_in(name):
        file, _, function = test.partition("[")[0].partition("::")
        assert f"def {function}(" in (Path(__file__).parents[1] / file).read_text(encoding="utf-8"), test
