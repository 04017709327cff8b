"""The walls of the house: who may import whom."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PURE = ("inspections/rules", "inspections/recurrence", "inspections/leak.py")
# Rows and pure values meet here only; models use the rules' vocabulary (words of dials, categories, kinds).
BRIDGES = {f"inspections/{name}.py" for name in ("grading", "standing", "couple")}
VOCABULARY = {"inspections.rules.facts", "inspections.rules.limits"}


def sources(*folders):
    for folder in folders:
        path = ROOT / folder
        yield from sorted(path.rglob("*.py")) if path.is_dir() else [path] if path.exists() else []


def imports(path):
    """(module, names) for every import of a file, wherever it stands."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from ((alias.name, ()) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module, tuple(alias.name for alias in node.names)
            yield from ((f"{node.module}.{alias.name}", ()) for alias in node.names)


def modules(path):
    return {module for module, _ in imports(path)}


def name(path):
    return str(path.relative_to(ROOT))


def test_fleet_never_imports_inspections():
    files = [path for path in sources("fleet") if "management" not in path.parts]
    assert files
    for path in files:
        assert not [m for m in modules(path) if m.split(".")[0] == "inspections"], name(path)


PURE_NAMES = tuple(p.removesuffix(".py").replace("/", ".") for p in PURE)


@pytest.mark.parametrize("folder", PURE)
def test_pure_rooms_import_no_django_and_no_rows(folder):
    for path in sources(folder):
        wrong = {m for m in modules(path) if m.split(".")[0] in ("django", "fleet")}
        wrong |= {m for m in modules(path) if m.startswith("inspections.") and not m.startswith(PURE_NAMES)}
        assert not wrong, (name(path), wrong)


def test_paper_and_drawings_import_no_orm_and_no_request():
    files = list(sources("inspections/reports"))
    assert files
    for path in files:
        wrong = [m for m in modules(path) if m.split(".")[0] in ("django", "fleet") or ".models" in m]
        assert not wrong, (name(path), wrong)


def test_only_the_bridges_know_both_rows_and_rules():
    for path in sources("inspections"):
        if name(path).startswith(("inspections/rules", "inspections/models")) or name(path) in BRIDGES:
            continue
        rules = {m for m in modules(path) if m.startswith("inspections.rules.") and m.count(".") == 2}
        assert rules <= VOCABULARY, (name(path), rules - VOCABULARY)


# The record is made from rows, and from a seed; nothing else outside asks the recurring questions.
ASKS = ("inspections/history/", "inspections/recurrence/")
MAKES_A_RECORD = ("inspections/demonstration/arrays.py", "inspections/demonstration/counted.py")


def test_only_history_knows_both_rows_and_recurrence():
    for path in sources("inspections", "fleet", "config"):
        if name(path).startswith(ASKS):
            continue
        asked = {m for m in modules(path) if m.startswith("inspections.recurrence.") and m.count(".") == 2}
        known = {"inspections.recurrence.record"} if name(path) in MAKES_A_RECORD else set()
        assert asked <= known, (name(path), asked)


def writes(path, attribute, calls):
    """Line numbers where `attribute` of something is assigned, or passed to one of these calls."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Assign | ast.AugAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if any(isinstance(t, ast.Attribute) and t.attr == attribute for t in targets):
                yield node.lineno
        called = node.func.attr if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) else ""
        if called in calls and any(keyword.arg == attribute for keyword in node.keywords):
            yield node.lineno


def test_only_workflow_writes_a_findings_state():
    for path in sources("inspections", "fleet", "config"):
        if not name(path).startswith("inspections/workflow/") and "migrations" not in path.parts:
            assert not list(writes(path, "state", {"update", "update_or_create"})), name(path)


def test_only_log_writes_log_entries():
    for path in sources("inspections", "fleet", "config"):
        if name(path) == "inspections/log.py" or "migrations" in path.parts:
            continue
        text = path.read_text().replace("class LogEntry(", "")
        assert "LogEntry(" not in text, name(path)
        assert "LogEntry.objects.create" not in text, name(path)


def test_no_private_name_crosses_a_package():
    for path in sources("inspections", "fleet", "config"):
        private = [
            (module, n) for module, names in imports(path) for n in names if n.startswith("_") and n != "__version__"
        ]
        assert not private, (name(path), private)


def test_no_import_inside_a_function():
    for path in sources("inspections", "fleet", "config"):
        for function in ast.walk(ast.parse(path.read_text())):
            if not isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            inner = [n for n in ast.walk(function) if isinstance(n, ast.Import | ast.ImportFrom)]
            if path.name == "apps.py" and function.name == "ready":
                continue
            wrong = [n for n in inner if not (isinstance(n, ast.ImportFrom) and (n.module or "").startswith("scipy"))]
            assert not wrong, (name(path), function.name)


def test_rules_run_with_django_blocked():
    program = (
        "import sys; sys.modules['django'] = None\n"
        "from inspections.rules.ruleset import load, shipped_text\n"
        "from inspections.rules import grade, explain, publish\n"
        "assert load(shipped_text()).modes\n"
    )
    run = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


def test_top_level_holds_only_what_it_should():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0] for line in listed.splitlines()}
    assert top <= {
        "README.md", "DEVELOPERS.md", "manage.py", "requirements.txt", "inspections", "fleet", "templates", "static",
        "tests", "config", "pyproject.toml", ".ci", ".gitignore",
    }  # fmt: skip
