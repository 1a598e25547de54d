"""Jobs and routes of the local server."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from syncvid.errors import ProductionError
from syncvid.progress import Progress
from syncvid.web import JobQueue, make_app


@pytest.fixture
def jobs():  # type: ignore[no-untyped-def]
    queue = JobQueue()
    yield queue
    queue.close()


def test_a_job_tells_how_far_it_is_and_what_came_of_it(jobs: JobQueue) -> None:
    halfway, go_on = threading.Event(), threading.Event()

    def work(progress: Progress) -> str:
        progress.advance(1, 2, "half of it")
        halfway.set()
        go_on.wait(5)
        return "All of it."

    job = jobs.hand_in("sync", work)
    assert halfway.wait(5)
    assert (job.state, job.fraction, job.note) == ("working", 0.5, "half of it")
    go_on.set()
    assert job.wait(5)
    assert (job.state, job.fraction, job.note) == ("done", 1.0, "All of it.")


def test_a_stopped_job_ends_at_its_next_report_and_the_next_one_goes_on(jobs: JobQueue) -> None:
    started = threading.Event()

    def endless(progress: Progress) -> str:
        started.set()
        while True:
            progress.advance(0, 1)
            threading.Event().wait(0.01)

    job = jobs.hand_in("render", endless)
    after = jobs.hand_in("sync", lambda progress: "Done.")
    assert started.wait(5)
    jobs.stop(job.number)
    assert job.wait(5)
    assert after.wait(5)
    assert (job.state, after.state) == ("stopped", "done")


def test_a_failure_is_told_in_its_own_words(jobs: JobQueue) -> None:
    def work(progress: Progress) -> str:
        raise ProductionError("The plan is wrong.", fix="Mend it.")

    job = jobs.hand_in("sync", work)
    assert job.wait(5)
    assert (job.state, job.note) == ("failed", "The plan is wrong. Mend it.")


def test_routes_of_a_folder_without_a_preview(tmp_path: Path) -> None:
    with TestClient(make_app(tmp_path)) as client:
        assert client.get("/").status_code == 404
        assert client.post("/jobs/nonsense").status_code == 404
        assert client.get("/jobs/99").status_code == 404
        job = client.post("/jobs/sync").json()
        assert job["name"] == "sync"
        for _ in range(200):
            job = client.get(f"/jobs/{job['number']}").json()
            if job["state"] == "failed":
                break
            threading.Event().wait(0.02)
        assert "holds no production.toml" in job["note"]


def test_a_request_under_a_foreign_name_is_refused(tmp_path: Path) -> None:
    # Against web sites that point a name of their own at this computer.
    with TestClient(make_app(tmp_path), base_url="http://evil.example") as client:
        assert client.get("/status").status_code == 400


def test_the_sheet_is_served(tmp_path: Path) -> None:
    (tmp_path / "preview").mkdir()
    (tmp_path / "preview" / "sheet.html").write_text("<p>Sure.</p>")
    with TestClient(make_app(tmp_path)) as client:
        assert "Sure." in client.get("/").text
