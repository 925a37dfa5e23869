"""The client's commands for a program that must not wait."""

import asyncio
from collections.abc import AsyncGenerator

from acquire.client import Client
from acquire.records import (
    Action,
    ArchivedPull,
    BenchSummary,
    Frame,
    LiveEvent,
    PullRequest,
    PullRow,
    Subject,
    Template,
)
from acquire.values import Direction, PullKind
from acquire.wire import Health, Lost


class AsyncClient:
    """The same commands for a program that must not wait, each in a worker thread."""

    def __init__(self, client: Client) -> None:
        self.client = client

    async def health(self) -> Health:
        return await asyncio.to_thread(self.client.health)

    async def frame(self) -> Frame:
        return await asyncio.to_thread(self.client.frame)

    async def bench(self) -> BenchSummary:
        return await asyncio.to_thread(self.client.bench)

    async def begin(self, request: PullRequest) -> int:
        return await asyncio.to_thread(self.client.begin, request)

    async def resume(self, pull_id: int) -> None:
        await asyncio.to_thread(self.client.resume, pull_id)

    async def act(self, action: Action) -> None:
        await asyncio.to_thread(self.client.act, action)

    async def pulls(
        self,
        limit: int | None = None,
        subject: str | None = None,
        kind: PullKind | None = None,
        direction: Direction | None = None,
    ) -> list[PullRow]:
        return await asyncio.to_thread(self.client.pulls, limit, subject, kind, direction)

    async def open_pulls(self) -> list[PullRow]:
        return await asyncio.to_thread(self.client.open_pulls)

    async def pull(self, pull_id: int) -> ArchivedPull:
        return await asyncio.to_thread(self.client.pull, pull_id)

    async def subjects(self) -> list[Subject]:
        return await asyncio.to_thread(self.client.subjects)

    async def templates(self) -> list[Template]:
        return await asyncio.to_thread(self.client.templates)

    async def save_template(self, template: Template) -> None:
        await asyncio.to_thread(self.client.save_template, template)

    async def delete_template(self, name: str) -> None:
        await asyncio.to_thread(self.client.delete_template, name)

    def live(self, rate: float = 10) -> AsyncGenerator[Frame | LiveEvent | Lost, None]:
        return self.client.live(rate)
