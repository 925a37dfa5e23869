"""A daemon in a process of its own, over the stand-in engine: ``python -m tests.service.daemon ARCHIVE [PORT...]``."""

import sys
from pathlib import Path

from acquire.daemon.single import claim
from acquire.records import Refused
from acquire.service import Service
from tests.service.bench import FakeArchive, FakeEngine


def main() -> int:
    archive_path = Path(sys.argv[1])
    engine = FakeEngine(archive_path)
    try:
        with claim(engine.name, archive_path, sys.argv[2:]):
            service = Service(engine, engine.name, archive_path, open_archive=FakeArchive(engine).open)
            service.run(lambda url: print(f"ready {url}", flush=True))
    except Refused as refused:
        print(refused, flush=True)
        return 3
    print("ended", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
