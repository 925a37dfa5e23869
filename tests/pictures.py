"""Makes the README's pictures from real runs on the simulated bench: ``python -m tests.pictures``."""

import asyncio
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from acquire.client import Client
from acquire.config import parse_config
from acquire.demo.plan import demo_requests
from acquire.demo.run import daemon_on, demo_config_text, operator_follows, simulated_bench
from acquire.records import Frame, PullRequest
from acquire.ui.app import Dashboard

PICTURES = Path(__file__).parent / "data" / "pictures"
SEED, SPEED, WANTED_POINTS = 7, 8.0, 5


async def dashboard(client: Client, request: PullRequest) -> str:
    """The dashboard in the middle of a pull, as SVG."""
    app = Dashboard(client)
    async with app.run_test(size=(100, 36)) as pilot:
        while app.seen.frame is None:
            await pilot.pause(0.05)
        await asyncio.to_thread(client.begin, request)
        while not _wanted(app.seen.frame) or app.seen.flashing(app.now_s()):
            await pilot.pause(0.05)
        # the bench goes on, at its speed: the picture is of this moment
        app.hear = lambda item: None  # type: ignore[method-assign]
        app.tick()
        await pilot.pause()
        # the fonts named there lie on somebody's server: the reader's own will do
        return re.sub(r"@font-face \{.*?\}\s*", "", app.export_screenshot(title="steadydraw"), flags=re.DOTALL)


def _wanted(frame: Frame) -> bool:
    """Some points taken, the next one settling."""
    if frame.pull is None:
        return False
    if frame.pull.outcome is not None:
        raise SystemExit("The pull was over before its picture could be taken: try again on a machine with less to do.")
    taken = sum(bool(step.points) for step in frame.pull.steps)
    return taken >= WANTED_POINTS and frame.guide.situation == "hold_settling"


def main() -> None:
    """Write dashboard.svg, sheet.png and comparison.png."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        with simulated_bench(SEED, SPEED) as sim:
            text = demo_config_text(sim.ports)
            (out / "bench.toml").write_text(text, encoding="utf-8")
            with daemon_on(out, SPEED) as client, operator_follows(client, sim):
                picture = asyncio.run(dashboard(client, demo_requests(parse_config(text, "demo"))[1]))
                (PICTURES / "dashboard.svg").write_text(picture, encoding="utf-8")
        results = out / "results"
        command = [sys.executable, "-m", "acquire", "demo", "--hands-off", "--seed", str(SEED), "--out", str(results)]
        subprocess.run(command, check=True)
        (PICTURES / "sheet.png").write_bytes((results / "sheet.png").read_bytes())
        heads = out / "heads"
        command = [sys.executable, "-m", "acquire", "demo", "--two-heads", "--seed", str(SEED), "--out", str(heads)]
        subprocess.run(command, check=True)
        (PICTURES / "comparison.png").write_bytes((heads / "comparison.png").read_bytes())


if __name__ == "__main__":
    main()
