"""Error classes: one root, and one message form (what, where, found, needed, mend)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass


@dataclass(frozen=True, order=True)
class Problem:
    """One thing that is wrong with an input.

    `what` is wrong, `where` (file, row or feature, column), what was `found`, what is `needed`, how to `mend` it.
    """

    what: str
    where: str
    found: str
    needed: str
    mend: str

    def sentence(self) -> str:
        """Return the problem as one readable paragraph."""
        return f"{self.where}: {self.what}. Found: {self.found}. Needed: {self.needed}. To mend it: {self.mend}."

    def as_dict(self) -> dict[str, str]:
        """Return the five parts by name."""
        return asdict(self)


class TrafficplanError(Exception):
    """Root of all errors that this program raises on purpose."""


class InputError(TrafficplanError, ValueError):
    """The input is wrong; `problems` lists every one that was found, not only the first."""

    def __init__(self, problems: Problem | Sequence[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        """Cross between processes with the problems, not with the sentence that they make."""
        return type(self), (self.problems,)


class OutputError(TrafficplanError, OSError):
    """A result cannot be written; carries one Problem."""

    def __init__(self, problem: Problem) -> None:
        self.problems: tuple[Problem, ...] = (problem,)
        super().__init__(problem.sentence())

    def __reduce__(self) -> tuple[type[OutputError], tuple[Problem]]:
        """Cross between processes with the problem, not with the sentence that it makes."""
        return type(self), (self.problems[0],)
