import json
import subprocess
import sys

REPORTS = ("pandas", "scipy", "matplotlib", "GTC")
DAEMON = ("acquire.daemon.engine", "acquire.store", "acquire.stabiliser", "acquire.pull.core", "fastapi", "sim")


def loaded_by(statement: str) -> set[str]:
    code = f"import json, sys\n{statement}\nprint(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(json.loads(done.stdout))


def test_the_dashboard_loads_nothing_of_engine_store_or_reports() -> None:
    loaded = loaded_by("import acquire.ui.app")
    assert "textual" in loaded
    assert [name for name in REPORTS + DAEMON if name in loaded] == []


def test_the_client_loads_no_screen() -> None:
    assert "textual" not in loaded_by("import acquire.client")
