"""The daemon: claims the bench, runs the engine, serves the local API."""

import logging
from dataclasses import dataclass
from pathlib import Path

from acquire.clock import SystemClock
from acquire.compiled import is_there
from acquire.config import ServiceSettings, load_config
from acquire.daemon.engine import Engine
from acquire.daemon.single import claim
from acquire.garbage import spare_what_is_loaded
from acquire.records import LiveEvent, Refused
from acquire.service import Service
from acquire.service.logs import NOTICE, is_journal, start_logging
from acquire.service.server import Beyond
from acquire.stabiliser.prepare import prepare
from acquire.where import log_path

log = logging.getLogger("steadydraw")


@dataclass(frozen=True, slots=True)
class Serving:
    """What the command line says of the daemon; what it leaves out the configuration's [service] says."""

    host: str | None = None
    port: int | None = None
    beyond_this_machine: bool = False
    names: tuple[str, ...] = ()
    log_file: Path | None = None
    clock_speed: float = 1.0


def serve_bench(config_path: Path, archive_path: Path, asked: Serving) -> None:
    """Run until a signal. Raises the errors that ``steadydraw`` says as one sentence."""
    config = load_config(config_path)
    clock = SystemClock(asked.clock_speed)
    ports = [instrument.settings.port for instrument in config.make_instruments() if not instrument.typed]
    log_file = asked.log_file
    if log_file is None and not is_journal():
        log_file = log_path(config.name)
    host, port, beyond = where_to_listen(config.service, asked)
    with claim(config.name, archive_path, ports, clock, log_file):
        start_logging(log_file)
        if not is_there():
            log.info("getting ready: the first start after an update takes about half a minute")
            prepare()
        text = config_path.read_text(encoding="utf-8")
        engine = Engine(config, text, archive_path, clock, loaded=spare_what_is_loaded)
        publisher = None
        if config.publish is not None:
            from acquire.publishing.publisher import Publisher

            publisher = Publisher(config.publish, config_path.parent, engine, clock)
        said = publisher.said if publisher is not None else None
        service = Service(engine, config.name, archive_path, host, port, beyond=beyond, clock=clock, publishing=said)
        engine.subscribe(_log_event)
        try:
            engine.start()
            if publisher is not None:
                publisher.start()
            for line in engine.air_lines():
                log.info("%s", line)
            if beyond is not None:
                log.warning("%s", beyond.warning(service.url))
            service.run(lambda url: log.info("%s: serving on %s, archive %s", config.name, url, archive_path))
        finally:
            service.stop()
            if publisher is not None:
                publisher.stop()
            engine.stop()


def where_to_listen(settings: ServiceSettings, asked: Serving) -> tuple[str, int, Beyond | None]:
    """Host, port and the permission to answer other machines. Raises ``Refused`` for one that nobody could use."""
    host = asked.host or settings.listen
    port = settings.port if asked.port is None else asked.port
    if not (asked.beyond_this_machine or settings.beyond_this_machine):
        return host, port, None
    names = asked.names or settings.names
    if host in ("0.0.0.0", "::") and not names:
        raise Refused(f"other machines must call this one by a name when it listens on {host}: give it (--name)")
    return host, port, Beyond(names)


def _log_event(event: LiveEvent) -> None:
    level = {"mark": logging.WARNING, "notice": NOTICE}.get(event.kind, logging.INFO)
    log.log(level, "%s: %s", event.kind, event.sentence)
