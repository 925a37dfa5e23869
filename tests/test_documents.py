"""The README keeps its promises: commands, lines, the worked example; and modules stay in their place."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import acquire
from acquire.bundled import read_bundled
from acquire.cli import cli
from acquire.config import parse_config
from acquire.flow.reading import FlowModel
from acquire.units import CFM_M3_S, INH2O_PA
from acquire.values import AirState

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", sorted(cli.commands))
def test_every_command_is_in_the_readme(command: str) -> None:
    assert re.search(rf"`(steadydraw )?{command}\b", README)


def test_the_ci_runs_the_readmes_test_line_and_nothing_else_for_the_tests() -> None:
    line = next(line for line in README.splitlines() if line.endswith("-m pytest") and line.startswith("python3"))
    assert line in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_every_picture_of_the_readme_is_there() -> None:
    for name in re.findall(r"!\[[^]]*\]\(([^)]+)\)", README):
        assert (ROOT / name).stat().st_size > 1000


def test_the_worked_example_of_the_readme_is_what_the_code_computes() -> None:
    text = read_bundled("demo.toml")
    for name in ("front_end", "lift_indicator", "weather"):
        text = text.replace("{" + name + "}", f"/dev/{name}")
    config = parse_config(text, "demo.toml")
    air = AirState(101325.0, 293.15, 0.0)
    model = FlowModel(config, "intake", "large", air, 293.15)
    area = model.effective_area_m2(8 * INH2O_PA["conventional"], 28 * INH2O_PA["conventional"])
    assert area == pytest.approx(9.596e-4, abs=1e-7)
    assert model.stated_flow_m3_s(area) / CFM_M3_S == pytest.approx(210.6, abs=0.05)
    assert "**210.6 cfm**" in README


def loaded_by(statement: str) -> set[str]:
    code = f"{statement}; import sys; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("statement", ["import acquire.daemon.serve", "import acquire.cli", "import acquire.client"])
def test_the_daemon_and_the_client_load_neither_screen_nor_tables_nor_plots(statement: str) -> None:
    assert not {"pandas", "textual", "matplotlib", "typst", "sim"} & loaded_by(statement)


def test_the_dashboard_reaches_neither_engine_nor_archive() -> None:
    loaded = loaded_by("import acquire.ui.app")
    assert not {"acquire.daemon.engine", "acquire.pull.core", "acquire.store.archive", "sqlite_utils", "scipy"} & loaded


def test_the_packages_tested_are_those_of_this_folder() -> None:
    assert Path(acquire.__file__).is_relative_to(ROOT)
