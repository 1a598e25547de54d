"""The routes: what was found, and jobs to hand in, follow and stop.

The server is meant for the loopback address alone; requests that name another host are refused, so
that no web site can reach it under a name of its own.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from syncvid.production.material import open_production
from syncvid.progress import Progress
from syncvid.steps import make_preview, production_status, sync_clips
from syncvid.web.jobs import Job, JobQueue

_HOSTS = ["127.0.0.1", "localhost", "[::1]", "testserver"]


def make_app(folder: Path) -> Starlette:
    """Make the server of one production.

    Parameters
    ----------
    folder : Path
        The production.

    Returns
    -------
    Starlette
        To be served on the loopback address.
    """
    jobs = JobQueue()

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        yield
        jobs.close()

    def file(name: str) -> Callable[[Request], Response]:
        def send(request: Request) -> Response:
            path = folder / "preview" / name
            if not path.is_file():
                raise HTTPException(404, "There is no preview yet: hand in the job `preview`.")
            return FileResponse(path)

        return send

    def status(request: Request) -> Response:
        state = production_status(open_production(folder))
        clips = state.synced.clips if state.synced else ()
        return JSONResponse(
            {
                "title": state.material.title,
                "next": state.next_step,
                "clips": [{"file": c.file, "verdict": c.finding.verdict} for c in clips],
            }
        )

    async def hand_in(request: Request) -> Response:
        verb = request.path_params["verb"]
        if verb not in _VERBS:
            raise HTTPException(404, f"There is no job {verb!r}.")
        job = jobs.hand_in(verb, lambda progress: _VERBS[verb](folder, progress))
        return JSONResponse(_described(job), status_code=202)

    def follow(request: Request) -> Response:
        job = jobs.job(request.path_params["number"])
        if job is None:
            raise HTTPException(404, "There is no such job.")
        if request.method == "DELETE":
            jobs.stop(job.number)
        return JSONResponse(_described(job))

    return Starlette(
        routes=[
            Route("/", file("sheet.html")),
            Route("/preview.mp4", file("preview.mp4")),
            Route("/status", status),
            Route("/jobs/{number:int}", follow, methods=["GET", "DELETE"]),
            Route("/jobs/{verb}", hand_in, methods=["POST"]),
        ],
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=_HOSTS)],
        lifespan=lifespan,
    )


def _described(job: Job) -> dict[str, object]:
    """Return a job as plain data."""
    return {name: getattr(job, name) for name in _SHOWN}


_SHOWN = ("number", "name", "state", "fraction", "note")


def _sync(folder: Path, progress: Progress) -> str:
    """Find the clips' places."""
    material = open_production(folder)
    with material.store.locked(str(folder)):
        outcome = sync_clips(material, progress=progress)
    placed = sum(clip.finding.placement is not None for clip in outcome.result.clips)
    return f"{placed} of {len(outcome.result.clips)} clips have a place."


def _preview(folder: Path, progress: Progress) -> str:
    """Make the small video and the sheet."""
    material = open_production(folder)
    with material.store.locked(str(folder)):
        outcome = make_preview(material, progress=progress)
    return f"The sheet is {outcome.sheet}."


_VERBS: dict[str, Callable[[Path, Progress], str]] = {"sync": _sync, "preview": _preview}
