"""The ingest flow: one task a delivery."""

from pathlib import Path
from typing import Any, cast

from prefect import flow, task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State
from prefect.states import Completed, Failed
from prefect.task_runners import ThreadPoolTaskRunner

from flows.intake import Request, Taken, take_in
from flows.runner import settled
from schemas.errors import ArcgainError

MOST_AT_ONCE = 2
"""Deliveries in work at once: each one already uses all cores for reading."""


@task(name="take in one delivery", cache_policy=NO_CACHE, persist_result=False, log_prints=False)
def take_in_delivery(workspace: Path, request: Request) -> State[Taken]:
    """Take one delivery in.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    request : Request
        The export.

    Returns
    -------
    prefect.states.State
        Completed with what became of it; failed with the user's error, which is no crash.
    """
    try:
        return Completed(data=take_in(workspace, request))
    except ArcgainError as error:
        return Failed(data=error, message=type(error).__name__)


_RUNNER: ThreadPoolTaskRunner[Any] = ThreadPoolTaskRunner(max_workers=MOST_AT_ONCE)


@flow(name="ingest", persist_result=False, task_runner=_RUNNER)  # type: ignore[arg-type]  # the runner's futures are typed more narrowly than the decorator asks
def ingest_flow(workspace: Path, requests: list[Request]) -> list[Taken | ArcgainError]:
    """Take deliveries in, each wholly or not at all.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    requests : list of Request
        The exports; one that is refused does not keep the others out.

    Returns
    -------
    list of Taken or ArcgainError
        In the order of the requests.
    """
    futures = [take_in_delivery.submit(workspace, request) for request in requests]
    return [
        cast("Taken | ArcgainError", settled(f.result(raise_on_failure=False))) for f in futures
    ]
