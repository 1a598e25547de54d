"""The local page's engine room: a queue of jobs, and a small server on the loopback address."""

from syncvid.web.app import make_app
from syncvid.web.jobs import Job, JobQueue

__all__ = ["Job", "JobQueue", "make_app"]
