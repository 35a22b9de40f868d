"""The rules of the house, held by reading the sources: who may import whom, what is shipped, what docs must name."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("detect", "cli", "synthetic_clips")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


@dataclass(frozen=True)
class Import:
    """One imported module; ``names`` are what was taken from it, empty for a plain ``import``."""

    where: str
    line: int
    module: str
    names: tuple[str, ...] = ()

    @property
    def top(self) -> str:
        return self.module.split(".")[0]

    def __str__(self) -> str:
        return f"{self.where}:{self.line} imports {self.module} {' '.join(self.names)}"


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package.replace(".", "/")).rglob("*.py"))


def dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_in(source: str, where: str) -> Iterator[Import]:
    """Every import of a source text, those inside functions and under TYPE_CHECKING too."""
    for node in ast.walk(ast.parse(source, filename=where)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(where, node.lineno, alias.name)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{where}:{node.lineno}: imports are written in full"
            names = [alias.name for alias in node.names]
            assert node.module is not None
            # "from detect.measure import kernels" names a module: count it as such
            below = [n for n in names if (ROOT / node.module.replace(".", "/") / f"{n}.py").exists()]
            for name in below:
                yield Import(where, node.lineno, f"{node.module}.{name}")
            if rest := tuple(n for n in names if n not in below):
                yield Import(where, node.lineno, node.module, rest)


def imports_of(package: str) -> list[Import]:
    return [i for path in modules(package) for i in imports_in(path.read_text("utf-8"), dotted(path))]


def within(module: str, package: str) -> bool:
    return module == package or module.startswith(package + ".")


BASE = ("detect.errors", "detect.standards", "detect.timecode", "detect.findings", "detect.readings")
MAY_IMPORT = {
    "detect.errors": (),
    "detect.standards": (),
    "detect.timecode": ("detect.errors", "detect.standards"),
    "detect.findings": ("detect.standards",),
    "detect.readings": ("detect.errors", "detect.standards"),
    "detect.measure": ("detect.measure", *BASE),
    "detect.judge": ("detect.judge", "detect.measure", *BASE),
    "detect.lineup": ("detect.lineup", "detect.measure", "detect.judge", *BASE),
    "detect.output": ("detect.output", "detect.measure.stills", *BASE),
    "synthetic_clips": ("synthetic_clips",),
}
"""The importer, and all it may take from this project. Modules of ``detect`` not listed stand above all of these."""


def forbidden(found: Import) -> bool:
    home = max((p for p in MAY_IMPORT if within(found.where, p)), key=len, default=None)
    if home is None:
        allowed: tuple[str, ...] = PACKAGES if within(found.where, "cli") else ("detect",)
    else:
        allowed = MAY_IMPORT[home]
    if found.module == "detect" and found.names == ("__version__",):
        return within(found.where, "synthetic_clips")
    return found.top in (*PACKAGES, "tests") and not any(within(found.module, a) for a in allowed)


def test_nothing_imports_upward() -> None:
    assert [str(i) for p in PACKAGES for i in imports_of(p) if forbidden(i)] == []


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("detect.measure.relations", "from detect.judge.wheel import fit_wheel"),
        ("detect.measure.relations", "from detect.output import words"),
        ("detect.judge.wheel", "import detect.output.page"),
        ("detect.output.page", "from detect.measure.relations import RESPONSE_MHZ"),
        ("detect.output.page", "from detect.judge.wheel import fit_wheel"),
        ("detect.readings", "from detect.measure.fields import Field"),
        ("detect.judge.wheel", "def f():\n    from cli.scan import app"),
        ("detect.scan", "from cli.common import say_error"),
        ("detect.scan", "import synthetic_clips.render"),
        ("synthetic_clips.render", "from detect.standards import HEADS"),
        ("cli.scan", "from tests import fabricated"),
    ],
)
def test_the_rule_sees_an_upward_import_when_there_is_one(where: str, line: str) -> None:
    assert [i for i in imports_in(line, where) if forbidden(i)]


@pytest.mark.parametrize("package", PACKAGES)
def test_importing_a_package_by_itself_loads_nothing(package: str) -> None:
    assert list(imports_in((ROOT / package / "__init__.py").read_text("utf-8"), package)) == []


def test_simulator_and_detector_share_no_code() -> None:
    assert [str(i) for i in imports_of("synthetic_clips") if i.top == "detect"] == []
    assert [str(i) for i in imports_of("detect") if i.top == "synthetic_clips"] == []


JUDGE_NEVER = ("cv2", "av", "numba", "zipfile", "pathlib", "detect.measure.media", "detect.measure.decoding")


def test_judging_decodes_nothing_and_opens_no_file() -> None:
    found = [str(i) for i in imports_of("detect.judge") if any(within(i.module, n) for n in JUDGE_NEVER)]
    assert found == []
    for path in modules("detect.judge"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
                assert name not in ("open", "read_bytes", "write_text", "write_bytes"), f"{path.name}:{node.lineno}"
                if name == "read_text":  # tables shipped in the package are code, not input
                    assert "resources.files" in ast.unparse(node), f"{path.name}:{node.lineno} reads a file"


def test_judging_takes_only_constants_from_measuring() -> None:
    taken = [(i, n) for i in imports_of("detect.judge") if within(i.module, "detect.measure") for n in i.names or ("",)]
    assert [f"{i} -> {n}" for i, n in taken if not re.fullmatch(r"[A-Z][A-Z0-9_]+", n)] == []


def test_measuring_names_no_head_and_no_fault() -> None:
    words = re.compile(r"\b(skew|scallop|quadrature|saturation_banding|hue_banding|wheel_fit)\b")
    for path in modules("detect.measure"):
        names = {
            n.id if isinstance(n, ast.Name) else n.arg if isinstance(n, ast.arg) else getattr(n, "name", "")
            for n in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(n, (ast.Name, ast.arg, ast.FunctionDef, ast.ClassDef))
        }
        assert not [n for n in names if words.search(n)], path.name


def test_commands_do_no_arithmetic_on_arrays() -> None:
    numeric = ("numpy", "scipy", "numba", "cv2", "skimage")
    assert [str(i) for i in imports_of("cli") if i.top in numeric] == []


def test_output_draws_and_writes_but_fits_nothing() -> None:
    fitting = ("scipy", "numba", "cv2", "skimage", "av")
    assert [str(i) for i in imports_of("detect.output") if i.top in fitting] == []


def test_wheel_packages_are_the_three_and_not_the_tests() -> None:
    assert tuple(PYPROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]) == PACKAGES
    assert [str(i) for p in PACKAGES for i in imports_of(p) if i.top == "tests"] == []


def test_wheel_holds_every_module_and_table_but_no_test(tmp_path: Path) -> None:
    builders = pytest.importorskip("hatchling.builders.wheel", reason="no build backend: pip install hatchling")
    (built,) = builders.WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    with zipfile.ZipFile(built) as wheel:
        shipped = {n for n in wheel.namelist() if ".dist-info/" not in n}
    assert {n.split("/")[0] for n in shipped} == set(PACKAGES)
    ours = {
        str(p.relative_to(ROOT))
        for package in PACKAGES
        for p in (ROOT / package).rglob("*")
        if p.suffix in (".py", ".toml", ".j2", ".css", ".js")
    }
    assert ours <= shipped


def requirement_name(requirement: str) -> str:
    return re.split(r"[<>=!~\[ ;]", requirement, maxsplit=1)[0]


def requirements() -> list[str]:
    project = PYPROJECT["project"]
    extras = [r for group in project["optional-dependencies"].values() for r in group]
    return [requirement_name(r) for r in [*project["dependencies"], *extras]]


def test_docs_give_a_reason_for_every_dependency() -> None:
    text = (ROOT / "docs" / "dependencies.md").read_text("utf-8")
    rows = dict(re.findall(r"^\| `([^`]+)` \|[^|]*\| *([^|]+?) *\|", text, flags=re.MULTILINE))
    assert [n for n in requirements() if len(rows.get(n, "")) < 20] == []
    assert set(rows) - set(requirements()) <= {requirement_name(r) for r in PYPROJECT["build-system"]["requires"]}


def declared(*, extras: bool) -> set[str]:
    """Import names of what pyproject declares, as the installed packages state them."""
    names = set(requirements() if extras else map(requirement_name, PYPROJECT["project"]["dependencies"]))
    same = {re.sub(r"[-_.]+", "-", n).lower() for n in names}
    return {
        module
        for module, owners in metadata.packages_distributions().items()
        if any(re.sub(r"[-_.]+", "-", owner).lower() in same for owner in owners)
    }


@pytest.mark.parametrize("folder", [*PACKAGES, "tests"])
def test_every_imported_library_is_declared(folder: str) -> None:
    own = {*PACKAGES, "tests", *(p.stem for p in modules("tests")), *sys.stdlib_module_names}
    optional = {"distributed"}  # of the extra "cluster": imported where it is asked for
    allowed = own | optional | declared(extras=folder == "tests")
    assert sorted({i.top for i in imports_of(folder)} - allowed) == []


def test_lock_file_pins_every_dependency_once() -> None:
    lines = [x for x in (ROOT / "requirements.lock").read_text("utf-8").splitlines() if not x.startswith("#")]
    pinned = [line.split("==")[0] for line in lines if re.fullmatch(r"[a-z0-9-]+==[0-9][\w.]*", line)]
    assert len(pinned) == len(lines) == len(set(pinned))
    assert {n.lower() for n in requirements()} <= set(pinned)


def tracked() -> list[Path]:
    """Text files of the repository; those of the present folder where there is no git."""
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode == 0 and done.stdout:
        paths = [ROOT / line for line in done.stdout.splitlines()]
    else:
        paths = [p for p in ROOT.rglob("*") if not any(part.startswith(".") for part in p.relative_to(ROOT).parts)]
    return [p for p in paths if p.is_file() and b"\0" not in p.read_bytes()[:4096]]


def test_no_file_names_a_place_on_one_machine() -> None:
    place = re.compile(r"(?<![\w.}/-])/" + r"(work|root|home/\w+|tmp/\w+)(/|\b)")
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in tracked()
        for number, line in enumerate(path.read_text("utf-8", errors="replace").splitlines(), 1)
        if len(line) < 2000 and place.search(line)
    ]
    assert found == []


def test_continuous_checks_run_the_test_command_of_the_readme() -> None:
    command = "python -m pytest"
    assert command in (ROOT / "README.md").read_text("utf-8")
    assert command in (ROOT / ".ci" / "run").read_text("utf-8")


def test_links_between_documents_lead_somewhere() -> None:
    for path in [p for p in tracked() if p.suffix == ".md"]:
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", path.read_text("utf-8")):
            if "://" not in target:
                assert (path.parent / target).exists(), f"{path.name} -> {target}"


def compiled_in(path: Path) -> set[str]:
    """Names of the functions that a module compiles."""
    functions = (node for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.FunctionDef))
    return {f.name for f in functions if any(ast.unparse(d).split("(")[0].endswith("compiled") for d in f.decorator_list)}


def called_in_compiled(path: Path) -> set[str]:
    """Names called inside the functions that a module compiles."""
    functions = (node for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.FunctionDef))
    bodies = (f for f in functions if f.name in compiled_in(path))
    return {ast.unparse(n.func).split(".")[-1] for body in bodies for n in ast.walk(body) if isinstance(n, ast.Call)}


@pytest.mark.parametrize("package", ["detect", "synthetic_clips"])
def test_compiled_functions_call_compiled_functions_of_their_own_module_only(package: str) -> None:
    """numba keeps compiled code by the file of the function alone, so that a change in another file would go unnoticed."""
    compiled = {path: compiled_in(path) for path in modules(package)}
    assert any(compiled.values())
    wrong = [
        f"{dotted(path)} calls {name} of another module"
        for path, own in compiled.items() if own
        for name in called_in_compiled(path) - own
        if any(name in others for other, others in compiled.items() if other != path)
    ]  # fmt: skip
    assert wrong == []
