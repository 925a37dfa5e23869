"""The demonstration of a comparison: two invented heads that differ in one thing, at low lift only."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from acquire.client import Client
from acquire.comparison.compare import Asked, compare
from acquire.comparison.wording import comparison_text
from acquire.config import BenchConfig
from acquire.demo.plan import demo_requests
from acquire.demo.simlink import SimLink
from acquire.follow import follow
from acquire.records import ArchivedPull, PullRequest

FACTOR = "plug position"
PULLS = 3


class Head(NamedTuple):
    """A head of the story: what is said of it, and what the simulation makes of it."""

    identifier: str
    plug_position: str
    low_lift: float


# the same casting twice; where the plug stands higher, the valve is a little less shrouded near its seat
HEADS = (Head("Hollin 4V-121", "raised 2 mm", 0.045), Head("Hollin 4V-122", "as cast", 0.0))


def two_heads(client: Client, sim: SimLink, config: BenchConfig, out: Path, say: Callable[[str], None]) -> int:
    """Three mounts of each head, leakage first; leaves ``comparison.pdf``, ``.png`` and ``.txt``."""
    from acquire.sheet.comparison_page import write_comparison_page
    from acquire.store.reader import ArchiveReader

    blank, lift = demo_requests(config)[:2]
    complete = follow(client, client.begin(blank), say)
    pull_ids: dict[str, list[int]] = {head.identifier: [] for head in HEADS}
    # turn about, so that what creeps over the day meets both alike
    for head in HEADS * PULLS:
        sim.mount(head.low_lift)
        pull_id = client.begin(_asked(lift, head))
        say(f"pull {pull_id}: {head.identifier}, plug {head.plug_position}, taken off and mounted again")
        complete &= follow(client, pull_id, say)
        pull_ids[head.identifier].append(pull_id)
    with ArchiveReader(out / "archive.db") as reader:
        sides: list[list[ArchivedPull]] = [[reader.pull(its) for its in ids] for ids in pull_ids.values()]
    found = compare(sides[0], sides[1], None, Asked(factor=FACTOR, margin_rel=config.comparison.margin))
    text = comparison_text(found)
    (out / "comparison.txt").write_text(text + "\n", encoding="utf-8")
    for name in ("comparison.pdf", "comparison.png"):
        write_comparison_page(found, out / name)
    say(f"\n{text}\n\n{out}: archive.db, comparison.pdf, comparison.png, comparison.txt")
    return 0 if complete and found.verdict is not None else 1


def _asked(lift: PullRequest, head: Head) -> PullRequest:
    subject = lift.subject.model_copy(
        update={"identifier": head.identifier, "details": {FACTOR: head.plug_position}, "order_reference": ""}
    )
    return lift.model_copy(update={"subject": subject})
