"""The rules of the house that a machine can check: arrows point down, docstrings say what is raised."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "gcodetools"

# Lowest first. A room imports only rooms of lower floors, and itself.
FLOORS = [
    {"errors", "records", "_version"},
    {"documents"},
    {"gcode"},
    {"marks"},
    {"toolpath"},
    {"edit"},
    {"kit", "physics"},
    {"treat", "strength", "trials", "slicer_settings", "planning"},
    {"report"},
    {"jobs"},
    {"cli", "demo"},
]
# Physics reads moves and knows nothing of text.
FORBIDDEN = {("physics", "edit")}
# Beside each other on one floor, this way round: treatments may ask for estimates, cli runs the demo.
BESIDE = {("treat", "strength"), ("cli", "demo")}
# The package itself loads lazily, and commands load by table: the only places with imports inside functions.
LAZY_MODULES = {"__init__.py", "__main__.py", "cli/main.py"}
# Loaded when first needed: two want an optional library, one shapely, which most of a kit does without, one unpacks
# what most sliced files are not packed in.
LAZY_IMPORTS = (
    "gcodetools.gcode.containers.opening.",
    "gcodetools.kit.mesh.",
    "gcodetools.kit.polygons.",
    "gcodetools.report.plots.",
    "gcodetools.report.plots_tune.",
    "gcodetools.planning.calendar.",
    "gcodetools.trials.fractions.",
    # What most runs on a slice do without; tests/test_starting.py sees that they do.
    "difflib.",
    "gcodetools.cli.text_apply.",
    "gcodetools.documents.schemas.",
    "gcodetools.edit.moved.",
    "gcodetools.edit.moving.",
    "gcodetools.edit.newmoves.",
    "gcodetools.edit.rests.",
    "gcodetools.edit.runs.",
    "gcodetools.kit.drawing.",
    "gcodetools.kit.sections.",
    "gcodetools.kit.stacks.",
    "gcodetools.toolpath.diameters.",
    "gcodetools.toolpath.features.",
    "gcodetools.treat.fit.",
    "gcodetools.treat.perimeters.",
)
MAX_LINES = 600
MAX_FUNCTION_LINES = 60

FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "__pycache__" not in p.parts)


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def imports(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of every import, wherever it stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            yield from ((node.lineno, f"{base}.{alias.name}") for alias in node.names)


def rooms_imported(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for line, name in imports(tree):
        parts = name.split(".")
        if parts[0] == "gcodetools" and len(parts) > 1:
            yield line, parts[1]


def upward(room: str, other: str) -> bool:
    if room == other or (room, other) in BESIDE:
        return False
    return FLOOR_OF[other] >= FLOOR_OF[room] or (room, other) in FORBIDDEN


def test_there_is_something_to_check() -> None:
    rooms = {room_of(p) for p in modules()}
    assert {"gcode", "marks", "toolpath", "edit", "kit", "treat", "jobs", "cli"} <= rooms


def test_every_room_has_a_floor() -> None:
    assert {room_of(p) for p in modules()} - set(FLOOR_OF) <= {"__init__", "__main__"}


def test_arrows_point_downward() -> None:
    wrong = [
        f"{name_of(path)}:{line} imports {other}"
        for path in modules()
        if room_of(path) in FLOOR_OF
        for line, other in rooms_imported(tree_of(path))
        if other in FLOOR_OF and upward(room_of(path), other)
    ]
    assert wrong == []


def test_imports_name_the_package_in_full() -> None:
    relative = [
        f"{name_of(path)}:{line}"
        for path in modules()
        for line, name in imports(tree_of(path))
        if name.startswith(".")
    ]
    assert relative == []


def inner_imports(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """(line, dotted name) of imports inside functions."""
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            yield from imports(function)


def test_imports_stand_at_the_top() -> None:
    inside = [
        f"{name_of(path)}:{line} {name}"
        for path in modules()
        if name_of(path) not in LAZY_MODULES
        for line, name in inner_imports(tree_of(path))
        if not f"{name}.".startswith(LAZY_IMPORTS)
    ]
    assert inside == []


def test_every_module_says_what_it_holds() -> None:
    assert [name_of(path) for path in modules() if not ast.get_docstring(tree_of(path))] == []


def test_no_module_is_too_long() -> None:
    counts = {name_of(p): len(p.read_text(encoding="utf-8").splitlines()) for p in modules()}
    assert {name: count for name, count in counts.items() if count > MAX_LINES} == {}


def functions(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Functions and methods with their dotted names; what is nested in functions is left out."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield node.name, node
        elif isinstance(node, ast.ClassDef):
            yield from ((f"{node.name}.{f.name}", f) for f in node.body if isinstance(f, ast.FunctionDef))


def test_no_function_is_too_long() -> None:
    long = [
        f"{name_of(path)}:{function.lineno} {name}"
        for path in modules()
        for name, function in functions(tree_of(path))
        if (function.end_lineno or 0) - function.body[0].lineno > MAX_FUNCTION_LINES
    ]
    assert long == []


def is_public(name: str) -> bool:
    return not any(part.startswith("_") for part in name.split("."))


def own_nodes(function: ast.FunctionDef) -> Iterator[ast.AST]:
    """Nodes of a function without those of functions nested in it."""
    stack: list[ast.AST] = list(function.body)
    while stack:
        node = stack.pop()
        if isinstance(node, ast.FunctionDef | ast.Lambda | ast.ClassDef):
            continue
        yield node
        stack.extend(ast.iter_child_nodes(node))


def errors_raised(function: ast.FunctionDef) -> set[str]:
    """Names of the error classes in the `raise` statements of a function; a bare `raise` has none."""
    found = set()
    for node in own_nodes(function):
        if isinstance(node, ast.Raise) and node.exc is not None:
            call = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            name = call.attr if isinstance(call, ast.Attribute) else getattr(call, "id", "")
            if name[:1].isupper():
                found.add(name)
    return found


def error_classes() -> set[str]:
    """Ours, and the built-in ones that a caller may want to catch."""
    tree = tree_of(PACKAGE / "errors.py")
    return {node.name for node in tree.body if isinstance(node, ast.ClassDef)} | {"ValueError", "KeyError"}


def test_public_functions_that_raise_say_so() -> None:
    silent = []
    for path in modules():
        if room_of(path) == "cli":
            continue  # a command's docstring is its help page
        for name, function in functions(tree_of(path)):
            section = (ast.get_docstring(function) or "").partition("Raises\n------")[2]
            unsaid = sorted(e for e in errors_raised(function) & error_classes() if e not in section)
            if unsaid and is_public(name):
                silent.append(f"{name_of(path)}:{function.lineno} {name} raises {unsaid}")
    assert silent == []


def test_every_error_class_has_its_status() -> None:
    tree = tree_of(PACKAGE / "errors.py")
    status = {}
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            values = [
                b.value.value
                for b in node.body
                if isinstance(b, ast.Assign) and isinstance(b.value, ast.Constant)
            ]
            status[node.name] = values[0] if values else None
    # The contract's table; AlreadyTreated has the status of what it is a kind of.
    assert status == {
        "BeadwrightError": 1, "UsageError": 2, "InputError": 3, "NotFoundOnPlate": 4, "Refused": 5,
        "AlreadyTreated": None, "StrictWarning": 6, "CannotWrite": 7, "Fault": 70,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("room", "other", "wrong"),
    [
        ("gcode", "errors", False),
        ("gcode", "gcode", False),
        ("gcode", "marks", True),
        ("edit", "kit", True),
        ("kit", "physics", True),
        ("physics", "edit", True),
        ("kit", "toolpath", False),
        ("documents", "gcode", True),
        ("jobs", "cli", True),
        ("cli", "jobs", False),
        ("treat", "physics", False),
        ("physics", "treat", True),
        ("demo", "cli", True),
    ],
)
def test_the_check_itself_knows_up_from_down(room: str, other: str, wrong: bool) -> None:
    assert upward(room, other) is wrong


def test_the_check_itself_sees_every_kind_of_import() -> None:
    source = (
        "import gcodetools.cli.main\nfrom gcodetools import jobs\nfrom gcodetools.kit.schema import Kit\n"
    )
    source += "def f():\n    from gcodetools.demo import maker\n"
    found = list(rooms_imported(ast.parse(source)))
    assert sorted(room for _, room in found) == ["cli", "demo", "jobs", "kit"]


def test_the_check_itself_sees_what_is_raised() -> None:
    source = (
        'def f(x):\n    """Doc."""\n    def g():\n        raise KeyError\n    raise errors.InputError("a")\n'
    )
    function = ast.parse(source).body[0]
    assert isinstance(function, ast.FunctionDef)
    assert errors_raised(function) == {"InputError"}
