"""Imports point one way: cli → fhir_mapping → ledger. Inside the ledger, what is a function of values has no store."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

FORBIDDEN = [
    # (who, must not import, why)
    ("ledger", "cli", "the ledger knows nothing of terminals and pages"),
    ("ledger", "fhir_mapping", "the ledger knows nothing of FHIR"),
    ("fhir_mapping", "cli", "the mapping knows nothing of terminals and pages"),
    ("ledger/arrival", "ledger.store", "bytes become text without a database"),
    ("ledger/reading", "ledger.store", "the reader is a function of text"),
    ("ledger/projections", "ledger.store", "a projection is a fold of values"),
    ("ledger/statistics", "ledger.store", "a statistic is a function of histories"),
    ("ledger/rounds", "ledger.store", "a finding is a function of histories and a rule"),
    ("ledger/admission", "ledger.store", "admission is a function of a history and a fact"),
    ("ledger/chronology.py", "ledger.store", "chronology is a function of entries"),
    ("ledger/matching.py", "ledger.store", "matching is a function of clues and candidates"),
    ("ledger/retelling.py", "ledger.store", "whether something was told before is a function of histories"),
    ("ledger/confirming.py", "typer", "pages and scripts confirm as a terminal does"),
    ("ledger/events.py", "pydantic", "looking at a history starts without pydantic"),
    ("ledger/entries.py", "pydantic", "looking at a history starts without pydantic"),
]


@pytest.mark.parametrize(("who", "target", "why"), FORBIDDEN, ids=[f"{who} -> {to}" for who, to, _ in FORBIDDEN])
def test_no_arrow_points_the_wrong_way(who: str, target: str, why: str) -> None:
    place = ROOT / who
    files = [place] if place.suffix == ".py" else sorted(place.rglob("*.py"))

    wrong = [
        f"{path.relative_to(ROOT)}, line {line}, imports {name}: {why}."
        for path in files
        for name, line in _imported(path, everywhere=target != "pydantic")
        if name == target or name.startswith(target + ".")
    ]

    assert not wrong, "\n".join(wrong)


def _imported(path: Path, *, everywhere: bool) -> list[tuple[str, int]]:
    """The modules that a file imports: anywhere in it, or only when it is loaded."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: list[tuple[str, int]] = []
    todo: list[ast.AST] = [tree]
    while todo:
        node = todo.pop()
        if isinstance(node, ast.Import):
            found.extend((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} uses a relative import; name the package instead"
            found.append((node.module or "", node.lineno))
            found.extend((f"{node.module}.{alias.name}", node.lineno) for alias in node.names)
        is_function = isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
        is_typing_only = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        if everywhere or not (is_function or is_typing_only):
            todo.extend(ast.iter_child_nodes(node))
    return found


def test_opening_a_history_loads_neither_pydantic_nor_numpy() -> None:
    program = (
        "import sys, ledger.store, ledger.projections.rows, ledger.admission\n"
        "print([name for name in ('pydantic', 'numpy', 'matplotlib', 'fhir') if name in sys.modules])"
    )

    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT)

    assert loaded.stdout.strip() == "[]"


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout, so there is no list of the project's own files")

    top = {line.split("/")[0] for line in listed.stdout.splitlines()}

    allowed = {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
        "ledger", "fhir_mapping", "cli", "tests", "fixtures",
    }  # fmt: skip
    assert {name for name in top if not name.startswith(".")} <= allowed
