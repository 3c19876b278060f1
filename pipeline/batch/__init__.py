"""Many clips at once: on all cores of this machine, in this process, or on a cluster.

An engine takes jobs and yields events as they happen, in whatever order the clips end; the ledger is the same.

| module | yields |
|---|---|
| ``jobs`` | what a job, an event and an engine are; how many workers and threads; time limits |
| ``work`` | one clip charted and stored, by whoever does it |
| ``level`` | the field level a few clips tell before the others are charted |
| ``here`` | engine: in this process, one clip after the other |
| ``local`` | engine: processes of this machine, each clip with a time limit and one retry |
| ``on_ray`` | engine: workers of a Ray cluster (extra ``ray``) |
| ``estimate`` | how long a run will take |
| ``closing`` | the summary at the end |
"""

from __future__ import annotations

from pipeline.batch.jobs import Advanced, Ended, Engine, Event, Job, Recipe, Started

__all__ = ["Advanced", "Ended", "Engine", "Event", "Job", "Recipe", "Started"]
