"""Write one immutable version of a report: wholly, or not at all.

A version is written into a hidden folder beside its place, synced, read back and renamed in one step.
The same inputs again write nothing; the same identifier with other bytes is an error.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from importlib.resources import files
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement

from pipeline.store.file import create_file, make_folder, replace_file, sync_folder
from pipeline.store.lock import hold_alone
from schemas.errors import StoreError

MANIFEST = "manifest.json"
_HIDDEN = ".new-"
_COMPILED = "__pycache__"
_CODE = ("schemas", "pipeline", "reports", "flows")


@dataclass(frozen=True)
class Inputs:
    """Everything that decides what a version says.

    Attributes
    ----------
    report : str
        Name of the report.
    kind : str
        Kind of the report: ``network``.
    content_digest : str
        Of the records.
    plan_sha256 : str
        Of the plan.
    codebooks : tuple of str
        Hashes of the codebooks, sorted; clinics are not named.
    code_sha256 : str
        Of the program's own source files.
    packages : dict of str to str
        Versions of the packages that take part.
    smallest_count : int
        No published number rests on fewer patients.
    seed : int
        Of anything drawn at random.
    """

    report: str
    kind: str
    content_digest: str
    plan_sha256: str
    codebooks: tuple[str, ...]
    code_sha256: str
    packages: dict[str, str]
    smallest_count: int
    seed: int

    @property
    def input_hash(self) -> str:
        """SHA-256 over canonical JSON of all inputs."""
        return _digest(asdict(self))


@dataclass(frozen=True)
class Version:
    """One published version.

    Attributes
    ----------
    report, identifier : str
        Name and identifier.
    folder : pathlib.Path
        Where it is.
    manifest : dict
        Its manifest.
    """

    report: str
    identifier: str
    folder: Path
    manifest: dict[str, Any]


@dataclass(frozen=True)
class Damage:
    """Something wrong with a published version.

    Attributes
    ----------
    place, problem, remedy : str
        Where, what, and what to do.
    """

    place: str
    problem: str
    remedy: str


def identify(inputs: Inputs, earlier: tuple[str, ...] = ()) -> str:
    """Give the identifier of a version.

    Parameters
    ----------
    inputs : Inputs
        What the version is made from.
    earlier : tuple of str
        Identifiers of the earlier versions that it was checked against.

    Returns
    -------
    str
        12 hexadecimal digits.
    """
    return _digest({"input_hash": inputs.input_hash, "earlier": list(earlier)})[:12]


def list_versions(published: Path) -> tuple[Version, ...]:
    """List the published versions.

    Parameters
    ----------
    published : pathlib.Path
        Folder of all reports.

    Returns
    -------
    tuple of Version
        By report and identifier.
    """
    manifests = sorted(published.glob(f"*/*/{MANIFEST}"))
    visible = [path for path in manifests if not path.parent.name.startswith(".")]
    return tuple(
        Version(path.parent.parent.name, path.parent.name, path.parent, _read_manifest(path))
        for path in visible
    )


def find_version(published: Path, inputs: Inputs) -> Version | None:
    """Find a version that was made from the same inputs.

    Parameters
    ----------
    published : pathlib.Path
        Folder of all reports.
    inputs : Inputs
        What a new version would be made from.

    Returns
    -------
    Version or None
        The version, if there is one.
    """
    own = (v for v in list_versions(published) if v.report == inputs.report)
    return next((v for v in own if v.manifest["input_hash"] == inputs.input_hash), None)


def publish_version(
    published: Path,
    inputs: Inputs,
    identifier: str,
    content: dict[str, bytes],
    about: dict[str, str],
) -> Version:
    """Write one version.

    Parameters
    ----------
    published : pathlib.Path
        Folder of all reports.
    inputs : Inputs
        What it is made from.
    identifier : str
        Its identifier.
    content : dict of str to bytes
        Files by path inside the version.
    about : dict of str to str
        Title and date, for the manifest.

    Returns
    -------
    Version
        The version, now visible and read-only.

    Raises
    ------
    StoreError
        If a version of that identifier exists with other bytes, or what was written cannot be read
        back as it was.
    """
    make_folder(published)
    with hold_alone(published / ".lock"):
        folder = published / inputs.report / identifier
        _sweep(published)
        manifest = _manifest(inputs, identifier, content, about)
        if folder.exists():
            _refuse_difference(folder, content)
            return Version(inputs.report, identifier, folder, _read_manifest(folder / MANIFEST))
        hidden = published / inputs.report / f"{_HIDDEN}{identifier}"
        for name, data in {**content, MANIFEST: _canonical(manifest)}.items():
            create_file(hidden / name, data, mode=0o444)
        _read_back(hidden, manifest)
        hidden.rename(folder)
        sync_folder(folder.parent)
        return Version(inputs.report, identifier, folder, manifest)


def replace_front(published: Path, compose: Callable[[], tuple[bytes, dict[str, str]]]) -> None:
    """Replace the page of all versions and the pointer to the latest of each report.

    Parameters
    ----------
    published : pathlib.Path
        Folder of all reports.
    compose : Callable
        Gives the page ``index.html`` and the identifier of the latest version of each report. It is
        called under the lock, so that of two publishers the later one has seen both versions.
    """
    with hold_alone(published / ".lock"):
        catalogue, latest = compose()
        replace_file(published / "index.html", catalogue)
        replace_file(published / "latest.json", _canonical(latest))


def verify_versions(published: Path) -> tuple[Damage, ...]:
    """Hash every file of every version again.

    Parameters
    ----------
    published : pathlib.Path
        Folder of all reports.

    Returns
    -------
    tuple of Damage
        Empty where every version is as it was published.
    """
    found: list[Damage] = []
    for folder in sorted(p for p in published.glob("*/*") if p.is_dir()):
        if folder.name.startswith("."):
            continue
        place = f"published/{folder.parent.name}/{folder.name}"
        try:
            manifest = _read_manifest(folder / MANIFEST)
        except StoreError as error:
            found.append(Damage(f"{place}/{MANIFEST}", error.problem, error.remedy))
            continue
        found += [
            Damage(f"{place}/{name}", problem, "Restore the file from a backup, or publish anew.")
            for name, problem in _differences(folder, manifest["files"])
        ]
    return tuple(found)


def hash_code() -> str:
    """Hash the program's own source files.

    Returns
    -------
    str
        SHA-256 over path and content of every file of the packages, in order of path.
    """
    digest = hashlib.sha256()
    for package in _CODE:
        for name, data in sorted(_source_files(package)):
            digest.update(f"{name}\0{len(data)}\0".encode())
            digest.update(data)
    return digest.hexdigest()


def package_versions() -> dict[str, str]:
    """Give the version of each package that the program depends on, and its own.

    Returns
    -------
    dict of str to str
        Name to version, sorted by name.
    """
    try:
        needed = [Requirement(line).name for line in requires("arcgain") or ()]
        own = version("arcgain")
    except PackageNotFoundError:  # run from a checkout that is not installed
        return {"arcgain": "not installed"}
    return dict(sorted({"arcgain": own, **{name: version(name) for name in needed}}.items()))


def _source_files(package: str) -> Iterable[tuple[str, bytes]]:
    root = Path(str(files(package)))
    for path in root.rglob("*"):
        if path.is_file() and _COMPILED not in path.parts:
            yield f"{package}/{path.relative_to(root).as_posix()}", path.read_bytes()


def _digest(content: object) -> str:
    return hashlib.sha256(_canonical(content)).hexdigest()


def _canonical(content: object) -> bytes:
    text = json.dumps(
        content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return text.encode()


def _manifest(
    inputs: Inputs, identifier: str, content: dict[str, bytes], about: dict[str, str]
) -> dict[str, Any]:
    return {
        "format": 1,
        "identifier": identifier,
        "input_hash": inputs.input_hash,
        "inputs": {**asdict(inputs), "codebooks": list(inputs.codebooks)},
        "checked_against": [],
        "files": {
            name: {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data)}
            for name, data in content.items()
        },
        **about,
    }


def _read_manifest(path: Path) -> dict[str, Any]:
    try:
        manifest = json.loads(path.read_bytes())
        known = isinstance(manifest, dict) and {"files", "input_hash", "identifier"} <= set(
            manifest
        )
    except (OSError, ValueError):
        known, manifest = False, {}
    if not known:
        raise StoreError(
            str(path),
            "the manifest is missing or damaged",
            "Restore it from a backup, or publish anew.",
        )
    return dict(manifest)


def _differences(folder: Path, expected: dict[str, Any]) -> Iterable[tuple[str, str]]:
    present = {
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    } - {MANIFEST}
    for name in sorted(present - set(expected)):
        yield name, "is not in the manifest"
    for name, facts in sorted(expected.items()):
        if name not in present:
            yield name, "is missing"
        elif hashlib.sha256((folder / name).read_bytes()).hexdigest() != facts["sha256"]:
            yield name, "has changed since it was published"


def _read_back(hidden: Path, manifest: dict[str, Any]) -> None:
    for name, problem in _differences(hidden, manifest["files"]):
        raise StoreError(
            f"{hidden.name}/{name}",
            f"{problem} while it was written",
            "Check the disk, then publish again.",
        )


def _refuse_difference(folder: Path, content: dict[str, bytes]) -> None:
    expected = {
        name: {"sha256": hashlib.sha256(data).hexdigest()} for name, data in content.items()
    }
    for name, problem in _differences(folder, expected):
        raise StoreError(
            f"published/{folder.parent.name}/{folder.name}/{name}",
            f"a version of this identifier exists, and the file {problem}; nothing was published",
            "Run “arcgain verify”. If the version is sound, report this as a fault of the program.",
        )


def _sweep(published: Path) -> None:
    """Remove what a run that was killed left behind; under the lock nobody else is writing."""
    for leftover in published.glob(f"*/{_HIDDEN}*"):
        shutil.rmtree(leftover)
    if os.name == "posix":
        sync_folder(published)
