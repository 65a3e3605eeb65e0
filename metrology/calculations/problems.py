"""What is wrong with the inputs of a calculation, and where."""

from dataclasses import dataclass

from metrology.errors import InputError


@dataclass(frozen=True)
class Problem:
    """path: where, as "/components/2/value"; "" is the inputs as a whole. sentence: what is wrong and what to do."""

    path: str
    sentence: str


class Refused(InputError):
    """Inputs that do not allow the calculation, with every problem at its place."""

    def __init__(self, code: str, problems: tuple[Problem, ...]) -> None:
        super().__init__(code, " ".join(problem.sentence for problem in problems))
        self.problems = problems


def refuse(path: str, sentence: str, code: str = "refused") -> Refused:
    """One problem at one place, for a calculation to raise: raise refuse("/upper", "…", "limits-swapped")."""
    return Refused(code, (Problem(path, sentence),))
