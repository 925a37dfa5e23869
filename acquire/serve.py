"""The daemon: claims the bench, runs the engine, serves the local API."""

from collections.abc import Callable
from pathlib import Path

from acquire.clock import SystemClock
from acquire.config import load_config
from acquire.engine import Engine
from acquire.service import Service
from acquire.single import claim


def serve_bench(
    config_path: Path, archive_path: Path, port: int, clock_speed: float, say: Callable[[str], None]
) -> None:
    """Run until a signal. Raises the errors that ``steadydraw`` says as one sentence."""
    config = load_config(config_path)
    clock = SystemClock(clock_speed)
    ports = [instrument.settings.port for instrument in config.make_instruments() if not instrument.typed]
    with claim(config.name, archive_path, ports, clock):
        engine = Engine(config, config_path.read_text(encoding="utf-8"), archive_path, clock)
        service = Service(engine, config.name, archive_path, port=port, clock=clock)
        publisher = None
        if config.publish is not None:
            from acquire.publishing.publisher import Publisher

            publisher = Publisher(config.publish, config_path.parent, engine, clock)
        engine.subscribe(lambda event: say(f"{event.kind}: {event.sentence}"))
        try:
            engine.start()
            if publisher is not None:
                publisher.start()
            for line in engine.air_lines():
                say(line)
            service.run(lambda url: say(f"{config.name}: serving on {url}, archive {archive_path}"))
        finally:
            service.stop()
            if publisher is not None:
                publisher.stop()
            engine.stop()
