"""What a published version says of itself: identifier, inputs and how to make it again."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Imprint:
    """Imprint of one version.

    Attributes
    ----------
    identifier : str
        First 12 hexadecimal digits of the SHA-256 over the version's inputs.
    input_hash : str
        SHA-256 over all inputs.
    content_digest : str
        SHA-256 of the records, as the snapshot gives it.
    plan_sha256, code_sha256 : str
        Of the plan and of the program's own source files.
    software : str
        Program and version.
    packages : dict of str to str
        Version of each package that takes part.
    command : str
        Command that makes this version again.
    network : str
        Name of the network.
    authors : tuple of str
        For the citation; may be empty.
    """

    identifier: str
    input_hash: str
    content_digest: str
    plan_sha256: str
    code_sha256: str
    software: str
    packages: dict[str, str]
    command: str
    network: str
    authors: tuple[str, ...]
