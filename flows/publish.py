"""The publish flow: one task a plan."""

from pathlib import Path
from typing import cast

from prefect import flow, task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State
from prefect.states import Completed, Failed

from flows.publication import Published, publish
from flows.runner import settled
from schemas.errors import ArcgainError


@task(name="publish one report", cache_policy=NO_CACHE, persist_result=False)
def publish_report(workspace: Path, plan: Path) -> State[Published]:
    """Publish the report of one plan.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    plan : pathlib.Path
        The analysis plan.

    Returns
    -------
    prefect.states.State
        Completed with where it is; failed with the user's error, which is no crash.
    """
    try:
        return Completed(data=publish(workspace, plan))
    except ArcgainError as error:
        return Failed(data=error, message=type(error).__name__)


@flow(name="publish", persist_result=False)
def publish_flow(workspace: Path, plans: list[Path]) -> list[Published | ArcgainError]:
    """Publish the reports of several plans, one after the other.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    plans : list of pathlib.Path
        The analysis plans.

    Returns
    -------
    list of Published or ArcgainError
        In the order of the plans.
    """
    results = []
    for plan in plans:  # one after the other: a fit already uses what the machine has
        future = publish_report.submit(workspace, plan)
        results.append(
            cast("Published | ArcgainError", settled(future.result(raise_on_failure=False)))
        )
    return results
