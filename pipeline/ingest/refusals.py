"""Why one file as a whole cannot be taken in, as the one exception with one finding."""

from __future__ import annotations

from pipeline.problems import ColdMinutesError, Problem


def refusal(code: str, name: str, message: str, remedy: str) -> ColdMinutesError:
    """Error for one file; the stage catches it, keeps its finding and goes on with the next."""
    state = "Nothing of this file was taken in; the rest of the inbox was."
    return ColdMinutesError(
        [Problem(code, "exclude", f"inbox/{name}", message, f"{remedy} {state}")], exit_code=3
    )


def unreadable(name: str, message: str) -> ColdMinutesError:
    """INGEST-02: the content is not what the name promises, or it is damaged."""
    return refusal("INGEST-02", name, message, "Export or copy it again.")


def too_large(name: str, max_gb: float) -> ColdMinutesError:
    """INGEST-08: more content than the fleet allows."""
    return refusal(
        "INGEST-08",
        name,
        f"holds more than {max_gb:g} GB",
        "Split the export, or raise max_file_gb under [limits] in fleet.toml.",
    )
