"""The house rules that a machine can watch: layout, imports, sizes, words that must not stand, complete docs."""

from __future__ import annotations

import ast
import re
import subprocess
from functools import cache
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dashboard.commands.app import COMMANDS, app
from dashboard.pages import PAGES

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "requirements.lock",
    "analytics",
    "dashboard",
    "config",
    "data_demo",
    "tests",
}
LONGEST_FILE = 400
TEXT = {".py", ".md", ".toml", ".csv", ".json", ".yml", ".yaml", ".html", ".css", ".lock", ".txt", ".typ", ".svg", ""}


@cache
def committed() -> tuple[Path, ...]:
    """Every file that git has or would take."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return tuple(path for name in listed.split("\0") if name and (path := ROOT / name).is_file())


def python_files(*folders: str) -> list[Path]:
    """The Python files under these folders of the tree."""
    return [p for p in committed() if p.suffix == ".py" and p.relative_to(ROOT).parts[0] in folders]


def name_of(path: Path) -> str:
    """The path inside the tree."""
    return path.relative_to(ROOT).as_posix()


@cache
def tree_of(path: Path) -> ast.Module:
    """The parsed file."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imported(path: Path) -> set[str]:
    """Full names of the modules a file imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            names.update(one.name for one in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names.update(f"{node.module}.{one.name}" for one in node.names)
    return names


def importing(files: list[Path], *modules: str) -> list[str]:
    """Those of the files that import one of the modules."""
    return [
        name_of(path)
        for path in files
        if any(name == one or name.startswith(f"{one}.") for name in imported(path) for one in modules)
    ]


def test_top_level_holds_what_the_architecture_says_and_no_more():
    """The top level holds the named files and folders only, dotfiles aside."""
    top = {path.relative_to(ROOT).parts[0] for path in committed()}
    assert {one for one in top if not one.startswith(".")} <= TOP_LEVEL


def test_no_file_of_code_is_longer_than_400_lines():
    """A file that grows past 400 lines holds more than one idea."""
    long = {
        name_of(p): n
        for p in python_files("analytics", "dashboard", "tests")
        if (n := len(p.read_text(encoding="utf-8").splitlines())) > LONGEST_FILE
    }
    assert long == {}


def test_there_is_no_module_to_dump_things_into():
    """No utils.py, helpers.py, common.py or misc.py."""
    assert [name_of(p) for p in committed() if p.stem in {"utils", "helpers", "common", "misc"}] == []


def test_analytics_never_imports_streamlit_or_the_dashboard():
    """The analysis knows nothing of the pages."""
    assert importing(python_files("analytics"), "streamlit", "dashboard") == []


def test_only_records_imports_duckdb():
    """One package knows the database."""
    others = [p for p in python_files("analytics", "dashboard") if "analytics/records" not in p.as_posix()]
    assert importing(others, "duckdb") == []


def test_figures_do_not_import_streamlit():
    """A figure is made from results alone, so that a report can use it too."""
    figures = [p for p in python_files("dashboard") if "dashboard/figures" in p.as_posix()]
    assert figures
    assert importing(figures, "streamlit") == []


def test_the_simulator_shares_no_code_with_what_it_scores():
    """Simulated truth that came from the analysis would prove nothing."""
    simulator = [p for p in python_files("analytics") if "analytics/simulate" in p.as_posix()]
    assert simulator
    forbidden = ("counting", "charts", "baseline", "drift", "advice", "fleet", "answer")
    assert importing(simulator, *(f"analytics.{one}" for one in forbidden)) == []


ORDER = ("records", "counting", "baseline", "charts", "drift", "advice")


@pytest.mark.parametrize("step", ORDER)
def test_a_step_of_the_line_knows_nothing_of_the_steps_after_it(step):
    """Each package of the line imports only from itself and from steps before it."""
    later = [f"analytics.{one}" for one in (*ORDER[ORDER.index(step) + 1 :], "fleet", "answer", "replay")]
    files = [p for p in python_files("analytics") if f"analytics/{step}/" in p.as_posix()]
    assert files
    assert importing(files, *later) == []


def test_no_machine_path_stands_in_a_committed_file():
    """A path of the machine it was made on means nothing anywhere else."""
    machine = re.compile(r"(?<![\w.:/~-])/(?:work|opt|root|home|tmp)/[\w.]")
    assert found(machine, skip=("tests/test_house.py",)) == []


def test_no_package_registry_stands_in_a_committed_file():
    """Which registry serves the packages is the machine's business: no host, no index option."""
    hosts = "|".join(
        ("py" + r"pi\.(org|python)", "pythonhosted" + r"\.org", "npmjs" + r"\.(org|com)", "deb" + r"\.debian\.org")
    )
    assert (
        found(re.compile(rf"{hosts}|--(extra-)?index-url|--find-links|--trusted-host"), skip=("tests/test_house.py",))
        == []
    )


def found(pattern: re.Pattern[str], *, skip: tuple[str, ...] = ()) -> list[str]:
    """Where the pattern stands in the text files of the tree, as file:line."""
    places = []
    for path in committed():
        if path.suffix not in TEXT or name_of(path) in skip:
            continue
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
        places += [f"{name_of(path)}:{number}" for number, line in enumerate(lines, 1) if pattern.search(line)]
    return places


def test_every_test_says_in_a_sentence_what_it_holds():
    """A test's docstring states the behaviour it holds."""
    silent = [
        f"{name_of(path)}::{node.name}"
        for path in python_files("tests")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]
    assert silent == []


def test_every_test_file_mirrors_a_part_of_the_tree():
    """A folder of tests is named after what it tests, or is one of the four that cut across."""
    folders = {p.relative_to(ROOT).parts[1] for p in python_files("tests") if len(p.relative_to(ROOT).parts) > 2}
    parts = {
        p.relative_to(ROOT).parts[1]
        for p in python_files("analytics", "dashboard")
        if len(p.relative_to(ROOT).parts) > 2
    }
    across = {"external", "browser", "faults", "bench", "dashboard", "fixtures"}
    assert folders <= parts | across


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_an_example_in_its_help(command):
    """``--help`` of each command shows a line that can be typed."""
    answer = CliRunner().invoke(app, [command, "--help"])
    assert answer.exit_code == 0
    assert re.search(rf"Examples?:\s+steadycount {command}\b", answer.stdout)


def docs() -> str:
    """Both documents together."""
    return "".join((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_named_in_the_docs(command):
    """A command that no document names does not exist for a user."""
    assert f"`{command}`" in docs() or f"steadycount {command}" in docs()


@pytest.mark.parametrize("title", [one.title for one in PAGES])
def test_every_page_is_named_in_the_docs(title):
    """A page that no document names does not exist for a user."""
    assert title in docs()


def test_markdown_has_one_sentence_a_line():
    """Diffs of prose stay small where each sentence has its line."""
    two = re.compile(r"[a-z)`]\. [A-Z]")
    places = []
    for path in committed():
        if path.suffix != ".md":
            continue
        fenced = False
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            fenced ^= line.startswith("```")
            if not fenced and not line.startswith("|") and two.search(line):
                places.append(f"{name_of(path)}:{number}")
    assert places == []


def test_third_party_imports_are_declared_and_what_is_declared_is_imported():
    """The wheel asks for what it imports, and for nothing else."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = project["dependencies"] + project["optional-dependencies"]["scale"]  # the one extra that code here imports by name
    declared = {re.split(r"[<>=\[ ]", one)[0].lower() for one in asked}
    names = {"python-calamine": "python_calamine"}
    not_imported_by_name = {"pyarrow", "tzdata"}  # used by pandas and duckdb for Parquet, and by zoneinfo
    import sys

    ours = {"analytics", "dashboard", "config", "data_demo", "__future__"}
    used = (
        {
            name.split(".")[0]
            for path in python_files("analytics", "dashboard")
            if path.name != "make_half_lives.py"  # run by hand, with the dev extra
            for name in imported(path)
        }
        - ours
        - set(sys.stdlib_module_names)
    )
    modules = {names.get(one, one) for one in declared}
    assert used <= modules
    assert modules - used <= not_imported_by_name
