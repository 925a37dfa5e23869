"""Fuzz every endpoint for longer: ``python -m tests.benchmarks.fuzz_api --examples 200``. Reports, and never fails."""

import argparse
import os
import tempfile
import time
import warnings
from pathlib import Path

from acquire.service import Service
from tests.service.bench import FakeArchive, FakeEngine
from tests.service.fuzzing import fuzz, operations, without_rates
from tests.service.service_thread import ServiceThread


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=100)
    examples = parser.parse_args().examples
    warnings.simplefilter("ignore")
    without_rates()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["STEADYDRAW_HOME"] = folder
        for operation in operations():
            # anew for each: a screen that an earlier request put in command would turn the next one's away
            engine = FakeEngine(Path(folder) / "archive.db")
            archive = FakeArchive(engine)
            start = time.perf_counter()
            with ServiceThread(Service(engine, engine.name, engine.archive_path, open_archive=archive.open)) as service:
                try:
                    found = f"{fuzz(service, operation, examples)} requests, nothing found"
                except BaseException as error:
                    if isinstance(error, KeyboardInterrupt):
                        raise
                    found = f"FOUND {error}"
            print(f"{operation:<40} {time.perf_counter() - start:6.1f} s  {found}", flush=True)


if __name__ == "__main__":
    main()
