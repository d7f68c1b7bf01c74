"""Publish one version of a report, or find that nothing has changed."""

import hashlib
import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flows.clock import now
from flows.configuration import read_plan
from flows.workspace import Workspace, open_workspace
from pipeline.imprint import Imprint
from pipeline.publication import (
    Inputs,
    Version,
    find_version,
    hash_code,
    identify,
    list_versions,
    package_versions,
    publish_version,
    replace_front,
)
from pipeline.store.ledger import append_event, read_ledger
from pipeline.store.snapshot import Snapshot, take_snapshot
from pipeline.study import conduct_study
from reports.catalogue import render_catalogue
from reports.page import render_report
from reports.wording import findings
from schemas.errors import PlanError
from schemas.plan import Plan

logger = logging.getLogger(__name__)
_KIND = "network"


@dataclass(frozen=True)
class Published:
    """What became of a plan.

    Attributes
    ----------
    report, identifier : str
        Name of the report and identifier of the version.
    page : pathlib.Path
        The page to open.
    is_new : bool
        False where a version of the same inputs exists, and nothing was written.
    findings : tuple of str
        The three sentences; empty where nothing was written.
    """

    report: str
    identifier: str
    page: Path
    is_new: bool
    findings: tuple[str, ...]


def publish(workspace: Path, plan_path: Path) -> Published:
    """Publish the report of one plan.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    plan_path : pathlib.Path
        The analysis plan.

    Returns
    -------
    Published
        Where the version is.
    """
    place = open_workspace(workspace)
    plan, text = read_plan(plan_path)
    plan = _with_smallest_count(plan, place)
    snapshot = _snapshot(place, plan)
    inputs = _inputs(snapshot, plan, text)
    known = find_version(place.published, inputs)
    if known is not None:
        _record(place, known, snapshot, "")
        return Published(
            plan.report, known.identifier, known.folder / "index.html", is_new=False, findings=()
        )
    summary = conduct_study(snapshot, plan)
    identifier = identify(inputs)
    content = render_report(summary, _imprint(inputs, identifier, place, plan_path))
    about = {"title": plan.title, "date": plan.date.isoformat()}
    version = publish_version(place.published, inputs, identifier, content, about)
    sentences = findings(summary)
    _record(place, version, snapshot, sentences[1])
    logger.info("report %s: version %s", plan.report, identifier)
    return Published(
        plan.report, identifier, version.folder / "index.html", is_new=True, findings=sentences
    )


def _with_smallest_count(plan: Plan, place: Workspace) -> Plan:
    """Let a plan ask for a larger smallest count than the network, never for a smaller one."""
    return plan.model_copy(
        update={"smallest_count": max(plan.smallest_count, place.settings.smallest_count)}
    )


def _snapshot(place: Workspace, plan: Plan) -> Snapshot:
    snapshot = take_snapshot(place.store, clinics=plan.clinics or None)
    absent = sorted(set(plan.clinics) - set(snapshot.account))
    if absent:
        raise PlanError(
            f"plan {plan.report}, clinics",
            f"the store has no delivery of {', '.join(absent)}",
            "Ingest the clinic's export first, or correct its code in the plan.",
        )
    return snapshot


def _inputs(snapshot: Snapshot, plan: Plan, text: str) -> Inputs:
    return Inputs(
        report=plan.report,
        kind=_KIND,
        content_digest=snapshot.content_digest,
        plan_sha256=hashlib.sha256(text.encode()).hexdigest(),
        codebooks=tuple(sorted(snapshot.codebooks.values())),
        code_sha256=hash_code(),
        packages=package_versions(),
        smallest_count=plan.smallest_count,
        seed=plan.seed,
    )


def _imprint(inputs: Inputs, identifier: str, place: Workspace, plan_path: Path) -> Imprint:
    return Imprint(
        identifier=identifier,
        input_hash=inputs.input_hash,
        content_digest=inputs.content_digest,
        plan_sha256=inputs.plan_sha256,
        code_sha256=inputs.code_sha256,
        software=f"arcgain {inputs.packages.get('arcgain', '')}".strip(),
        packages=inputs.packages,
        command=f"arcgain publish --plan plans/{plan_path.name}",
        network=place.settings.network,
        authors=place.settings.authors,
    )


def _events(place: Workspace) -> list[dict[str, Any]]:
    """Publications by the ledger, oldest first, each with its time."""
    return [
        {**entry.content, "published_at": entry.recorded_at}
        for entry in read_ledger(place.store)
        if entry.event == "published"
    ]


def _record(place: Workspace, version: Version, snapshot: Snapshot, finding: str) -> None:
    """Enter a version into the ledger once, and renew the page of all versions."""
    if version.identifier not in {event["identifier"] for event in _events(place)}:
        content = {
            "report": version.report,
            "identifier": version.identifier,
            "snapshot": snapshot.number,
            "finding": finding,
        }
        append_event(place.store, "published", content, now())
    replace_front(place.published, lambda: _front(place))


def _front(place: Workspace) -> tuple[bytes, dict[str, str]]:
    """Compose the page of all versions, newest first, and say which is the latest of each report."""
    events = {event["identifier"]: event for event in _events(place)}
    listed = [
        {
            "report": known.report,
            "identifier": known.identifier,
            "date": known.manifest["date"],
            "title": known.manifest["title"],
            "finding": events[known.identifier]["finding"],
            "published_at": str(events[known.identifier]["published_at"]),
        }
        for known in list_versions(place.published)
        if known.identifier in events
    ]
    listed.sort(key=lambda version: (version["published_at"], version["identifier"]), reverse=True)
    latest = {version["report"]: version["identifier"] for version in reversed(listed)}
    return render_catalogue(listed), latest
