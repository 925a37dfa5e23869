"""The hands-off demo as a user runs it, and every command on the archive that it leaves."""

import json
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from acquire.config import parse_config
from acquire.store.reader import ArchiveReader

Done = subprocess.CompletedProcess[str]


def steadydraw(*arguments: str, timeout_s: float = 120) -> Done:
    command = [sys.executable, "-m", "acquire", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, stdin=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "results"
    done = steadydraw("demo", "--hands-off", "--out", str(folder), "--seed", "7", timeout_s=240)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Taken at 0.800 in" in done.stdout
    return folder


pytestmark = [pytest.mark.timeout(300), pytest.mark.xdist_group("demo")]


def report(out: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((out / "pull.json").read_text())
    return found


def test_the_demo_leaves_archive_sheet_and_points_beside_the_truth(out: Path) -> None:
    assert (out / "sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert (out / "sheet.png").read_bytes().startswith(b"\x89PNG")
    found = report(out)
    assert [pull["direction"] for pull in found["pulls"]] == ["intake", "exhaust"]
    for pull in found["pulls"]:
        assert [row["lift_in"] for row in pull["points"]] == [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8]
        for row in pull["points"]:
            low, high = row["interval_95_cfm"]
            assert low < row["flow_cfm"] < high
            assert row["truth_inside_interval"] == (low <= row["simulated_truth_cfm"] <= high)
            # seven standard uncertainties of the meter: swapped units or ranges are far outside
            assert abs(row["flow_cfm"] / row["simulated_truth_cfm"] - 1) < 0.03
            assert abs(row["test_pressure_held_inh2o"] - 28) < 28 * 0.02


def test_every_value_says_that_it_is_simulated(out: Path) -> None:
    with ArchiveReader(out / "archive.db") as reader:
        for row in reader.pulls():
            assert row.simulated
            assert all(source.startswith("sim://") for source in reader.pull(row.id).sources.values())


def test_replay_gives_the_same_points_to_the_bit(out: Path) -> None:
    done = steadydraw("replay", "pull:last", "--db", str(out / "archive.db"))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "8 points, the same, bit for bit" in done.stdout


def test_replay_under_other_settings_lists_what_changes(out: Path, tmp_path: Path) -> None:
    text = (out / "bench.toml").read_text().replace('area = "1800 mm2"', 'area = "1818 mm2"')
    (tmp_path / "other.toml").write_text(text)
    done = steadydraw("replay", "pull:last", "--db", str(out / "archive.db"), "--config", str(tmp_path / "other.toml"))
    assert done.returncode == 1
    assert "step 1, take 1: flow: flow_m3_s" in done.stdout


def test_replay_notices_a_point_that_was_changed_in_the_archive(out: Path, tmp_path: Path) -> None:
    shutil.copy(out / "archive.db", tmp_path / "archive.db")
    with sqlite3.connect(tmp_path / "archive.db") as sql:
        (number, text) = sql.execute("SELECT id, point_json FROM points ORDER BY id DESC").fetchone()
        point = json.loads(text)
        point["flow"]["flow_m3_s"] *= 1.0000001
        sql.execute("UPDATE points SET point_json = ? WHERE id = ?", [json.dumps(point), number])
    sql.close()
    done = steadydraw("replay", "pull:last", "--db", str(tmp_path / "archive.db"))
    assert done.returncode == 1
    assert "flow_m3_s: recorded" in done.stdout


def test_steady_says_for_each_point_that_the_pressure_held(out: Path) -> None:
    done = steadydraw("steady", "last", "--db", str(out / "archive.db"), "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(done.stdout)
    assert found["held"]
    assert len(found["points"]) == 8
    for point in found["points"]:
        assert abs(point["mean_pa"] - point["target_pa"]) < point["band_pa"]


def test_steady_fails_under_a_band_that_the_pressure_did_not_hold(out: Path, tmp_path: Path) -> None:
    shutil.copy(out / "archive.db", tmp_path / "archive.db")
    with sqlite3.connect(tmp_path / "archive.db") as sql:
        sql.execute(
            "UPDATE configurations SET text = replace(text, 'test_pressure_band = \"2 %\"', "
            "'test_pressure_band = \"0.01 %\"')"
        )
    sql.close()
    done = steadydraw("steady", "last", "--db", str(tmp_path / "archive.db"))
    assert done.returncode == 1
    assert "DID NOT HOLD" in done.stdout


def test_show_list_and_export_read_the_archive(out: Path) -> None:
    archive = str(out / "archive.db")
    assert "SIMULATED BENCH" in steadydraw("show", "last", "--db", archive).stdout
    assert len(json.loads(steadydraw("list", "--db", archive, "--json").stdout)) == 4
    points = steadydraw("export", "2", "4", "--db", archive).stdout.splitlines()
    assert len(points) == 1 + 16
    samples = steadydraw("export", "4", "--samples", "--db", archive).stdout.splitlines()
    assert samples[0].startswith("session_id,")
    assert len(samples) > 5000


def test_a_sheet_made_again_is_the_same_to_the_byte(out: Path, tmp_path: Path) -> None:
    done = steadydraw("sheet", "2", "4", "--db", str(out / "archive.db"), "-o", str(tmp_path / "again.pdf"))
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "again.pdf").read_bytes() == (out / "sheet.pdf").read_bytes()


def test_the_demo_never_writes_over_an_archive(out: Path) -> None:
    done = steadydraw("demo", "--hands-off", "--out", str(out))
    assert done.returncode == 2
    assert "exists already" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_configuration_kept_is_the_one_that_was_used(out: Path) -> None:
    with ArchiveReader(out / "archive.db") as reader:
        kept = reader.pull("last")
    assert kept.config == parse_config((out / "bench.toml").read_text(), "bench.toml")


def test_recomputing_the_whole_archive_finds_every_pull_the_same_to_the_bit(out: Path) -> None:
    done = steadydraw("recompute", "--db", str(out / "archive.db"))
    assert done.returncode == 0, done.stdout
    assert "The same bit for bit: 4." in done.stdout
