"""What one run of the ingest did, counted as it goes."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.ingest.bundle_load import BundleLoad
from pipeline.ingest.charger_load import ChargerLoad
from pipeline.ingest.findings import aside_problems, mended_problems, unordered_problem
from pipeline.ingest.loading import FileLoad
from pipeline.ingest.read import empty_problem
from pipeline.problems import Problem


@dataclass(frozen=True)
class IngestReport:
    """What one run of the stage did.

    Parameters
    ----------
    problems
        Findings in the order of the inbox.
    files_new_n, files_known_n, files_failed_n
        Files, or members of a zip, taken in, known from before, and not taken in. A file that
        two sources read counts twice.
    rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n, rows_superseded_n
        Rows of the new files; the first is the sum of the others. Superseded are those that a
        newer version had replaced before they came in.
    rows_withdrawn_n
        Rows of files taken in before that the new ones have replaced.
    """

    problems: list[Problem]
    files_new_n: int
    files_known_n: int
    files_failed_n: int
    rows_read_n: int
    rows_used_n: int
    rows_repeated_n: int
    rows_set_aside_n: int
    rows_superseded_n: int = 0
    rows_withdrawn_n: int = 0


@dataclass
class Tally:
    """Counts and findings so far; `report` is what the stage answers."""

    problems: list[Problem] = field(default_factory=list)
    new_n: int = 0
    known_n: int = 0
    failed_n: int = 0
    read_n: int = 0
    used_n: int = 0
    repeated_n: int = 0
    set_aside_n: int = 0
    superseded_n: int = 0
    withdrawn_n: int = 0

    def report(self) -> IngestReport:
        """The counts as they stand."""
        return IngestReport(
            self.problems,
            self.new_n,
            self.known_n,
            self.failed_n,
            self.read_n,
            self.used_n,
            self.repeated_n,
            self.set_aside_n,
            self.superseded_n,
            self.withdrawn_n,
        )

    def failed(self, problems: list[Problem]) -> None:
        """A file or member that could not be taken in."""
        self.failed_n += 1
        self.problems += problems

    def log_loaded(self, load: ChargerLoad, source_id: str) -> None:
        """A log of a charger, taken in."""
        self.new_n += 1
        self.read_n += load.read_n
        self.used_n += load.used_n
        self.repeated_n += load.repeated_n
        self.set_aside_n += load.set_aside_n
        if load.set_aside_n:
            self.problems += aside_problems(load.name, source_id, load.broken_summary())
        if load.read_n == 0:
            self.problems.append(empty_problem(load.name))

    def loaded(self, load: FileLoad, is_returned: bool) -> None:
        """A file of a vehicle's, taken in."""
        self.new_n += 1
        self.read_n += load.read_n
        self.used_n += load.used_n
        self.repeated_n += load.repeated_n
        self.set_aside_n += load.set_aside_n
        self.superseded_n += load.superseded_n
        self.withdrawn_n += load.correction.withdrawn_n
        if not load.is_in_order and not is_returned:
            self.problems.append(unordered_problem(load.plain.name))
        if load.set_aside_n:
            self.problems += aside_problems(load.plain.name, load.source_id, load.broken_summary())
        if load.mended:
            self.problems += mended_problems(load.plain.name, load.mended_summary())
        if load.read_n == 0:
            self.problems.append(empty_problem(load.plain.name))

    def bundle_loaded(self, load: BundleLoad) -> None:
        """Small files, taken in together."""
        self.new_n += load.files_n
        self.read_n += load.used_n + load.set_aside_n
        self.used_n += load.used_n
        self.set_aside_n += load.set_aside_n
        self.problems += load.problems
