"""The house: rooms in the order the data flows, and examples in docstrings that run."""

from __future__ import annotations

import ast
import doctest
from importlib import import_module
from pathlib import Path

import pytest

import learn
from tests.small_demo import small_model, small_shop

ROOT = Path(__file__).parents[1]
# Import only to the left. What lies beside the rooms comes before them all.
LEARN = "colour gp physics fit kinship predict planning mixing assessment monitoring"
PIPELINES = "workspace words tables measured ledger registry figures pages tasks desk commands cli"
ROOMS = {"learn": LEARN.split(), "pipelines": PIPELINES.split()}
BLIND = {"gp": {"colour", "physics"}}  # a process over features: whose, it does not know
OUTSIDE = {"learn": {"pipelines", "datasets", "tests"}, "pipelines": {"datasets", "tests"}}
LOOKING = {"startswith", "endswith", "find", "replace", "partition", "removeprefix"}
MODULES = sorted(p for package in ROOMS for p in (ROOT / package).rglob("*.py"))


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imported(path: Path) -> set[str]:
    """Every module or name of a module that a file imports, at its head or inside a function."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: import by the full name"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def room_of(package: str, module: str) -> int:
    """Position of a module's room; -1 for what lies beside the rooms."""
    parts = module.split(".")
    rooms = ROOMS[package]
    return rooms.index(parts[1]) if len(parts) > 1 and parts[1] in rooms else -1


def against_the_flow(path: Path) -> list[str]:
    package, *inside = path.relative_to(ROOT).with_suffix("").parts
    here = room_of(package, module_name(path))
    wrong = []
    for name in sorted(imported(path)):
        top = name.split(".")[0]
        if top in OUTSIDE[package]:
            wrong.append(name)
        elif top == package and inside != ["__init__"]:
            there = room_of(package, name)
            room = ROOMS[package][there] if there >= 0 else ""
            if there > here or room in BLIND.get(inside[0], ()):
                wrong.append(name)
    return wrong


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_go_to_the_left_only(path):
    assert against_the_flow(path) == []


def test_every_module_lies_in_a_room():
    beside = {
        "learn": {"__init__", "errors", "process", "shop", "normal", "workers"},
        "pipelines": {"__init__"},
    }
    for path in MODULES:
        package, first, *_ = path.relative_to(ROOT).with_suffix("").parts
        assert first in ROOMS[package] or first in beside[package], path


def test_an_import_to_the_right_is_seen(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.test_house.ROOT", tmp_path)
    path = tmp_path / "learn" / "gp" / "wrong.py"
    path.parent.mkdir(parents=True)
    path.write_text("from learn.colour import difference\nimport learn.fit.encoding, pipelines\n")
    assert against_the_flow(path) == ["learn.colour.difference", "learn.fit.encoding", "pipelines"]


# What the engine is made of: `learn.predict` and the rooms before it alone look at these.
INSIDES = {"layout_", "posterior_", "hyper_", "log_lengths_", "weights_", "design_", "rows_"}
INSIDES |= {"keep_", "prints_", "lab_", "shelf_", "likeness_", "linearised"}
OFFICIAL = {"_replace", "_asdict", "_fields"}  # of named tuples
ABOVE = [p for p in MODULES if p.relative_to(ROOT).parts[0] == "pipelines"]
ABOVE += [
    p for r in LEARN.split("predict ")[1].split() for p in MODULES if p.parent == ROOT / "learn" / r
]


def looked_into(source: str) -> list[str]:
    """Names of an engine's insides, or of anybody's private parts, that some code reads."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and node.value in INSIDES:
            found.append(node.value)
        if isinstance(node, ast.Attribute):
            own = isinstance(node.value, ast.Name) and node.value.id in {"self", "cls", "argparse"}
            private = node.attr.startswith("_") and not node.attr.startswith("__") and not own
            if node.attr in INSIDES or (private and node.attr not in OFFICIAL):
                found.append(node.attr)
    return found


@pytest.mark.parametrize("path", ABOVE, ids=module_name)
def test_nobody_above_looks_into_the_engine(path):
    assert looked_into(path.read_text(encoding="utf-8")) == []


def test_a_look_into_the_engine_is_seen():
    assert looked_into("model.layout_.size, getattr(m, 'keep_'), other._at(0), self._own()") == [
        "layout_",
        "keep_",
        "_at",
    ]


def peeks(tree: ast.AST) -> list[int]:
    """Lines that look into the sentence of a mistake, as ``error.what.endswith("a date")``."""
    lines = []
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Attribute(value=ast.Attribute(attr=part), attr=how)):
                told = part in {"what", "do", "advice"} and how in LOOKING
            case ast.Compare(ops=[ast.In() | ast.NotIn()], comparators=[ast.Call(ast.Name("str"))]):
                told = True
            case _:
                told = False
        lines += [node.lineno] if told else []
    return lines


def test_no_code_looks_into_a_sentence():
    """What is wrong is data (`Kind`, `Unusable.name`), words come last."""
    assert peeks(ast.parse("if p.what.endswith('a date'): pass")) == [1]
    assert peeks(ast.parse("if 'damaged' not in str(error): pass")) == [1]
    assert {p: peeks(ast.parse(p.read_text(encoding="utf-8"))) for p in MODULES} == {
        p: [] for p in MODULES
    }


def used_by_the_program() -> set[tuple[str, str]]:
    """(module, name) of everything at the head of a module that the program itself uses."""
    trees = {module_name(path): ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}
    used = {(f"learn.{home}", name) for name, home in learn._HOMES.items()}
    for module, tree in trees.items():
        modules = {}  # local name -> module
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    whole = f"{node.module}.{alias.name}"
                    if whole in trees:
                        modules[alias.asname or alias.name] = whole
                    else:
                        used.add((node.module, alias.name))
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                used.add((modules.get(node.value.id, ""), node.attr))
        for top in tree.body:  # what calls itself alone is not used
            names = {n.id for n in ast.walk(top) if isinstance(n, ast.Name)}
            used |= {(module, name) for name in names - {getattr(top, "name", None)}}
    return used


def is_view(top: ast.FunctionDef | ast.ClassDef) -> bool:
    """Whether it answers at an address of the local page: ``@place.get("/")``."""
    calls = [d.func for d in top.decorator_list if isinstance(d, ast.Call)]
    return any(isinstance(call, ast.Attribute) and call.attr in ("get", "post") for call in calls)


def test_nothing_stands_for_tests_alone():
    used = used_by_the_program() | {("pipelines.cli", "run"), ("learn", "__getattr__")}
    used |= {(module, "add_parser") for module in map(module_name, MODULES)}  # found by name
    for path in MODULES:
        for top in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(top, ast.FunctionDef | ast.ClassDef) and not is_view(top):
                one = (module_name(path), top.name)
                assert one in used, f"{'.'.join(one)}: the program never uses it"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_examples_in_docstrings_run(path):
    known = {"model": small_model, "shop": small_shop}
    module = import_module(module_name(path))
    needs = {n: make() for n, make in known.items() if module is learn}
    assert doctest.testmod(module, extraglobs=needs).failed == 0


def test_every_name_the_package_offers_is_there():
    assert all(getattr(learn, name) is not None for name in learn.__all__)
