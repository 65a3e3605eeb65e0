"""What is written down about a calculation: its name, dataclasses, function, sources and worked example."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

from metrology.calculations.plots import Plot

Inputs = TypeVar("Inputs")
Result = TypeVar("Result")
Status = Literal["READ", "COMPUTED", "from memory", "common practice, no source", "definition"]

# The subjects of the index, in their order.
SUBJECTS = (
    "Measuring",
    "Gauges and process",
    "Series and samples",
    "Assembly",
    "Casting",
    "Soil",
    "Setting out",
    "Time and scale",
    "Units",
)


@dataclass(frozen=True)
class Source:
    """Where a formula or rule stands. status: READ in hand, COMPUTED with a named library, from memory, and so on."""

    text: str
    status: Status


@dataclass(frozen=True)
class Calculation(Generic[Inputs, Result]):
    """One registered calculation.

    name: in the shell and the address, lower case with hyphens. title, subject: on the pages. asks: the question it
    answers, one sentence. inputs, result: frozen dataclasses of `metrology.calculations.fields`; the first field of
    the result is its sentence. compute: pure. example: a worked example. formula: plain text. plot: what to draw.
    """

    name: str
    title: str
    subject: str
    asks: str
    inputs: type[Inputs]
    result: type[Result]
    compute: Callable[[Inputs], Result]
    example: Inputs
    formula: str
    sources: tuple[Source, ...]
    cautions: tuple[str, ...] = ()
    plot: Callable[[Inputs, Result], tuple[Plot, ...]] | None = None


AnyCalculation = Calculation[Any, Any]
