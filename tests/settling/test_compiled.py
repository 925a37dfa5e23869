"""Compiled or not the judgement is the same, and what was compiled is kept for just these sources."""

import ast
import importlib
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from acquire import compiled, stabiliser
from tests.settling.captures import captures

ROOT = Path(compiled.__file__).parent.parent


@pytest.mark.parametrize(("arguments", "environment"), [([], {"NUMBA_DISABLE_JIT": "1"}), (["without"], {})])
def test_plain_python_captures_the_same(arguments: list[str], environment: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.settling.captures", *arguments],
        env=os.environ | environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found, expected = json.loads(done.stdout), json.loads(json.dumps(captures()))
    assert found.keys() == expected.keys()
    assert len(found) == 4
    for name, its in expected.items():
        for one, other in zip(found[name], its, strict=True):
            # an error of nothing at all is rounding only
            same = pytest.approx(one, rel=1e-9, abs=1e-20) if isinstance(one, float) else one
            assert other == same, name


def modules() -> list[ModuleType]:
    names = [path.stem for path in Path(stabiliser.__file__).parent.glob("*.py") if path.stem != "__init__"]
    return [importlib.import_module(f"acquire.stabiliser.{name}") for name in names]


def used_when_compiled(module: ModuleType) -> Iterator[str]:
    """Modules of ours whose functions and constants the compiled functions of a module name."""
    assert module.__file__ is not None
    tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
    imported: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("acquire"):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                path = ROOT / f"{whole.replace('.', '/')}.py"
                imported[alias.asname or alias.name] = whole if path.exists() else node.module
    for node in ast.walk(tree):
        its: list[ast.AST] = []
        if isinstance(node, ast.FunctionDef) and "compiled" in [ast.unparse(its) for its in node.decorator_list]:
            its = [*node.body]
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "compiled":
            its = [*node.args]
        for part in its:
            for name in ast.walk(part):
                if isinstance(name, ast.Name) and name.id in imported:
                    yield imported[name.id]


def test_all_that_is_compiled_belongs_to_the_sources_by_which_it_is_kept() -> None:
    known = compiled.sources()
    assert all(source.is_file() for source in known)
    used = {name for module in modules() for name in used_when_compiled(module)}
    assert "acquire.series" in used
    assert "acquire.stabiliser.fits" in used
    for name in used:
        assert ROOT / f"{name.replace('.', '/')}.py" in known, name


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own for what is compiled, and the sources copied, so that they can be changed."""
    if compiled.numba is None:
        pytest.skip("no compiler for this machine")
    for source in compiled.sources():
        copy = tmp_path / "copied" / source.relative_to(ROOT)
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(source.read_bytes())
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "copied" / "acquire" / "compiled.py"))
    monkeypatch.setattr(compiled, "user_cache_path", lambda *_, **__: tmp_path / "cache")
    monkeypatch.setattr(compiled.numba.config, "CACHE_DIR", "")
    return tmp_path / "cache" / "compiled"


def folder() -> Path:
    """As at a start."""
    compiled.numba.config.CACHE_DIR = ""
    assert compiled._keeps()
    return Path(compiled.numba.config.CACHE_DIR)


def test_a_change_of_any_source_leads_to_another_folder(kept: Path) -> None:
    found = {first := folder()}
    assert folder() == first
    assert first.parent == kept
    for source in compiled.sources():
        with source.open("a", encoding="utf-8") as file:
            file.write("# changed\n")
        found.add(its := folder())
        assert its.is_dir()
    assert len(found) == 1 + len(compiled.sources())
    assert len(found) > 15


def test_a_folder_named_by_the_user_is_divided_likewise(kept: Path, tmp_path: Path) -> None:
    named = tmp_path / "named"
    (named / "of others").mkdir(parents=True)
    os.utime(named / "of others", (0, 0))
    compiled.numba.config.CACHE_DIR = str(named)
    assert compiled._keeps()
    assert Path(compiled.numba.config.CACHE_DIR).parent == named / "steadydraw"
    assert (named / "of others").is_dir()
    assert not kept.exists()


def test_what_was_kept_long_ago_is_removed_when_something_new_is(kept: Path) -> None:
    folder()
    old, recent = kept / "0123", kept / "4567"
    for other, days in ((old, 61), (recent, 59)):
        other.mkdir()
        os.utime(other, (time.time() - days * 86_400,) * 2)
    folder()
    assert old.exists()
    with compiled.sources()[0].open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    folder()
    assert not old.exists()
    assert recent.exists()


def can_be_used() -> None:
    @compiled.compiled
    def half(value: float) -> float:
        return value / 2

    assert half(3.0) == 1.5


def test_where_no_folder_can_be_made_it_is_compiled_at_each_start(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept.parent.write_text("a file where the folder would be", encoding="utf-8")
    assert not compiled._keeps()
    assert compiled.numba.config.CACHE_DIR == ""
    monkeypatch.setattr(compiled, "_KEPT", False)
    can_be_used()


def test_a_folder_that_belongs_to_another_user_is_left_alone(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert folder().parent == kept
    compiled.numba.config.CACHE_DIR = ""

    def refused(**_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    assert not compiled._keeps()
    assert compiled.numba.config.CACHE_DIR == ""


def test_a_division_by_zero_is_infinite() -> None:
    @compiled.compiled
    def over(value: float, other: float) -> float:
        return value / other

    if compiled._COMPILES:
        assert over(1.0, 0.0) == math.inf
    assert over(np.float64(1.0), 2.0) == 0.5


def test_all_counts_as_compiled_only_once_an_invented_stay_was_judged(tmp_path: Path) -> None:
    program = (
        "from acquire import compiled; import sys; compiled.numba.config.CACHE_DIR = sys.argv[1]; "
        "before = compiled.is_there(); compiled.say_all_is_there(); print(before, compiled.is_there())"
    )
    done = subprocess.run([sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
